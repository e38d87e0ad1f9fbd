"""What people do to a pile, and what follows."""

from __future__ import annotations

import numpy as np
import pytest
from tests.science.pile_setup import BAY, SUMMER, WINDROW, WINTER, built, run, typical

from heapwright.data.pile import pile_covers
from heapwright.errors import InputError
from heapwright.science.heap_shape import HeapShape
from heapwright.science.pile import simulate
from heapwright.science.pile_events import (
    Added,
    Combined,
    Covered,
    Moved,
    TakenOff,
    Turned,
    Wetted,
)
from heapwright.science.pile_layout import HEAT, WATER
from heapwright.science.pile_recipe import stated_recipe
from heapwright.science.pile_weather import typical_weather


def at(r, hour):
    return int(np.searchsorted(r.hours, hour - 1e-9))


def test_turning_a_hot_pile_cools_it_and_it_recovers_within_two_days():
    # drop of 5 to 20 °C, back within 6 to 48 h: common practice, from memory (facts, section 6)
    r = run(typical(), days=12.0, turns=(4.0,))
    before, after = r.core_temp_c[at(r, 93.0), 0], r.core_temp_c[at(r, 96.0), 0]
    assert 5.0 < before - after < 25.0
    assert r.core_temp_c[at(r, 96.0) + 1 : at(r, 144.0), 0].max() > before - 2.0
    assert r.shell_temp_c[at(r, 96.0), 0] == pytest.approx(after)


def test_an_event_between_outputs_is_done_at_its_moment():
    p = typical()
    weather = typical_weather(100.0, **SUMMER)
    one = simulate(built(p), p, weather, hours=60.0, events=[Turned(40.7)])
    two = simulate(built(p), p, weather, hours=40.7)
    two = simulate(two.end, p, weather, hours=19.3, events=[Turned(40.7)])
    assert two.core_temp_c[-1] == pytest.approx(one.core_temp_c[-1], abs=0.05)


def test_wetting_adds_exactly_its_litres_and_cools():
    p = typical()
    dry = run(p, days=6.0)
    wet = run(p, days=6.0, events=(Wetted(72.0, 60.0),))
    i = at(dry, 72.0)
    assert wet.water_kg[i, 0] - dry.water_kg[i, 0] == pytest.approx(60.0, abs=1e-9)
    assert wet.core_temp_c[i, 0] < dry.core_temp_c[i, 0]


def test_water_revives_a_pile_that_dried_out():
    p = typical()
    r = run(p, days=45.0, turns=(30.0,), moisture=0.35)
    w = run(p, days=45.0, turns=(30.0,), moisture=0.35, events=(Wetted(720.0, 220.0),))
    assert w.core_temp_c[at(w, 720.0) + 1 :].max() > r.core_temp_c[at(r, 720.0) + 1 :].max() + 5.0


def test_covering_and_uncovering_change_the_rain_from_that_moment():
    p = typical()
    tarp, bare = pile_covers()["tarp"], pile_covers()["open"]
    r = run(p, BAY, WINTER, days=12.0, events=(Covered(96.0, tarp), Covered(192.0, bare)))
    never = run(p, BAY, WINTER, days=12.0)
    always = run(p, BAY, WINTER, days=12.0, cover=tarp)
    rain = [x.totals["rain_kg"][0] for x in (always, r, never)]
    assert rain == sorted(rain)
    assert rain[0] < 0.1 * rain[2]
    assert rain[1] == pytest.approx((2 * rain[2] + rain[0]) / 3, rel=0.1)


def test_adding_fresh_material_reheats_and_raises_the_heap():
    p = typical()
    scraps = stated_recipe(150.0, moisture=0.7, fast_share=0.6, slow_share=0.2).spread(1)
    r = run(p, days=60.0, events=(Added(24.0 * 35, scraps),))
    plain = run(p, days=60.0)
    i = at(r, 24.0 * 35)
    assert r.volume_m3[i, 0] == pytest.approx(plain.volume_m3[i, 0] + 150.0 / 400.0, rel=1e-9)
    assert r.wet_mass_kg[i, 0] == pytest.approx(plain.wet_mass_kg[i, 0] + 150.0, rel=1e-4)
    assert r.core_temp_c[i:].max() > plain.core_temp_c[i:].max() + 15.0


