"""From which gain on something is worth saying in the morning, and how far it is looked ahead."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from typing import TYPE_CHECKING

from heapwright.data import water
from heapwright.data.pile import heat_alarms, pile_parameters
from heapwright.data.recipe import constants
from heapwright.data.sanitation import terms
from heapwright.data.tables import Fact, Shape, read_rows

if TYPE_CHECKING:
    from heapwright.science.decide_asked import DecisionFacts

TABLE = "decisions.csv"
SHAPE = Shape(numbers={"value": (0.0, 1000.0)})


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionFigure(Fact):
    """A threshold, or a length of time, in the unit stated."""

    value: float
    unit: str


@cache
def decision_figures() -> dict[str, DecisionFigure]:
    """Return the figures by id."""
    return {
        row.text("id"): DecisionFigure(
            **row.provenance(), value=row.need_number("value"), unit=row.need_text("unit")
        )
        for row in read_rows(TABLE, SHAPE)
    }


@cache
def decision_facts() -> DecisionFacts:
    """Return what :mod:`heapwright.science.decide` needs, limits of other tables included."""
    from heapwright.science.decide_asked import DecisionFacts, Thresholds

    figures = decision_figures()
    alarms = {one.id: one.temp_c for one in heat_alarms()}
    return DecisionFacts(
        thresholds=Thresholds(**{one.name: figures[one.name].value for one in fields(Thresholds)}),
        moisture=water.moisture_limits(),
        water=water.water_facts(),
        pour_lost=water.figures()["pour_lost_turned"].value,
        round_l_m3=water.figures()["turn_rounds_l_m3"].value,
        turn_loss=pile_parameters()["turn_loss"].typical,
        cp_solid_kj_kg_k=pile_parameters()["cp_solid_kj_kg_k"].typical,
        warm_c=alarms["warm"],
        too_hot_c=alarms["hot"],
        fire_c=alarms["fire"],
        cooled_c=terms().cooled_temp_c,
        least_pile_m3=constants()["min_pile_volume_m3"].value,
    )
