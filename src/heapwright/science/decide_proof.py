"""The chance that a rule is met by each coming day, if a heap is read as before.

Each member of an ensemble is read at the points and hours at which the heap is read, on from
the log as it is, and judged as logs are judged. What comes out is a chance that
helps to choose what to do today. It is no verdict: that rests on the log alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.science.credit import Assessment, band_of
from heapwright.science.daily import DAY_S, EPOCH_ORDINAL, HOUR_S, Act, Log, Readings
from heapwright.science.periods import Stated, chosen, periods_of
from heapwright.science.rules import Rule, Terms

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FULL_DAYS: Final = 2
"""A point that was read on so many days has to be read every day."""


@dataclass(frozen=True, slots=True)
class ReadPoint:
    """A point at which a heap is read: ``core`` is the core's share in what is read there.

    ``depth_cm`` is None where nobody says how deep.
    """

    name: str
    core: float
    depth_cm: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Proving:
    """What a rule asks of a heap, and its log so far.

    ``built_s`` is the time of hour zero; ``points`` are read at each of ``hours`` (since
    building) to come. ``log.clock`` holds until the last of them.
    """

    log: Log
    rule: Rule
    stated: Stated
    terms: Terms
    built_s: int
    points: tuple[ReadPoint, ...]
    hours: tuple[float, ...]


def can_be_told(rule: Rule) -> bool:
    """Tell whether the chance of a rule can be told from a few readings a day."""
    return rule.judged_by == "days" and rule.mean_temp_c is None


def points_of(log: Log) -> tuple[tuple[str, float | None], ...]:
    """Return the points that a log reads, with their usual depth, as it must go on reading them.

    Those that were read on two days or more; where none was, all that were read.
    """
    read = log.readings
    day = _wall_s(log) // DAY_S
    found: list[tuple[int, str, float | None]] = []
    for number, name in enumerate(read.points):
        here = read.point == number
        days = len(np.unique(day[here]))
        if not days:
            continue
        depth = None
        if read.depth_cm is not None and np.isfinite(read.depth_cm[here]).any():
            depth = float(np.nanmedian(read.depth_cm[here]))
        found.append((days, name, depth))
    often = [one for one in found if one[0] >= FULL_DAYS]
    return tuple((name, depth) for _days, name, depth in often or found)


def in_short(log: Log) -> Log:
    """Return a log since the proof last started again, with the lowest reading of each hour.

    Rules that count days judge it as the whole log: the lowest of each day, point and depth and
    the hours read stay. A logger's log shrinks to what can be judged many times over.
    """
    built = [act.time_s for act in log.acts if act.kind == "built"]
    again = [
        act.time_s
        for act in log.acts
        if act.kind in ("added", "combined") or (act.kind == "built" and act.time_s > min(built))
    ]
    if again:
        since = max(again)
        acts = tuple(act for act in log.acts if act.time_s >= since)
        log = Log(log.readings.keep(np.asarray(log.readings.time_s >= since)), acts, log.clock)
    read = log.readings
    if len(read.time_s) == 0:
        return log
    depth = np.full(len(read.time_s), np.nan) if read.depth_cm is None else read.depth_cm
    hour = _wall_s(log) // HOUR_S
    order = np.lexsort((read.temp_c, depth, read.point, hour))
    same = np.zeros(len(order), dtype=bool)
    here, before = order[1:], order[:-1]
    alike = (depth[here] == depth[before]) | (np.isnan(depth[here]) & np.isnan(depth[before]))
    same[1:] = (hour[here] == hour[before]) & (read.point[here] == read.point[before]) & alike
    kept = np.sort(order[~same])
    return Log(
        Readings(
            read.time_s[kept], read.point[kept], read.temp_c[kept],
            None if read.depth_cm is None else read.depth_cm[kept], read.points,
        ),
        log.acts,
        log.clock,
    )  # fmt: skip


def _wall_s(log: Log) -> Ints:
    """Return the times of the readings on the site's wall clock."""
    times, clock = np.asarray(log.readings.time_s, dtype=np.int64), log.clock
    place = np.maximum(np.searchsorted(clock.starts_s, times, side="right") - 1, 0)
    wall: Ints = times + np.asarray(clock.offsets_s, dtype=np.int64)[place]
    return wall


