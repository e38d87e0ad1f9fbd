"""The shipped facts obey the rules of facts, and the check that says so can fail."""

from __future__ import annotations

import statistics
from dataclasses import replace

import pytest

from heapwright import data
from heapwright.data import check, recipe
from heapwright.data.library import PROPERTIES, SHAPE, material_of, span_of
from heapwright.data.tables import (
    MARKS,
    Source,
    check_cited,
    check_rows,
    parse_rows,
    parse_sources,
    read_text,
    sources,
)
from heapwright.errors import FactError, InputError
from heapwright.science.materials import Material, Span

LIBRARY = data.materials()


@pytest.mark.parametrize("name", check.table_names())
def test_every_row_has_an_id_of_its_own_a_source_and_a_mark(name):
    rows = parse_rows(name, read_text(name))
    assert rows
    ids = [row.text("id") for row in rows]
    assert len(ids) == len(set(ids))
    for row in rows:
        assert row.text("id")
        assert row.sources, row
        assert set(row.sources) <= set(sources()), row
        assert row.text("mark") in MARKS, row


def test_all_tables_pass_the_check_and_every_source_is_cited():
    tables = check.check_tables()
    assert {"materials.csv", "rules.csv", "thermal_death.csv", "product_limits.csv"} <= set(tables)


# --- the check itself can fail


HEADER, SOUND = read_text("materials.csv").splitlines()[:2]
COLUMNS = parse_rows("materials.csv", f"{HEADER}\n{SOUND}\n")[0].cells


def altered(**cells: str):
    """Return the first row of the library, as read, with some cells changed."""
    row = parse_rows("materials.csv", f"{HEADER}\n{SOUND}\n")[0]
    assert set(cells) <= set(COLUMNS)
    return replace(row, cells={**row.cells, **cells})


def test_the_row_that_the_broken_ones_are_made_of_is_sound():
    check_rows([altered()], sources(), SHAPE)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ({"id": ""}, "column id: is blank"),
        ({"sources": ""}, "names no source"),
        ({"sources": "a-book-nobody-wrote"}, "a-book-nobody-wrote is not in sources"),
        ({"mark": "certain"}, "“certain” is none of published"),
        ({"mark": ""}, "is none of published"),
        ({"moisture_pct_typ": "120"}, "120 is impossible"),
        ({"moisture_pct_min": "-1"}, "-1 is impossible"),
        ({"n_pct_dry_max": "46"}, "46 is impossible"),
        ({"cn_typ": "0"}, "0 is impossible"),
        ({"bulk_density_kg_m3_max": "9000"}, "9000 is impossible"),
        ({"moisture_pct_typ": "27-Apr"}, "“27-Apr” is not a number"),
        ({"moisture_pct_typ": "nan"}, "is not a number"),
        ({"moisture_pct_min": "79", "moisture_pct_max": "60"}, "79 is above 60"),
        ({"moisture_pct_typ": "81"}, "81 lies outside its range"),
    ],
)
def test_a_broken_row_is_refused_with_its_place(cells, message):
    with pytest.raises(FactError, match=r"materials\.csv, row 2") as caught:
        check_rows([altered(**cells)], sources(), SHAPE)
    assert message in str(caught.value)


def test_a_value_outside_its_range_passes_when_the_note_says_so():
    note = "The published average lies outside its own range."
    check_rows([altered(moisture_pct_typ="81", note=note)], sources(), SHAPE)


def test_a_duplicate_id_is_refused():
    with pytest.raises(FactError, match="stands twice"):
        check_rows([altered(), altered()], sources(), SHAPE)


def test_a_source_that_nobody_cites_is_refused():
    with pytest.raises(FactError, match="no row cites lonely-1999"):
        check_cited([*altered().sources, "lonely-1999"], [[altered()]])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[a]\nseen = 'memory'", "a: has no title"),
        ("[a]\ntitle = 'x'", "seen is none of"),
        ("[a]\ntitle = 'x'\nseen = 'rumour'", "seen is none of"),
        ("[a]\ntitle = 'x'\nseen = 'memory'\npages = 4", "unknown key pages"),
        ("[a]\ntitle = 'x'\nseen = 'memory'\nyear = '1992'", "year is not a whole number"),
        ("[a]\n[a]", "not well-formed"),
    ],
)
def test_a_broken_source_is_refused(text, message):
    with pytest.raises(FactError, match=message):
        parse_sources(text)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ({"layer_role": "sludge"}, "layer_role"),
        ({"carbon_available": "maybe"}, "neither yes nor no"),
        ({"origin": "cn:guessed"}, "is not a figure and its origin"),
        ({"origin": "taste:assumed"}, "is not a figure and its origin"),
        ({"mark": "published", "confirmed": "no"}, "exactly when it is confirmed"),
    ],
)
def test_a_material_that_makes_no_sense_is_refused(cells, message):
    with pytest.raises(FactError, match=message):
        material_of(altered(**cells))


