"""The invented weather: mild and wet from autumn to spring, and one month that never dried."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random
from typing import Final

WET_DAYS: Final = 30
WET_STARTS: Final = ((10, 25), (3, 20))
"""When a wet month may begin; the first that lies well within the year is taken."""

CLOSURES: Final = (((12, 24), 9), ((7, 1), 7))
"""When the yard is closed: first day, number of days."""

WITHIN: Final = (45, 300)
"""The days of the story, counted from its first, in which its troubles lie."""


@dataclass(frozen=True, slots=True)
class Day:
    """The weather of a day: °C, and the rain in the gauge, mm."""

    low_c: float
    high_c: float
    rain_mm: float

    @property
    def mean_c(self) -> float:
        """Mean of the lowest and the highest."""
        return (self.low_c + self.high_c) / 2.0


def _on(first: date, month: int, day: int) -> date:
    """Return that day of the year, the first such on or after ``first``."""
    this_year = date(first.year, month, day)
    return this_year if this_year >= first else date(first.year + 1, month, day)


def wet_month(first: date) -> tuple[date, date]:
    """Return the wet month of the year that begins on ``first``: its first and last day."""
    for month, day in WET_STARTS:
        begins = _on(first, month, day)
        if WITHIN[0] <= (begins - first).days <= WITHIN[1] - WET_DAYS:
            return begins, begins + timedelta(days=WET_DAYS - 1)
    raise AssertionError("the two starts are half a year apart; one lies within")


def closures(first: date) -> list[tuple[date, date]]:
    """Return the closures of the year that begins on ``first``: first and last days."""
    found = []
    for (month, day), length in CLOSURES:
        begins = _on(first, month, day)
        if WITHIN[0] <= (begins - first).days <= WITHIN[1]:
            found.append((begins, begins + timedelta(days=length - 1)))
    return found


def weather(day: date, rng: Random, *, wet: bool) -> Day:
    """Return the weather of a day, drawn anew at each call."""
    season = math.cos(2 * math.pi * (day.timetuple().tm_yday - 205) / 365.25)  # 1 in late July
    mean_c = 11.5 + 7.0 * season + rng.gauss(0.0, 2.2)
    swing_c = max(2.0, 5.0 + 2.5 * season + rng.gauss(0.0, 1.0))
    chance, depth_mm = 0.34 - 0.24 * season, 5.5 - 2.5 * season
    if wet:
        chance, depth_mm, swing_c = 0.88, 13.0, swing_c * 0.6
    rain_mm = rng.expovariate(1.0 / depth_mm) if rng.random() < chance else 0.0
    return Day(round(mean_c - swing_c, 1), round(mean_c + swing_c, 1), round(min(rain_mm, 70.0), 1))


def told(first: date, seed: int = 1) -> Iterator[tuple[date, Day]]:
    """Yield the days of the story that begins on ``first`` with their weather, without end.

    The same draws as the planner's: what a station nearby measured each day, and what will
    come.
    """
    sky = Random(f"sky/{seed}/{first}")
    weather(first, sky, wet=False)  # the day before the story, as the planner draws it
    begins, ends = wet_month(first)
    day = first
    while True:
        yield day, weather(day, sky, wet=begins <= day <= ends)
        day += timedelta(days=1)
