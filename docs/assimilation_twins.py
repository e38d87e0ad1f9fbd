"""Invented piles whose truth is known, to see how far a corrected forecast can be trusted.

A twin is a pile simulated once as the truth, and read with errors; the smoother gets the plan,
the weather as a site would have it and the readings, never the truth. *Fair* twins draw their
truth from the model's own prior. *Foreign* twins break the model on purpose: figures far outside
of their ranges, weather that was not the one written down, probes that read high or low for good
and scatter twice as much, a heap that is smaller than measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from heapwright.data import materials
from heapwright.data.mixing import mix_facts
from heapwright.data.pile import decay_classes, pile_covers, pile_parameters
from heapwright.science.assimilate import assimilate
from heapwright.science.assimilate_prior import SitePrior, site_prior
from heapwright.science.assimilate_readings import Observation, Temperature, squeezed
from heapwright.science.assimilate_vector import Members, frame_of, members_at, vectors
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.ingredients import complete
from heapwright.science.materials import Span
from heapwright.science.mixing import Part
from heapwright.science.pile import Run, simulate
from heapwright.science.pile_forecast import Act, PilePlan, begun, drawn, event_of, forecast
from heapwright.science.pile_weather import Weather, humidity_from_percent

FACTS = pile_parameters()
CLASSES = decay_classes()
LEADS = (1, 3, 7)
ORIGINS = (2, 4, 7, 12, 20)
PROVING = range(200, 300)
TRAINING = range(1000, 1024)
"""Seeds of the twins that prove, and of those that the regression learns from. The smoother's
settings were chosen on twins 0 to 59, which prove nothing."""

DAYS = 28
MIXES = (
    ("food_scraps_mixed", 0.40, "leaves_shredded", 0.22, "horse_straw", 0.18, "wood_chips", 0.20),
    ("food_scraps_mixed", 0.25, "leaves_shredded", 0.30, "horse_straw", 0.30, "wood_chips", 0.15),
    ("spent_grain", 0.30, "leaves_shredded", 0.20, "horse_straw", 0.25, "wood_chips", 0.25),
    ("horse_straw", 0.70, "leaves_shredded", 0.20, "wood_chips", 0.10),
    ("food_scraps_mixed", 0.12, "leaves_shredded", 0.58, "wood_chips", 0.30),
)


@dataclass(frozen=True, slots=True)
class Twin:
    """A pile whose truth is known: what the site has of it, and what really happens."""

    plan: PilePlan
    weather: Weather
    truth: Run
    readings: tuple[Observation, ...]
    foreign: bool

    def before(self, day: float) -> list[Observation]:
        """Return what was read up to a day."""
        return [one for one in self.readings if one.hour <= day * 24.0]

    def core_at(self, day: float) -> float:
        """Return the true mean temperature of the core."""
        return float(np.interp(day * 24.0, self.truth.hours, self.truth.core_temp_c[:, 0]))


def weather_of(rng: np.random.Generator) -> Weather:
    """Return some weather of a place between a wet winter and a dry summer."""
    hours = DAYS * 24 + 8 * 24
    clock = np.arange(hours)
    mean, swing = rng.uniform(0.0, 22.0), rng.uniform(2.0, 7.0)
    knots = np.arange(0, hours + 60, 60)
    fronts = np.interp(clock, knots, rng.normal(0, 2.5, len(knots)))
    temp = mean + fronts + swing * np.sin(2 * np.pi * (clock - 9) / 24)
    wet = rng.uniform(0.0, 6.0)
    rain = np.where(rng.random(hours) < 0.08, rng.exponential(wet / 24 / 0.08, hours), 0.0)
    return Weather(
        temp_c=temp,
        humidity=humidity_from_percent(temp, 80.0),
        wind_m_s=np.full(hours, rng.uniform(0.5, 3.0)),
        rain_mm_h=rain,
        ground_c=float(np.clip(mean, 2.0, 18.0)),
    )


def plan_of(rng: np.random.Generator) -> PilePlan:
    """Return some plan: a bay, windrow or cone of some mix, turned now and then."""
    kind = rng.choice(["bay", "bay", "windrow", "cone"])
    if kind == "bay":
        side = float(rng.uniform(1.0, 1.6))
        shape = HeapShape("bay", side, side, float(rng.uniform(0.9, 1.4)))
    elif kind == "windrow":
        shape = HeapShape(
            "windrow", float(rng.uniform(2.0, 3.0)), 6.0, float(rng.uniform(1.1, 1.6))
        )
    else:
        base = float(rng.uniform(2.2, 3.2))
        shape = HeapShape("cone", base, base, float(rng.uniform(1.1, 1.6)))
    volume = geometry(shape, 0.2).volume_m3
    mix = MIXES[rng.integers(len(MIXES))]
    mass = volume * float(rng.uniform(360.0, 480.0))
    library, facts = materials(), mix_facts()
    parts = [
        Part(complete(library[name], facts), mass * share)
        for name, share in zip(mix[::2], mix[1::2], strict=True)
    ]
    parts.append(Part(complete(library["water"], facts), mass * float(rng.uniform(0.05, 0.35))))
    turns = np.sort(rng.uniform(4.0, 30.0, rng.integers(0, 4)))
    cover = pile_covers()["tarp" if rng.random() < 0.3 else "open"]
    return PilePlan(
        shape, tuple(parts), cover, float(rng.uniform(5.0, 22.0)),
        acts=tuple(Act(float(day), "turned") for day in turns),
    )  # fmt: skip


def site_scores(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return where a site lies: standard scores of every figure, with half of the variance."""
    return np.sqrt(0.5) * rng.standard_normal(count)


