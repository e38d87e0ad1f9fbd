"""The computed tables of time, temperature and turning, against the code.

Equations 2 and 3: 40 CFR 503.32(a)(3) as read in 15A NCAC 02T .1106. Hot zones: derived, after
R. T. Haug, The Practical Handbook of Compost Engineering (1993, from memory). D-values: the
same, low confidence.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from heapwright.data.sanitation import federal_regimes, organisms, rules
from heapwright.science.lethality import federal_days, federal_dose, z_values
from heapwright.science.turning import (
    hot_fraction_of_box,
    never_hot_share,
    survivors,
    turnings_needed,
)
from heapwright.units import celsius_from_fahrenheit

# t °C, equation 2 in days and minutes, equation 3 in days and minutes
EQUATIONS = [
    (50.0, 13.170000, 18964.800, 5.007000, 7210.080),
    (52.0, 6.911714, 9952.869, 2.627711, 3783.904),
    (54.0, 3.627319, 5223.340, 1.379042, 1985.821),
    (55.0, 2.627760, 3783.975, 0.999028, 1438.600),
    (58.0, 0.999047, 1438.627, 0.379820, 546.941),
    (60.0, 0.524307, 755.002, 0.199332, 287.038),
    (62.5, 0.234199, 337.247, 0.089038, 128.215),
    (65.0, 0.104613, 150.643, 0.039772, 57.272),
    (67.0, 0.054902, 79.058, 0.020873, 30.057),
    (70.0, 0.020873, 30.057, 0.007936, 11.427),
    (72.0, 0.010954, 15.774, 0.004165, 5.997),
]


@pytest.mark.parametrize(("temp", "days2", "minutes2", "days3", "minutes3"), EQUATIONS)
def test_federal_equations(
    temp: float, days2: float, minutes2: float, days3: float, minutes3: float
) -> None:
    regimes = federal_regimes()
    for name in "ABC":
        days = federal_days(temp, regimes[name])
        assert days == pytest.approx(days2, abs=5e-7)
        assert days * 1440 == pytest.approx(minutes2, abs=5e-4)
    days = federal_days(temp, regimes["D"])
    assert days == pytest.approx(days3, abs=5e-7)
    assert days * 1440 == pytest.approx(minutes3, abs=5e-4)


def test_federal_regimes_and_where_they_reach_their_least_time() -> None:
    regimes = federal_regimes()
    assert [regimes[name].min_time_min for name in "ABCD"] == [20, 0.25, 0.25, 30]
    assert federal_days(71.264, regimes["A"]) * 1440 == pytest.approx(20, rel=1e-4)
    assert federal_days(67.006, regimes["D"]) * 1440 == pytest.approx(30, rel=1e-4)
    assert federal_days(84.857, regimes["B"]) * 1440 == pytest.approx(0.25, rel=1e-4)
    assert federal_days(54.589, regimes["A"]) == pytest.approx(3, rel=1e-4)
    assert math.isinf(federal_days(49.999, regimes["A"]))


def test_accumulated_dose() -> None:
    temps = np.array([48.0, 52.0, 56.0, 61.0, 63.0, 59.0, 54.0])
    steps = [0.0, 0.14468, 0.52531, 2.63278, 5.01665, 1.38170, 0.27569]
    regime = federal_regimes()["A"]
    for temp, step in zip(temps, steps, strict=True):
        dose = federal_dose(np.array([1.0]), np.array([temp]), regime)
        assert dose == pytest.approx(step, abs=5e-6)
    assert federal_dose(np.ones(7), temps, regime) == pytest.approx(9.97681, abs=5e-6)


NEVER_HOT = {
    0.30: (70, 49, 34.3, 24.01, 16.81, 11.76),
    0.42: (58, 33.64, 19.51, 11.32, 6.56, 3.81),
    0.50: (50, 25, 12.5, 6.25, 3.125, 1.5625),
    0.60: (40, 16, 6.4, 2.56, 1.024, 0.4096),
    0.70: (30, 9, 2.7, 0.81, 0.243, 0.0729),
    0.80: (20, 4, 0.8, 0.16, 0.032, 0.0064),
    0.90: (10, 1, 0.1, 0.01, 0.001, 0.0001),
}


@pytest.mark.parametrize(("share", "percents"), NEVER_HOT.items())
def test_share_never_hot(share: float, percents: tuple[float, ...]) -> None:
    for turnings, percent in enumerate(percents):
        assert 100 * never_hot_share(share, turnings) == pytest.approx(percent, abs=5.1e-3)


NEEDED = {
    0.42: (5, 8, 12, 16, 21),
    0.5: (4, 6, 9, 13, 16),
    0.6: (3, 5, 7, 10, 12),
    0.7: (2, 3, 5, 7, 9),
    0.8: (1, 2, 4, 5, 7),
    0.9: (1, 1, 2, 3, 4),
}


@pytest.mark.parametrize(("share", "turnings"), NEEDED.items())
def test_turnings_needed(share: float, turnings: tuple[int, ...]) -> None:
    targets = (0.05, 0.01, 0.001, 0.0001, 0.00001)
    assert tuple(turnings_needed(share, target) for target in targets) == turnings


@pytest.mark.parametrize(
    ("mixing", "percents"),
    [
        (1.0, (40, 16, 6.4, 2.56, 1.024, 0.4096)),
        (0.8, (40, 20.8, 10.816, 5.6243, 2.9246, 1.5208)),
        (0.5, (40, 28, 19.6, 13.72, 9.604, 6.7228)),
    ],
)
def test_poor_mixing(mixing: float, percents: tuple[float, ...]) -> None:
    for turnings, percent in enumerate(percents):
        found = 100 * never_hot_share(0.6, turnings, mixing_efficiency=mixing)
        assert found == pytest.approx(percent, abs=5e-5)


@pytest.mark.parametrize(
    ("size", "shell", "share"),
    [
        ((1.2, 1.2, 1.2), 0.15, 0.4219),
        ((1.2, 1.2, 1.2), 0.10, 0.5787),
        ((1.2, 1.2, 1.0), 0.15, 0.3937),
        ((1.8, 1.8, 1.2), 0.15, 0.5208),
        ((3.0, 3.0, 1.5), 0.15, 0.6480),
    ],
)
def test_cold_shell_of_a_box(size: tuple[float, float, float], shell: float, share: float) -> None:
    assert hot_fraction_of_box(*size, shell) == pytest.approx(share, abs=5e-5)


def test_worked_example_of_a_pallet_bay() -> None:
    never = never_hot_share(0.42, 5)
    assert 100 * never == pytest.approx(3.8, abs=0.05)
    assert -math.log10(never) == pytest.approx(1.4, abs=0.05)
    assert -math.log10(never_hot_share(0.8, 5)) == pytest.approx(4.2, abs=0.05)
    assert survivors(0.42, 5, 20.0) == pytest.approx(never)
    assert survivors(0.42, 5, 0.0) == 1.0


@pytest.mark.parametrize(
    ("organism", "z"), [("coliphage-f2", 6.63), ("senftenberg-775w", 4.65), ("poliovirus-1", 22.1)]
)
def test_z_values_implied_by_the_recalled_d_values(organism: str, z: float) -> None:
    (found,) = z_values(next(one for one in organisms() if one.id == organism))
    assert found == pytest.approx(z, rel=2e-3)


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"), [(40, 104), (50, 122), (55, 131), (60, 140), (65, 149), (70, 158)]
)
def test_limits_in_fahrenheit_are_exact(celsius: float, fahrenheit: float) -> None:
    assert celsius_from_fahrenheit(fahrenheit) == celsius


# id, °C, days, turnings, as the rows of the table of rules state them
ROWS = [
    ("US-PSRP", 40, 5, 0),
    ("US-PFRP-V", 55, 3, 0),
    ("US-PFRP-A", 55, 3, 0),
    ("US-PFRP-W", 55, 15, 5),
    ("US-NOP-V", 55, 3, 0),
    ("US-NOP-W", 55, 15, 5),
    ("US-NOP-ALT", 55, 3, 0),
    ("US-FDA-S", 55, 3, 0),
    ("US-FDA-T", 55, 15, 5),
    ("CA-V", 55, 3, 0),
    ("CA-A", 55, 3, 0),
    ("CA-W", 55, 15, 5),
    ("NY-W", 55, 15, 5),
    ("NY-S", 55, 3, 0),
    ("TX-W", 55, 15, 5),
    ("TX-S", 55, 3, 0),
    ("WA", 0, 0, 0),
    ("OR", 0, 0, 0),
    ("CCME-W", 55, 15, 5),
    ("CCME-S", 55, 3, 0),
    ("UK-ABP-1", 60, 2, 0),
    ("UK-ABP-2", 70, 0, 0),
    ("UK-ABP-3", 60, 8, 3),
    ("UK-ABP-x", 0, 0, 0),
    ("EU-ABP", 70, 0, 0),
    ("UK-PAS", 65, 7, 2),
    ("DE-55", 55, 14, 0),
    ("DE-60", 60, 6, 0),
    ("DE-65", 65, 3, 0),
    ("DE-moist", 0, 0, 0),
    ("EU-CMC3-a", 70, 3, 0),
    ("EU-CMC3-b", 65, 5, 0),
    ("EU-CMC3-c", 60, 7, 0),
    ("EU-CMC3-d", 55, 14, 0),
    ("AU-1", 55, 9, 3),
    ("AU-2", 55, 15, 5),
    ("VAR-1", 40, 14, 0),
]


def test_every_row_of_the_table_of_rules_is_there() -> None:
    found = [(r.id, r.min_temp_c, r.days, r.turnings) for r in rules().values()]
    assert sorted(found) == sorted(ROWS)


def test_particulars_of_the_rules() -> None:
    by_id = rules()
    assert by_id["US-NOP-W"].max_temp_c == pytest.approx(76.67, abs=5e-3)
    assert by_id["US-NOP-W"].max_temp_c == (170 - 32) * 5 / 9
    assert by_id["CA-A"].cover_cm == pytest.approx(6 * 2.54)
    assert (by_id["CA-W"].depth_low_cm, by_id["CA-W"].depth_high_cm) == (30, 61)
    assert (by_id["CA-A"].depth_low_cm, by_id["CA-A"].depth_high_cm) == (30, 46)
    assert by_id["UK-ABP-3"].turn_spacing_days == 2
    assert by_id["AU-1"].hot_days_before_turn == 3
    whole = {name for name, rule in by_id.items() if rule.all_zones}
    assert whole == {
        "US-NOP-ALT", "EU-ABP", "DE-55", "DE-60", "DE-65",
        "EU-CMC3-a", "EU-CMC3-b", "EU-CMC3-c", "EU-CMC3-d",
    }  # fmt: skip
    consecutive = {"US-PFRP-V", "US-PFRP-A", "US-PFRP-W", "NY-W", "NY-S", "US-FDA-S"}
    assert all(by_id[name].judged_as == "consecutive" for name in consecutive)
    assert by_id["US-FDA-T"].judged_as == "total"
    for name in ("CA-W", "TX-W", "US-NOP-W", "CCME-W", "AU-2"):
        assert by_id[name].judged_as == "unsaid"
    assert by_id["US-PSRP"].peak_strict
    assert by_id["US-PSRP"].peak_min == 240
    assert by_id["VAR-1"].strict
    assert by_id["VAR-1"].mean_temp_c == 45
