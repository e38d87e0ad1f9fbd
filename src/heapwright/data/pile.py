"""The pile model's facts: parameters, covers and how kinds of material decay."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from heapwright.data.tables import FactRow, Shape, read_rows
from heapwright.science.materials import Mark, Span

if TYPE_CHECKING:
    from heapwright.science.pile_parameters import ParameterFact
    from heapwright.science.pile_recipe import DegradeClass
    from heapwright.science.pile_state import Cover

_SHARE = (0.0, 1.0)
_CLASS_FIGURES = ("fast", "slow", "k_fast", "k_slow")

PARAMETER_SHAPE = Shape(ordered=[("low", "high")], within=[("low", "typical", "high")])
COVER_SHAPE = Shape(
    numbers={"rain": _SHARE, "draught": _SHARE, "vapour": _SHARE, "r_m2k_w": (0.0, 10.0)}
)
CLASS_SHAPE = Shape(
    numbers={f"{f}_{side}": _SHARE for f in _CLASS_FIGURES for side in ("low", "typ", "high")},
    ordered=[(f"{f}_low", f"{f}_typ", f"{f}_high") for f in _CLASS_FIGURES],
)

SQUEEZE_SHAPE = Shape(
    numbers=dict.fromkeys(("low_pct", "typical_pct", "high_pct"), (0.0, 100.0)),
    ordered=[("low_pct", "typical_pct", "high_pct")],
)


@cache
def pile_parameters() -> dict[str, ParameterFact]:
    """Return the parameters of the pile model by id."""
    from heapwright.science.pile_parameters import ParameterFact

    return {
        row.text("id"): ParameterFact(
            id=row.text("id"),
            unit=row.need_text("unit"),
            prototype=row.need_number("prototype"),
            typical=row.need_number("typical"),
            low=row.number_or_none("low"),
            high=row.number_or_none("high"),
            sources=row.sources,
            mark=row.mark,
            note=row.text("note"),
        )
        for row in read_rows("pile.csv", PARAMETER_SHAPE)
    }


@cache
def pile_covers() -> dict[str, Cover]:
    """Return what may lie over a pile, by id."""
    from heapwright.science.pile_state import Cover

    return {
        row.text("id"): Cover(
            id=row.text("id"),
            name=row.need_text("name"),
            rain=row.need_number("rain"),
            draught=row.need_number("draught"),
            vapour=row.need_number("vapour"),
            r_m2k_w=row.need_number("r_m2k_w"),
            sources=row.sources,
            mark=row.mark,
            note=row.text("note"),
        )
        for row in read_rows("pile_covers.csv", COVER_SHAPE)
    }


def _span(row: FactRow, figure: str) -> Span:
    low, typical, high = (row.need_number(f"{figure}_{side}") for side in ("low", "typ", "high"))
    return Span(typical, low, high, "assumed")


@cache
def decay_classes() -> dict[str, DegradeClass]:
    """Return how kinds of material decay, by id of the class."""
    from heapwright.science.pile_recipe import DegradeClass

    return {
        row.text("id"): DegradeClass(
            id=row.text("id"),
            name=row.need_text("name"),
            roles=tuple(row.text("roles").split()),
            categories=tuple(row.text("categories").split()),
            materials=tuple(row.text("materials").split()),
            fast_share=_span(row, "fast"),
            slow_share=_span(row, "slow"),
            k_fast_per_day=_span(row, "k_fast"),
            k_slow_per_day=_span(row, "k_slow"),
            sources=row.sources,
            mark=row.mark,
            note=row.text("note"),
        )
        for row in read_rows("pile_classes.csv", CLASS_SHAPE)
    }


@cache
def squeeze_classes() -> dict[str, Span]:
    """Return what each result of a squeeze test says of moisture, % of wet mass, by id."""
    sides = ("typical_pct", "low_pct", "high_pct")
    return {
        row.text("id"): Span(*(row.need_number(side) for side in sides), "assumed")
        for row in read_rows("squeeze.csv", SQUEEZE_SHAPE)
    }


@dataclass(frozen=True, slots=True)
class HeatAlarm:
    """What to say when a pile may get hotter than ``temp_c``."""

    id: str
    temp_c: float
    say: str
    sources: tuple[str, ...]
    mark: Mark


@cache
def heat_alarms() -> tuple[HeatAlarm, ...]:
    """Return the alarms by rising temperature."""
    return tuple(
        HeatAlarm(
            id=row.text("id"),
            temp_c=row.need_number("temp_c"),
            say=row.need_text("say"),
            sources=row.sources,
            mark=row.mark,
        )
        for row in read_rows("pile_alarms.csv")
    )
