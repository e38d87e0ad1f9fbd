"""Readings correct the forecast: laws that hold whatever the pile, and twins whose truth is known.

The full proof on many twins is in ``test_assimilate_twins.py`` (soak).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from docs.assimilation_twins import CLASSES, FACTS, plan_of, twin, weather_of

from heapwright.data.pile import squeeze_classes
from heapwright.errors import InputError
from heapwright.science.assimilate import MOST_MEMBERS, assimilate, what_if
from heapwright.science.assimilate_readings import (
    MOST_ROWS,
    Height,
    Moisture,
    Temperature,
    rows_of,
    squeezed,
    weights,
)
from heapwright.science.assimilate_vector import (
    Members,
    frame_of,
    members_at,
    vectors,
)
from heapwright.science.heap_shape import HeapShape
from heapwright.science.pile_forecast import Act, drawn, forecast

BAY = HeapShape("bay", 1.2, 1.2, 1.2)
FEW = 60


def hot_twin():
    """A twin whose core is well above 50 °C for a week, so that the model is sure of it."""
    return twin(5, foreign=False)


def corrected(one, readings, days, **options):
    given = {"members": FEW, "seed": 3, **options}
    return assimilate(one.plan, one.weather, FACTS, CLASSES, readings, days=days, **given)


def same(a, b):
    for name in ("core_temp_c", "shell_temp_c", "moisture_pct", "volume_m3", "peak_temp_c"):
        for level in ("p5", "p50", "p95"):
            np.testing.assert_array_equal(
                getattr(getattr(a, name), level), getattr(getattr(b, name), level)
            )


def test_without_readings_it_is_the_plain_forecast():
    one = hot_twin()
    plain = forecast(one.plan, one.weather, FACTS, CLASSES, days=9, members=30, seed=3)
    found = corrected(one, [], 9, members=30)
    same(found.forecast, plain)
    assert found.used == found.set_aside == ()
    assert found.learned is None
    same(what_if(found, one.plan.acts), plain)


def test_the_same_seed_gives_the_same_answer_and_order_does_not_matter():
    one = hot_twin()
    readings = one.before(9)
    first = corrected(one, readings, 12)
    same(first.forecast, corrected(one, readings, 12).forecast)
    shuffled = [readings[i] for i in np.random.default_rng(4).permutation(len(readings))]
    again = corrected(one, shuffled, 12)
    same(first.forecast, again.forecast)
    np.testing.assert_array_equal(first.learned.mean, again.learned.mean)
    other = corrected(one, readings, 12, seed=4)
    assert np.abs(other.forecast.core_temp_c.p50 - first.forecast.core_temp_c.p50).max() > 0.0


def test_readings_narrow_the_band_and_bring_it_to_the_truth():
    one = hot_twin()
    plain = forecast(one.plan, one.weather, FACTS, CLASSES, days=14, members=FEW, seed=3)
    found = corrected(one, one.before(7), 14)
    at = np.searchsorted(plain.hours, 24.0 * 8)
    width = [b.core_temp_c.p95[at] - b.core_temp_c.p5[at] for b in (plain, found.forecast)]
    assert width[1] < 0.7 * width[0]
    error = [abs(b.core_temp_c.p50[at] - one.core_at(8)) for b in (plain, found.forecast)]
    assert error[1] < max(error[0], 3.0)
    assert found.now_hour >= max(r.hour for r in found.used)
    assert len(found.used) + len(found.set_aside) == len(one.before(7))


def test_the_books_close_over_past_and_future():
    found = corrected(hot_twin(), hot_twin().before(7), 14)
    assert found.forecast.balance.mass_residual < 1e-6
    assert found.forecast.balance.energy_residual < 1e-6
    assert found.forecast.hours[-1] == pytest.approx(14 * 24.0)
    assert np.all(np.diff(found.forecast.hours) > 0.0)


def with_changed(readings, place, temp_c):
    """Return the readings with one temperature changed; ``place`` counts core points only."""
    cores = [i for i, r in enumerate(readings) if getattr(r, "point", "") == "core"]
    out = list(readings)
    out[cores[place]] = replace(out[cores[place]], temp_c=temp_c)
    return out, out[cores[place]]


@pytest.mark.parametrize(
    ("temp_c", "reason"),
    [(98.0, "no other reading"), (19.0, "may not have stood in the core")],
)
def test_a_reading_that_no_other_shares_is_set_aside_with_its_reason(temp_c, reason):
    one = hot_twin()
    readings, odd = with_changed(one.before(16), 5, temp_c)
    found = corrected(one, readings, 17)
    assert [aside.observation for aside in found.set_aside] == [odd]
    assert reason in found.set_aside[0].reason
    assert abs(found.set_aside[0].expected - one.core_at(odd.hour / 24.0)) < 8.0
    clean = corrected(one, [r for r in readings if r is not odd], 17)
    gap = np.abs(clean.forecast.core_temp_c.p50 - found.forecast.core_temp_c.p50)
    assert gap.max() < 2.5


def test_fahrenheit_typed_as_celsius_is_told():
    one = twin(5, foreign=False)
    cores = [r for r in one.before(20) if getattr(r, "point", "") == "core"]
    cool = min(range(len(cores)), key=lambda i: cores[i].temp_c)
    fahrenheit = cores[cool].temp_c * 1.8 + 32.0
    readings, odd = with_changed(one.before(20), cool, min(fahrenheit, 119.0))
    found = corrected(one, readings, 21)
    assert [aside.observation for aside in found.set_aside] == [odd]
    assert "°F" in found.set_aside[0].reason


def failing(one, excess_c=4.0):
    """Readings of a pile that simply never heats."""
    rng = np.random.default_rng(8)
    found = []
    for day in range(1, 11):
        hour = 24.0 * day - 3.0
        air = one.weather.at(hour, 0.0).temp_c
        base = 0.5 * (air + one.plan.start_temp_c) + excess_c
        for point in ("core", "middle", "edge"):
            found.append(Temperature(hour, base + rng.normal(0, 1.2), point))
    return found


def test_a_pile_that_fails_to_heat_is_believed():
    one = hot_twin()
    readings = failing(one)
    found = corrected(one, readings, 17, members=200)
    plain = forecast(one.plan, one.weather, FACTS, CLASSES, days=17, members=200, seed=3)
    at = np.searchsorted(plain.hours, 24.0 * 10)
    assert plain.core_temp_c.p5[at] > readings[-3].temp_c + 10.0, "the model was not surprised"
    assert found.set_aside == ()
    assert found.forecast.core_temp_c.p95[at + 8] < plain.core_temp_c.p50[at + 8] - 10.0
    assert abs(found.forecast.core_temp_c.p50[at] - readings[-3].temp_c) < 6.0
    assert found.drift_c > 2.0


def test_what_if_continues_the_same_members():
    one = hot_twin()
    found = corrected(one, one.before(7), 14)
    plan = what_if(found, one.plan.acts)
    at = np.searchsorted(found.forecast.hours, found.now_hour - 1e-6)
    np.testing.assert_allclose(plan.core_temp_c.p50, found.forecast.core_temp_c.p50[at:], atol=1e-9)
    day = found.now_hour / 24.0
    left = what_if(found, [])
    turned = what_if(found, [Act(day + 1.0, "turned")])
    before = left.hours < (day + 1.0) * 24.0 - 1e-6
    np.testing.assert_allclose(
        turned.core_temp_c.p50[before], left.core_temp_c.p50[before], atol=1e-9
    )
    just = int(before.sum())
    assert turned.core_temp_c.p50[just] < left.core_temp_c.p50[just] - 2.0
    soaked = what_if(found, [Act(day + 1.0, "wetted", litres=150.0)])
    assert soaked.moisture_pct.p50[-1] > left.moisture_pct.p50[-1] + 1.0
    with pytest.raises(InputError, match="forecast more days"):
        what_if(found, [], days=day)


def test_moisture_and_height_correct_the_forecast_too():
    one = hot_twin()
    plain = corrected(one, [], 8, members=120).forecast
    at = np.searchsorted(plain.hours, 24.0 * 5)
    wet = float(plain.moisture_pct.p95[at])
    found = corrected(one, [Moisture(24.0 * 5, wet, 2.0)], 8, members=120).forecast
    middle = float(plain.moisture_pct.p50[at])
    assert found.moisture_pct.p50[at] > middle + 0.4 * (wet - middle)
    shape = one.plan.shape
    share = float(plain.volume_m3.p5[at] / plain.volume_m3.p50[0])
    low = corrected(one, [Height(24.0 * 5, shape.height_m * share)] * 3, 8, members=120).forecast
    assert low.volume_m3.p50[at] < plain.volume_m3.p50[at]


def test_squeeze_classes_rise_and_carry_the_hand_s_error():
    told = [squeezed(10.0, felt, FACTS) for felt in squeeze_classes().values()]
    assert [one.moisture_pct for one in told] == sorted(one.moisture_pct for one in told)
    assert all(one.error_pct >= FACTS["read_moisture_pct"].typical for one in told)


def test_depth_passes_from_air_through_shell_to_core():
    shown = [weights(Temperature(1.0, 20.0, depth_cm=d), BAY, 0.22) for d in range(0, 61, 5)]
    core, shell, air = (np.array(one) for one in zip(*(w[:3] for w in shown), strict=True))
    np.testing.assert_allclose(core + shell + air, 1.0)
    assert np.all(np.diff(core) >= 0.0)
    assert np.all(np.diff(air) <= 0.0)
    assert air[0] > 0.5
    assert core[-1] == 1.0
    assert weights(Temperature(1.0, 20.0, depth_cm=11.0), BAY, 0.22)[1] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("point", "expected"),
    [("Core", (1.0, 0.0)), ("left edge", (0.0, 1.0)), ("centre 2", (1.0, 0.0)), ("a", (0.5, 0.5))],
)
def test_a_point_s_name_tells_its_zone(point, expected):
    assert weights(Temperature(1.0, 20.0, point), BAY, 0.22)[:2] == expected


def test_a_stated_zone_beats_the_name():
    assert weights(Temperature(1.0, 20.0, "edge", zone="core"), BAY, 0.22)[:2] == (1.0, 0.0)


def test_a_logger_is_averaged_and_each_reading_is_accounted_for():
    rng = np.random.default_rng(2)
    dense = [
        Temperature(i / 6.0, 40.0 + rng.normal(), name)
        for i in range(6 * 24 * 12)
        for name in ("core", "edge")
    ]
    rows = rows_of(dense, BAY, 0.22, FACTS, hot_twin().weather)
    assert len(rows.hour) <= MOST_ROWS
    assert sorted(i for of in rows.of for i in of) == list(range(len(dense)))
    assert rows.each.min() > 0.3


@pytest.mark.parametrize("shape", ["bay", "windrow"])
def test_vectors_and_members_are_each_other_s_inverse(shape):
    rng = np.random.default_rng(1)
    plan = replace(plan_of(rng), shape=HeapShape(shape, 1.5, 1.5, 1.2))
    parameters, recipe, _ = drawn(plan, FACTS, CLASSES, members=40, seed=2)
    members = Members(parameters, recipe)
    frame = frame_of(members, FACTS, plan.shape)
    x = np.clip(rng.standard_normal((len(frame.names), 40)), -2.0, 2.0)
    changed = members_at(frame, members, x)
    np.testing.assert_allclose(vectors(frame, changed), x, atol=1e-6)
    np.testing.assert_allclose(changed.recipe.mass_kg, recipe.mass_kg)
    for name in ("water_kg", "ash_kg", "inert_kg", "fast_kg", "slow_kg"):
        assert np.all(getattr(changed.recipe, name) > 0.0)
    far = members_at(frame, members, 50.0 * x)
    assert np.all(np.isfinite(far.recipe.dry_kg))
    assert all(np.all(value > 0.0) for key, value in far.parameters.items() if key != "t_min_c")


def test_what_cannot_be_is_refused():
    one = hot_twin()
    for reading, message in (
        (Temperature(-5.0, 20.0, "core"), "before building"),
        (Temperature(24.0 * 9, 20.0, "core"), "after the forecast's end"),
        (Temperature(24.0, 400.0, "core"), "cannot be"),
        (Moisture(24.0, 130.0, 5.0), "cannot be"),
        (Moisture(24.0, 50.0, 0.0), "error above zero"),
        (Height(24.0, float("nan")), "cannot be"),
    ):
        with pytest.raises(InputError, match=message):
            corrected(one, [reading], 8)


def test_one_reading_is_enough_and_members_stay_within_bounds():
    one = twin(9, foreign=False)
    found = corrected(one, [Temperature(30.0, 31.0, "core")], 6, members=5000)
    assert found.forecast.members == MOST_MEMBERS
    assert len(found.used) == 1


def test_weather_of_is_as_long_as_a_twin():
    weather = weather_of(np.random.default_rng(3))
    assert len(weather.temp_c) >= (28 + 7) * 24
