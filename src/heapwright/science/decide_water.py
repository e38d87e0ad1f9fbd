"""Water in a heap: wet what is dry, dry what is too wet, cover before rain."""

from __future__ import annotations

from typing import Final

import numpy as np

from heapwright.errors import InputError
from heapwright.science.decide_asked import Amount, Chance, Decision, Stage, Why
from heapwright.science.decide_desk import Desk
from heapwright.science.decide_ways import Seen, two_ways
from heapwright.science.heap_shape import geometry
from heapwright.science.mixing import Part
from heapwright.science.pile_forecast import Act
from heapwright.science.water import (
    Heap,
    Phase,
    RainDay,
    Wetting,
    dry_material_for,
    steam_of_turning,
    tarp_decision,
    water_for,
)

PHASES: Final[dict[Stage, Phase]] = {"filling": "hot", "hot": "hot", "curing": "curing"}


def _wetting(desk: Desk) -> Wetting:
    """Return the water that brings a dry heap to its aim while it is turned."""
    facts, left = desk.facts, desk.left
    dry, water = float(np.median(left.dry_kg[0])), float(np.median(left.water_kg[0]))
    steam = steam_of_turning(
        dry, water, desk.now("core_c"), desk.air_c(1.0), facts.turn_loss, facts.cp_solid_kj_kg_k
    )
    return water_for(
        dry + water,
        100.0 * water / (dry + water),
        max(facts.moisture.target_pct, 100.0 * water / (dry + water)),
        lost_share=facts.pour_lost,
        steam_l=steam,
        volume_m3=desk.now("volume_m3"),
        round_l_m3=facts.round_l_m3,
    )


def wetted(desk: Desk) -> Seen:
    """Return what happens if the heap is brought to its aim and turned, on as the rule asks."""
    found = _wetting(desk)
    litres = found.missing_l + found.steam_l
    water = (Act(desk.day, "wetted", litres=litres),) if litres > 0.0 else ()
    return desk.run((*desk.turns(desk.hour), *water), ())


def wet(desk: Desk) -> Decision | None:
    """Wet a heap that is dry now and stays dry, by what brings it to its aim."""
    left, facts, t = desk.left, desk.facts, desk.t
    if desk.asked.read_c is not None and desk.asked.read_c > facts.fire_c:
        return None
    limit = facts.moisture.dry_pct
    dry = desk.share((left.moisture_pct[0] < limit) & (left.moisture_pct[left.at(t.soon_days)]
                                                       < limit))  # fmt: skip
    if not desk.sure(dry):
        return None
    wetting = _wetting(desk)
    if wetting.pour_l < t.least_water_l:
        return None
    done = wetted(desk)
    return Decision(
        "wet", "do", ("dry",), dry,
        Amount(litres=wetting.pour_l, rounds=wetting.rounds),
        desk.side_by_side(desk.figures(("moisture_pct", t.soon_days)), left, done),
        ways=two_ways(left, done),
        rests_on=("sure_pct", "soon_days", "least_water_l"),
    )  # fmt: skip


