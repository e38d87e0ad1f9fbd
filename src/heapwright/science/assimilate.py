"""The forecast bends to its own thermometer: readings correct what is not known of a pile.

An ensemble smoother with multiple data assimilation (Emerick & Reynolds 2013, Computers &
Geosciences 55:3) in its square-root form: the pile is run from its building on, every uncertain
figure (:mod:`heapwright.science.assimilate_vector`), and each past day of the weather that
nobody measured, moves a part of the way that the readings ask for, and it is run again. What no
choice of figures explains is left to a drift of each zone
(:mod:`heapwright.science.assimilate_errors`). ``docs/assimilation.md`` says why this method and
how far it can be trusted.

A corrected forecast is still a model: it is never evidence of sanitation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.assimilate_errors import (
    DRIFTS_C,
    covariance,
    drift_paths,
)
from heapwright.science.assimilate_judge import SetAside, judge, places_of, set_aside_of
from heapwright.science.assimilate_prior import Learned, SitePrior, with_prior
from heapwright.science.assimilate_readings import (
    Observation,
    Rows,
    check,
    rows_of,
)
from heapwright.science.assimilate_runs import (
    PlanRuns,
    ceiling_c,
    drifted,
    joined_in_time,
    lift_of,
    shown_by,
)
from heapwright.science.assimilate_vector import (
    CARRIED,
    Frame,
    Members,
    frame_of,
    members_at,
    vectors,
)
from heapwright.science.pile import OUTPUT_HOURS, Run
from heapwright.science.pile_events import Event
from heapwright.science.pile_forecast import (
    Act,
    Forecast,
    PilePlan,
    begun,
    drawn,
    forecast,
    told,
)
from heapwright.science.pile_parameters import ParameterFact
from heapwright.science.pile_rates import ERROR_C
from heapwright.science.pile_recipe import DegradeClass
from heapwright.science.pile_state import PileState, shell_m
from heapwright.science.pile_weather import Weather

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]

MOST_MEMBERS: Final = 300
"""Members that are smoothed: what a log of 30 days takes well under two seconds for."""

LEAST_MEMBERS: Final = 40
STEPS: Final = (6.0, 3.0, 2.0)
"""Inflation of the errors at each update; their inverses add up to one."""

COARSE_C: Final = 0.3
"""Limit of a step's error in the runs that only steer the figures, °C: far below a reading's."""

BLANKS: Final = 24
"""Coordinates that nothing depends on, carried along: what seems to be learned of them is chance,
and as much is taken off from what seems to be learned of the others."""

BLANK_STREAM: Final = 4
DRIFT_STREAM: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class Assimilated:
    """A pile's forecast corrected by its readings, and the ensemble behind it.

    ``forecast`` runs from building to the end; up to ``now_hour`` it is what happened as the
    readings and the model tell together. ``members`` are the corrected figures, ``end`` the
    piles at ``now_hour`` (the last reading, at the next output). ``drift_c`` is how strongly
    the model was seen to stray. ``learned`` is None without readings.
    """

    forecast: Forecast
    now_hour: float
    members: Members
    end: PileState
    used: tuple[Observation, ...]
    set_aside: tuple[SetAside, ...]
    learned: Learned | None
    drift_c: float
    plan: PilePlan
    weather: Weather
    facts: Mapping[str, ParameterFact]
    classes: Mapping[str, DegradeClass]
    days: float
    seed: int
    every_h: float
    drift_ahead: tuple[Array, Array] | None
    ceiling_c: Array


def assimilate(
    plan: PilePlan,
    weather: Weather,
    facts: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
    observations: Sequence[Observation],
    *,
    days: float,
    members: int,
    seed: int,
    prior: SitePrior | None = None,
    every_h: float = OUTPUT_HOURS,
    progress: Callable[[float], None] | None = None,
) -> Assimilated:
    """Return the forecast of a plan, corrected by what was read.

    Parameters
    ----------
    plan : PilePlan
        As built, with what was done to it and what is planned.
    weather : Weather
        Hourly from the moment of building.
    facts, classes
        The parameters (with the errors of readings, ``read_…``) and how materials decay.
    observations : sequence of Observation
        In any order. None gives the plain forecast.
    days : float
        From building to the end of the forecast; every reading lies within.
    members : int
        Size of the ensemble; with readings at least :data:`LEAST_MEMBERS` and at most
        :data:`MOST_MEMBERS` are run.
    seed : int
        The same seed gives the same answer.
    prior : SitePrior, optional
        What past piles of the site taught.
    every_h : float
        Hours between outputs.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Raises
    ------
    InputError
        If a reading cannot be, or the plan is no pile that can be.
    """
    check(observations, days * 24.0)
    if not observations:
        return _without(
            plan, weather, facts, classes, days=days, members=members, seed=seed, prior=prior,
            every_h=every_h, progress=progress,
        )  # fmt: skip
    size = min(max(members, LEAST_MEMBERS), MOST_MEMBERS)
    parameters, recipe, added = drawn(plan, facts, classes, members=size, seed=seed)
    base = with_prior(Members(parameters, recipe), facts, prior, plan.shape)
    frame = frame_of(Members(parameters, recipe), facts, plan.shape)
    pile = PlanRuns(plan, weather, facts, classes, added, seed, size)
    thickness = float(np.median(shell_m(plan.shape, base.parameters)))
    rows = rows_of(observations, plan.shape, thickness, facts, weather)
    last = float(rows.hour.max())
    now = min(max(np.ceil(last / every_h - 1e-9) * every_h, every_h), days * 24.0)

    blank = np.random.default_rng([seed, BLANK_STREAM]).standard_normal((BLANKS, size))
    before = vectors(frame, base)
    days_past = _days_past(weather, last)
    own = [] if weather.spread is None else [weather.spread.noise_of(size)[:, :, days_past]]
    x = np.concatenate([before, *(_flat(one) for one in own), blank])
    count, wide = len(before), 1.0
    current = base
    for i, inflation in enumerate(STEPS):
        run = pile.run(current, now, OUTPUT_HOURS, COARSE_C)
        shown = shown_by(rows, run, pile)
        lifted = lift_of(rows, run, rows.hour, weather)
        seen = judge(rows, shown, lifted, widen=i == 0)
        errors = inflation * covariance(seen.read, seen.drift_c, lifted)
        wide *= seen.wide
        # days vary by what they are known to: only the pile's own figures are widened
        widths = np.full((len(x), 1), seen.wide)
        widths[count:-BLANKS] = 1.0
        x = _updated(x, widths, shown, rows, seen.used, errors, seen.wide)
        current = members_at(frame, base, x[:count])
        pile = replace(pile, weather=_weather_at(weather, days_past, x[count:-BLANKS]))
        if progress is not None:
            progress(0.8 * (i + 1) / (len(STEPS) + 1))
    past = pile.run(current, now, every_h)
    shown = shown_by(rows, past, pile)
    lifted = lift_of(rows, past, rows.hour, weather)
    seen = judge(rows, shown, lifted, widen=False)
    end = past.end
    whole = past
    if days * 24.0 - now > 1e-9:
        whole = joined_in_time(
            past, pile.onward(current, end, plan.acts, added, days * 24.0, every_h)
        )
    rng = np.random.default_rng([seed, DRIFT_STREAM])
    raised = lift_of(rows, whole, whole.hours, weather)
    drifts_c = rng.choice(DRIFTS_C, size=size, p=seen.drift_chances)
    core, shell = drift_paths(
        seen.read, rows.value[:, None] - shown, seen.used, lifted, whole.hours, raised, drifts_c,
        rng,
    )  # fmt: skip
    hottest = ceiling_c(rows, seen.used, current.parameters, facts["read_above_c"].typical)
    done = len(past.hours)
    drifting = drifted(whole, core, shell, hottest, current.parameters["t_max_c"], float(now))
    if progress is not None:
        progress(1.0)
    return Assimilated(
        forecast=told([drifting], size),
        now_hour=float(now),
        members=current,
        end=end,
        used=tuple(observations[i] for i in places_of(rows, seen.used)),
        set_aside=set_aside_of(observations, rows, seen.used, seen.expected, seen.spread),
        learned=_learned(frame, before, x[:count], blank, x[-BLANKS:], wide, len(observations)),
        drift_c=seen.drift_c,
        plan=plan,
        weather=pile.weather,
        facts=facts,
        classes=classes,
        days=days,
        seed=seed,
        every_h=every_h,
        drift_ahead=(core[done - 1 :], shell[done - 1 :]),
        ceiling_c=hottest,
    )


def what_if(
    assimilated: Assimilated, acts: Sequence[Act], *, days: float | None = None
) -> Forecast:
    """Return what happens from now on with other acts.

    Each member continues with its own figures and draws, so that the difference of two answers
    is due to the acts alone.

    Parameters
    ----------
    assimilated : Assimilated
    acts : sequence of Act
        All that is done after ``now_hour``; earlier ones are left out. ``assimilated.plan.acts``
        gives what happens if things go as planned.
    days : float, optional
        From building to the end; the assimilated forecast's when left out, and no later.

    Raises
    ------
    InputError
        If nothing is left to forecast.
    """
    run = continued(assimilated, acts, days=days)
    return told([run], assimilated.end.members)


def continued(
    assimilated: Assimilated,
    acts: Sequence[Act],
    *,
    events: Sequence[Event] = (),
    days: float | None = None,
    error_c: float = ERROR_C,
) -> Run:
    """Return the members one by one, from now on, with other acts.

    As :func:`what_if`, which tells their bands. Members of two answers are pairs.

    Parameters
    ----------
    assimilated : Assimilated
    acts : sequence of Act
        All that is done after ``now_hour``; earlier ones are left out.
    events : sequence of Event
        What no act says, such as another pile's ensemble turned in.
    days : float, optional
        From building to the end; the assimilated forecast's when left out, and no later.
    error_c : float
        Limit of a step's error.

    Raises
    ------
    InputError
        If nothing is left to forecast.
    """
    a = assimilated
    until = 24.0 * (a.days if days is None else min(days, a.days))
    if not until > a.now_hour:
        raise InputError("the last reading is the forecast's end; forecast more days")
    plan = replace(a.plan, acts=tuple(acts))
    size = a.end.members
    _, _, added = drawn(plan, a.facts, a.classes, members=size, seed=a.seed)
    pile = PlanRuns(plan, a.weather, a.facts, a.classes, added, a.seed, size)
    run = pile.onward(a.members, a.end, plan.acts, added, until, a.every_h, error_c, events=events)
    if a.drift_ahead is not None:
        core, shell = (one[: len(run.hours)] for one in a.drift_ahead)
        life_c = a.members.parameters["t_max_c"]
        run = drifted(run, core, shell, a.ceiling_c, life_c, a.now_hour)
    return run


def _without(
    plan: PilePlan,
    weather: Weather,
    facts: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
    *,
    days: float,
    members: int,
    seed: int,
    prior: SitePrior | None,
    every_h: float,
    progress: Callable[[float], None] | None,
) -> Assimilated:
    """Return the plain forecast in the form of a corrected one."""
    found = forecast(
        plan, weather, facts, classes, days=days, members=members, seed=seed, every_h=every_h,
        prior=prior, progress=progress,
    )  # fmt: skip
    parameters, recipe, _ = drawn(plan, facts, classes, members=members, seed=seed)
    base = Members(parameters, recipe)
    if members > 1:
        base = with_prior(base, facts, prior, plan.shape)
    return Assimilated(
        forecast=found, now_hour=0.0, members=base,
        end=begun(plan, base.parameters, base.recipe), used=(), set_aside=(), learned=None,
        drift_c=0.0, plan=plan, weather=weather, facts=facts, classes=classes, days=days,
        seed=seed, every_h=every_h, drift_ahead=None, ceiling_c=np.full(members, np.inf),
    )  # fmt: skip


def _days_past(weather: Weather, last_h: float) -> Places:
    """Return the days up to the last reading of which the weather is not known."""
    if weather.spread is None:
        return np.zeros(0, dtype=int)
    loose = np.maximum(weather.spread.temp_share, weather.spread.rain_share) > 0.0
    return np.flatnonzero(loose[: int(last_h / 24.0) + 1])


def _flat(noise: Array) -> Array:
    """Return the normals of (2, members, days) as rows (2 days, members)."""
    return noise.transpose(0, 2, 1).reshape(-1, noise.shape[1])


def _weather_at(weather: Weather, days: Places, rows: Array) -> Weather:
    """Return the weather with the members' normals of some days as the readings have moved them."""
    if weather.spread is None or not days.size:
        return weather
    noise = weather.spread.noise_of(rows.shape[1]).copy()
    noise[:, :, days] = rows.reshape(2, len(days), -1).transpose(0, 2, 1)
    return replace(weather, spread=replace(weather.spread, noise=noise))


