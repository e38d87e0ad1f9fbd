"""Two small charts of days: lowest to highest temperature, and rain, with where it came from."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any, Final

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from heapwright.web.charts.engine import Chart, Spec, draw
from heapwright.web.drawing.svg import EARTH, LINE, SANS, SOFT
from heapwright.web.heat import INK
from heapwright.web.measures import MEASURES, figure
from heapwright.yard.models import Origin
from heapwright.yard.weather import DayWeather

HALF: Final = 0.38
"""Half the width of a day's bar, days."""

_HEIGHT: Final = 92
_LEFT, _RIGHT = 34, 14
_TYPE_PX: Final = 12.0
_FORESEEN: Final = (Origin.FORECAST, Origin.TYPICAL)
_FILL: Final = {
    Origin.MEASURED: {"fill": INK, "stroke": INK},
    Origin.IMPORTED: {"fill": SOFT, "stroke": SOFT},
    Origin.FORECAST: {"fill": EARTH, "stroke": INK},
    Origin.TYPICAL: {"fill": "transparent", "stroke": SOFT, "strokeDash": [3, 2]},
}


def temperatures(
    days: Sequence[DayWeather], today: date, units: str, *, uid: str, width_px: int
) -> Chart | None:
    """Draw the lowest to the highest of each day; None where nothing is known."""
    known = [day for day in days if day.temp_min_c is not None and day.temp_max_c is not None]
    if not known:
        return None
    unit = MEASURES["temp"][units]

    def row(day: DayWeather) -> dict[str, Any]:
        assert day.temp_min_c is not None
        assert day.temp_max_c is not None
        return _row(day, today) | {
            "low": round(unit.from_si(day.temp_min_c), 1),
            "high": round(unit.from_si(day.temp_max_c), 1),
        }

    y = {
        "field": "low",
        "type": "quantitative",
        "scale": {"zero": False, "nice": True},
        "axis": {"title": None, "tickCount": 4},
    }
    layers = _bars(
        days, known, row, today, y, lambda day: day.origins[-1] if day.origins else Origin.TYPICAL,
        width_px,
    )  # fmt: skip
    title = _("Lowest and highest temperature, %(unit)s") % {"unit": unit.sign}
    return _chart(layers, title, days, units, uid=uid, width_px=width_px)


def rain(
    days: Sequence[DayWeather], today: date, units: str, *, uid: str, width_px: int
) -> Chart | None:
    """Draw the rain of each day; None where nothing is known."""
    known = [day for day in days if day.rain_mm is not None]
    if not known:
        return None
    unit = MEASURES["rain"][units]
    most = max(unit.from_si(day.rain_mm or 0.0) for day in known)

    def row(day: DayWeather) -> dict[str, Any]:
        return _row(day, today) | {"low": 0, "high": round(unit.from_si(day.rain_mm or 0.0), 3)}

    y = {
        "field": "low",
        "type": "quantitative",
        "scale": {"domain": [0, max(most, unit.from_si(5.0))], "nice": True},
        "axis": {"title": None, "tickCount": 4},
    }
    layers = _bars(days, known, row, today, y, lambda day: day.rain_origin, width_px)
    title = _("Rain, %(unit)s") % {"unit": unit.sign}
    return _chart(layers, title, days, units, uid=uid, width_px=width_px)


def _row(day: DayWeather, today: date) -> dict[str, Any]:
    at = (day.day - today).days
    return {"from": at - HALF, "to": at + HALF}


def _bars(
    days: Sequence[DayWeather],
    known: Sequence[DayWeather],
    row: Callable[[DayWeather], dict[str, Any]],
    today: date,
    y: Spec,
    origin_of: Callable[[DayWeather], Origin | None],
    width_px: int,
) -> list[Spec]:
    first, last = (days[0].day - today).days, (days[-1].day - today).days
    ticks = {at: _tick(today, at) for at in range(first, last + 1) if at % 7 == 0}
    if width_px < 400:
        ticks = {at: word for at, word in ticks.items() if at % 14 == 0 or at == 0}
    words = json.dumps({str(at): word for at, word in ticks.items()}, ensure_ascii=True)
    x = {
        "field": "from",
        "type": "quantitative",
        "scale": {"domain": [first - 0.6, last + 0.6], "nice": False},
        "axis": {
            "values": list(ticks),
            "title": None,
            "grid": False,
            "labelExpr": f"({words})['' + datum.value]",
        },
    }
    layers: list[Spec] = []
    for origin, style in _FILL.items():
        values = [row(day) for day in known if origin_of(day) == origin]
        if values:
            layers.append(
                {
                    "data": {"values": values},
                    "mark": {"type": "rect", "strokeWidth": 1, **style},
                    "encoding": {
                        "x": x,
                        "x2": {"field": "to"},
                        "y": y,
                        "y2": {"field": "high"},
                    },
                }
            )
    now = [{"from": -0.5}]
    layers.append(
        {
            "data": {"values": now},
            "mark": {"type": "rule", "color": INK, "strokeDash": [2, 3]},
            "encoding": {"x": x},
        }
    )
    return layers


def _tick(today: date, at: int) -> str:
    return _("today") if at == 0 else date_format(today + timedelta(days=at), "j M")


def _chart(
    layers: Sequence[Spec],
    title: str,
    days: Sequence[DayWeather],
    units: str,
    *,
    uid: str,
    width_px: int,
) -> Chart:
    spec: Spec = {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "width": width_px - _LEFT - _RIGHT,
        "height": _HEIGHT,
        "padding": {"left": _LEFT, "right": _RIGHT, "top": 10, "bottom": 24},
        "autosize": {"type": "none"},
        "layer": list(layers),
        "config": {
            "font": SANS,
            "background": None,
            "view": {"stroke": None},
            "axis": {
                "domainColor": INK, "tickColor": INK, "gridColor": LINE, "gridWidth": 0.8,
                "labelColor": INK, "labelFontSize": _TYPE_PX, "labelOverlap": True,
            },
        },
    }  # fmt: skip
    rows = tuple(
        (
            day.day.isoformat(),
            figure(day.temp_min_c, "temp", units),
            figure(day.temp_max_c, "temp", units),
            figure(day.rain_mm, "rain", units),
        )
        for day in days
    )
    words = _("From %(first)s to %(last)s; the figures stand in the table.") % {
        "first": date_format(days[0].day, "j M Y"),
        "last": date_format(days[-1].day, "j M Y"),
    }
    svg = draw(spec, uid=uid, title=title, description=words)
    return Chart(svg, (_("Day"), _("Lowest"), _("Highest"), _("Rain")), rows)
