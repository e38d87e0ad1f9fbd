"""One ensemble done two ways: what is seen of it from now on, member by member.

Members of two ways are pairs: what differs is due to the act alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from heapwright.science.assimilate import COARSE_C, Assimilated, continued
from heapwright.science.pile import HOT_C, Run, days_above
from heapwright.science.pile_events import Event
from heapwright.science.pile_forecast import QUANTILES, Act, Band, band

Array = npt.NDArray[np.float64]
WayName = Literal["left", "done", "later"]
Figure = Literal["core_c", "peak_c", "hot_days", "oxygen_pct", "moisture_pct", "leachate_l"]
Runner = Callable[[Sequence[Act], Sequence[Event]], "Seen"]
"""Runs the ensemble on with some acts and events, and returns what is seen from now on."""

JUST_AFTER_H: Final = 0.01
DRAWN_EVERY: Final = 2
"""A way is told at every so many outputs: finer, a chart does not show it."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What is seen of an ensemble from now on: ``hours`` (times,) since building, the others
    (times, members).

    ``drained_kg`` (members,) is what ran out until the end. The first time is now, after what
    is done now.
    """

    hours: Array
    core_c: Array
    shell_c: Array
    moisture_pct: Array
    oxygen_pct: Array
    air_space: Array
    volume_m3: Array
    dry_kg: Array
    water_kg: Array
    drained_kg: Array

    def until(self, days: float) -> slice:
        """Return the outputs of the first days."""
        return slice(0, int(np.searchsorted(self.hours, self.hours[0] + 24.0 * days + 1e-6)))

    def at(self, days: float) -> int:
        """Return the output nearest to so many days from now."""
        return int(np.abs(self.hours - self.hours[0] - 24.0 * days).argmin())

    def figure(self, name: Figure, days: float) -> Array:
        """Return a figure over the first days, (members,).

        The mean and the highest of the core, its days at or above 55 °C, the lowest oxygen,
        the moisture at the end of these days; what drains counts over all of the time.
        """
        span = self.until(days)
        if name == "leachate_l":
            return self.drained_kg
        if name == "hot_days":
            return days_above(self.hours[span], self.core_c[span], HOT_C)
        if name == "moisture_pct":
            end: Array = self.moisture_pct[self.at(days)]
            return end
        found: Array
        if name == "oxygen_pct":
            found = self.oxygen_pct[span].min(axis=0)
        elif name == "peak_c":
            found = self.core_c[span].max(axis=0)
        else:
            found = self.core_c[span].mean(axis=0)
        return found


@dataclass(frozen=True, slots=True)
class Spread:
    """The 5th, 50th and 95th percentile of a figure over the members."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class Compared:
    """A figure over so many days: if it is left, if it is done, and the paired difference.

    ``better`` is the share of members in which doing it gives more.
    """

    figure: Figure
    days: float
    left: Spread
    done: Spread
    gain: Spread
    better: float


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """What happens if it is left, done, or done later, as bands at ``hours`` since building.

    ``met_by`` is the chance that the rule is met by the end of each coming day, today the
    first; empty where no chance is told.
    """

    name: WayName
    hours: Array
    core_c: Band
    moisture_pct: Band
    oxygen_pct: Band
    met_by: tuple[float, ...] = ()


def spread(values: Array) -> Spread:
    """Return the spread of a figure, (members,)."""
    return Spread(*(float(one) for one in np.quantile(values, QUANTILES)))


def compared(figure: Figure, days: float, left: Seen, done: Seen) -> Compared:
    """Return a figure of two ways of one ensemble."""
    return paired(figure, days, left.figure(figure, days), done.figure(figure, days))


def paired(figure: Figure, days: float, one: Array, other: Array) -> Compared:
    """Return a figure of the members of two ways, (members,) each: left and done."""
    return Compared(
        figure, days, spread(one), spread(other), spread(other - one), float((other > one).mean())
    )


def way(name: WayName, seen: Seen, met_by: tuple[float, ...] = ()) -> Way:
    """Return a way as bands."""
    chosen = slice(None, None, DRAWN_EVERY)
    return Way(
        name,
        seen.hours[chosen],
        band(seen.core_c[chosen]),
        band(seen.moisture_pct[chosen]),
        band(seen.oxygen_pct[chosen]),
        met_by,
    )


def two_ways(left: Seen, done: Seen) -> tuple[Way, Way]:
    """Return as bands what happens if it is left and if it is done."""
    return way("left", left), way("done", done)


def seen_from(run: Run, hour: float, drained_before_kg: Array | float = 0.0) -> Seen:
    """Return what a run shows from an hour on (the first output then or later)."""
    first = min(int(np.searchsorted(run.hours, hour - 1e-6)), len(run.hours) - 2)
    span = slice(first, None)
    return Seen(
        hours=run.hours[span],
        core_c=run.core_temp_c[span],
        shell_c=run.shell_temp_c[span],
        moisture_pct=100.0 * run.moisture[span],
        oxygen_pct=run.oxygen_pct[span],
        air_space=run.air_space[span],
        volume_m3=run.volume_m3[span],
        dry_kg=run.dry_mass_kg[span],
        water_kg=run.water_kg[span],
        drained_kg=run.totals["drained_kg"] - drained_before_kg,
    )


def act_hour(ensemble: Assimilated, now_hour: float) -> float:
    """Return the hour at which something is done now: after the last reading's output."""
    return max(now_hour, ensemble.now_hour + JUST_AFTER_H)


def standing(ensemble: Assimilated, done: Sequence[Act], now_hour: float) -> Run:
    """Return the run from the last reading until now, with all that was done."""
    return continued(ensemble, done, days=act_hour(ensemble, now_hour) / 24.0)


def runner(
    ensemble: Assimilated, done: Sequence[Act], now_hour: float, ahead_days: float
) -> Runner:
    """Return what runs an ensemble on, with all that was done to it until now.

    Parameters
    ----------
    ensemble : Assimilated
    done : sequence of Act
        All that was done up to ``now_hour``.
    now_hour : float
        Hours since building.
    ahead_days : float
        How far ahead; no further than the ensemble was foreseen.
    """
    hour = act_hour(ensemble, now_hour)
    before = standing(ensemble, done, now_hour).totals["drained_kg"]

    def run(acts: Sequence[Act], events: Sequence[Event]) -> Seen:
        found = continued(
            ensemble, (*done, *acts), events=events, days=hour / 24.0 + ahead_days,
            error_c=COARSE_C,
        )  # fmt: skip
        return seen_from(found, hour, before)

    return run
