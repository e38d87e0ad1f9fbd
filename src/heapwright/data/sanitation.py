"""Sanitation rules, thermal death and the terms of judging, read from their tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from datetime import date
from functools import cache
from typing import TypeVar, get_args

from heapwright.data.tables import MARKS, FactRow, Shape, read_rows
from heapwright.errors import FactError, HeapwrightError
from heapwright.science.rules import (
    Continuity,
    DeathPoint,
    FederalRegime,
    JudgedBy,
    Method,
    Organism,
    Rule,
    Terms,
)
from heapwright.units import celsius_from_fahrenheit

RULES = "rules.csv"
DEATHS = "thermal_death.csv"
FEDERAL = "federal_time.csv"
TERMS = "proof_terms.csv"

_TEMP_C = (0.0, 100.0)
_TEMP_F = (32.0, 212.0)
RULE_SHAPE = Shape(
    numbers={
        **dict.fromkeys(("min_temp_c", "max_temp_c", "peak_temp_c", "mean_temp_c"), _TEMP_C),
        **dict.fromkeys(("min_temp_f", "max_temp_f"), _TEMP_F),
        **dict.fromkeys(("days", "hot_days_before_turn", "turn_spacing_days"), (0, 366)),
        "turnings": (0, 100),
        **dict.fromkeys(("hold_min", "peak_min", "max_gap_min"), (0, 100_000)),
        **dict.fromkeys(("cover_cm", "depth_low_cm", "depth_high_cm"), (0, 300)),
    },
    ordered=[
        ("min_temp_c", "max_temp_c"),
        ("min_temp_f", "max_temp_f"),
        ("depth_low_cm", "depth_high_cm"),
    ],
)
DEATH_SHAPE = Shape(
    numbers={
        "temp_c": _TEMP_C,
        "time_min": (0.0, 1_000_000.0),
        "log10_reduction": (0.0, 20.0),
        "tested_to_log10": (0.0, 20.0),
    }
)
FEDERAL_SHAPE = Shape(
    numbers={
        "coefficient_days": (1.0, 1e12),
        "slope_per_c": (0.01, 1.0),
        "min_temp_c": _TEMP_C,
        "min_time_min": (0.0, 1440.0),
    }
)
TERM_SHAPE = Shape(numbers={"value": (1.0, 1000.0)})
SHAPES: dict[str, Shape] = {
    RULES: RULE_SHAPE,
    DEATHS: DEATH_SHAPE,
    FEDERAL: FEDERAL_SHAPE,
    TERMS: TERM_SHAPE,
}
"""What the values of each table of this module can be."""

RULE_COLUMNS = (
    "id",
    "name",
    "jurisdiction",
    "document",
    "edition",
    "as_read",
    "judged_by",
    "methods",
    "min_temp_c",
    "min_temp_f",
    "strict",
    "max_temp_c",
    "max_temp_f",
    "days",
    "hold_min",
    "said",
    "judged_as",
    "turnings",
    "turn_spacing_days",
    "hot_days_before_turn",
    "cover_cm",
    "depth_low_cm",
    "depth_high_cm",
    "all_zones",
    "peak_temp_c",
    "peak_min",
    "peak_strict",
    "mean_temp_c",
    "max_gap_min",
    "beyond_log",
    "sources",
    "mark",
    "note",
)
"""The columns of a table of rules, the shipped one and a site's own."""

DEATH_COLUMNS = (
    "id",
    "organism",
    "name",
    "kind",
    "temp_c",
    "time_min",
    "log10_reduction",
    "tested_to_log10",
    "sources",
    "mark",
    "note",
)
"""The columns of a table of death times, one row a temperature."""

Fault = Callable[[str, str | None], HeapwrightError]
_Word = TypeVar("_Word", bound=str)


@cache
def rules() -> dict[str, Rule]:
    """Return the shipped rules by id, in the order of the table.

    Raises
    ------
    FactError
        If the table breaks the rules of facts.
    """
    return {row.text("id"): rule_of(row.cells, row.error) for row in read_rows(RULES, RULE_SHAPE)}


