"""Hourly weather made from what is known of it: hours, days, and a typical year for the rest.

Weather is known in stretches, each from an origin with a rank (0 is the best). For every hour
and quantity the best origin that covers it is taken; within one origin a short stretch beats a
day. Times are hours since the start of the hourly grid.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from heapwright.science import air
from heapwright.science.pile_weather import Weather, humidity_from_percent

Array = npt.NDArray[np.float64]
Ranks = npt.NDArray[np.int8]
Quantity = Literal["temp", "rain", "humidity", "wind"]
QUANTITIES: Final[tuple[Quantity, ...]] = ("temp", "rain", "humidity", "wind")

DAY_FROM_H: Final = 20.0
"""A stretch this long tells of a day: its temperature is a mean, not that of its start."""

_JOINED_H: Final = 0.01
_NEAR_H: Final = 1e-9
_NONE: Final = 99


@dataclass(frozen=True, slots=True)
class DayCurve:
    """The clock hours at which a day is coldest and warmest, the coldest first."""

    coldest_h: float
    warmest_h: float


@dataclass(frozen=True, slots=True)
class TypicalMonth:
    """The means of a month: °C, mm in the whole month, m/s.

    ``dew_below_min_c`` is how far the dew point lies below the night's lowest temperature
    (FAO-56, chapter 3: nothing in humid climates, 2 to 3 °C in dry ones).
    """

    temp_min_c: float
    temp_max_c: float
    rain_mm: float
    wind_m_s: float
    dew_below_min_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """The weather from ``start_h`` to ``end_h``; None is not known.

    ``temp_c`` is the mean of a day, or the temperature at the start of a shorter stretch;
    ``rain_mm`` fell in the whole of it.
    """

    start_h: float
    end_h: float
    rank: int
    temp_c: float | None = None
    temp_min_c: float | None = None
    temp_max_c: float | None = None
    rain_mm: float | None = None
    humidity_pct: float | None = None
    wind_m_s: float | None = None

    @property
    def is_day(self) -> bool:
        """Whether it tells of a day."""
        return self.end_h - self.start_h >= DAY_FROM_H


@dataclass(frozen=True, slots=True)
class SiteDay:
    """A calendar day of the site on the grid, and what is typical of it (rain of the day)."""

    start_h: float
    end_h: float
    typical: TypicalMonth
    rain_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class HourlyWeather:
    """Weather at the hours 0, 1, … with the rank of the origin of each figure.

    ``rain_mm_h`` is even within each hour. ``rank`` holds one array a quantity; humidity that
    follows from the night's lowest temperature has the rank of that temperature.
    """

    temp_c: Array
    humidity: Array
    wind_m_s: Array
    rain_mm_h: Array
    rank: dict[Quantity, Ranks]

    def weather(self, ground_c: float, shelter: float) -> Weather:
        """Return it as the pile model takes it."""
        return Weather(
            temp_c=self.temp_c,
            humidity=self.humidity,
            wind_m_s=self.wind_m_s,
            rain_mm_h=self.rain_mm_h,
            ground_c=ground_c,
            shelter=shelter,
        )


def hourly(
    stretches: Iterable[Stretch],
    days: Sequence[SiteDay],
    count: int,
    curve: DayCurve,
    *,
    typical_rank: int,
) -> HourlyWeather:
    """Return ``count`` hours of weather, nothing left blank.

    Parameters
    ----------
    stretches : iterable of Stretch
        What is known, in any order.
    days : sequence of SiteDay
        The site's calendar days, one after the other, that cover the whole grid and a day
        more at both ends.
    count : int
        Hours of the grid.
    curve : DayCurve
    typical_rank : int
        The rank of what the typical year gives; above that of every stretch.

    Raises
    ------
    ValueError
        If the days do not cover the grid.
    """
    if not days or days[0].end_h > 0.0 or days[-1].start_h < count - 1:
        raise ValueError("the days do not cover the hours that are asked for")
    known = list(stretches)
    short = [one for one in known if not one.is_day]
    long = [one for one in known if one.is_day]
    clock = np.arange(count, dtype=float)
    by_day = _match_days(long, days)
    chosen = [_day_temps(day, own, typical_rank) for day, own in zip(days, by_day, strict=True)]
    temp = _curve(days, chosen, curve, clock)
    day_of = np.clip(
        np.searchsorted([day.start_h for day in days], clock, side="right") - 1, 0, len(days) - 1
    )
    temp_rank = np.array([one.rank for one in chosen], np.int8)[day_of]
    _overlay(temp, temp_rank, short, "temp_c", clock)

    dew = np.array([one.dew_c for one in chosen])[day_of]
    humidity = np.asarray(air.saturated_humidity(dew), dtype=float)
    wet_rank = temp_rank.copy()
    percent = np.full(count, np.nan)
    percent_rank = np.full(count, _NONE, np.int8)
    _fill_days(percent, percent_rank, long, "humidity_pct", clock)
    _overlay(percent, percent_rank, short, "humidity_pct", clock)
    stated = ~np.isnan(percent)
    humidity[stated] = humidity_from_percent(temp[stated], percent[stated])
    wet_rank[stated] = percent_rank[stated]
    np.minimum(humidity, air.saturated_humidity(temp), out=humidity)

    wind = np.array([day.typical.wind_m_s for day in days])[day_of]
    wind_rank = np.full(count, typical_rank, np.int8)
    _fill_days(wind, wind_rank, long, "wind_m_s", clock)
    _overlay(wind, wind_rank, short, "wind_m_s", clock)

    rain = np.array([day.rain_mm / (day.end_h - day.start_h) for day in days])[day_of]
    rain_rank = np.full(count, typical_rank, np.int8)
    for rank in sorted({one.rank for one in known}, reverse=True):
        for group in (long, short):
            _put_rain(rain, rain_rank, [one for one in group if one.rank == rank], rank)
    return HourlyWeather(
        temp, humidity, wind, rain,
        {"temp": temp_rank, "rain": rain_rank, "humidity": wet_rank, "wind": wind_rank},
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _DayTemps:
    low_c: float
    high_c: float
    dew_c: float
    rank: int


def _match_days(long: Sequence[Stretch], days: Sequence[SiteDay]) -> list[list[Stretch]]:
    """Return the daily stretches by the day in which their middle lies, the best first."""
    starts = [day.start_h for day in days]
    found: list[list[Stretch]] = [[] for _ in days]
    for one in sorted(long, key=lambda one: (one.rank, one.end_h - one.start_h)):
        index = int(np.searchsorted(starts, (one.start_h + one.end_h) / 2.0, side="right")) - 1
        if 0 <= index < len(days) and (one.start_h + one.end_h) / 2.0 < days[index].end_h:
            found[index].append(one)
    return found


def _day_temps(day: SiteDay, own: Sequence[Stretch], typical_rank: int) -> _DayTemps:
    """Return the lowest and highest of a day: the best that is known of each.

    Where only one of lowest, highest and mean is known, the span of a worse origin, in the end
    the typical one, gives the rest.
    """
    month = day.typical
    span = month.temp_max_c - month.temp_min_c
    for one in reversed(own):
        if one.temp_min_c is not None and one.temp_max_c is not None:
            span = one.temp_max_c - one.temp_min_c
    for one in own:
        low, high, mean = one.temp_min_c, one.temp_max_c, one.temp_c
        if low is None and high is None and mean is None:
            continue
        if low is None and high is None:
            assert mean is not None
            low, high = mean - span / 2.0, mean + span / 2.0
        elif low is None:
            assert high is not None
            low = high - span if mean is None else min(2.0 * mean - high, high)
        elif high is None:
            high = low + span if mean is None else max(2.0 * mean - low, low)
        return _DayTemps(low, high, low - month.dew_below_min_c, one.rank)
    return _DayTemps(
        month.temp_min_c, month.temp_max_c, month.temp_min_c - month.dew_below_min_c, typical_rank
    )


def _curve(
    days: Sequence[SiteDay], temps: Sequence[_DayTemps], curve: DayCurve, clock: Array
) -> Array:
    """Return temperatures that pass through each day's extremes, half a cosine between them."""
    at, value = [], []
    for day, one in zip(days, temps, strict=True):
        at += [day.start_h + curve.coldest_h, day.start_h + curve.warmest_h]
        value += [one.low_c, one.high_c]
    hours, degrees = np.array(at), np.array(value)
    left = np.clip(np.searchsorted(hours, clock, side="right") - 1, 0, len(hours) - 2)
    share = np.clip((clock - hours[left]) / (hours[left + 1] - hours[left]), 0.0, 1.0)
    rise = 0.5 - 0.5 * np.cos(np.pi * share)
    found: Array = degrees[left] + rise * (degrees[left + 1] - degrees[left])
    return found


