"""What is read at a pile, and how the two zones of the model show it.

A temperature is read in the core, in the outer zone or at a depth. With a shell of thickness d
whose mean stands for its middle, and the core's mean reached after the path that heat takes in
the model (half the shell and a sixth of the core's depth), a reading at depth z shows the shell
and the core in proportion between them, and shell and outer surface nearer than d/2. The error
of the depth times the steepness there is added to the scatter of the reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.materials import Span
from heapwright.science.pile_parameters import Z95, ParameterFact
from heapwright.science.pile_weather import Weather

Array = npt.NDArray[np.float64]
Zone = Literal["core", "shell"]

FILM_SHARE: Final = 0.2
"""Share of the half shell's step in temperature that is left between surface and air."""

EARLY_H: Final = 1e-6
BIN_HOURS: Final = 3.0
MOST_ROWS: Final = 150
"""Readings are averaged by point over ever longer stretches until no more than these remain."""

BIN_FLOOR: Final = 0.35
"""Many readings in a stretch lower the scatter to this share of one reading's, not to nothing."""

INNER_WORDS: Final = ("core", "cent", "middle", "mid", "inner", "inside", "heart")
OUTER_WORDS: Final = ("edge", "shell", "outer", "outside", "side", "rim", "surface", "corner",
                      "top", "wall")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Temperature:
    """A temperature read ``hour`` hours after building at a named point.

    ``depth_cm`` (from the nearest surface) says where; without it ``zone``; without both the
    words of the point's name (core, middle, edge, …), and failing these anywhere in the heap.
    """

    hour: float
    temp_c: float
    point: str = ""
    zone: Zone | None = None
    depth_cm: float | None = None


@dataclass(frozen=True, slots=True)
class Moisture:
    """Moisture of the heap, % of wet mass, measured or felt; ``error_pct`` is one sd."""

    hour: float
    moisture_pct: float
    error_pct: float


@dataclass(frozen=True, slots=True)
class Height:
    """Height of the heap."""

    hour: float
    height_m: float


Observation = Temperature | Moisture | Height


