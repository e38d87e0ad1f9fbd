"""``heapwright load``: deliveries, logs, stock and weather from files into the site."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from uuid import NAMESPACE_OID, UUID, uuid5

import click

from heapwright.errors import InputError

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from heapwright.files.amounts import StockRow
    from heapwright.files.table import Row
    from heapwright.people.models import User
    from heapwright.yard.acts import Act
    from heapwright.yard.amounts import Quantity
    from heapwright.yard.models import Lot
    from heapwright.yard.receive import OpeningPart

MASSES: Final = ("mass_kg", "mass_lb")
VOLUMES: Final = ("volume_m3", "volume_yd3", "volume_gal")
DELIVERY_COLUMNS: Final = (
    "time", "source", "material", "place", *MASSES, *VOLUMES, "container", "count", "code",
    "contamination", "found", "note",
)  # fmt: skip
NOON: Final = time(12, 0)
FIGURES: Final = (
    "moisture_pct", "n_pct_dry", "c_pct_dry", "cn", "vs_pct_dry", "bulk_density_kg_m3",
)  # fmt: skip
STOCK_COLUMNS: Final = (
    "material", "available_kg", "available_lb", "available_m3", "available_yd3", "available_gal",
    "waiting_days", "container", "container_l", *FIGURES,
)  # fmt: skip
STANDING_COLUMNS: Final = (
    "kind", "place", "stage", "since", "materials", *MASSES, *VOLUMES, "container", "count",
    "bulk_density_kg_m3", "code", "note",
)  # fmt: skip


@dataclass(slots=True)
class Done:
    """What came of a file."""

    new: list[str] = field(default_factory=list)
    there: int = 0
    notes: list[str] = field(default_factory=list)


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--as", "kind", type=click.Choice(["deliveries", "log", "stock", "weather"]),
              help="What the file holds, when its columns do not say.")  # fmt: skip
@click.option("--lot", metavar="CODE", help="The pile (or compost) whose log it is.")
@click.option("--source", metavar="CODE", help="Who gave it, where the file does not say.")
@click.option("--place", metavar="CODE", help="Where it lies, where the file does not say.")
@click.option("--on", "on_day", metavar="DATE",
              help="Of a stock-taking, or when the records begin.  [default: today]")  # fmt: skip
@click.option("--units", type=click.Choice(["tenths", "metric", "us"]),
              help="Of daily weather that does not say its units.")  # fmt: skip
@click.option("--station", metavar="ID", help="Of weather that holds several stations.")
@click.option("--here", is_flag=True, help="The weather was measured at the site itself.")
@click.option("--replace", is_flag=True,
              help="Where weather is known with other figures, the new ones hold.")  # fmt: skip
@click.option("--by", "username", metavar="NAME", help="Who records it.  [the first lead]")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as JSON.")
def load(
    file: Path,
    kind: str | None,
    lot: str | None,
    source: str | None,
    place: str | None,
    on_day: str | None,
    units: str | None,
    station: str | None,
    here: bool,
    replace: bool,
    username: str | None,
    as_json: bool,
) -> None:
    """Load FILE into the site in HEAPWRIGHT_DATA: all of it, or nothing when a row is wrong.

    \b
    deliveries  time,source,material,place and an amount: mass_kg, mass_lb, volume_m3,
                volume_yd3, volume_gal, or container and count; optionally code,
                contamination (none, little, much), found, note
    log         a pile's log, as “heapwright prove” reads it; needs --lot
    stock       what is on hand, as “heapwright mix solve” reads it; needs --source, --place
    weather     time,temp_c,rain_mm by hour or day, or NOAA's daily records (GHCN-Daily: .dly,
                or a CSV of one station)

    Loading a file again changes nothing and says so, also when rows were added to it.
    """
    from heapwright.cli.site import open_records

    open_records()
    from django.db import transaction

    by = recorder(username)
    kind = kind or _kind(file)
    if kind != "weather":
        _refuse(kind, {"--units": units, "--station": station, "--here": here or None,
                       "--replace": replace or None})  # fmt: skip
    with transaction.atomic():
        if kind == "weather":
            _refuse(kind, {"--lot": lot, "--source": source, "--place": place, "--on": on_day})
            done = _load_weather(file, units, station, by, here=here, replace=replace)
        elif kind == "log":
            _refuse(kind, {"--source": source, "--place": place, "--on": on_day})
            done = _load_log(file, lot, by)
        elif kind == "standing":
            _refuse(kind, {"--lot": lot, "--source": source})
            done = _load_standing(file, place, on_day, by)
        elif kind == "stock":
            _refuse(kind, {"--lot": lot})
            done = _load_stock(file, source, place, on_day, by)
        else:
            _refuse(kind, {"--lot": lot, "--on": on_day})
            done = _load_deliveries(file, source, place, by)
    if as_json:
        click.echo(json.dumps({"as": kind, "new": done.new, "there_already": done.there,
                               "notes": done.notes}, ensure_ascii=False))  # fmt: skip
        return
    for note in done.notes:
        click.echo(note)
    if done.new:
        there = f"; {done.there} were there already" if done.there else ""
        click.echo(f"Loaded {', '.join(done.new)}{there}.")
    else:
        click.echo(f"Nothing new: all of {file.name} was there already.")


def _refuse(kind: str, options: dict[str, str | bool | None]) -> None:
    for option, value in options.items():
        if value is not None:
            raise InputError(f"{option} has no meaning for a file of {kind}")


def recorder(username: str | None) -> User:
    """Return who records: the one named, or the first lead."""
    from heapwright.people.models import Role, User

    people = User.objects.filter(is_active=True).order_by("id")
    if username is not None:
        found = people.filter(username=username).first()
        if found is None:
            raise InputError(f"--by: there is no account {username}")
        return found
    found = people.filter(role=Role.LEAD).first()
    if found is None:
        raise InputError("the site has no lead yet; set it up in the browser first")
    return found


def _kind(file: Path) -> str:
    """Return what a file holds, by its columns."""
    from heapwright.files.log import LOG_BYTES
    from heapwright.files.table import decode, read_bytes
    from heapwright.files.weather_import import recognise

    text = decode(read_bytes(file, max_bytes=LOG_BYTES), file.name)
    if recognise(text) is not None:
        return "weather"
    header = next((line for line in text.splitlines() if line.strip(", \t")), "")
    columns = {cell.strip().lower() for cell in header.split(",")}
    if "event" in columns:
        return "log"
    if any(column.startswith("available_") for column in columns):
        return "stock"
    if {"time", "material"} <= columns:
        return "deliveries"
    if "kind" in columns:
        return "standing"
    raise InputError(
        "its columns are those of no file that can be loaded; say what it is with --as", row=1,
        file=file.name,
    )  # fmt: skip


@contextmanager
def _placed(error_at: Callable[[str, str], InputError]) -> Iterator[None]:
    """Tell what the records refuse with the place in the file."""
    from heapwright.yard.errors import YardError

    try:
        yield
    except YardError as error:
        raise error_at(error.message, error.field) from None


def _content_id(*content: object) -> UUID:
    text = json.dumps(content, default=str, ensure_ascii=False)
    return uuid5(NAMESPACE_OID, f"load/{hashlib.sha256(text.encode()).hexdigest()}")


def _there(entry_id: UUID, done: Done, label: str) -> bool:
    """Return whether an entry is there already; say so when it was struck since."""
    from heapwright.yard.models import Entry

    entry = Entry.objects.filter(uuid=entry_id).first()
    if entry is None:
        return False
    done.there += 1
    if entry.is_struck:
        done.notes.append(f"{label} was loaded before and struck since; it stays struck.")
    return True


# deliveries


def _load_deliveries(file: Path, source: str | None, place: str | None, by: User) -> Done:
    from heapwright.files.table import read_table
    from heapwright.yard import receive
    from heapwright.yard.acts import first_lot
    from heapwright.yard.models import Site

    table = read_table(file, known=DELIVERY_COLUMNS, required=["time", "material"])
    tz = Site.load().tz
    done = Done()
    seen: Counter[str] = Counter()
    for row in table:
        happened_at = _moment(row, tz)
        given = {"source": row.text("source") or source, "place": row.text("place") or place}
        for column, value in given.items():
            if value is None:
                raise row.error(f"names no {column}; fill it or state --{column}", column)
        line = receive.DeliveryLine(
            material=row.text("material"),
            quantity=_quantity(row),
            place=given["place"] or "",
            code=row.text("code"),
            contamination=row.text("contamination").lower(),
            found=row.text("found"),
        )
        content = (happened_at.isoformat(), given["source"], line, row.text("note"))
        key = json.dumps(content, default=str)
        seen[key] += 1
        entry_id = _content_id(key, seen[key])
        if _there(entry_id, done, f"Row {row.number}"):
            continue
        act = receive.ReceiveDelivery(
            id=entry_id,
            happened_at=happened_at,
            source=given["source"] or "",
            lines=(line,),
            note=row.text("note"),
        )
        with _placed(lambda message, where, row=row: row.error(message, _column(where))):
            done.new.append(first_lot(receive.receive_delivery(act, by)).code)
    return done


def _column(field_name: str) -> str | None:
    """Return the column of the file that a field of the act came from."""
    last = field_name.rpartition(".")[2]
    return {"happened_at": "time", "quantity": None, "": None}.get(last, last)


def _moment(row: Row, tz: ZoneInfo) -> datetime:
    """Return when a row happened: a date (noon is meant) or a date and time, the site's own."""
    text = row.text("time")
    try:
        said = datetime.fromisoformat(text) if text else None
    except ValueError:
        said = None
    if said is None:
        raise row.error(f"“{text}” is no time; write it as 2026-03-01 or 2026-03-01T10:00", "time")
    if len(text) <= len("2026-03-01"):
        said = datetime.combine(said.date(), NOON)
    return (said if said.tzinfo else said.replace(tzinfo=tz)).astimezone(UTC)


