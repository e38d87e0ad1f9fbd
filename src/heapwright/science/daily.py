"""From readings to days: the site's clock, and what each point showed on each calendar day.

Times are whole seconds that count on evenly; a :class:`Clock` says how far the site's wall
clock is from them, so that a day is the site's own, be it 23, 24 or 25 hours long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Literal

import numpy as np
import numpy.typing as npt

Event = Literal["built", "added", "turned", "moved", "combined", "covered"]
Band = tuple[float, float]
Floats = npt.NDArray[np.floating]
Ints = npt.NDArray[np.integer]
Bools = npt.NDArray[np.bool_]

DAY_S = 86_400
HOUR_S = 3_600
EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
_CHUNK = 1_000_000


@dataclass(frozen=True, slots=True)
class Clock:
    """The site's wall clock: ``offsets_s[i]`` is added from ``starts_s[i]`` on.

    The first offset also holds before its start. The default leaves times as they are.
    """

    starts_s: tuple[int, ...] = (0,)
    offsets_s: tuple[int, ...] = (0,)

    def offset_s(self, time_s: int) -> int:
        """Return the seconds that the wall clock is ahead at ``time_s``."""
        found = self.offsets_s[0]
        for start, offset in zip(self.starts_s, self.offsets_s, strict=True):
            if time_s >= start:
                found = offset
        return found

    def day(self, time_s: int) -> int:
        """Return the calendar day, counted from 1 January 1970, on the wall clock."""
        return (time_s + self.offset_s(time_s)) // DAY_S

    def wall(self, time_s: int) -> datetime:
        """Return the wall clock as a naive datetime."""
        return datetime(1970, 1, 1) + timedelta(seconds=int(time_s + self.offset_s(int(time_s))))

    def day_starts(self, first_day: int, days: int) -> Ints:
        """Return the times at which ``days`` days from ``first_day`` begin, and the last ends.

        Where the clock jumps over midnight, the day begins at the jump.

        Returns
        -------
        array of int64, shape (days + 1,)
        """
        midnight = (first_day + np.arange(days + 1, dtype=np.int64)) * DAY_S
        starts = midnight - self.offsets_s[0]
        for i in range(1, len(self.starts_s)):
            change, offset, before = self.starts_s[i], self.offsets_s[i], self.offsets_s[i - 1]
            here = midnight - offset
            starts = np.where(here >= change, here, starts)
            jumped = (here < change) & (change + before < midnight)
            starts = np.where(jumped, change, starts)
        return starts


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of a pile, in order of time.

    Attributes
    ----------
    time_s : array of int64, shape (n,)
    point : array of integers, shape (n,)
        Index into ``points``.
    temp_c : array of floats, shape (n,)
    depth_cm : array of floats, shape (n,), optional
        NaN where the depth is not stated; None when it never is.
    points : tuple of str
        The names of the points.
    """

    time_s: Ints
    point: Ints
    temp_c: Floats
    depth_cm: Floats | None
    points: tuple[str, ...]

    def slice(self, start: int, stop: int) -> Readings:
        """Return the readings from position ``start`` up to ``stop``, without a copy."""
        return Readings(
            self.time_s[start:stop],
            self.point[start:stop],
            self.temp_c[start:stop],
            None if self.depth_cm is None else self.depth_cm[start:stop],
            self.points,
        )

    def keep(self, chosen: Bools) -> Readings:
        """Return the readings for which ``chosen`` is true."""
        return Readings(
            self.time_s[chosen],
            self.point[chosen],
            self.temp_c[chosen],
            None if self.depth_cm is None else self.depth_cm[chosen],
            self.points,
        )

    def ordered(self) -> Readings:
        """Return the readings in order of time (themselves, when they are already)."""
        if bool(np.all(self.time_s[1:] >= self.time_s[:-1])):
            return self
        order = np.argsort(self.time_s, kind="stable")
        return Readings(
            self.time_s[order],
            self.point[order],
            self.temp_c[order],
            None if self.depth_cm is None else self.depth_cm[order],
            self.points,
        )


@dataclass(frozen=True, slots=True)
class Act:
    """Something done to the pile."""

    time_s: int
    kind: Event


@dataclass(frozen=True, slots=True)
class Log:
    """The log of one pile: its readings, what was done to it, and the site's clock."""

    readings: Readings
    acts: tuple[Act, ...] = ()
    clock: Clock = field(default_factory=Clock)


@dataclass(frozen=True, slots=True)
class DayTable:
    """What each point showed on each day; arrays of shape (days, points).

    ``lowest`` and ``highest`` are NaN where a point was not read; ``hours_read`` counts the
    different hours of the day with a reading, ``hours_in_band`` those with one in a band of
    depths. ``starts_s`` has one entry more than there are days, ``hours`` the length of each
    day in hours, ``first_s`` the first reading of each day (or the day's end).
    """

    first_day: int
    starts_s: Ints
    hours: Ints
    count: Ints
    lowest: Floats
    highest: Floats
    total: Floats
    hours_read: Ints
    hours_in_band: Mapping[Band, Ints]
    first_s: Ints

    @property
    def days(self) -> int:
        """The number of days."""
        return len(self.hours)

    def date(self, index: int) -> date:
        """Return the calendar date of a day."""
        return date.fromordinal(EPOCH_ORDINAL + self.first_day + index)

    def index_of(self, time_s: int) -> int:
        """Return the index of the day that holds ``time_s``."""
        return int(np.searchsorted(self.starts_s, time_s, side="right")) - 1


