"""Thermal death along a log: how much of an organism the measured heat accounts for.

Beside a rule, never in its place. Nothing is extrapolated: below the lowest temperature that
a source tested no death is credited, above the highest one no more than at it, and between
two tested temperatures the time is interpolated on a logarithmic scale, which is the usual
z-value of that interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from heapwright.science.daily import Floats, Readings
from heapwright.science.rules import FederalRegime, Organism

REFERENCE_C = 55.0


@dataclass(frozen=True, slots=True)
class Kill:
    """What the log accounts for, at the coldest of the points.

    ``lethality_h`` are the equivalent hours at 55 °C, None where the source does not reach
    55 °C or tested one temperature only. ``log10_reduction`` is None where no source says by
    how much. ``missing`` says what would be needed.
    """

    name: str
    kind: str
    log10_reduction: float | None
    lethality_h: float | None
    z_c: float | None
    point: str
    missing: str
    organism: Organism


def kill_minutes(organism: Organism, temp_c: Floats) -> Floats:
    """Return the minutes that one unit of death takes at each temperature.

    The unit is one log10 where the source states a reduction, the stated kill otherwise;
    infinite below the lowest temperature tested.
    """
    tested = np.array([point.temp_c for point in organism.points])
    unit = np.log([point.time_min / (point.log10_reduction or 1.0) for point in organism.points])
    minutes: Floats = np.exp(np.interp(temp_c, tested, unit))
    return np.where(temp_c < tested[0], np.inf, minutes)


def z_values(organism: Organism) -> tuple[float, ...]:
    """Return z in °C of each interval between tested temperatures; none where one stands alone.

    z is the rise of temperature that makes death ten times as fast.
    """
    found = []
    for low, high in zip(organism.points, organism.points[1:], strict=False):
        slow = low.time_min / (low.log10_reduction or 1.0)
        fast = high.time_min / (high.log10_reduction or 1.0)
        found.append(
            (high.temp_c - low.temp_c) / math.log10(slow / fast) if slow > fast else math.inf
        )
    return tuple(found)


def kills(
    readings: Readings,
    points: tuple[int, ...],
    organisms: tuple[Organism, ...],
    *,
    probe_error_c: float,
    max_gap_h: float,
) -> tuple[Kill, ...]:
    """Integrate thermal death over the readings of each point and return the least.

    Between two successive readings of a point the lower one counts, less the probe's error;
    no death is credited over more than ``max_gap_h``.

    Parameters
    ----------
    readings : Readings
        In order of time.
    points : tuple of int
        The points that count; the one with the least death decides.
    """
    blocks = {
        point: _blocks(readings, point, probe_error_c, max_gap_h * 3600.0) for point in points
    }
    return tuple(_kill(organism, blocks, readings.points) for organism in organisms)


def _blocks(
    readings: Readings, point: int, probe_error_c: float, max_gap_s: float
) -> tuple[Floats, Floats]:
    mine = np.flatnonzero(readings.point == point)
    time, temp = readings.time_s[mine], readings.temp_c[mine] - probe_error_c
    step = np.diff(time)
    credited = (step > 0) & (step <= max_gap_s)
    lower = np.minimum(temp[1:], temp[:-1])
    return step[credited] / 60.0, lower[credited]


def _kill(
    organism: Organism, blocks: Mapping[int, tuple[Floats, Floats]], names: tuple[str, ...]
) -> Kill:
    def result(log10: float | None, hours: float | None, point: str, missing: str) -> Kill:
        z = z_values(organism)
        return Kill(
            organism.name,
            organism.kind,
            log10,
            hours,
            z[0] if len(z) == 1 else None,
            point,
            missing,
            organism,
        )

    if not organism.points:
        return result(None, None, "", "no time was readable in the source")
    if not blocks:
        return result(None, None, "", "the log holds no reading to go by")
    units = {
        point: float(np.sum(minutes / kill_minutes(organism, temp)))
        for point, (minutes, temp) in blocks.items()
    }
    worst = min(units, key=lambda point: units[point])
    missing = []
    log10 = None if organism.points[0].log10_reduction is None else units[worst]
    if log10 is None:
        missing.append("the source does not say by how much it is reduced")
    lowest, highest = organism.points[0].temp_c, organism.points[-1].temp_c
    hours: float | None = None
    if len(organism.points) < 2:
        missing.append("only one temperature was tested, so other temperatures cannot be weighed")
    elif not lowest <= REFERENCE_C <= highest:
        missing.append(f"the source tested {lowest:g} to {highest:g} °C, not 55 °C")
    else:
        at_reference = float(kill_minutes(organism, np.array([REFERENCE_C]))[0])
        hours = units[worst] * at_reference / 60.0
    return result(log10, hours, names[worst], "; ".join(missing))


def federal_days(temp_c: float, regime: FederalRegime) -> float:
    """Return the days at a held temperature, D = a / 10^(slope x t), infinite below the floor.

    40 CFR 503.32(a)(3), equations 2 and 3. The least time of the regime is not applied here.
    """
    if temp_c < regime.min_temp_c:
        return math.inf
    return float(regime.coefficient_days / 10.0 ** (regime.slope_per_c * temp_c))


def federal_dose(time_days: Floats, temp_c: Floats, regime: FederalRegime) -> float:
    """Return E, the sum of time over D(t) for blocks of held temperature; 1 is equivalent.

    An engineering gauge only: alternative 1 of the code is not for composting.
    """
    days = regime.coefficient_days / 10.0 ** (regime.slope_per_c * np.asarray(temp_c))
    return float(np.sum(np.where(temp_c < regime.min_temp_c, 0.0, time_days / days)))


def federal_dose_of(
    readings: Readings,
    points: tuple[int, ...],
    regime: FederalRegime,
    *,
    probe_error_c: float,
    max_gap_h: float,
) -> float | None:
    """Return E at the coldest of the points over the readings, or None without a point."""
    doses = []
    for point in points:
        minutes, temp = _blocks(readings, point, probe_error_c, max_gap_h * 3600.0)
        doses.append(federal_dose(minutes / 1440.0, temp, regime))
    return min(doses, default=None)
