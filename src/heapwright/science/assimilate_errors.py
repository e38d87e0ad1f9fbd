"""What the model leaves unexplained: lasting offsets, scatter, and a drift of its own.

The model is wrong in ways that no choice of its figures mends. Beside its run each zone has a
drift: an Ornstein-Uhlenbeck process (correlation exp(-|Δt|/τ)), shared in part by the zones. The
drift keeps the figures from being fitted to what they cannot explain, carries what is left at
the last reading into the coming days, where it fades, and widens the band. How strong it is
follows from the readings themselves.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.science.assimilate_readings import Rows

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

DRIFT_HOURS: Final = 200.0
DRIFT_SHARED: Final = 0.7
"""Correlation of the drifts of core and shell."""

DRIFTS_C: Final = np.array([0.25, 0.5, 0.9, 1.6, 2.8, 5.0, 9.0, 16.0])
DRIFT_MIDDLE_C: Final = 0.5
DRIFT_SPREAD: Final = 1.5
"""Before any reading: half a degree or five; the readings say."""

WIDENINGS: Final = np.array([0.85, 1.1, 1.4, 1.8, 2.4, 3.0])
WIDENING_SPREAD: Final = 0.7
"""How much wider than their ranges the figures may have to be taken for the readings to be no
surprise; likely not at all."""

FULL_EXCESS_C: Final = 40.0
LEAST_LIFT: Final = 0.2
ABOUT_HOURS: Final = 36.0
BEGUN_HOURS: Final = 24.0
"""The drift has its full strength in a heap 40 °C above the air, a fifth in one at the air's
temperature; readings within a day and a half tell how hot it is."""

ROUGH: Final = np.array([0.85, 1.1, 1.45, 1.9])
ROUGH_SPREAD: Final = 0.35
"""How rough the readings of a pile are beside what is usual: other probes, other hands."""

HEAVY: Final = 4.0
"""Degrees of freedom of the tails with which drifts are compared, so that one wrong reading
does not make a strong drift likely."""

OUTLIER: Final = 4.0
"""A reading this many standard deviations off what all other readings and the model tell
together is set aside."""

MOST_ASIDE: Final = 0.25
"""No more than this share of the readings is set aside: beyond it they are the truth."""


def lift(rows: Rows, hours: Array, excess_c: Array, air_c: Array) -> Array:
    """Return how much of the drift's strength holds at ``hours``, from a little to 1.

    What a model can be wrong by is little in a heap near the air's temperature, or just built of
    what was about as warm as the air, and much in a hot one. A heap counts as hot that is so in
    the model or by the readings about that time, so that a pile which fails to heat, or heats
    against the forecast, has room to differ.

    Parameters
    ----------
    rows : Rows
    hours : array (times,)
    excess_c : array (times,)
        The ensemble's mean core less the air.
    air_c : array (rows,)
        The air's temperature at the rows.
    """
    thermal = np.flatnonzero(rows.thermal)
    above = rows.value[thermal] - air_c[thermal]
    seen = np.zeros(len(hours))
    if thermal.size:
        last = float(rows.hour[thermal].max())
        for i, hour in enumerate(np.minimum(hours, last)):
            near = np.abs(rows.hour[thermal] - hour) <= ABOUT_HOURS
            if near.any():
                seen[i] = np.median(above[near])
        seen *= np.exp(-np.maximum(hours - last, 0.0) / DRIFT_HOURS)
    raised: Array = np.clip(np.maximum(excess_c, seen) / FULL_EXCESS_C, LEAST_LIFT, 1.0)
    raised *= np.clip(hours / BEGUN_HOURS, LEAST_LIFT, 1.0)
    return raised


def covariance(rows: Rows, drift_c: float, lifted: Array) -> Array:
    """Return the covariance of what the rows show beside the model, (rows, rows)."""
    same = rows.group[:, None] == rows.group[None, :]
    found = np.where(same, np.outer(rows.lasting, rows.lasting), 0.0)
    strength = drift_c * lifted
    drift = _drift(rows, rows.hour, rows.core, rows.shell)
    found += strength[:, None] * drift * strength[None, :]
    found[np.diag_indices(len(rows.hour))] += rows.each**2
    return found


def _drift(rows: Rows, hour: Array, core: Array, shell: Array) -> Array:
    """Return the correlation of the drift at the rows with that at other times and places."""
    fade = np.exp(-np.abs(rows.hour[:, None] - hour[None, :]) / DRIFT_HOURS)
    zones = np.outer(rows.core, core) + np.outer(rows.shell, shell)
    zones += DRIFT_SHARED * (np.outer(rows.core, shell) + np.outer(rows.shell, core))
    correlation: Array = fade * zones
    return correlation


def left_out(total: Array, off: Array) -> tuple[Array, Array]:
    """Return for each row what the others leave unexplained of it and its standard deviation.

    ``total`` is the covariance of the rows, ``off`` what was seen less what is expected.
    """
    inverse = np.linalg.inv(total)
    scale = 1.0 / np.maximum(np.diag(inverse), 1e-12)
    gap: Array = (inverse @ off) * scale
    return gap, np.sqrt(scale)


def chances(rows: Rows, off: Array, modelled: Array, used: Flags, lifted: Array) -> Array:
    """Return the probability of each strength of the drift and each roughness of the readings.

    Likely is what foretells each reading from the others best, with heavy tails, so that one
    wrong reading does not make a strong drift likely.

    Parameters
    ----------
    rows : Rows
    off : array (rows,)
        Seen less the ensemble's mean.
    modelled : array (rows, rows)
        Covariance of the ensemble at the rows.
    used : array (rows,) of bool
    lifted : array (rows,)

    Returns
    -------
    array (drifts, roughnesses)
        In the order of :data:`DRIFTS_C` and :data:`ROUGH`.
    """
    here = np.ix_(used, used)
    score = -0.5 * ((np.log(DRIFTS_C / DRIFT_MIDDLE_C) / DRIFT_SPREAD) ** 2)[:, None]
    score = score - 0.5 * (np.log(ROUGH) / ROUGH_SPREAD) ** 2
    for k, rough in enumerate(ROUGH):
        read = roughened(rows, float(rough))
        for i, drift_c in enumerate(DRIFTS_C):
            total = modelled[here] + covariance(read, float(drift_c), lifted)[here]
            gap, sd = left_out(total, off[used])
            z = gap / sd
            score[i, k] += float(np.sum(-np.log(sd) - 0.5 * (HEAVY + 1.0) * np.log1p(z**2 / HEAVY)))
    chance = np.exp(score - score.max())
    shares: Array = chance / chance.sum()
    return shares


def roughened(rows: Rows, rough: float) -> Rows:
    """Return rows whose scatter and offsets are ``rough`` times what is usual."""
    return replace(rows, each=rough * rows.each, lasting=rough * rows.lasting)


def typical_drift(chances: Array) -> float:
    """Return the geometric mean of the drift's strength."""
    return float(np.exp(chances @ np.log(DRIFTS_C)))