def summarise(
    readings: Readings,
    clock: Clock,
    *,
    first_day: int,
    last_day: int,
    bands: tuple[Band, ...] = (),
) -> DayTable:
    """Reduce readings to days, point by point.

    Parameters
    ----------
    readings : Readings
        In order of time.
    clock : Clock
        The site's.
    first_day, last_day : int
        Days since 1 January 1970, both included; readings outside are left out.
    bands : tuple of (float, float)
        Bands of depth in cm, ends included, to count readings in.

    Returns
    -------
    DayTable
    """
    days = last_day - first_day + 1
    shape = (days, len(readings.points))
    starts = clock.day_starts(first_day, days)
    hours = -(-np.diff(starts) // HOUR_S)
    count = np.zeros(shape, dtype=np.int64)
    hours_read = np.zeros(shape, dtype=np.int64)
    lowest = np.full(shape, np.nan)
    highest = np.full(shape, np.nan)
    total = np.zeros(shape)
    in_band = {band: np.zeros(shape, dtype=np.int64) for band in bands}
    place = np.searchsorted(readings.time_s, starts)
    first_s = starts[1:].copy()
    some = np.flatnonzero(np.diff(place))
    first_s[some] = readings.time_s[place[some]]

    for low, high in _chunks(place):
        a, b = int(place[low]), int(place[high])
        if a == b:
            continue
        hour_day = np.repeat(np.arange(low, high), hours[low:high])
        first_hour = np.cumsum(hours[low:high]) - hours[low:high]
        within = np.arange(len(hour_day)) - np.repeat(first_hour, hours[low:high])
        edges = starts[hour_day] + within * HOUR_S
        ends = np.append(np.searchsorted(readings.time_s[a:b], edges[1:]), b - a)
        hour = np.repeat(np.arange(len(edges), dtype=np.int32), np.diff(ends, prepend=0))
        point, temp = readings.point[a:b], readings.temp_c[a:b]
        depth = None if readings.depth_cm is None else readings.depth_cm[a:b]
        if shape[1] > 1:
            order = np.argsort(point, kind="stable")
            point, temp, hour = point[order], temp[order], hour[order]
            depth = None if depth is None else depth[order]
        # First by point and hour, then by point and day.
        cut = _cuts(point, hour)
        point_h, day_h = point[cut], hour_day[hour[cut]]
        cut_d = _cuts(point_h, day_h)
        cell = (day_h[cut_d], point_h[cut_d])
        hours_read[cell] = np.diff(cut_d, append=len(cut))
        count[cell] = np.add.reduceat(np.diff(cut, append=b - a), cut_d)
        lowest[cell] = np.minimum.reduceat(np.minimum.reduceat(temp, cut), cut_d)
        highest[cell] = np.maximum.reduceat(np.maximum.reduceat(temp, cut), cut_d)
        total[cell] = np.add.reduceat(np.add.reduceat(temp, cut, dtype=np.float64), cut_d)
        if depth is not None:
            for band, table in in_band.items():
                inside = depth_in(depth, band)
                some_inside = np.logical_or.reduceat(inside, cut)
                table[cell] = np.add.reduceat(some_inside.astype(np.int64), cut_d)
    return DayTable(
        first_day, starts, hours, count, lowest, highest, total, hours_read, in_band, first_s
    )


def depth_in(depth_cm: Floats, band: Band) -> Bools:
    """Return which depths lie in a band, ends included; NaN does not.

    Inches are turned to centimetres in floating point, so the ends give way by a nanometre.
    """
    inside: Bools = (depth_cm >= band[0] - 1e-7) & (depth_cm <= band[1] + 1e-7)
    return inside


def _cuts(first: Ints, second: Ints) -> Ints:
    """Return where a new pair begins."""
    changes = (first[1:] != first[:-1]) | (second[1:] != second[:-1])
    return np.append(0, np.flatnonzero(changes) + 1)


def _chunks(place: Ints) -> list[tuple[int, int]]:
    """Return spans of whole days, each of about a million readings."""
    days = len(place) - 1
    found = []
    low = 0
    while low < days:
        high = int(np.searchsorted(place, place[low] + _CHUNK, side="right")) - 1
        high = min(max(high, low + 1), days)
        found.append((low, high))
        low = high
    return found


def held_spans(
    time_s: Ints, hot: Bools, max_gap_s: float, *, fill: bool = False
) -> tuple[Ints, Ints]:
    """Return the spans over which a point is shown to have stayed hot.

    Two successive readings join when both are hot and lie at most ``max_gap_s`` apart. With
    ``fill``, a longer time without a reading counts as hot when either end is: what could
    have been, had it been read.

    Returns
    -------
    (starts, ends) : arrays of int64 seconds
    """
    step = np.diff(time_s)
    both = hot[1:] & hot[:-1]
    joined = (
        both | ((step > max_gap_s) & (hot[1:] | hot[:-1])) if fill else both & (step <= max_gap_s)
    )
    edge = np.diff(np.concatenate(([0], joined.astype(np.int8), [0])))
    return time_s[np.flatnonzero(edge == 1)], time_s[np.flatnonzero(edge == -1)]
