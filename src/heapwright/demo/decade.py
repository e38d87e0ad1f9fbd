"""Ten years of the yard, for measuring how fast pages are on long records.

The same acts as the story's, told on for years, with a logger in every pile. What moves mass
goes through the use cases; checks and weather, which move none, are written in bulk with the
same rows, and readings through the yard's own bulk path.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np
from django.core.management import call_command
from django.db import connection, transaction

from heapwright.demo import kept, site, sky, story
from heapwright.demo.books import Written
from heapwright.demo.plan import Plan
from heapwright.people.models import User
from heapwright.yard import migrations, readings, tend
from heapwright.yard.acts import as_sent
from heapwright.yard.mix import BuildPile
from heapwright.yard.models import Check, Entry, Kind, Lot, Weather
from heapwright.yard.readings import Columns

YEARS: Final = 10
PROBES: Final = ("probe 1", "probe 2", "probe 3")
_BATCH: Final = 2000

Bulk = tend.CheckLot | tend.LogWeather


def tell_decade(
    now: datetime,
    *,
    years: int = YEARS,
    logger_min: int = 60,
    seed: int = 1,
    zone: str = site.ZONE,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Fill an empty, migrated database with years of records that end today.

    Parameters
    ----------
    now : datetime
        With its zone.
    years : int
        How many.
    logger_min : int
        Minutes between the readings of each of a pile's three probes, from its building until
        it goes to the curing pad.
    seed, zone, progress
        As for :func:`heapwright.demo.story.tell`.
    """
    end = story.ends_at(now, zone)
    first = end.date() - timedelta(days=365 * years)
    days = (end.date() - first).days
    built: dict[str, datetime] = {}
    waiting: list[Written] = []
    with transaction.atomic():
        site.set_up(zone)
        people = {user.username: user for user in User.objects.all()}
        for written in Plan(first, zone, seed).acts():
            if written.recorded_at > end:
                break
            act = written.act
            if isinstance(act, Bulk):
                waiting.append(written)
                if len(waiting) >= _BATCH:
                    _write_many(waiting, people)
                    waiting.clear()
                continue
            moved = isinstance(act, tend.Move) and act.to_place == site.PAD
            if moved and act.lot in built:  # nobody put a probe in what stood there before
                _logger(act.lot, built[act.lot], act.happened_at, logger_min, people[written.by])
            story.write(written, people)
            if isinstance(act, BuildPile):
                built[act.code] = act.happened_at
            if progress is not None:
                progress((written.recorded_at.date() - first).days / days)
        _write_many(waiting, people)
        story.this_morning(end)
        sky.look_up(first, end, zone, seed)


def make(target: Path, now: datetime, progress: Callable[[float], None] | None = None) -> None:
    """Put the decade that ends at ``now`` into the database of this process.

    Telling it takes minutes, so that it is kept in the user's cache folder until the demo's
    code or the tables of the database change.

    Parameters
    ----------
    target : Path
        The file of the default database (SQLite), not there yet; nothing may be connected.
    now, progress
        As for :func:`tell_decade`.
    """
    folder = kept.folder() / "decade"
    path = folder / f"{_digest()}-{now.date().isoformat()}.sqlite3"
    if not path.is_file():
        call_command("migrate", verbosity=0)
        tell_decade(now, progress=progress)
        connection.close()
        folder.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}")
        shutil.copyfile(target, part)
        part.replace(path)
        for other in set(folder.glob("*.sqlite3")) - {path}:
            other.unlink(missing_ok=True)
        return
    shutil.copyfile(path, target)


def _digest() -> str:
    """Return a digest of what tells the decade and of the tables that it is told to."""
    here = Path(__file__).parent
    digest = hashlib.sha256()
    for folder in (here, Path(migrations.__path__[0])):
        for path in sorted(folder.glob("*.py")):
            digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]


def _write_many(many: list[Written], people: dict[str, User]) -> None:
    """Write checks and weather with the rows that their use cases would write."""
    lots = Lot.objects.in_bulk(field_name="code")
    entries = Entry.objects.bulk_create(
        Entry(
            uuid=one.act.id,
            kind=Kind.CHECK if isinstance(one.act, tend.CheckLot) else Kind.WEATHER,
            happened_at=one.act.happened_at,
            recorded_at=one.recorded_at,
            recorded_by=people[one.by],
            note=one.act.note,
            sent=as_sent(one.act),
        )
        for one in many
        if isinstance(one.act, Bulk)
    )
    checks, touches, days = [], [], []
    for one, entry in zip(many, entries, strict=True):
        act = one.act
        if isinstance(act, tend.LogWeather):
            days.append(
                Weather(
                    entry=entry,
                    day=act.day,
                    rain_mm=act.rain_mm,
                    temp_min_c=act.temp_min_c,
                    temp_max_c=act.temp_max_c,
                )
            )
        elif isinstance(act, tend.CheckLot):
            lot = lots[act.lot]
            touches.append(Entry.lots.through(entry=entry, lot=lot))
            checks.append(
                Check(
                    entry=entry,
                    lot=lot,
                    squeeze=act.squeeze,
                    smell=act.smell,
                    height_m=act.height_m,
                )
            )
    Weather.objects.bulk_create(days)
    Check.objects.bulk_create(checks)
    Entry.lots.through.objects.bulk_create(touches)
    for one, entry in zip(many, entries, strict=True):
        if isinstance(one.act, tend.CheckLot):
            rows = (
                (int(one.act.happened_at.timestamp()), temp.point, temp.depth_cm, temp.temp_c)
                for temp in one.act.temps
            )
            readings.keep(entry, lots[one.act.lot], Columns.of_rows(rows), "temps")


def _logger(code: str, since: datetime, until: datetime, every_min: int, by: User) -> None:
    """Log three probes from building until the pile is moved: up in three days, then down."""
    begin, end = (int(moment.timestamp()) for moment in (since, until))
    time_s = np.arange(begin + 3600, end, every_min * 60, dtype=np.int64)
    day = (time_s - begin) / 86_400.0
    core_c = 12.0 + 52.0 * (1.0 - np.exp(-day / 0.8)) * np.exp(-np.maximum(day - 20.0, 0.0) / 40.0)
    temp_c = core_c[:, None] - np.array([0.0, 2.5, 5.0]) + 0.4 * np.sin(time_s / 4500.0)[:, None]
    columns = Columns(
        np.repeat(time_s, len(PROBES)),
        PROBES,
        np.tile(np.arange(len(PROBES)), len(time_s)),
        np.full(len(time_s) * len(PROBES), 60.0),
        np.round(temp_c.ravel(), 1),
    )
    last = datetime.fromtimestamp(int(time_s[-1]), UTC)
    tend.log_readings(tend.logger_act(code, f"{code}.csv", columns, last), by, now=until)