def widening(rows: Rows, off: Array, modelled: Array, used: Flags, lifted: Array) -> float:
    """Return the factor by which the ensemble's spread has to grow for the readings to fit in.

    The mean over :data:`WIDENINGS` weighted by the evidence, the drift's strength summed over.
    """
    here = np.ix_(used, used)
    score = np.empty((len(WIDENINGS), len(DRIFTS_C)))
    for k, drift_c in enumerate(DRIFTS_C):
        errors = covariance(rows, drift_c, lifted)[here]
        for i, wide in enumerate(WIDENINGS):
            root = np.linalg.cholesky(wide**2 * modelled[here] + errors)
            z = np.linalg.solve(root, off[used])
            score[i, k] = -float(np.log(np.diag(root)).sum()) - 0.5 * float(z @ z)
    score -= 0.5 * (np.log(DRIFTS_C / DRIFT_MIDDLE_C) / DRIFT_SPREAD) ** 2
    score -= 0.5 * ((np.log(WIDENINGS) / WIDENING_SPREAD) ** 2)[:, None]
    chance = np.exp(score - score.max()).sum(axis=1)
    return float(chance @ WIDENINGS / chance.sum())


def judged(
    rows: Rows, off: Array, modelled: Array, drift_c: float, lifted: Array
) -> tuple[Flags, Array, Array]:
    """Return which rows are kept, and for each what was expected and its standard deviation.

    The worst reading is left out first and the others judged again without it, so that one
    wrong reading does not cast doubt on its neighbours. Readings that agree with each other
    speak for each other through their shared drift and offset, however far off the model is.
    """
    total = modelled + covariance(rows, drift_c, lifted)
    used = np.ones(len(off), dtype=np.bool_)
    most = max(int(MOST_ASIDE * len(off)), 1) if len(off) > 1 else 0
    for _ in range(most):
        places = np.flatnonzero(used)
        gap, sd = left_out(total[np.ix_(places, places)], off[places])
        worst = int(np.argmax(np.abs(gap) / sd))
        if abs(gap[worst]) <= OUTLIER * sd[worst]:
            break
        used[places[worst]] = False
    places = np.flatnonzero(used)
    weight = np.linalg.solve(total[np.ix_(places, places)], total[places])
    expected = weight.T @ off[places]
    spread = np.sqrt(np.maximum(np.diag(total) - np.sum(weight * total[places], axis=0), 0.0))
    gap, sd = left_out(total[np.ix_(places, places)], off[places])
    expected[places], spread[places] = off[places] - gap, sd
    return used, expected, spread


