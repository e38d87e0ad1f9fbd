"""Laws of mixing: order, mass, bounds, and what a measurement does to the spread."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heapwright.data import materials
from heapwright.data.mixing import acceptable_limits, mix_facts, water
from heapwright.errors import HeapwrightError, InputError, NotMeasuredError
from heapwright.science.ingredients import complete, draws_of, measured, with_measured
from heapwright.science.materials import Material, Span
from heapwright.science.mixing import (
    PROPERTIES,
    Limit,
    Part,
    drawn_properties,
    mix_of,
    second_mass_for_moisture_kg,
    spread_of,
)

FACTS = mix_facts()


def _usable():
    found = []
    for material in materials().values():
        try:
            found.append(complete(material, FACTS))
        except NotMeasuredError:
            continue
    return [i for i in found if not i.is_water and i.c_pct_dry.typical > 0]


INGREDIENTS = {i.id: i for i in _usable()}
parts_lists = st.lists(
    st.builds(
        Part,
        st.sampled_from(list(INGREDIENTS.values())),
        st.floats(min_value=0.5, max_value=2000.0),
    ),
    min_size=1,
    max_size=6,
    unique_by=lambda part: part.ingredient.id,
)


def ingredient(name):
    return INGREDIENTS[name]


@given(parts_lists, st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_a_mix_is_the_same_in_whatever_order_it_is_written(parts, random):
    shuffled = list(parts)
    random.shuffle(shuffled)
    one, other = mix_of(parts, FACTS), mix_of(shuffled, FACTS)
    for name in PROPERTIES:
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-9)
    a = spread_of(parts, acceptable_limits(), FACTS)
    b = spread_of(shuffled, acceptable_limits(), FACTS)
    for name in PROPERTIES:
        assert a.quantiles[name] == pytest.approx(b.quantiles[name], rel=1e-9)


@given(parts_lists)
@settings(max_examples=60, deadline=None)
def test_mixing_conserves_mass_water_carbon_and_nitrogen(parts):
    found = mix_of(parts, FACTS)
    assert found.mass_kg == pytest.approx(sum(p.mass_kg for p in parts))
    assert found.dry_kg + found.water_kg == pytest.approx(found.mass_kg)
    alone = [mix_of([p], FACTS) for p in parts]
    for name in ("dry_kg", "water_kg", "volume_m3"):
        assert getattr(found, name) == pytest.approx(sum(getattr(m, name) for m in alone))
    for pct in ("c_pct_dry", "n_pct_dry", "vs_pct_dry"):
        total = sum(getattr(m, pct) * m.dry_kg for m in alone)
        assert getattr(found, pct) * found.dry_kg == pytest.approx(total)


@given(parts_lists)
@settings(max_examples=60, deadline=None)
def test_every_property_lies_between_its_ingredients(parts):
    found = mix_of(parts, FACTS)
    alone = [mix_of([p], FACTS) for p in parts]
    for name in ("moisture_pct", "cn", "bulk_density_kg_m3", "c_pct_dry", "n_pct_dry"):
        values = [getattr(m, name) for m in alone]
        assert min(values) * (1 - 1e-9) <= getattr(found, name) <= max(values) * (1 + 1e-9)


@given(parts_lists, st.floats(min_value=0.01, max_value=100.0))
@settings(max_examples=40, deadline=None)
def test_twice_the_mix_is_the_same_mix(parts, factor):
    bigger = [Part(p.ingredient, p.mass_kg * factor) for p in parts]
    for name in PROPERTIES:
        assert getattr(mix_of(bigger, FACTS), name) == pytest.approx(
            getattr(mix_of(parts, FACTS), name)
        )


@given(parts_lists, st.floats(min_value=1.0, max_value=500.0))
@settings(max_examples=40, deadline=None)
def test_water_wets_and_fills_pores_and_leaves_cn_alone(parts, water_kg):
    dry, wet = mix_of(parts, FACTS), mix_of([*parts, Part(water(), water_kg)], FACTS)
    assert wet.moisture_pct > dry.moisture_pct
    assert wet.cn == pytest.approx(dry.cn)
    assert wet.volume_m3 == pytest.approx(dry.volume_m3)
    assert wet.free_air_space_pct <= dry.free_air_space_pct


@pytest.mark.parametrize("name", sorted(INGREDIENTS))
def test_every_material_has_possible_carbon_and_agreeing_nitrogen(name):
    it = INGREDIENTS[name]
    assert 0 < it.c_pct_dry.typical <= FACTS.carbon_max_pct_dry
    assert it.n_pct_dry.typical == pytest.approx(it.c_pct_dry.typical / it.cn.typical)
    d = draws_of(it)
    assert np.all((d.water >= 0) & (d.water < 1))
    assert np.all((d.carbon >= 0) & (d.carbon <= FACTS.carbon_max_pct_dry / 100 + 1e-9))
    assert np.all(d.nitrogen >= 0)
    assert np.all(d.volume_m3_kg > 0)


def test_nitrogen_and_cn_of_one_material_move_together():
    d = draws_of(ingredient("leaves_loose"))
    ratio = d.carbon / d.nitrogen
    assert np.corrcoef(np.log(d.nitrogen), np.log(ratio))[0, 1] < -0.9


def test_draws_have_the_published_range_as_p5_and_p95():
    d = draws_of(ingredient("food_scraps_mixed"))
    p5, p50, p95 = np.quantile(100 * d.water, [0.05, 0.5, 0.95])
    assert (p5, p50, p95) == pytest.approx((50, 69, 80), abs=1.2)
    p5, p50, p95 = np.quantile(1 / d.volume_m3_kg, [0.05, 0.5, 0.95])
    assert (p5, p50, p95) == pytest.approx((235, 455, 898), rel=0.05)


def test_spread_agrees_with_brute_force_sampling():
    """An independent sampler of a million draws, written from the definition."""
    names = {"food_scraps_mixed": 200.0, "leaves_loose": 70.0, "wood_chips": 90.0}
    parts = [Part(ingredient(n), m) for n, m in names.items()]
    rng = np.random.default_rng(7)
    size = 1_000_000

    def two_piece(span, log=False):
        z = np.clip(rng.standard_normal(size), -2.7, 2.7)
        low, mid, high = span.low, span.typical, span.high
        if log:
            low, mid, high = np.log([low, mid, high])
        value = mid + z / 1.6448536 * np.where(z < 0, mid - low, high - mid)
        return np.exp(value) if log else value

    water_kg = carbon = nitrogen = volume = 0.0
    for part in parts:
        it = part.ingredient
        moisture = two_piece(it.moisture_pct) / 100
        c = two_piece(it.c_pct_dry) / 100
        cn = two_piece(it.cn, log=True)
        dry = part.mass_kg * (1 - moisture)
        water_kg = water_kg + part.mass_kg * moisture
        carbon = carbon + dry * c
        nitrogen = nitrogen + dry * c / cn
        volume = volume + part.mass_kg / two_piece(it.bulk_density_kg_m3, log=True)
    brute = {
        "moisture_pct": 100 * water_kg / 360,
        "cn": carbon / nitrogen,
        "bulk_density_kg_m3": 360 / volume,
    }
    found = spread_of(parts, acceptable_limits(), FACTS)
    for name, values in brute.items():
        width = np.quantile(values, 0.95) - np.quantile(values, 0.05)
        for mine, other in zip(
            found.quantiles[name], np.quantile(values, [0.05, 0.5, 0.95]), strict=True
        ):
            assert mine == pytest.approx(other, abs=0.06 * width)
    inside = (brute["cn"] >= 20) & (brute["cn"] <= 40)
    assert found.chance_by_property["cn"] == pytest.approx(inside.mean(), abs=0.03)


def test_a_measurement_narrows_the_spread():
    rough = [Part(ingredient("food_scraps_mixed"), 300), Part(ingredient("leaves_loose"), 150)]
    span = {"moisture_pct": measured(72, FACTS.measured["moisture_pct"])}
    known = complete(with_measured(materials()["food_scraps_mixed"], span, FACTS), FACTS)
    sure = [Part(known, 300), rough[1]]

    def width(parts):
        low, _, high = spread_of(parts, {}, FACTS).quantiles["moisture_pct"]
        return high - low

    assert width(sure) < 0.7 * width(rough)


def test_measured_nitrogen_keeps_the_carbon_of_the_material():
    span = {"n_pct_dry": measured(3.0, FACTS.measured["n_pct_dry"])}
    it = complete(with_measured(materials()["food_scraps_mixed"], span, FACTS), FACTS)
    assert it.c_pct_dry.typical == pytest.approx(36.0)
    assert it.cn.typical == pytest.approx(12.0)


def test_measured_cn_keeps_the_carbon_of_the_material():
    span = {"cn": measured(18.0, FACTS.measured["cn"], highest=5000)}
    it = complete(with_measured(materials()["food_scraps_mixed"], span, FACTS), FACTS)
    assert it.c_pct_dry.typical == pytest.approx(36.0)
    assert it.n_pct_dry.typical == pytest.approx(2.0)


@pytest.mark.parametrize("name", ["comfrey_nettle", "dairy_waste", "yard_trimmings"])
def test_unpublished_nitrogen_keeps_a_material_out_and_says_how_to_measure(name):
    with pytest.raises(NotMeasuredError, match=rf"nitrogen.*{name}.*laboratory"):
        complete(materials()[name], FACTS)


def test_a_measured_material_enters():
    spans = {
        "moisture_pct": measured(80, FACTS.measured["moisture_pct"]),
        "n_pct_dry": measured(3.5, FACTS.measured["n_pct_dry"]),
        "cn": measured(12, FACTS.measured["cn"], highest=5000),
    }
    it = complete(with_measured(materials()["comfrey_nettle"], spans, FACTS), FACTS)
    assert it.c_pct_dry.typical == pytest.approx(42.0)


def test_measured_figures_that_make_impossible_carbon_are_refused():
    spans = {
        "n_pct_dry": measured(2.0, FACTS.measured["n_pct_dry"]),
        "cn": measured(60, FACTS.measured["cn"], highest=5000),
    }
    material = with_measured(materials()["straw_wheat"], spans, FACTS)
    with pytest.raises(InputError, match="120 % carbon"):
        complete(material, FACTS)


def test_biochar_feeds_nothing():
    char = complete(materials()["biochar"], FACTS)
    food = Part(ingredient("food_scraps_mixed"), 100)
    with_char = mix_of([food, Part(char, 20)], FACTS)
    assert with_char.cn == pytest.approx(mix_of([food], FACTS).cn)
    assert any("left out of C:N" in note for note in char.notes)


def test_a_mix_without_nitrogen_has_no_cn():
    char = complete(materials()["biochar"], FACTS)
    found = mix_of([Part(char, 10)], FACTS)
    assert found.cn is None
    assert not Limit(20, 40).holds(found.cn)
    drawn = drawn_properties([Part(char, 10)], FACTS)
    assert np.all(np.isinf(drawn["cn"]))


def test_water_alone_is_no_mix():
    with pytest.raises(HeapwrightError, match="solids"):
        mix_of([Part(water(), 10)], FACTS)


def test_shrink_makes_a_heap_smaller_denser_and_airless():
    parts = [Part(ingredient("food_scraps_mixed"), 300), Part(ingredient("wood_chips"), 200)]
    loose, settled = mix_of(parts, FACTS), mix_of(parts, FACTS, shrink=0.8)
    assert settled.volume_m3 == pytest.approx(0.8 * loose.volume_m3)
    assert settled.bulk_density_kg_m3 > loose.bulk_density_kg_m3
    assert settled.free_air_space_pct < loose.free_air_space_pct
    with pytest.raises(InputError, match="shrink"):
        mix_of(parts, FACTS, shrink=1.4)


def test_a_moisture_goal_outside_both_materials_has_no_answer():
    with pytest.raises(InputError, match="does not lie between"):
        second_mass_for_moisture_kg(10, 77, 65, 60)


def test_a_typical_value_alone_gets_an_assumed_range():
    plain = Material(
        "x", "X", "other", moisture_pct=Span(50, 50, 50), n_pct_dry=Span(2, 2, 2),
        cn=Span(20, 20, 20),
    )  # fmt: skip
    it = complete(plain, FACTS)
    assert it.moisture_pct.low == 42
    assert it.moisture_pct.high == 58
    assert it.cn == replace(it.cn, low=16, high=24)
