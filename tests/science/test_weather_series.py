"""Hourly weather from hours, days and a typical year: nothing lost, nothing blank, best first."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heapwright.science import air
from heapwright.science.weather_series import (
    DayCurve,
    SiteDay,
    Stretch,
    TypicalMonth,
    hourly,
)

CURVE = DayCurve(6.0, 15.0)
MONTH = TypicalMonth(2.0, 10.0, 62.0, 3.0, dew_below_min_c=1.0)
TYPICAL = 3


def days(count, first_h=-24.0):
    return [SiteDay(first_h + 24.0 * n, first_h + 24.0 * (n + 1), MONTH, 2.0) for n in range(count)]


def made(*stretches, count=72, first_h=-24.0):
    return hourly(stretches, days(count // 24 + 3, first_h), count, CURVE, typical_rank=TYPICAL)


def day(number, rank=1, **figures):
    return Stretch(24.0 * number, 24.0 * (number + 1), rank, **figures)


def test_where_nobody_knows_the_typical_year_stands():
    found = made()
    assert set(found.rank["temp"]) == set(found.rank["rain"]) == {TYPICAL}
    assert found.rain_mm_h.sum() == pytest.approx(6.0)
    assert found.temp_c.min() == pytest.approx(2.0)
    assert found.temp_c.max() == pytest.approx(10.0)
    assert (int(found.temp_c[:24].argmin()), int(found.temp_c[:24].argmax())) == (6, 15)
    dew = air.saturated_humidity(np.array([1.0]))[0]
    assert found.humidity == pytest.approx(np.full(72, dew))
    assert np.all(found.wind_m_s == 3.0)


def test_a_day_passes_through_its_extremes_and_keeps_its_rain():
    found = made(day(1, temp_min_c=-3.0, temp_max_c=14.0, rain_mm=12.0, wind_m_s=5.0))
    assert found.temp_c[30] == pytest.approx(-3.0)
    assert found.temp_c[39] == pytest.approx(14.0)
    assert found.rain_mm_h[24:48].sum() == pytest.approx(12.0)
    assert found.rain_mm_h[:24].sum() == pytest.approx(2.0)
    assert set(found.rank["rain"][24:48]) == {1}
    assert np.all(found.wind_m_s[24:48] == 5.0)
    assert set(found.rank["temp"][:24]) == {TYPICAL}
    assert np.abs(np.diff(found.temp_c)).max() < 4.0  # no jump between the days


def test_only_one_of_the_extremes_takes_the_span_of_the_typical_day():
    found = made(day(1, temp_max_c=20.0))
    assert found.temp_c[30] == pytest.approx(12.0)
    found = made(day(1, temp_c=5.0))
    assert (found.temp_c[30], found.temp_c[39]) == pytest.approx((1.0, 9.0))
    found = made(day(1, rank=0, temp_min_c=4.0), day(1, temp_min_c=0.0, temp_max_c=20.0))
    assert (found.temp_c[30], found.temp_c[39]) == pytest.approx((4.0, 24.0))


def test_the_better_origin_holds_and_hours_beat_their_own_day():
    hours = [
        Stretch(24.0 + n, 25.0 + n, 1, temp_c=15.0, rain_mm=0.5, humidity_pct=50.0)
        for n in range(24)
    ]
    whole = day(1, rank=1, temp_min_c=0.0, temp_max_c=2.0, rain_mm=99.0)
    found = made(*hours, whole)
    assert np.all(found.temp_c[24:47] == 15.0)
    assert found.rain_mm_h[24:48].sum() == pytest.approx(12.0)
    assert found.humidity[30] == pytest.approx(0.5 * air.saturated_humidity(np.array([15.0]))[0])
    gauge = day(1, rank=0, rain_mm=7.0)
    found = made(*hours, whole, gauge)
    assert found.rain_mm_h[24:48].sum() == pytest.approx(7.0)
    assert np.all(found.temp_c[24:47] == 15.0)
    assert set(found.rank["rain"][24:48]) == {0}
    assert set(found.rank["temp"][24:48]) == {1}
    thermometer = day(1, rank=0, temp_min_c=0.0, temp_max_c=9.0)
    found = made(*hours, thermometer)
    assert found.temp_c[39] == pytest.approx(9.0)


def test_points_are_joined_where_they_touch_and_hold_where_they_do_not():
    rows = [Stretch(0.0, 6.0, 1, temp_c=0.0), Stretch(6.0, 12.0, 1, temp_c=6.0)]
    found = made(*rows)
    assert found.temp_c[:7] == pytest.approx(np.arange(7.0))
    assert found.temp_c[11] == pytest.approx(6.0)
    assert found.rank["temp"][12] == TYPICAL


def test_rows_told_twice_count_once():
    hour = [Stretch(float(n), n + 1.0, 1, rain_mm=1.0) for n in range(24)]
    three = [Stretch(float(n), n + 3.0, 1, rain_mm=3.0) for n in range(0, 24, 3)]
    assert made(*hour, *three).rain_mm_h[:24].sum() == pytest.approx(24.0)


def test_days_that_do_not_cover_the_hours_are_refused():
    with pytest.raises(ValueError, match="do not cover"):
        hourly([], days(2), 72, CURVE, typical_rank=TYPICAL)


stretches = st.lists(
    st.builds(
        lambda start, length, rank, low, span, rain, wet: Stretch(
            start, start + length, rank,
            temp_c=None if low is None else low + span / 2,
            temp_min_c=low, temp_max_c=None if low is None else low + span,
            rain_mm=rain, humidity_pct=wet,
        ),
        st.floats(-30.0, 90.0), st.sampled_from([1.0, 3.0, 23.0, 24.0, 25.0]),
        st.integers(0, 2), st.none() | st.floats(-30.0, 30.0), st.floats(0.0, 20.0),
        st.none() | st.floats(0.0, 50.0), st.none() | st.floats(0.0, 100.0),
    ),
    max_size=30,
)  # fmt: skip


@given(stretches, st.floats(-47.9, -0.1))
def test_nothing_is_blank_or_impossible_whatever_is_told(told, first_h):
    found = hourly(told, days(8, first_h - 24), 96, CURVE, typical_rank=TYPICAL)
    for values in (found.temp_c, found.humidity, found.wind_m_s, found.rain_mm_h):
        assert values.shape == (96,)
        assert np.isfinite(values).all()
    assert (found.rain_mm_h >= 0.0).all()
    assert (found.humidity <= air.saturated_humidity(found.temp_c) + 1e-12).all()
    known = {one.rank for one in told} | {TYPICAL}
    for ranks in found.rank.values():
        assert set(ranks.tolist()) <= known


@given(st.lists(st.floats(0.0, 60.0), min_size=4, max_size=4), st.integers(0, 23))
def test_rain_of_whole_days_is_kept_to_the_drop(rain, shift):
    """Days that begin at any hour of the grid: what fell in the whole of them is in the hours."""
    told = [
        Stretch(24.0 * n + shift, 24.0 * (n + 1) + shift, 1, rain_mm=mm)
        for n, mm in enumerate(rain)
    ]
    found = hourly(told, days(9), 120 + shift, CURVE, typical_rank=TYPICAL)
    assert found.rain_mm_h[shift : shift + 96].sum() == pytest.approx(sum(rain))
