"""The facts that a recipe and its layers rest on, and how to measure what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from heapwright.data.library import LAYER_ROLES, POSSIBLE
from heapwright.data.tables import Fact, FactRow, Shape, read_rows
from heapwright.errors import FactError
from heapwright.science.materials import Material, Span

Scale = Literal["points", "relative"]

_DAYS = (0.0, 3650.0)

SHAPES: dict[str, Shape] = {
    "constants.csv": Shape(numbers={"value": (0, 10_000)}),
    "particle_densities.csv": Shape(
        numbers={"organic_kg_m3": (500, 2500), "ash_kg_m3": (1000, 3500)},
        ordered=[("organic_kg_m3", "ash_kg_m3")],
    ),
    "mix_ranges.csv": Shape(
        numbers=dict.fromkeys(
            ("reasonable_low", "preferred_low", "preferred_high", "reasonable_high"), (0, 2500)
        ),
        ordered=[("reasonable_low", "preferred_low", "preferred_high", "reasonable_high")],
    ),
    "spreads.csv": Shape(numbers={"half_range": (0, 30)}),
    "category_defaults.csv": Shape(
        numbers={
            f"{name}_{side}": POSSIBLE[name]
            for name in ("bulk_density_kg_m3", "degradability_pct_vs")
            for side in ("min", "typ", "max")
        },
        ordered=[
            tuple(f"{name}_{side}" for side in ("min", "typ", "max"))
            for name in ("bulk_density_kg_m3", "degradability_pct_vs")
        ],
    ),
    "layers.csv": Shape(
        numbers={"thickness_min_m": (0, 1), "thickness_max_m": (0, 1)},
        ordered=[("thickness_min_m", "thickness_max_m")],
    ),
    "storage_life.csv": Shape(
        numbers={"days_cool": _DAYS, "days_warm": _DAYS}, ordered=[("days_warm", "days_cool")]
    ),
    "containers.csv": Shape(numbers={"volume_l": (1, 10_000)}),
    "field_tests.csv": Shape(),
}
"""What each table of this module can hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Constant(Fact):
    """A number of the trade with its unit."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ParticleDensity(Fact):
    """A published pair of particle densities for free air space, kg/m³."""

    organic_kg_m3: float
    ash_kg_m3: float
    default: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MixRange(Fact):
    """A reasonable and a preferred range of one property; an open side is None.

    The property's name carries its unit: ``cn``, ``moisture_pct``, ``bulk_density_kg_m3``,
    ``free_air_space_pct``, ``oxygen_pct``, ``ph``, ``temp_c``, ``particle_size_m``.
    """

    property: str
    reasonable_low: float | None
    reasonable_high: float | None
    preferred_low: float | None
    preferred_high: float | None
    default: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadFact(Fact):
    """How far p5 and p95 of a figure lie from it, in ``points`` or ``relative`` to it.

    ``kind`` is ``assumed`` (no range was published), ``measured`` or the name of a method.
    """

    property: str
    kind: str
    half_range: float
    scale: Scale


@dataclass(frozen=True, slots=True, kw_only=True)
class CategoryDefault(Fact):
    """What is assumed of a category when nobody published a figure, and labelled so."""

    bulk_density_kg_m3: Span
    degradability_pct_vs: Span
    layer_role: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerLimit(Fact):
    """How thick a layer is laid, m; ``applies_to`` is a role, a material or ``any``."""

    applies_to: str
    thickness_min_m: float | None
    thickness_max_m: float | None
    default: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageLife(Fact):
    """How many days a material waits before it sours, in cool and in warm weather."""

    kind: str
    days_cool: float
    days_warm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Container(Fact):
    """A container by its full volume in litres."""

    name: str
    volume_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTest(Fact):
    """A way to measure: what it measures, the steps, its error, advice for a message."""

    properties: tuple[str, ...]
    name: str
    steps: str
    error: str
    advice: str


def _rows(table: str) -> tuple[FactRow, ...]:
    return read_rows(table, SHAPES[table])


@cache
def constants() -> dict[str, Constant]:
    """Return every constant by id."""
    return {
        row.text("id"): Constant(
            **row.provenance(), value=row.need_number("value"), unit=row.need_text("unit")
        )
        for row in _rows("constants.csv")
    }


def constant(name: str) -> Constant:
    """Return a constant.

    Raises
    ------
    FactError
        If the table has no such id.
    """
    try:
        return constants()[name]
    except KeyError:
        raise FactError(f"constants.csv: there is no constant {name}") from None


@cache
def particle_densities() -> dict[str, ParticleDensity]:
    """Return the pairs of particle densities by source; exactly one is the default."""
    rows = _rows("particle_densities.csv")
    _one_default(rows, "")
    return {
        row.text("id"): ParticleDensity(
            **row.provenance(),
            organic_kg_m3=row.need_number("organic_kg_m3"),
            ash_kg_m3=row.need_number("ash_kg_m3"),
            default=row.flag("default"),
        )
        for row in rows
    }


def _one_default(rows: tuple[FactRow, ...], by: str) -> None:
    groups: dict[str, int] = {}
    for row in rows:
        groups[row.text(by)] = groups.get(row.text(by), 0) + row.flag("default")
    for name, count in groups.items():
        if count != 1:
            raise FactError(f"{rows[0].table}: {count} rows are the default {name}; one must be")


@cache
def mix_ranges() -> tuple[MixRange, ...]:
    """Return every published range; exactly one of each property is the default."""
    rows = _rows("mix_ranges.csv")
    _one_default(rows, "property")
    return tuple(
        MixRange(
            **row.provenance(),
            property=row.need_text("property"),
            reasonable_low=row.number_or_none("reasonable_low"),
            reasonable_high=row.number_or_none("reasonable_high"),
            preferred_low=row.number_or_none("preferred_low"),
            preferred_high=row.number_or_none("preferred_high"),
            default=row.flag("default"),
        )
        for row in rows
    )


def default_ranges() -> dict[str, MixRange]:
    """Return the range that is used for each property unless the person states another."""
    return {found.property: found for found in mix_ranges() if found.default}


@cache
def spreads() -> dict[tuple[str, str], SpreadFact]:
    """Return how uncertain a figure is, by (property, kind)."""
    found = {}
    for row in _rows("spreads.csv"):
        if row.text("scale") not in ("points", "relative"):
            raise row.error("is neither points nor relative", "scale")
        scale: Scale = "points" if row.text("scale") == "points" else "relative"
        fact = SpreadFact(
            **row.provenance(),
            property=row.need_text("property"),
            kind=row.need_text("kind"),
            half_range=row.need_number("half_range"),
            scale=scale,
        )
        if (fact.property, fact.kind) in found:
            raise row.error("this property and kind stand twice", "kind")
        found[fact.property, fact.kind] = fact
    return found


def measured_spread(name: str, method: str = "") -> SpreadFact:
    """Return the spread of a measured figure: of its method if known, else of any measured."""
    return spreads().get((name, method)) or spreads()[name, "measured"]


@cache
def category_defaults() -> dict[str, CategoryDefault]:
    """Return what is assumed of each category when a figure is blank."""
    found = {}
    for row in _rows("category_defaults.csv"):
        if row.text("layer_role") not in LAYER_ROLES:
            raise row.error(f"is none of {', '.join(LAYER_ROLES)}", "layer_role")
        density, degradability = (
            Span(
                row.need_number(f"{name}_typ"),
                row.need_number(f"{name}_min"),
                row.need_number(f"{name}_max"),
                "assumed",
                f"typical of {row.text('id')}",
            )
            for name in ("bulk_density_kg_m3", "degradability_pct_vs")
        )
        found[row.text("id")] = CategoryDefault(
            **row.provenance(),
            bulk_density_kg_m3=density,
            degradability_pct_vs=degradability,
            layer_role=row.text("layer_role"),
        )
    return found


@cache
def layer_limits() -> dict[str, LayerLimit]:
    """Return how thick layers are laid, by id; the ``default`` ones make the layer plan."""
    return {
        row.text("id"): LayerLimit(
            **row.provenance(),
            applies_to=row.need_text("applies_to"),
            thickness_min_m=row.number_or_none("thickness_min_m"),
            thickness_max_m=row.number_or_none("thickness_max_m"),
            default=row.flag("default"),
        )
        for row in _rows("layers.csv")
    }


@cache
def storage_lives() -> dict[str, StorageLife]:
    """Return how long materials and categories keep, by id."""
    return {
        row.text("id"): StorageLife(
            **row.provenance(),
            kind=row.need_text("kind"),
            days_cool=row.need_number("days_cool"),
            days_warm=row.need_number("days_warm"),
        )
        for row in _rows("storage_life.csv")
    }


def storage_life(material: Material) -> StorageLife:
    """Return how long a material keeps: its own figure, or else that of its category."""
    lives = storage_lives()
    own = lives.get(material.id)
    return own if own is not None and own.kind == "material" else lives[material.category]


@cache
def containers() -> dict[str, Container]:
    """Return the usual containers by id."""
    return {
        row.text("id"): Container(
            **row.provenance(), name=row.need_text("name"), volume_l=row.need_number("volume_l")
        )
        for row in _rows("containers.csv")
    }


@cache
def field_tests() -> dict[str, FieldTest]:
    """Return the ways to measure on site or in a laboratory, by id."""
    return {
        row.text("id"): FieldTest(
            **row.provenance(),
            properties=tuple(row.need_text("property").split()),
            name=row.need_text("name"),
            steps=row.need_text("steps"),
            error=row.need_text("error"),
            advice=row.text("advice"),
        )
        for row in _rows("field_tests.csv")
    }


def how_to_measure(name: str) -> str:
    """Return what to do about a missing figure, as the second half of a sentence.

    Raises
    ------
    FactError
        If no test of the table measures it.
    """
    for test in field_tests().values():
        if name in test.properties and test.advice:
            return test.advice
    raise FactError(f"field_tests.csv: no test gives advice on measuring {name}")
