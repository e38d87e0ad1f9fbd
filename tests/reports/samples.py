"""Invented sheets, light and heavy, for the tests of the prints."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np

from heapwright.data import materials
from heapwright.data.mixing import acceptable_limits, layer_thickness, mix_facts, water
from heapwright.data.sanitation import rules, terms
from heapwright.reports.build_sheet import BuildSheet, ContainerOf, from_recipe
from heapwright.reports.proof_sheet import MadeOf, ProofSheet, from_proof
from heapwright.science.daily import Act, Clock, Log, Readings
from heapwright.science.ingredients import complete
from heapwright.science.layers import plan_layers
from heapwright.science.mixing import Part, mix_of, spread_of
from heapwright.science.recipe import Recipe, outside_of
from heapwright.science.sanitation import Proof, Stated, evaluate

PRINTED = datetime(2026, 5, 1, 14, 5, tzinfo=UTC)
START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
HOSTILE = (
    '#panic("x")',
    "*bold* _under_ $x^2$ `raw`",
    r"\\ \u{41} back\slash",
    "<label> @ref [content] {code}",
    "= heading",
    "//comment /* still */",
    "\"quotes\" and 'single'",
    "x" * 300,
    "a\x00b\x07c\u202ed\ud800e",
    "компост, σωρός, compostaje ñ",
    "堆肥 سماد 😀",
)
LIGHT = (("food_scraps_mixed", 240.0), ("leaves_loose", 160.0), ("wood_chips", 120.0))
HEAVY = (
    ("food_scraps_mixed", 300.0),
    ("coffee_grounds", 80.0),
    ("spent_grain", 120.0),
    ("grass_clippings", 90.0),
    ("horse_straw", 200.0),
    ("veg_produce", 60.0),
    ("leaves_loose", 150.0),
    ("straw_wheat", 60.0),
    ("wood_chips", 220.0),
    ("sawdust", 40.0),
    ("cardboard", 30.0),
    ("newsprint", 10.0),
)


def recipe_of(amounts, water_kg=30.0) -> Recipe:
    """Return a stated mix as a recipe."""
    facts, limits = mix_facts(), acceptable_limits()
    parts = tuple(Part(complete(materials()[name], facts), mass) for name, mass in amounts)
    parts += (Part(water(), water_kg),)
    mix, spread = mix_of(parts, facts), spread_of(parts, limits, facts)
    outside = outside_of(mix, limits)
    return Recipe(
        feasible=not outside, parts=parts, mix=mix, spread=spread, chance_wanted=0.9,
        amount_wanted=mix.volume_m3, outside=outside,
    )  # fmt: skip


def build(amounts=LIGHT, *, side_m=1.2, lot_code="K-041", place="Bay 3", **more) -> BuildSheet:
    """Return the build sheet of a stated mix on a square footprint."""
    recipe = recipe_of(amounts)
    containers = {
        part.ingredient.id: ContainerOf("64 gal tote", 0.5 * part.mass_kg / 4, 242.0)
        for part in recipe.parts
        if part.ingredient.layer_role in ("food", "green")
    }
    layers = plan_layers(
        recipe.parts,
        side_m**2,
        layer_thickness(),
        half_container_kg={key: one.half_kg for key, one in containers.items()},
    )
    return from_recipe(
        recipe, acceptable_limits(), layers, containers,
        site=more.pop("site", "Alder Lane compost yard"), place=place, printed_at=PRINTED,
        width_m=side_m, depth_m=side_m, lot_code=lot_code, **more,
    )  # fmt: skip


def log_of(
    days=18, points=("1", "2", "3"), temp_c=62.0, turned=(3, 6, 9, 12, 15), cold=(), gaps=()
):
    """Return a log of daily readings; days are counted from the building."""
    start = int(START.timestamp())
    times, names, temps = [], [], []
    for day in range(1, days + 1):
        if day in gaps:
            continue
        for index in range(len(points)):
            times.append(start + day * 86_400 + 60 * index)
            names.append(index)
            temps.append(50.3 if day in cold and index == 0 else temp_c + index + 0.16 * day)
    acts = [Act(start, "built")]
    acts += [Act(start + day * 86_400 + 7200, "turned") for day in turned]
    readings = Readings(
        np.array(times, dtype=np.int64), np.array(names, dtype=np.int64), np.array(temps),
        np.full(len(times), 40.0), tuple(points),
    )  # fmt: skip
    return Log(readings=readings, acts=tuple(acts), clock=Clock())


def judged(log: Log, rule="NY-W", **stated) -> Proof:
    """Return a log by a rule."""
    return evaluate(log, [rules()[rule]], Stated(**{"method": "turned", **stated}), terms())[0]


def made_of(count=3, material="Food scraps, mixed", source="School kitchen") -> tuple[MadeOf, ...]:
    """Return some lines of a composition."""
    return tuple(
        MadeOf(
            f"{material} {number}", source, 400.0 / number, 1 / count, date(2026, 2, 20),
            date(2026, 2, 20) + timedelta(days=number), number,
        )
        for number in range(1, count + 1)
    )  # fmt: skip


def proof(*logs: Log, rule="NY-W", lot_code="K-041", **more) -> ProofSheet:
    """Return the proof of logs."""
    logs = logs or (log_of(),)
    stated = more.pop("stated", {})
    return ProofSheet(
        site=more.pop("site", "Alder Lane compost yard"),
        lot_code=lot_code,
        place=more.pop("place", "Curing pad"),
        printed_at=PRINTED,
        logs=tuple(from_proof(judged(log, rule, **stated), log) for log in logs),
        made_of=more.pop("made_of", made_of()),
        zone="America/Los_Angeles",
    )
