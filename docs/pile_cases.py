"""Published piles as cases for the model: their conditions as far as they are known, and bounds.

Each bound names the benchmark that it comes from and how firm that is. ``measure`` runs all
cases with given parameters; ``fit`` is the search that the shipped parameters come from.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from heapwright.data.library import materials
from heapwright.data.mixing import mix_facts
from heapwright.data.pile import decay_classes, pile_covers, pile_parameters
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.ingredients import complete
from heapwright.science.mixing import Part
from heapwright.science.pile import Run, simulate
from heapwright.science.pile_events import Added, Event, Turned, Wetted
from heapwright.science.pile_parameters import fixed
from heapwright.science.pile_recipe import Recipe, recipe_of, stated_recipe
from heapwright.science.pile_state import BOARD_R_M2K_W, OPEN, Cover, start
from heapwright.science.pile_weather import typical_weather

WARM = {"temp_mean_c": 20.0, "temp_swing_c": 5.0, "soil_temp_c": 18.0}
COLD = {"temp_mean_c": 5.0, "temp_swing_c": 3.0, "soil_temp_c": 7.0}
WET = {**COLD, "rain_mm_day": 5.0}
FROST = {"temp_mean_c": -1.0, "temp_swing_c": 4.0, "soil_temp_c": 4.0, "rain_mm_day": 1.0}
TROPIC = {"temp_mean_c": 26.0, "temp_swing_c": 5.0, "soil_temp_c": 25.0}
INDOORS = {"temp_mean_c": 20.0, "soil_temp_c": 20.0, "humidity_pct": 50.0, "wind_m_s": 0.0}
MEDIUM = {"fast_share": 0.15}
WEEKLY = (7, 14, 21, 28)
WINDROW = HeapShape("windrow", 2.5, 10.0, 1.4)


def cube(side_m: float, wall_r: float = 0.0) -> HeapShape:
    """Return a bay as high as it is wide."""
    return HeapShape("bay", side_m, side_m, side_m, wall_r)


BAY = cube(1.2)
BIN_SIDE_M = 0.585


def pile_run(
    parameters: dict[str, Any],
    shape: HeapShape,
    weather: dict[str, float],
    start_temp_c: float,
    *,
    days: float = 60,
    turns: Sequence[float] = (),
    wet_litres: float = 0.0,
    cover: Cover = OPEN,
    density: float = 400.0,
    air_m3_h: float = 0.0,
    every_h: float = 3.0,
    **recipe: float,
) -> Run:
    """Run a mix of stated analysis (rich unless told otherwise) in stated weather."""
    members = len(parameters["t_min_c"])
    mass = density * geometry(shape, 0.2).volume_m3
    mix = stated_recipe(mass, **recipe).spread(members)
    state = start(
        mix, shape, parameters, start_temp_c=start_temp_c, cover=cover, blower_m3_h=air_m3_h
    )
    events: list[Event] = [Turned(24.0 * day) for day in turns]
    if wet_litres:
        events += [Wetted(24.0 * day, wet_litres) for day in turns]
    record = typical_weather(days * 24.0, **weather)
    return simulate(state, parameters, record, hours=days * 24.0, events=events, every_h=every_h)


def scraps_and_leaves(scraps_kg: float, leaves_kg: float, members: int) -> Recipe:
    """Return kitchen scraps with shredded leaves, both with the library's typical figures."""
    library, facts = materials(), mix_facts()
    parts = [
        Part(complete(library[name], facts), mass_kg)
        for name, mass_kg in (("food_scraps_mixed", scraps_kg), ("leaves_shredded", leaves_kg))
    ]
    return recipe_of(parts, decay_classes(), members, np.random.default_rng(0), spread=False)


FED_KG = (1.6, 0.5)
"""Scraps and leaves a day: how much of the 1.6 kg was leaves could not be read."""
FED_DAYS = 80
"""So long until 200 L are full."""


