"""A sanitation rule in the words of a sheet; the words themselves are those of all readers."""

from __future__ import annotations

from datetime import date

from heapwright.reports.measures import Units, day, depth, temp_and_unit, with_unit
from heapwright.science import rule_words
from heapwright.science.rule_words import Quantity
from heapwright.science.rules import Rule

document = rule_words.document


def asks(rule: Rule, units: Units, *, turnings: int | None = None) -> list[str]:
    """Return what a rule asks for, one short line each, in the reader's units."""

    def show(value: float, quantity: Quantity) -> str:
        if quantity == "temp":
            return temp_and_unit(value, units)
        return with_unit(depth(value / 100, units), "depth", units)

    return rule_words.asks(rule, show, turnings=turnings)


def standing(rule: Rule) -> str:
    """Return how the rule is known: as read on which day, and its mark."""
    known = {
        "published": "Published; its text as read on",
        "common practice": "Common practice, as written down on",
        "from memory": "From memory, to be checked before relying on it; as written down on",
    }[rule.mark]
    return f"{known} {day(date.fromisoformat(rule.as_read))}"
