"""Charts: Vega-Lite specifications as plain dictionaries, drawn to SVG on the server.

A chart comes with the same figures as rows, for the table beside it. Drawn charts are kept by
content in the cache ``charts``, so that the same figures are drawn once.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import groupby, product
from statistics import mean
from typing import Any, Final
from xml.etree.ElementTree import Element, fromstring, register_namespace, tostring

from django.core.cache import caches
from django.utils.safestring import mark_safe

from heapwright.units import fahrenheit_from_celsius
from heapwright.web.drawing.labels import Box, free, spread, text_width
from heapwright.web.drawing.svg import EARTH, LINE, SANS, SOFT, clean
from heapwright.web.heat import INK, STEPS, TempUnit, shown, step_of, with_unit

Spec = dict[str, Any]

_SVG: Final = "http://www.w3.org/2000/svg"
_TYPE_PX: Final = 12.0
_ACT_ROW_PX: Final = 17.0
_MAX_ACT_ROWS: Final = 4
_GAP: Final = timedelta(hours=48)  # readings further apart are not joined by the line
register_namespace("", _SVG)


@dataclass(frozen=True, slots=True)
class Reading:
    """One temperature as read at a numbered point."""

    time: datetime
    point: int
    temp_c: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """The foreseen core temperature at one time: median and the range that is likely."""

    time: datetime
    low_c: float
    middle_c: float
    high_c: float


@dataclass(frozen=True, slots=True)
class Act:
    """Something that was done, or a moment worth a line, such as now."""

    time: datetime
    word: str


@dataclass(frozen=True, slots=True)
class Threshold:
    """A temperature that matters, with the word that says why."""

    temp_c: float
    word: str


@dataclass(frozen=True, slots=True)
class Level:
    """A foreseen quantity at one time: median and the range that is likely."""

    time: datetime
    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class Limit:
    """A value that matters, with the word that says why."""

    value: float
    word: str


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawn chart and the same figures as a table: column heads and rows."""

    svg: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def __str__(self) -> str:
        """Return the SVG, marked so that templates set it in without escaping it again."""
        return mark_safe(self.svg)  # built by ElementTree, which escaped every text in it


def temperature_history(
    readings: Sequence[Reading],
    *,
    uid: str,
    title: str,
    built: datetime,
    forecast: Sequence[Forecast] = (),
    acts: Sequence[Act] = (),
    thresholds: Sequence[Threshold] = (),
    width_px: int = 328,
    height_px: int = 190,
    temp_unit: TempUnit = "C",
) -> Chart:
    """Draw the temperatures of a pile: points as read, the foreseen band, acts and limits.

    The line joins the mean of each round of readings and breaks where no one read for two
    days. Days count from ``built``.

    Raises
    ------
    ValueError
        When there is nothing to draw.
    """
    if not readings and not forecast:
        raise ValueError("a temperature history needs a reading or a forecast")
    return _temperature_history(
        tuple(readings), uid, title, built, tuple(forecast), tuple(acts), tuple(thresholds),
        width_px, height_px, temp_unit,
    )  # fmt: skip


@lru_cache(maxsize=64)
def _temperature_history(
    readings: tuple[Reading, ...],
    uid: str,
    title: str,
    built: datetime,
    forecast: tuple[Forecast, ...],
    acts: tuple[Act, ...],
    thresholds: tuple[Threshold, ...],
    width_px: int,
    height_px: int,
    temp_unit: TempUnit,
) -> Chart:
    """Draw a history; the same one, of which even the specification is long, is drawn once."""
    spec = _history_spec(
        readings, built, forecast, acts, thresholds, width_px, height_px, temp_unit
    )
    words = _history_words(readings, forecast, acts, temp_unit)
    heads, rows = _history_rows(readings, built, forecast, acts, temp_unit)
    return Chart(draw(spec, uid=uid, title=title, description=words), heads, rows)


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


def draw(spec: Spec, *, uid: str, title: str, description: str) -> str:
    """Return a specification as accessible SVG, with a title and a description."""
    return _labelled(json.dumps(spec, sort_keys=True), uid, title, description)


