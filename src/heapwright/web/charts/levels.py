"""Quantities that no one colour stands for, such as water and oxygen, over days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from heapwright.web.charts.engine import Chart, Spec, draw
from heapwright.web.charts.layers import (
    ACT_ROW_PX,
    TYPE_PX,
    Act,
    Limit,
    act_layers,
    band_layers,
    day_axis,
    limit_lines,
    place_acts,
    sheet_of,
    words_beside,
)
from heapwright.web.drawing.labels import text_width
from heapwright.web.drawing.svg import EARTH, SOFT
from heapwright.web.heat import INK


@dataclass(frozen=True, slots=True)
class Level:
    """A foreseen quantity at one time: median and the range that is likely."""

    time: datetime
    low: float
    middle: float
    high: float


def level_history(
    levels: Sequence[Level],
    *,
    uid: str,
    title: str,
    unit: str,
    built: datetime,
    acts: Sequence[Act] = (),
    limits: Sequence[Limit] = (),
    lowest: float = 0.0,
    highest: float | None = None,
    width_px: int = 328,
    height_px: int = 170,
) -> Chart:
    """Draw a quantity that no one colour stands for, such as water or oxygen, with its band.

    Parameters
    ----------
    levels : sequence of Level
        In order of time.
    unit : str
        The sign of the unit.
    lowest, highest : float
        Ends of the upright axis; what lies beyond widens it.

    Raises
    ------
    ValueError
        When there is nothing to draw.
    """
    if not levels:
        raise ValueError("a history needs a level")
    return _level_history(
        tuple(levels), uid, title, unit, built, tuple(acts), tuple(limits), lowest, highest,
        width_px, height_px,
    )  # fmt: skip


@lru_cache(maxsize=64)
def _level_history(
    levels: tuple[Level, ...],
    uid: str,
    title: str,
    unit: str,
    built: datetime,
    acts: tuple[Act, ...],
    limits: tuple[Limit, ...],
    lowest: float,
    highest: float | None,
    width_px: int,
    height_px: int,
) -> Chart:
    spec = _level_spec(levels, built, acts, limits, lowest, highest, width_px, height_px)
    end = levels[-1]
    words = [
        f"Foreseen for {end.time:%Y-%m-%d}: {end.middle:.0f} {unit}, likely {end.low:.0f} to "
        f"{end.high:.0f}."
    ]
    words += [f"Acts: {', '.join(f'{a.word} {a.time:%Y-%m-%d}' for a in acts)}."] if acts else []
    words.append("The table beside the chart holds every figure.")
    rows = tuple(
        (
            f"{one.time:%Y-%m-%d %H:%M}",
            f"{one.middle:.1f}",
            f"{one.low:.1f} to {one.high:.1f}",
        )
        for one in levels
    )
    heads = ("Time", f"Median, {unit}", f"Likely range, {unit}")
    return Chart(draw(spec, uid=uid, title=title, description=" ".join(words)), heads, rows)


def two_ways(
    left: Sequence[Level],
    done: Sequence[Level],
    *,
    words: tuple[str, str],
    uid: str,
    title: str,
    unit: str,
    built: datetime,
    limits: Sequence[Limit] = (),
    lowest: float = 0.0,
    highest: float | None = None,
    width_px: int = 328,
    height_px: int = 170,
) -> Chart:
    """Draw one quantity two ways from now on: done as a line with its band, left as dashes.

    Parameters
    ----------
    left, done : sequence of Level
        At the same times, in order.
    words : tuple of str
        What the two are called beside their ends: (left, done).
    unit : str
        The sign of the unit.
    lowest, highest : float
        Ends of the upright axis; what lies beyond widens it.

    Raises
    ------
    ValueError
        When there is nothing to draw, or the two are not of the same times.
    """
    if not done or [one.time for one in left] != [one.time for one in done]:
        raise ValueError("two ways are drawn at the same times, of which there is one at least")
    spec = _two_ways_spec(left, done, words, built, limits, lowest, highest, width_px, height_px)
    said = [
        f"{word}: {ways[-1].middle:.0f} {unit} on {ways[-1].time:%Y-%m-%d}, likely "
        f"{ways[-1].low:.0f} to {ways[-1].high:.0f}."
        for word, ways in zip(words, (left, done), strict=True)
    ]
    said.append("The table beside the chart holds every figure.")
    heads = ("Time", *(f"{word}, {unit}" for word in words))
    rows = tuple(
        (f"{one.time:%Y-%m-%d %H:%M}", f"{one.middle:.1f}", f"{other.middle:.1f}")
        for one, other in zip(left, done, strict=True)
    )
    return Chart(draw(spec, uid=uid, title=title, description=" ".join(said)), heads, rows)


def _level_spec(
    levels: Sequence[Level],
    built: datetime,
    acts: Sequence[Act],
    limits: Sequence[Limit],
    lowest: float,
    highest: float | None,
    width_px: int,
    height_px: int,
) -> Spec:
    def day(time: datetime) -> float:
        return round((time - built).total_seconds() / 86400, 4)

    first = min(0.0, day(levels[0].time))
    last = max(day(levels[-1].time), first + 1)
    top = max([one.high for one in levels] + [limit.value for limit in limits])
    domain = [
        min([lowest, *(one.low for one in levels)]),
        max(top, highest if highest is not None else top),
    ]
    right = 12 + max(
        [text_width(limit.word, TYPE_PX) for limit in limits] + [text_width("day 000", TYPE_PX) / 2]
    )
    left = 34
    plot_px = width_px - left - right
    act_rows, placed = place_acts(
        [(act.word, (day(act.time) - first) / (last - first) * plot_px) for act in acts],
        -left, plot_px + right,
    )  # fmt: skip
    plot_height = height_px - 40
    x = day_axis(first, last, plot_px)
    y = {
        "field": "level",
        "type": "quantitative",
        "scale": {"domain": domain, "nice": False, "zero": False},
        "axis": {"title": None, "tickCount": 5, "format": ".0f"},
    }
    band = [
        {"day": day(one.time), "level": round(one.low, 3), "high": round(one.high, 3),
         "middle": round(one.middle, 3)} for one in levels
    ]  # fmt: skip
    layers = band_layers(band, x, y)
    layers += limit_lines((limit.value for limit in limits), y)
    layers += act_layers(acts, placed, x, day)
    layers += words_beside(limits, plot_px, plot_height, domain)
    return sheet_of(
        layers, plot_px, plot_height,
        {"left": left, "right": right, "top": act_rows * ACT_ROW_PX + 8, "bottom": 24},
    )  # fmt: skip


def _two_ways_spec(
    left: Sequence[Level],
    done: Sequence[Level],
    words: tuple[str, str],
    built: datetime,
    limits: Sequence[Limit],
    lowest: float,
    highest: float | None,
    width_px: int,
    height_px: int,
) -> Spec:
    def points(levels: Sequence[Level]) -> list[dict[str, float]]:
        return [
            {
                "day": round((one.time - built).total_seconds() / 86400, 4),
                "level": round(one.low, 3),
                "high": round(one.high, 3),
                "middle": round(one.middle, 3),
            }
            for one in levels
        ]

    first, last = points(done)[0]["day"], points(done)[-1]["day"]
    top = max([one.high for one in done] + [one.middle for one in left])
    top = max([top, *(limit.value for limit in limits)])
    domain = [min([lowest, *(one.low for one in done), *(one.middle for one in left)]),
              max(top, highest if highest is not None else top)]  # fmt: skip
    beside = [*limits, *(Limit(ways[-1].middle, word) for word, ways in
                         zip(words, (left, done), strict=True))]  # fmt: skip
    right = 12 + max(
        [text_width(one.word, TYPE_PX) for one in beside] + [text_width("day 000", TYPE_PX) / 2]
    )
    side = 34
    plot_px, plot_height = width_px - side - right, height_px - 40
    x = day_axis(first, max(last, first + 1), plot_px)
    y = {
        "field": "level",
        "type": "quantitative",
        "scale": {"domain": domain, "nice": False, "zero": False},
        "axis": {"title": None, "tickCount": 5, "format": ".0f"},
    }
    middle = {**y, "field": "middle"}
    layers: list[Spec] = [
        {
            "data": {"values": points(done)},
            "mark": {"type": "area", "color": EARTH},
            "encoding": {"x": x, "y": y, "y2": {"field": "high"}},
        },
        *limit_lines((limit.value for limit in limits), y),
        {
            "data": {"values": points(left)},
            "mark": {"type": "line", "color": SOFT, "strokeDash": [5, 3], "strokeWidth": 1.8},
            "encoding": {"x": x, "y": middle},
        },
        {
            "data": {"values": points(done)},
            "mark": {"type": "line", "color": INK, "strokeWidth": 2},
            "encoding": {"x": x, "y": middle},
        },
    ]
    layers += words_beside(beside, plot_px, plot_height, domain)
    return sheet_of(
        layers, plot_px, plot_height, {"left": side, "right": right, "top": 8, "bottom": 24}
    )
