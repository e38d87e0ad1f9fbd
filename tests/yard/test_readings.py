"""Readings once only, daily summaries by brute force, files of loggers."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.yard.acting import NOW, START, Yard, at

from heapwright.yard import history, readings, state, tend
from heapwright.yard.audit import audit
from heapwright.yard.errors import FieldError, YardError
from heapwright.yard.models import DailySummary, Entry, Lot, Reading, Site
from heapwright.yard.readings import Columns
from heapwright.yard.strike import strike


def brute_force(lot: Lot) -> dict:
    """Return the summaries of a lot's unstruck readings, one reading at a time."""
    tz = Site.load().tz
    days = defaultdict(list)
    for one in Reading.objects.filter(lot=lot, struck=False).order_by("time_s"):
        day = datetime.fromtimestamp(one.time_s, tz).date()
        days[day, one.point, one.depth_cm].append((one.time_s, one.temp_c))
    return {
        key: (
            min(temp for _, temp in rows),
            max(temp for _, temp in rows),
            pytest.approx(sum(temp for _, temp in rows)),
            len(rows),
            rows[0][0],
            rows[-1][0],
        )
        for key, rows in days.items()
    }


def stored(lot: Lot) -> dict:
    return {
        (one.day, one.point, one.depth_cm): (
            one.min_c, one.max_c, one.sum_c, one.count, one.first_s, one.last_s,
        )
        for one in DailySummary.objects.filter(lot=lot)
    }  # fmt: skip


ROW = st.tuples(
    # five days across the change of the clock on 8 March 2026, Los Angeles
    st.integers(0, 5 * 24 * 6).map(lambda tens: int(at(5).timestamp()) + tens * 600),
    st.sampled_from(["core", "edge", "1"]),
    st.sampled_from([None, 30.0, 60.0]),
    st.integers(-5, 75).map(float),
)


@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    files=st.lists(
        st.lists(ROW, min_size=1, max_size=40, unique_by=lambda row: row[:3]), max_size=4
    ),
    struck=st.integers(0, 3),
)
def test_summaries_are_what_brute_force_makes(yard: Yard, files, struck):
    with transaction.atomic():
        pile = yard.build(1, (yard.deliver(0, 100), None))
        for number, rows in enumerate(files):
            act = tend.logger_act(pile.code, f"{number}.csv", Columns.of_rows(rows), at(20))
            try:
                with transaction.atomic():
                    tend.log_readings(act, yard.lead, now=NOW)
            except YardError:
                pass  # contradicts an earlier file, or says nothing new
            assert stored(pile) == brute_force(pile)
        for entry in Entry.objects.filter(kind="readings")[:struck]:
            strike(entry.uuid, "wrong probe", yard.lead, now=NOW)
            assert stored(pile) == brute_force(pile)
        assert audit(deep=True).findings == ()
        transaction.set_rollback(True)


def logger(yard: Yard, pile: Lot, temps: list[float], first_s: int) -> tend.LogReadings:
    time_s = first_s + 600 * np.arange(len(temps))
    rows = [(int(when), "core", 45.0, temp) for when, temp in zip(time_s, temps, strict=True)]
    return tend.logger_act(pile.code, "probe.csv", Columns.of_rows(rows), at(30))


@pytest.fixture
def pile(yard: Yard) -> Lot:
    return yard.build(1, (yard.deliver(0, 100), None))


def test_a_file_sent_again_changes_nothing(yard: Yard, pile: Lot):
    first_s = int(at(2).timestamp())
    first = tend.log_readings(logger(yard, pile, [50.0, 51.0], first_s), yard.lead, now=NOW)
    again = tend.log_readings(logger(yard, pile, [50.0, 51.0], first_s), yard.lead, now=NOW)
    assert again == first
    longer = logger(yard, pile, [50.0, 51.0, 52.0], first_s)
    tend.log_readings(longer, yard.lead, now=NOW)
    assert Reading.objects.count() == 3
    (summary,) = DailySummary.objects.all()
    assert (summary.count, summary.mean_c) == (3, 51)
    with pytest.raises(FieldError, match="all 2 readings are there"):
        tend.log_readings(logger(yard, pile, [51.0, 52.0], first_s + 600), yard.lead, now=NOW)