def _fill_days(
    values: Array, ranks: Ranks, long: Sequence[Stretch], name: str, clock: Array
) -> None:
    """Put a day's figure into its hours where it is of a better origin."""
    for one in sorted(long, key=lambda one: one.rank, reverse=True):
        figure = getattr(one, name)
        if figure is None:
            continue
        here = (clock >= one.start_h) & (clock < one.end_h) & (ranks >= one.rank)
        values[here], ranks[here] = figure, one.rank


def _overlay(
    values: Array, ranks: Ranks, short: Sequence[Stretch], name: str, clock: Array
) -> None:
    """Put figures of short stretches where no better origin is: straight between joined ones.

    Within one origin the shorter stretch holds.
    """
    for rank in sorted({one.rank for one in short}, reverse=True):
        rows = [one for one in short if one.rank == rank and getattr(one, name) is not None]
        if not rows:
            continue
        rows.sort(key=lambda one: (one.start_h, one.end_h))
        starts = np.array([one.start_h for one in rows])
        ends = np.array([one.end_h for one in rows])
        figures = np.array([float(getattr(one, name)) for one in rows])
        after = np.minimum(np.searchsorted(starts, ends - _JOINED_H), len(rows) - 1)
        joined = np.abs(starts[after] - ends) < _JOINED_H
        rise = np.where(joined, figures[after] - figures, 0.0) / (ends - starts)
        lasts = np.round(ends - starts, 2)
        for length in np.unique(lasts)[::-1]:
            group = np.flatnonzero(lasts == length)
            found = np.searchsorted(starts[group], clock + _NEAR_H, side="right") - 1
            which = group[np.maximum(found, 0)]
            here = (found >= 0) & (clock < ends[which] - _NEAR_H) & (ranks >= rank)
            which = which[here]
            values[here] = figures[which] + rise[which] * (clock[here] - starts[which])
            ranks[here] = rank