def test_moving_keeps_volume_and_gives_the_new_shape_its_height():
    p = typical()
    flat = HeapShape("windrow", 3.0, 3.0, 1.0)
    r = run(p, days=20.0, events=(Moved(240.0, flat),))
    stay = run(p, days=20.0, turns=(10.0,))
    i = at(r, 240.0)
    assert r.volume_m3[i, 0] == pytest.approx(stay.volume_m3[i, 0], rel=1e-9)
    assert r.end.shape == flat
    # a low wide heap of the same mass cools faster
    assert r.core_temp_c[i + 8, 0] < stay.core_temp_c[i + 8, 0]


def test_two_small_piles_combined_hold_heat_that_neither_held():
    p = typical()
    small = HeapShape("bay", 0.7, 0.7, 0.7)
    weather = typical_weather(24.0 * 42, **WINTER)
    other = simulate(built(p, small, temp_c=15.0), p, weather, hours=120.0).end
    alone = simulate(built(p, small, temp_c=15.0), p, weather, hours=24.0 * 30)
    both = simulate(
        built(p, small, temp_c=15.0), p, weather, hours=24.0 * 30, events=[Combined(120.0, other)]
    )
    assert both.wet_mass_kg[41, 0] == pytest.approx(2 * alone.wet_mass_kg[41, 0], rel=0.01)
    assert both.core_temp_c[41:].mean() > alone.core_temp_c[41:].mean()
    assert both.balance.energy_residual < 1e-9


def test_forced_air_dries_and_keeps_oxygen_up():
    p = typical()
    still = run(p, WINDROW, days=20.0, density=550.0)
    blown = run(p, WINDROW, days=20.0, density=550.0, air_m3_h=150.0)
    assert blown.oxygen_pct.min() > still.oxygen_pct.min()
    assert blown.water_kg[-1, 0] < still.water_kg[-1, 0]


def test_an_event_outside_of_the_run_is_refused():
    p = typical()
    with pytest.raises(InputError, match="day 12"):
        run(p, days=10.0, events=(Turned(24.0 * 12),))


def test_water_at_the_start_and_heat_are_those_stated():
    pile = built(typical(), temp_c=17.0)
    assert pile.y[WATER].sum() == pytest.approx(691.2 * 0.6)
    capacity = 1.25 * pile.solids_kg + 4.19 * pile.y[WATER]
    assert pile.y[HEAT] / capacity == pytest.approx(17.0)


def test_what_is_taken_off_leaves_a_lower_heap_of_the_same_warmth_and_the_books_close():
    p = typical()
    whole = run(p, days=12.0)
    half = run(p, days=12.0, events=(TakenOff(144.0, 0.5),))
    i = at(half, 144.0)
    assert half.wet_mass_kg[i, 0] == pytest.approx(0.5 * whole.wet_mass_kg[i, 0], rel=1e-4)
    assert half.volume_m3[i, 0] == pytest.approx(0.5 * whole.volume_m3[i, 0], rel=1e-6)
    # the core is another share of a lower heap, and its edge counts to the other zone
    assert half.core_temp_c[i, 0] == pytest.approx(whole.core_temp_c[i, 0], abs=1.0)
    assert half.end.shape.height_m < 0.6 * BAY.height_m
    assert half.core_temp_c[i + 24, 0] < whole.core_temp_c[i + 24, 0]
    assert half.balance.mass_residual < 1e-9
    assert half.balance.energy_residual < 1e-9
    with pytest.raises(InputError, match="taken off"):
        run(p, days=12.0, events=(TakenOff(144.0, 1.0),))


def test_a_heap_filled_over_days_comes_to_the_shape_of_one_built_at_once():
    p = typical()
    layer = HeapShape("bay", BAY.width_m, BAY.length_m, BAY.height_m / 4)
    weather = typical_weather(24.0 * 30, **SUMMER)
    pile = built(p, layer, density=400.0)
    quarter = float((pile.solids_kg + pile.y[WATER]).sum())
    more = stated_recipe(quarter, density_kg_m3=400.0).spread(1)
    r = simulate(pile, p, weather, hours=72.0, events=[Added(h, more) for h in (1.0, 2.0, 3.0)])
    assert r.end.shape.height_m == pytest.approx(BAY.height_m, rel=0.02)
    assert r.wet_mass_kg[1, 0] == pytest.approx(4 * quarter, rel=0.01)
    core, shell = r.end.solids_kg[:, 0]
    at_once = built(p, BAY)
    assert core / (core + shell) == pytest.approx(
        float((at_once.solids_kg[0] / at_once.solids_kg.sum(axis=0))[0]), abs=0.02
    )
    assert r.balance.mass_residual < 1e-9
    assert r.balance.energy_residual < 1e-9