def _quantity(row: Row) -> Quantity:
    """Return the one amount that a row states."""
    from heapwright.units import MASS_KG, VOLUME_M3
    from heapwright.yard.amounts import Quantity

    stated = [column for column in (*MASSES, *VOLUMES, "container") if row.text(column)]
    if len(stated) != 1:
        if stated:
            raise row.error(f"states its amount twice ({' and '.join(stated)})", stated[1])
        raise row.error("states no amount; fill a mass, a volume, or container and count")
    column = stated[0]
    if column == "container":
        count = row.number_or_none("count", low=0.0)
        if count is None:
            raise row.error("how many containers?", "count")
        text = f"{count:g} {row.text('container')}"
        return Quantity(container=row.text("container"), count=count, as_typed=text)
    kind, unit = column.split("_")
    value = row.number_or_none(column, low=0.0)
    assert value is not None
    typed = f"{row.text(column)} {unit}"
    if kind == "mass":
        return Quantity(mass_kg=value * MASS_KG[unit], known="weighed", as_typed=typed)
    return Quantity(volume_m3=value * VOLUME_M3[unit], as_typed=typed)


# stock


def _load_stock(
    file: Path, source: str | None, place: str | None, on_day: str | None, by: User
) -> Done:
    from heapwright.data.mixing import mix_facts
    from heapwright.files.amounts import read_stock
    from heapwright.files.table import read_table
    from heapwright.yard import materials, receive
    from heapwright.yard.acts import first_lot
    from heapwright.yard.models import Site

    for option, value in (("--source", source), ("--place", place)):
        if value is None:
            raise InputError(f"a file of stock needs {option}", file=file.name)
    rows = read_stock(file, materials.library(), mix_facts())
    as_typed = {row.number: row for row in read_table(file, known=STOCK_COLUMNS)}
    taken_at = _stocktaking(on_day, Site.load().tz)
    done = Done()
    seen: Counter[str] = Counter()
    for row in rows:
        if row.available_kg <= 0 or row.ingredient.is_water:
            continue
        typed = as_typed[row.row]
        key = json.dumps([source, place, on_day, sorted(typed.cells.items())])
        seen[key] += 1
        entry_id = _content_id(key, seen[key])
        if _there(entry_id, done, f"Row {row.row}"):
            continue

        def at_row(message: str, _field: str, row: StockRow = row) -> InputError:
            return InputError(message, file=file.name, row=row.row)

        with _placed(at_row):
            material = _known_material(row, typed)
            act = receive.ReceiveDelivery(
                id=entry_id,
                happened_at=taken_at - timedelta(days=row.waiting_days or 0.0),
                source=source or "",
                lines=(
                    receive.DeliveryLine(
                        material=material, quantity=_on_hand(row), place=place or ""
                    ),
                ),
                note=f"On hand, from {file.name}.",
            )
            lot = first_lot(receive.receive_delivery(act, by))
            _measured(_stated(typed), lot, act, by)
        done.new.append(lot.code)
    return done


