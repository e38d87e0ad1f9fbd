"""Worked examples of recipes and field tests from handbooks and extension sheets.

Each test names where its inputs and its answer come from; “from memory” marks a source that was
recalled, not re-read. Numbers such as E1 are those of the project's list of facts.
"""

import numpy as np
import pytest

from heapwright import units
from heapwright.data import constant
from heapwright.data.mixing import mix_facts
from heapwright.science import field_tests
from heapwright.science.ingredients import complete, measured
from heapwright.science.materials import Material, Span
from heapwright.science.mixing import (
    Part,
    degradable_fraction_from_lignin,
    free_air_space_pct,
    mix_of,
    second_mass_for_moisture_kg,
    water_to_add_kg,
)

FACTS = mix_facts()


def stated(name, moisture, *, c=None, n=None, cn=None, density=None):
    """A material with the figures that an example states."""
    spans = {
        key: measured(value, FACTS.measured[key], highest=5000)
        for key, value in (
            ("moisture_pct", moisture),
            ("c_pct_dry", c),
            ("n_pct_dry", n),
            ("cn", cn),
            ("bulk_density_kg_m3", density),
        )
        if value is not None
    }
    return complete(Material(id=name, name=name, category="other", **spans), FACTS)


def mixed(*parts):
    return mix_of([Part(ingredient, mass) for ingredient, mass in parts], FACTS)


def degradable(lignin_pct_vs):
    """Chandler et al. 1980 with the coefficients of constants.csv, from memory."""
    return degradable_fraction_from_lignin(
        lignin_pct_vs,
        intercept=constant("lignin_intercept").value,
        slope_per_pct=constant("lignin_slope_per_pct").value,
    )


GRASS = stated("grass", 77, c=45, n=2.4)
LEAVES = stated("leaves", 35, c=50, n=0.75)


def test_e1_leaves_for_a_moisture_goal():
    """Richard & Trautmann 1996, Cornell: 10 kg of grass at 77 %, leaves 35 %, goal 60 %."""
    assert second_mass_for_moisture_kg(10, 77, 35, 60) == pytest.approx(6.8, abs=0.05)


def test_e1a_oven_moisture():
    """Richard & Trautmann 1996, Cornell: 10 g fresh in a 4 g dish, 6.3 g in all when dry."""
    assert field_tests.moisture_from_drying_pct(10, 6.3 - 4) == pytest.approx(77)


def test_e2_leaves_for_a_cn_goal():
    """Cornell cn_ratio page, from memory: 3.5 kg of leaves to 10 kg of grass make 30:1."""
    found = mixed((GRASS, 10), (LEAVES, 3.474))
    assert found.cn == pytest.approx(30, abs=0.02)
    assert mixed((GRASS, 10), (LEAVES, 3.5)).cn == pytest.approx(30.06, abs=0.01)
    # and is then too wet: C:N and moisture cannot both be met by two materials
    assert mixed((GRASS, 10), (LEAVES, 3.5)).moisture_pct == pytest.approx(66.1, abs=0.05)


def test_e2b_both_properties_of_grass_and_leaves():
    """Computed from the figures of E1 and E2; no published answer."""
    found = mixed((GRASS, 10), (LEAVES, 6.8))
    assert found.moisture_pct == pytest.approx(60.0, abs=0.05)
    assert found.cn == pytest.approx(36.7, abs=0.05)


def test_e4_percentages_of_the_whole_weight():
    """Gardening hand-out (docslib 12269573): hay, scraps and coffee, percent as is."""
    lb = units.KG_PER_LB
    found = mixed(
        (stated("hay", 0, c=40, n=1), 50 * lb),
        (stated("scraps", 0, c=10, n=1), 10 * lb),
        (stated("coffee", 0, c=25, n=1), 2 * lb),
    )
    assert sum(row.carbon_kg for row in found.parts) / lb == pytest.approx(21.5)
    assert sum(row.nitrogen_kg for row in found.parts) / lb == pytest.approx(0.62)
    assert found.cn == pytest.approx(34.7, abs=0.05)


def test_e5_urea_for_sawdust():
    """Oregon extension, Ask an Expert 351921: a cubic yard of sawdust wants 16 lb of urea."""
    carbon = 0.60 * 400
    nitrogen = field_tests.nitrogen_to_add_kg(carbon, carbon / 400, 30)
    assert nitrogen == pytest.approx(7.4)
    assert nitrogen / 0.46 == pytest.approx(16, abs=0.1)
    assert 0.8 * round(nitrogen / 0.46) == pytest.approx(12.8)


