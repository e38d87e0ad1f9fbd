"""The layers of a chart over days: axis, band, limits, acts, and words that keep apart."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import product
from typing import Final

from heapwright.web.charts.engine import Spec
from heapwright.web.drawing.labels import Box, free, spread, text_width
from heapwright.web.drawing.svg import EARTH, LINE, SANS, SOFT
from heapwright.web.heat import INK

TYPE_PX: Final = 12.0
ACT_ROW_PX: Final = 17.0
_MAX_ACT_ROWS: Final = 4


@dataclass(frozen=True, slots=True)
class Act:
    """Something that was done, or a moment worth a line, such as now."""

    time: datetime
    word: str


@dataclass(frozen=True, slots=True)
class Limit:
    """A value that matters, with the word that says why."""

    value: float
    word: str


def day_axis(first: float, last: float, plot_px: float) -> Spec:
    """Return the axis of days since building, with as many ticks as have room."""
    return {
        "field": "day",
        "type": "quantitative",
        "scale": {"domain": [first, last], "nice": False},
        "axis": {
            "values": _day_ticks(first, last, plot_px),
            "title": None,
            "grid": False,
            "labelExpr": "'day ' + datum.value",
            "labelFlush": False,
        },
    }


def _day_ticks(first: float, last: float, plot_px: float) -> list[int]:
    room = text_width("day 000", TYPE_PX) + 10
    for step in (1, 2, 5, 7, 14, 28, 56, 91, 182, 364):
        if (last - first) / step * room <= plot_px:
            break
    start = -(-int(first) // step) * step
    return list(range(start, int(last) + 1, step))


def band_layers(band: Sequence[Mapping[str, float]], x: Spec, y: Spec) -> list[Spec]:
    """Return the likely range as an area and the median as a dashed line over it."""
    return [
        {
            "data": {"values": band},
            "mark": {"type": "area", "color": EARTH},
            "encoding": {"x": x, "y": y, "y2": {"field": "high"}},
        },
        {
            "data": {"values": band},
            "mark": {"type": "line", "color": SOFT, "strokeDash": [5, 3], "strokeWidth": 1.8},
            "encoding": {"x": x, "y": {**y, "field": "middle"}},
        },
    ]


def sheet_of(
    layers: Sequence[Spec], plot_px: float, plot_height: float, padding: Mapping[str, float]
) -> Spec:
    """Return the layers as one sheet, its plot so large and padded so, in pixels."""
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "width": plot_px,
        "height": plot_height,
        "padding": dict(padding),
        "autosize": {"type": "none"},
        "layer": list(layers),
        "config": _CONFIG,
    }


_CONFIG: Final[Spec] = {
    "font": SANS,
    "background": None,
    "view": {"stroke": None},
    "axis": {
        "domainColor": INK,
        "tickColor": INK,
        "gridColor": LINE,
        "gridWidth": 0.8,
        "labelColor": INK,
        "labelFontSize": TYPE_PX,
        "labelOverlap": True,
    },
}


def place_acts(
    words: Iterable[tuple[str, float]], low: float, high: float
) -> tuple[int, list[tuple[float, int] | None]]:
    """Return how many rows the words take, and the centre and row of each.

    A word stands over its line where it can; it moves to the line's side, then up a row, when
    another word or line is in its way. When all rows are full it is left to the table.
    """
    sheet = Box(low, -_MAX_ACT_ROWS, high, 1)
    taken: list[Box] = []
    stems: list[Box] = []
    placed: list[tuple[float, int] | None] = []
    ordered = list(words)
    for index, (word, at) in enumerate(ordered):
        half = text_width(word, TYPE_PX) / 2 + 2
        to_come = [Box(x - 1, -_MAX_ACT_ROWS, x + 1, 1) for _, x in ordered[index + 1 :]]
        placed.append(None)
        for row, aside in product(range(_MAX_ACT_ROWS), (0.0, half + 1, -half - 1)):
            centre = min(max(at + aside, low + half), high - half)
            box = Box(centre - half, -row - 0.9, centre + half, -row - 0.1, word)
            stem = Box(at - 1, -row - 0.1, at + 1, 1)
            clear = free(box, sheet, [*taken, *stems, *to_come], gap=0)
            if clear and free(stem, sheet, taken, gap=0):
                taken.append(box)
                stems.append(stem)
                placed[-1] = (centre, row)
                break
        else:
            stems.append(Box(at - 1, 0, at + 1, 1))
    rows = 1 + max((spot[1] for spot in placed if spot is not None), default=-1)
    return rows, placed


def act_layers(
    acts: Sequence[Act],
    placed: Sequence[tuple[float, int] | None],
    x: Spec,
    day: Callable[[datetime], float],
) -> list[Spec]:
    """Return the acts' lines, and their words over them; two layers however many they are."""
    if not acts:
        return []
    ups = [0.0 if spot is None else -4 - spot[1] * ACT_ROW_PX for spot in placed]
    return [
        {
            "data": {
                "values": [
                    {"day": day(act.time), "up": up} for act, up in zip(acts, ups, strict=True)
                ]
            },
            "mark": {"type": "rule", "color": INK, "strokeWidth": 0.8},
            "encoding": {"x": x, "y": _px("up"), "y2": {"value": {"expr": "height"}}},
        },
        {
            "data": {
                "values": [
                    {"word": act.word, "at": spot[0], "up": up - 3}
                    for act, spot, up in zip(acts, placed, ups, strict=True)
                    if spot is not None
                ]
            },
            "mark": {
                "type": "text", "baseline": "alphabetic", "align": "center",
                "fontSize": TYPE_PX, "color": INK, "stroke": None,
            },
            "encoding": {"x": _px("at"), "y": _px("up"), "text": {"field": "word"}},
        },
    ]  # fmt: skip


def _px(field: str) -> Spec:
    """Return a place that is stated in pixels of the plot, not by its axis."""
    return {"field": field, "type": "quantitative", "scale": None}


def limit_lines(values: Iterable[float], y: Spec) -> list[Spec]:
    """Return a dashed line across at each of the values."""
    points = [{y["field"]: value} for value in values]
    if not points:
        return []
    return [
        {
            "data": {"values": points},
            "mark": {"type": "rule", "color": INK, "strokeDash": [4, 3], "strokeWidth": 1.3},
            "encoding": {"y": y},
        }
    ]


def words_beside(
    limits: Sequence[Limit], plot_px: float, plot_height: float, domain: Sequence[float]
) -> list[Spec]:
    """Return the words of the limits right of the plot, moved apart where they would touch."""
    if not limits:
        return []
    per_unit = plot_height / (domain[1] - domain[0])
    wanted = [(domain[1] - limit.value) * per_unit for limit in limits]
    # from a little above the plot: over that stand the words of the acts
    centres = spread(wanted, [TYPE_PX * 1.2] * len(wanted), -3, plot_height + 8, 1)
    return [
        {
            "data": {
                "values": [
                    {"word": limit.word, "down": centre}
                    for limit, centre in zip(limits, centres, strict=True)
                ]
            },
            "mark": {
                "type": "text", "x": plot_px + 6, "align": "left", "baseline": "middle",
                "fontSize": TYPE_PX, "color": INK,
            },
            "encoding": {"y": _px("down"), "text": {"field": "word"}},
        }
    ]  # fmt: skip
