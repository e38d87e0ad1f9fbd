"""The pile as physics: temperature, water, oxygen and mass over the coming weeks.

:func:`simulate` runs an ensemble of piles through weather and events and returns what is seen
from outside at regular times, with the balances of mass and energy. See ``docs/pile-model.md``
for the equations and how far they agree with published piles.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.pile_events import Event, apply
from heapwright.science.pile_layout import (
    FAST,
    HEAT,
    SLOW,
    TOTAL_NAMES,
    TOTALS,
    WATER,
    Diagnosis,
)
from heapwright.science.pile_parameters import Parameters
from heapwright.science.pile_rates import (
    diagnose,
)
from heapwright.science.pile_state import PileState, carbon_yield, coefficients
from heapwright.science.pile_steps import ERROR_C, advance
from heapwright.science.pile_weather import Weather

Array = npt.NDArray[np.float64]

OUTPUT_HOURS: Final = 3.0
HOT_C: Final = 55.0


@dataclass(frozen=True, slots=True)
class Balance:
    """How exactly the books close: the worst member's residual.

    Mass as a share of the start mass, energy as a share of the heat made (or of the heat that
    passed through, where no heat was made).
    """

    mass_residual: float
    energy_residual: float


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A simulated pile: arrays of shape (times, members) unless said otherwise.

    ``hours`` (times,) count from the start of the run's pile. Temperatures are the mean of each
    zone. ``totals`` are the running totals at the end by name, (members,). Where an event falls
    on an output time, the values are those just after it.
    """

    hours: Array
    core_temp_c: Array
    shell_temp_c: Array
    moisture: Array
    core_moisture: Array
    oxygen_pct: Array
    air_space: Array
    volume_m3: Array
    dry_mass_kg: Array
    water_kg: Array
    nitrogen_kg: Array
    nitrogen_lost_kg: Array
    uptake_g_kg_vs_h: Array
    totals: dict[str, Array]
    balance: Balance
    end: PileState

    @property
    def wet_mass_kg(self) -> Array:
        """Dry mass and water, kg."""
        return self.dry_mass_kg + self.water_kg

    @property
    def peak_core_c(self) -> Array:
        """Highest core temperature, (members,)."""
        peak: Array = self.core_temp_c.max(axis=0)
        return peak

    def days_at_or_above(self, temp_c: float = HOT_C) -> Array:
        """Return the days that the core stood at or above a temperature, (members,)."""
        return days_above(self.hours, self.core_temp_c, temp_c)

    def first_day_at(self, temp_c: float = HOT_C) -> Array:
        """Return the day on which the core first reached a temperature; infinite if never."""
        hot = self.core_temp_c >= temp_c
        first = hot.argmax(axis=0)
        day: Array = np.where(hot.any(axis=0), self.hours[first] / 24.0, np.inf)
        return day


def days_above(hours: Array, temp_c: Array, limit_c: float) -> Array:
    """Return the time at or above a limit, days, straight lines between the outputs."""
    low, high = temp_c[:-1], temp_c[1:]
    span = np.diff(hours)[:, None]
    gap = np.where(high == low, 1.0, high - low)
    crossing = np.clip((limit_c - low) / gap, 0.0, 1.0)
    rising = np.where(high > low, 1.0 - crossing, crossing)
    both = (low >= limit_c) & (high >= limit_c)
    neither = (low < limit_c) & (high < limit_c)
    share = np.where(both, 1.0, np.where(neither, 0.0, rising))
    days: Array = (share * span).sum(axis=0) / 24.0
    return days