def rule_of(cells: Mapping[str, str], fault: Fault) -> Rule:
    """Return the rule that a row states.

    Parameters
    ----------
    cells : mapping
        The cells by column (:data:`RULE_COLUMNS`); an absent one is blank.
    fault : callable
        Makes the error from a message and a column, with the row's place.
    """

    def text(column: str, blank: str | None = None) -> str:
        found = cells.get(column, "").strip()
        if not found and blank is None:
            raise fault("is blank; every rule has one", column)
        return found or (blank or "")

    def number(column: str) -> float | None:
        found = text(column, "")
        if not found:
            return None
        low, high = RULE_SHAPE.numbers[column]
        try:
            value = float(found)
        except ValueError:
            raise fault(f"“{found}” is not a number", column) from None
        if not low <= value <= high:
            raise fault(f"{found} is impossible; it lies in {low:g} to {high:g}", column)
        return value

    def whole(column: str) -> int:
        value = number(column) or 0.0
        if value != int(value):
            raise fault(f"{value:g} is not a whole number", column)
        return int(value)

    def flag(column: str) -> bool:
        return _word(text(column, "no"), ("yes", "no"), column, fault) == "yes"

    def temperature(name: str) -> float | None:
        celsius, fahrenheit = number(f"{name}_c"), number(f"{name}_f")
        if celsius is not None and fahrenheit is not None:
            raise fault("is given in °C and in °F; give one", f"{name}_f")
        return celsius if fahrenheit is None else celsius_from_fahrenheit(fahrenheit)

    judged_by: JudgedBy = _word(text("judged_by", "days"), get_args(JudgedBy), "judged_by", fault)
    methods: tuple[Method, ...] = tuple(
        _word(word, get_args(Method), "methods", fault)
        for word in text("methods", "turned aerated vessel").split()
    )
    said: Continuity = _word(text("said", "unsaid"), get_args(Continuity), "said", fault)
    try:
        date.fromisoformat(text("as_read"))
    except ValueError:
        raise fault(f"“{text('as_read')}” is not a date such as 2026-03-01", "as_read") from None
    mark = _word(text("mark"), MARKS, "mark", fault)
    limit = temperature("min_temp")
    rule = Rule(
        id=text("id"),
        name=text("name"),
        jurisdiction=text("jurisdiction"),
        document=text("document"),
        edition=text("edition", ""),
        as_read=text("as_read"),
        judged_by=judged_by,
        methods=methods,
        min_temp_c=limit or 0.0,
        strict=flag("strict"),
        max_temp_c=temperature("max_temp"),
        days=whole("days"),
        hold_min=number("hold_min") or 0.0,
        said=said,
        judged_as=_word(text("judged_as", said), get_args(Continuity), "judged_as", fault),
        turnings=whole("turnings"),
        turn_spacing_days=whole("turn_spacing_days"),
        hot_days_before_turn=whole("hot_days_before_turn"),
        cover_cm=number("cover_cm") or 0.0,
        depth_low_cm=number("depth_low_cm"),
        depth_high_cm=number("depth_high_cm"),
        all_zones=flag("all_zones"),
        peak_temp_c=number("peak_temp_c"),
        peak_min=number("peak_min") or 0.0,
        peak_strict=flag("peak_strict"),
        mean_temp_c=number("mean_temp_c"),
        max_gap_min=number("max_gap_min") or 0.0,
        beyond_log=tuple(
            part.strip() for part in text("beyond_log", "").split(";") if part.strip()
        ),
        sources=tuple(text("sources").split()),
        mark=mark,  # type: ignore[arg-type]
        note=text("note", ""),
    )
    _check_whole(rule, limit, fault)
    return rule


def _word(found: str, known: tuple[_Word, ...], column: str, fault: Fault) -> _Word:
    for word in known:
        if word == found:
            return word
    raise fault(f"“{found}” is none of {', '.join(known)}", column)