def _stated(typed: Row) -> dict[str, float]:
    """Return the figures that a row itself states as measured, not what the site knows."""
    figures = {name: typed.number_or_none(name) for name in FIGURES}
    return {name: value for name, value in figures.items() if value is not None}


def _on_hand(row: StockRow) -> Quantity:
    from heapwright.yard.amounts import Quantity

    kg = row.available_kg
    return Quantity(mass_kg=kg, known="estimated", as_typed=f"{kg:g} kg on hand")


def _stocktaking(on_day: str | None, tz: ZoneInfo) -> datetime:
    """Return noon of the day of a stock-taking, or now for today."""
    from django.utils import timezone

    now = timezone.now()
    if on_day is None:
        return now
    try:
        day = date.fromisoformat(on_day)
    except ValueError:
        raise InputError(f"--on: “{on_day}” is no date; write it as 2026-03-01") from None
    if day > now.astimezone(tz).date():
        raise InputError(f"--on: {on_day} has not come yet")
    return min(datetime.combine(day, NOON, tz).astimezone(UTC), now)


def _known_material(row: StockRow, typed: Row) -> str:
    """Return the material's id; one that nobody knows is made, with the row's figures."""
    from django.core.exceptions import ValidationError
    from django.utils.text import slugify

    from heapwright.yard import materials
    from heapwright.yard.models import OwnMaterial

    code = row.ingredient.id
    if code not in materials.library():
        code = slugify(code)
    if code in materials.library():
        return code
    own = OwnMaterial(
        code=code,
        name=row.ingredient.name,
        category=row.ingredient.category,
        layer_role=row.ingredient.layer_role or "brown",
        note=f"From {typed.file}.",
        **_stated(typed),
    )
    try:
        own.full_clean()
    except ValidationError as error:
        raise typed.error(" ".join(error.messages), "material") from None
    own.save()
    return code


