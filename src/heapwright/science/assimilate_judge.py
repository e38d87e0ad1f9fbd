"""Judging readings against the ensemble and each other: what is used, and what not and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.science.assimilate_errors import (
    ROUGH,
    chances,
    judged,
    roughened,
    typical_drift,
    widening,
)
from heapwright.science.assimilate_readings import (
    Height,
    Moisture,
    Observation,
    Rows,
    Temperature,
)

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class SetAside:
    """An observation that was not used, and why.

    ``expected`` and ``spread`` (one standard deviation) are what the pile's other readings and
    the model tell together, in the observation's own unit.
    """

    observation: Observation
    expected: float
    spread: float
    reason: str


OUTSIDE_C: Final = 8.0
"""A reading in the core that is colder by this may come from a probe that stood elsewhere."""

CORE_SHARE: Final = 0.5
"""A row that shows at least this share of the core is a reading in the core."""

FITS: Final = 2.0
"""Standard deviations within which another explanation of a reading is named."""


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """Which rows are used, how strong the drift is, and what was expected of each row.

    ``read`` are the rows with the roughness that this pile's readings show.
    """

    read: Rows
    used: Flags
    drift_chances: Array
    drift_c: float
    expected: Array
    spread: Array
    wide: float


def judge(rows: Rows, shown: Array, lifted: Array, *, widen: bool) -> Judgement:
    """Judge every row against the ensemble and the other rows; ``widen`` before any update."""
    mean = shown.mean(axis=1)
    away = shown - mean[:, None]
    modelled = away @ away.T / (shown.shape[1] - 1)
    off = rows.value - mean
    used = np.ones(len(off), dtype=np.bool_)
    for _ in range(2):
        both = chances(rows, off, modelled, used, lifted)
        drift_c = typical_drift(both.sum(axis=1))
        read = roughened(rows, float(np.exp(both.sum(axis=0) @ np.log(ROUGH))))
        used, expected, spread = judged(read, off, modelled, drift_c, lifted)
        if used.all():
            break
    wide = widening(read, off, modelled, used, lifted) if widen else 1.0
    return Judgement(read, used, both.sum(axis=1), drift_c, mean + expected, spread, wide)


def places_of(rows: Rows, chosen: Flags) -> list[int]:
    """Return the places of the observations that the chosen rows average, in order."""
    return sorted(i for row in np.flatnonzero(chosen) for i in rows.of[row])


def set_aside_of(
    observations: Sequence[Observation],
    rows: Rows,
    used: Flags,
    expected: Array,
    spread: Array,
) -> tuple[SetAside, ...]:
    """Return what was not used, in order of time, with the most likely reason."""
    found = []
    for row in np.flatnonzero(~used):
        for i in rows.of[row]:
            one = observations[i]
            found.append(
                SetAside(
                    observation=one,
                    expected=float(expected[row]),
                    spread=float(spread[row]),
                    reason=_reason(one, rows, int(row), float(expected[row]), float(spread[row])),
                )
            )
    return tuple(sorted(found, key=lambda one: (one.observation.hour, one.expected)))


def _reason(one: Observation, rows: Rows, row: int, expected: float, spread: float) -> str:
    match one:
        case Moisture():
            return f"about {expected:.0f} % was expected; mistyped, or not from all through"
        case Height():
            return f"about {expected:.2f} m was expected; mistyped, or another pile"
        case Temperature(temp_c=value):
            told = f"{expected:.0f} °C was expected, give or take {2.0 * spread:.0f}; "
            if abs((value - 32.0) / 1.8 - expected) < FITS * spread:
                return told + "it fits as °F"
            celsius = abs(value * 1.8 + 32.0 - expected) < FITS * spread
            if value < expected - OUTSIDE_C and rows.core[row] > CORE_SHARE:
                also = ", or it is °C in a column of °F" if celsius else ""
                return told + "the probe may not have stood in the core" + also
            return told + "no other reading shows this jump"