def truth_of(
    plan: PilePlan,
    weather: Weather,
    rng: np.random.Generator,
    *,
    foreign: bool,
    site: np.ndarray | None = None,
) -> Run:
    """Return what really happens.

    With ``site``, half of the variance of each figure is the site's and half the pile's own.
    """
    seed = int(rng.integers(1, 2**31))
    parameters, recipe, _ = drawn(plan, FACTS, CLASSES, members=64, seed=seed)
    drawn_ones = Members(parameters, recipe)
    frame = frame_of(drawn_ones, FACTS, plan.shape)
    x = vectors(frame, drawn_ones)
    pick = slice(0, 1)
    if site is not None:
        x = np.sqrt(0.5) * x + site[: len(x), None]
        members = members_at(frame, drawn_ones, x).take(pick)
    else:
        members = drawn_ones.take(pick)
    shape = plan.shape
    if foreign:
        members = _foreign(members, rng)
        size = float(rng.uniform(0.93, 1.05))
        shape = replace(shape, height_m=shape.height_m * size)
        weather = _other_weather(weather, rng)
    state = begun(replace(plan, shape=shape), members.parameters, members.recipe)
    events = [event_of(act, None, None) for act in plan.acts]
    return simulate(
        state, members.parameters, weather, hours=(DAYS + 8) * 24.0,
        events=[one for one in events if one.hour <= (DAYS + 8) * 24.0],
    )  # fmt: skip


def _foreign(members: Members, rng: np.random.Generator) -> Members:
    """Return figures anywhere in one and a half times their range, and rates off besides."""
    parameters = dict(members.parameters)
    for key, fact in FACTS.items():
        if fact.low is None or fact.high is None:
            continue
        spare = 0.25 * (fact.high - fact.low)
        low = max(fact.low - spare, 0.4 * fact.low) if fact.low > 0 else fact.low - spare
        parameters[key] = np.full(1, rng.uniform(low, fact.high + spare))
    for key in ("rain_bypass", "condense_share", "slat_open", "surface_wetness"):
        parameters[key] = np.clip(parameters[key], 0.0, 1.0)
    parameters["t_opt_c"] = np.minimum(parameters["t_opt_c"], parameters["t_max_c"] - 4.0)
    parameters["air_slope"] = parameters["air_slope"] * rng.uniform(0.8, 1.25)
    parameters["moist_slope"] = parameters["moist_slope"] * rng.uniform(0.85, 1.15)
    recipe = members.recipe
    recipe = replace(
        recipe,
        k_fast_per_day=recipe.k_fast_per_day * np.exp(rng.normal(0, 0.25)),
        k_slow_per_day=recipe.k_slow_per_day * np.exp(rng.normal(0, 0.25)),
    )
    return Members(parameters, recipe)