def squeezed(hour: float, felt: Span, facts: Mapping[str, ParameterFact]) -> Moisture:
    """Return the moisture that a squeeze test tells: its class, and the hand's own error."""
    half = (felt.high - felt.low) / 2.0 / Z95
    hand = facts["read_moisture_pct"].typical
    return Moisture(hour, felt.typical, float(np.hypot(half, hand)))


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Observations as rows of the smoother, arrays (rows,) unless said otherwise.

    ``core``, ``shell``, ``air``, ``moisture`` and ``height`` are the weights with which a row
    shows each; ``level`` is what they do not explain (the air's share). ``each`` is the
    standard deviation of each row, ``lasting`` that of the offset that rows of one ``group``
    share. ``thermal`` tells temperatures. ``of`` holds the observations that each row averages,
    by their place in the sequence given.
    """

    hour: Array
    value: Array
    core: Array
    shell: Array
    air: Array
    moisture: Array
    height: Array
    each: Array
    lasting: Array
    group: npt.NDArray[np.intp]
    thermal: npt.NDArray[np.bool_]
    of: tuple[tuple[int, ...], ...]


def check(observations: Sequence[Observation], last_hour: float) -> None:
    """Refuse what no reading can be.

    Raises
    ------
    InputError
        For a reading before building or after the forecast's end, or a number that cannot be.
    """
    for one in observations:
        if not np.isfinite(one.hour) or one.hour < -EARLY_H:
            raise InputError(
                f"a reading {-one.hour / 24.0:.3g} days before building says nothing of the pile"
            )
        if one.hour > last_hour + EARLY_H:
            raise InputError(
                f"a reading on day {one.hour / 24.0:.3g} lies after the forecast's end "
                f"(day {last_hour / 24.0:g}); forecast more days"
            )
        match one:
            case Temperature(temp_c=value):
                low, high, name = -40.0, 120.0, "°C"
            case Moisture(moisture_pct=value):
                low, high, name = 0.0, 100.0, "% moisture"
            case Height(height_m=value):
                low, high, name = 0.0, 20.0, "m height"
        if not low <= value <= high:
            raise InputError(f"{value:g} {name} on day {one.hour / 24.0:.3g} cannot be")
        if isinstance(one, Moisture) and not one.error_pct > 0.0:
            raise InputError("a moisture needs an error above zero")


def place_of(one: Temperature) -> Zone | None:
    """Return the zone that a reading's own word or its point's name tells."""
    if one.zone is not None:
        return one.zone
    name = one.point.casefold()
    if any(word in name for word in INNER_WORDS):
        return "core"
    if any(word in name for word in OUTER_WORDS):
        return "shell"
    return None


def weights(
    one: Temperature, shape: HeapShape, shell_m: float
) -> tuple[float, float, float, float]:
    """Return the weights of core, shell and air, and the steepness in core less shell per m."""
    if one.depth_cm is not None and np.isfinite(one.depth_cm):
        g = geometry(shape, shell_m)
        half = g.shell_m / 2.0
        path = half + g.core_depth_m / 6.0
        depth = one.depth_cm / 100.0
        if depth < half:
            air = (1.0 - FILM_SHARE) * (1.0 - depth / half)
            return 0.0, 1.0 - air, air, 1.0 / path
        core = min((depth - half) / path, 1.0)
        return core, 1.0 - core, 0.0, 1.0 / path if core < 1.0 else 0.0
    zone = place_of(one)
    if zone is None:
        return 0.5, 0.5, 0.0, 0.0
    return (1.0, 0.0, 0.0, 0.0) if zone == "core" else (0.0, 1.0, 0.0, 0.0)


TYPICAL_STEP_C: Final = 12.0
"""Core less shell of a hot heap, for turning an error of depth into one of temperature."""


def rows_of(
    observations: Sequence[Observation],
    shape: HeapShape,
    shell_m: float,
    facts: Mapping[str, ParameterFact],
    weather: Weather,
) -> Rows:
    """Return the observations as rows, dense loggers averaged; their order does not matter."""
    order = sorted(range(len(observations)), key=lambda i: _key(observations[i]))
    bins = _binned(observations, order)
    groups: dict[object, int] = {}
    table = [_row(observations, one, shape, shell_m, facts, weather, groups) for one in bins]
    columns = np.array([row[:9] for row in table], dtype=float).reshape(-1, 9).T
    hour, value, core, shell, air, moisture, height, each, lasting = columns
    return Rows(
        hour, value, core, shell, air, moisture, height, each, lasting,
        np.array([row[9] for row in table], dtype=np.intp),
        np.array([row[10] for row in table], dtype=np.bool_),
        tuple(bins),
    )  # fmt: skip


def _key(one: Observation) -> tuple[float, int, str, float, float, str]:
    match one:
        case Temperature():
            depth = -1.0 if one.depth_cm is None or np.isnan(one.depth_cm) else one.depth_cm
            return one.hour, 0, one.point, depth, one.temp_c, one.zone or ""
        case Moisture():
            return one.hour, 1, "", one.error_pct, one.moisture_pct, ""
        case Height():
            return one.hour, 2, "", 0.0, one.height_m, ""


def _spot(one: Observation) -> tuple[object, ...]:
    """Return what tells one place of reading from another."""
    if isinstance(one, Temperature):
        return (*_key(one)[2:4], one.zone or "")
    return (type(one).__name__,)


def _binned(observations: Sequence[Observation], order: Sequence[int]) -> list[tuple[int, ...]]:
    """Return the observations alone, or by place and stretch of time if they are too many."""
    if len(order) <= MOST_ROWS:
        return [(i,) for i in order]
    spots: dict[object, int] = {}
    spot = np.array([spots.setdefault(_spot(observations[i]), len(spots)) for i in order])
    hour = np.array([observations[i].hour for i in order])
    length = BIN_HOURS
    while True:
        stretch = (hour / length).astype(np.int64) * len(spots) + spot
        found, inverse = np.unique(stretch, return_inverse=True)
        if len(found) <= max(MOST_ROWS, len(spots)):
            break
        length *= 1.25
    bins: list[list[int]] = [[] for _ in found]
    for i, place in zip(order, inverse.tolist(), strict=True):
        bins[place].append(i)
    return [tuple(one) for one in bins]


def _row(
    observations: Sequence[Observation],
    bin_of: tuple[int, ...],
    shape: HeapShape,
    shell_m: float,
    facts: Mapping[str, ParameterFact],
    weather: Weather,
    groups: dict[object, int],
) -> tuple[float, float, float, float, float, float, float, float, float, int, bool]:
    members = [observations[i] for i in bin_of]
    first = members[0]
    count = len(members)
    hour = sum(one.hour for one in members) / count
    thinner = max(1.0 / np.sqrt(count), BIN_FLOOR)
    group = groups.setdefault(_spot(first), len(groups))
    match first:
        case Temperature():
            core, shell, air, steep = weights(first, shape, shell_m)
            value = float(
                np.median([one.temp_c for one in members if isinstance(one, Temperature)])
            )
            depth_error = steep * TYPICAL_STEP_C * facts["read_depth_m"].typical
            inner, outer = core, 1.0 - core
            each = inner * facts["read_core_each_c"].typical
            each += outer * facts["read_shell_each_c"].typical
            lasting = inner * facts["read_core_point_c"].typical
            lasting += outer * facts["read_shell_point_c"].typical
            if first.depth_cm is None and place_of(first) is None:
                lasting += facts["read_shell_point_c"].typical
            air_c = weather.at(hour, 0.0).temp_c
            return (
                hour, value, core, shell, air * air_c, 0.0, 0.0,
                float(np.hypot(each, depth_error)) * thinner, lasting, group, True,
            )  # fmt: skip
        case Moisture():
            told = [one for one in members if isinstance(one, Moisture)]
            value = sum(one.moisture_pct for one in told) / count
            error = max(one.error_pct for one in told) / np.sqrt(2.0)
            return hour, value, 0.0, 0.0, 0.0, 1.0, 0.0, error * thinner, error, group, False
        case Height():
            value = sum(one.height_m for one in members if isinstance(one, Height)) / count
            error = facts["read_height_share"].typical * value / np.sqrt(2.0)
            return hour, value, 0.0, 0.0, 0.0, 0.0, 1.0, error * thinner, error, group, False