def fed_bin(parameters: dict[str, Any]) -> Run:
    """Run a bin of 0.58 m square that is fed each day until it holds 200 L, then left: 120 days.

    Its walls are half open (vents); they are as thin as pallet walls.
    """
    day = scraps_and_leaves(*FED_KG, len(parameters["t_min_c"]))
    height_m = float(day.loose_m3[0]) / BIN_SIDE_M**2
    shape = HeapShape("bay", BIN_SIDE_M, BIN_SIDE_M, height_m, BOARD_R_M2K_W / 2.0)
    state = start(day, shape, parameters, start_temp_c=26.0)
    fed = [Added(24.0 * number, day) for number in range(1, FED_DAYS)]
    record = typical_weather(120 * 24.0, **TROPIC)
    return simulate(state, parameters, record, hours=120 * 24.0, events=fed, every_h=3.0)


def can(side_m: float) -> HeapShape:
    """Return a can of thin plastic, as a box as high as it is wide."""
    return HeapShape("vessel", side_m, side_m, side_m, 0.02)


def wet_loss(run: Run) -> Any:
    """Return the share of the wet mass lost."""
    return 1.0 - run.wet_mass_kg[-1] / run.wet_mass_kg[0]


def dry_loss(run: Run) -> Any:
    """Return the share of the dry mass lost."""
    return 1.0 - run.dry_mass_kg[-1] / run.dry_mass_kg[0]


def measure(p: dict[str, Any]) -> dict[str, Any]:
    """Return every measured quantity, arrays (members,), by name."""
    tarp = pile_covers()["tarp"]
    m: dict[str, Any] = {}
    r = pile_run(p, BAY, WARM, 20.0)
    m["bay 20 °C: day of 55 °C"] = r.first_day_at()
    m["bay 20 °C: days at 55 °C"] = r.days_at_or_above()
    m["bay 20 °C: peak"] = r.peak_core_c
    m["bay 20 °C: dry mass lost"] = dry_loss(r)
    m["bay 20 °C: wet mass lost"] = wet_loss(r)
    m["bay 20 °C: highest uptake"] = r.uptake_g_kg_vs_h.max(axis=0)
    base_days = r.days_at_or_above()
    four = {**p, "permeability_m2": p["permeability_m2"] * 4.0}
    m["four times as open: fewer days"] = (
        base_days - pile_run(four, BAY, WARM, 20.0).days_at_or_above()
    )
    r = pile_run(p, BAY, WET, 10.0, turns=WEEKLY)
    m["bay in winter rain: day of 55 °C"] = r.first_day_at()
    m["bay in winter rain: days at 55 °C"] = r.days_at_or_above()
    m["bay in winter rain: wet mass lost"] = wet_loss(r)
    r = pile_run(p, BAY, WET, 10.0, turns=WEEKLY, cover=tarp)
    m["bay under a tarp: peak"] = r.peak_core_c
    m["bay under a tarp: wet mass lost"] = wet_loss(r)
    r = pile_run(p, cube(0.914), COLD, 10.0)
    m["cubic yard at 5 °C: day of 55 °C"] = r.first_day_at()
    m["cubic yard at 5 °C: days at 55 °C"] = r.days_at_or_above()
    m["0.1 m³ at 5 °C: peak"] = pile_run(p, cube(0.464), COLD, 10.0, days=30).peak_core_c
    m["0.5 m cube at 20 °C: peak"] = pile_run(p, cube(0.5), WARM, 20.0, days=20).peak_core_c
    r = fed_bin(p)
    m["200 L fed at 26 °C: peak"] = r.peak_core_c
    fed_kg = sum(FED_KG) * FED_DAYS
    m["200 L fed at 26 °C: wet mass lost"] = 1.0 - r.wet_mass_kg[-1] / fed_kg
    m["38 L indoors: peak"] = pile_run(p, can(0.336), INDOORS, 20.0, days=20).peak_core_c
    m["76 L indoors: peak"] = pile_run(p, can(0.424), INDOORS, 20.0, days=20).peak_core_c
    drum = HeapShape("vessel", 0.82, 0.82, 0.82, 0.1)
    r = pile_run(
        p, drum, WARM, 22.0, days=20, turns=range(1, 20), density=270.0, moisture=0.68,
        air_m3_h=0.5,
    )  # fmt: skip
    m["550 L drum: peak"] = r.peak_core_c
    r = pile_run(p, WINDROW, WARM, 20.0, turns=WEEKLY, **MEDIUM)
    m["medium windrow: days at 55 °C"] = r.days_at_or_above()
    m["medium windrow: peak"] = r.peak_core_c
    m["medium windrow: wet mass lost"] = wet_loss(r)
    full = HeapShape("windrow", 4.0, 20.0, 1.8)
    r = pile_run(
        p, full, WARM, 20.0, days=100, turns=(14, 28, 42, 56), density=500.0, fast_share=0.20,
        slow_share=0.35, every_h=6.0,
    )  # fmt: skip
    m["manure and sawdust: day of 55 °C"] = r.first_day_at()
    m["manure and sawdust: days at 55 °C"] = r.days_at_or_above()
    sawdust_days = r.days_at_or_above()
    straw = {**p, "permeability_m2": p["permeability_m2"] * 10.0}
    r = pile_run(
        straw, full, WARM, 20.0, days=100, turns=(14, 28, 42, 56), density=220.0,
        fast_share=0.20, slow_share=0.35, every_h=6.0,
    )  # fmt: skip
    m["manure and straw: fewer days"] = sawdust_days - r.days_at_or_above()
    r = pile_run(p, WINDROW, FROST, 8.0)
    m["windrow at -1 °C: days at 54 °C"] = r.days_at_or_above(54.4)
    m["windrow at -1 °C: peak"] = r.peak_core_c
    m["windrow at -1 °C: day of 55 °C"] = r.first_day_at()
    r = pile_run(p, BAY, WARM, 20.0, density=600.0, days=30)
    m["dense and wet: lowest oxygen"] = r.oxygen_pct.min(axis=0)
    m["dense and wet: core over shell"] = r.peak_core_c - r.shell_temp_c.max(axis=0)
    litter = HeapShape("windrow", 2.0, 6.0, 1.2)
    r = pile_run(
        p, litter, TROPIC, 26.0, days=100, turns=range(4, 97, 4), wet_litres=180.0,
        moisture=0.55, cn=25.0, every_h=6.0, **MEDIUM,
    )  # fmt: skip
    m["litter turned each 4 days: core over air on day 87"] = r.core_temp_c[348] - 26.0
    frozen = HeapShape("windrow", 2.2, 8.0, 1.1)
    mulch = Cover("mulch", "finished compost", 1.0, 0.7, 0.5, 0.18 / 0.3)
    r = pile_run(
        p, frozen,
        {"temp_mean_c": -4.0, "temp_swing_c": 8.0, "soil_temp_c": 1.0, "rain_mm_day": 0.5},
        2.0, days=60, cover=mulch,
    )  # fmt: skip
    m["insulated windrow in frost: peak"] = r.peak_core_c
    r7 = pile_run(p, WINDROW, WARM, 20.0, days=28, turns=range(4, 28, 4), **MEDIUM)
    r1 = pile_run(p, WINDROW, WARM, 20.0, days=28, turns=(14,), **MEDIUM)
    m["windrow turned 7 or 1 times: peaks apart"] = np.abs(r7.peak_core_c - r1.peak_core_c)
    return m


