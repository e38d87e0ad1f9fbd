"""Lanes reckon as NumPy does, number for number."""

import math

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numba.core.errors import TypingError

from heapwright.science.lanes import WIDTH, put, put_all, row, rows_as, where_less
from heapwright.science.pile_layout import State

FIGURES = st.floats(-1e6, -1e-3) | st.floats(1e-3, 1e6)


def lanes_of(figures):
    return arrays(np.float64, (WIDTH,), elements=figures)


@numba.njit(error_model="numpy")
def reckoned(a, found):
    x, y = row(a, 0), row(a, 1)
    z = x + 2.0
    z -= y
    z *= 3
    z /= y
    put(found, 0, z)
    put(found, 1, 1.0 / x - -y)
    put(found, 2, min(x, y))
    put(found, 3, max(0.5, x))
    put(found, 4, math.sqrt(abs(x)))
    put(found, 5, where_less(x, y, x, 7.0))
    put(found, 6, 2.5)


# compiled in the first example
@settings(deadline=None)
@given(lanes_of(FIGURES), lanes_of(FIGURES))
def test_arithmetic_of_each_lane_is_that_of_a_float(x, y):
    found = np.empty((7, WIDTH))
    reckoned(np.stack([x, y]), found)
    exact = [
        (x + 2.0 - y) * 3.0 / y,
        1.0 / x + y,
        np.minimum(x, y),
        np.maximum(0.5, x),
        np.sqrt(np.abs(x)),
        np.where(x < y, x, 7.0),
        np.full(WIDTH, 2.5),
    ]
    # a fused operation rounds once instead of twice
    size = (np.abs(x) + np.abs(y) + 2.0) * 1e-15
    assert np.all(np.abs(found[0] - exact[0]) <= 3.0 * size * (3.0 / np.abs(y) + 1.0))
    np.testing.assert_allclose(found[1], exact[1], rtol=1e-15, atol=1e-15 * np.abs(y).max())
    for i in range(2, 7):
        np.testing.assert_array_equal(found[i], exact[i])


@numba.njit(error_model="numpy")
def curved(a, found):
    put(found, 0, math.exp(row(a, 0)))
    put(found, 1, math.log(row(a, 1)))


@given(
    lanes_of(st.floats(-690.0, 690.0)),
    lanes_of(st.floats(1e-300, 1e300)),
)
@settings(max_examples=400, deadline=None)
def test_exponential_and_logarithm_are_those_of_numpy(x, y):
    found = np.empty((2, WIDTH))
    curved(np.stack([x, y]), found)
    np.testing.assert_allclose(found[0], np.exp(x), rtol=2e-15)
    np.testing.assert_allclose(found[1], np.log(y), rtol=1e-14, atol=1e-15)


def test_an_exponential_is_cut_off_where_a_float_would_overflow():
    found = np.empty((2, WIDTH))
    far = np.array([-1e9, -700.0, 700.0, 1e9, math.inf, -math.inf, 0.0, 1.0])
    curved(np.stack([far, np.ones(WIDTH)]), found)
    np.testing.assert_allclose(found[0], np.exp(np.clip(far, -700.0, 700.0)), rtol=2e-15)


@numba.njit
def named(a, found):
    state = rows_as(a, State)
    put_all(found, (state.loose, state.heat_core))


def test_rows_are_taken_by_name_and_put_in_order():
    a = np.arange(float(len(State._fields) * WIDTH)).reshape(-1, WIDTH)
    found = np.empty((2, WIDTH))
    named(a, found)
    np.testing.assert_array_equal(found, a[[-1, 0]])


def test_lanes_take_no_text():
    @numba.njit
    def wrong(a):
        put(a, 0, row(a, 0) + "1")

    with pytest.raises(TypingError):
        wrong(np.zeros((1, WIDTH)))
