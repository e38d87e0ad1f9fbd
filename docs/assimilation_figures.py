"""Draw the figures of ``assimilation.md`` and fill its tables: run with the project's Python.

python -m docs.assimilation_figures
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import vl_convert
from docs.assimilation_twins import (
    CLASSES,
    DAYS,
    FACTS,
    ORIGINS,
    PROVING,
    TRAINING,
    Regression,
    Score,
    Twin,
    first_weeks,
    scored,
    skill,
    trained,
    twin,
)
from docs.pile_figures import CONFIG, INK, LINE, QUIET

from heapwright.science.assimilate import assimilate
from heapwright.science.assimilate_readings import Temperature
from heapwright.science.pile_forecast import forecast

HERE = Path(__file__).parent
FIGURES = HERE / "assimilation"
PAGE = HERE / "assimilation.md"
BEGIN, END = "<!-- measured: made by docs/assimilation_figures.py -->", "<!-- end of measured -->"
SITES, PAST, FOLLOWING = 10, 6, 4
SHOWN = ((5, False, 6), (13, True, 6), (3, True, 12))
HEAT = "#A8482C"


def save(name: str, drawn: dict[str, Any]) -> None:
    """Write one figure as SVG."""
    FIGURES.mkdir(exist_ok=True)
    spec = {"$schema": "https://vega.github.io/schema/vega-lite/v5.json", "config": CONFIG, **drawn}
    (FIGURES / f"{name}.svg").write_text(vl_convert.vegalite_to_svg(spec), encoding="utf-8")


def panel(one: Twin, seed: int, origin: int) -> dict[str, Any]:
    """Return one twin: plain band, corrected band, readings and truth of the core."""
    options = {"days": origin + 10, "members": 300, "seed": seed}
    plain = forecast(one.plan, one.weather, FACTS, CLASSES, **options)
    read = one.before(origin)
    found = assimilate(one.plan, one.weather, FACTS, CLASSES, read, **options)
    bands, lines = [], []
    for name, told in (("plan only", plain), ("with readings", found.forecast)):
        core = told.core_temp_c
        for hour, low, high in zip(told.hours, core.p5, core.p95, strict=True):
            bands.append({"day": hour / 24, "low": float(low), "high": float(high), "of": name})
    for hour, value in zip(one.truth.hours, one.truth.core_temp_c[:, 0], strict=True):
        if hour <= (origin + 10) * 24:
            lines.append({"day": hour / 24, "temp": float(value)})
    dots = [
        {"day": seen.hour / 24, "temp": seen.temp_c}
        for seen in read
        if isinstance(seen, Temperature) and seen.point != "edge"
    ]
    x = {"field": "day", "type": "quantitative", "title": "day"}
    y = {"type": "quantitative", "title": "core, °C", "scale": {"domain": [0, 80]}}
    kind = "foreign" if one.foreign else "fair"
    return {
        "title": f"A {kind} twin, read for {origin} days",
        "width": 300,
        "height": 180,
        "layer": [
            {
                "data": {"values": bands},
                "mark": {"type": "area", "opacity": 0.35},
                "encoding": {
                    "x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"},
                    "color": {"field": "of", "type": "nominal", "title": "90 % band",
                              "scale": {"domain": ["plan only", "with readings"],
                                        "range": [LINE, HEAT]},
                              "legend": {"orient": "bottom"}},
                },
            },
            {"data": {"values": lines}, "mark": {"type": "line", "color": INK, "strokeWidth": 1.3},
             "encoding": {"x": x, "y": {**y, "field": "temp"}}},
            {"data": {"values": dots}, "mark": {"type": "point", "color": QUIET, "size": 18},
             "encoding": {"x": x, "y": {**y, "field": "temp"}}},
        ],
    }  # fmt: skip


def errors(tables: dict[str, list[Score]]) -> dict[str, Any]:
    """Return mean absolute errors by days ahead of the three ways, one panel a kind of twin."""
    panels = []
    for name, scores in tables.items():
        values = [
            {"lead": one.lead, "error": round(value, 2), "by": by}
            for one in skill(scores)
            for by, value in (
                ("corrected forecast", one.error_c),
                ("regression", one.regression_c),
                ("persistence", one.persistence_c),
            )
        ]
        panels.append(
            {
                "title": f"{name} twins", "width": 300, "height": 160,
                "data": {"values": values},
                "mark": {"type": "line", "color": INK, "point": {"color": INK}},
                "encoding": {
                    "x": {"field": "lead", "type": "quantitative", "title": "days ahead"},
                    "y": {"field": "error", "type": "quantitative", "title": "mean error, °C"},
                    "strokeDash": {"field": "by", "type": "nominal", "title": None,
                                   "scale": {"range": [[1, 0], [5, 3], [1, 3]],
                                             "domain": ["corrected forecast", "regression",
                                                        "persistence"]},
                                   "legend": {"orient": "bottom"}},
                },
            }
        )  # fmt: skip
    return {"concat": panels, "columns": 2}


def scores_of(seed: int, *, foreign: bool, fits: Regression) -> list[Score]:
    """Return the scores of one twin."""
    return scored(seed, twin(seed, foreign=foreign), fits)


def measured() -> tuple[str, dict[str, list[Score]]]:
    """Return the tables as text, and the scores that they sum up."""
    tables: dict[str, list[Score]] = {}
    lines = [
        f"{len(PROVING)} twins of each kind, forecast from day {', '.join(map(str, ORIGINS))}.",
        "",
        "| twins | days ahead | band held the truth | bar 85 to 95 % | width, °C | mean error, °C |"
        " persistence | regression |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for foreign in (False, True):
        name = "foreign" if foreign else "fair"
        fits = trained([twin(seed, foreign=foreign) for seed in TRAINING])
        with ProcessPoolExecutor(2) as pool:
            found = pool.map(partial(scores_of, foreign=foreign, fits=fits), PROVING)
        tables[name] = [score for scores in found for score in scores]
        for one in skill(tables[name]):
            print(name, one, flush=True)
            met = "met" if 0.85 <= one.coverage <= 0.95 else "**missed**"
            lines.append(
                f"| {name} | {one.lead} | {100 * one.coverage:.1f} % | {met} | {one.width_c:.1f} | "
                f"{one.error_c:.2f} | {one.persistence_c:.2f} | {one.regression_c:.2f} |"
            )
    lines += [
        "",
        "By the day from which is forecast (all three leads together):",
        "",
        "| twins | from day | band held the truth | mean error, °C | persistence | regression |",
        "|---|---|---|---|---|---|",
    ]
    for name, scores in tables.items():
        for origin in ORIGINS:
            chosen = [one for one in scores if one.origin == origin]
            held = np.mean([one.held for one in chosen])
            error = [
                np.mean([abs(getattr(one, by) - one.truth_c) for one in chosen])
                for by in ("middle_c", "persistence_c", "regression_c")
            ]
            lines.append(
                f"| {name} | {origin} | {100 * held:.0f} % | "
                + " | ".join(f"{value:.2f}" for value in error)
                + " |"
            )
    return "\n".join(lines), tables


def site() -> str:
    """Return what past piles do for the first week of the next, as a table."""
    plain, taught, _ = first_weeks(SITES, PAST, following=FOLLOWING)
    rows = [
        f"{SITES} sites, {PAST} past piles each (read for {DAYS} days), {FOLLOWING} next piles "
        "each, core over the first week, no reading yet:",
        "",
        "| forecast from | band held the truth | width, °C | mean error, °C |",
        "|---|---|---|---|",
    ]
    for name, one in (("the plan alone", plain), ("the plan and past piles", taught)):
        rows.append(
            f"| {name} | {100 * one.coverage:.1f} % | {one.width_c:.1f} | {one.error_c:.2f} |"
        )
    return "\n".join(rows)


def main() -> None:
    """Draw all and write the tables into the page."""
    save(
        "twins",
        {
            "concat": [
                panel(twin(seed, foreign=foreign), seed, origin) for seed, foreign, origin in SHOWN
            ],
            "columns": 2,
        },
    )
    tables, scores = measured()
    save("skill", errors(scores))
    text = PAGE.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN)
    _, tail = rest.split(END)
    body = f"{BEGIN}\n\n{tables}\n\n{site()}\n\n{END}"
    PAGE.write_text(head + body + tail, encoding="utf-8")


if __name__ == "__main__":
    main()
