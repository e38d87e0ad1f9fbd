"""A forecast as a drawing: Vega-Lite, drawn by vl-convert to SVG or PNG."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from heapwright.science.pile_forecast import Band, Forecast, PilePlan

INK, PAPER, LINE, QUIET = "#26211B", "#FAF6EC", "#D8CDB8", "#6B6357"
FONT = "Georgia, serif"
WIDTH = 620
HEIGHT = 220


def draw(found: Forecast, built: datetime, plan: PilePlan, path: Path) -> None:
    """Write the drawing of a forecast to ``path``; its suffix says svg or png."""
    import vl_convert

    drawn = chart(found, built, plan)
    if path.suffix.lower() == ".svg":
        path.write_text(vl_convert.vegalite_to_svg(drawn), encoding="utf-8")
    else:
        path.write_bytes(vl_convert.vegalite_to_png(drawn, scale=2.0))


def chart(found: Forecast, built: datetime, plan: PilePlan) -> dict[str, Any]:
    """Return the specification: temperatures with bands, the 55 °C line and the acts, then
    water and oxygen.
    """
    times = [
        (built + timedelta(hours=float(h))).replace(tzinfo=None).isoformat() for h in found.hours
    ]
    temperature = _rows(found.core_temp_c, times, "core") + _rows(
        found.shell_temp_c, times, "outer"
    )
    by_day: dict[float, list[str]] = {}
    for act in plan.acts:
        if act.day * 24.0 <= float(found.hours[-1]):
            by_day.setdefault(act.day, []).append(act.name)
    acts = [
        {
            "time": (built + timedelta(days=day)).replace(tzinfo=None).isoformat(),
            "act": ", ".join(names),
        }
        for day, names in by_day.items()
    ]
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "background": PAPER,
        "config": _CONFIG,
        "title": {
            "text": "What the pile will likely do",
            "subtitle": "Lines are medians, bands hold 90 in 100. Modelled, so no proof of "
            "sanitation.",
            "anchor": "start",
        },
        "resolve": {"scale": {"strokeDash": "independent"}},
        "vconcat": [
            {
                "width": WIDTH,
                "height": HEIGHT,
                "layer": [
                    *_band_layers(temperature, "temperature, °C", [0, 80]),
                    {
                        "data": {"values": [{"limit": 55, "text": "55 °C"}]},
                        "mark": {"type": "rule", "strokeDash": [4, 3], "color": QUIET},
                        "encoding": {"y": {"field": "limit", "type": "quantitative"}},
                    },
                    {
                        "data": {"values": [{"limit": 55, "text": "55 °C"}]},
                        "mark": {"type": "text", "align": "right", "dy": -6, "color": QUIET},
                        "encoding": {
                            "x": {"value": WIDTH - 4},
                            "y": {"field": "limit", "type": "quantitative"},
                            "text": {"field": "text"},
                        },
                    },
                    {
                        "data": {"values": acts},
                        "mark": {"type": "rule", "color": LINE, "strokeWidth": 1.5},
                        "encoding": {"x": {"field": "time", "type": "temporal"}},
                    },
                    {
                        "data": {"values": acts},
                        "mark": {
                            "type": "text", "angle": 270, "align": "left", "dy": 9,
                            "color": QUIET, "fontSize": 10,
                        },
                        "encoding": {
                            "x": {"field": "time", "type": "temporal"},
                            "y": {"value": HEIGHT - 4},
                            "text": {"field": "act"},
                        },
                    },
                ],
            },
            {
                "width": WIDTH,
                "height": 90,
                "layer": _band_layers(_rows(found.moisture_pct, times, "pile"), "water, %", None),
            },
            {
                "width": WIDTH,
                "height": 90,
                "layer": _band_layers(
                    _rows(found.oxygen_pct, times, "core"), "oxygen, %", [0, 21]
                ),
            },
        ],
    }  # fmt: skip


_CONFIG: dict[str, Any] = {
    "font": FONT,
    "view": {"stroke": LINE},
    "axis": {
        "labelColor": INK, "titleColor": INK, "gridColor": LINE, "gridOpacity": 0.6,
        "domainColor": LINE, "tickColor": LINE, "titleFontWeight": "normal",
    },
    "title": {"color": INK, "subtitleColor": QUIET, "fontSize": 15},
    "legend": {"labelColor": INK, "titleColor": INK},
}  # fmt: skip


def _rows(band: Band, times: list[str], where: str) -> list[dict[str, Any]]:
    return [
        {
            "time": time,
            "where": where,
            "p5": round(float(low), 2),
            "p50": round(float(middle), 2),
            "p95": round(float(high), 2),
        }
        for time, low, middle, high in zip(times, band.p5, band.p50, band.p95, strict=True)
    ]


def _band_layers(
    rows: list[dict[str, Any]], title: str, domain: list[float] | None
) -> list[dict[str, Any]]:
    scale: dict[str, Any] = {"zero": False} if domain is None else {"domain": domain}
    x = {"field": "time", "type": "temporal", "title": None, "axis": {"format": "%e %b"}}
    names = sorted({row["where"] for row in rows})
    dash = {
        "field": "where",
        "type": "nominal",
        "title": None,
        "scale": {"domain": names, "range": [[1, 0], [5, 3]][: len(names)]},
        "legend": {"orient": "top-right"} if len(names) > 1 else None,
    }
    return [
        {
            "data": {"values": rows},
            "mark": {"type": "area", "color": INK, "opacity": 0.14},
            "encoding": {
                "x": x,
                "y": {"field": "p5", "type": "quantitative", "title": title, "scale": scale},
                "y2": {"field": "p95"},
                "detail": {"field": "where"},
            },
        },
        {
            "data": {"values": rows},
            "mark": {"type": "line", "color": INK, "strokeWidth": 1.6, "interpolate": "linear"},
            "encoding": {
                "x": x,
                "y": {"field": "p50", "type": "quantitative", "title": title, "scale": scale},
                "strokeDash": dash,
            },
        },
    ]