@dataclass(frozen=True, slots=True)
class Bound:
    """A published (or suggested) bound of one quantity; ``firm`` says how firm it is."""

    quantity: str
    low: float
    high: float
    benchmark: str
    source: str
    firm: str
    width: float = 3.0


SUGGESTED = "bound suggested by this project from the source"
READ = "read in the source"
BOUNDS: tuple[Bound, ...] = (
    Bound("bay 20 °C: day of 55 °C", 0, 5, "B16", "USDA NRCS job sheet 317 (2002): within 7 d; "
          "asked of a rich mix: 5 d", SUGGESTED, 2),
    Bound("bay 20 °C: days at 55 °C", 5, 30, "B16, B8", "held up to 14 d and more", SUGGESTED, 5),
    Bound("bay 20 °C: peak", 60, 68, "B10, field bays", "Cornell, Compost Physics: 60-70 °C; "
          "field bays 60-68 °C", SUGGESTED),
    Bound("bay 20 °C: dry mass lost", 0.25, 0.45, "section 3", "planning range 30-50 %, rich "
          "mixes 25-45 % at 60 d", "from memory", 0.05),
    Bound("bay 20 °C: wet mass lost", 0.38, 0.62, "B4", "Karnchanawong & Suriyanon 2011: "
          "59-62 % in 120 d, warm; planning range 40-60 %", READ, 0.05),
    Bound("bay 20 °C: highest uptake", 1, 8, "section 1.4", "Cornell after Haug 1993: <1 to >10 "
          "g O2/(kg VS h); food mixes 1-8", READ, 1),
    Bound("four times as open: fewer days", 0.01, 60, "B2", "Michel and others 2004", READ, 2),
    Bound("manure and straw: fewer days", 1, 100, "B2", "Michel and others 2004: straw windrows "
          "cooler, rule failed", READ, 4),
    Bound("bay in winter rain: day of 55 °C", 0, 7, "B8, B16", "King and others 2012; NRCS 317: "
          "within about 7 d", SUGGESTED, 2),
    Bound("bay in winter rain: days at 55 °C", 3, 20, "B8", "King and others 2012: holds heat "
          "in winter", SUGGESTED),
    Bound("bay in winter rain: wet mass lost", 0.10, 0.60, "B4", "no gain of mass in rain",
          SUGGESTED, 0.05),
    Bound("bay under a tarp: peak", 60, 68, "B10, field bays", "as above", SUGGESTED),
    Bound("bay under a tarp: wet mass lost", 0.15, 0.60, "B4", "as above", SUGGESTED, 0.05),
    Bound("cubic yard at 5 °C: day of 55 °C", 0, 12, "B8", "King and others 2012: a cubic yard "
          "heats in winter if the recipe is right", SUGGESTED),
    Bound("cubic yard at 5 °C: days at 55 °C", 1, 30, "B8", "as above", SUGGESTED),
    Bound("0.1 m³ at 5 °C: peak", 0, 54.9, "minimum size", "3 ft cube as minimum (Klickitat "
          "County); less does not hold heat", SUGGESTED),
    Bound("0.5 m cube at 20 °C: peak", 40, 62, "B10", "between 38 L (40-50 °C) and a bay",
          SUGGESTED),
    Bound("200 L fed at 26 °C: peak", 45, 62, "B4", "Karnchanawong & Suriyanon 2011: six bins fed "
          "daily, up to 57 °C; 5 °C allowed above", READ),
    Bound("200 L fed at 26 °C: wet mass lost", 0.47, 0.74, "B4", "as above: 59-62 % in 120 d; "
          "0.12 allowed", READ, 0.05),
    Bound("38 L indoors: peak", 35, 55, "B10", "Cornell, Compost Physics: over 38 L 40-50 °C; "
          "5 °C allowed", READ),
    Bound("76 L indoors: peak", 35, 55, "B10", "as above", READ),
    Bound("550 L drum: peak", 56.2, 68.5, "B5", "Environ. Eng. Res. 611: 61.2 and 63.5 °C; 5 °C "
          "allowed", READ),
    Bound("medium windrow: days at 55 °C", 12, 62, "B1", "15 to 60 d", SUGGESTED, 4),
    Bound("medium windrow: peak", 60, 70, "B10", "Cornell, Compost Physics: 60-70 °C", READ),
    Bound("medium windrow: wet mass lost", 0.2, 0.6, "B4", "planning range", SUGGESTED, 0.1),
    Bound("manure and sawdust: day of 55 °C", 0, 10, "B1", "Michel and others 2004: within 10 d",
          READ, 4),
    Bound("manure and sawdust: days at 55 °C", 45, 100, "B1", "Michel and others 2004: held over "
          "60 d; 25 % allowed", READ, 8),
    Bound("windrow at -1 °C: days at 54 °C", 30, 60, "B11", "Rodale: a few months above 130 °F",
          READ, 8),
    Bound("windrow at -1 °C: peak", 65, 76, "B11", "Rodale: about 160 °F (71 °C); 5 °C allowed",
          READ),
    Bound("windrow at -1 °C: day of 55 °C", 0, 14, "B11", "before the first turn", SUGGESTED, 5),
    Bound("dense and wet: lowest oxygen", 0, 2, "B3, B8", "Michel and others 2004; King and "
          "others 2012: saturated core", SUGGESTED, 1),
    Bound("dense and wet: core over shell", -40, 0, "B3, B8", "as above", SUGGESTED),
    Bound("litter turned each 4 days: core over air on day 87", -3, 10, "B12", "Ogunwande and "
          "others 2008: near ambient after about 87 d", READ),
    Bound("insulated windrow in frost: peak", 45, 76, "B7", "Lynch & Cherry 1996: froze, then "
          "thermophilic", READ),
    Bound("windrow turned 7 or 1 times: peaks apart", 0, 5, "B9", "Michel and others 1996: "
          "little effect of turning on temperature", READ),
)  # fmt: skip

