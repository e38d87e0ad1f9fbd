"""A told story kept in the user's cache folder, so that the demo starts at once.

Telling a year through the use cases takes most of a minute. It is told once (``make setup``
does it), kept, copied at each start, and told on from the day it was kept; after four weeks,
or when the program's code or tables have changed, it is told anew.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Final
from zoneinfo import available_timezones

import heapwright
from heapwright.demo import lately, site, sky, story
from heapwright.demo.plan import Plan

TOLD_ON_DAYS: Final = 28
AHEAD: Final = ("forecasts", "charts")
"""Folders of what is foreseen of the story's heaps, beside its database."""


def folder() -> Path:
    """Return the folder in which told stories are kept."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "heapwright"


def zone_here() -> str:
    """Return the time zone of this machine, the yard's own where it cannot be told."""
    name = os.environ.get("TZ", "")
    link = Path("/etc/localtime")
    if not name and link.is_symlink():
        name = str(link.readlink()).partition("zoneinfo/")[2]
    return name if name in available_timezones() else site.ZONE


def fingerprint() -> str:
    """Return a digest of all that the records of the story depend on."""
    root = Path(heapwright.__file__).parent
    digest = hashlib.sha256()
    for name in ("django", "django-axes"):
        digest.update(version(name).encode())
    science = ("science/mixing.py", "science/ingredients.py")
    for part in ("data", "demo", "people", *science, "yard", "units.py"):
        for path in _files(root / part):
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _files(path: Path) -> Iterator[Path]:
    if path.is_file():
        yield path
        return
    for one in sorted(path.rglob("*")):
        if one.suffix in (".py", ".csv", ".toml"):
            yield one


def make(
    target: Path, now: datetime, zone: str, progress: Callable[[float], None] | None = None
) -> Path:
    """Put the story told at ``now`` into the database of this process; return its kept copy.

    Parameters
    ----------
    target : Path
        The file of the default database (SQLite), not there yet; nothing may be connected.
    now : datetime
        With its zone.
    zone : str
        The yard's time zone.
    progress : callable, optional
        Called with the share told when it has to be told anew.
    """
    from django.core.management import call_command
    from django.db.models import Max

    from heapwright.yard.models import Entry

    end = story.ends_at(now, zone)
    mark = f"{fingerprint()}-{zone.replace('/', '.')}"
    first = _kept_first(mark, story.first_day(end.date()))
    if first is not None:
        shutil.copyfile(_path(mark, first), target)
        since = Entry.objects.aggregate(last=Max("recorded_at"))["last"]
        story.tell_on(Plan(first, zone), since, end)
        fresh = since.date() < end.date()
    else:
        first, fresh = story.first_day(end.date()), True
        call_command("migrate", verbosity=0)
        site.set_up(zone)
        story.tell_on(Plan(first, zone), None, end, progress)
    path = _path(mark, first)
    if fresh:
        _keep(target, path)
    lately.happened(first, end, zone)
    story.this_morning(end)
    story.a_picture(end)
    sky.look_up(first, end, zone)
    for name in AHEAD:
        if _ahead(path, name).is_dir():
            shutil.copytree(_ahead(path, name), target.parent / name, dirs_exist_ok=True)
    return path


def foresee(path: Path, now: datetime, progress: Callable[[float], None] | None = None) -> None:
    """Foresee the heaps of the story in the database of this process, and keep that beside it.

    Whoever opens the demo later that day finds the answers there; on a later day they are shown
    as what was known last, while newer ones are computed.

    Parameters
    ----------
    path : Path
        Of the kept story, as :func:`make` returned it.
    now : datetime
        With its zone.
    progress : callable, optional
        Called with the share that is done.
    """
    from django.conf import settings

    from heapwright.yard import forecast, forecast_marks, state
    from heapwright.yard.forecast_learned import learn, lessons
    from heapwright.yard.models import LotKind

    version = forecast_marks.model_version()
    past = lessons(version, now).missing
    heaps = [one.id for one in state.state_at(now) if one.kind == LotKind.PILE]
    for number, lot_id in enumerate((*past, *heaps)):
        if progress is not None:
            progress(number / (len(past) + len(heaps)))
        if number < len(past):
            learn(lot_id, version)
        else:
            forecast.refresh(lot_id, now=now)
    for name in AHEAD:
        if (there := settings.DATA_FOLDER / name).is_dir():
            _copy_whole(there, _ahead(path, name))


def _ahead(path: Path, name: str) -> Path:
    """Return where what is foreseen of a kept story is kept."""
    return path.with_suffix(f".{name}")


def _copy_whole(folder: Path, to: Path) -> None:
    """Copy a folder to its place, whole or not at all."""
    part = to.with_suffix(f"{to.suffix}.{os.getpid()}")
    shutil.copytree(folder, part)
    shutil.rmtree(to, ignore_errors=True)
    part.replace(to)


def _path(mark: str, first: date) -> Path:
    return folder() / f"{mark}-{first.isoformat()}.sqlite3"


def _kept_first(mark: str, wanted: date) -> date | None:
    """Return the first day of a kept story that can be told on; None when there is none."""
    for days in range(TOLD_ON_DAYS + 1):
        first = wanted - timedelta(days=days)
        if _is_sound(_path(mark, first)):
            return first
    return None


def _is_sound(path: Path) -> bool:
    """Return whether a kept file is there and whole; one that is damaged is told anew."""
    if not path.is_file():
        return False
    try:
        with closing(sqlite3.connect(path)) as records:
            return bool(records.execute("PRAGMA quick_check").fetchone()[0] == "ok")
    except sqlite3.DatabaseError:
        return False


def _keep(database: Path, path: Path) -> None:
    """Copy the database to its place in the cache, whole or not at all, and drop older ones."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}")
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(part)) as copy:
        source.backup(copy)
    part.replace(path)
    for other in path.parent.glob("*.sqlite3"):
        if other != path:
            other.unlink(missing_ok=True)
            for name in AHEAD:
                shutil.rmtree(_ahead(other, name), ignore_errors=True)
