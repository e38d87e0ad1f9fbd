"""A log cut into periods: the stretches that no raw material interrupts, and their evidence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import Literal

import numpy as np

from heapwright.science.daily import (
    Band,
    Bools,
    DayTable,
    Floats,
    Ints,
    Log,
    Readings,
    held_spans,
    summarise,
)
from heapwright.science.rules import Method, Terms, Zone

Spans = list[tuple[Ints, Ints]]

HAIR_C = 1e-9
"""Differences of floats such as 133 °F less 2 °F miss 131 °F by less than this."""


@dataclass(frozen=True, slots=True)
class Stated:
    """What the person states beside the log.

    ``points`` is the number of different points to be read each day, or the names of the
    points that count, or None to require every point that the log reads on two days or more.
    """

    method: Method | None = None
    insulation_cm: float | None = None
    probe_error_c: float = 0.0
    zone: Zone | None = None
    points: int | tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    """A turning: the index of its day in the period, and its time."""

    day: int
    time_s: int


class Period:
    """A stretch of the log that no raw material interrupts, and its evidence."""

    def __init__(
        self,
        log: Log,
        stated: Stated,
        terms: Terms,
        bands: tuple[Band, ...],
        start_s: int,
        start_kind: str,
        end_s: int,
    ) -> None:
        self.start_s, self.start_kind, self.end_s = start_s, start_kind, end_s
        self._span_cache: dict[tuple[float, bool, float, bool], Spans] = {}
        self.clock = log.clock
        every = log.readings
        # A reading in the very minute in which raw material went in is of before.
        side: Literal["left", "right"] = "right" if self.restarted else "left"
        low = int(np.searchsorted(every.time_s, start_s, side=side))
        high = int(np.searchsorted(every.time_s, end_s, side="right"))
        self.readings: Readings = every.slice(low, high)
        self.table: DayTable = summarise(
            self.readings,
            log.clock,
            first_day=log.clock.day(start_s),
            last_day=log.clock.day(end_s),
            bands=bands,
        )
        table = self.table
        self.read: Bools = np.asarray(table.count > 0, dtype=bool)
        self.read_days = np.flatnonzero(self.read.any(axis=1))
        self.logged: Bools = np.asarray((table.hours_read >= terms.logger_hours).any(axis=0))
        self.required: Bools = self._required(stated)
        self.least_points = stated.points if isinstance(stated.points, int) else 1
        self.turns = tuple(
            Turn(table.index_of(act.time_s), act.time_s)
            for act in log.acts
            if act.kind == "turned" and self._holds(act.time_s)
        )
        self.covered_s = next(
            (act.time_s for act in log.acts if act.kind == "covered" and self._holds(act.time_s)),
            None,
        )
        self.moved = tuple(
            act.time_s for act in log.acts if act.kind == "moved" and self._holds(act.time_s)
        )

    @property
    def restarted(self) -> bool:
        """True where raw material or another pile began this period."""
        return self.start_kind in ("added", "combined")

    def _holds(self, time_s: int) -> bool:
        after = time_s > self.start_s if self.restarted else time_s >= self.start_s
        return after and time_s <= self.end_s

    def _required(self, stated: Stated) -> Bools:
        if isinstance(stated.points, int):
            return np.zeros(self.read.shape[1], dtype=bool)
        if stated.points is not None:
            return np.ones(self.read.shape[1], dtype=bool)
        return np.asarray(self.read.sum(axis=0) >= 2)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the points."""
        return self.readings.points

    @cached_property
    def lowest(self) -> Floats:
        """The lowest reading of each day, NaN where none; shape (days,)."""
        filled = np.where(self.read, self.table.lowest, np.inf).min(axis=1, initial=np.inf)
        return np.where(np.isfinite(filled), filled, np.nan)

    @cached_property
    def highest(self) -> Floats:
        """The highest reading of each day, NaN where none; shape (days,)."""
        filled = np.where(self.read, self.table.highest, -np.inf).max(axis=1, initial=-np.inf)
        return np.where(np.isfinite(filled), filled, np.nan)

    @cached_property
    def mean(self) -> Floats:
        """The mean of the coolest point of each day, NaN where none; shape (days,)."""
        count = np.maximum(self.table.count, 1)
        means = np.where(self.read, self.table.total / count, np.inf)
        coolest = means.min(axis=1, initial=np.inf)
        return np.where(np.isfinite(coolest), coolest, np.nan)

    def spans(self, limit: float, strict: bool, gap_s: float, fill: bool) -> Spans:
        """Return for each point read the spans over which it is shown to have stayed hot."""
        key = (limit, strict, gap_s, fill)
        if key not in self._span_cache:
            self._span_cache[key] = [
                self._spans_of(point, limit, strict, gap_s, fill)
                for point in np.flatnonzero(self.read.any(axis=0)).tolist()
            ]
        return self._span_cache[key]

    def _spans_of(
        self, point: int, limit: float, strict: bool, gap_s: float, fill: bool
    ) -> tuple[Ints, Ints]:
        hottest = self.table.highest[self.read[:, point], point].max()
        if is_below(hottest, limit, strict):
            none = np.empty(0, dtype=np.int64)
            return none, none
        mine = np.flatnonzero(self.readings.point == point)
        hot = ~is_below(self.readings.temp_c[mine], limit, strict)
        return held_spans(self.readings.time_s[mine], hot, gap_s, fill=fill)

    def day_slice(self, day: int, before_s: int) -> Readings:
        """Return the readings of a day up to ``before_s``."""
        low = int(np.searchsorted(self.readings.time_s, self.table.starts_s[day]))
        high = int(np.searchsorted(self.readings.time_s, before_s, side="right"))
        return self.readings.slice(low, max(low, high))

    def points_of(self, mask: Bools) -> str:
        """Return the names of the points in a mask, for a sentence."""
        return " and ".join(self.names[i] or "the pile" for i in np.flatnonzero(mask))


