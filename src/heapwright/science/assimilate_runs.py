"""Runs of a plan by an ensemble's figures, and what the readings would show of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.science.assimilate_errors import (
    lift,
)
from heapwright.science.assimilate_readings import (
    Rows,
)
from heapwright.science.assimilate_vector import (
    Members,
)
from heapwright.science.heap_shape import geometry
from heapwright.science.pile import Balance, Run, simulate
from heapwright.science.pile_events import Event
from heapwright.science.pile_forecast import (
    Act,
    PilePlan,
    begun,
    events_of,
)
from heapwright.science.pile_parameters import ParameterFact, Parameters
from heapwright.science.pile_rates import ERROR_C
from heapwright.science.pile_recipe import DegradeClass, Recipe
from heapwright.science.pile_state import PileState
from heapwright.science.pile_weather import Weather

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class PlanRuns:
    """A plan with all that its runs need but the members' figures."""

    plan: PilePlan
    weather: Weather
    facts: Mapping[str, ParameterFact]
    classes: Mapping[str, DegradeClass]
    added: Mapping[int, Recipe]
    seed: int
    size: int

    def run(self, members: Members, until: float, every_h: float, error_c: float = ERROR_C) -> Run:
        """Run members from building on, with what was done up to ``until``."""
        state = begun(self.plan, members.parameters, members.recipe)
        return self.onward(members, state, self.plan.acts, self.added, until, every_h, error_c)

    def onward(
        self,
        members: Members,
        state: PileState,
        acts: Sequence[Act],
        added: Mapping[int, Recipe],
        until: float,
        every_h: float,
        error_c: float = ERROR_C,
        events: Sequence[Event] = (),
    ) -> Run:
        """Run members on from a state; acts up to its moment are done."""
        done = events_of(
            acts, members.parameters, added, self.facts, self.classes,
            after=state.hour if state.hour > 0.0 else -1.0, until=until, every_h=every_h,
            seed=self.seed, members=(0, self.size),
        )  # fmt: skip
        return simulate(
            state, members.parameters, self.weather, hours=until - state.hour,
            events=[*done, *events], every_h=every_h, error_c=error_c,
        )  # fmt: skip


def joined_in_time(past: Run, ahead: Run) -> Run:
    """Return two runs of one pile as one; the second begins where the first ends."""

    def joined(name: str) -> Array:
        one: Array = np.concatenate([getattr(past, name), getattr(ahead, name)[1:]])
        return one

    series = {
        one.name: joined(one.name)
        for one in fields(Run)
        if one.name not in ("totals", "balance", "end", "nitrogen_lost_kg")
    }
    return Run(
        **series,
        nitrogen_lost_kg=past.nitrogen_lost_kg + ahead.nitrogen_lost_kg,
        totals={name: value + ahead.totals[name] for name, value in past.totals.items()},
        balance=Balance(
            mass_residual=max(past.balance.mass_residual, ahead.balance.mass_residual),
            energy_residual=max(past.balance.energy_residual, ahead.balance.energy_residual),
        ),
        end=ahead.end,
    )


SPARE_C: Final = 3.0
"""Room below the end of life that a drift keeps on a plateau: piles differ by as much there."""


def drifted(
    run: Run, core: Array, shell: Array, ceiling_c: Array, life_c: Array, now_hour: float
) -> Run:
    """Return a run with the drift of each zone added to its temperatures.

    No drift takes a member above its ``ceiling_c`` (members,). From ``now_hour`` on what all
    share of one that warms shrinks with the room that the member has below ``life_c``
    (members,), where its life stops: a pile that took off before the model did is not hotter
    by as much on the plateau.
    """
    now = int(np.searchsorted(run.hours, now_hour - 1e-9))

    def held(temp_c: Array, drift: Array) -> Array:
        room = np.maximum(life_c - temp_c, 0.0) + SPARE_C
        share = np.minimum(room / room[min(now, len(room) - 1)], 1.0)
        share[:now] = 1.0
        shared = np.maximum(drift.mean(axis=1, keepdims=True), 0.0)
        warmed = temp_c + drift - (1.0 - share) * shared
        found: Array = np.minimum(warmed, np.maximum(temp_c, ceiling_c))
        return found

    return replace(
        run,
        core_temp_c=held(run.core_temp_c, core),
        shell_temp_c=held(run.shell_temp_c, shell),
    )


def ceiling_c(rows: Rows, used: Flags, parameters: Parameters, above_c: float) -> Array:
    """Return how hot each member may be taken to be, (members,).

    A little above the temperature at which its life stops, or as hot as a reading that is used.
    """
    read = rows.value[used & rows.thermal]
    life: Array = parameters["t_max_c"] + above_c
    return np.maximum(life, read.max()) if read.size else life


def shown_by(rows: Rows, run: Run, pile: PlanRuns) -> Array:
    """Return what each member's run shows where and when the rows were read, (rows, members).

    Straight between outputs; but where something was done between two outputs, a reading before
    it shows the output before, one after it the output after.
    """
    acts = np.array([act.day * 24.0 for act in pile.plan.acts])
    right = np.clip(np.searchsorted(run.hours, rows.hour), 1, len(run.hours) - 1)
    left = right - 1
    share = np.clip((rows.hour - run.hours[left]) / (run.hours[right] - run.hours[left]), 0.0, 1.0)
    for i, hour in enumerate(rows.hour):
        between = (acts > run.hours[left[i]]) & (acts <= run.hours[right[i]])
        if between.any():
            share[i] = float(hour > acts[between].max())
    at = share[:, None]

    def read(values: Array) -> Array:
        seen: Array = (1.0 - at) * values[left] + at * values[right]
        return seen

    shown = rows.core[:, None] * read(run.core_temp_c)
    shown += rows.shell[:, None] * read(run.shell_temp_c)
    shown += rows.air[:, None]
    if rows.moisture.any():
        shown += rows.moisture[:, None] * 100.0 * read(run.moisture)
    if rows.height.any():
        shown += rows.height[:, None] * read(run.volume_m3) * _height_per_m3(rows, pile)[:, None]
    return shown


def _height_per_m3(rows: Rows, pile: PlanRuns) -> Array:
    """Return height over volume of the shape that the heap had when each row was read."""
    shapes = [(-1.0, pile.plan.shape)]
    shapes += [
        (act.day * 24.0, act.shape)
        for act in pile.plan.acts
        if act.name == "moved" and act.shape is not None
    ]
    ratio = np.empty(len(rows.hour))
    for since, shape in shapes:
        ratio[rows.hour > since] = shape.height_m / geometry(shape, 0.2).volume_m3
    return ratio


def lift_of(rows: Rows, run: Run, hours: Array, weather: Weather) -> Array:
    """Return the share of the drift's strength at some hours of a run."""
    core = np.interp(hours, run.hours, run.core_temp_c.mean(axis=1))
    clock = np.arange(len(weather.temp_c))
    air = np.interp(hours, clock, weather.temp_c)
    return lift(rows, hours, core - air, np.interp(rows.hour, clock, weather.temp_c))
