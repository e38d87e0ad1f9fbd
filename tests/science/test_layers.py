"""The layer plan: nothing lost, thin enough, in the order a person forks."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heapwright.data import materials
from heapwright.data.mixing import layer_thickness, mix_facts, water
from heapwright.errors import InputError
from heapwright.science.ingredients import complete
from heapwright.science.layers import plan_layers
from heapwright.science.mixing import Part

LIMITS = layer_thickness()
NAMES = [
    "food_scraps_mixed", "spent_grain", "grass_clippings", "horse_straw", "leaves_loose",
    "wood_chips", "straw_wheat", "cardboard",
]  # fmt: skip


def part(name, mass_kg):
    return Part(complete(materials()[name], mix_facts()), mass_kg)


PILE = [
    part("food_scraps_mixed", 200),
    part("grass_clippings", 60),
    part("leaves_loose", 60),
    part("wood_chips", 150),
]

piles = st.lists(
    st.builds(part, st.sampled_from(NAMES), st.floats(min_value=5, max_value=400)),
    min_size=1,
    max_size=6,
    unique_by=lambda p: p.ingredient.id,
)


@given(piles, st.floats(min_value=0.5, max_value=9.0), st.floats(min_value=0, max_value=200))
@settings(max_examples=100, deadline=None)
def test_nothing_is_lost_and_no_layer_is_too_thick(parts, footprint_m2, water_kg):
    layers = plan_layers([*parts, Part(water(), water_kg)], footprint_m2, LIMITS)
    for p in parts:
        mine = [layer for layer in layers if layer.material == p.ingredient.id]
        assert sum(layer.mass_kg for layer in mine) == pytest.approx(p.mass_kg)
        middle = [layer for layer in mine if layer.kind in ("dry", "wet")]
        most = LIMITS.thickest_m(p.ingredient.id)
        assert all(layer.thickness_m <= most * (1 + 1e-9) for layer in middle)
    assert sum(layer.water_kg for layer in layers) == pytest.approx(water_kg)
    assert [layer.number for layer in layers] == list(range(1, len(layers) + 1))


@given(piles, st.sampled_from([10.0, 20.0, 60.0]))
@settings(max_examples=100, deadline=None)
def test_layers_are_whole_half_containers_that_add_up(parts, litres):
    halves = {}
    whole = []
    for p in parts:
        half = p.ingredient.bulk_density_kg_m3.typical * litres / 2000
        count = max(1, round(p.mass_kg / half))
        halves[p.ingredient.id] = half
        whole.append(Part(p.ingredient, count * half))
    layers = plan_layers(whole, 1.44, LIMITS, half_container_kg=halves)
    for p in whole:
        mine = [layer for layer in layers if layer.material == p.ingredient.id]
        assert all(2 * layer.containers == round(2 * layer.containers) for layer in mine)
        total = 2 * sum(layer.containers for layer in mine)
        assert total * halves[p.ingredient.id] == pytest.approx(p.mass_kg)


def test_base_is_coarse_and_cap_is_dry():
    layers = plan_layers(PILE, 1.44, LIMITS)
    assert layers[0].kind == "base"
    assert layers[0].material == "wood_chips"
    assert layers[0].thickness_m == pytest.approx(LIMITS.base_m)
    assert layers[-1].kind == "cap"
    assert layers[-1].material == "leaves_loose"
    assert layers[-1].thickness_m == pytest.approx(LIMITS.cap_m)


def test_courses_alternate_dry_under_wet():
    layers = [x for x in plan_layers(PILE, 1.44, LIMITS) if x.kind in ("dry", "wet")]
    by_course = {}
    for layer in layers:
        by_course.setdefault(layer.course, []).append(layer.kind)
    assert len(by_course) > 1
    for kinds in by_course.values():
        assert kinds == sorted(kinds)  # dry before wet within a course
        assert "wet" in kinds


@given(st.floats(40, 300), st.floats(60, 250), st.floats(0, 150))
@settings(max_examples=100, deadline=None)
def test_what_the_base_is_made_of_does_not_lie_on_it_again(leaves_kg, scraps_kg, chips_kg):
    parts = [part("leaves_loose", leaves_kg), part("food_scraps_mixed", scraps_kg)]
    if chips_kg > 5:
        parts.append(part("wood_chips", chips_kg))
    layers = plan_layers(parts, 1.44, LIMITS)
    if len({layer.course for layer in layers if layer.kind in ("dry", "wet")}) > 1:
        assert layers[0].kind == "base"
        assert layers[1].material != layers[0].material


def test_grass_is_kept_thinner_than_the_rest():
    layers = plan_layers(PILE, 1.44, LIMITS)
    grass = [layer for layer in layers if layer.material == "grass_clippings"]
    assert all(layer.thickness_m <= 0.05 + 1e-9 for layer in grass)


def test_a_footprint_of_nothing_is_refused():
    with pytest.raises(InputError, match="footprint"):
        plan_layers(PILE, 0.0, LIMITS)


def test_two_deliveries_of_one_material_are_forked_as_one():
    once = plan_layers([part("food_scraps_mixed", 100), part("leaves_loose", 40)], 1.44, LIMITS)
    twice = plan_layers(
        [part("food_scraps_mixed", 60), part("leaves_loose", 40), part("food_scraps_mixed", 40)],
        1.44,
        LIMITS,
    )
    assert [(x.material, x.thickness_m) for x in twice] == [
        (x.material, pytest.approx(x.thickness_m)) for x in once
    ]


def test_thin_neighbours_of_one_material_are_one_layer():
    layers = plan_layers([part("wood_chips", 150), part("horse_straw", 110)], 1.44, LIMITS)
    middle = [layer for layer in layers if layer.kind in ("dry", "wet")]
    for below, above in pairwise(middle):
        if below.material == above.material:
            most = LIMITS.thickest_m(below.material)
            assert below.thickness_m + above.thickness_m > most