def _updated(
    x: Array, widths: Array, shown: Array, rows: Rows, used: Flags, errors: Array, wide: float
) -> Array:
    """Return the vectors after one update: widened, moved, and shrunk by the square root.

    ``widths`` (coordinates, 1) is by how much each coordinate is widened, ``wide`` what is shown.
    """
    size = x.shape[1]
    root = np.linalg.cholesky(errors[np.ix_(used, used)])
    seen = shown[used]
    mean = seen.mean(axis=1)
    scaled = wide * np.linalg.solve(root, seen - mean[:, None]) / np.sqrt(size - 1)
    off = np.linalg.solve(root, rows.value[used] - mean)
    # Of the matrix of readings by readings, which is the smaller one.
    power, left = np.linalg.eigh(scaled @ scaled.T)
    grown = np.sqrt(1.0 + np.maximum(power, 0.0))
    middle = x.mean(axis=1, keepdims=True)
    away = widths * (x - middle)
    along = (away @ scaled.T) @ left
    step = along @ ((left.T @ off) / grown**2) / np.sqrt(size - 1)
    shrunk = along / (grown * (1.0 + grown))
    moved: Array = middle + step[:, None] + away - shrunk @ (left.T @ scaled)
    return moved


def _learned(
    frame: Frame,
    before: Array,
    after: Array,
    blank: Array,
    blank_after: Array,
    wide: float,
    readings: int,
) -> Learned:
    """Return what the readings taught, less what they would seem to teach by chance.

    Blank coordinates tell how much spread so few members lose and how far a mean moves though
    nothing was learned.
    """
    here = frame.at(CARRIED)
    lost = float(np.mean(blank_after.var(axis=1) / blank.var(axis=1))) / wide**2
    moved = float(np.mean((blank_after.mean(axis=1) - blank.mean(axis=1)) ** 2))
    return Learned(
        names=CARRIED,
        mean=after[here].mean(axis=1),
        covariance=np.cov(after[here]) / lost + moved * np.eye(len(CARRIED)),
        prior_mean=before[here].mean(axis=1),
        prior_covariance=wide**2 * np.cov(before[here]),
        readings=readings,
    )  # fmt: skip
