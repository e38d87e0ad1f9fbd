"""The pile as physics: temperature, water, oxygen and mass over the coming weeks.

:func:`simulate` runs an ensemble of piles through weather and events and returns what is seen
from outside at regular times, with the balances of mass and energy. See ``docs/pile-model.md``
for the equations and how far they agree with published piles.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from heapwright.errors import HeapwrightError, InputError
from heapwright.science.pile_events import Event, apply
from heapwright.science.pile_layout import (
    FAST,
    HEAT,
    POOLS,
    SLOW,
    TOTAL_NAMES,
    TOTALS,
    WATER,
)
from heapwright.science.pile_parameters import Parameters
from heapwright.science.pile_rates import ERROR_C, KEPT, SEEN, Seen, Sky, look, room, run
from heapwright.science.pile_state import PileState, carbon_yield, coefficients
from heapwright.science.pile_weather import Weather

Array = npt.NDArray[np.float64]

OUTPUT_HOURS: Final = 3.0
STOPS: Final = 80
"""Outputs between two words of progress."""

NEAR_H: Final = 1e-9
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
    if finish - outputs[-1] > NEAR_H:
        outputs.append(finish)
    first = state
    nitrogen_lost = np.zeros(state.members)
    told: list[_Moments] = []
    sky = weather.sky(state.members)
    for stops in _stretches(outputs, [event.hour for event in waiting]):
        moments, end = _advance(state, parameters, weather, sky, stops, error_c)
        nitrogen_lost += state.nitrogen_kg - end.nitrogen_kg
        state = end
        while waiting and waiting[0].hour <= state.hour + NEAR_H:
            here = weather.at(state.hour, 0.0)
            state = apply(waiting.pop(0), state, parameters, here)
            _look_again(moments, state, parameters, sky)
        told.append(moments)
        if progress is not None:
            progress((state.hour - begin) / hours)
    kept = np.array(outputs)
    at = np.concatenate([one.hours for one in told])
    wanted = np.searchsorted(at, kept - NEAR_H)

    def rows(each: Sequence[Array]) -> Array:
        whole = np.concatenate(each)
        return whole if len(wanted) == len(at) else whole[wanted]

    def seen(name: str) -> Array:
        return rows([one.seen[Seen._fields.index(name)] for one in told])

    water = rows([one.water_kg for one in told])
    solids = seen("core_solids_kg") + seen("shell_solids_kg")
    uptake_kg_h = seen("core_uptake_kg_h") + seen("shell_uptake_kg_h")
    ash = state.ash_kg.sum(axis=0)
    return Run(
        hours=kept,
        core_temp_c=seen("core_temp_c"),
        shell_temp_c=seen("shell_temp_c"),
        moisture=water / (water + solids),
        core_moisture=seen("core_moisture"),
        oxygen_pct=seen("core_oxygen_pct"),
        air_space=seen("core_air_space"),
        volume_m3=seen("volume_m3"),
        dry_mass_kg=solids,
        water_kg=water,
        nitrogen_kg=rows([one.nitrogen_kg for one in told]),
        nitrogen_lost_kg=nitrogen_lost,
        uptake_g_kg_vs_h=1000.0 * uptake_kg_h / np.maximum(solids - ash, 1e-9),
        totals=dict(zip(TOTAL_NAMES, state.y[TOTALS] - first.y[TOTALS], strict=True)),
        balance=balance(first, state, parameters),
        end=state,
    )


class _Moments(NamedTuple):
    """What is seen at the stops of a stretch: ``seen`` (SEEN, stops, members), the others
    (stops, members)."""

    hours: Array
    seen: Array
    water_kg: Array
    nitrogen_kg: Array


def _stretches(outputs: Sequence[float], events: Sequence[float]) -> Iterator[list[float]]:
    """Yield the moments to stop at, parted at events and every few days to tell progress."""
    breaks = set(events)
    stops: list[float] = []
    for hour in sorted({*outputs, *events}):
        if stops and hour - stops[-1] <= NEAR_H and hour not in breaks:
            continue
        stops.append(hour)
        if hour in breaks or len(stops) == STOPS:
            yield stops
            stops = []
    if stops:
        yield stops


def _advance(
    state: PileState,
    parameters: Parameters,
    weather: Weather,
    sky: Sky,
    stops: Sequence[float],
    error_c: float,
) -> tuple[_Moments, PileState]:
    """Return what is seen at ``stops`` and the pile at the last of them.

    Raises
    ------
    HeapwrightError
        If a member needs steps of less than a second, which no physical pile does.
    """
    hours = np.array([state.hour, *stops])
    rain = np.array(
        [
            weather.rain_between(a, b) if b - a > NEAR_H else 0.0
            for a, b in itertools.pairwise(hours)
        ]
    )
    y = state.y.copy()
    step_h = state.step_h.copy()
    seen = np.empty((state.members, SEEN, len(stops)))
    kept = np.empty((state.members, KEPT, len(stops)))
    figures = _figures(state, parameters)
    lanes = room(state.hour, error_c)
    if run(figures, y, hours, rain, sky, error_c, step_h, kept, seen, lanes) >= 0:
        raise HeapwrightError("the pile model found no stable step; report this pile")
    kept = np.ascontiguousarray(kept.transpose(2, 1, 0))
    nitrogen = np.empty((len(stops), state.members))
    left, before = state.nitrogen_kg, state.y[POOLS]
    for i, after in enumerate(kept[:, 2:]):
        left = nitrogen[i] = lose_nitrogen(state, left, before, after, parameters)
        before = after
    water = kept[:, 0] + kept[:, 1]
    end = replace(state, y=y, hour=float(stops[-1]), nitrogen_kg=left.copy(), step_h=step_h)
    return _Moments(hours[1:], seen.transpose(1, 2, 0), water, nitrogen), end


def _look_again(moments: _Moments, state: PileState, parameters: Parameters, sky: Sky) -> None:
    """Put into the last of the moments what is seen of a pile as it stands now."""
    seen = np.empty((SEEN, state.members))
    look(_figures(state, parameters), state.y, sky, state.hour, seen, room(state.hour, ERROR_C))
    moments.seen[:, -1] = seen
    moments.water_kg[-1] = state.y[WATER].sum(axis=0)
    moments.nitrogen_kg[-1] = state.nitrogen_kg


def _figures(state: PileState, parameters: Parameters) -> Array:
    """Return the coefficients, a row a member."""
    figures: Array = coefficients(state, parameters).view(np.float64).reshape(state.members, -1)
    return figures


def lose_nitrogen(
    state: PileState, nitrogen_kg: Array, before: Array, after: Array, parameters: Parameters
) -> Array:
    """Return the nitrogen left (kg) after a stretch in which solids degraded.

    ``before`` and ``after`` are the pools of both zones, (4, members). Nitrogen is set free in
    proportion to the solids degraded; the share of it that escapes as ammonia falls with the
    C:N of what is left, one half at ``loss_cn``.
    """
    old, new = before.sum(axis=0), after.sum(axis=0)
    solids = (state.inert_kg + state.ash_kg).sum(axis=0) + old
    gone = old - new
    carbon = state.carbon_rest_kg + carbon_yield(parameters) * new
    ratio = carbon / np.maximum(nitrogen_kg, 1e-9)
    exponent = (ratio - parameters["loss_cn"]) * parameters["loss_steepness"]
    escape = 1.0 / (1.0 + np.exp(np.minimum(exponent, 50.0)))
    left: Array = nitrogen_kg * np.exp(-escape * gone / solids)
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