NOT_SET = {
    "B6": "an aerated pile of 498 m³ that gives maturity, no temperatures",
    "B13": "weekly feeding with unknown masses; only which mix was hottest",
    "B14": "an order of four home systems; composition not given",
    "B15": "heat of food waste by moisture; the values could not be read",
}
"""Benchmarks whose conditions are not known well enough to be run."""

RANGES: dict[str, tuple[float, float]] = {
    "k_fast_scale": (0.5, 1.6),
    "k_slow_scale": (0.6, 1.8),
    "t_min_c": (-5, 0),
    "t_opt_c": (56, 60),
    "t_max_c": (66, 72),
    "growth_per_day": (1, 2.5),
    "activity_start": (0.15, 0.55),
    "conductivity_w_m_k": (0.3, 0.5),
    "shell_box_m": (0.18, 0.25),
    "shell_free_m": (0.2, 0.3),
    "permeability_m2": (1e-9, 5e-9),
    "condense_share": (0.1, 0.5),
    "water_cap_fraction": (0.66, 0.75),
    "rain_share": (0.3, 0.7),
    "rain_bypass": (0.7, 1),
    "surface_wetness": (0.1, 0.9),
    "slat_open": (0.2, 0.7),
    "mix_days": (8, 40),
    "floor_w_m2_k": (0.5, 1.5),
    "turn_loss": (0.2, 0.4),
    "draught_kg_m2_m": (0.03, 0.1),
}
"""Calibration ranges that the fit searched."""

