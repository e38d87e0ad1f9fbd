"""Lots from files: deliveries, what is on hand, and what stood there when the records begin.

Django is loaded by the functions, not by importing this module.
"""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from heapwright.cli.load_once import Done, content_id, loaded_before, placed
from heapwright.cli.site_records import past_day
from heapwright.errors import InputError
from heapwright.files.amounts import MEASURED, STOCK_COLUMNS, StockRow, read_stock
from heapwright.files.table import Row, parse_number, read_table

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

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
STANDING_COLUMNS: Final = (
    "kind", "place", "stage", "since", "materials", *MASSES, *VOLUMES, "container", "count",
    "bulk_density_kg_m3", "code", "note",
)  # fmt: skip


# Deliveries


def load_deliveries(file: Path, source: str | None, place: str | None, by: User) -> Done:
    """Record each row as a delivery."""
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
        entry_id = content_id(key, seen[key])
        if loaded_before(entry_id, done, f"Row {row.number}"):
            continue
        act = receive.ReceiveDelivery(
            id=entry_id,
            happened_at=happened_at,
            source=given["source"] or "",
            lines=(line,),
            note=row.text("note"),
        )
        with placed(lambda message, where, row=row: row.error(message, _column(where))):
            done.new.append(first_lot(receive.receive_delivery(act, by)).code)
    return done


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


# Stock


def load_stock(
    file: Path, source: str | None, place: str | None, on_day: str | None, by: User
) -> Done:
    """Record what is on hand as deliveries that came as long ago as it has waited."""
    from heapwright.data.mixing import mix_facts
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
        entry_id = content_id(key, seen[key])
        if loaded_before(entry_id, done, f"Row {row.row}"):
            continue

        def at_row(message: str, _field: str, row: StockRow = row) -> InputError:
            return InputError(message, file=file.name, row=row.row)

        with placed(at_row):
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
    figures = {name: typed.number_or_none(name) for name in MEASURED}
    return {name: value for name, value in figures.items() if value is not None}


def _on_hand(row: StockRow) -> Quantity:
    from heapwright.yard.amounts import Quantity

    kg = row.available_kg
    return Quantity(mass_kg=kg, known="estimated", as_typed=f"{kg:g} kg on hand")


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
            id=content_id("measured", delivery.id),
            happened_at=delivery.happened_at,
            lot=lot.code,
            results=tuple(
                prove.Result(quantity=name, value=value) for name, value in stated.items()
            ),
            note=delivery.note,
        ),
        by,
    )


# What stood there


def load_standing(file: Path, place: str | None, on_day: str | None, by: User) -> Done:
    """Record each row as a lot that stood there when the records begin."""
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
        entry_id = content_id("standing", key, seen[key])
        if loaded_before(entry_id, done, f"Row {row.number}"):
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

        with placed(at_row):
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


# What all of them state


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


def _column(field_name: str) -> str | None:
    """Return the column of the file that a field of the act came from."""
    last = field_name.rpartition(".")[2]
    return {"happened_at": "time", "quantity": None, "": None}.get(last, last)


def _stocktaking(on_day: str | None, tz: ZoneInfo) -> datetime:
    """Return noon of the day of a stock-taking, or now for today."""
    from django.utils import timezone

    now = timezone.now()
    if on_day is None:
        return now
    day = past_day("--on", on_day, now.astimezone(tz).date())
    return min(datetime.combine(day, NOON, tz).astimezone(UTC), now)
