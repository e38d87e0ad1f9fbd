"""Thermal death along a log, computed by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from heapwright.data.sanitation import organisms
from heapwright.science.daily import Readings
from heapwright.science.lethality import Kill, kill_minutes, kills
from heapwright.science.turning import hot_fraction_of_box, never_hot_share, turnings_needed

BY_ID = {organism.id: organism for organism in organisms()}


def readings(temps: list[float], step_h: float = 24.0, point: list[int] | None = None) -> Readings:
    return Readings(
        (np.arange(len(temps)) * step_h * 3600).astype(np.int64),
        np.array(point or [0] * len(temps), dtype=np.int16),
        np.array(temps),
        None,
        tuple(f"p{i}" for i in range(max(point or [0]) + 1)),
    )


def kill(organism: str, log: Readings, points: tuple[int, ...] = (0,), error: float = 0.0) -> Kill:
    return kills(log, points, (BY_ID[organism],), probe_error_c=error, max_gap_h=36.0)[0]


def test_three_days_at_55_are_five_log10_of_the_efsa_organisms() -> None:
    found = kill("enterococcus-efsa", readings([55.0] * 4))
    assert found.log10_reduction == pytest.approx(5.0)
    assert found.lethality_h == pytest.approx(72.0)
    assert found.z_c == pytest.approx(5 / math.log10(72 / 48))


def test_two_days_at_60_are_as_much() -> None:
    found = kill("enterococcus-efsa", readings([60.0] * 3))
    assert found.log10_reduction == pytest.approx(5.0)
    assert found.lethality_h == pytest.approx(72.0)


def test_the_d_value_is_the_time_of_one_log10() -> None:
    found = kill("senftenberg-775w", readings([55.0, 55.0], step_h=89 / 60))
    assert found.log10_reduction == pytest.approx(1.0)
    halfway = kill_minutes(BY_ID["senftenberg-775w"], np.array([57.5]))[0]
    assert halfway == pytest.approx(math.sqrt(89 * 7.5))


def test_nothing_is_extrapolated() -> None:
    assert kill("enterococcus-efsa", readings([54.9] * 9)).log10_reduction == 0.0
    hot, hotter = (kill("enterococcus-efsa", readings([t] * 3)) for t in (60.0, 75.0))
    assert hot.log10_reduction == hotter.log10_reduction


def test_the_lower_of_two_readings_counts_less_the_probe_error() -> None:
    found = kill("enterococcus-efsa", readings([55.0, 60.0, 55.0, 60.0]))
    assert found.log10_reduction == pytest.approx(5.0)
    assert kill("enterococcus-efsa", readings([56.0] * 4), error=1.0).lethality_h == pytest.approx(
        72.0
    )


def test_no_death_is_credited_over_a_long_gap() -> None:
    assert kill("enterococcus-efsa", readings([60.0] * 3, step_h=36.1)).log10_reduction == 0.0


def test_the_coldest_point_decides() -> None:
    log = readings([60.0, 55.0] * 4, step_h=12.0, point=[0, 1] * 4)
    found = kill("enterococcus-efsa", log, points=(0, 1))
    assert found.point == "p1"
    assert found.log10_reduction == pytest.approx(5.0)


def test_what_nobody_published_stays_unknown_and_says_so() -> None:
    seed = kill("seed-common-purslane", readings([60.0] * 20))
    assert (seed.log10_reduction, seed.lethality_h) == (None, None)
    assert "no time was readable" in seed.missing
    one = kill("brucella", readings([60.0] * 20))
    assert (one.log10_reduction, one.lethality_h) == (None, None)
    assert "only one temperature" in one.missing
    who = kill("salmonella-who", readings([55.0, 55.0]))
    assert who.log10_reduction is None
    assert who.lethality_h == pytest.approx(24.0)


def test_a_log_without_points_kills_nothing_known() -> None:
    assert kill("coliphage-f2", readings([60.0] * 3), points=()).log10_reduction is None


def test_turning_refuses_what_cannot_be() -> None:
    with pytest.raises(ValueError, match="share"):
        never_hot_share(1.2, 1)
    with pytest.raises(ValueError, match="negative"):
        never_hot_share(0.5, -1)
    with pytest.raises(ValueError, match="nothing is hot"):
        turnings_needed(0.0, 0.01)
    with pytest.raises(ValueError, match="no size"):
        hot_fraction_of_box(0.0, 1.0, 1.0, 0.1)
    assert hot_fraction_of_box(0.2, 1.0, 1.0, 0.15) == 0.0
    assert turnings_needed(1.0, 0.001) == 0
    assert turnings_needed(0.4, 0.9) == 0