def _other_weather(weather: Weather, rng: np.random.Generator) -> Weather:
    """Return weather off by 2 °C or so, with another wind and another half of the rain."""
    hours = len(weather.temp_c)
    knots = np.arange(0, hours + 48, 48)
    off = np.interp(np.arange(hours), knots, rng.normal(0, 1.5, len(knots)))
    temp = weather.temp_c + off + rng.normal(0, 1.5)
    return replace(
        weather,
        temp_c=temp,
        humidity=humidity_from_percent(temp, float(rng.uniform(65, 95))),
        wind_m_s=weather.wind_m_s * rng.uniform(0.4, 1.8),
        rain_mm_h=weather.rain_mm_h * rng.uniform(0.4, 1.8),
        ground_c=weather.ground_c + float(rng.normal(0, 2.0)),
    )


def readings_of(truth: Run, rng: np.random.Generator, *, foreign: bool) -> tuple[Observation, ...]:
    """Return what a site reads: two points in the core and one in the shell, most days."""
    worse = 1.6 if foreign else 1.0
    found: list[Observation] = []
    points = [("core", 1.0), ("middle", 1.0), ("edge", 0.0)]
    offsets = [worse * rng.normal(0, 1.5 if core else 3.0) for _, core in points]
    every = int(rng.choice([1, 1, 2]))
    for day in range(1, DAYS + 1, every):
        if rng.random() < 0.1:
            continue
        hour = 24.0 * day - float(rng.uniform(0.5, 5.0))
        for (name, core), offset in zip(points, offsets, strict=True):
            series = truth.core_temp_c if core else truth.shell_temp_c
            true = float(np.interp(hour, truth.hours, series[:, 0]))
            scatter = worse * rng.normal(0, 1.4 if core else 2.5)
            found.append(Temperature(hour, round(true + offset + scatter, 1), name))
        if day % 7 == 3:
            wet = 100.0 * float(np.interp(hour, truth.hours, truth.moisture[:, 0]))
            felt = wet + rng.normal(0, 5.0)
            low = 10.0 * np.floor(felt / 10.0)
            found.append(squeezed(hour, Span(low + 5.0, low, low + 10.0), FACTS))
    return tuple(found)


def twin(seed: int, *, foreign: bool, site: np.ndarray | None = None) -> Twin:
    """Return one twin."""
    rng = np.random.default_rng([20260301, seed])
    plan, weather = plan_of(rng), weather_of(rng)
    truth = truth_of(plan, weather, rng, foreign=foreign, site=site)
    return Twin(plan, weather, truth, readings_of(truth, rng, foreign=foreign), foreign)


@dataclass(frozen=True, slots=True)
class Score:
    """How one forecast of one twin did at one lead; temperatures of the core."""

    seed: int
    origin: int
    lead: int
    truth_c: float
    low_c: float
    middle_c: float
    high_c: float
    persistence_c: float
    regression_c: float

    @property
    def held(self) -> bool:
        """Whether the band held the truth."""
        return self.low_c <= self.truth_c <= self.high_c


def _now_and_before(one: Twin, origin: float) -> tuple[float, float]:
    """Return the mean core reading of the last day read, and its change a day."""
    days: dict[int, list[float]] = {}
    for seen in one.before(origin):
        if isinstance(seen, Temperature) and seen.point != "edge":
            days.setdefault(int(np.ceil(seen.hour / 24.0)), []).append(seen.temp_c)
    if not days:
        return one.plan.start_temp_c, 0.0
    last = max(days)
    now = float(np.mean(days[last]))
    earlier = [day for day in days if day < last]
    if not earlier:
        return now, (now - one.plan.start_temp_c) / max(last, 1)
    before = max(earlier)
    return now, (now - float(np.mean(days[before]))) / (last - before)


Regression = dict[int, np.ndarray]


def trained(twins: Sequence[Twin]) -> Regression:
    """Return the regression of the coming change on temperature and its last day's change.

    Fitted by least squares for each lead on other piles' readings, all days; so it knows how
    piles of this kind usually go on.
    """
    fits = {}
    for lead in LEADS:
        rows, goals = [], []
        for one in twins:
            for origin in range(2, DAYS - lead):
                now, change = _now_and_before(one, origin)
                then, _ = _now_and_before(one, origin + lead)
                rows.append([1.0, now, change])
                goals.append(then - now)
        fits[lead] = np.linalg.lstsq(np.array(rows), np.array(goals), rcond=None)[0]
    return fits


