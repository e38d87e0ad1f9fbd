"""Does a log meet a sanitation rule?

Days come out of the log as *hot*, *not hot* or *not shown*. What is not shown never helps: a
rule is met by hot days alone. Whether it could have been met had the gaps been read hot, and
when it can be met if the pile is hot from tomorrow on, are asked of the same evaluator with
the days filled in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal

import numpy as np

from heapwright.science.credit import Assessment, DayState, band_of
from heapwright.science.daily import (
    Bools,
    Log,
)
from heapwright.science.periods import (
    CurrentPeriod,
    Period,
    Stated,
    chosen,
    current_period,
    day_text,
    periods_of,
)
from heapwright.science.rule_words import STATE_ZONE
from heapwright.science.rules import Rule, Terms
from heapwright.units import fahrenheit_from_celsius

Verdict = Literal["met", "not met", "not yet", "cannot be shown"]


@dataclass(frozen=True, slots=True)
class DayRecord:
    """A calendar day against a rule; ``not_read`` are the points still needed of it."""

    date: date
    lowest_temp_c: float | None
    counts: bool
    why: str
    not_read: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TurnRecord:
    """A turning against a rule."""

    at: datetime
    credited: bool
    why: str


@dataclass(frozen=True, slots=True)
class Proof:
    """A log against a rule, with what the verdict rests on.

    ``days_credited`` counts the hot days of the current period, ``longest_run_days`` and
    ``current_run_days`` the unbroken ones; ``turnings_credited`` the turnings that the rule
    lets count (for a rule of consecutive days, within one unbroken run). ``turnings_left`` are
    those still to come: a run that broke takes its turnings with it.
    """

    rule: Rule
    verdict: Verdict
    met_at: date | None
    days_credited: int
    longest_run_days: int
    current_run_days: int
    turnings_credited: int
    turnings_needed: int
    turnings_left: int
    earliest_possible: date | None
    period_start: datetime | None
    gaps: tuple[str, ...]
    notes: tuple[str, ...]
    to_do: tuple[str, ...]
    days: tuple[DayRecord, ...]
    turns: tuple[TurnRecord, ...]
    required_points: tuple[str, ...]
    stated: Stated


def evaluate(log: Log, rules: Sequence[Rule], stated: Stated, terms: Terms) -> tuple[Proof, ...]:
    """Judge a log by each rule.

    Parameters
    ----------
    log : Log
        The readings, what was done, and the site's clock.
    rules : sequence of Rule
    stated : Stated
        The method, cover, probe error, zone and points that a person states.
    terms : Terms
        The figures that no code gives.

    Returns
    -------
    tuple of Proof
        In the order of ``rules``.

    Raises
    ------
    ValueError
        If a named point is not in the log, or the probe error is negative.
    """
    if stated.probe_error_c < 0:
        raise ValueError("the probe error cannot be negative")
    log, ends, notes = chosen(log, stated)
    bands = tuple({band for rule in rules if (band := band_of(rule)) is not None})
    periods, more = periods_of(log, ends, stated, terms, bands)
    notes += more
    return tuple(_judge(rule, periods, stated, terms, notes) for rule in rules)


def _judge(
    rule: Rule, periods: list[Period], stated: Stated, terms: Terms, log_notes: list[str]
) -> Proof:
    notes = [*log_notes, *_rule_notes(rule)]
    if rule.judged_by == "nothing in a log":
        return _unjudged(
            rule,
            stated,
            notes,
            "cannot be shown",
            gaps=tuple(f"A log cannot show this rule: {part}." for part in rule.beyond_log),
            to_do="Show it by other records: " + "; ".join(rule.beyond_log) + ".",
        )
    if not periods:
        return _unjudged(
            rule,
            stated,
            notes,
            "not yet",
            gaps=("The log holds no reading.",),
            to_do="Start the log: one row “built”, then readings every day.",
        )
    days: dict[date, DayRecord] = {}
    for earlier, following in pairwise(periods):
        past = Assessment(rule, earlier, stated, terms)
        when = earlier.clock.wall(following.start_s).date()
        what = {"added": "raw material was added", "combined": "the piles were combined"}.get(
            following.start_kind, "the pile was built again"
        )
        met = past.met_date() if past.assumptions_hold else None
        if met is not None:
            notes.append(f"Had been met on {day_text(met)}, before {what} on {day_text(when)}.")
        why = f"before {what} on {day_text(when)}: no longer counts"
        for record in _day_records(past):
            _put(days, replace(record, counts=False, why=why))
    current = Assessment(rule, periods[-1], stated, terms)
    for record in _day_records(current):
        _put(days, record)
    return _proof(current, notes, tuple(days[key] for key in sorted(days)))


def _put(days: dict[date, DayRecord], record: DayRecord) -> None:
    """Put a day in; one that a start splits keeps the lowest reading of both its parts."""
    before = days.get(record.date)
    read = [
        one.lowest_temp_c
        for one in (before, record)
        if one is not None and one.lowest_temp_c is not None
    ]
    days[record.date] = replace(record, lowest_temp_c=min(read, default=None))


def _unjudged(
    rule: Rule,
    stated: Stated,
    notes: list[str],
    verdict: Verdict,
    *,
    gaps: tuple[str, ...],
    to_do: str,
) -> Proof:
    """Return the proof of a rule or a log that leaves nothing to count."""
    return Proof(
        rule=rule,
        verdict=verdict,
        met_at=None,
        days_credited=0,
        longest_run_days=0,
        current_run_days=0,
        turnings_credited=0,
        turnings_needed=rule.turnings,
        turnings_left=rule.turnings,
        earliest_possible=None,
        period_start=None,
        gaps=gaps,
        notes=tuple(notes),
        to_do=(to_do,),
        days=(),
        turns=(),
        required_points=(),
        stated=stated,
    )


def _rule_notes(rule: Rule) -> list[str]:
    notes = []
    if rule.mark != "published":
        notes.append(
            f"This rule stands {rule.mark}, as written down on {rule.as_read}: "
            "check its text before relying on it."
        )
    if rule.judged_by != "nothing in a log" and rule.beyond_log:
        notes.append(f"The log cannot show, and other records must: {'; '.join(rule.beyond_log)}.")
    if rule.note:
        notes.append(rule.note)
    return notes


def _verdict(a: Assessment) -> tuple[Verdict, list[str]]:
    """Return the verdict and what has to be said of it."""
    reached = a.met_day() is not None
    if a.contradicted:
        return "not met", [
            f"The method stated is {a.stated.method}; this rule is for "
            f"{' or '.join(a.rule.methods)} piles, so it is met only by starting again as one."
        ]
    if reached and not a.missing_statements:
        return "met", []
    if reached:
        return "cannot be shown", []
    if a.count_only:
        return "cannot be shown", ["It meets the count but not unbroken: ask the agency."]
    if a.would_be_met():
        return "cannot be shown", []
    if a.cooled_out():
        return "not met", [
            f"The pile has cooled out: no reading of its last {a.terms.cooled_days} read "
            f"days reaches {a.terms.cooled_temp_c:g} °C."
        ]
    return "not yet", []


def _proof(a: Assessment, notes: list[str], days: tuple[DayRecord, ...]) -> Proof:
    """Return the verdict with what it rests on."""
    rule, period = a.rule, a.period
    verdict, reasons = _verdict(a)
    met_at = a.met_date() if verdict == "met" else None
    open_ended = verdict == "not yet" or (verdict == "cannot be shown" and not a.missing_statements)
    earliest = met_at if verdict == "met" else a.earliest() if open_ended else None
    held = int(met_at is not None) if rule.judged_by == "hold" else None
    missing = () if a.contradicted else a.missing_statements
    return Proof(
        rule=rule,
        verdict=verdict,
        met_at=met_at,
        days_credited=sum(record.counts for record in days),
        longest_run_days=a.actual.longest if held is None else held,
        current_run_days=a.actual.current if held is None else held,
        turnings_credited=a.actual.turnings,
        turnings_needed=a.turnings_needed,
        turnings_left=0 if verdict == "met" else a.turnings_left(),
        earliest_possible=earliest,
        period_start=period.clock.wall(period.start_s),
        gaps=(*missing, *_gaps(a)),
        notes=(*reasons, *_cover_notes(a), *_static_notes(a), *notes),
        to_do=tuple(_to_do(a, verdict, earliest)),
        days=days,
        turns=tuple(_turn_records(a)),
        required_points=tuple(
            name for name, needed in zip(period.names, period.required, strict=True) if needed
        ),
        stated=a.stated,
    )


def _cover_notes(a: Assessment) -> list[str]:
    rule, stated = a.rule, a.stated
    if rule.cover_cm and stated.insulation_cm is not None and a.period.covered_s is None:
        return [
            f"The log has no row “covered”: the stated cover of {stated.insulation_cm:g} cm is "
            "taken to have been on from the start."
        ]
    return []


def _static_notes(a: Assessment) -> list[str]:
    if "turned" not in a.rule.methods and a.period.turns:
        return [
            "The log has turnings; this rule is for a pile that stands still, so ask whether "
            "it applies."
        ]
    return []


def _gaps(a: Assessment) -> list[str]:
    """Return what was not read, in plain words."""
    period, table, rule = a.period, a.period.table, a.rule
    if not len(period.read_days):
        return ["The log holds no reading in this period."]
    found = []

    def days_in(mask: Bools) -> str:
        return _days_text([table.date(int(i)) for i in np.flatnonzero(mask)])

    unread = a.state == DayState.UNREAD
    if unread.any():
        found.append(f"No reading on {days_in(unread)}.")
    missing = a.state == DayState.MISSING
    for point in np.flatnonzero(a.missing[missing].any(axis=0)).tolist():
        mask = missing & a.missing[:, point]
        name = period.names[point] or "an unnamed point"
        found.append(f"{name} was not read on {days_in(mask)}.")
    few = a.state == DayState.FEW
    if few.any():
        found.append(
            f"Fewer than {period.least_points} points were read as they need to be on "
            f"{days_in(few)}."
        )
    depth = a.state == DayState.DEPTH
    if depth.any():
        found.append(
            f"The depth of readings is not stated or not within {rule.depth_low_cm:g} to "
            f"{rule.depth_high_cm:g} cm on {days_in(depth)}."
        )
    hours = a.state == DayState.HOURS
    if hours.any():
        one = (a.short & (table.hours[:, None] - table.hours_read == 1))[hours].any()
        hint = (
            f" If the clock changed then, {STATE_ZONE}."
            if one and len(period.clock.starts_s) == 1
            else ""
        )
        found.append(f"The logger has hours without a reading on {days_in(hours)}.{hint}")
    if rule.peak_temp_c is not None and a.actual.longest >= rule.days:
        begins = np.flatnonzero(a.hot)
        if len(begins) and a.peak_day(int(begins[0])) is None:
            found.append(
                f"{rule.peak_min / 60:g} h above {rule.peak_temp_c:g} °C within the days are "
                f"not shown: successive readings of each point at most "
                f"{rule.max_gap_min:g} min apart would show it."
            )
    if rule.judged_by == "hold" and a.hold_day(fill=False) is None:
        found.append(
            f"{rule.hold_min:g} min unbroken at or above {rule.min_temp_c:g} °C are not shown "
            f"at every point (longest {a.longest_hold_min():g} min); readings at most "
            f"{rule.max_gap_min:g} min apart would show it."
        )
    return found


def _to_do(a: Assessment, verdict: Verdict, earliest: date | None) -> list[str]:
    rule = a.rule
    if verdict == "met":
        return ["Nothing more for this rule; keep the log with the batch."]
    if verdict == "not met":
        if a.contradicted:
            return [f"Judge it by a rule for a {a.stated.method} pile."]
        return ["Start again: mix in fresh material so that it heats, build, and log “built”."]
    found = list(a.missing_statements)
    if a.count_only:
        found.append("Ask the agency whether days that are not consecutive count.")
    if earliest is None:
        return found
    limit = _temp_text(rule.min_temp_c)
    word = "above" if rule.strict else "at or above"
    top = "" if rule.max_temp_c is None else f" and at most {_temp_text(rule.max_temp_c)}"
    if rule.judged_by == "hold":
        found.append(
            f"Hold every point {word} {limit} for {rule.hold_min:g} min unbroken, read at "
            f"least every {rule.max_gap_min:g} min."
        )
        return found
    pending = int(a.may_still_count)
    if rule.judged_as == "total":
        short = rule.days - a.actual.count - pending
    else:
        short = rule.days - a.actual.current - pending
    turns = a.turnings_left()
    if turns:
        spacing = (
            f", at least {rule.turn_spacing_days} days apart" if rule.turn_spacing_days else ""
        )
        if rule.hot_days_before_turn:
            spacing = f", each after {rule.hot_days_before_turn} hot days"
        times = "once" if turns == 1 else f"{turns} times"
        found.append(f"Turn {times} more while it is hot{spacing}.")
    unbroken = "" if rule.judged_as == "total" else "unbroken, "
    if short > 0:
        found.append(
            f"Keep every point {word} {limit}{top} on {short} more "
            f"{'day' if short == 1 else 'days'}, {unbroken}and read every point every day; "
            f"{day_text(earliest)} at the earliest."
        )
    else:
        found.append(
            f"Keep every point {word} {limit}{top} and read it every day; "
            f"{day_text(earliest)} at the earliest."
        )
    if rule.cover_cm and (a.state == DayState.THIN_COVER).any():
        found.append(f"Raise the cover to {rule.cover_cm:g} cm first.")
    if rule.peak_temp_c is not None:
        found.append(
            f"Read every point at most {rule.max_gap_min:g} min apart while it is above "
            f"{_temp_text(rule.peak_temp_c)}, for {rule.peak_min / 60:g} h."
        )
    return found


def _turn_records(a: Assessment) -> list[TurnRecord]:
    taken: set[int] = set()
    hot_days = set(a.turn_days(a.hot))
    found = []
    for turn in a.period.turns:
        at = a.period.clock.wall(turn.time_s)
        if turn.day in a.actual.credited and turn.day not in taken:
            taken.add(turn.day)
            found.append(TurnRecord(at, True, "turned while hot"))
            continue
        if turn.day in taken:
            why = "a second turning on one day counts once"
        elif turn.day not in hot_days:
            why = (
                "the pile had fallen below the limit"
                if a.before_turn(turn)[0]
                else "not shown to be hot when it was turned"
            )
        elif a.rule.turn_spacing_days or a.rule.hot_days_before_turn:
            why = "too soon after the turning before"
        else:
            why = "outside the unbroken run that counts"
        found.append(TurnRecord(at, False, why))
    return found


def _day_records(a: Assessment) -> list[DayRecord]:
    """Return each day of the period with what it is to the rule."""
    period, table, lowest = a.period, a.period.table, a.period.lowest
    done = a.hold_day(fill=False) if a.rule.judged_by == "hold" else None
    found = []
    for i, state in enumerate(a.state.tolist()):
        low = float(lowest[i])
        if a.rule.judged_by == "hold":
            counts, why = i == done, _hold_why(a, i, done)
        else:
            counts, why = state == DayState.COUNTS, _why(a, i, DayState(state))
        not_read = tuple(period.names[point] for point in np.flatnonzero(a.missing[i]))
        lowest_c = None if low != low else round(low, 6)
        found.append(DayRecord(table.date(i), lowest_c, counts, why, not_read))
    return found


def _hold_why(a: Assessment, day: int, done: int | None) -> str:
    what = f"{a.rule.hold_min:g} min at or above {a.rule.min_temp_c:g} °C"
    if done is None or day < done:
        return f"{what} not yet shown at every point"
    return f"{what} shown at every point" if day == done else "shown before"


def _why(a: Assessment, day: int, state: DayState) -> str:
    rule, period, table = a.rule, a.period, a.period.table
    low, high = float(period.lowest[day]), float(period.highest[day])
    less = f" less {a.error:.3g} °C of probe error" if a.error else ""
    if state == DayState.COUNTS:
        return "every point at or above the limit" if not rule.strict else "above the limit"
    if state == DayState.UNREAD:
        return "no reading"
    if state == DayState.COLD:
        word = "is not above" if rule.strict else "is below"
        return f"lowest {_floor_text(low)} °C{less} {word} {rule.min_temp_c:g} °C"
    if state == DayState.OVER:
        more = f" and {a.error:.3g} °C of probe error" if a.error else ""
        return f"highest {high:g} °C{more} is above the band, {rule.max_temp_c:.2f} °C"
    if state == DayState.RAW:
        return (
            "raw material went in on this day"
            if period.start_kind == "added"
            else "combined with another pile on this day"
        )
    if state == DayState.NO_COVER:
        return "read before the pile was covered"
    if state == DayState.THIN_COVER:
        return f"the cover of {a.stated.insulation_cm:g} cm is less than {rule.cover_cm:g} cm"
    if state == DayState.MISSING:
        return f"{period.points_of(a.missing[day])} not read"
    if state == DayState.FEW:
        return f"fewer than {period.least_points} points read"
    if state == DayState.DEPTH:
        return (
            f"depth not stated or outside {rule.depth_low_cm:g} to {rule.depth_high_cm:g} cm: "
            f"{period.points_of(a.outside[day])}"
        )
    if state == DayState.CUT:
        if not period.read[day].any():
            return "no reading on the first day"
        return "the first day, not whole"
    if state == DayState.TODAY:
        return "the last day is not over"
    worst = int(np.argmax(np.where(a.short[day], table.hours[day] - table.hours_read[day], -1)))
    return (
        f"{period.names[worst] or 'the logger'} has readings in "
        f"{int(table.hours_read[day, worst])} of {int(table.hours[day])} hours"
    )


def _floor_text(temp_c: float) -> str:
    """Return one decimal, never rounded up: 54.96 shows as 54.9."""
    return f"{np.floor(temp_c * 10 + 1e-6) / 10:.1f}"


def _temp_text(temp_c: float) -> str:
    return f"{temp_c:.4g} °C ({fahrenheit_from_celsius(temp_c):.4g} °F)"


def _days_text(days: Sequence[date]) -> str:
    """Return days as a short list of spans: “3 days: 1 to 2 March, 5 March 2026”."""
    spans: list[tuple[date, date]] = []
    for day in days:
        if spans and day - spans[-1][1] == timedelta(days=1):
            spans[-1] = (spans[-1][0], day)
        else:
            spans.append((day, day))
    shown = [day_text(a) if a == b else f"{a.day} {a:%B} to {day_text(b)}" for a, b in spans[:6]]
    rest = f" and {len(spans) - 6} more times" if len(spans) > 6 else ""
    if len(days) == 1:
        return shown[0]
    return f"{len(days)} days: {', '.join(shown)}{rest}"


def proof_summary(proof: Proof) -> dict[str, object]:
    """Return a proof under the names of the JSON contract."""
    return {
        "rule": proof.rule.id,
        "name": proof.rule.name,
        "verdict": proof.verdict,
        "met_at": proof.met_at.isoformat() if proof.met_at else None,
        "days_credited": proof.days_credited,
        "days_needed": proof.rule.days,
        "longest_run_days": proof.longest_run_days,
        "turnings_credited": proof.turnings_credited,
        "turnings_needed": proof.turnings_needed,
        "earliest_possible": (
            proof.earliest_possible.isoformat() if proof.earliest_possible else None
        ),
        "gaps": list(proof.gaps),
        "notes": list(proof.notes),
        "to_do": list(proof.to_do),
        "days": [
            {
                "date": day.date.isoformat(),
                "lowest_temp_c": day.lowest_temp_c,
                "counts": day.counts,
                "why": day.why,
            }
            for day in proof.days
        ],
    }


__all__ = [
    "CurrentPeriod",
    "DayRecord",
    "Proof",
    "Stated",
    "TurnRecord",
    "Verdict",
    "current_period",
    "evaluate",
    "proof_summary",
]
