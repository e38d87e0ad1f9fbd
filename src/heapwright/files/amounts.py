"""Reading AMOUNTS.csv (a stated mix) and STOCK.csv (what is on hand).

Columns of AMOUNTS.csv: ``material`` and one amount a row (``mass_kg``, ``mass_lb``,
``volume_m3``, ``volume_yd3``, ``volume_gal``), and measured values that override the library.
STOCK.csv has the amounts as ``available_kg``, ``available_lb``, ``available_m3``,
``available_yd3``, ``available_gal``, with optional ``waiting_days``, ``container`` and
``container_l``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from heapwright import units
from heapwright.data import find_material
from heapwright.data.mixing import urgency
from heapwright.errors import HeapwrightError, InputError
from heapwright.files.table import Row, read_table
from heapwright.science.goals import Stock
from heapwright.science.ingredients import (
    WATER,
    Ingredient,
    MixFacts,
    complete,
    measured,
    with_measured,
)
from heapwright.science.materials import Material
from heapwright.science.mixing import Part

MEASURED: Final = (
    "moisture_pct",
    "n_pct_dry",
    "c_pct_dry",
    "cn",
    "vs_pct_dry",
    "bulk_density_kg_m3",
)

# What a measured value can be at all; wider than any compost feedstock, so that only slips fall
# outside (urea holds 47 % nitrogen, steel slag weighs 2 t/m³).
_BOUNDS: Final = {
    "moisture_pct": (0.0, 100.0),
    "n_pct_dry": (0.0, 50.0),
    "c_pct_dry": (0.0, 100.0),
    "cn": (0.0, 5000.0),
    "vs_pct_dry": (0.0, 100.0),
    "bulk_density_kg_m3": (5.0, 2500.0),
}

_MASS_MAX_KG: Final = 1_000_000.0
_VOLUME_MAX_M3: Final = 5_000.0

_MASS_UNITS: Final = {"kg": units.MASS_KG["kg"], "lb": units.MASS_KG["lb"]}
_VOLUME_UNITS: Final = {key: units.VOLUME_M3[key] for key in ("m3", "yd3", "gal")}
_AVAILABLE: Final = tuple(f"available_{unit}" for unit in (*_MASS_UNITS, *_VOLUME_UNITS))

STOCK_COLUMNS: Final = (
    "material", *_AVAILABLE, "waiting_days", "container", "container_l", *MEASURED,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class StockRow:
    """One line of STOCK.csv: so much of an ingredient, how long it has waited, in what.

    ``container_l`` is None when the row names no container.
    """

    ingredient: Ingredient
    available_kg: float
    waiting_days: float | None
    container: str
    container_l: float | None
    price_per_tonne: float | None
    row: int

    @property
    def half_container_kg(self) -> float | None:
        """Mass of half a container of it; None without one, or with less than half of one."""
        if self.container_l is None:
            return None
        half_kg = self.ingredient.bulk_density_kg_m3.typical * self.container_l / 1000.0 / 2.0
        return half_kg if half_kg <= self.available_kg else None


def on_hand(rows: Sequence[StockRow]) -> list[Stock]:
    """Return the stock that the rows state, for the recipe, water aside."""
    return [
        Stock(
            row.ingredient,
            row.available_kg,
            row.half_container_kg,
            urgency(row.ingredient, row.waiting_days or 0.0),
        )
        for row in rows
        if not row.ingredient.is_water
    ]


def water_on_hand_kg(rows: Sequence[StockRow]) -> float:
    """Return the water that the rows state; without a row of water, as much as is wanted."""
    stated = [row.available_kg for row in rows if row.ingredient.is_water]
    return sum(stated) if stated else math.inf


def read_amounts(path: Path, library: Mapping[str, Material], facts: MixFacts) -> list[Part]:
    """Read AMOUNTS.csv to the parts of a mix, in the order of the file.

    Raises
    ------
    InputError
        With file, row and column of the first fault.
    """
    amounts = [f"mass_{unit}" for unit in _MASS_UNITS]
    amounts += [f"volume_{unit}" for unit in _VOLUME_UNITS]
    table = read_table(path, known=["material", *amounts, *MEASURED], required=["material"])
    if not set(amounts) & set(table.columns):
        raise InputError(
            f"lacks a column for the amount; one of {', '.join(amounts)}", file=table.file, row=1
        )
    parts = []
    for row in table:
        ingredient = _ingredient(row, library, facts)
        mass_kg = _mass_kg(row, ingredient, facts, amounts)
        if mass_kg is None:
            raise row.error(f"states no amount; fill one of {', '.join(amounts)}")
        if mass_kg > 0:
            parts.append(Part(ingredient, mass_kg))
    if not any(not part.ingredient.is_water for part in parts):
        raise InputError("states no material with an amount above zero", file=table.file)
    return parts


def read_stock(path: Path, library: Mapping[str, Material], facts: MixFacts) -> list[StockRow]:
    """Read STOCK.csv to what is on hand, in the order of the file.

    Raises
    ------
    InputError
        With file, row and column of the first fault.
    """
    table = read_table(path, known=STOCK_COLUMNS, required=["material"])
    if not set(_AVAILABLE) & set(table.columns):
        raise InputError(
            f"lacks a column for what is on hand; one of {', '.join(_AVAILABLE)}",
            file=table.file,
            row=1,
        )
    stock = []
    for row in table:
        material = _material(row, library)
        ingredient = _ingredient(row, library, facts)
        available_kg = _mass_kg(row, ingredient, facts, _AVAILABLE)
        if available_kg is None:
            raise row.error(f"states no amount; fill one of {', '.join(_AVAILABLE)}")
        container_l = row.number_or_none("container_l", low=0.0, high=100_000.0)
        if container_l == 0.0:
            raise row.error("a container of 0 litres holds nothing", "container_l")
        if row.text("container") and container_l is None:
            raise row.error("names a container but not its volume in litres", "container_l")
        stock.append(
            StockRow(
                ingredient=ingredient,
                available_kg=available_kg,
                waiting_days=row.number_or_none("waiting_days", low=0.0, high=3650.0),
                container=row.text("container") or ("container" if container_l else ""),
                container_l=container_l,
                price_per_tonne=material.price_per_tonne,
                row=row.number,
            )
        )
    return stock


def _material(row: Row, library: Mapping[str, Material]) -> Material:
    """Return the row's material, from the library or stated in the row itself."""
    name = row.text("material")
    if not name:
        raise row.error("names no material", "material")
    given = {key for key in MEASURED if row.text(key)}
    try:
        return find_material(name, library)
    except InputError as error:
        if "moisture_pct" in given and len(given & {"n_pct_dry", "c_pct_dry", "cn"}) >= 2:
            return Material(id=name, name=name, category="other")
        raise row.error(
            f"{error.message}; or state its moisture_pct and two of n_pct_dry, c_pct_dry and cn "
            "in this row",
            "material",
        ) from None