def test_a_row_with_too_many_cells_is_refused():
    with pytest.raises(FactError, match="row 2: has 3 cells"):
        parse_rows("x.csv", "id,mark\na,b,c\n")


# --- the library of materials


def test_the_library_is_large_enough_and_holds_water():
    assert len(LIBRARY) >= 90
    water = LIBRARY["water"]
    assert water.moisture_pct == Span(100, 100, 100, "published", "no published range")
    assert water.bulk_density_kg_m3 is not None
    assert water.bulk_density_kg_m3.typical == 1000


def test_spans_are_ordered_whatever_the_published_row():
    for material in LIBRARY.values():
        for name in PROPERTIES:
            span = getattr(material, name)
            assert span is None or span.low <= span.typical <= span.high, (material.id, name)


# (id, property, low, typical, high, mark) as they stand in the published tables
SPOT_CHECKS = [
    ("food_scraps_mixed", "cn", 14, 15, 16, "from memory"),
    ("food_scraps_mixed", "bulk_density_kg_m3", 235, 455, 898, "from memory"),
    ("coffee_grounds", "n_pct_dry", 2.0, 2.0, 2.0, "from memory"),
    ("spent_grain", "moisture_pct", 75, 78, 82, "from memory"),
    ("grass_clippings", "n_pct_dry", 2.0, 3.4, 6.0, "from memory"),
    ("leaves_loose", "cn", 40, 54, 80, "published"),
    ("straw_general", "moisture_pct", 4, 12, 27, "published"),
    ("straw_oat", "bulk_density_kg_m3", 130, 161, 192, "published"),
    ("rice_hulls", "moisture_pct", 7, 14, 14, "from memory"),
    ("wood_chips", "cn", 212, 560, 1313, "published"),
    ("sawdust", "cn", 200, 442, 750, "published"),
    ("cardboard", "cn", 563, 563, 563, "published"),
    ("poultry_litter_b", "n_pct_dry", 4.7, 4.7, 4.7, "published"),
    ("horse_general", "moisture_pct", 59, 72, 79, "published"),
    ("horse_shavings", "cn", 65, 65, 65, "published"),
    ("fish_waste", "n_pct_dry", 6.5, 10.6, 14.2, "from memory"),
    ("mushroom_substrate", "vs_pct_dry", 60.97, 60.97, 60.97, "published"),
    ("compost_finished", "bulk_density_kg_m3", 475, 593, 712, "from memory"),
]


@pytest.mark.parametrize(("name", "figure", "low", "typical", "high", "mark"), SPOT_CHECKS)
def test_figures_are_those_of_the_published_tables(name, figure, low, typical, high, mark):
    material = LIBRARY[name]
    span = getattr(material, figure)
    assert (span.low, span.typical, span.high) == (low, typical, high)
    assert material.mark == mark


@pytest.mark.parametrize(
    "name", ["comfrey_nettle", "dairy_waste", "leaf_mould", "compost_overs", "digestate_solids"]
)
def test_what_nobody_published_stays_blank(name):
    assert LIBRARY[name].n_pct_dry is None
    assert LIBRARY[name].cn is None


def test_a_label_stands_on_what_this_project_chose():
    chips = LIBRARY["wood_chips"]
    for name in ("cn", "c_pct_dry", "bulk_density_kg_m3"):
        assert getattr(chips, name).origin == "assumed"
    assert "project-judgement" in chips.sources
    assert LIBRARY["goat_manure"].cn is not None
    assert LIBRARY["goat_manure"].cn.origin == "assumed"
    assert not LIBRARY["biochar"].carbon_available


@pytest.mark.parametrize(
    ("published", "span"),
    [
        ((None, None, None), None),
        ((4, 12, 27), Span(12, 4, 27)),
        ((15, None, 40), Span(27.5, 15, 40, "derived", "midpoint of the published range")),
        ((None, 19, None), Span(19, 19, 19, "published", "no published range")),
        ((None, 20, 24), Span(20, 20, 24)),
        ((18, 20, None), Span(20, 18, 20)),
        ((None, None, 7), Span(7, 7, 7, "published", "no published range")),
    ],
)
def test_spans_follow_what_was_published(published, span):
    assert span_of(*published) == span


def test_a_typical_value_outside_its_range_widens_it():
    span = span_of(7, 14, 12)
    assert span is not None
    assert (span.low, span.typical, span.high) == (7, 14, 14)
    assert "outside" in span.note