def add(desk: Desk) -> Decision | None:
    """Turn dry material into a heap that is too wet to heat or to breathe.

    More air is a gain only where air lacks (a cold heap that breathes and stays cold with chips
    in it wants something else) and where no credited day of proof is lost for it.
    """
    asked, left, facts, t = desk.asked, desk.left, desk.facts, desk.t
    if asked.dry is None or asked.stage == "curing" or asked.proof_met:
        return None
    sodden = desk.share(left.moisture_pct[0] > facts.moisture.wet_pct)
    airless = desk.airless
    if not desk.likely(sodden) or not (airless or desk.cold):
        return None
    wet_kg = float(np.median(left.dry_kg[0] + left.water_kg[0]))
    moisture = desk.now("moisture_pct")
    try:
        drying = dry_material_for(wet_kg, moisture, facts.moisture.target_pct, asked.dry.material)
    except InputError:
        return None  # it is as wet as the heap should be: it dries nothing
    mass = min(drying.mass_kg, wet_kg * t.most_dry_pct / 100.0)
    density = asked.dry.ingredient.bulk_density_kg_m3.typical
    if asked.holds_m3 is not None:
        mass = min(mass, max(asked.holds_m3 - desk.now("volume_m3"), 0.0) * density)
    if mass < t.least_dry_kg:
        return None
    part = Part(asked.dry.ingredient, mass)
    done = desk.run((*desk.turns(desk.hour), Act(desk.day, "added", parts=(part,))), ())
    figures = desk.side_by_side(
        desk.figures(("oxygen_pct", t.heat_days), ("moisture_pct", t.soon_days)), left, done
    )
    by_turning = desk.side_by_side(desk.figures(("oxygen_pct", t.heat_days)), desk.turned, done)
    core, oxygen = by_turning[0], by_turning[2]
    warmer = desk.warmer(core)
    breathes = airless and desk.airier(oxygen, core)
    if not warmer and (not breathes or asked.proof_days):
        return None
    reasons: tuple[Why, ...] = ("too wet", "air lacks") if airless else ("too wet",)
    return Decision(
        "add", "do", reasons, max(core.better if warmer else 0.0, oxygen.better),
        Amount(mass_kg=mass, volume_m3=mass / density, material=asked.dry.ingredient.id,
               on_hand_kg=asked.dry.on_hand_kg),
        figures,
        chances=(Chance("heats", desk.heats(left), desk.heats(done)),),
        ways=two_ways(left, done),
        proof_days_lost=asked.proof_days,
        rests_on=("sure_pct", "oxygen_low_pct", "heat_gain_c", "most_dry_pct", "least_dry_kg"),
    )  # fmt: skip


def cover(desk: Desk) -> Decision | None:
    """Cover an open heap before rain that it should not take in."""
    asked, left, facts, t = desk.asked, desk.left, desk.facts, desk.t
    rain = desk.rain_mm(t.rain_days)
    if asked.tarp is None or rain < t.rain_mm or desk.now("moisture_pct") < facts.moisture.dry_pct:
        return None
    if _quick(desk) != "cover":
        return None
    covered = desk.run((*desk.planned, Act(desk.day, "covered", cover=asked.tarp)), ())
    figures = desk.side_by_side(
        desk.figures(("moisture_pct", t.ahead_days), ("leachate_l", t.ahead_days)), left, covered
    )
    core, _hot, moisture, leachate = figures
    if moisture.done.middle < facts.moisture.dry_pct or core.gain.middle < -t.heat_gain_c:
        return None
    spares = -moisture.gain.middle >= t.moisture_gain_pct
    least_l = facts.water.little_leachate_mm * geometry(asked.shape, 0.0).plan_area_m2
    leaches = -leachate.gain.middle > least_l
    drier = 1.0 - moisture.better
    if not (spares or leaches) or not desk.sure(drier):
        return None
    why: tuple[Why, ...] = ("rain", "leaches") if leaches else ("rain",)
    return Decision(
        "cover", "do", why, drier,
        compared=figures,
        ways=two_ways(left, covered),
        rain_mm=rain,
        rests_on=("rain_mm", "rain_days", "moisture_gain_pct", "sure_pct"),
    )  # fmt: skip


def _quick(desk: Desk) -> str:
    """Return what the closed formulas of water say of covering, so that the two never differ."""
    asked, facts, t = desk.asked, desk.facts, desk.t
    assert asked.tarp is not None
    dry, water = (float(np.median(one[0])) for one in (desk.left.dry_kg, desk.left.water_kg))
    pools = asked.ensemble.end
    ash = float(np.median(pools.ash_kg.sum(axis=0)))
    heap = Heap(asked.shape, dry, water, max(dry - ash, 0.0), PHASES[asked.stage])
    weather = asked.ensemble.weather
    days = [
        RainDay(24.0 * weather.rain_between(start, start + 24.0))
        for start in desk.hour + 24.0 * np.arange(round(t.rain_days))
    ]
    found = tarp_decision(heap, days, asked.cover, asked.tarp, facts.moisture, facts.water)
    return found.advice
