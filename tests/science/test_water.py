"""Water by closed formulas: its books close, its advice follows, and the model agrees."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.science.pile_setup import BAY, WINDROW, WINTER, run, typical

from heapwright.data.pile import pile_covers
from heapwright.data.water import absorbencies, figures, moisture_limits, water_facts
from heapwright.errors import InputError
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.pile_recipe import stated_recipe
from heapwright.science.water import (
    DryMaterial,
    Heap,
    RainDay,
    dry_material_for,
    rain_to_limit_mm,
    roof_size,
    roof_water_l,
    sheet_size,
    steam_of_turning,
    tarp_decision,
    water_balance,
    water_for,
)

FACTS = water_facts()
LIMITS = moisture_limits()
COVERS = pile_covers()
OPEN, TARP = COVERS["open"], COVERS["tarp"]
WEEK = [RainDay(6.0, 0.5)] * 7


def heap(moisture_pct=55.0, mass_kg=700.0, shape=BAY, density=None, **more):
    mass_kg = mass_kg if density is None else density * geometry(shape, 0.2).volume_m3
    water = mass_kg * moisture_pct / 100.0
    dry = mass_kg - water
    return Heap(shape, dry, water, 0.8 * dry, **more)


shapes = st.sampled_from([BAY, WINDROW, HeapShape("cone", 3.0, 3.0, 1.5)])
heaps = st.builds(
    heap,
    moisture_pct=st.floats(1.0, 85.0),
    density=st.floats(150.0, 900.0),
    shape=shapes,
    phase=st.sampled_from(["hot", "curing", "cold"]),
    top=st.sampled_from([None, "peaked", "level", "hollow"]),
)
days = st.lists(
    st.builds(RainDay, st.floats(0.0, 80.0), st.floats(0.0, 8.0)), min_size=1, max_size=20
)
covers = st.sampled_from(list(COVERS.values()))


@given(heaps, days, covers)
def test_the_books_close(pile, coming, cover):
    found = water_balance(pile, coming, cover, FACTS)
    fallen = sum(day.rain_mm for day in coming) * pile.plan_area_m2
    assert found.total("fallen_l") == pytest.approx(fallen)
    parts = ("kept_off_l", "shed_l", "through_l", "soaked_l")
    assert sum(map(found.total, parts)) == pytest.approx(fallen, abs=1e-9)
    end = pile.water_kg + found.total("soaked_l") + found.total("made_l")
    end -= found.total("evaporated_l") + found.total("drained_l")
    assert found.days[-1].water_kg == pytest.approx(end, abs=1e-9)
    assert found.gained_l == pytest.approx(end - pile.water_kg, abs=1e-9)
    for day in found.days:
        for name in (*parts, "made_l", "evaporated_l", "drained_l", "water_kg"):
            assert getattr(day, name) >= -1e-12
        assert day.moisture_pct <= 100 * FACTS.water_cap + 1e-9


@given(heaps, days, st.integers(0, 19), st.floats(0.1, 40.0))
def test_more_rain_never_leaves_a_heap_drier_or_leaches_less(pile, coming, where, more_mm):
    where %= len(coming)
    wetter = list(coming)
    wetter[where] = replace(wetter[where], rain_mm=wetter[where].rain_mm + more_mm)
    less, more = (water_balance(pile, one, OPEN, FACTS) for one in (coming, wetter))
    assert more.moisture_pct >= less.moisture_pct - 1e-9
    assert more.total("leachate_l") >= less.total("leachate_l") - 1e-9


@given(heaps, days)
def test_a_roof_lets_no_more_rain_in_and_leaches_no_more(pile, coming):
    open_, roofed = (water_balance(pile, coming, one, FACTS) for one in (OPEN, COVERS["roof"]))
    assert roofed.total("soaked_l") <= open_.total("soaked_l") + 1e-9
    assert roofed.total("leachate_l") <= open_.total("leachate_l") + 1e-9
    assert roofed.moisture_pct <= open_.moisture_pct + 1e-9


def test_a_peak_sheds_and_a_hollow_gathers():
    soaked = [
        water_balance(heap(top=top), WEEK, OPEN, FACTS).total("soaked_l")
        for top in ("peaked", "level", "hollow")
    ]
    assert soaked[0] < soaked[1] < soaked[2]
    assert heap(shape=WINDROW).rain_share(FACTS) == FACTS.rain_share.low
    assert heap().rain_share(FACTS) == FACTS.rain_share.typical


# the decision


def decide(pile, rain_mm, cover=TARP, now=OPEN, count=7):
    coming = [RainDay(rain_mm / count)] * count
    return tarp_decision(pile, coming, now, cover, LIMITS, FACTS)


def test_covering_a_dry_heap_is_called_wrong():
    found = decide(heap(36.0), 60.0)
    assert found.advice == "leave open"
    assert found.why == ("dry now",)
    assert found.open.moisture_pct > found.moisture_pct > found.covered.moisture_pct


def test_a_heap_that_would_dry_out_covered_is_left_open():
    roof = COVERS["roof"]
    found = tarp_decision(heap(40.5), [RainDay(6.0, 1.0)] * 9, OPEN, roof, LIMITS, FACTS)
    assert found.covered.moisture_pct < LIMITS.dry_pct <= found.open.moisture_pct
    assert (found.advice, found.why) == ("leave open", ("would dry out covered",))
    found = tarp_decision(heap(40.5), [RainDay(4.0, 4.0)] * 20, OPEN, roof, LIMITS, FACTS)
    assert found.open.moisture_pct < LIMITS.dry_pct
    assert (found.advice, found.why) == (
        "leave open",
        ("would dry out covered", "dries out anyway"),
    )


def test_a_soaked_heap_is_covered_and_leaches_open():
    found = decide(heap(67.0, phase="cold"), 80.0)
    assert found.advice == "cover"
    assert found.why == ("too wet now", "would leach")
    assert found.open.total("leachate_l") > 20.0
    assert found.covered.total("leachate_l") < 2.0


def test_a_hot_wet_heap_in_little_rain_dries_better_open():
    pile = heap(63.0)
    found = decide(pile, 15.0)
    assert found.covered.moisture_pct > found.open_range_pct[1]
    assert found.advice == "leave open"
    assert found.why[:2] == ("too wet now", "dries better open")
    roofed = decide(pile, 15.0, cover=COVERS["roof"])
    assert roofed.advice == "cover"  # a roof keeps the rain off and the draught on


def test_the_limit_is_judged_with_the_most_that_such_a_heap_takes_in():
    pile = heap(58.0, phase="cold")
    found = decide(pile, 45.0)
    low, high = found.open_range_pct
    assert low < found.open.moisture_pct < high
    assert high > LIMITS.wet_pct
    assert found.advice == "cover"
    assert found.why[0] == "would get too wet"


@pytest.mark.parametrize(
    ("moisture", "rain_mm", "why"),
    [(50.0, 10.0, "takes it up"), (50.0, 1.0, "little rain"), (36.0, 0.0, "little rain")],
)
def test_where_it_does_not_matter_it_says_so(moisture, rain_mm, why):
    found = decide(heap(moisture), rain_mm)
    assert found.advice == "no matter"
    assert found.why[0] == why
    assert ("dry now" in found.why) == (moisture < LIMITS.dry_pct)


@given(heaps, days, st.sampled_from(["tarp", "roof", "breathable_flat"]))
def test_a_dry_heap_that_stays_within_its_limits_is_never_covered(pile, coming, cover):
    found = tarp_decision(pile, coming, OPEN, COVERS[cover], LIMITS, FACTS)
    if pile.moisture_pct < LIMITS.dry_pct and found.open.moisture_pct <= LIMITS.wet_pct:
        assert found.advice != "cover"
    if found.advice == "cover" and "would leach" not in found.why:
        wettest = water_balance(pile, coming, OPEN, FACTS, rain_share=FACTS.rain_share.high)
        assert found.covered.moisture_pct < wettest.moisture_pct


# what dries, what wets


@given(st.floats(10.0, 5000.0), st.floats(56.0, 85.0), st.floats(5.0, 50.0), st.floats(0.3, 6.0))
def test_dry_material_brings_it_to_the_aim_or_below_when_it_soaks_up_little(
    mass_kg, moisture, lies, absorbs
):
    material = DryMaterial("x", lies, 100.0, absorbs)
    if absorbs * (1 - lies / 100) <= lies / 100:
        with pytest.raises(InputError, match="is soaked"):
            dry_material_for(mass_kg, moisture, 55.0, material)
        return
    found = dry_material_for(mass_kg, moisture, 55.0, material)
    water = mass_kg * moisture / 100 + found.mass_kg * lies / 100
    assert found.end_moisture_pct == pytest.approx(100 * water / (mass_kg + found.mass_kg))
    assert found.volume_m3 == pytest.approx(found.mass_kg / 100.0)
    assert found.takes_kg_kg * found.mass_kg == pytest.approx(found.excess_water_kg)
    if found.limited_by == "moisture":
        assert found.end_moisture_pct == pytest.approx(55.0)
    else:
        assert found.end_moisture_pct < 55.0


def test_a_heap_that_is_dry_enough_needs_nothing():
    found = dry_material_for(500.0, 50.0, 55.0, DryMaterial("straw", 12.0))
    assert (found.mass_kg, found.end_moisture_pct, found.volume_m3) == (0.0, 50.0, None)
    assert water_for(500.0, 60.0, 55.0, lost_share=0.1, steam_l=9.0).pour_l == 0.0


def test_wet_chips_dry_nothing():
    with pytest.raises(InputError, match="cannot dry anything to 55 %"):
        dry_material_for(500.0, 70.0, 55.0, DryMaterial("wet chips", 58.0))


def test_what_is_poured_covers_what_is_lost():
    found = water_for(
        1000.0, 40.0, 55.0, lost_share=0.2, steam_l=10.0, volume_m3=2.0, round_l_m3=40.0
    )
    assert found.missing_l == pytest.approx(1000 / 3)
    assert found.pour_l * 0.8 - 10.0 == pytest.approx(found.missing_l)
    assert found.rounds == 6


def test_turning_steams_off_what_the_model_does():
    """The model's own turning: the same water lost, but for the heat that differs by zone."""
    parameters = typical()
    share = float(parameters["turn_loss"][0])
    hot = run(parameters, weather=WINTER | {"rain_mm_day": 0.0}, days=4.0, turns=(3.999,))
    before = run(parameters, weather=WINTER | {"rain_mm_day": 0.0}, days=3.999)
    dry, water = before.end.solids_kg.sum(), before.end.y[2:4].sum()
    heat_c = float(np.average([before.core_temp_c[-1, 0], before.shell_temp_c[-1, 0]],
                              weights=before.end.solids_kg[:, 0]))  # fmt: skip
    found = steam_of_turning(
        dry, water, heat_c, 5.0, share, float(parameters["cp_solid_kj_kg_k"][0])
    )
    model = float(hot.end.booked.turn_water_kg[0])
    assert abs(model) == pytest.approx(found, rel=0.25)
    assert steam_of_turning(dry, water, 4.0, 5.0, share, 1.25) == 0.0


