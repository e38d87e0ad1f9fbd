"""The temperatures of a pile: points as read, the foreseen band, acts and limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import groupby
from statistics import mean
from typing import Final

from heapwright.units import fahrenheit_from_celsius
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
from heapwright.web.heat import INK, STEPS, TempUnit, shown, step_of, with_unit

_GAP: Final = timedelta(hours=48)  # readings further apart are not joined by the line


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
class Threshold:
    """A temperature that matters, with the word that says why."""

    temp_c: float
    word: str


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
        [text_width(t.word, TYPE_PX) for t in thresholds] + [text_width("day 000", TYPE_PX) / 2]
    )
    left = 34
    plot_px = width_px - left - right
    act_rows, placed = place_acts(
        [(act.word, (day(act.time) - first) / (last - first) * plot_px) for act in acts],
        -left, plot_px + right,
    )  # fmt: skip
    top = act_rows * ACT_ROW_PX + 8
    plot_height = height_px - 40
    x = day_axis(first, last, plot_px)
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
        layers += band_layers(band, x, y)
    layers += limit_lines((temp(t.temp_c) for t in thresholds), y)
    layers += act_layers(acts, placed, x, day)
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
    layers += words_beside(
        [Limit(temp(one.temp_c), one.word) for one in thresholds], plot_px, plot_height, y_domain
    )
    return sheet_of(
        layers, plot_px, plot_height, {"left": left, "right": right, "top": top, "bottom": 24}
    )


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


def _apart(ticks: Sequence[float], px_per_degree: float) -> list[float]:
    """Return the ticks that have room for their numbers, those that matter most kept first."""
    order = sorted(ticks, key=lambda t: (t not in (55.0,), t not in (0.0, 65.0), t))
    kept: list[float] = []
    for tick in order:
        if all(abs(tick - other) * px_per_degree >= TYPE_PX * 1.25 for other in kept):
            kept.append(tick)
    return sorted(kept)


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