@pytest.mark.parametrize(
    ("lignin", "fraction"), [(0.4, 0.82), (21.9, 0.22), (12.9, 0.47), (4.1, 0.72)]
)
def test_e6_degradable_share_from_lignin(lignin, fraction):
    """Tchobanoglous et al. 1993 after Chandler et al. 1980, from memory."""
    assert degradable(lignin) == pytest.approx(fraction, abs=0.005)


@pytest.mark.parametrize(("wet", "dry"), [(1.12, 2.65), (25.86, 60.97), (0.29, 0.69), (1.04, 2.44)])
def test_e7_wet_and_dry_basis_agree(wet, dry):
    """Fidanza et al. 2010, HortTechnology: spent mushroom substrate, mean of 30 farms."""
    moisture = 57.7
    assert dry * (100 - moisture) / 100 == pytest.approx(wet, rel=0.015)


def test_dry_basis_moisture():
    """A soil instrument maker's page: 50 % on dry basis is 33 % on wet basis."""
    assert field_tests.wet_basis_from_dry_basis_pct(50) == pytest.approx(33.3, abs=0.05)


def test_e8_bucket_density():
    """Zabaleta after Cooperband 2002: 20 L bucket, 1 kg empty, 10 kg full."""
    assert field_tests.bulk_density_from_bucket_kg_m3(10, 1, 20) == pytest.approx(450)


def test_bucket_factor_of_the_five_gallon_method():
    """WSU Puyallup: net pounds in five gallons times 40.4 are pounds a cubic yard."""
    density = field_tests.bulk_density_from_bucket_kg_m3(units.KG_PER_LB, 0, 5 * 3.785411784)
    lb_yd3 = density / units.KG_PER_LB * units.M3_PER_YD3
    assert lb_yd3 == pytest.approx(40.4, abs=0.02)


def test_pore_space_bucket():
    """A school's compost log: each gallon into a five-gallon bucket is 20 % pore space."""
    assert field_tests.free_air_space_from_water_pct(1, 5) == pytest.approx(20)


@pytest.mark.parametrize(("fresh", "dry", "moisture"), [(101, 85, 16), (100, 86, 14)])
def test_e10_straw_by_microwave(fresh, dry, moisture):
    """Forage microwave method sheets; the method errs by 3 points."""
    assert field_tests.moisture_from_drying_pct(fresh, dry) == pytest.approx(moisture, abs=0.2)


def test_e12_container_weights_from_a_log():
    """A community garden's open log: two rows give the weights, the third agrees."""
    buckets_bins = np.array([[786, 13], [1114, 87]])
    bucket_lb, bin_lb = np.linalg.solve(buckets_bins, [12916.8, 21946])
    assert bucket_lb * units.KG_PER_LB == pytest.approx(7.06, abs=0.01)
    assert bin_lb * units.KG_PER_LB == pytest.approx(24.1, abs=0.05)
    assert 366 * bucket_lb + 75 * bin_lb == pytest.approx(9663, rel=0.002)


@pytest.mark.parametrize(("barrow_ft3", "loads"), [(2, 13.5), (3, 9), (4, 6.8), (5, 5.4), (6, 4.5)])
def test_e13_wheelbarrow_loads_in_a_cubic_yard(barrow_ft3, loads):
    """A yard-care page's table of loads."""
    found = units.M3_PER_YD3 / (barrow_ft3 * units.M3_PER_FT3)
    assert found == pytest.approx(loads, abs=0.051)


def test_e14_bucket_recipe_of_typical_values():
    """Computed from the table's typical values; no published answer."""
    from heapwright.data import materials

    litres = {"food_scraps_mixed": 18.93, "leaves_loose": 2 * 18.93, "wood_chips": 18.93}
    parts = []
    for name, volume_l in litres.items():
        ingredient = complete(materials()[name], FACTS)
        mass = ingredient.bulk_density_kg_m3.typical * volume_l / 1000
        parts.append(Part(ingredient, mass))
    assert [round(p.mass_kg, 2) for p in parts] == [8.61, 4.51, 5.98]  # the list prints 4.50
    found = mix_of(parts, FACTS)
    assert found.moisture_pct == pytest.approx(49.5, abs=0.1)
    assert found.cn == pytest.approx(47.5, abs=0.1)
    assert found.bulk_density_kg_m3 == pytest.approx(252, abs=0.5)
    assert found.cn_biodegradable < found.cn