# sheets and roofs


def test_sheets_cover_the_heap_by_its_shape():
    bay = sheet_size(BAY, 0.3, 2.0)
    assert (bay.length_m, bay.width_m) == pytest.approx((1.8, 1.8))
    assert bay.fall_m == pytest.approx(0.036)
    row = sheet_size(HeapShape("windrow", 3.0, 10.0, 1.5), 0.3)
    triangle = 2 * np.hypot(1.5, 1.5)
    assert row.width_m - 0.6 > triangle  # a parabola's arch is longer than the triangle's sides
    assert row.width_m - 0.6 < 3.0 + 2 * 1.5
    assert row.length_m == pytest.approx(7.0 + row.width_m)
    cone = sheet_size(HeapShape("cone", 3.0, 3.0, 1.5), 0.3)
    assert cone.area_m2 == pytest.approx((triangle + 0.6) ** 2)


def test_a_roof_and_its_water():
    found = roof_size(6.0, 3.0, 0.5, 15.0)
    assert found.plan_area_m2 == pytest.approx(28.0)
    assert found.slope_length_m == pytest.approx(np.hypot(4.0, found.rise_m))
    assert roof_water_l(found.plan_area_m2, 25.0, 1.0) == pytest.approx(700.0)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: water_balance(heap(), [], OPEN, FACTS), "no day"),
        (lambda: water_balance(heap(), [RainDay(-1.0)], OPEN, FACTS), "not below zero"),
        (lambda: Heap(BAY, 0.0, 10.0, 0.0), "without dry matter"),
        (lambda: Heap(BAY, 10.0, 10.0, 11.0), "above dry_kg"),
        (lambda: Heap(BAY, 10.0, float("nan"), 1.0), "water_kg nan"),
        (lambda: water_for(100.0, 40.0, 100.0), "target_pct 100"),
        (lambda: water_for(100.0, 40.0, 55.0, lost_share=1.0), "lost_share 1"),
        (lambda: water_for(0.0, 40.0, 55.0), "wet_kg 0"),
        (lambda: sheet_size(BAY, -0.1), "overlap_m -0.1"),
        (lambda: roof_size(0.0, 1.0, 0.5, 15.0), "above zero"),
        (lambda: roof_size(1.0, 1.0, 0.5, 60.0), "pitch_deg 60"),
    ],
)
def test_what_cannot_be_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


