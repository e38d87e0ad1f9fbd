"""The ensemble's integrator against scipy on random piles, and that no pile ever runs away."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.forecast import member_of, solve_member
from tests.science.pile_setup import (
    FACTS,
    random_events,
    random_recipe,
    random_shape,
    random_weather,
    wide_draws,
)

from heapwright.science.heap_shape import geometry
from heapwright.science.pile import simulate
from heapwright.science.pile_layout import ACTIVE, FAST, SLOW, WATER
from heapwright.science.pile_parameters import draw
from heapwright.science.pile_state import start

ACCURACY_C = 0.1
FINE_C = 0.0025


def random_pile(seed, days, members, *, wide=False):
    rng = np.random.default_rng(seed)
    parameters = wide_draws(rng, members) if wide else draw(FACTS, members, rng)
    shape = random_shape(rng)
    mass = rng.uniform(200, 800) * geometry(shape, 0.2).volume_m3
    recipe = random_recipe(rng, mass, members)
    air_m3_h = float(rng.choice([0.0, 0.0, 15.0])) * geometry(shape, 0.2).volume_m3
    state = start(recipe, shape, parameters, start_temp_c=float(rng.uniform(-10, 35)),
                  blower_m3_h=air_m3_h)  # fmt: skip
    return state, parameters, random_weather(rng, days), random_events(rng, days)


def error_of(seed, days, error_c=0.02):
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


@pytest.mark.parametrize("seed", [0, 2, 3, 4, 5])
def test_within_a_tenth_of_a_degree_of_solve_ivp(seed):
    assert error_of(seed, 12.0) <= ACCURACY_C


def test_a_finer_limit_brings_the_worst_of_them_within_a_tenth_too():
    # at the usual limit this shell is 0.3 °C off for one output on the way to its plateau
    assert ACCURACY_C < error_of(1, 12.0) < 0.4
    assert error_of(1, 12.0, error_c=FINE_C) <= ACCURACY_C


@pytest.mark.soak
def test_200_piles_over_60_days_at_the_usual_limit():
    errors = np.sort([error_of(1000 + seed, 60.0) for seed in range(200)])
    assert np.quantile(errors, 0.9) <= ACCURACY_C, errors[-25:]
    assert errors.max() <= 1.0, errors[-25:]


@pytest.mark.soak
def test_every_one_of_200_piles_is_within_a_tenth_at_the_finer_limit():
    errors = np.sort([error_of(1000 + seed, 60.0, error_c=FINE_C) for seed in range(200)])
    assert errors.max() <= ACCURACY_C, errors[-12:]


def assert_physical(run, state):
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
    assert np.all(np.diff(run.dry_mass_kg, axis=0) <= 1e-7 * run.dry_mass_kg[0])
    assert np.all(run.nitrogen_kg >= 0.0)
    assert np.all((run.uptake_g_kg_vs_h >= 0.0) & (run.uptake_g_kg_vs_h <= 12.0))
    assert run.balance.mass_residual < 1e-9
    assert run.balance.energy_residual < 1e-6
    assert state.members == run.core_temp_c.shape[1]


def draws_stay_physical(seeds, members, days):
    for seed in seeds:
        state, parameters, weather, events = random_pile(seed, days, members, wide=True)
        done = simulate(state, parameters, weather, hours=24.0 * days, events=events, every_h=6.0)
        assert_physical(done, state)


def test_11_500_random_draws_stay_physical():
    draws_stay_physical(range(10), 50, 20.0)


@pytest.mark.soak
def test_11_10_000_random_draws_stay_physical_for_60_days():
    draws_stay_physical(range(100, 140), 250, 60.0)
