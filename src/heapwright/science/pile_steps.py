"""Integration in time: every member of the ensemble in lock-step, finer where it must be.

A hot pile is stiff: near the temperature at which its life stops, heat falls by half within a
degree or two. The method is therefore linearly implicit, ROS34PW2 of Rang & Angermann 2005 (BIT
Numerical Mathematics 45:761), third order with an estimate of the error and L-stable, whose
order holds for whatever Jacobian it is given. Ours has only the change of each zone's decay
with its temperature: what decay does to heat, water, pools and totals, times a factor. Because
decay conserves mass and energy, so do the steps, to rounding.

Members whose error is too large repeat the stretch in as many steps as they need.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from heapwright.errors import HeapwrightError
from heapwright.science.pile_layout import (
    ACTIVE,
    HEAT,
    POOLS,
    ROWS,
    STATE_ROWS,
    TOTALS,
    Coefficients,
)
from heapwright.science.pile_rates import rates, solids_and_capacity
from heapwright.science.pile_weather import Weather

Array = npt.NDArray[np.float64]

ERROR_C: Final = 0.03
"""Limit of the estimated error of a step; keeps 99 of 100 members within 0.1 °C for 60 days."""

ACTIVITY_ERROR: Final = 1e-2
JUMP_C: Final = 8.0
FINEST: Final = 4096
MOST_PARTS: Final = 8

GAMMA: Final = 0.435866521508459
ALPHA_21: Final = 0.871733043016918
ALPHA_31: Final = 0.8445706001536942
ALPHA_32: Final = -0.11299064236484185
GAMMA_21: Final = -0.871733043016918
GAMMA_31: Final = -0.9033805701304408
GAMMA_32: Final = 0.054180672388095326
GAMMA_41: Final = 0.24212380706095346
GAMMA_42: Final = -1.2232505839045147
GAMMA_43: Final = 0.5452602553351021
WEIGHTS: Final = (0.24212380706095346, -1.2232505839045147, 1.545260255335102, GAMMA)
EMBEDDED: Final = (0.3781090314581937, -0.09604229221242318, 0.5, 0.2179332607542295)
ERROR_WEIGHTS: Final = tuple(a - b for a, b in zip(WEIGHTS, EMBEDDED, strict=True))


class Stiff(NamedTuple):
    """The Jacobian of decay by the enthalpies: ``effect`` x ``slope`` for each zone.

    ``effect`` (4, 2, members) is what decay does per hour to heat, water, fast and slow pool of
    each zone; ``made`` and ``bound`` (2, members) what it does to the first two totals;
    ``slope`` (2, members) its relative change per kJ.
    """

    effect: Array
    made: Array
    bound: Array
    slope: Array


def stiff_part(c: Coefficients, y: Array, f: Array, steepness: Array) -> Stiff:
    """Return the Jacobian of decay at a state whose rates are ``f``."""
    _, capacity = solids_and_capacity(c, y)
    members = y.shape[1]
    effect = np.empty((4, 2, members))
    effect[2:] = f[POOLS].reshape(2, 2, members)
    lost = effect[2] + effect[3]
    np.negative(lost, out=lost)
    made = lost * c.heat_yield
    bound = y[HEAT] / capacity
    bound *= c.bound_yield
    bound *= lost
    np.add(made, bound, out=effect[0])
    np.multiply(lost, c.water_yield, out=effect[1])
    return Stiff(effect, made, bound, steepness / capacity)


def stretch(
    c: Coefficients,
    y: Array,
    start: float,
    end: float,
    weather: Weather,
    steps: int,
    error_c: float = ERROR_C,
) -> tuple[Array, Array]:
    """Take ``steps`` equal steps from ``start`` to ``end``.

    Returns the state, and the largest error of a step over its limit per member.
    """
    h = (end - start) / steps
    members = y.shape[1]
    worst = np.zeros(members)
    rain = weather.rain_between(start, end)
    f = np.empty((4, ROWS, members))
    for i in range(steps):
        y, error = _step(c, y, start + i * h, h, weather, rain, f, error_c)
        np.maximum(worst, error, out=worst)
    return y, worst


def _step(
    c: Coefficients,
    y: Array,
    t: float,
    h: float,
    weather: Weather,
    rain: float,
    f: Array,
    error_c: float,
) -> tuple[Array, Array]:
    """Take one step; ``f`` is room for the rates of the four stages.

    Stages k_i = f(U_i) + h J (sum of gamma_ij k_j); J has the columns of enthalpy only and no
    exchange between the zones, so each k of enthalpy is solved for on its own.
    """
    members = y.shape[1]
    state = y[:STATE_ROWS]
    f1, f2, f3, f4 = f
    steepness = np.empty((2, members))
    rates(c, state, weather.at(t, rain), f1, steepness)
    stiff = stiff_part(c, y, f1, steepness)
    effect, slope = stiff.effect, stiff.slope
    h_lambda = h * slope * effect[0]
    solved = 1.0 / (1.0 - GAMMA * h_lambda)

    def stage(base: Array, v: Array) -> Array:
        """Add h² J v to the rows that decay changes."""
        scaled = v * slope
        scaled *= h * h
        changed = base[:8].reshape(4, 2, members)
        changed += effect * scaled
        return base

    k1 = f1[HEAT] * solved
    v1 = GAMMA * k1
    u = (h * ALPHA_21) * f1[:STATE_ROWS]
    u += state
    rates(c, stage(u, ALPHA_21 * v1), weather.at(t + ALPHA_21 * h, rain), f2)
    g = GAMMA_21 * k1
    k2 = (f2[HEAT] + h_lambda * g) * solved
    v2 = g + GAMMA * k2
    u = (h * ALPHA_31) * f1[:STATE_ROWS]
    u += (h * ALPHA_32) * f2[:STATE_ROWS]
    u += state
    stage(u, ALPHA_31 * v1 + ALPHA_32 * v2)
    rates(c, u, weather.at(t + (ALPHA_31 + ALPHA_32) * h, rain), f3)
    g = GAMMA_31 * k1 + GAMMA_32 * k2
    k3 = (f3[HEAT] + h_lambda * g) * solved
    v3 = g + GAMMA * k3
    u = h * f3[:STATE_ROWS]
    u += state
    rates(c, stage(u, v3), weather.at(t + h, rain), f4)
    g = GAMMA_41 * k1 + GAMMA_42 * k2 + GAMMA_43 * k3
    k4 = (f4[HEAT] + h_lambda * g) * solved
    v4 = g + GAMMA * k4

    b1, b2, b3, b4 = WEIGHTS
    new = (h * b1) * f1
    new += (h * b2) * f2
    new += (h * b3) * f3
    new += (h * b4) * f4
    v = b1 * v1 + b2 * v2 + b3 * v3 + b4 * v4
    stage(new, v)
    v *= slope
    v *= h * h
    totals = new[TOTALS]
    totals[0] += (stiff.made * v).sum(axis=0)
    totals[1] += (stiff.bound * v).sum(axis=0)
    new += y
    return new, _error(c, y, new, f, (k1, k2, k3, k4), h, error_c)


def _error(
    c: Coefficients,
    y: Array,
    new: Array,
    f: Array,
    k: tuple[Array, Array, Array, Array],
    h: float,
    error_c: float,
) -> Array:
    """Return the estimated error of a step over its limit, (members,)."""
    e1, e2, e3, e4 = ERROR_WEIGHTS
    error = np.abs(e1 * k[0] + e2 * k[1] + e3 * k[2] + e4 * k[3])
    _, capacity = solids_and_capacity(c, new)
    error /= capacity
    error *= h / error_c
    # A jump hides what happened within it: the estimate may be small by accident.
    jump = new[HEAT] - y[HEAT]
    jump /= capacity
    np.abs(jump, out=jump)
    jump *= 1.0 / JUMP_C
    np.maximum(error, jump, out=error)
    f1, f2, f3, f4 = f
    lively = np.abs(e1 * f1[ACTIVE] + e2 * f2[ACTIVE] + e3 * f3[ACTIVE] + e4 * f4[ACTIVE])
    lively *= h / ACTIVITY_ERROR
    np.maximum(error, lively, out=error)
    worst: Array = error.max(axis=0)
    return worst


def advance(
    c: Coefficients,
    y: Array,
    start: float,
    end: float,
    weather: Weather,
    error_c: float = ERROR_C,
) -> Array:
    """Bring every member from ``start`` to ``end`` within the limits of error.

    Raises
    ------
    HeapwrightError
        If a member needs more than FINEST steps, which no physical pile does.
    """
    # A first try that overflows is not finite, so it is repeated in finer steps.
    with np.errstate(all="ignore"):
        result, error = stretch(c, y, start, end, weather, 1, error_c)
        bad = np.flatnonzero(~(error <= 1.0))
        steps = 1
        while bad.size:
            steps = max(steps + 1, steps * steps_needed(error[~(error <= 1.0)]))
            if steps > FINEST:
                raise HeapwrightError("the pile model found no stable step; report this pile")
            part = c.take(bad)
            done, error = stretch(part, y[:, bad], start, end, weather, steps, error_c)
            result[:, bad] = done
            bad = bad[~(error <= 1.0)]
    # The last step may overshoot full activity by its own error; nothing is kept by it.
    np.clip(result[ACTIVE], 0.0, 1.0, out=result[ACTIVE])
    return result


def steps_needed(error: Array) -> int:
    """Return into how many steps to part one, its error going with the third power."""
    worst = float(np.max(np.where(np.isfinite(error), error, 1e9)))
    return min(max(int(np.ceil(worst ** (1.0 / 3.0))), 2), MOST_PARTS)