def _check_whole(rule: Rule, limit: float | None, fault: Fault) -> None:
    """Refuse a rule whose parts do not make one that can be judged."""
    if rule.judged_by != "nothing in a log" and limit is None:
        raise fault("is blank; a rule that a log can show has a limit", "min_temp_c")
    if rule.judged_by == "days" and rule.days < 1:
        raise fault("is blank; a rule judged by days asks for some", "days")
    if rule.judged_by == "hold" and not (rule.hold_min and rule.max_gap_min):
        raise fault("hold_min and max_gap_min are both needed", "hold_min")
    if rule.peak_temp_c is not None and not (rule.peak_min and rule.max_gap_min):
        raise fault("peak_min and max_gap_min are both needed", "peak_temp_c")
    if (rule.depth_low_cm is None) != (rule.depth_high_cm is None):
        raise fault("a band of depths needs both ends", "depth_low_cm")
    if rule.max_temp_c is not None and limit is not None and rule.max_temp_c < limit:
        raise fault("is below the least temperature", "max_temp_c")
    if rule.judged_by == "nothing in a log" and not rule.beyond_log:
        raise fault("is blank; say what shows this rule, if no log can", "beyond_log")


@cache
def organisms() -> tuple[Organism, ...]:
    """Return the organisms and seeds with their published thermal death.

    Raises
    ------
    FactError
        If the table breaks the rules of facts, or more heat is said to need more time.
    """
    return organisms_of(read_rows(DEATHS, DEATH_SHAPE))


def organisms_of(rows: tuple[FactRow, ...]) -> tuple[Organism, ...]:
    """Return the organisms that rows of thermal death state, one row a temperature."""
    grouped: dict[str, list[FactRow]] = {}
    for row in rows:
        grouped.setdefault(row.need_text("organism"), []).append(row)
    found = []
    for name, group in grouped.items():
        points = sorted(
            (
                DeathPoint(
                    row.need_number("temp_c"),
                    row.need_number("time_min"),
                    row.number_or_none("log10_reduction"),
                )
                for row in group
                if row.text("time_min")
            ),
            key=lambda point: point.temp_c,
        )
        first = group[0]
        logs = {point.log10_reduction is None for point in points}
        if len(logs) > 1:
            raise first.error("some rows of this organism lack the reduction", "log10_reduction")
        if len({point.temp_c for point in points}) < len(points):
            raise first.error("one temperature stands twice for this organism", "temp_c")
        times = [point.time_min / (point.log10_reduction or 1.0) for point in points]
        if any(time <= 0 for time in times) or times != sorted(times, reverse=True):
            raise first.error("more heat cannot need more time", "time_min")
        found.append(
            Organism(
                id=name,
                name=first.need_text("name"),
                kind=first.need_text("kind"),
                points=tuple(points),
                tested_to_log10=first.number_or_none("tested_to_log10"),
                sources=first.sources,
                mark=first.mark,
                note=first.text("note"),
            )
        )
    return tuple(found)


@cache
def federal_regimes() -> dict[str, FederalRegime]:
    """Return the four regimes of the federal time-temperature equations by letter."""
    return {
        row.text("id"): FederalRegime(
            id=row.text("id"),
            coefficient_days=row.need_number("coefficient_days"),
            slope_per_c=row.need_number("slope_per_c"),
            min_temp_c=row.need_number("min_temp_c"),
            min_time_min=row.need_number("min_time_min"),
            condition=row.need_text("condition"),
            sources=row.sources,
            mark=row.mark,
        )
        for row in read_rows(FEDERAL, FEDERAL_SHAPE)
    }


@cache
def terms() -> Terms:
    """Return the figures that judging a log needs and that no code gives."""
    rows = {row.text("id"): row.need_number("value") for row in read_rows(TERMS, TERM_SHAPE)}
    wanted = {field.name for field in fields(Terms)}
    if rows.keys() != wanted:
        raise FactError(f"{TERMS}: its rows are to be {', '.join(sorted(wanted))}")
    whole = {"cooled_days", "young_days", "logger_hours"}
    return Terms(**{name: int(value) if name in whole else value for name, value in rows.items()})