def test_every_category_has_defaults_and_a_storage_life():
    for material in LIBRARY.values():
        if material.id != "water":
            assert material.category in data.category_defaults()
        assert data.storage_life(material).days_cool >= data.storage_life(material).days_warm


# --- finding a material


@pytest.mark.parametrize("name", ["straw_wheat", "STRAW_WHEAT", " Straw, Wheat "])
def test_a_material_is_found_by_id_or_full_name(name):
    assert data.find_material(name, LIBRARY).id == "straw_wheat"


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("food scraps", "food_scraps_mixed"),
        ("foodscraps", "food_scraps_mixed"),
        ("leafs_loose", "leaves_loose"),
        ("straw", "straw_general, straw_oat or straw_wheat"),
        ("qqqq", "“heapwright materials” lists"),
    ],
)
def test_an_unknown_material_is_answered_with_near_ones(name, hint):
    with pytest.raises(InputError, match=f"there is no material “{name}”") as caught:
        data.find_material(name, LIBRARY)
    assert hint in str(caught.value)


# --- the smaller tables


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("carbon_cap_pct_dry", 55),
        ("vs_per_carbon", 1.8),
        ("water_density_kg_m3", 1000),
        ("volume_shrink_default", 1.0),
        ("lift_limit_kg", 23),
        ("min_pile_volume_m3", 0.76),
    ],
)
def test_constants(name, value):
    assert data.constant(name).value == value


def test_heights_are_whole_feet():
    assert data.constant("max_height_passive_m").value == pytest.approx(5 * 0.3048)
    assert data.constant("max_height_m").value == pytest.approx(6 * 0.3048)


def test_an_unknown_constant_is_refused():
    with pytest.raises(FactError, match="no constant gravity"):
        data.constant("gravity")


def test_particle_densities_are_the_two_published_pairs():
    pairs = {
        name: (pair.organic_kg_m3, pair.ash_kg_m3)
        for name, pair in data.particle_densities().items()
    }
    assert pairs == {"haug-1993": (1000, 2500), "richard-2004": (1600, 2500)}
    assert sum(pair.default for pair in data.particle_densities().values()) == 1


@pytest.mark.parametrize(
    ("name", "reasonable", "preferred"),
    [
        ("cn", (20, 40), (25, 30)),
        ("moisture_pct", (40, 65), (50, 60)),
        ("bulk_density_kg_m3", (475, 712), (None, 593)),
        ("free_air_space_pct", (35, None), (45, 60)),
        ("ph", (5.5, 9.0), (6.5, 8.5)),
    ],
)
def test_the_ranges_that_are_used_unless_others_are_stated(name, reasonable, preferred):
    found = data.default_ranges()[name]
    assert (found.reasonable_low, found.reasonable_high) == reasonable
    assert (found.preferred_low, found.preferred_high) == preferred


def test_the_default_temperature_is_110_to_150_fahrenheit():
    found = data.default_ranges()["temp_c"]
    assert found.reasonable_low == pytest.approx((110 - 32) / 1.8)
    assert found.reasonable_high == pytest.approx((150 - 32) / 1.8)


def test_spreads_narrow_when_a_figure_is_measured():
    for name in PROPERTIES:
        assumed, measured = data.spreads()[name, "assumed"], data.measured_spread(name)
        assert assumed.scale == measured.scale
        assert measured.half_range < assumed.half_range
    assert data.measured_spread("moisture_pct", "squeeze").half_range == 7
    assert data.measured_spread("moisture_pct", "microwave").half_range == 3
    assert data.measured_spread("cn", "oven") == data.spreads()["cn", "measured"]


def test_category_densities_are_recomputed_from_the_library():
    chosen = {"fish", "mineral"}
    for category, default in data.category_defaults().items():
        if category in chosen:
            continue
        densities = [
            one.bulk_density_kg_m3
            for one in LIBRARY.values()
            if one.category == category and one.bulk_density_kg_m3 and "Proxy: the" not in one.note
        ]
        span = default.bulk_density_kg_m3
        assert span.low == min(one.low for one in densities)
        assert span.high == max(one.high for one in densities)
        assert span.typical == pytest.approx(
            statistics.median(one.typical for one in densities), abs=0.51
        )


def test_containers_are_true_to_their_names():
    litres = {name: one.volume_l for name, one in data.containers().items()}
    assert litres["bucket_5gal"] == pytest.approx(5 * 3.785411784, abs=0.01)
    assert litres["cart_65gal"] == pytest.approx(65 * 3.785411784, abs=0.01)
    assert litres["drum_55gal"] == pytest.approx(208, abs=0.5)
    assert litres["wheelbarrow_6ft3"] == pytest.approx(170, abs=0.5)
    assert litres["cubic_yard"] == pytest.approx(764.555, abs=0.01)