def test_n1_averaging_cn_by_parts_is_wrong():
    """A gardening page prints 33:1 for two parts grass (20) and one of leaves (60).

    With equal carbon in each part the mean is harmonic, 25.7, and no mean of the three ratios.
    """
    grass, leaves = stated("g", 0, c=40, cn=20), stated("l", 0, c=40, cn=60)
    found = mixed((grass, 2), (leaves, 1)).cn
    assert found == pytest.approx(3 / (1 / 20 + 1 / 20 + 1 / 60))
    assert abs(found - (20 + 20 + 60) / 3) > 5


def test_n2_published_slip_is_not_repeated():
    """A reprint of a North Carolina example solves 7.5 A + 130 (1 - A) = 30 to 0.90.

    The algebra gives 0.816, and C:N is not averaged by wet mass in the first place: with equal
    carbon the share of the rich material by carbon is another number altogether.
    """
    share = (130 - 30) / (130 - 7.5)
    assert share == pytest.approx(0.816, abs=0.001)
    litter, shavings = stated("litter", 0, c=40, cn=7.5), stated("shavings", 0, c=40, cn=130)
    assert mixed((litter, share), (shavings, 1 - share)).cn == pytest.approx(9.07, abs=0.01)


def test_water_to_add():
    """Computed from Q (G - M) / (100 - G): 1000 kg at 45 % want 375 kg for 60 %."""
    assert water_to_add_kg(1000, 45, 60) == pytest.approx(375)


HAUG = {300: 70.7, 400: 61.0, 475: 53.6, 593: 42.1, 700: 31.7, 800: 21.9}
RICHARD = {300: 74.8, 400: 66.4, 475: 60.1, 593: 50.1, 700: 41.1, 800: 32.7}


@pytest.mark.parametrize(
    ("pair", "density", "air"),
    [("haug-1993", d, a) for d, a in HAUG.items()]
    + [("richard-2004", d, a) for d, a in RICHARD.items()],
)
def test_free_air_space_at_60_percent_water_and_90_percent_volatile(pair, density, air):
    """Haug 1993 and Richard et al. 2004, densities from memory; table computed from them."""
    found = free_air_space_pct(
        water_kg=0.6 * density,
        dry_kg=0.4 * density,
        volume_m3=1.0,
        vs_fraction=0.9,
        densities=FACTS.densities[pair],
        water_density_kg_m3=FACTS.water_density_kg_m3,
    )
    assert float(found) == pytest.approx(air, abs=0.06)


@pytest.mark.parametrize(
    ("density", "moisture", "volatile", "haug", "richard"),
    [(593, 55, 85, 43.1, 51.6), (450, 60, 90, 56.1, 62.2), (712, 65, 80, 31.8, 39.3),
     (341, 57.7, 61, 69.3, 72.6)],
)  # fmt: skip
def test_free_air_space_elsewhere(density, moisture, volatile, haug, richard):
    """Further points computed from the same two pairs of densities, from memory."""
    for pair, air in (("haug-1993", haug), ("richard-2004", richard)):
        found = free_air_space_pct(
            water_kg=density * moisture / 100,
            dry_kg=density * (1 - moisture / 100),
            volume_m3=1.0,
            vs_fraction=volatile / 100,
            densities=FACTS.densities[pair],
            water_density_kg_m3=1000.0,
        )
        assert float(found) == pytest.approx(air, abs=0.06)


def test_published_averages_that_contradict_give_possible_carbon():
    """Rynk et al. 1992 Table A.1: sawdust N 0.24 and C:N 442 would be 106 % carbon."""
    from heapwright.data import materials

    sawdust = complete(materials()["sawdust"], FACTS)
    assert sawdust.c_pct_dry.typical == FACTS.carbon_cap_pct_dry
    assert sawdust.cn.typical == 442
    assert sawdust.n_pct_dry.typical == pytest.approx(55 / 442)


def test_bioavailable_cn_of_wheat_straw():
    """Chandler et al. 1980 on lignin 17 % of wheat straw (lignin published): B = 0.354."""
    assert degradable(17) == pytest.approx(0.354, abs=0.0005)
    straw = stated("straw", 10, c=50, n=0.5)
    assert straw.cn == Span(100, straw.cn.low, straw.cn.high, "derived")
