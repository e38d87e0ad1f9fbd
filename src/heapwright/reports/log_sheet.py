"""The blank log sheet: filled in at the pile with gloves and a pencil, typed in later."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from heapwright.data.sanitation import terms
from heapwright.errors import InputError
from heapwright.reports.measures import UNIT, Units, moment, temp_and_unit, with_unit
from heapwright.reports.printing import Paper, pdf
from heapwright.reports.qr import qr_svg
from heapwright.reports.rule_words import asks, document
from heapwright.science.rules import Rule
from heapwright.units import M_PER_INCH

POINTS_MOST: Final = 5
ROWS: Final = 10
"""Rows of a page: tall enough for gloves and a pencil on either paper on its side."""

SQUEEZE: Final = (
    ("D", "dusty"),
    ("C", "crumbles"),
    ("H", "holds together"),
    ("P", "drips"),
    ("R", "runs"),
)
SMELL: Final = (
    ("E", "earthy"),
    ("N", "nothing"),
    ("W", "sweet"),
    ("S", "sour"),
    ("A", "ammonia"),
    ("X", "rotten"),
    ("B", "burnt"),
)
"""Letters to circle or write, for what the entry form asks in words."""


@dataclass(frozen=True, slots=True)
class LoggedPile:
    """A pile that is written up: its code, where it stands, and what the day's log asks.

    A blank code leaves room to write one. ``url`` opens its entry form. ``points`` are the names
    under which its entry form asks for temperatures, each with its depth in cm if it is known;
    none: they are numbered.
    """

    code: str = ""
    place: str = ""
    url: str = ""
    rule: Rule | None = None
    points: tuple[tuple[str, float | None], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSheet:
    """A page for each pile, or (``as_round``) one row for each pile on a shared page."""

    site: str
    piles: tuple[LoggedPile, ...]
    printed_at: datetime
    points: int = POINTS_MOST
    as_round: bool = False


def log_sheet(data: LogSheet, *, paper: Paper = "a4", units: Units = "metric") -> bytes:
    """Return the blank log sheet as a PDF.

    Raises
    ------
    InputError
        If there is no pile, the points are not 1 to 5, or the paper is none.
    """
    if not data.piles:
        raise InputError("a log sheet is for at least one pile; a blank code leaves room for one")
    if not 1 <= data.points <= POINTS_MOST:
        raise InputError(f"{data.points} points do not fit the sheet; it has 1 to {POINTS_MOST}")
    return pdf("log_sheet", _filled(data, units), paper=paper, printed_at=data.printed_at)


def _filled(data: LogSheet, units: Units) -> dict[str, Any]:
    limits = terms()
    codes = ", ".join(pile.code for pile in data.piles if pile.code)
    said = {pile.points for pile in data.piles}
    alike = said.pop() if len(said) == 1 else ()
    return {
        "title": f"Log sheet, {codes or data.site}",
        "site": data.site,
        "printed": moment(data.printed_at),
        "units": UNIT[units],
        "points": _points(alike, data.points, units),
        "round": data.as_round,
        "rows": ROWS,
        "squeeze": SQUEEZE,
        "smell": SMELL,
        "piles": [
            {
                "code": pile.code,
                "place": pile.place,
                "foot": f"lot {pile.code}" if pile.code else "log sheet",
                "points": _points(pile.points, data.points, units),
                "qr": qr_svg(pile.url) if pile.url else "",
                "rule": None
                if pile.rule is None
                else {
                    "id": pile.rule.id,
                    "document": document(pile.rule),
                    "asks": asks(pile.rule, units),
                },
            }
            for pile in data.piles
        ],
        "watch": temp_and_unit(limits.watch_temp_c, units),
        "alarm": temp_and_unit(limits.alarm_temp_c, units),
    }


def _points(
    said: tuple[tuple[str, float | None], ...], columns: int, units: Units
) -> dict[str, Any]:
    """Return the heads of the columns of temperatures, the named points first."""
    cm = 100 * M_PER_INCH if units == "us" else 1.0  # of one of the units, which are told whole
    named = [
        {
            "name": name,
            "deep": "" if deep is None else with_unit(f"{deep / cm:.0f}", "depth", units),
        }
        for name, deep in said[:columns]
    ]
    numbers = range(len(named) + 1, columns + 1)
    return {
        "heads": [*named, *({"name": str(number), "deep": ""} for number in numbers)],
        "numbered": all(name.isdecimal() for name, _deep in said),
    }