def _ingredient(row: Row, library: Mapping[str, Material], facts: MixFacts) -> Ingredient:
    """Return the row's material with the row's measured values, completed."""
    material = _material(row, library)
    values = {
        key: value
        for key in MEASURED
        if (value := row.number_or_none(key, low=_BOUNDS[key][0], high=_BOUNDS[key][1])) is not None
    }
    if material.id == WATER:
        if values:
            raise row.error("water takes no measured values", next(iter(values)))
        return complete(material, facts)
    if values.get("moisture_pct") == 100.0:
        raise row.error("a material that is all water has no solids; name it water", "moisture_pct")
    if values.get("c_pct_dry", 0.0) > facts.carbon_max_pct_dry:
        raise row.error(
            f"{values['c_pct_dry']:g} % is more carbon than dry matter can hold "
            f"(at most {facts.carbon_max_pct_dry:g} %)",
            "c_pct_dry",
        )
    if values.get("cn") == 0.0:
        raise row.error("a C:N of 0 means no carbon; leave it blank or state c_pct_dry", "cn")
    _check_agreement(row, values)
    spans = {
        key: measured(value, facts.measured[key], highest=_BOUNDS[key][1])
        for key, value in values.items()
    }
    try:
        return complete(with_measured(material, spans, facts), facts)
    except HeapwrightError as error:
        raise row.error(str(error)) from None


def _check_agreement(row: Row, values: Mapping[str, float]) -> None:
    """Refuse three of N, C and C:N that contradict one another."""
    if not {"n_pct_dry", "c_pct_dry", "cn"} <= values.keys():
        return
    n, c, cn = values["n_pct_dry"], values["c_pct_dry"], values["cn"]
    if n <= 0 or abs(c / n / cn - 1.0) > 0.1:
        stated = f"{c / n:.1f}" if n > 0 else "no number"
        raise row.error(
            f"c_pct_dry {c:g} over n_pct_dry {n:g} makes {stated}, not the C:N of {cn:g}; "
            "state two of the three",
            "cn",
        )


def _mass_kg(
    row: Row, ingredient: Ingredient, facts: MixFacts, columns: Sequence[str]
) -> float | None:
    """Return the one amount that the row states as wet mass in kg, or None."""
    stated = [column for column in columns if row.text(column)]
    if not stated:
        return None
    if len(stated) > 1:
        raise row.error(f"states its amount twice ({' and '.join(stated)}); leave one", stated[1])
    column = stated[0]
    unit = column.rsplit("_", 1)[1]
    value = row.number_or_none(column, low=0.0)
    assert value is not None
    if unit in _MASS_UNITS:
        mass_kg = value * _MASS_UNITS[unit]
    else:
        volume_m3 = value * _VOLUME_UNITS[unit]
        if volume_m3 > _VOLUME_MAX_M3:
            raise row.error(f"{value:g} {unit} is more than a site can hold", column)
        density = (
            facts.water_density_kg_m3
            if ingredient.is_water
            else ingredient.bulk_density_kg_m3.typical
        )
        mass_kg = volume_m3 * density
    if mass_kg > _MASS_MAX_KG:
        raise row.error(f"{value:g} {unit} is more than a site can hold", column)
    return mass_kg