def drift_paths(
    rows: Rows,
    residual: Array,
    used: Flags,
    lifted: Array,
    hours: Array,
    raised: Array,
    drifts_c: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Return a drift of core and shell for each member that fits what it leaves unexplained.

    A path is drawn without regard to readings, then bent to them (conditioning by kriging), so
    that all members together have the right mean, spread and correlation in time.

    Parameters
    ----------
    rows : Rows
    residual : array (rows, members)
        Seen less modelled by each member.
    used : array (rows,) of bool
    lifted : array (rows,)
    hours : array (times,)
    raised : array (times,)
        The drift's :func:`lift` at the rows and at the hours.
    drifts_c : array (members,)
        The strength of each member's drift.
    rng : numpy Generator

    Returns
    -------
    two arrays (times, members), °C
    """
    members = residual.shape[1]
    places = np.flatnonzero(used & rows.thermal)
    at = np.concatenate([hours, rows.hour[places]])
    core, shell = _free(at, members, rng)
    count = len(hours)
    each = rng.standard_normal((len(places), members)) * rows.each[places, None]
    offsets = rng.standard_normal((int(rows.group.max(initial=0)) + 1, members))
    noise = each + offsets[rows.group[places]] * rows.lasting[places, None]
    seen = rows.core[places, None] * core[count:] + rows.shell[places, None] * shell[count:]
    at_rows = drifts_c * lifted[places, None]
    off = residual[places] - at_rows * seen - noise
    pull = np.empty_like(off)
    for drift_c in np.unique(drifts_c):
        alike = drifts_c == drift_c
        total = covariance(rows, float(drift_c), lifted)[np.ix_(places, places)]
        pull[:, alike] = at_rows[:, alike] * np.linalg.solve(total, off[:, alike])
    at_hours = drifts_c * raised[:, None]
    ones, none = np.ones(count), np.zeros(count)
    to_core, to_shell = _drift(rows, hours, ones, none), _drift(rows, hours, none, ones)
    return (
        at_hours * (core[:count] + to_core[places].T @ pull),
        at_hours * (shell[:count] + to_shell[places].T @ pull),
    )


def _free(at: Array, members: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return drifts of core and shell of strength one at the times ``at``, by recursion."""
    order = np.argsort(at, kind="stable")
    fade = np.exp(-np.diff(at[order]) / DRIFT_HOURS)
    fresh = rng.standard_normal((len(at), 2, members))
    path = np.empty_like(fresh)
    path[0] = fresh[0]
    for i, keep in enumerate(fade, start=1):
        path[i] = keep * path[i - 1] + np.sqrt(1.0 - keep**2) * fresh[i]
    out = np.empty_like(path)
    out[order] = path
    shell = DRIFT_SHARED * out[:, 0] + np.sqrt(1.0 - DRIFT_SHARED**2) * out[:, 1]
    return out[:, 0], shell