def _put_rain(rain: Array, ranks: Ranks, rows: Sequence[Stretch], rank: int) -> None:
    """Put the rain of the stretches into the hours that they cover for the greater part."""
    count = len(rain)
    edges, fallen, covered = [0.0], [0.0], [0.0]
    for one in sorted(
        (one for one in rows if one.rain_mm is not None and one.end_h > 0.0),
        key=lambda one: (one.start_h, one.end_h),
    ):
        amount = one.rain_mm or 0.0
        start = one.start_h
        if start < 0.0:
            amount *= one.end_h / (one.end_h - start)
            start = 0.0
        if start < edges[-1] - 1e-9:  # tells again of a time that an earlier row told of
            continue
        if start > edges[-1]:
            edges.append(start)
            fallen.append(fallen[-1])
            covered.append(covered[-1])
        edges.append(one.end_h)
        fallen.append(fallen[-1] + amount)
        covered.append(covered[-1] + one.end_h - start)
    if len(edges) == 1:
        return
    bounds = np.arange(count + 1, dtype=float)
    rain_of = np.diff(np.interp(bounds, edges, fallen))
    share = np.diff(np.interp(bounds, edges, covered))
    here = (share >= 0.5) & (ranks >= rank)
    rain[here] = rain_of[here] / share[here]
    ranks[here] = rank
