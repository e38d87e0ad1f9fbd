"""The ensemble's integrator against scipy on random piles, and that no pile ever runs away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.forecast import member_of, solve_member
from tests.science.pile_setup import (
    FACTS,
    SUMMER,
    built,
    random_events,
    random_recipe,
    random_shape,
    random_weather,
    typical,
    wide_draws,
)

from heapwright.errors import HeapwrightError
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.pile import simulate
from heapwright.science.pile_events import Turned
from heapwright.science.pile_layout import ACTIVE, FAST, SLOW, STATE_ROWS, WATER
from heapwright.science.pile_parameters import draw
from heapwright.science.pile_rates import ERROR_C, snow_share
from heapwright.science.pile_recipe import stated_recipe
from heapwright.science.pile_state import start
from heapwright.science.pile_weather import typical_weather

ACCURACY_C = 0.1


def random_pile(seed, days, members, *, wide=False):
    rng = np.random.default_rng(seed)
    # a stream of their own, so that another parameter leaves the piles as they are
    own = np.random.default_rng([seed, 1])
    parameters = wide_draws(own, members) if wide else draw(FACTS, members, own)
    shape = random_shape(rng)
    mass = rng.uniform(200, 800) * geometry(shape, 0.2).volume_m3
    recipe = random_recipe(rng, mass, members)
    air_m3_h = float(rng.choice([0.0, 0.0, 15.0])) * geometry(shape, 0.2).volume_m3
    state = start(recipe, shape, parameters, start_temp_c=float(rng.uniform(-10, 35)),
                  blower_m3_h=air_m3_h)  # fmt: skip
    return state, parameters, random_weather(rng, days), random_events(rng, days)


def error_of(seed, days, error_c=ERROR_C):
    """Return the largest differences of core and shell to solve_ivp at a tight tolerance."""
    state, parameters, weather, events = random_pile(seed, days, 1)
    ours = simulate(state, parameters, weather, hours=24.0 * days, events=events, error_c=error_c)
    exact = solve_member(
        *member_of(state, parameters, 0), weather, events, ours.hours,
        method="LSODA", rtol=1e-9, max_step=1.0, rain_breaks=True,
    )  # fmt: skip
    core = np.abs(ours.core_temp_c[:, 0] - exact[0]).max()
    shell = np.abs(ours.shell_temp_c[:, 0] - exact[1]).max()
    return max(core, shell)


@pytest.mark.parametrize("seed", range(6))
def test_within_a_tenth_of_a_degree_of_solve_ivp(seed):
    assert error_of(seed, 12.0) <= ACCURACY_C


def test_a_pile_that_thaws_and_kindles_late_is_within_a_tenth_too():
    # ice for six weeks, then an ignition whose hour every earlier error moves
    assert error_of(1057, 60.0) <= ACCURACY_C


def test_a_finer_limit_comes_closer():
    assert error_of(1137, 60.0, error_c=1e-4) < 0.2 * error_of(1137, 60.0)


@pytest.mark.soak
def test_200_piles_over_60_days_are_within_a_tenth_in_both_zones_at_every_output():
    # measured against the method at 1e-5: median of the largest differences 0.008, worst 0.080 °C
    errors = np.sort([error_of(1000 + seed, 60.0) for seed in range(200)])
    assert errors.max() <= ACCURACY_C, errors[-12:]


def assert_physical(run, state, most_uptake):
    """Every member stays a possible pile at every output."""
    for temp in (run.core_temp_c, run.shell_temp_c):
        assert np.all(np.isfinite(temp))
        assert temp.min() > -60.0
        assert temp.max() < 90.0
    assert np.all((run.oxygen_pct >= 0.0) & (run.oxygen_pct <= 21.0 + 1e-9))
    assert np.all((run.air_space >= 0.0) & (run.air_space <= 1.0))
    assert np.all((run.moisture >= 0.0) & (run.moisture < 1.0))
    assert np.all(run.end.y[WATER] >= 0.0)
    for rows in (FAST, SLOW):
        assert np.all(run.end.y[rows] >= 0.0)
    assert np.all((run.end.y[ACTIVE] >= 0.0) & (run.end.y[ACTIVE] <= 1.0))
    # a step across the thaw may give back a ten-millionth of the solids, its own error
    assert np.all(np.diff(run.dry_mass_kg, axis=0) <= 1e-6 * run.dry_mass_kg[0])
    assert np.all(run.nitrogen_kg >= 0.0)
    assert np.all((run.uptake_g_kg_vs_h >= 0.0) & (run.uptake_g_kg_vs_h <= most_uptake))
    assert run.balance.mass_residual < 1e-9
    assert run.balance.energy_residual < 1e-6
    assert state.members == run.core_temp_c.shape[1]


def draws_stay_physical(seeds, members, days):
    for seed in seeds:
        state, parameters, weather, events = random_pile(seed, days, members, wide=True)
        done = simulate(state, parameters, weather, hours=24.0 * days, events=events, every_h=6.0)
        # mixes and rates far outside of any food waste's: more than the 12 g of real ones
        assert_physical(done, state, most_uptake=20.0)


def test_sleet_falls_between_snow_and_rain_without_a_jump():
    assert [snow_share(t) for t in (-9.0, -1.0, 0.0, 1.0, 9.0)] == [1.0, 1.0, 0.5, 0.0, 0.0]
    # a cloudburst while the air crosses 0 °C: with a jump no step is short enough for the limit
    state, parameters, weather, events = random_pile(1139, 60.0, 1)
    done = simulate(
        state, parameters, weather, hours=24.0 * 20,
        events=[e for e in events if e.hour <= 480.0], error_c=0.001,
    )  # fmt: skip
    assert_physical(done, state, most_uptake=20.0)


@pytest.mark.parametrize("row", range(STATE_ROWS))
@pytest.mark.parametrize("figure", [np.nan, np.inf])
def test_a_member_whose_figures_overflowed_is_refused_and_never_shown(row, figure):
    parameters = typical(3)
    pile = built(parameters)
    y = pile.y.copy()
    y[row, 1] = figure
    weather = typical_weather(48.0, **SUMMER)
    with pytest.raises(HeapwrightError, match="no stable step"):
        simulate(replace(pile, y=y), parameters, weather, hours=24.0)


def test_oxygen_uptake_of_real_mixes_stays_within_what_was_measured():
    # <1 to >10 g O2 per kg of volatile solids and hour (Cornell after Haug 1993); bound 12
    members = 200
    parameters = draw(FACTS, members, np.random.default_rng(5))
    scraps = stated_recipe(800.0, moisture=0.62, fast_share=0.45, slow_share=0.2,
                           k_fast_per_day=0.1).spread(members)  # fmt: skip
    state = start(scraps, HeapShape("bay", 1.2, 1.2, 1.3), parameters, start_temp_c=20.0)
    weather = typical_weather(24.0 * 30, temp_mean_c=20.0, soil_temp_c=18.0)
    done = simulate(state, parameters, weather, hours=24.0 * 30, events=[Turned(24.0 * 7)])
    assert_physical(done, state, most_uptake=12.0)
    assert done.uptake_g_kg_vs_h.max() > 1.0


def test_11_500_random_draws_stay_physical():
    draws_stay_physical(range(10), 50, 20.0)


@pytest.mark.soak
def test_11_10_000_random_draws_stay_physical_for_60_days():
    draws_stay_physical(range(100, 140), 250, 60.0)
