"""How far the days of a period go towards a rule: what each is, and what they add up to."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import IntEnum
from functools import cached_property

import numpy as np
import numpy.typing as npt

from heapwright.science.daily import HOUR_S, Band, Bools, Floats, depth_in
from heapwright.science.periods import HAIR_C, Period, Spans, Stated, Turn, is_below
from heapwright.science.rule_words import STATE_ALL_ZONES, STATE_COVER, STATE_METHOD
from heapwright.science.rules import Rule, Terms

ZONE_WORDS = {
    "core": ("core", "centre", "center", "middle"),
    "edge": ("edge", "rim", "outer", "side"),
    "base": ("base", "bottom"),
}


class DayState(IntEnum):
    """What a day is to a rule, the first that applies."""

    COUNTS = 0
    UNREAD = 1
    COLD = 2
    OVER = 3
    RAW = 4
    NO_COVER = 5
    THIN_COVER = 6
    MISSING = 7
    FEW = 8
    DEPTH = 9
    HOURS = 10
    CUT = 11
    TODAY = 12


NOT_SHOWN = (DayState.UNREAD, DayState.MISSING, DayState.FEW, DayState.DEPTH, DayState.HOURS)


@dataclass(frozen=True, slots=True)
class Credit:
    """How far a set of hot days goes towards a rule; days are indices."""

    met_day: int | None
    unbroken_day: int | None
    count: int
    longest: int
    current: int
    turnings: int
    credited: frozenset[int]


def band_of(rule: Rule) -> Band | None:
    """Return the band of depths that a rule asks readings in, None where it has none."""
    if rule.depth_low_cm is None or rule.depth_high_cm is None:
        return None
    return (rule.depth_low_cm, rule.depth_high_cm)


class Assessment:
    """One rule on one period."""

    def __init__(self, rule: Rule, period: Period, stated: Stated, terms: Terms) -> None:
        self.rule, self.period, self.stated, self.terms = rule, period, stated, terms
        self.error = stated.probe_error_c
        self.turnings_needed = rule.turnings
        if stated.method in ("aerated", "vessel") and len(rule.methods) > 1:
            self.turnings_needed = 0
        self.state: npt.NDArray[np.int8] = self._states()
        self.hot: Bools = self.state == DayState.COUNTS
        self.open: Bools = np.isin(self.state, NOT_SHOWN)
        self._seen_before: dict[Turn, tuple[bool, bool]] = {}

    # What each day is

    def below(self, temp_c: Floats) -> Bools:
        """Return which readings, less the probe error, miss the limit."""
        return is_below(temp_c - self.error, self.rule.min_temp_c, self.rule.strict)

    def above(self, temp_c: Floats) -> Bools:
        """Return which readings, with the probe error, are above the band."""
        if self.rule.max_temp_c is None:
            return np.zeros(np.shape(temp_c), dtype=bool)
        return np.asarray(temp_c + self.error > self.rule.max_temp_c + HAIR_C)

    def _states(self) -> npt.NDArray[np.int8]:
        period, table = self.period, self.period.table
        unread = ~period.read.any(axis=1)
        self.missing: Bools = period.required & ~period.read
        self.short: Bools = period.logged & period.read & (table.hours_read < table.hours[:, None])
        self.outside: Bools = np.zeros_like(period.read)
        in_band = np.full(table.hours_read.shape, True)
        band = band_of(self.rule)
        if band is not None:
            inside = table.hours_in_band[band]
            asked = np.where(period.logged, table.hours[:, None], 1)
            in_band = inside >= asked
            self.outside = period.read & (inside == 0)
            self.short = self.short | (period.read & period.logged & ~self.outside & ~in_band)
        valid = period.read & in_band & ~self.short
        # Points that need not be read cannot take the day away by a gap, only by a cold reading.
        needed = period.required
        if not needed.any():
            few = valid.sum(axis=1) < period.least_points
            outside = self.outside.any(axis=1) & few
            short = self.short.any(axis=1) & few
        else:
            few = np.zeros(table.days, dtype=bool)
            outside = (self.outside & needed).any(axis=1)
            short = (self.short & needed).any(axis=1)
        day_index = np.arange(table.days)
        raw = (day_index == 0) & period.restarted
        no_cover = self._uncovered()
        thin = np.full(
            table.days,
            self.rule.cover_cm > 0
            and self.stated.insulation_cm is not None
            and self.stated.insulation_cm < self.rule.cover_cm - 1e-7,
        )
        last = day_index == table.days - 1
        # The last day may be complete up to now: it does not count, and is no gap either.
        elapsed = (period.end_s - int(table.starts_s[-2])) // HOUR_S + 1
        so_far = ~(self.short & (table.hours_read < elapsed)).any(axis=1)
        first = day_index == 0
        return np.select(
            [
                raw,
                first & unread,
                unread,
                self.below(period.lowest),
                self.above(period.highest),
                no_cover,
                thin,
                self.missing.any(axis=1),
                outside,
                first & short & (period.start_s > int(table.starts_s[0])),
                last & short & so_far,
                short,
                few,
            ],
            [
                DayState.RAW,
                DayState.CUT,
                DayState.UNREAD,
                DayState.COLD,
                DayState.OVER,
                DayState.NO_COVER,
                DayState.THIN_COVER,
                DayState.MISSING,
                DayState.DEPTH,
                DayState.CUT,
                DayState.TODAY,
                DayState.HOURS,
                DayState.FEW,
            ],
            DayState.COUNTS,
        ).astype(np.int8)

    def _uncovered(self) -> Bools:
        table, covered_s = self.period.table, self.period.covered_s
        if not self.rule.cover_cm or covered_s is None:
            return np.zeros(table.days, dtype=bool)
        return np.asarray(np.minimum(table.first_s, table.starts_s[1:] - 1) < covered_s)

    # Turnings

    def before_turn(self, turn: Turn) -> tuple[bool, bool]:
        """Return whether a reading of that day before the turning was out of the limits, and
        whether every required point was read within them before it."""
        if turn in self._seen_before:
            return self._seen_before[turn]
        period = self.period
        seen = period.day_slice(turn.day, turn.time_s)
        bad = bool((self.below(seen.temp_c) | self.above(seen.temp_c)).any())
        band = band_of(self.rule)
        if band is not None and seen.depth_cm is not None:
            seen = seen.keep(depth_in(seen.depth_cm, band))
        found = set(seen.point.tolist()) if band is None or seen.depth_cm is not None else set()
        whole = len(found) >= period.least_points and found.issuperset(
            np.flatnonzero(period.required).tolist()
        )
        self._seen_before[turn] = bad, whole
        return bad, whole

    def turn_days(self, hot: Bools) -> list[int]:
        """Return the days on which the pile was turned while hot, each once."""
        found = set()
        raw = self.state == DayState.RAW
        for turn in self.period.turns:
            day = turn.day
            if raw[day] or day in found:
                continue
            if hot[day]:
                found.add(day)
                continue
            bad, whole = self.before_turn(turn)
            yesterday = day > 0 and bool(hot[day - 1])
            if not bad and (whole or yesterday):
                found.add(day)
        return sorted(found)

    def _spaced(self, turn_days: Sequence[int], hot: Bools, start: int) -> list[int]:
        """Return the turnings that the rule's spacing lets count, from ``start`` on."""
        rule = self.rule
        credited: list[int] = []
        free_from = start
        for day in turn_days:
            if credited and day - credited[-1] < rule.turn_spacing_days:
                continue
            if rule.hot_days_before_turn:
                end = day if hot[day] else day - 1
                first = end - rule.hot_days_before_turn + 1
                if first < free_from or not bool(hot[first : end + 1].all()):
                    continue
                free_from = day + 1
            credited.append(day)
        return credited

    @property
    def may_still_count(self) -> bool:
        """True where the last day is complete up to now, or has no reading yet."""
        return int(self.state[-1]) in (DayState.TODAY, DayState.UNREAD)

    # How far hot days go

    def _credit(
        self,
        hot: Bools,
        turn_days: Sequence[int],
        mean: Floats,
        peak_day: Callable[[int], int | None],
    ) -> Credit:
        rule, need, turns = self.rule, self.rule.days, self.turnings_needed
        edge = np.diff(np.concatenate(([0], hot.astype(np.int8), [0])))
        begins, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
        unbroken: int | None = None
        in_run: list[int] = []
        for a, b in zip(begins.tolist(), ends.tolist(), strict=True):
            credited = self._spaced([day for day in turn_days if a <= day <= b], hot, a)
            if len(credited) > len(in_run):
                in_run = credited
            when = [a + need - 1]
            if turns:
                when.append(credited[turns - 1] if len(credited) >= turns else b + 1)
            if rule.peak_temp_c is not None:
                peak = peak_day(a)
                when.append(b + 1 if peak is None else peak)
            if rule.mean_temp_c is not None and when[0] <= b:
                above = _first_mean_above(mean[a : b + 1] - self.error, need, rule.mean_temp_c)
                when.append(b + 1 if above is None else a + above)
            if unbroken is None and max(when) <= b:
                unbroken = max(when)
        overall = self._spaced(turn_days, hot, 0)
        hot_days = np.flatnonzero(hot)
        total: int | None = None
        if need and len(hot_days) >= need and len(overall) >= turns:
            total = int(max(hot_days[need - 1], overall[turns - 1] if turns else 0))
        lengths = ends - begins + 1
        carried = int(self.may_still_count and len(hot) == len(self.state))
        credited = in_run if rule.judged_as == "consecutive" else overall
        return Credit(
            met_day=unbroken if rule.judged_as == "consecutive" else total,
            unbroken_day=unbroken,
            count=len(hot_days),
            longest=int(lengths.max(initial=0)),
            current=int(lengths[-1]) if len(ends) and ends[-1] >= len(hot) - 1 - carried else 0,
            turnings=len(credited),
            credited=frozenset(credited),
        )

    @cached_property
    def actual(self) -> Credit:
        """What the log shows."""
        return self._credit(self.hot, self.turn_days(self.hot), self.period.mean, self.peak_day)

    @cached_property
    def filled(self) -> Credit:
        """What the log would show, had every gap been read hot."""
        hot = self.hot | self.open
        mean = np.where(self.open, np.inf, self.period.mean)
        return self._credit(hot, self.turn_days(hot), mean, self._peak_day_filled)

    def met_day(self) -> int | None:
        """Return the day on which the rule is met by what was read, statements aside."""
        if self.rule.judged_by == "hold":
            return self.hold_day(fill=False)
        return self.actual.unbroken_day if self.rule.judged_as != "total" else self.actual.met_day

    @property
    def count_only(self) -> bool:
        """True where the hot days and turnings are there but not unbroken, and the document
        does not say whether they have to be."""
        return (
            self.rule.judged_by == "days"
            and self.rule.judged_as == "unsaid"
            and self.met_day() is None
            and self.actual.met_day is not None
        )

    def met_date(self) -> date | None:
        """Return the date on which the days and turnings were reached, if ever."""
        day = self.met_day()
        return None if day is None else self.period.table.date(day)

    def would_be_met(self) -> bool:
        """Return whether the rule were met, had every gap been read hot."""
        if self.rule.judged_by == "hold":
            return self.hold_day(fill=True) is not None
        filled = self.filled
        return filled.met_day is not None or filled.unbroken_day is not None

    # Holds

    def _spans(self, limit: float, strict: bool, *, fill: bool) -> Spans | None:
        """Return for each point read the spans held at the limit, or None without enough."""
        gap_s = self.rule.max_gap_min * 60.0
        spans = self.period.spans(limit + self.error, strict, gap_s, fill)
        if isinstance(self.stated.points, tuple) and len(spans) < len(self.period.names):
            return None
        return spans if len(spans) >= max(1, self.period.least_points) else None

    @cached_property
    def _peak_spans(self) -> Spans | None:
        return self._spans(self.rule.peak_temp_c or 0.0, self.rule.peak_strict, fill=False)

    @cached_property
    def _peak_spans_filled(self) -> Spans | None:
        return self._spans(self.rule.peak_temp_c or 0.0, self.rule.peak_strict, fill=True)

    def peak_day(self, first: int) -> int | None:
        """Return the day from ``first`` on by which the second limit was held long enough."""
        return self._held_day(self._peak_spans, first, self.rule.peak_min)

    def _peak_day_filled(self, first: int) -> int | None:
        return self._held_day(self._peak_spans_filled, first, self.rule.peak_min)

    def hold_day(self, *, fill: bool) -> int | None:
        """Return the day by which every point has held the limit, gaps read hot or not."""
        spans = self._spans(self.rule.min_temp_c, self.rule.strict, fill=fill)
        return self._held_day(spans, 0, self.rule.hold_min)

    def _held_day(self, spans: Spans | None, first: int, minutes: float) -> int | None:
        """Return the day from ``first`` on by which every point has held for the minutes."""
        if spans is None:
            return None
        table = self.period.table
        ready = []
        for begins, ends in spans:
            begins = np.maximum(begins, table.starts_s[first])
            done = begins[ends - begins >= minutes * 60.0]
            if not len(done):
                return None
            ready.append(int(done.min() + minutes * 60.0))
        return min(table.index_of(max(ready)), table.days - 1)

    def longest_hold_min(self) -> float:
        """Return the longest hold, in minutes, that every point shows."""
        spans = self._spans(self.rule.min_temp_c, self.rule.strict, fill=False)
        if not spans:
            return 0.0
        return min(float((ends - begins).max(initial=0)) / 60.0 for begins, ends in spans)

    # What is not in the readings

    @cached_property
    def missing_statements(self) -> tuple[str, ...]:
        """What has to be stated beside the readings, and is not."""
        rule, stated, found = self.rule, self.stated, []
        if stated.method is None and "turned" not in rule.methods:
            words = " or ".join(rule.methods)
            what = "that air is supplied" if "aerated" in rule.methods else "that it is a vessel"
            found.append(f"The log does not say {what}; {STATE_METHOD}: {words}.")
        if rule.cover_cm and stated.insulation_cm is None:
            found.append(
                f"The rule asks for an insulating cover of {rule.cover_cm:g} cm; {STATE_COVER} "
                "and log “covered”."
            )
        if rule.all_zones and not self._zones_shown():
            found.append(
                "The rule asks that all of the material was hot; readings of "
                f"{self._zones_text()} do not show it. Read core, edge and base (points named "
                f"so), or {STATE_ALL_ZONES}."
            )
        return tuple(found)

    def _zones_shown(self) -> bool:
        if self.stated.zone is not None:
            return self.stated.zone == "all"
        return self._zones() == set(ZONE_WORDS)

    def _zones(self) -> set[str]:
        # A hold is asked of every point; a day only of those that are required.
        needed = self.period.required | (self.rule.judged_by == "hold")
        names = [name for name, asked in zip(self.period.names, needed, strict=True) if asked]
        words = {word for name in names for word in re.findall(r"[a-z]+", name.casefold())}
        return {zone for zone, known in ZONE_WORDS.items() if words & set(known)}

    def _zones_text(self) -> str:
        if self.stated.zone is not None:
            return f"the {self.stated.zone} only"
        zones = self._zones()
        return f"{' and '.join(sorted(zones))} only" if zones else "these points"

    @property
    def contradicted(self) -> bool:
        """True where the stated method is none of the rule's."""
        return self.stated.method is not None and self.stated.method not in self.rule.methods

    @property
    def assumptions_hold(self) -> bool:
        """True where nothing that has to be stated is missing or contradicted."""
        return not self.contradicted and not self.missing_statements

    def cooled_out(self) -> bool:
        """Return whether the pile's hot phase is over."""
        period, terms = self.period, self.terms
        read = period.read_days
        if len(read) < terms.cooled_days:
            return False
        last = read[-terms.cooled_days :]
        if bool((period.highest[last] >= terms.cooled_temp_c).any()):
            return False
        was_hot = bool((~self.below(period.highest[read])).any())
        return was_hot or period.table.days >= terms.young_days

    # From here on

    def earliest(self) -> date | None:
        """Return the first date on which the rule can be met, hot and turned from tomorrow on."""
        rule, table = self.rule, self.period.table
        if rule.judged_by == "hold":
            return table.date(table.days)
        per_turn = max(rule.turn_spacing_days, rule.hot_days_before_turn, 1)
        more = rule.days + self.turnings_needed * (per_turn + 1) + 1
        hot = np.concatenate((self.hot, np.ones(more, dtype=bool)))
        if self.may_still_count:
            hot[table.days - 1] = True
        read = np.where(np.isnan(self.period.mean), np.inf, self.period.mean)
        mean = np.concatenate((read, np.full(more, np.inf)))
        ahead = list(range(table.days, table.days + more))

        def peak(first: int) -> int:
            seen = self.peak_day(first) if first < table.days else None
            return max(first, table.days) if seen is None else seen

        credit = self._credit(hot, self.turn_days(hot[: table.days]) + ahead, mean, peak)
        day = credit.met_day if rule.judged_as == "total" else credit.unbroken_day
        return None if day is None else table.date(day)

    def turnings_left(self) -> int:
        """Return the turnings that the rule still asks for from now on."""
        if self.rule.judged_as == "total":
            return max(self.turnings_needed - self.actual.turnings, 0)
        return max(self.turnings_needed - self._turnings_in_current_run(), 0)

    def _turnings_in_current_run(self) -> int:
        """Return the turnings that count in the unbroken run that lasts up to now."""
        first = self.period.table.days - self.actual.current - self.may_still_count
        days = [day for day in self.turn_days(self.hot) if day >= first]
        return len(self._spaced(days, self.hot, first))


def _first_mean_above(mean: Floats, need: int, limit: float) -> int | None:
    """Return the first index by which some stretch of ``need`` days or more has its mean above
    ``limit``."""
    # Sums over the excess: a stretch s..k is above when excess[k + 1] > excess[s].
    excess = np.concatenate(([0.0], np.cumsum(np.minimum(mean, 1e6) - limit)))
    least = np.minimum.accumulate(excess)[: len(excess) - need]
    found = np.flatnonzero(excess[need:] > least + HAIR_C)
    return int(found[0]) + need - 1 if len(found) else None
