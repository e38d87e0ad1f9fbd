"""A forecast with its spread: an ensemble over what is not known of materials and pile.

Every member has its own draw of the materials' figures and of the model's parameters; what is
told are the 5th, 50th and 95th percentile over the members, time by time. A modelled
temperature is never evidence of sanitation: only readings are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.assimilate_prior import SitePrior, with_prior
from heapwright.science.assimilate_vector import Members
from heapwright.science.heap_shape import HeapShape
from heapwright.science.mixing import Part
from heapwright.science.pile import HOT_C, OUTPUT_HOURS, Balance, Run, simulate
from heapwright.science.pile_events import (
    Added,
    Combined,
    Covered,
    Event,
    Moved,
    TakenOff,
    Turned,
    Wetted,
)
from heapwright.science.pile_layout import TOTAL_NAMES
from heapwright.science.pile_parameters import ParameterFact, Parameters, draw
from heapwright.science.pile_recipe import DegradeClass, Recipe, recipe_of
from heapwright.science.pile_state import Cover, PileState, start
from heapwright.science.pile_weather import Weather

Array = npt.NDArray[np.float64]
ActName = Literal[
    "turned", "wetted", "covered", "uncovered", "added", "moved", "combined", "taken off"
]

QUANTILES: Final = (0.05, 0.5, 0.95)
CHUNK: Final = 1000
"""Members simulated together; more would leave the processor's cache."""

MIX_STREAM: Final = 1
ADDED_STREAM: Final = 2
"""Streams of random numbers, so that an act added later leaves the other draws as they were."""