def scored(
    seed: int,
    one: Twin,
    fits: Regression,
    *,
    origins: Sequence[int] = ORIGINS,
    members: int = 300,
    prior: SitePrior | None = None,
) -> list[Score]:
    """Return how forecasts from several days did, one a lead."""
    scores = []
    for origin in origins:
        days = origin + max(LEADS)
        found = assimilate(
            one.plan, one.weather, FACTS, CLASSES, one.before(origin), days=days,
            members=members, seed=seed, prior=prior,
        )  # fmt: skip
        now, change = _now_and_before(one, origin)
        band = found.forecast.core_temp_c
        for lead in LEADS:
            at = np.searchsorted(found.forecast.hours, 24.0 * (origin + lead) - 1e-6)
            scores.append(
                Score(
                    seed, origin, lead, one.core_at(origin + lead),
                    float(band.p5[at]), float(band.p50[at]), float(band.p95[at]),
                    now, now + float(fits[lead] @ [1.0, now, change]),
                )
            )  # fmt: skip
    return scores


@dataclass(frozen=True, slots=True)
class Skill:
    """Coverage of the 90 % band, its width, and mean absolute errors, °C, at one lead."""

    lead: int
    count: int
    coverage: float
    width_c: float
    error_c: float
    persistence_c: float
    regression_c: float


def skill(scores: Sequence[Score]) -> list[Skill]:
    """Return the table of skill by lead."""
    found = []
    for lead in LEADS:
        chosen = [one for one in scores if one.lead == lead]

        def mean_error(name: str, chosen: list[Score] = chosen) -> float:
            return float(np.mean([abs(getattr(one, name) - one.truth_c) for one in chosen]))

        found.append(
            Skill(
                lead, len(chosen), float(np.mean([one.held for one in chosen])),
                float(np.mean([one.high_c - one.low_c for one in chosen])),
                mean_error("middle_c"), mean_error("persistence_c"), mean_error("regression_c"),
            )
        )  # fmt: skip
    return found


@dataclass(frozen=True, slots=True)
class FirstWeek:
    """How forecasts of new piles without readings did over their first week."""

    piles: int
    coverage: float
    width_c: float
    error_c: float


def first_weeks(
    sites: int, past: int, *, following: int = 3, members: int = 300, seed: int = 1
) -> tuple[FirstWeek, FirstWeek, list[SitePrior]]:
    """Return how the first week of a site's next piles is foretold without and with its past.

    Each site has a middle of its own for every figure; ``past`` piles are read for four weeks,
    then ``following`` more are forecast from their plan alone, core twice a day for a week.
    """
    plain: list[tuple[bool, float, float]] = []
    taught: list[tuple[bool, float, float]] = []
    priors = []
    for site in range(sites):
        rng = np.random.default_rng([seed, site])
        middle = site_scores(rng, 40)
        learned = []
        for i in range(past):
            one = twin(10_000 + 100 * site + i, foreign=False, site=middle)
            found = assimilate(
                one.plan, one.weather, FACTS, CLASSES, one.before(DAYS), days=DAYS,
                members=members, seed=seed + i,
            )  # fmt: skip
            assert found.learned is not None
            learned.append(found.learned)
        prior = site_prior(learned)
        priors.append(prior)
        for i in range(following):
            one = twin(20_000 + 100 * site + i, foreign=False, site=middle)
            for told, kept in ((None, plain), (prior, taught)):
                band = forecast(
                    one.plan, one.weather, FACTS, CLASSES, days=7.5, members=members,
                    seed=seed, prior=told,
                )  # fmt: skip
                for day in np.arange(0.5, 7.5, 0.5):
                    at = int(np.searchsorted(band.hours, 24.0 * day - 1e-6))
                    low, middle_c, high = (
                        float(getattr(band.core_temp_c, level)[at])
                        for level in ("p5", "p50", "p95")
                    )
                    true = one.core_at(float(day))
                    kept.append((low <= true <= high, high - low, abs(middle_c - true)))

    def summed(kept: list[tuple[bool, float, float]]) -> FirstWeek:
        held, width, error = np.array(kept, dtype=float).mean(axis=0)
        return FirstWeek(sites * following, float(held), float(width), float(error))

    return summed(plain), summed(taught), priors