def met_days(
    proving: Proving, hours: Array, core_c: Array, shell_c: Array, turns: Sequence[float]
) -> Array:
    """Return the calendar day on which each member meets the rule, days after the first reading.

    Parameters
    ----------
    proving : Proving
    hours : array, shape (times,)
        Since building.
    core_c, shell_c : array, shape (times, members)
    turns : sequence of float
        Hours of the turnings to come.

    Returns
    -------
    array, shape (members,)
        0 is the day of the first reading to come; infinite where the rule is not met in time.
    """
    read = proving.log.readings
    points = tuple(dict.fromkeys((*read.points, *(one.name for one in proving.points))))
    number = [points.index(one.name) for one in proving.points]
    at = np.asarray(proving.hours)
    time_s = proving.built_s + np.round(at * HOUR_S).astype(np.int64)
    core, shell = (read_at(at, hours, values, turns) for values in (core_c, shell_c))
    temps = np.stack([one.core * core + (1.0 - one.core) * shell for one in proving.points], axis=1)
    acts = (
        *proving.log.acts,
        *(Act(proving.built_s + round(hour * HOUR_S), "turned") for hour in turns),
    )
    frame = _Frame(
        proving,
        points,
        np.repeat(time_s, len(number)),
        np.tile(np.asarray(number, dtype=np.int64), len(at)),
        tuple(sorted(acts, key=lambda act: act.time_s)),
        proving.log.clock.day(int(time_s[0])),
    )
    limits = _limits(proving)
    known: dict[bytes, float] = {}
    met = np.empty(core_c.shape[1])
    for member in range(len(met)):
        shown = temps[:, :, member].ravel()
        # members whose readings lie on the same side of every limit are judged alike
        key = np.digitize(shown, limits).astype(np.int8).tobytes()
        if key not in known:
            known[key] = frame.met_day(shown)
        met[member] = known[key]
    return met


def days_between(proving: Proving, hour: float, other: float) -> int:
    """Return the calendar days from one hour since building to another."""
    first, last = (
        proving.log.clock.day(proving.built_s + round(one * HOUR_S)) for one in (hour, other)
    )
    return last - first


def read_at(at: Array, hours: Array, values: Array, turns: Sequence[float]) -> Array:
    """Return what is read at some hours, (readings, members), straight between the outputs.

    Where the heap is turned between two outputs, a reading until then shows the output before,
    a later one the output after.
    """
    right = np.clip(np.searchsorted(hours, at), 1, len(hours) - 1)
    left = right - 1
    share = np.clip((at - hours[left]) / (hours[right] - hours[left]), 0.0, 1.0)
    acts = np.asarray(turns, dtype=float)
    for i, hour in enumerate(at):
        between = acts[(acts > hours[left[i]]) & (acts <= hours[right[i]])]
        if len(between):
            share[i] = float(hour > between.max())
    found: Array = (1.0 - share)[:, None] * values[left] + share[:, None] * values[right]
    return found


def chance_by_day(met: Array, days: int) -> tuple[float, ...]:
    """Return the share of members that meet the rule by the end of each day, day 0 the first."""
    return tuple(float((met <= day).mean()) for day in range(days))


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """All of a log to come but its temperatures."""

    proving: Proving
    points: tuple[str, ...]
    time_s: Ints
    point: Ints
    acts: tuple[Act, ...]
    first_day: int

    def met_day(self, temps: Array) -> float:
        """Return the day on which the log with these temperatures meets the rule."""
        read = self.proving.log.readings
        old = len(read.time_s)
        depths = None
        told = {one.name: one.depth_cm for one in self.proving.points}
        if read.depth_cm is not None or any(depth is not None for depth in told.values()):
            deep = [told.get(name) for name in self.points]
            ahead = np.array([np.nan if one is None else one for one in deep])[self.point]
            before = np.full(old, np.nan) if read.depth_cm is None else read.depth_cm
            depths = np.concatenate([before, ahead])
        log = Log(
            Readings(
                np.concatenate([read.time_s, self.time_s]),
                np.concatenate([read.point, self.point]),
                np.concatenate([read.temp_c, temps]),
                depths,
                self.points,
            ),
            self.acts,
            self.proving.log.clock,
        )
        met = self._met_date(log)
        if met is None:
            return float("inf")
        return float(max(met.toordinal() - EPOCH_ORDINAL - self.first_day, 0))

    def _met_date(self, log: Log) -> date | None:
        """Return the date on which a log meets the rule: the verdict of the evaluator alone,
        without all that it says beside it."""
        rule, stated, terms = self.proving.rule, self.proving.stated, self.proving.terms
        kept, ends, _notes = chosen(log, stated)
        band = band_of(rule)
        periods, _more = periods_of(kept, ends, stated, terms, () if band is None else (band,))
        if not periods:
            return None
        current = Assessment(rule, periods[-1], stated, terms)
        if current.contradicted or current.missing_statements:
            return None
        return current.met_date()


def _limits(proving: Proving) -> Array:
    """Return every temperature that the judging compares with, in order."""
    rule, error_c = proving.rule, proving.stated.probe_error_c
    asked = [rule.min_temp_c, rule.max_temp_c, rule.peak_temp_c, proving.terms.cooled_temp_c]
    known = [one for one in asked if one is not None]
    return np.unique([side for one in known for side in (one - error_c, one, one + error_c)])