def chosen(log: Log, stated: Stated) -> tuple[Log, tuple[int, ...], list[str]]:
    """Return the log in order with the named points only, and its first and last time."""
    readings = log.readings.ordered()
    acts = tuple(sorted(log.acts, key=lambda act: (act.time_s, act.kind)))
    notes: list[str] = []
    times = [act.time_s for act in acts]
    if len(readings.time_s):
        times += [int(readings.time_s[0]), int(readings.time_s[-1])]
    ends = (min(times), max(times)) if times else ()
    if isinstance(stated.points, tuple):
        lookup = {name.casefold(): i for i, name in enumerate(readings.points)}
        absent = [name for name in stated.points if name.casefold() not in lookup]
        if absent:
            known = ", ".join(name or "(unnamed)" for name in readings.points)
            raise ValueError(f"the log has no point {absent[0]}; it has {known}")
        wanted = sorted({lookup[name.casefold()] for name in stated.points})
        others = [name for i, name in enumerate(readings.points) if i not in wanted]
        if others:
            notes.append(
                f"Only {', '.join(stated.points)} counted; the readings of {', '.join(others)} "
                "were left out as stated."
            )
        code = np.full(len(readings.points), -1, dtype=np.int16)
        code[wanted] = np.arange(len(wanted), dtype=np.int16)
        kept = readings.keep(np.isin(readings.point, wanted))
        readings = Readings(
            kept.time_s,
            code[kept.point],
            kept.temp_c,
            kept.depth_cm,
            tuple(readings.points[i] for i in wanted),
        )
    return Log(readings, acts, log.clock), ends, notes


def periods_of(
    log: Log, ends: tuple[int, ...], stated: Stated, terms: Terms, bands: tuple[Band, ...]
) -> tuple[list[Period], list[str]]:
    """Cut the log where the proof starts again."""
    readings, acts = log.readings, log.acts
    notes: list[str] = []
    if not ends:
        return [], ["The log holds nothing."]
    first, last = ends
    starts: list[tuple[int, str]] = []
    built = [act.time_s for act in acts if act.kind == "built"]
    if built:
        starts.append((built[0], "built"))
        early = int(np.searchsorted(readings.time_s, built[0]))
        if early:
            notes.append(
                f"{early} {'reading' if early == 1 else 'readings'} from before the pile was "
                f"built on {day_text(log.clock.wall(built[0]).date())} are set aside."
            )
    else:
        starts.append((first, "first row"))
        notes.append(
            "The log has no row “built”: the days are counted from its first row, "
            f"{day_text(log.clock.wall(first).date())}."
        )
    origin = starts[0][0]
    for act in acts:
        again = act.kind in ("added", "combined") or (act.kind == "built" and act.time_s > origin)
        if again and act.time_s >= origin:
            starts.append((act.time_s, act.kind))
    words = {
        "added": "Raw material was added",
        "combined": "The pile was combined with another, which is taken as contact with raw or "
        "less treated material,",
        "built": "The pile was built again",
    }
    if len(starts) > 1:
        time_s, kind = starts[-1]
        notes.append(
            f"{words[kind]} on {day_text(log.clock.wall(time_s).date())}: "
            "the proof starts again from there."
        )
    periods = []
    for (start_s, kind), following in zip(starts, [*starts[1:], None], strict=True):
        end_s = last if following is None else following[0]
        periods.append(Period(log, stated, terms, bands, start_s, kind, end_s))
    current = periods[-1]
    for time_s in current.moved:
        notes.append(
            f"Moved on {day_text(log.clock.wall(time_s).date())}: not counted as a turning; "
            "log “turned” too if it was turned over."
        )
    hottest = float(np.nanmax(current.highest)) if len(current.read_days) else -np.inf
    if hottest >= terms.alarm_temp_c:
        notes.append(
            f"A reading of {hottest:g} °C: danger of fire. Do not open the pile alone; have "
            "water and a phone ready and call the fire service at smoke or a burnt smell."
        )
    elif hottest >= terms.watch_temp_c:
        notes.append(f"A reading of {hottest:g} °C: turn, wet and watch the pile for fire.")
    return periods, notes


@dataclass(frozen=True, slots=True)
class CurrentPeriod:
    """The readings since raw material last went in, and the points that decide."""

    readings: Readings
    points: tuple[int, ...]
    turned_days: int
    start: datetime


def current_period(log: Log, stated: Stated, terms: Terms) -> CurrentPeriod | None:
    """Return the current period of a log for what stands beside the rules, None if empty.

    The points that decide are the required ones; all that were read where none is required.
    """
    log, ends, _ = chosen(log, stated)
    periods, _ = periods_of(log, ends, stated, terms, ())
    if not periods:
        return None
    period = periods[-1]
    decide = period.required if period.required.any() else period.read.any(axis=0)
    return CurrentPeriod(
        period.readings,
        tuple(np.flatnonzero(decide & period.read.any(axis=0)).tolist()),
        len({turn.day for turn in period.turns}),
        period.clock.wall(period.start_s),
    )


def is_below(temp_c: Floats, limit: float, strict: bool) -> Bools:
    """Return which temperatures miss a limit; NaN does not."""
    if strict:
        return np.asarray(temp_c <= limit + HAIR_C)
    return np.asarray(temp_c < limit - HAIR_C)


def day_text(day: date) -> str:
    """Return a date as it is written in a sentence: 8 March 2026."""
    return f"{day.day} {day:%B %Y}"
