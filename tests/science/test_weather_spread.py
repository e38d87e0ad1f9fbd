"""Weather that nobody knows differs from member to member; what is known does not."""

from dataclasses import replace

import numpy as np
import pytest
from tests.science.pile_setup import built, typical

from heapwright.data.pile import pile_parameters
from heapwright.data.weather import day_variation, figure
from heapwright.science.pile import simulate
from heapwright.science.pile_parameters import draw
from heapwright.science.pile_weather import typical_weather
from heapwright.science.weather_spread import WeatherSpread, lead_share

DAYS = 30


def spread(share):
    shares = np.full(DAYS + 2, float(share))
    return WeatherSpread(day_variation(), shares, shares)


def piles(weather, members=40):
    parameters = draw(pile_parameters(), members, np.random.default_rng(3))
    return simulate(built(parameters), parameters, weather, hours=24.0 * DAYS)


@pytest.fixture(scope="module")
def mean():
    return typical_weather(
        24.0 * DAYS, temp_mean_c=7.0, temp_swing_c=3.0, rain_mm_day=5.0, soil_temp_c=8.0
    )


def test_days_that_are_known_leave_every_member_as_it_was(mean):
    plain = piles(mean)
    known = piles(replace(mean, spread=spread(0.0)))
    np.testing.assert_allclose(known.core_temp_c, plain.core_temp_c, atol=1e-9)
    np.testing.assert_allclose(known.water_kg, plain.water_kg, rtol=1e-12)


def test_days_that_are_not_known_widen_the_shell_and_the_water(mean):
    plain, loose = piles(mean), piles(replace(mean, spread=spread(1.0)))
    for row in (8, 40, -1):
        apart = loose.shell_temp_c[row] - plain.shell_temp_c[row]
        assert np.std(apart) > 0.5
    assert loose.water_kg[-1].std() > 1.1 * plain.water_kg[-1].std()
    assert np.abs(loose.balance.mass_residual).max() < 1e-9
    assert np.abs(loose.balance.energy_residual).max() < 1e-9


def test_each_member_is_rained_on_by_its_own_days(mean):
    loose = replace(mean, spread=spread(1.0))
    _warmer, rain = loose.spread.drawn(40)
    parameters = typical(40)
    done = simulate(built(parameters), parameters, loose, hours=24.0)
    dry = rain[:, 0] == 0.0
    assert 5 < dry.sum() < 35
    assert np.all(done.totals["rain_kg"][dry] == 0.0)
    assert np.all(done.totals["rain_kg"][~dry] > 0.0)


def test_draws_keep_the_mean_and_are_the_same_each_time():
    warmer_c, rain = spread(1.0).drawn(4000)
    assert warmer_c.mean() == pytest.approx(0.0, abs=0.05)
    assert rain.mean() == pytest.approx(1.0, abs=0.03)
    assert rain.min() == 0.0
    again_c, again = spread(1.0).drawn(4000)
    np.testing.assert_array_equal(warmer_c, again_c)
    np.testing.assert_array_equal(rain, again)


def test_half_of_the_variation_is_half_as_wide():
    whole_c, whole = spread(1.0).drawn(500)
    half_c, half = spread(0.5).drawn(500)
    np.testing.assert_allclose(half_c, 0.5 * whole_c)
    np.testing.assert_allclose(half - 1.0, 0.5 * (whole - 1.0))


def test_a_forecast_leaves_more_the_further_ahead_it_looks():
    first, skill = figure("forecast_share_first").value, figure("forecast_skill_days").value
    share = lead_share(np.array([-3.0, 0.0, 5.0, 10.0, 30.0]), first, skill)
    assert share.tolist() == [0.4, 0.4, pytest.approx(0.7), 1.0, 1.0]
