"""Worked examples of water: the project's facts, section 1 of water and use.

Figures marked “derived” there are arithmetic from the published second-material formula; the
grass example is published (Cornell Waste Management Institute).
"""

from __future__ import annotations

import pytest

from heapwright.data.pile import pile_covers
from heapwright.data.water import water_facts
from heapwright.science.heap_shape import HeapShape
from heapwright.science.water import (
    DryMaterial,
    Heap,
    RainDay,
    dry_material_for,
    rain_to_limit_mm,
    water_balance,
    water_for,
)


def test_grass_and_leaves():
    """Published: 10 kg of grass at 77 %, leaves at 35 %, goal 60 %: 6.8 kg of leaves."""
    found = dry_material_for(10.0, 77.0, 60.0, DryMaterial("leaves", 35.0))
    assert found.mass_kg == pytest.approx(6.8, abs=0.01)


@pytest.mark.parametrize(
    ("lies_pct", "kg_by_mix"),
    [
        (12.0, (104.2, 208.3, 416.7)),
        (20.0, (125.0, 250.0, 500.0)),
        (25.0, (142.9, 285.7, 571.4)),
        (35.0, (200.0, 400.0, 800.0)),
    ],
)
def test_dry_bulking_for_a_soaked_mix(lies_pct, kg_by_mix):
    """Derived: kg a tonne of mix at 65, 70 and 80 % takes to come to 60 %."""
    for mix_pct, kg in zip((65.0, 70.0, 80.0), kg_by_mix, strict=True):
        found = dry_material_for(1000.0, mix_pct, 60.0, DryMaterial("x", lies_pct))
        assert found.mass_kg == pytest.approx(kg, abs=0.05)


def test_rain_and_the_sawdust_that_takes_it():
    """Derived: a tonne at 60 % takes 100 L; 100 kg of sawdust of 20 % brings it back."""
    found = dry_material_for(1100.0, 100 * 700 / 1100, 60.0, DryMaterial("sawdust", 20.0))
    assert found.mass_kg == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("from_pct", "to_pct", "litres"),
    [(40, 50, 200), (40, 55, 333.3), (40, 60, 500), (45, 60, 375), (30, 55, 555.6), (35, 60, 625)],
)
def test_water_for_a_tonne(from_pct, to_pct, litres):
    """Derived from W = Q (g − m) / (1 − g)."""
    assert water_for(1000.0, from_pct, to_pct).missing_l == pytest.approx(litres, abs=0.05)


@pytest.mark.parametrize(
    ("density", "moisture", "litres_m3"),
    [
        (500, 50, (55.6, 125.0, 214.3, 333.3)),
        (450, 55, (0.0, 56.2, 128.6, 225.0)),
        (300, 35, (133.3, 187.5, 257.1, 350.0)),
    ],
)
def test_rain_that_a_cubic_metre_soaks_up(density, moisture, litres_m3):
    """Derived: A = BD (1 − m) t / (1 − t) − BD m, over a heap one metre deep."""
    water = density * moisture / 100
    heap = Heap(HeapShape("bay", 1.0, 1.0, 1.0), density - water, water, 0.0, "cold")
    for limit, litres in zip((55, 60, 65, 70), litres_m3, strict=True):
        assert rain_to_limit_mm(heap, limit) == pytest.approx(litres, abs=0.06)


def test_run_off_and_leachate_lie_within_what_was_measured():
    """Cabrera 1998, Seymour & Bourdon 2003 (read in a review): leachate 16 to 92 % of the rain,
    run-off 12 to 90 %. A bay in five wet weeks: leachate and what it sheds lie within both."""
    heap = Heap(HeapShape("bay", 1.2, 1.2, 1.2), 250.0, 480.0, 200.0, "curing")
    found = water_balance(heap, [RainDay(8.0, 0.5)] * 35, pile_covers()["open"], water_facts())
    rain = found.total("fallen_l")
    assert 0.16 < found.total("leachate_l") / rain < 0.92
    assert 0.12 < (found.total("shed_l") + found.total("leachate_l")) / rain < 0.95


def test_a_hot_metre_dries_by_a_few_millimetres_a_day():
    """Derived from Yuan and others 2017: 200 kg of organic matter a square metre that loses
    40 % in 60 days evaporates 2.3 to 4.2 mm a day."""
    heap = Heap(HeapShape("bay", 1.0, 1.0, 1.0), 250.0, 300.0, 200.0, "hot")
    found = water_balance(heap, [RainDay(0.0)] * 60, pile_covers()["open"], water_facts())
    assert 2.3 < found.total("evaporated_l") / 60 < 4.2