def test_layers_are_those_of_the_bulletins():
    limits = data.layer_limits()
    assert (limits["base"].thickness_min_m, limits["base"].thickness_max_m) == (0.10, 0.15)
    assert limits["any"].thickness_max_m == 0.10
    assert limits["grass"].thickness_max_m == 0.05
    assert limits["grass"].applies_to in LIBRARY
    assert {one.id for one in limits.values() if one.default} == {"base", "any", "grass", "cap"}


def test_storage_falls_back_from_material_to_category():
    assert data.storage_life(LIBRARY["spent_grain"]).days_warm == 2
    assert data.storage_life(LIBRARY["spent_grain"]).days_cool == 5
    assert data.storage_life(LIBRARY["veg_trimmings"]).id == "food"
    assert data.storage_life(LIBRARY["leaves_loose"]).days_warm == 180
    own = Material("brewery_mash", "Mash of our brewery", "processing")
    assert data.storage_life(own).id == "processing"


def test_every_row_of_storage_is_a_material_or_a_category():
    for life in data.storage_lives().values():
        known = LIBRARY if life.kind == "material" else {**data.category_defaults(), "water": 0}
        assert life.kind in ("material", "category")
        assert life.id in known


@pytest.mark.parametrize("name", [*PROPERTIES, "free_air_space_pct"])
def test_there_is_advice_on_measuring_every_figure(name):
    assert len(data.how_to_measure(name)) > 30
    tests = [one for one in data.field_tests().values() if name in one.properties]
    assert tests


def test_advice_names_the_laboratory_for_nitrogen_and_refuses_the_unknown():
    assert "laboratory" in data.how_to_measure("n_pct_dry")
    with pytest.raises(FactError, match="no test gives advice on measuring colour"):
        data.how_to_measure("colour")


def test_one_default_a_property_is_enforced():
    rows = parse_rows("mix_ranges.csv", read_text("mix_ranges.csv"))
    without = tuple(row for row in rows if row.text("id") != "cn-rynk-1992")
    with pytest.raises(FactError, match="0 rows are the default cn"):
        recipe._one_default(without, "property")


# --- limits on finished compost


LIMITS = {one.id: one for one in data.product_limits()}


@pytest.mark.parametrize(
    ("name", "low", "limit", "unit", "mark"),
    [
        ("us-503-32-faecal-coliform", None, 1000, "MPN/g", "published"),
        ("ny-salmonella", None, 3, "MPN/4 g", "published"),
        ("ca-17868-2-pb", None, 300, "mg/kg", "published"),
        ("us-503-13-t1-cd", None, 85, "mg/kg", "from memory"),
        ("us-503-13-t1-zn", None, 7500, "mg/kg", "published"),
        ("wa-220-b-as", None, 20, "mg/kg", "from memory"),
        ("ccme-a-hg", None, 0.8, "mg/kg", "from memory"),
        ("uk-pas-cd", None, 1.5, "mg/kg", "from memory"),
        ("eu-soil-improver-ni", None, 50, "mg/kg", "from memory"),
        ("ca-contaminants", None, 0.5, "%", "published"),
        ("ca-film", None, 0.1, "%", "published"),
        ("tmecc-stable", 2, 8, "mg CO2-C/g/d", "from memory"),
        ("ccqc-germination-very-mature", 90, None, "%", "from memory"),
        ("ccqc-ammonia-mature", 75, 500, "mg/kg", "from memory"),
        ("dewar-iv", 10, 20, "°C", "from memory"),
    ],
)
def test_product_limits_are_those_of_the_codes(name, low, limit, unit, mark):
    found = LIMITS[name]
    assert (found.low, found.limit, found.unit, found.mark) == (low, limit, unit, mark)


def test_metals_are_all_limited_in_the_same_unit():
    metals = [one for one in LIMITS.values() if one.group == "metals"]
    assert len(metals) > 40
    assert {one.unit for one in metals} == {"mg/kg"}


def test_the_stability_of_one_standard_is_in_carbon_dioxide_not_carbon():
    found = LIMITS["uk-pas-stability"]
    assert found.unit == "mg CO2/g/d"
    assert found.limit is not None
    assert found.limit * 12 / 44 == pytest.approx(4.36, abs=0.005)


def test_a_source_is_named_in_short_with_what_is_known():
    assert Source("a", "On heaps", "A. Marsh", 1992).in_short == "A. Marsh 1992"
    assert Source("a", "On heaps", "A. Marsh").in_short == "A. Marsh"
    assert Source("a", "On heaps", "", 2001).in_short == "On heaps 2001"