@lru_cache(maxsize=256)
def _labelled(spec: str, uid: str, title: str, description: str) -> str:
    root = fromstring(_drawn(spec))
    for node in root.iter():
        for name in [name for name in node.attrib if name == "role" or name.startswith("aria-")]:
            del node.attrib[name]
    root.set("role", "img")
    root.set("class", "chart")
    root.set("aria-labelledby", f"{uid}-title")
    root.set("aria-describedby", f"{uid}-desc")
    for position, (tag, text) in enumerate((("title", title), ("desc", description))):
        node = Element(f"{{{_SVG}}}{tag}", {"id": f"{uid}-{tag}"})
        node.text = clean(text)
        root.insert(position, node)
    return tostring(root, encoding="unicode")


def _drawn(spec: str) -> str:
    """Return what the engine makes of a specification, kept with the records once drawn."""
    key = hashlib.sha256(f"{_ENGINE} {spec}".encode()).hexdigest()
    kept: str | None = caches["charts"].get(key)
    if kept is not None:
        return kept
    import vl_convert  # takes a third of a second to start its engine: only when a chart is drawn

    svg: str = vl_convert.vegalite_to_svg(spec, vl_version=_ENGINE)
    caches["charts"].set(key, svg)
    return svg


_ENGINE: Final = "5.20"


def _history_spec(
    readings: Sequence[Reading],
    built: datetime,
    forecast: Sequence[Forecast],
    acts: Sequence[Act],
    thresholds: Sequence[Threshold],
    width_px: int,
    height_px: int,
    unit: TempUnit,
) -> Spec:
    def day(time: datetime) -> float:
        return round((time - built).total_seconds() / 86400, 4)

    def temp(temp_c: float) -> float:
        return round(temp_c if unit == "C" else fahrenheit_from_celsius(temp_c), 2)

    times = [r.time for r in readings] + [f.time for f in forecast]
    first = min(0.0, *(day(time) for time in times))
    last = max(*(day(time) for time in times), first + 1)
    highest = max(
        [70.0, *(r.temp_c for r in readings), *(f.high_c for f in forecast)]
        + [threshold.temp_c for threshold in thresholds]
    )
    lowest = min([0.0, *(r.temp_c for r in readings), *(f.low_c for f in forecast)])
    y_domain = [temp(lowest), temp(highest + 3)]
    right = 12 + max(
        [text_width(t.word, _TYPE_PX) for t in thresholds] + [text_width("day 000", _TYPE_PX) / 2]
    )
    left = 34
    plot_px = width_px - left - right
    act_rows, placed = _place_acts(
        [(act.word, (day(act.time) - first) / (last - first) * plot_px) for act in acts],
        -left, plot_px + right,
    )  # fmt: skip
    top = act_rows * _ACT_ROW_PX + 8
    plot_height = height_px - 40
    x = _day_axis(first, last, plot_px)
    limits = {threshold.temp_c for threshold in thresholds}
    ticks = sorted({0.0, 20.0, 40.0, 55.0, 65.0} | limits)
    y = {
        "field": "temp",
        "type": "quantitative",
        "scale": {"domain": y_domain, "nice": False, "zero": False},
        "axis": {
            "values": [temp(tick) for tick in _apart(ticks, plot_height / (highest + 3 - lowest))],
            "title": None,
            "format": ".0f",
        },
    }
    layers: list[Spec] = []
    if forecast:
        band = [
            {"day": day(f.time), "temp": temp(f.low_c), "high": temp(f.high_c),
             "middle": temp(f.middle_c)} for f in forecast
        ]  # fmt: skip
        layers += _band_layers(band, x, y)
    layers += _limit_lines((temp(t.temp_c) for t in thresholds), y)
    layers += _act_layers(acts, placed, x, day)
    rounds = [
        {"day": day(time), "temp": temp(value), "run": run}
        for time, value, run in _rounds(readings)
    ]
    layers.append(
        {
            "data": {"values": rounds},
            "mark": {"type": "line", "color": INK, "strokeWidth": 2},
            "encoding": {"x": x, "y": y, "detail": {"field": "run", "type": "nominal"}},
        }
    )
    points = [
        {"day": day(r.time), "temp": temp(r.temp_c), "step": step_of(r.temp_c).name}
        for r in readings
    ]
    layers.append(
        {
            "data": {"values": points},
            "mark": {
                "type": "point",
                "filled": True,
                "size": 46,
                "opacity": 1,
                "stroke": INK,
                "strokeWidth": 1,
            },
            "encoding": {
                "x": x,
                "y": y,
                "color": {
                    "field": "step",
                    "type": "nominal",
                    "legend": None,
                    "scale": {
                        "domain": [step.name for step in STEPS],
                        "range": [step.fill for step in STEPS],
                    },
                },
            },
        }
    )
    layers += _words_beside(
        [Limit(temp(one.temp_c), one.word) for one in thresholds], plot_px, plot_height, y_domain
    )
    return _sheet_of(
        layers, plot_px, plot_height, {"left": left, "right": right, "top": top, "bottom": 24}
    )


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
        [text_width(limit.word, _TYPE_PX) for limit in limits]
        + [text_width("day 000", _TYPE_PX) / 2]
    )
    left = 34
    plot_px = width_px - left - right
    act_rows, placed = _place_acts(
        [(act.word, (day(act.time) - first) / (last - first) * plot_px) for act in acts],
        -left, plot_px + right,
    )  # fmt: skip
    plot_height = height_px - 40
    x = _day_axis(first, last, plot_px)
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
    layers = _band_layers(band, x, y)
    layers += _limit_lines((limit.value for limit in limits), y)
    layers += _act_layers(acts, placed, x, day)
    layers += _words_beside(limits, plot_px, plot_height, domain)
    return _sheet_of(
        layers, plot_px, plot_height,
        {"left": left, "right": right, "top": act_rows * _ACT_ROW_PX + 8, "bottom": 24},
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
        [text_width(one.word, _TYPE_PX) for one in beside] + [text_width("day 000", _TYPE_PX) / 2]
    )
    side = 34
    plot_px, plot_height = width_px - side - right, height_px - 40
    x = _day_axis(first, max(last, first + 1), plot_px)
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
        *_limit_lines((limit.value for limit in limits), y),
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
    layers += _words_beside(beside, plot_px, plot_height, domain)
    return _sheet_of(
        layers, plot_px, plot_height, {"left": side, "right": right, "top": 8, "bottom": 24}
    )


