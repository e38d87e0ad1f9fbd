"""Piles that the tests share."""

from __future__ import annotations

from typing import Any

import numpy as np

from heapwright.data.pile import pile_parameters
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.pile import Run, simulate
from heapwright.science.pile_events import Covered, Event, Turned, Wetted
from heapwright.science.pile_parameters import fixed
from heapwright.science.pile_recipe import Recipe, stated_recipe
from heapwright.science.pile_state import OPEN, Cover, PileState, start
from heapwright.science.pile_weather import Weather, humidity_from_percent, typical_weather

FACTS = pile_parameters()
BAY = HeapShape("bay", 1.2, 1.2, 1.2)
WINDROW = HeapShape("windrow", 2.5, 10.0, 1.4)
SUMMER = {"temp_mean_c": 20.0, "temp_swing_c": 5.0, "soil_temp_c": 18.0}
WINTER = {"temp_mean_c": 5.0, "temp_swing_c": 3.0, "rain_mm_day": 5.0, "soil_temp_c": 7.0}
DRY_COVER = Cover("dry", "rain excluded, airflow halved", 0.0, 0.5, 1.0, 0.0)
"""The cover of the prototype's tables."""


def prototype(members: int = 1, **given: float) -> dict[str, np.ndarray]:
    return fixed(FACTS, members, prototype=True, **given)


def typical(members: int = 1, **given: float) -> dict[str, np.ndarray]:
    return fixed(FACTS, members, **given)


def built(
    parameters: dict[str, np.ndarray],
    shape: HeapShape = BAY,
    *,
    temp_c: float = 20.0,
    cover: Cover = OPEN,
    air_m3_h: float = 0.0,
    density: float = 400.0,
    **mix: float,
) -> PileState:
    mass = density * geometry(shape, 0.2).volume_m3
    recipe = stated_recipe(mass, **mix).spread(len(parameters["t_min_c"]))
    return start(recipe, shape, parameters, start_temp_c=temp_c, cover=cover, blower_m3_h=air_m3_h)


def run(
    parameters: dict[str, np.ndarray],
    shape: HeapShape = BAY,
    weather: dict[str, float] | Weather = SUMMER,
    *,
    days: float = 60.0,
    turns: tuple[float, ...] = (),
    events: tuple[Event, ...] = (),
    every_h: float = 3.0,
    **state: Any,
) -> Run:
    record = (
        weather if isinstance(weather, Weather) else typical_weather(days * 24.0 + 1, **weather)
    )
    acts = [*events, *(Turned(24.0 * day) for day in turns)]
    pile = built(parameters, shape, **state)
    return simulate(pile, parameters, record, hours=days * 24.0, events=acts, every_h=every_h)


def random_weather(rng: np.random.Generator, days: float) -> Weather:
    """Weather with fronts, nights and cloudbursts of up to 25 mm in an hour."""
    hours = int(days * 24) + 3
    clock = np.arange(hours)
    mean, swing = rng.uniform(-8, 28), rng.uniform(0, 9)
    fronts = np.interp(clock, np.arange(0, hours + 48, 48), rng.normal(0, 4, hours // 48 + 2))
    temp = mean + fronts + swing * np.sin(2 * np.pi * (clock - 9) / 24)
    rain = np.where(rng.random(hours) < 0.06, rng.exponential(3.0, hours), 0.0)
    rain[rng.integers(0, hours, 3)] = 25.0
    knots = np.arange(0, hours + 6, 6)
    return Weather(
        temp_c=temp,
        humidity=humidity_from_percent(
            temp, np.interp(clock, knots, rng.uniform(40, 100, knots.size))
        ),
        wind_m_s=np.interp(clock, knots, rng.uniform(0, 6, knots.size)),
        rain_mm_h=rain,
        ground_c=float(np.clip(mean, 0, 22)),
    )


def random_shape(rng: np.random.Generator) -> HeapShape:
    name = rng.choice(["bay", "windrow", "cone", "vessel"])
    width = float(rng.uniform(0.5, 3.5))
    length = width if name == "cone" else float(rng.uniform(max(0.5, width * 0.8), 8.0))
    wall = float(rng.choice([0.0, 0.15, 1.0]))
    return HeapShape(name, width, length, float(rng.uniform(0.5, 2.2)), wall)


def random_recipe(rng: np.random.Generator, mass_kg: float, members: int) -> Recipe:
    """A mix anywhere between dead wood and spent grain, bone dry and sodden."""
    fast = rng.uniform(0.0, 0.6)
    return stated_recipe(
        mass_kg,
        moisture=rng.uniform(0.15, 0.82),
        volatile=rng.uniform(0.4, 0.97),
        fast_share=fast,
        slow_share=rng.uniform(0.0, 0.95 - fast),
        k_fast_per_day=rng.uniform(0.03, 0.15),
        k_slow_per_day=rng.uniform(0.0005, 0.02),
        cn=rng.uniform(8, 120),
    ).spread(members)


def random_events(rng: np.random.Generator, days: float, *, acts: int = 5) -> list[Event]:
    chosen: list[Event] = []
    for hour in rng.uniform(0, days * 24, acts):
        kind = rng.integers(0, 3)
        if kind == 0:
            chosen.append(Turned(float(hour)))
        elif kind == 1:
            chosen.append(Wetted(float(hour), float(rng.uniform(5, 200))))
        else:
            chosen.append(Covered(float(hour), DRY_COVER if rng.random() < 0.5 else OPEN))
    return chosen


def wide_draws(rng: np.random.Generator, members: int) -> dict[str, np.ndarray]:
    """Every parameter anywhere in one and a half times its calibration range."""
    drawn = {}
    for key, fact in FACTS.items():
        if fact.low is None or fact.high is None:
            drawn[key] = np.full(members, fact.typical)
            continue
        spare = 0.25 * (fact.high - fact.low)
        low = max(fact.low - spare, 0.3 * fact.low if fact.low > 0 else fact.low - spare)
        drawn[key] = rng.uniform(low, fact.high + spare, members)
    drawn["rain_bypass"] = np.clip(drawn["rain_bypass"], 0.0, 1.0)
    return drawn