def simulate(
    state: PileState,
    parameters: Parameters,
    weather: Weather,
    *,
    hours: float,
    events: Sequence[Event] = (),
    every_h: float = OUTPUT_HOURS,
    error_c: float = ERROR_C,
    progress: Callable[[float], None] | None = None,
) -> Run:
    """Run a pile forward.

    Parameters
    ----------
    state : PileState
        The pile as built (:func:`heapwright.science.pile_state.start`) or as a run left it.
    parameters : mapping of id to array (members,)
    weather : Weather
        Hourly from the moment of building, whatever ``state.hour`` is.
    hours : float
        How long to run.
    events : sequence of Event
        What is done to it, at hours since building; those outside of the run are an error.
    every_h : float
        Hours between outputs.
    error_c : float
        Limit of the estimated error of one step.
    progress : callable, optional
        Called with the share done at each output, 0 to 1.

    Raises
    ------
    InputError
        If an event falls outside of the run, or a length of time is not above zero.
    """
    if not (hours > 0.0 and every_h > 0.0):
        raise InputError("a forecast needs a length above zero")
    begin, finish = state.hour, state.hour + hours
    for event in events:
        if not begin <= event.hour <= finish:
            raise InputError(
                f"the act on day {event.hour / 24.0:g} lies outside of the forecast "
                f"(day {begin / 24.0:g} to {finish / 24.0:g})"
            )
    waiting = sorted(events, key=lambda event: event.hour)
    count = int(np.floor(hours / every_h + 1e-9))
    outputs = [begin + i * every_h for i in range(count + 1)]
    if finish - outputs[-1] > 1e-9:
        outputs.append(finish)
    first = state
    seen: list[Diagnosis] = []
    water_kg: list[Array] = []
    nitrogen_kg: list[Array] = []
    nitrogen_lost = np.zeros(state.members)
    c = coefficients(state, parameters)
    y = state.y.copy()
    now = begin
    for goal in outputs:
        while True:
            due = waiting[0].hour if waiting and waiting[0].hour <= goal + 1e-9 else None
            until = goal if due is None else max(due, now)
            if until - now > 1e-9:
                before = y
                y = advance(c, y, now, until, weather, error_c)
                nitrogen = lose_nitrogen(state, before, y, parameters)
                nitrogen_lost += state.nitrogen_kg - nitrogen
                state = replace(state, nitrogen_kg=nitrogen)
            now = until
            if due is None:
                break
            event = waiting.pop(0)
            here = weather.at(now, 0.0)
            state = apply(event, replace(state, y=y, hour=now), parameters, here)
            c = coefficients(state, parameters)
            y = state.y
        if progress is not None:
            progress((now - begin) / hours)
        seen.append(diagnose(c, y, weather.at(now, 0.0)))
        water_kg.append(y[WATER].sum(axis=0))
        nitrogen_kg.append(state.nitrogen_kg)
    end = replace(state, y=y, hour=now)
    core = np.array([one.temp_c[0] for one in seen])
    solids = np.array([one.solids_kg.sum(axis=0) for one in seen])
    water = np.array(water_kg)
    uptake = np.array([one.oxygen_uptake_kg_h.sum(axis=0) for one in seen])
    ash = end.ash_kg.sum(axis=0)
    return Run(
        hours=np.array(outputs),
        core_temp_c=core,
        shell_temp_c=np.array([one.temp_c[1] for one in seen]),
        moisture=water / (water + solids),
        core_moisture=np.array([one.moisture[0] for one in seen]),
        oxygen_pct=np.array([one.oxygen_pct[0] for one in seen]),
        air_space=np.array([one.air_space[0] for one in seen]),
        volume_m3=np.array([one.volume_m3 for one in seen]),
        dry_mass_kg=solids,
        water_kg=water,
        nitrogen_kg=np.array(nitrogen_kg),
        nitrogen_lost_kg=nitrogen_lost,
        uptake_g_kg_vs_h=1000.0 * uptake / np.maximum(solids - ash, 1e-9),
        totals=dict(zip(TOTAL_NAMES, y[TOTALS] - first.y[TOTALS], strict=True)),
        balance=balance(first, end, parameters),
        end=end,
    )


def lose_nitrogen(state: PileState, before: Array, after: Array, parameters: Parameters) -> Array:
    """Return the nitrogen left (kg) after a stretch in which solids degraded.

    Nitrogen is set free in proportion to the solids degraded; the share of it that escapes as
    ammonia falls with the C:N of what is left, one half at ``loss_cn``.
    """
    old = before[FAST] + before[SLOW]
    new = after[FAST] + after[SLOW]
    solids = (state.inert_kg + state.ash_kg + old).sum(axis=0)
    gone = (old - new).sum(axis=0)
    carbon = state.carbon_rest_kg + carbon_yield(parameters) * new.sum(axis=0)
    ratio = carbon / np.maximum(state.nitrogen_kg, 1e-9)
    exponent = (ratio - parameters["loss_cn"]) * parameters["loss_steepness"]
    escape = 1.0 / (1.0 + np.exp(np.minimum(exponent, 50.0)))
    left: Array = state.nitrogen_kg * np.exp(-escape * gone / solids)
    return left


def balance(first: PileState, last: PileState, parameters: Parameters) -> Balance:
    """Return how the books close between two states of one pile."""
    t = dict(zip(TOTAL_NAMES, last.y[TOTALS] - first.y[TOTALS], strict=True))
    before, after = first.booked, last.booked
    turn_heat = after.turn_heat_kj - before.turn_heat_kj
    turn_water = after.turn_water_kg - before.turn_water_kg
    pools = first.y[FAST] + first.y[SLOW]
    start_kg = (first.y[WATER] + first.solids_kg).sum(axis=0)
    # Solids gone by oxygen used, not by the pools themselves, so that the check can fail.
    gone = t["heat_made_kj"] / (parameters["o2_kg_kg"] * parameters["heat_kj_kg_o2"])
    solids = (
        (last.solids_kg - first.solids_kg).sum(axis=0)
        + gone
        - (after.solids_kg - before.solids_kg)
    )  # fmt: skip
    water = (
        (last.y[WATER] - first.y[WATER]).sum(axis=0)
        - parameters["water_kg_kg"] * gone
        + t["water_to_air_kg"]
        + t["water_from_surface_kg"]
        - t["rain_kg"]
        + t["drained_kg"]
        - (after.water_kg - before.water_kg)
        + turn_water
    )
    heat = (
        (last.y[HEAT] - first.y[HEAT]).sum(axis=0)
        - t["heat_made_kj"]
        - t["heat_bound_kj"]
        + t["heat_to_walls_kj"]
        + t["heat_to_ground_kj"]
        + t["heat_to_air_kj"]
        + t["heat_of_surface_evaporation_kj"]
        - t["heat_of_rain_kj"]
        + t["heat_of_drainage_kj"]
        - (after.heat_kj - before.heat_kj)
        + turn_heat
    )
    passed = np.abs(t["heat_to_walls_kj"]) + np.abs(t["heat_to_air_kj"])
    made = np.where(pools.sum(axis=0) > 0.0, t["heat_made_kj"], 0.0)
    scale = np.where(made > 0.0, made, np.maximum(passed, 1.0))
    return Balance(
        mass_residual=float(((np.abs(solids) + np.abs(water)) / start_kg).max()),
        energy_residual=float((np.abs(heat) / scale).max()),
    )