def _day_axis(first: float, last: float, plot_px: float) -> Spec:
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


def _band_layers(band: Sequence[Mapping[str, float]], x: Spec, y: Spec) -> list[Spec]:
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


def _sheet_of(
    layers: Sequence[Spec], plot_px: float, plot_height: float, padding: Mapping[str, float]
) -> Spec:
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
        "labelFontSize": _TYPE_PX,
        "labelOverlap": True,
    },
}


def _rounds(readings: Sequence[Reading]) -> list[tuple[datetime, float, int]]:
    """Return the mean of each round of readings with the number of its unbroken run."""
    rounds: list[tuple[datetime, float, int]] = []
    run = 0
    ordered = sorted(readings, key=lambda r: r.time)
    for time, together in groupby(ordered, key=lambda r: r.time):
        if rounds and time - rounds[-1][0] > _GAP:
            run += 1
        rounds.append((time, mean(r.temp_c for r in together), run))
    return rounds


def _place_acts(
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
        half = text_width(word, _TYPE_PX) / 2 + 2
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


def _act_layers(
    acts: Sequence[Act],
    placed: Sequence[tuple[float, int] | None],
    x: Spec,
    day: Callable[[datetime], float],
) -> list[Spec]:
    """Return the acts' lines, and their words over them; two layers however many they are."""
    if not acts:
        return []
    ups = [0.0 if spot is None else -4 - spot[1] * _ACT_ROW_PX for spot in placed]
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
                "fontSize": _TYPE_PX, "color": INK, "stroke": None,
            },
            "encoding": {"x": _px("at"), "y": _px("up"), "text": {"field": "word"}},
        },
    ]  # fmt: skip