def _measured(stated: dict[str, float], lot: Lot, delivery: Act, by: User) -> None:
    """Keep what a row states as measured of its lot."""
    from heapwright.yard import prove

    if not stated:
        return
    prove.log_result(
        prove.LogResult(
            id=_content_id("measured", delivery.id),
            happened_at=delivery.happened_at,
            lot=lot.code,
            results=tuple(
                prove.Result(quantity=name, value=value) for name, value in stated.items()
            ),
            note=delivery.note,
        ),
        by,
    )


# what stood there


def _load_standing(file: Path, place: str | None, on_day: str | None, by: User) -> Done:
    from heapwright.files.table import read_table
    from heapwright.yard import receive
    from heapwright.yard.acts import first_lot
    from heapwright.yard.models import Site

    table = read_table(file, known=STANDING_COLUMNS, required=["kind"])
    tz = Site.load().tz
    records_begin = _stocktaking(on_day, tz)
    done = Done()
    seen: Counter[str] = Counter()
    for row in table:
        where = row.text("place") or place
        if not where:
            raise row.error("names no place; fill it or state --place", "place")
        key = json.dumps([where, on_day, sorted(row.cells.items())])
        seen[key] += 1
        entry_id = _content_id("standing", key, seen[key])
        if _there(entry_id, done, f"Row {row.number}"):
            continue
        act = receive.OpenLot(
            id=entry_id,
            happened_at=_since(row, tz) or records_begin,
            kind=row.text("kind").lower(),
            place=where,
            quantity=_quantity(row),
            materials=_parts(row),
            stage=row.text("stage").lower(),
            start_known=bool(row.text("since")),
            code=row.text("code"),
            bulk_density_kg_m3=row.number_or_none("bulk_density_kg_m3", low=0.0),
            note=row.text("note"),
        )

        def at_row(message: str, field_name: str, row: Row = row) -> InputError:
            first = field_name.partition(".")[0]
            return row.error(message, "materials" if first == "materials" else _column(field_name))

        with _placed(at_row):
            done.new.append(first_lot(receive.open_lot(act, by)).code)
    return done


