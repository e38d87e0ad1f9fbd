"""Geometry of heaps against exact lengths and volumes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from heapwright.errors import InputError
from heapwright.science.heap_shape import SHAPES, HeapShape, geometry, parabola_arc_m

METRES = st.floats(0.2, 8.0)


def test_parabola_of_a_windrow_against_its_arc_length():
    # process facts, section 9: base 2.5 m, height 1.4 m, arc 3.929 m
    assert parabola_arc_m(2.5, 1.4) == pytest.approx(3.929, abs=5e-4)
    slope = 8.0 * 1.4 / 2.5**2
    exact, _ = quad(lambda x: math.hypot(1.0, slope * x), -1.25, 1.25)
    assert parabola_arc_m(2.5, 1.4) == pytest.approx(exact, rel=1e-9)


def test_bay_of_the_facts():
    g = geometry(HeapShape("bay", 1.2, 1.2, 1.2), 0.2)
    assert g.volume_m3 == pytest.approx(1.728)
    assert g.core_share == pytest.approx(0.8 * 0.8 * 0.9 / 1.728)
    assert g.core_area_m2 == pytest.approx(4 * 0.8 * 0.9 + 2 * 0.64)


def test_cone_against_its_formulas():
    g = geometry(HeapShape("cone", 2.0, 2.0, 1.0), 0.2)
    assert g.volume_m3 == pytest.approx(math.pi / 3)
    assert g.side_area_m2 == pytest.approx(math.pi * math.sqrt(2))
    # every point of the inner cone's flank lies the shell's thickness below the outer flank
    inner_height = g.core_share ** (1 / 3) * 1.0
    assert (1.0 - 0.5 * 0.2 - inner_height) / math.sqrt(2) == pytest.approx(0.2)


@given(shape=st.sampled_from(SHAPES), width=METRES, length=METRES, height=METRES,
       shell=st.floats(0.1, 0.4))  # fmt: skip
def test_every_heap_has_a_core_and_a_shell(shape, width, length, height, shell):
    g = geometry(HeapShape(shape, width, length, height), shell)
    assert 0.0 < g.core_share < 1.0
    assert g.core_area_m2 > 0
    assert g.core_depth_m > 0
    assert g.core_area_m2 < g.side_area_m2 + g.top_area_m2 + g.floor_area_m2


@pytest.mark.parametrize("bad", [{"width_m": 0.0}, {"height_m": math.nan}, {"length_m": -1.0}])
def test_an_impossible_size_is_refused_by_name(bad):
    size = {"width_m": 1.0, "length_m": 1.0, "height_m": 1.0, **bad}
    with pytest.raises(InputError, match=next(iter(bad))):
        HeapShape("bay", **size)