# the pile model: the same direction and order


def model_week(moisture, cover, rain_mm_day, days=14.0):
    """Return the water gained and the leachate of the model's typical bay."""
    parameters = typical()
    found = run(
        parameters,
        weather={"temp_mean_c": 6.0, "temp_swing_c": 3.0, "soil_temp_c": 7.0,
                 "rain_mm_day": rain_mm_day},
        days=days,
        cover=cover,
        moisture=moisture / 100.0,
    )  # fmt: skip
    rained = found.totals
    return float(found.water_kg[-1, 0] - found.water_kg[0, 0]), {
        name: float(value[0]) for name, value in rained.items()
    }


@pytest.mark.parametrize("moisture", [45.0, 58.0])
def test_the_model_agrees_on_direction_and_order(moisture):
    """More rain, more water; a tarp or roof, less: by the quick answer and by the model."""
    cases = [("roof", 0.0), ("open", 0.0), ("roof", 6.0), ("open", 6.0), ("open", 12.0)]
    quick, model = [], []
    recipe = stated_recipe(400.0 * 1.728, moisture=moisture / 100.0)
    dry, water = float(recipe.dry_kg[0]), float(recipe.water_kg[0])
    organic = float((recipe.inert_kg + recipe.fast_kg + recipe.slow_kg)[0])
    for name, rain in cases:
        pile = Heap(BAY, dry, water, organic)
        coming = [RainDay(rain, 0.6)] * 14
        quick.append(water_balance(pile, coming, COVERS[name], FACTS).gained_l)
        model.append(model_week(moisture, COVERS[name], rain)[0])
    # the two dry ones and the roofed ones differ by drops only
    assert quick[4] > quick[3] > max(quick[:3])
    assert model[4] > model[3] > max(model[:3])
    for drier, wetter in ((1, 3), (3, 4), (2, 3)):
        gained_quick, gained_model = quick[wetter] - quick[drier], model[wetter] - model[drier]
        assert 0.5 < gained_quick / gained_model < 2.0


def test_rain_to_the_limit_is_what_the_balance_soaks_up():
    pile = heap(55.0, phase="cold")
    limit = rain_to_limit_mm(pile, 60.0)
    assert limit * pile.plan_area_m2 == pytest.approx(pile.dry_kg * 0.6 / 0.4 - pile.water_kg)
    assert rain_to_limit_mm(heap(62.0), 60.0) == 0.0


def test_the_tables_hold_together():
    assert (LIMITS.dry_pct, LIMITS.target_pct, LIMITS.wet_pct) == (40.0, 55.0, 60.0)
    assert set(FACTS.decay_per_day) == {"hot", "curing"}
    assert {"straw_wheat", "sawdust", "wood_chips"} <= absorbencies().keys()
    assert figures()["sheet_overlap_m"].value == 0.3
