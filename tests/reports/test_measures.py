"""Figures on a sheet: rounded to what is known, never past a limit, in the reader's units."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heapwright.reports import measures
from heapwright.reports.build_sheet import spread_apart
from heapwright.units import celsius_from_fahrenheit, fahrenheit_from_celsius


@pytest.mark.parametrize(
    ("shown", "wanted"),
    [
        (measures.mass(240, "metric"), "240"),
        (measures.mass(240, "us"), "529"),
        (measures.mass(1390, "us"), "3064"),
        (measures.mass(4.44, "metric"), "4.4"),
        (measures.volume(0.7645549, "us"), "1.00"),
        (measures.water(30, "us"), "7.9"),
        (measures.water(30, "metric"), "30"),
        (measures.density(593.28, "us"), "1000"),
        (measures.depth(0.10, "us"), "4"),
        (measures.depth(0.0635, "us"), "2½"),
        (measures.depth(0.004, "us"), "½"),
        (measures.depth(0.10, "metric"), "10"),
        (measures.depth(0.016, "metric"), "1.6"),
        (measures.length(1.2192, "us"), "4.0"),
        (measures.temp(54.96, "metric"), "54.9"),
        (measures.temp(55, "us"), "131.0"),
        (measures.temp(celsius_from_fahrenheit(130.96), "us"), "130.9"),
        (measures.halves(0.5), "½"),
        (measures.halves(3), "3"),
        (measures.halves(2.5), "2½"),
        (measures.halves(0), "0"),
    ],
)
def test_a_figure_is_rounded_to_what_is_known(shown, wanted):
    assert shown == wanted


@given(st.floats(-20, 95), st.sampled_from(["us", "metric"]))
def test_a_shown_temperature_is_never_above_the_one_read(temp_c, units):
    read = temp_c if units == "metric" else fahrenheit_from_celsius(temp_c)
    shown = float(measures.temp(temp_c, units))
    assert shown <= read + 1.1e-5
    assert shown > read - 0.1001


def test_a_sentence_gains_fahrenheit_and_keeps_celsius():
    said = measures.in_units("lowest 54.9 °C less 1 °C of probe error is below 55 °C", "us")
    assert said.replace("\u00a0", " ") == (
        "lowest 130.8 °F (54.9 °C) less 1.8 °F of probe error is below 131 °F (55 °C)"
    )
    both = "Keep every point at or above 55 °C (131 °F)."
    told = measures.in_units(both, "us").replace("\u00a0", " ")
    assert told == "Keep every point at or above 131 °F (55 °C)."
    noted = "as written down on 2026-11-25: check"
    assert measures.in_units(noted, "metric") == "as written down on 25 Nov 2026: check"
    assert measures.in_units("below 55 °C", "metric") == "below 55 °C"


@pytest.mark.parametrize(
    ("mass_kg", "units", "said"),
    [(0.02, "us", "under 1"), (3.5, "us", "8"), (0.0, "us", "0"), (0.6, "metric", "1")],
)
def test_a_trace_of_a_delivery_is_under_one_and_never_nought(mass_kg, units, said):
    assert measures.part(mass_kg, units) == said


@given(st.lists(st.floats(0, 100), min_size=1, max_size=40).map(sorted))
def test_labels_keep_their_order_their_gap_and_the_room(wanted):
    gap = 100 / len(wanted)
    placed = spread_apart(wanted, min(gap, 4.0), low=0, high=100)
    assert len(placed) == len(wanted)
    assert all(b - a >= min(gap, 4.0) - 1e-6 for a, b in pairwise(placed))
    assert placed[0] >= -1e-6
    assert placed[-1] <= 100 + 1e-6


def test_labels_with_room_stay_where_they_want_and_collisions_share_the_way():
    assert spread_apart([10, 50, 90], 4, low=0, high=100) == [10, 50, 90]
    placed = spread_apart([50, 50], 4, low=0, high=100)
    assert placed == [48, 52]
    assert math.isclose(sum(placed) / 2, 50)
