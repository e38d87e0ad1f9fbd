"""The first checked set of parameters still gives its curves.

Process facts, section 9 (a verified numerical prototype, not measurements): a second
implementation with another integrator, so agreement checks the equations. Tolerances: 0.4 °C on
curves, 0.1 °C on peaks, 0.15 d on the first hot day, under 1 d on sums of days (where rounding
of the table and the three-hourly outputs count), 0.003 on the share of dry mass lost.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.science.pile_setup import BAY, DRY_COVER, SUMMER, WINDROW, WINTER, prototype, run

from heapwright.science.heap_shape import HeapShape

WEEKLY = (7.0, 14.0, 21.0, 28.0)
RICH, MED = 0.25, 0.15

# mix, shape, weather, covered, turned: peak, first day at 55, days at 55, days at 40, dry lost
TABLE = [
    (RICH, BAY, SUMMER, False, False, 71.3, 1.2, 31.1, 40.1, 0.360),
    (RICH, BAY, SUMMER, False, True, 71.3, 1.2, 19.3, 26.2, 0.354),
    (RICH, BAY, WINTER, False, False, 71.1, 7.2, 18.8, 22.2, 0.286),
    (RICH, BAY, WINTER, True, True, 71.2, 8.0, 12.7, 13.5, 0.270),
    (RICH, WINDROW, SUMMER, False, False, 71.4, 1.3, 38.8, 58.9, 0.345),
    (RICH, WINDROW, WINTER, False, True, 71.3, 3.5, 23.5, 43.2, 0.355),
    (MED, BAY, WINTER, True, False, 70.2, 19.1, 12.1, 15.3, 0.184),
    (MED, WINDROW, SUMMER, False, True, 71.2, 1.8, 24.1, 50.6, 0.291),
]


@pytest.mark.parametrize(
    ("fast", "shape", "weather", "covered", "turned", "peak", "first", "hot", "warm", "lost"),
    TABLE,
)
def test_table_9_1(fast, shape, weather, covered, turned, peak, first, hot, warm, lost):
    r = run(
        prototype(),
        shape,
        weather,
        turns=WEEKLY if turned else (),
        temp_c=20.0 if weather is SUMMER else 10.0,
        fast_share=fast,
        **({"cover": DRY_COVER} if covered else {}),
    )
    assert r.peak_core_c[0] == pytest.approx(peak, abs=0.1)
    assert r.first_day_at()[0] == pytest.approx(first, abs=0.15)
    assert r.days_at_or_above()[0] == pytest.approx(hot, abs=0.6)
    assert r.days_at_or_above(40.0)[0] == pytest.approx(warm, abs=0.9)
    assert 1 - r.dry_mass_kg[-1, 0] / r.dry_mass_kg[0, 0] == pytest.approx(lost, abs=0.003)


CURVES = {
    "R1": (BAY, SUMMER, 20.0, (), {
        1: (40.5, 33.3), 2: (71.2, 67.9), 5: (71.2, 66.9), 10: (70.9, 57.3), 14: (70.3, 44.2),
        21: (68.8, 37.3), 28: (63.0, 34.0), 35: (49.9, 29.8), 42: (38.9, 26.7), 60: (29.0, 24.0)}),
    "R3": (BAY, WINTER, 10.0, WEEKLY, {
        1: (10.8, 8.0), 3: (11.6, 7.6), 5: (14.7, 8.3), 7: (16.8, 16.8), 10: (71.1, 66.8),
        14: (45.5, 45.5), 18: (68.0, 41.8), 21: (27.7, 27.7), 28: (10.7, 10.7), 60: (6.8, 5.9)}),
    "R4": (WINDROW, SUMMER, 20.0, WEEKLY, {
        1: (39.4, 36.9), 2: (71.3, 68.6), 5: (71.3, 68.1), 14: (52.3, 52.3), 21: (47.5, 47.5),
        35: (47.1, 32.6), 60: (34.2, 26.8)}),
}  # fmt: skip


@pytest.mark.parametrize("name", CURVES)
def test_curves_9_2(name):
    shape, weather, temp_c, turns, points = CURVES[name]
    r = run(prototype(), shape, weather, temp_c=temp_c, turns=turns)
    for day, (core, shell) in points.items():
        i = int(np.searchsorted(r.hours, day * 24.0))
        assert r.core_temp_c[i, 0] == pytest.approx(core, abs=0.4), day
        assert r.shell_temp_c[i, 0] == pytest.approx(shell, abs=0.4), day


@pytest.mark.parametrize(
    ("side", "hot", "first", "lost"),
    [(0.5, 3.8, 2.4, 0.314), (0.9, 17.0, 1.4, 0.342), (1.5, 49.8, 1.3, 0.369),
     (2.0, 58.5, 1.5, 0.338)],
)  # fmt: skip
def test_size_series_9_3(side, hot, first, lost):
    r = run(prototype(), HeapShape("bay", side, side, side), SUMMER)
    assert r.days_at_or_above()[0] == pytest.approx(hot, abs=0.4)
    assert r.first_day_at()[0] == pytest.approx(first, abs=0.15)
    assert 1 - r.dry_mass_kg[-1, 0] / r.dry_mass_kg[0, 0] == pytest.approx(lost, abs=0.003)


@pytest.mark.parametrize(
    ("parameter", "value", "peak", "first", "hot"),
    [("permeability_m2", 8e-9, 69.8, 2.4, 6.2), ("conductivity_w_m_k", 0.2, 71.3, 2.0, 18.8),
     ("t_max_c", 66.0, 65.9, 2.3, 17.8), ("activity_start", 0.05, 71.2, 9.2, 14.8),
     ("turn_loss", 0.5, 71.2, 2.3, 11.4), ("floor_w_m2_k", 0.3, 71.3, 2.2, 17.0)],
)  # fmt: skip
def test_sensitivity_9_5(parameter, value, peak, first, hot):
    weather = {"temp_mean_c": 12.0, "temp_swing_c": 4.0, "rain_mm_day": 1.0, "soil_temp_c": 11.0}
    r = run(prototype(**{parameter: value}), BAY, weather, temp_c=14.0, turns=WEEKLY)
    assert r.peak_core_c[0] == pytest.approx(peak, abs=0.1)
    assert r.first_day_at()[0] == pytest.approx(first, abs=0.15)
    assert r.days_at_or_above()[0] == pytest.approx(hot, abs=0.5)
