"""Draw every drawing, chart and include with invented figures into one page, to look at.

``python docs/gallery.py FOLDER`` writes ``index.html`` and its style sheet to FOLDER, to be served
with ``python -m http.server --directory FOLDER``. Nothing in it is real: the yard, the lots and
the readings are made up to show each part at work.
"""

from __future__ import annotations

import shutil
import sys
from datetime import date, datetime, timedelta
from pathlib import Path

import django
from django.conf import settings

from heapwright.web import heat
from heapwright.web.charts.engine import Chart
from heapwright.web.charts.layers import Act
from heapwright.web.charts.temperature import Forecast, Reading, Threshold, temperature_history
from heapwright.web.drawing.heap import HeatZone, Layer, Probe, Section, heap_section
from heapwright.web.drawing.key import heat_key
from heapwright.web.drawing.places import Pile, Place, Stock, Yard
from heapwright.web.drawing.proof_strip import ProofDay, State, proof_strip
from heapwright.web.drawing.yard_plan import yard_plan
from heapwright.web.drawing.yard_rows import yard_rows

WEB = Path(heat.__file__).parent
BUILT = datetime(2026, 3, 1, 10)


def saltmarsh_lane() -> Yard:
    """Return the invented yard: eight bays, three bunkers, a pad, a screen, twelve beds."""
    piles = [
        Pile("K-041", "hot", 9, 1.12, 61, cover="tarp"),
        Pile("K-042", "hot", 5, 1.08, 68, task=1),
        Pile("K-043", "filling", 2, 0.62, 34, task=2),
        None,
        Pile("K-038", "hot", 31, 0.76, 47, temp_is_old=True, task=4),
        Pile("K-036", "curing", 52, 0.7, 29, cover="breathable"),
        Pile("K-034", "curing", 80, 0.62, 22),
        Pile("K-031", "ready", 118, 0.5, 17),
    ]
    places = [
        Place(
            f"B{i + 1}", f"Bay {i + 1}", "bay", 1.0 + i % 4 * 1.75, 2.6 + i // 4 * 4.4,
            1.2, 1.2, 1.2,            (pile,) if pile else (), href=f"#bay-{i + 1}",
        )
        for i, pile in enumerate(piles)
    ]  # fmt: skip
    stocks = [
        Stock("wood chips", "4.2 m³", 1.1, "woody"),
        Stock("leaves", "2.6 m³", 0.8, "brown"),
        Stock("kitchen scraps", "210 kg", 0.35, "food"),
    ]
    places += [
        Place(f"S{i + 1}", f"Bunker {i + 1}", "bunker", 8.6 + i * 2.6, 2.2, 2.2, 1.8, 1.3,
              stock=stock)
        for i, stock in enumerate(stocks)
    ]  # fmt: skip
    cured = (Pile("K-027", "curing", 140, 0.9, 19), Pile("K-029", "curing", 131, 0.8, 21))
    places.append(Place("P", "Curing pad", "pad", 8.6, 6.4, 4.4, 2.3, 0, cured))
    places.append(Place("X", "Screening corner", "screen", 13.8, 6.2, 2.4, 2.3))
    places += [
        Place(str(i + 1), f"Bed {i + 1}", "bed", 1.0 + i % 6 * 2.6, 10.4 + i // 6 * 1.7, 2.2, 1.1)
        for i in range(12)
    ]
    return Yard("Saltmarsh Lane yard", tuple(places), north_deg=20)


BAY = Section(
    "B2, lot K-042", "bay", 1.2, 1.08, 1.2, "tarp",
    (
        Layer("wood chips", "woody", 0.18), Layer("leaves", "brown", 0.25),
        Layer("kitchen scraps", "food", 0.15), Layer("grass clippings", "green", 0.18),
        Layer("leaves", "brown", 0.2), Layer("kitchen scraps", "food", 0.12),
        Layer("crushed shells and lime", "mineral", 0.04), Layer("finished chips", "woody", 0.25),
    ),
    (
        Probe(1, 0.2, 0.3, 61), Probe(2, 0.5, 0.6, 68), Probe(3, 0.8, 0.3, 63),
        Probe(4, 0.5, 0.3, 58), Probe(5, 0.65, 0.8, None),
    ),
)  # fmt: skip
WINDROW = Section(
    "windrow W1", "windrow", 2.8, 1.4, 0, "breathable",
    (
        Layer("wood chips", "woody", 0.5), Layer("horse bedding", "brown", 2.2),
        Layer("grass clippings", "green", 0.8), Layer("brewery grain", "food", 0.35),
        Layer("wood chips", "woody", 0.3),
    ),
    (Probe(1, 0.3, 0.3, 57), Probe(2, 0.5, 0.9, 66)),
)  # fmt: skip
ZONES = (
    HeatZone("outside", 18, 0.2), HeatZone("shell", 44, 0.3),
    HeatZone("middle", 59, 0.3), HeatZone("core", 68, 0.2),
)  # fmt: skip


def proof_days() -> list[ProofDay]:
    """Return seventeen days with a cold one, a gap, two turnings and a week to come."""
    lowest = [57, 61, 63, 52, 58, None, 66, 63, 61, 58]
    states: list[State] = ["counts"] * 3 + ["does not count", "counts", "no reading"]
    states += ["counts"] * 4 + ["to come"] * 7
    turned = {4: 1, 9: 2}
    return [
        ProofDay(
            i + 1, date(2026, 3, 1) + timedelta(i), state,
            lowest[i] if i < len(lowest) else None, turned.get(i + 1),
        )
        for i, state in enumerate(states)
    ]  # fmt: skip


def history(uid: str, width_px: int, height_px: int) -> Chart:
    """Return a temperature history with a gap, five acts and a forecast."""
    core = [12, 31, 48, 57, 62, 66, 68, None, None, 58, 63, 66, 67, 64, 62]
    readings = [
        Reading(BUILT + timedelta(days=day), point, temp + offset)
        for day, temp in enumerate(core)
        if temp is not None
        for point, offset in ((1, -5), (2, 0), (3, -3))
    ]
    forecast = [
        Forecast(
            BUILT + timedelta(days=14 + i), 62 - 1.1 * i - 2.6 * i**0.5, 62 - 1.1 * i,
            62 - 1.1 * i + 2.3 * i**0.5,
        )
        for i in range(17)
    ]  # fmt: skip
    acts = [(0, "built"), (6, "turned"), (7, "wetted, 60 L"), (12, "turned"), (14, "today")]
    return temperature_history(
        readings,
        uid=uid,
        title="Core temperature of K-042",
        built=BUILT,
        forecast=forecast,
        acts=[Act(BUILT + timedelta(days=day), word) for day, word in acts],
        thresholds=[Threshold(55, "rule"), Threshold(65, "too hot")],
        width_px=width_px,
        height_px=height_px,
    )


def tasks() -> list[dict[str, object]]:
    """Return four tasks as the yard page lists them."""
    return [
        {
            "number": 1, "title": "Turn bay 2 today", "act_href": "#", "act_word": "Log it: turned",
            "href": "#", "place": "bay 2", "hidden": [("lot", "K-042")],
            "why": "Core is 68 °C and air is short. The rule counts this as turning 3 of 5.",
            "left": "above 70 °C tonight, likely, and the microbes you need die back.",
        },
        {
            "number": 2, "title": "Cover bay 3 before 6 pm", "act_href": "#",
            "act_word": "Log it: covered", "href": "#", "place": "bay 3", "hidden": [],
            "why": "22 mm of rain by morning takes it from 58 % water to about 64 %.",
        },
        {
            "number": 3, "title": "Use the brewery grain", "href": "#", "place": "the mix",
            "hidden": [],
            "why": "110 kg in bunker 3 has waited 3 days; it sours in 2 more.",
        },
        {
            "number": 4, "title": "Read bay 5", "href": "#", "place": "bay 5", "hidden": [],
            "why": "Nothing since Sunday 08:40.",
            "left": "today does not count for the rule; a gap never does.",
        },
    ]  # fmt: skip


def table(chart: Chart) -> dict[str, object]:
    """Return the chart's figures as the table include takes them."""
    from heapwright.web.tables import Column
    from heapwright.web.tables import table as made

    numbers = {1, 3, 4}
    columns = [
        Column(head, number=i in numbers, short=i == 0, sort_href="#" if i == 0 else "",
               sorted="descending" if i == 0 else "")
        for i, head in enumerate(chart.heads)
    ]  # fmt: skip
    return made(
        "history",
        "Temperatures of K-042",
        columns,
        chart.rows[::-1],
        download_href="#",
        note=f"{len(chart.rows)} rows",
    )


def page() -> str:
    """Return the gallery as one HTML page."""
    from django import forms
    from django.template import Context, Engine

    class CheckForm(forms.Form):
        core = forms.DecimalField(
            label="Core temperature",
            help_text="At the deepest point you can reach.",
            error_messages={"invalid": "“61,x” is not a number; type degrees with a point."},
            widget=forms.TextInput(attrs={"inputmode": "decimal"}),
        )
        squeeze = forms.ChoiceField(
            label="Squeeze of a handful",
            choices=[("dry", "crumbles"), ("right", "holds, no drop"), ("wet", "drips")],
            widget=forms.RadioSelect,
        )
        note = forms.CharField(label="Note", required=False, widget=forms.Textarea({"rows": 2}))

    chart = history("chart-narrow", 328, 220)
    rooms = ["Yard", "Log", "Mix", "Stock", "Proof"]
    yard = saltmarsh_lane()
    engine = Engine(
        dirs=[str(WEB / "templates")],
        libraries={
            "static": "django.templatetags.static",
            "i18n": "django.templatetags.i18n",
            "codes": "heapwright.web.templatetags.codes",
            "tables": "heapwright.web.templatetags.tables",
        },
    )
    context = {
        "site_name": "Saltmarsh Lane",
        "rooms": [{"label": r, "href": f"#{r.lower()}", "current": r == "Yard"} for r in rooms],
        "messages": [
            {"level_tag": "success", "extra_tags": "/undo/", "message": "Bay 1: 5 readings kept."},
            {"level_tag": "error", "extra_tags": "", "message": "Bay 4 is empty; build it first."},
        ],
        "plan": yard_plan(yard, uid="plan", width_px=760),
        "plan_narrow": yard_plan(yard, uid="plan-narrow", width_px=328),
        "rows": yard_rows(yard, uid="rows"),
        "key": heat_key(uid="key"),
        "tasks": tasks(),
        "figures": [
            {"label": "Core", "value": 68, "unit": "°C", "low": None, "high": None},
            {"label": "Water", "value": 59, "unit": "%", "low": 55, "high": 63},
            {"label": "Volume", "value": "1.4", "unit": "m³", "low": None, "high": None},
            {"label": "Mass", "value": 640, "unit": "kg", "low": 560, "high": 720},
        ],
        "bay_narrow": heap_section(BAY, uid="bay-n"),
        "bay_wide": heap_section(BAY, uid="bay-w", width_px=560),
        "heat_narrow": heap_section(BAY, uid="heat-n", heat=ZONES),
        "heat_wide": heap_section(BAY, uid="heat-w", heat=ZONES, width_px=560),
        "windrow_narrow": heap_section(WINDROW, uid="wind-n"),
        "windrow_wide": heap_section(WINDROW, uid="wind-w", width_px=560),
        "windrow_heat_narrow": heap_section(
            WINDROW, uid="wheat-n", heat=ZONES, temp_unit="F", length_unit="ft"
        ),
        "windrow_heat_wide": heap_section(WINDROW, uid="wheat-w", heat=ZONES, width_px=560),
        "chart_narrow": chart,
        "chart_wide": history("chart-wide", 760, 300),
        "step": heat.step_of(68),
        "cool": heat.step_of(9),
        "table": table(chart),
        "proof_narrow": proof_strip("US-PFRP-W", proof_days(), uid="proof-n"),
        "proof_wide": proof_strip("US-PFRP-W", proof_days(), uid="proof-w", width_px=760),
        "working": {
            "formula": "water = 1 − dry mass ÷ wet mass",
            "inputs": [
                {"name": "dry mass", "value": 262, "unit": "kg", "origin": "typical, leaves"},
                {"name": "wet mass", "value": 640, "unit": "kg", "origin": "weighed here"},
            ],
            "source": "invented for this page",
        },
        "form": CheckForm({"core": "61,x", "squeeze": "", "note": ""}),
    }  # fmt: skip
    source = (Path(__file__).parent / "gallery.html").read_text("utf-8")
    return engine.from_string(source).render(Context(context))


def main(folder: Path) -> None:
    """Write the gallery and its style sheet into a folder."""
    if not settings.configured:
        settings.configure(LANGUAGE_CODE="en", STATIC_URL="/", INSTALLED_APPS=[])
    django.setup()
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copytree(WEB / "static" / "heapwright", folder / "heapwright", dirs_exist_ok=True)
    (folder / "index.html").write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