@dataclass(frozen=True, slots=True)
class Act:
    """Something planned or done, ``day`` days after building.

    ``litres`` for wetted, ``cover`` for covered and uncovered, ``parts`` for added, ``shape``
    for moved, ``share`` (of the heap) for taken off, ``other`` (and the hours since it was
    built, ``other_hours``, with its weather) for combined.
    """

    day: float
    name: ActName
    litres: float = 0.0
    cover: Cover | None = None
    parts: tuple[Part, ...] = ()
    shape: HeapShape | None = None
    other: PilePlan | None = None
    other_hours: float = 0.0
    other_weather: Weather | None = None
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class PilePlan:
    """A pile as built and what is done to it."""

    shape: HeapShape
    parts: tuple[Part, ...]
    cover: Cover
    start_temp_c: float
    air_m3_h: float = 0.0
    acts: tuple[Act, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """The 5th, 50th and 95th percentile over the members, by time or a single figure."""

    p5: Array
    p50: Array
    p95: Array


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """What an ensemble of piles does.

    ``hours`` (times,) since building; bands are arrays (times,), or single figures for
    ``peak_temp_c``, ``days_at_or_above_55``, ``water_lost_kg``, ``drained_kg``. ``first_hot_day``
    is over the members that reach 55 °C, whose share is ``chance_hot``. ``heat`` are medians of
    where the heat came from and went, kJ.
    """

    hours: Array
    core_temp_c: Band
    shell_temp_c: Band
    moisture_pct: Band
    oxygen_pct: Band
    volume_m3: Band
    dry_mass_kg: Band
    wet_mass_kg: Band
    peak_temp_c: Band
    days_at_or_above_55: Band
    chance_hot: float
    first_hot_day: Band | None
    lowest_oxygen_pct: Band
    evaporated_kg: Band
    drained_kg: Band
    nitrogen_lost_pct: Band
    totals: Mapping[str, float]
    balance: Balance
    members: int


def forecast(
    plan: PilePlan,
    weather: Weather,
    facts: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
    *,
    days: float,
    members: int,
    seed: int,
    every_h: float = OUTPUT_HOURS,
    prior: SitePrior | None = None,
    progress: Callable[[float], None] | None = None,
) -> Forecast:
    """Return the forecast of a plan.

    Parameters
    ----------
    plan : PilePlan
    weather : Weather
        Hourly from the moment of building.
    facts, classes
        The parameters and how kinds of material decay (``heapwright.data.pile``).
    days : float
        How long; acts after the end are left out.
    members : int
        Size of the ensemble; one member is the typical pile, without spread.
    seed : int
        The same seed gives the same forecast.
    every_h : float
        Hours between outputs.
    prior : SitePrior, optional
        What past piles of the site taught; a single member stays the typical pile.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Raises
    ------
    InputError
        If the plan holds no solids or is no pile that can be.
    """
    runs = []
    parameters, recipe, added = drawn(plan, facts, classes, members=members, seed=seed)
    if prior is not None and members > 1:
        moved = with_prior(Members(parameters, recipe), facts, prior, plan.shape)
        parameters, recipe = moved.parameters, moved.recipe
    for first in range(0, members, CHUNK):
        chosen = slice(first, min(first + CHUNK, members))
        runs.append(
            _run(
                plan,
                {key: value[chosen] for key, value in parameters.items()},
                _some(recipe, chosen),
                {key: _some(value, chosen) for key, value in added.items()},
                weather,
                days * 24.0,
                every_h,
                seed=seed,
                facts=facts,
                classes=classes,
                progress=_part(progress, first, chosen.stop, members),
                members=(first, members),
            )
        )
    return told(runs, members)


def _part(
    progress: Callable[[float], None] | None, first: int, stop: int, members: int
) -> Callable[[float], None] | None:
    """Return the progress of one chunk as progress of the whole."""
    if progress is None:
        return None
    return lambda share: progress((first + share * (stop - first)) / members)


def drawn(
    plan: PilePlan,
    facts: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
    *,
    members: int,
    seed: int,
) -> tuple[dict[str, Array], Recipe, dict[int, Recipe]]:
    """Return the draws of a plan: parameters, its recipe, and recipes by index of the act.

    A single member gets the typical values of everything.
    """
    spread = members > 1
    if spread:
        parameters = draw(facts, members, np.random.default_rng(seed))
    else:
        parameters = {key: np.full(1, fact.typical) for key, fact in facts.items()}
    recipe = recipe_of(
        plan.parts, classes, members, np.random.default_rng([seed, MIX_STREAM]), spread=spread
    )
    added = {
        index: recipe_of(
            act.parts,
            classes,
            members,
            np.random.default_rng([seed, ADDED_STREAM, index]),
            spread=spread,
            solids_needed=False,
        )
        for index, act in enumerate(plan.acts)
        if act.name == "added"
    }
    return parameters, recipe, added


def _some(recipe: Recipe, chosen: slice) -> Recipe:
    return Recipe(*(getattr(recipe, one.name)[chosen] for one in fields(recipe)))


def _run(
    plan: PilePlan,
    parameters: dict[str, Array],
    recipe: Recipe,
    added: Mapping[int, Recipe],
    weather: Weather,
    hours: float,
    every_h: float,
    *,
    seed: int,
    facts: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
    members: tuple[int, int],
    progress: Callable[[float], None] | None = None,
) -> Run:
    """Run one chunk of the ensemble; ``members`` is its first member and how many there are."""
    events = events_of(
        plan.acts,
        parameters,
        added,
        facts,
        classes,
        until=hours,
        every_h=every_h,
        seed=seed,
        members=members,
    )
    return simulate(
        begun(plan, parameters, recipe),
        parameters,
        weather,
        hours=hours,
        events=events,
        every_h=every_h,
        progress=progress,
    )


def begun(plan: PilePlan, parameters: Parameters, recipe: Recipe) -> PileState:
    """Return the pile of a plan as built."""
    return start(
        recipe,
        plan.shape,
        parameters,
        start_temp_c=plan.start_temp_c,
        cover=plan.cover,
        blower_m3_h=plan.air_m3_h,
    )


def events_of(
    acts: Sequence[Act],
    parameters: dict[str, Array],
    added: Mapping[int, Recipe],
    facts: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
    *,
    until: float,
    every_h: float,
    seed: int,
    members: tuple[int, int],
    after: float = -1.0,
) -> list[Event]:
    """Return the events that acts mean to some members.

    Parameters
    ----------
    acts : sequence of Act
    parameters : mapping of id to array
        Of the members at hand.
    added : mapping of the place of an act to the recipe that it adds
    until, after : float
        Acts later than hour ``until``, and up to hour ``after``, are left out.
    seed : int
    members : tuple of int
        The first member at hand and how many there are in all.
    """
    events: list[Event] = []
    for index, act in enumerate(acts):
        if not after < act.day * 24.0 <= until:
            continue
        other = None
        if act.other is not None:
            other = _other(act, parameters, facts, classes, every_h, seed, members)
        events.append(event_of(act, added.get(index), other))
    return events


def _other(
    act: Act,
    parameters: dict[str, Array],
    facts: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
    every_h: float,
    seed: int,
    members: tuple[int, int],
) -> PileState:
    """Return the other pile of a combining as it stands at that moment."""
    assert act.other is not None
    assert act.other_weather is not None
    first, total = members
    _, recipe, added = drawn(act.other, facts, classes, members=total, seed=seed + 1)
    chosen = slice(first, first + len(parameters["t_max_c"]))
    return _run(
        act.other,
        parameters,
        _some(recipe, chosen),
        {key: _some(value, chosen) for key, value in added.items()},
        act.other_weather,
        act.other_hours,
        every_h,
        seed=seed + 1,
        facts=facts,
        classes=classes,
        members=members,
    ).end


def event_of(act: Act, added: Recipe | None, other: PileState | None) -> Event:
    """Return the event that an act means.

    Raises
    ------
    InputError
        If the act lacks what its kind needs.
    """
    hour = act.day * 24.0
    if act.name == "turned":
        return Turned(hour)
    if act.name == "moved":
        return Moved(hour, act.shape)
    if act.name == "wetted":
        return Wetted(hour, act.litres)
    if act.name in ("covered", "uncovered") and act.cover is not None:
        return Covered(hour, act.cover)
    if act.name == "added" and added is not None:
        return Added(hour, added)
    if act.name == "taken off":
        return TakenOff(hour, act.share)
    if act.name == "combined" and other is not None:
        return Combined(hour, other)
    raise InputError(f"the act “{act.name}” on day {act.day:g} lacks what it was done with")


def band(values: Array) -> Band:
    """Return the quantiles over the last axis."""
    p5, p50, p95 = np.quantile(values, QUANTILES, axis=-1)
    return Band(np.asarray(p5), np.asarray(p50), np.asarray(p95))


def told(runs: Sequence[Run], members: int) -> Forecast:
    """Return what is told of the ensemble's runs."""

    def joined(of: Callable[[Run], Array]) -> Array:
        return np.concatenate([of(run) for run in runs], axis=-1)

    first = joined(lambda run: run.first_day_at(HOT_C))
    reached = np.isfinite(first)
    dry = joined(lambda run: run.dry_mass_kg)
    water = joined(lambda run: run.water_kg)
    totals = {
        name: np.concatenate([run.totals[name] for run in runs], axis=-1) for name in TOTAL_NAMES
    }
    return Forecast(
        hours=runs[0].hours,
        core_temp_c=band(joined(lambda run: run.core_temp_c)),
        shell_temp_c=band(joined(lambda run: run.shell_temp_c)),
        moisture_pct=band(100.0 * water / (water + dry)),
        oxygen_pct=band(joined(lambda run: run.oxygen_pct)),
        volume_m3=band(joined(lambda run: run.volume_m3)),
        dry_mass_kg=band(dry),
        wet_mass_kg=band(water + dry),
        peak_temp_c=band(joined(lambda run: run.peak_core_c)),
        days_at_or_above_55=band(joined(lambda run: run.days_at_or_above(HOT_C))),
        chance_hot=float(reached.mean()),
        first_hot_day=band(first[reached]) if reached.any() else None,
        lowest_oxygen_pct=band(joined(lambda run: run.oxygen_pct.min(axis=0))),
        evaporated_kg=band(totals["water_to_air_kg"] + totals["water_from_surface_kg"]),
        drained_kg=band(totals["drained_kg"]),
        nitrogen_lost_pct=band(joined(_nitrogen_lost_pct)),
        totals={name: float(np.median(value)) for name, value in totals.items()},
        balance=Balance(
            mass_residual=max(run.balance.mass_residual for run in runs),
            energy_residual=max(run.balance.energy_residual for run in runs),
        ),
        members=members,
    )


def _nitrogen_lost_pct(run: Run) -> Array:
    """Return the nitrogen lost as ammonia, % of what was built and added."""
    lost: Array = (
        100.0 * run.nitrogen_lost_kg / np.maximum(run.nitrogen_kg[-1] + run.nitrogen_lost_kg, 1e-9)
    )
    return lost


def shortened(plan: PilePlan, days: float) -> PilePlan:
    """Return the plan with the acts of the first ``days`` only."""
    return replace(plan, acts=tuple(act for act in plan.acts if act.day <= days))
