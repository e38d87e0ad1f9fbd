"""The numbered invariants of the process facts, section 10 (15 stands with the moist air)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.linalg import expm
from tests.science.pile_setup import (
    BAY,
    FACTS,
    SUMMER,
    WINDROW,
    WINTER,
    built,
    prototype,
    random_events,
    random_recipe,
    random_shape,
    random_weather,
    run,
    typical,
    wide_draws,
)

from heapwright.data.pile import pile_covers
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.pile import simulate
from heapwright.science.pile_events import Added, Combined, Moved, Turned, turn
from heapwright.science.pile_layout import (
    ACTIVE,
    FAST,
    HEAT,
    LOOSE,
    SLOW,
    STATE_ROWS,
    WATER,
    Figures,
    State,
)
from heapwright.science.pile_parameters import fixed
from heapwright.science.pile_rates import rates
from heapwright.science.pile_recipe import stated_recipe
from heapwright.science.pile_state import coefficients, start
from heapwright.science.pile_weather import Weather, typical_weather

SETS = {"typical": typical, "prototype": prototype}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1))
def test_1_2_3_energy_water_and_solids_close_whatever_is_done(seed):
    rng = np.random.default_rng(seed)
    parameters = wide_draws(rng, 4)
    shape = random_shape(rng)
    mass = rng.uniform(150, 900) * geometry(shape, 0.2).volume_m3
    recipe = random_recipe(rng, mass, 4)
    pile = start(recipe, shape, parameters, start_temp_c=float(rng.uniform(-15, 40)),
                 blower_m3_h=float(rng.choice([0.0, 20.0])))  # fmt: skip
    added = Added(30.0, random_recipe(rng, 0.2 * mass, 4))
    moved = Moved(60.0, replace(shape, height_m=shape.height_m * 0.8))
    events = [*random_events(rng, 8.0), added, moved, Combined(100.0, pile)]
    r = simulate(pile, parameters, random_weather(rng, 8.0), hours=192.0, events=events)
    assert r.balance.mass_residual < 1e-9
    assert r.balance.energy_residual < 1e-6
    ash = pile.ash_kg.sum(axis=0) * 2.0 + added.recipe.ash_kg
    assert r.end.ash_kg.sum(axis=0) == pytest.approx(ash, rel=1e-12)


def test_1_2_the_balance_can_fail():
    parameters = typical()
    r = run(parameters, days=5.0)
    from heapwright.science.pile import balance

    first = built(parameters)
    wrong = r.end.y.copy()
    wrong[HEAT] += 1000.0
    wrong[WATER] += 1.0
    off = balance(first, replace(r.end, y=wrong), parameters)
    assert off.mass_residual > 1e-3
    assert off.energy_residual > 1e-3


@pytest.mark.parametrize("name", SETS)
def test_3_oxygen_used_is_heat_made_and_carbon_dioxide(name):
    p = SETS[name]()
    r = run(p, days=20.0)
    before, after = built(p), r.end
    gone = (before.y[FAST] + before.y[SLOW] - after.y[FAST] - after.y[SLOW]).sum()
    assert r.totals["heat_made_kj"][0] == pytest.approx(gone * 1.40 * 14000.0, rel=1e-9)
    assert r.dry_mass_kg[0, 0] - r.dry_mass_kg[-1, 0] == pytest.approx(gone, rel=1e-9)


def test_4_newton_cooling_against_the_matrix_exponential():
    # all faces dry, no life, no air: two heat capacities and three conductances
    p = prototype(
        k_fast_scale=0.0, k_slow_scale=0.0, permeability_m2=1e-30, loose_min=1.0,
        condense_share=0.0, draught_kg_m2_m=0.0,
    )  # fmt: skip
    hours = np.arange(0, 24 * 10 + 3)
    still = Weather(
        temp_c=np.full(hours.size, 10.0), humidity=np.full(hours.size, 0.006),
        wind_m_s=np.full(hours.size, 0.0), rain_mm_h=np.zeros(hours.size), ground_c=10.0,
    )  # fmt: skip
    r = run(p, BAY, still, days=10.0, temp_c=60.0)
    film = still.at(0.0, 0.0).film_w_m2_k
    g = geometry(BAY, 0.2)
    inner = 0.4 * g.core_area_m2 / (0.1 + g.core_depth_m / 6)
    outer = (g.side_area_m2 + g.top_area_m2) / (1 / film + 0.2 / 0.8)
    floor = 1.0 * g.floor_area_m2
    solids, water = 691.2 * 0.4, 691.2 * 0.6
    capacity = (1.25 * solids + 4.19 * water) * np.array([g.core_share, 1 - g.core_share])
    matrix = np.array([[-(inner + floor / 4), inner - floor / 4],
                       [inner - floor / 4, -(inner + outer + floor / 4)]])  # fmt: skip
    matrix /= capacity[:, None] * 1000.0 / 3600.0
    for day in (1, 2, 5, 10):
        exact = 10.0 + expm(matrix * 24.0 * day) @ np.array([50.0, 50.0])
        assert r.core_temp_c[day * 8, 0] == pytest.approx(exact[0], abs=0.02)
        assert r.shell_temp_c[day * 8, 0] == pytest.approx(exact[1], abs=0.02)


def test_4_newton_cooling_of_the_facts():
    # process facts: core/shell 43.834/25.503, 28.697/16.906, 12.770/10.958, with h = 14.00
    p = prototype(
        k_fast_scale=0.0, k_slow_scale=0.0, permeability_m2=1e-30, loose_min=1.0,
        condense_share=0.0, draught_kg_m2_m=0.0,
    )  # fmt: skip
    n = 24 * 10 + 3
    radiation = typical_weather(2.0, temp_mean_c=10.0, soil_temp_c=10.0, wind_m_s=0.0)
    wind = (14.0 - radiation.at(0.0, 0.0).film_w_m2_k) / 3.8 / 0.6
    weather = typical_weather(n, temp_mean_c=10.0, soil_temp_c=10.0, wind_m_s=wind)
    assert weather.at(5.0, 0.0).film_w_m2_k == pytest.approx(14.0)
    r = run(p, BAY, weather, days=10.0, temp_c=60.0)
    for day, core, shell in ((1, 43.834, 25.503), (2, 28.697, 16.906), (5, 12.770, 10.958),
                             (10, 10.112, 10.039)):  # fmt: skip
        assert r.core_temp_c[day * 8, 0] == pytest.approx(core, abs=0.02)
        assert r.shell_temp_c[day * 8, 0] == pytest.approx(shell, abs=0.02)


@pytest.mark.parametrize("name", SETS)
def test_5_without_decay_nothing_warms_above_what_surrounds_it(name):
    p = SETS[name](k_fast_scale=0.0, k_slow_scale=0.0)
    r = run(p, BAY, {"temp_mean_c": 15.0, "temp_swing_c": 6.0, "soil_temp_c": 12.0}, days=20.0)
    assert r.core_temp_c.max() <= 21.0 + 0.05
    assert r.dry_mass_kg == pytest.approx(r.dry_mass_kg[0, 0], rel=1e-12)


def change_of(pile, parameters, weather):
    c = Figures(*coefficients(pile, parameters)[0].tolist())
    state = State(*pile.y[:STATE_ROWS, 0].tolist())
    return np.array(rates(c, state, weather.at(0.0, 0.0))[0])


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("temp_c", [-20.0, -6.0, 72.0, 80.0])
def test_6_frozen_or_sterile_means_no_decay(name, temp_c):
    p = SETS[name]()
    pile = built(p, temp_c=temp_c)
    weather = typical_weather(24.0, temp_mean_c=10.0, soil_temp_c=10.0)
    change = change_of(pile, p, weather)
    assert np.all(change[FAST] == 0.0)
    assert np.all(change[SLOW] == 0.0)
    lukewarm = built(p, temp_c=40.0)
    change = change_of(lukewarm, p, weather)
    assert np.all(change[FAST] < 0.0)


def test_7_warmer_air_means_more_hot_days_sooner_and_more_decay():
    runs = [
        run(typical(), BAY, {"temp_mean_c": float(t), "soil_temp_c": 12.0}, temp_c=15.0)
        for t in (0, 10, 20, 30)
    ]
    hot = [r.days_at_or_above()[0] for r in runs]
    mean = [r.core_temp_c.mean() for r in runs]
    first = [r.first_day_at()[0] for r in runs]
    assert hot == sorted(hot)
    assert mean == sorted(mean)
    assert first == sorted(first, reverse=True)


@pytest.mark.parametrize("name", SETS)
def test_8_a_larger_cube_stays_hot_longer(name):
    runs = [run(SETS[name](), HeapShape("bay", s, s, s), SUMMER) for s in (0.5, 0.9, 1.3, 1.8)]
    assert np.all(np.diff([r.days_at_or_above()[0] for r in runs]) > 0)
    assert np.all(np.diff([r.core_temp_c.mean() for r in runs]) > 0)


@pytest.mark.parametrize("fast", [0.25, 0.15])
def test_9_a_cover_in_rain_keeps_water_out_and_heat_in(fast):
    tarp = pile_covers()["tarp"]
    bare = run(typical(), BAY, WINTER, temp_c=10.0, fast_share=fast)
    covered = run(typical(), BAY, WINTER, temp_c=10.0, fast_share=fast, cover=tarp)
    assert covered.moisture[-1, 0] <= bare.moisture[-1, 0]
    assert covered.days_at_or_above()[0] >= bare.days_at_or_above()[0]


def test_10_insulation_gives_more_hot_days_and_a_smaller_gap():
    runs = [run(typical(), replace(BAY, wall_r_m2k_w=r), SUMMER) for r in (0.0, 0.3, 1.0, 3.0)]
    assert np.all(np.diff([r.days_at_or_above()[0] for r in runs]) > 0)
    gap = [(r.core_temp_c - r.shell_temp_c)[8 * 3 : 8 * 15].mean() for r in runs]
    assert np.all(np.diff(gap) < 0)


def test_12_stopping_and_going_on_changes_nothing():
    p = typical()
    weather = typical_weather(24.0 * 11, **WINTER)
    pile = built(p, temp_c=25.0)
    whole = simulate(pile, p, weather, hours=240.0, events=[Turned(96.0)])
    first = simulate(pile, p, weather, hours=120.0, events=[Turned(96.0)])
    second = simulate(first.end, p, weather, hours=120.0)
    assert second.core_temp_c[-1] == pytest.approx(whole.core_temp_c[-1], abs=0.02)
    assert second.water_kg[-1] == pytest.approx(whole.water_kg[-1], rel=1e-5)
    assert second.hours[-1] == 240.0


@pytest.mark.parametrize("hours", [0.0, 60.0, 300.0])
def test_13_turning_conserves_and_loses_only_what_it_books(hours):
    p = typical()
    pile = built(p) if hours == 0.0 else run(p, days=hours / 24.0).end
    after = turn(pile, p, 12.0)
    for rows in (FAST, SLOW):
        assert after.y[rows].sum() == pytest.approx(pile.y[rows].sum(), rel=1e-12)
    steam = after.booked.turn_water_kg - pile.booked.turn_water_kg
    lost = after.booked.turn_heat_kj - pile.booked.turn_heat_kj
    assert after.y[WATER].sum() + steam == pytest.approx(pile.y[WATER].sum(), rel=1e-12)
    assert after.y[HEAT].sum() + lost == pytest.approx(pile.y[HEAT].sum(), rel=1e-12)
    assert after.ash_kg.sum() == pytest.approx(pile.ash_kg.sum(), rel=1e-12)
    capacity = 1.25 * after.solids_kg + 4.19 * after.y[WATER]
    temps = after.y[HEAT] / capacity
    assert temps[0] == pytest.approx(temps[1])
    before = pile.y[HEAT].sum() / (1.25 * pile.solids_kg + 4.19 * pile.y[WATER]).sum()
    assert 12.0 < temps[0, 0] < before + 1.5
    assert after.y[LOOSE] >= 0.7
    assert np.all((after.y[ACTIVE] >= 0) & (after.y[ACTIVE] <= 1))


def test_14_a_windrow_twice_as_long_is_the_same_twice():
    p = typical()
    one = run(p, WINDROW, WINTER, days=30.0, temp_c=15.0, turns=(7.0,))
    two = run(p, replace(WINDROW, length_m=20.0), WINTER, days=30.0, temp_c=15.0, turns=(7.0,))
    assert two.core_temp_c == pytest.approx(one.core_temp_c, abs=1e-6)
    for name in ("heat_made_kj", "water_to_air_kg", "rain_kg"):
        assert two.totals[name] == pytest.approx(2.0 * one.totals[name], rel=1e-7)


def test_15_stoichiometry_of_the_default_mix_closes():
    # O2 + 1 = CO2 + H2O + NH3 by mass; the rows of section 2.1 to rounding
    for oxygen, carbon_dioxide, water, ammonia in (
        (1.066, 1.466, 0.600, 0.0), (1.498, 1.998, 0.307, 0.193), (1.594, 1.948, 0.598, 0.047),
        (1.404, 1.878, 0.498, 0.027),
    ):  # fmt: skip
        assert oxygen + 1.0 == pytest.approx(carbon_dioxide + water + ammonia, abs=0.002)
    assert FACTS["o2_kg_kg"].typical + 1.0 - FACTS["water_kg_kg"].typical == pytest.approx(1.85)


def test_cardinal_temperatures_of_the_table_1_2():
    from heapwright.science.pile_state import gamma

    p = {"t_min_c": np.array([5.0]), "t_opt_c": np.array([58.6]), "t_max_c": np.array([71.6])}
    for temp, expected in ((5, 0.0), (20, 0.1229), (40, 0.5968), (55, 0.9725), (58.6, 1.0),
                           (65, 0.8522), (70, 0.3300), (75, 0.0)):  # fmt: skip
        assert gamma(p, float(temp))[0] == pytest.approx(expected, abs=6e-5)


def test_frozen_water_takes_the_heat_of_melting_before_it_warms():
    p = fixed(FACTS, 1, k_fast_scale=0.0, k_slow_scale=0.0)
    warm = {"temp_mean_c": 15.0, "soil_temp_c": 10.0}
    r = run(p, BAY, warm, days=12.0, temp_c=-5.0)
    thawing = (np.abs(r.core_temp_c[:, 0]) < 1e-9).sum() * 3.0 / 24.0
    assert r.core_temp_c[0, 0] == pytest.approx(-5.0)
    assert thawing > 1.0  # days at exactly 0 °C
    assert r.core_temp_c[-1, 0] > 0.0


def test_stated_recipe_adds_up():
    mix = stated_recipe(100.0)
    assert mix.mass_kg[0] == pytest.approx(100.0)
    assert mix.times(3.0).dry_kg[0] == pytest.approx(120.0)