def _since(row: Row, tz: ZoneInfo) -> datetime | None:
    """Return noon of the day on which it was built or came; None when nobody knows."""
    text = row.text("since")
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise row.error(f"“{text}” is no date; write it as 2026-03-01", "since") from None
    return datetime.combine(day, NOON, tz).astimezone(UTC)


def _parts(row: Row) -> tuple[OpeningPart, ...]:
    """Return the materials that a row names, each with its share where one is stated."""
    from heapwright.files.table import parse_number
    from heapwright.yard.receive import OpeningPart

    parts = []
    for text in row.text("materials").split(";"):
        name, _space, share = text.strip().rstrip("%").strip().rpartition(" ")
        if not name:
            name, share = share, ""
        if not name:
            continue
        try:
            percent = parse_number(share) if share else None
        except InputError as error:
            raise row.error(f"{error.message}; write leaves_loose 60", "materials") from None
        parts.append(OpeningPart(material=name, share_pct=percent))
    return tuple(parts)


# log


def _load_log(file: Path, code: str | None, by: User) -> Done:
    from heapwright.files.log import read_log
    from heapwright.yard import tend
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
        with _placed(lambda message, _field: InputError(message, file=file.name)):
            entry_id = _content_id(code, act.kind, act.time_s)
            if _there(entry_id, done, f"“{act.kind}” of {_local(happened_at)}"):
                continue
            if act.kind == "turned":
                tend.turn(tend.Turn(id=entry_id, happened_at=happened_at, lot=code), by)
            else:
                tend.cover(
                    tend.CoverLot(id=entry_id, happened_at=happened_at, lot=code, cover="tarp"),
                    by,
                )
                done.notes.append(f"Covered on {_local(happened_at)}: taken to be with a tarp.")
        done.new.append(f"“{act.kind}” of {_local(happened_at)}")
    if len(read.log.readings.time_s):
        columns = Columns.of_log(read.log)
        last = datetime.fromtimestamp(int(columns.time_s.max()), UTC)
        with _placed(lambda message, _field: InputError(message, file=file.name)):
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


def _new_readings(lot: Lot, columns: Any) -> int:
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
            f"says that {lot.code} was built on {_local(happened_at)}, but the site says "
            f"{_local(datetime.fromtimestamp(begun, UTC))}",
            file=file,
        )
    raise InputError(
        f"says “{event}” on {_local(happened_at)}, and a log does not tell what or where; enter "
        f"that at {lot.code} first, then load the file",
        file=file,
    )


def _local(moment: datetime) -> str:
    from heapwright.yard.ledger import local

    return local(moment)


# weather


def _load_weather(
    file: Path,
    units: str | None,
    station: str | None,
    by: User,
    *,
    here: bool,
    replace: bool,
) -> Done:
    from typing import cast

    from heapwright.files.weather_import import StatedUnits, read_station_file
    from heapwright.yard import weather_kept
    from heapwright.yard.models import Origin, Site

    stated = cast("StatedUnits | None", units)
    read = read_station_file(file, Site.load().tz, stated_units=stated, station=station)
    done = Done(notes=list(read.notes))

    def in_file(message: str, field_name: str) -> InputError:
        hint = " (--replace)" if field_name == "replace" else ""
        return InputError(f"{message}{hint}", file=file.name)

    with _placed(in_file):
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