LOGARITHMIC = ("permeability_m2", "k_fast_scale", "k_slow_scale")


def misfit(measured: dict[str, Any]) -> Any:
    """Return how far outside of the bounds each member lies, in widths, summed."""
    total = 0.0
    for bound in BOUNDS:
        value = np.nan_to_num(measured[bound.quantity], nan=1e3, posinf=1e3)
        outside = np.maximum(0.0, np.maximum(bound.low - value, value - bound.high))
        total = total + np.minimum(outside / bound.width, 4.0)
    return total


def fit(
    members: int = 300, rounds: int = 6, seed: int = 11, say: Callable[[str], None] = print
) -> dict[str, tuple[float, float, float]]:
    """Search the calibration ranges; return 10th, 50th and 90th percentile of the best draws.

    Each round draws about the 40 best so far (a population Monte Carlo search).
    """
    rng = np.random.default_rng(seed)
    low = {k: np.log(a) if k in LOGARITHMIC else a for k, (a, _) in RANGES.items()}
    high = {k: np.log(b) if k in LOGARITHMIC else b for k, (_, b) in RANGES.items()}
    x = {
        k: low[k] + (high[k] - low[k]) * (rng.permutation(members) + rng.random(members)) / members
        for k in RANGES
    }
    scores: list[Any] = []
    drawn: dict[str, list[Any]] = {k: [] for k in RANGES}
    for number in range(rounds):
        p = fixed(pile_parameters(), members)
        for k in RANGES:
            p[k] = np.exp(x[k]) if k in LOGARITHMIC else x[k]
            drawn[k].append(x[k])
        scores.append(misfit(measure(p)))
        score = np.concatenate(scores)
        best = np.argsort(score)[:40]
        say(f"round {number}: best {score[best[0]]:.2f}, 40th {score[best[-1]]:.2f}")
        pick = rng.choice(best, members)
        for k in RANGES:
            every = np.concatenate(drawn[k])
            middle = np.median(every[best])
            step = 0.7 * every[best].std()
            x[k] = np.clip(
                0.7 * every[pick] + 0.3 * middle + rng.normal(0.0, step, members), low[k], high[k]
            )
    best = np.argsort(score)[:60]
    found = {}
    for k in RANGES:
        q = np.quantile(np.concatenate(drawn[k])[best], (0.1, 0.5, 0.9))
        low_q, middle, high_q = (float(v) for v in (np.exp(q) if k in LOGARITHMIC else q))
        found[k] = (low_q, middle, high_q)
    return found


if __name__ == "__main__":
    for name, (low_q, middle, high_q) in fit().items():
        sys.stdout.write(f"{name:<20} {middle:.4g} ({low_q:.4g} to {high_q:.4g})\n")
