"""Draw the figures of ``pile-model.md`` and fill its table: run with the project's Python.

python -m docs.pile_figures
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import vl_convert
from docs.pile_cases import (
    BAY,
    BOUNDS,
    WARM,
    WEEKLY,
    WET,
    WINDROW,
    cube,
    fed_bin,
    measure,
    pile_run,
)

from heapwright.data.pile import pile_parameters
from heapwright.science.pile_parameters import fixed

HERE = Path(__file__).parent
FIGURES = HERE / "pile"
PAGE = HERE / "pile-model.md"
BEGIN, END = "<!-- bounds: made by docs/pile_figures.py -->", "<!-- end of bounds -->"
INK, PAPER, LINE, QUIET = "#26211B", "#FAF6EC", "#D8CDB8", "#6B6357"
CONFIG = {
    "font": "Georgia, serif",
    "background": PAPER,
    "view": {"stroke": LINE},
    "axis": {"labelColor": INK, "titleColor": INK, "gridColor": LINE, "titleFontWeight": "normal"},
    "title": {"color": INK, "fontSize": 14, "anchor": "start"},
}
SETS = ("first set", "in use")


def both() -> dict[str, np.ndarray]:
    """Return two members: the prototype's parameters and those in use."""
    facts = pile_parameters()
    parameters, first = fixed(facts, 2), fixed(facts, 2, prototype=True)
    for key, value in parameters.items():
        value[0] = first[key][0]
    return parameters


def save(name: str, drawn: dict[str, Any]) -> None:
    """Write one figure as SVG."""
    FIGURES.mkdir(exist_ok=True)
    spec = {"$schema": "https://vega.github.io/schema/vega-lite/v5.json", "config": CONFIG, **drawn}
    (FIGURES / f"{name}.svg").write_text(vl_convert.vegalite_to_svg(spec), encoding="utf-8")


def lines(title: str, rows: list[dict[str, Any]], y: str, domain: list[float]) -> dict[str, Any]:
    """Return one panel of lines over days; solid is in use, dashed the first set."""
    return {
        "title": title,
        "width": 300,
        "height": 170,
        "data": {"values": rows},
        "mark": {"type": "line", "color": INK, "strokeWidth": 1.5},
        "encoding": {
            "x": {"field": "day", "type": "quantitative", "title": "day"},
            "y": {
                "field": "value", "type": "quantitative", "title": y,
                "scale": {"domain": domain},
            },
            "strokeDash": {
                "field": "set", "type": "nominal", "title": None,
                "scale": {"domain": list(SETS), "range": [[4, 3], [1, 0]]},
                "legend": {"orient": "bottom"},
            },
        },
    }  # fmt: skip


def rows_of(hours: np.ndarray, values: np.ndarray, step: int = 2) -> list[dict[str, Any]]:
    """Return the points of both members."""
    return [
        {"day": float(h) / 24.0, "value": round(float(values[i, k]), 3), "set": SETS[k]}
        for i, h in enumerate(hours)
        if i % step == 0
        for k in (0, 1)
    ]


def curves() -> None:
    """Draw core temperature and wet mass of four piles."""
    temperature, mass = [], []
    for title, shape, weather, start, turns in (
        ("Bay, 20 °C, dry", BAY, WARM, 20.0, ()),
        ("Bay, 5 °C, 5 mm rain a day, turned", BAY, WET, 10.0, WEEKLY),
        ("Windrow, 20 °C, dry, turned", WINDROW, WARM, 20.0, WEEKLY),
        ("Cube of 0.5 m, 20 °C", cube(0.5), WARM, 20.0, ()),
    ):
        r = pile_run(both(), shape, weather, start, turns=turns)
        temperature.append(lines(title, rows_of(r.hours, r.core_temp_c), "core, °C", [0, 80]))
        share = 100.0 * r.wet_mass_kg / r.wet_mass_kg[0]
        mass.append(lines(title, rows_of(r.hours, share, 8), "wet mass, % of start", [30, 120]))
    r = fed_bin(both())
    fed = lines(
        "Bin fed daily for 80 days, 26 °C", rows_of(r.hours, r.core_temp_c, 4), "core, °C", [0, 80]
    )
    temperature.append(fed)
    save("temperature", {"concat": temperature, "columns": 2})
    save("mass", {"concat": mass, "columns": 2})


def bounds(measured: dict[str, Any]) -> None:
    """Draw where each quantity lies within its bound, and write the table into the page."""
    marks, table = [], []
    for bound in BOUNDS:
        values = [float(v) for v in measured[bound.quantity]]
        for k, value in enumerate(values):
            place = (value - bound.low) / (bound.high - bound.low)
            marks.append({"quantity": bound.quantity, "set": SETS[k],
                          "place": round(float(np.clip(place, -0.6, 1.6)), 3)})  # fmt: skip
        first, now = (_cell(v, bound.low, bound.high) for v in values)
        table.append(
            f"| {bound.quantity} | {bound.low:g} to {bound.high:g} | {first} | {now} | "
            f"{bound.benchmark}: {bound.source} ({bound.firm}) |"
        )
    save(
        "bounds",
        {
            "title": "Where the model lies within each bound (0 = lower end, 1 = upper end)",
            "width": 420,
            "layer": [
                {
                    "data": {"values": [{"a": 0, "b": 1}]},
                    "mark": {"type": "rect", "color": LINE, "opacity": 0.5},
                    "encoding": {
                        "x": {"field": "a", "type": "quantitative"},
                        "x2": {"field": "b"},
                    },
                },
                {
                    "data": {"values": marks},
                    "mark": {"type": "point", "color": INK, "size": 55},
                    "encoding": {
                        "x": {"field": "place", "type": "quantitative", "title": None,
                              "scale": {"domain": [-0.6, 1.6]}},
                        "y": {"field": "quantity", "type": "nominal", "title": None,
                              "sort": None, "axis": {"labelLimit": 330}},
                        "shape": {"field": "set", "type": "nominal", "title": None,
                                  "scale": {"domain": list(SETS), "range": ["cross", "circle"]},
                                  "legend": {"orient": "bottom"}},
                    },
                },
            ],
        },
    )  # fmt: skip
    head = ["| quantity | bound | first set | in use | from |", "|---|---|---|---|---|"]
    inside = [
        sum(b.low <= float(measured[b.quantity][k]) <= b.high for b in BOUNDS) for k in (0, 1)
    ]
    told = (
        f"Within their bounds: {inside[1]} of {len(BOUNDS)} with the parameters in use, "
        f"{inside[0]} with the first set. **Bold** lies outside."
    )
    text = PAGE.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    filled = "\n".join([BEGIN, "", told, "", *head, *table, "", END])
    PAGE.write_text(before + filled + after, encoding="utf-8")


def _cell(value: float, low: float, high: float) -> str:
    shown = "never" if not np.isfinite(value) else f"{value:.3g}"
    return shown if low <= value <= high else f"**{shown}**"


if __name__ == "__main__":
    curves()
    bounds(measure(both()))
