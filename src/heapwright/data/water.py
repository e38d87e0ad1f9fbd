"""What the water answers rest on: figures, the limits of moisture, and what dry stuff soaks up."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from heapwright.data.mixing import default_ranges
from heapwright.data.pile import pile_parameters
from heapwright.data.tables import Fact, Shape, read_rows

if TYPE_CHECKING:
    from heapwright.science.water import MoistureLimits, WaterFacts

FIGURES = "water.csv"
ABSORBENCY = "absorbency.csv"
SHAPES = {
    FIGURES: Shape(
        numbers=dict.fromkeys(("low", "value", "high"), (0.0, 1000.0)),
        ordered=[("low", "value", "high")],
    ),
    ABSORBENCY: Shape(numbers={"kg_kg_dry": (0.0, 20.0)}),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterFigure(Fact):
    """A figure with its range; without one ``low`` and ``high`` are the value."""

    low: float
    value: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Absorbency(Fact):
    """Water that a material holds when soaked, kg per kg of its dry matter."""

    kg_kg_dry: float
    materials: tuple[str, ...]


@cache
def figures() -> dict[str, WaterFigure]:
    """Return the figures by id."""
    found = {}
    for row in read_rows(FIGURES, SHAPES[FIGURES]):
        value, low, high = row.need_number("value"), *map(row.number_or_none, ("low", "high"))
        found[row.text("id")] = WaterFigure(
            **row.provenance(),
            low=value if low is None else low,
            value=value,
            high=value if high is None else high,
            unit=row.need_text("unit"),
        )
    return found


@cache
def absorbencies() -> dict[str, Absorbency]:
    """Return what dry materials soak up, by id of the material.

    Raises
    ------
    FactError
        If two rows name one material.
    """
    found: dict[str, Absorbency] = {}
    for row in read_rows(ABSORBENCY, SHAPES[ABSORBENCY]):
        fact = Absorbency(
            **row.provenance(),
            kg_kg_dry=row.need_number("kg_kg_dry"),
            materials=tuple(row.need_text("materials").split()),
        )
        for material in fact.materials:
            if material in found:
                raise row.error(f"“{material}” stands in two rows", "materials")
            found[material] = fact
    return found


@cache
def water_facts() -> WaterFacts:
    """Return what :mod:`heapwright.science.water` needs; shares with the pile model are its own."""
    from heapwright.science.materials import Span
    from heapwright.science.water import WaterFacts

    def span(name: str) -> Span:
        one = figures()[name]
        return Span(one.value, one.low, one.high, "assumed")

    model = pile_parameters()
    share = model["rain_share"]
    assert share.low is not None
    assert share.high is not None
    return WaterFacts(
        rain_share=Span(share.typical, share.low, share.high, "assumed"),
        rain_bypass=model["rain_bypass"].typical,
        water_cap=model["water_cap_fraction"].typical,
        surface_wetness=model["surface_wetness"].typical,
        wet_from=model["wet_from_fraction"].typical,
        wet_full=model["wet_full_fraction"].typical,
        dried_kg_kg=span("dried_kg_kg"),
        decay_per_day={"hot": span("decay_hot_day"), "curing": span("decay_curing_day")},
        water_made_kg_kg=figures()["water_made_kg_kg"].value,
        little_rain_mm=figures()["little_rain_mm"].value,
        little_leachate_mm=figures()["little_leachate_mm"].value,
    )


@cache
def moisture_limits() -> MoistureLimits:
    """Return the moisture of a mix below which it is dry, to aim at, and above which too wet."""
    from heapwright.science.water import MoistureLimits

    found = default_ranges()["moisture_pct"]
    assert found.reasonable_low is not None
    assert found.preferred_low is not None
    assert found.preferred_high is not None
    return MoistureLimits(
        dry_pct=found.reasonable_low,
        target_pct=(found.preferred_low + found.preferred_high) / 2.0,
        wet_pct=found.preferred_high,
    )
