"""The figures that make today's tasks, and the rule that the list follows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from heapwright.data.sanitation import rules
from heapwright.data.tables import Fact, Shape, row_named

TABLE = "today.csv"
SHAPE = Shape(numbers={"value": (1.0, 1000.0)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure(Fact):
    """A number that a task compares with: days, millimetres or °C, as its id says."""

    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenRule(Fact):
    """The rule of ``rules.csv`` that today's list follows for a way of composting."""

    rule: str


@cache
def figure(name: str) -> Figure:
    """Return a figure by its id, such as ``cure_days``.

    Raises
    ------
    KeyError
        If the table has no such row.
    FactError
        If the row states no number.
    """
    row = row_named(name, TABLE, SHAPE)
    return Figure(**row.provenance(), value=row.need_number("value"))


@cache
def chosen_rule(*, vessel: bool = False) -> ChosenRule:
    """Return the rule that the list follows for a turned pile, or for a vessel.

    Raises
    ------
    FactError
        If the row names a rule that ``rules.csv`` lacks.
    """
    row = row_named("rule_vessel" if vessel else "rule_turned", TABLE, SHAPE)
    name = row.need_text("word")
    if name not in rules():
        raise row.error(f"“{name}” is no rule of rules.csv", "word")
    return ChosenRule(**row.provenance(), rule=name)
