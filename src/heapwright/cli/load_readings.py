"""Readings from files: a pile's log, and weather.

Django is loaded by the functions, not by importing this module.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

from heapwright.cli.load_once import Done, content_id, loaded_before, placed
from heapwright.errors import InputError

if TYPE_CHECKING:
    from heapwright.people.models import User
    from heapwright.yard.models import Lot
    from heapwright.yard.readings import Columns


def load_log(file: Path, code: str | None, by: User) -> Done:
    """Record a pile's turnings, covers and readings; other events must be known already."""
    from heapwright.files.log import read_log
    from heapwright.yard import tend
    from heapwright.yard.ledger import local
    from heapwright.yard.models import Entry, Lot, Site
    from heapwright.yard.readings import Columns

    if code is None:
        raise InputError("whose log is it? State --lot", file=file.name)
    read = read_log(file, time_zone=Site.load().zone)
    lot = Lot.objects.filter(code=code).first()
    if lot is None:
        raise InputError(f"--lot: there is no lot {code}")
    done = Done(notes=list(read.notes))
    for act in read.log.acts:
        happened_at = datetime.fromtimestamp(act.time_s, UTC)
        if _logged(lot, act.kind, happened_at, file.name):
            done.there += 1
            continue
        with placed(lambda message, _field: InputError(message, file=file.name)):
            entry_id = content_id(code, act.kind, act.time_s)
            if loaded_before(entry_id, done, f"“{act.kind}” of {local(happened_at)}"):
                continue
            if act.kind == "turned":
                tend.turn(tend.Turn(id=entry_id, happened_at=happened_at, lot=code), by)
            else:
                tend.cover(
                    tend.CoverLot(id=entry_id, happened_at=happened_at, lot=code, cover="tarp"),
                    by,
                )
                done.notes.append(f"Covered on {local(happened_at)}: taken to be with a tarp.")
        done.new.append(f"“{act.kind}” of {local(happened_at)}")
    if len(read.log.readings.time_s):
        columns = Columns.of_log(read.log)
        last = datetime.fromtimestamp(int(columns.time_s.max()), UTC)
        with placed(lambda message, _field: InputError(message, file=file.name)):
            logged = tend.logger_act(code, file.name, columns, last)
            if Entry.objects.filter(uuid=logged.id).exists():
                done.there += len(columns)
            else:
                new = _new_readings(lot, columns)
                if new:
                    tend.log_readings(logged, by)
                    done.new.append(f"{new} readings of {code}")
                done.there += len(columns) - new
    return done


def _new_readings(lot: Lot, columns: Columns) -> int:
    """Return how many readings of a file the records lack, so that none at all is no fault."""
    from heapwright.yard.models import Reading

    there = set(
        Reading.objects.filter(
            lot=lot,
            struck=False,
            time_s__range=(int(columns.time_s.min()), int(columns.time_s.max())),
        ).values_list("time_s", "point", "depth_cm", "temp_c")
    )
    return len(set(columns.rows()) - there)


def _logged(lot: Lot, event: str, happened_at: datetime, file: str) -> bool:
    """Return whether the site's own entries hold an event of a log already.

    Raises
    ------
    InputError
        If the event is one that a log alone cannot tell (what was added, where it was put) and
        the records have no such entry, so that leaving it out would count in the pile's favour.
    """
    from heapwright.yard import prove
    from heapwright.yard.ledger import local

    acts = {
        (one.kind, one.time_s) for strand in prove.strands(lot) for one in
        prove.lot_log(lot, strand).acts
    }  # fmt: skip
    minute = 60
    if any(kind == event and abs(at - happened_at.timestamp()) < minute for kind, at in acts):
        return True
    if event in ("turned", "covered"):
        return False
    if event == "built" and any(kind == "built" for kind, _at in acts):
        begun = next(at for kind, at in sorted(acts, key=lambda one: one[1]) if kind == "built")
        raise InputError(
            f"says that {lot.code} was built on {local(happened_at)}, but the site says "
            f"{local(datetime.fromtimestamp(begun, UTC))}",
            file=file,
        )
    raise InputError(
        f"says “{event}” on {local(happened_at)}, and a log does not tell what or where; enter "
        f"that at {lot.code} first, then load the file",
        file=file,
    )


# Weather


def load_weather(
    file: Path,
    units: str | None,
    station: str | None,
    by: User,
    *,
    here: bool,
    replace: bool,
) -> Done:
    """Keep the weather of a file, measured ``here`` or at a station."""
    from heapwright.files.weather_import import StatedUnits, read_station_file
    from heapwright.yard import weather_kept
    from heapwright.yard.models import Origin, Site

    stated = cast("StatedUnits | None", units)
    read = read_station_file(file, Site.load().tz, stated_units=stated, station=station)
    done = Done(notes=list(read.notes))

    def in_file(message: str, field_name: str) -> InputError:
        hint = " (--replace)" if field_name == "replace" else ""
        return InputError(f"{message}{hint}", file=file.name)

    with placed(in_file):
        stored = weather_kept.keep(
            read.rows,
            origin=Origin.MEASURED if here else Origin.IMPORTED,
            what=file.name,
            station=read.station,
            by=by,
            replace=replace,
        )
    done.there = stored.there
    whose = f" of {read.station}" if read.station else ""
    if stored.new:
        done.new.append(f"{stored.new} stretches of weather{whose}")
    if stored.replaced:
        done.new.append(f"{stored.replaced} with new figures{whose}")
    return done