def _px(field: str) -> Spec:
    """Return a place that is stated in pixels of the plot, not by its axis."""
    return {"field": field, "type": "quantitative", "scale": None}


def _limit_lines(values: Iterable[float], y: Spec) -> list[Spec]:
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


def _words_beside(
    limits: Sequence[Limit], plot_px: float, plot_height: float, domain: Sequence[float]
) -> list[Spec]:
    """Return the words of the limits right of the plot, moved apart where they would touch."""
    if not limits:
        return []
    per_unit = plot_height / (domain[1] - domain[0])
    wanted = [(domain[1] - limit.value) * per_unit for limit in limits]
    # from a little above the plot: over that stand the words of the acts
    centres = spread(wanted, [_TYPE_PX * 1.2] * len(wanted), -3, plot_height + 8, 1)
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
                "fontSize": _TYPE_PX, "color": INK,
            },
            "encoding": {"y": _px("down"), "text": {"field": "word"}},
        }
    ]  # fmt: skip


def _apart(ticks: Sequence[float], px_per_degree: float) -> list[float]:
    """Return the ticks that have room for their numbers, those that matter most kept first."""
    order = sorted(ticks, key=lambda t: (t not in (55.0,), t not in (0.0, 65.0), t))
    kept: list[float] = []
    for tick in order:
        if all(abs(tick - other) * px_per_degree >= _TYPE_PX * 1.25 for other in kept):
            kept.append(tick)
    return sorted(kept)


def _day_ticks(first: float, last: float, plot_px: float) -> list[int]:
    room = text_width("day 000", _TYPE_PX) + 10
    for step in (1, 2, 5, 7, 14, 28, 56, 91, 182, 364):
        if (last - first) / step * room <= plot_px:
            break
    start = -(-int(first) // step) * step
    return list(range(start, int(last) + 1, step))


def _history_words(
    readings: Sequence[Reading],
    forecast: Sequence[Forecast],
    acts: Sequence[Act],
    unit: TempUnit,
) -> str:
    parts = []
    if readings:
        temps = [r.temp_c for r in readings]
        latest = max(readings, key=lambda r: r.time)
        parts.append(
            f"{len(readings)} readings from {with_unit(min(temps), unit)} to "
            f"{with_unit(max(temps), unit)}, the latest {with_unit(latest.temp_c, unit)} on "
            f"{latest.time:%Y-%m-%d %H:%M}."
        )
    if forecast:
        end = forecast[-1]
        parts.append(
            f"Foreseen for {end.time:%Y-%m-%d}: {with_unit(end.middle_c, unit)}, likely "
            f"{shown(end.low_c, unit)} to {shown(end.high_c, unit)}."
        )
    if acts:
        parts.append("Acts: " + ", ".join(f"{a.word} {a.time:%Y-%m-%d}" for a in acts) + ".")
    parts.append("The table beside the chart holds every figure.")
    return " ".join(parts)


def _history_rows(
    readings: Sequence[Reading],
    built: datetime,
    forecast: Sequence[Forecast],
    acts: Sequence[Act],
    unit: TempUnit,
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    heads = ("Time", "Day", "What", f"Temperature, °{unit}", f"Likely range, °{unit}")

    def row(time: datetime, what: str, temp: str, likely: str) -> tuple[str, ...]:
        return f"{time:%Y-%m-%d %H:%M}", str((time.date() - built.date()).days), what, temp, likely

    dated = [
        (r.time, row(r.time, f"read at point {r.point}", str(shown(r.temp_c, unit)), ""))
        for r in readings
    ]
    dated += [(a.time, row(a.time, a.word, "", "")) for a in acts]
    dated += [
        (
            f.time,
            row(f.time, "foreseen", str(shown(f.middle_c, unit)),
                f"{shown(f.low_c, unit)} to {shown(f.high_c, unit)}"),
        )
        for f in forecast
    ]  # fmt: skip
    return heads, tuple(cells for _, cells in sorted(dated, key=lambda pair: pair[0]))