def test_a_struck_file_can_be_sent_again(yard: Yard, pile: Lot):
    first_s = int(at(2).timestamp())
    entry = tend.log_readings(logger(yard, pile, [50.0], first_s), yard.lead, now=NOW)
    strike(entry.uuid, "wrong pile", yard.lead, now=NOW)
    assert not DailySummary.objects.exists()
    again = tend.log_readings(logger(yard, pile, [50.0], first_s), yard.lead, now=NOW)
    assert again != entry
    assert Reading.objects.filter(struck=False).count() == 1
    assert Reading.objects.count() == 2


def test_a_reading_that_contradicts_another_is_refused_whole(yard: Yard, pile: Lot):
    first_s = int(at(2).timestamp())
    tend.log_readings(logger(yard, pile, [50.0, 51.0], first_s), yard.lead, now=NOW)
    with pytest.raises(FieldError, match=r"core, 45 cm was read on .* as 51 °C already; 61 °C"):
        tend.log_readings(logger(yard, pile, [50.0, 61.0, 62.0], first_s), yard.lead, now=NOW)
    assert Reading.objects.count() == 2


@pytest.mark.parametrize(
    ("row", "field"),
    [
        ((2, "core", 45.0, 131.0 * 2), "columns.temp_c"),
        ((2, "core", 45.0, float("nan")), "columns.temp_c"),
        ((2, "core", -3.0, 60.0), "columns.depth_cm"),
        ((2, " core", 45.0, 60.0), "columns.point"),
        ((0.5, "core", 45.0, 60.0), "columns"),
        ((500, "core", 45.0, 60.0), "columns"),
    ],
)
def test_an_impossible_reading_is_refused(yard: Yard, pile: Lot, row, field):
    day, *rest = row
    columns = Columns.of_rows([(int(at(day).timestamp()), *rest)])
    with pytest.raises(FieldError) as refused:
        tend.log_readings(tend.logger_act(pile.code, "x.csv", columns, at(3)), yard.lead, now=NOW)
    assert refused.value.field == field
    assert not Reading.objects.exists()


def test_a_check_keeps_what_was_seen_and_the_last_day_is_found(yard: Yard, pile: Lot):
    act = tend.CheckLot(
        happened_at=at(3),
        lot=pile.code,
        temps=(
            tend.Temp(point="1", temp_c=58.0, depth_cm=30.0),
            tend.Temp(point="2", temp_c=49.0, depth_cm=30.0),
        ),
        squeeze="holds",
        smell="earthy",
        height_m=0.9,
    )
    tend.check(act, yard.lead, now=NOW)
    yard.read(9, pile, 44.0)
    temps = state.day_temps([pile.id], at(4))[pile.id]
    assert (temps.lowest_c, temps.highest_c, temps.count) == (49, 58, 2)
    assert temps.last_at == at(3)
    assert state.day_temps([pile.id])[pile.id].highest_c == 44
    assert state.last_checks([pile.id], at(4))[pile.id].smell == "earthy"


def test_a_day_of_the_site_has_23_hours_when_the_clock_goes_forward(yard: Yard):
    begins, ends = readings.day_bounds(datetime(2026, 3, 8).date(), Site.load().tz)
    assert ends - begins == 23 * 3600
    assert datetime.fromtimestamp(begins, UTC) == START.replace(day=8, hour=8)
    assert timedelta(seconds=ends - begins) < timedelta(days=1)


def test_a_mistyped_check_entered_again_counts_in_place_of_the_old_one(yard: Yard, pile: Lot):
    wrong = yard.read(3, pile, 16.0)
    right = tend.CheckLot(
        happened_at=at(3),
        lot=pile.code,
        temps=(tend.Temp(point="1", temp_c=61.0),),
        replaces=wrong.uuid,
        reason="digits swapped",
    )
    entry = tend.check(right, yard.lead, now=NOW)
    assert stored(pile) == brute_force(pile)
    assert state.day_temps([pile.id])[pile.id].highest_c == 61
    assert history.readings_of(wrong)[0][3] == 16
    assert history.readings_of(entry)[0][3] == 61
    assert [one.is_struck for one in history.entries(lot=pile, kinds=("check",))] == [False, True]
