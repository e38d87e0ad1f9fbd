"""The story as acts: the same each time, told on without a seam, with its troubles in it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import takewhile
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heapwright.demo import climate, finishing, site, story
from heapwright.demo.books import Written
from heapwright.demo.heat import HIGHEST_C, Heat
from heapwright.demo.plan import Plan
from heapwright.yard import mix, receive, tend, use

FIRST = date(2025, 11, 26)
TROUBLES = {
    "wet month", "holiday gap", "late scraps", "one turning short", "never heated",
    "contaminated delivery", "struck and entered again", "struck turning",
}  # fmt: skip


def acts(first: date, days: int, seed: int = 1) -> list[Written]:
    plan = Plan(first, seed=seed)
    end = datetime(first.year, first.month, first.day, 15, 30, tzinfo=UTC) + timedelta(days=days)
    return list(takewhile(lambda one: one.recorded_at <= end, plan.acts()))


def test_the_same_seed_and_day_give_the_same_acts_and_another_seed_others():
    once, again = acts(FIRST, 364), acts(FIRST, 364)
    assert once == again
    assert once != acts(FIRST, 364, seed=2)


def test_a_longer_story_begins_with_the_shorter_one():
    short, long = acts(FIRST, 200), acts(FIRST, 364)
    assert long[: len(short)] == short


@pytest.mark.parametrize(
    "today",
    [date(2026, month, day) for month in range(1, 13) for day in (6, 20)] + [date(2028, 2, 29)],
)
def test_on_any_day_of_the_year_the_story_has_its_troubles_and_its_rhythm(today):
    now = datetime(today.year, today.month, today.day, 20, tzinfo=UTC)
    troubles = story.troubles(now)
    assert troubles.keys() >= TROUBLES
    first = story.first_day(today)
    assert all(first <= one.day <= today for one in troubles.values())
    written = acts(first, 364)
    times = [one.recorded_at for one in written]
    assert times == sorted(times)
    builds = [one.act for one in written if isinstance(one.act, mix.BuildPile)]
    assert 365 / 13 <= len(builds) <= 365 / 8.5
    assert (
        len({one.act.id for one in written if isinstance(one.act, receive.ReceiveDelivery)}) > 250
    )
    checks = [one.act for one in written if isinstance(one.act, tend.CheckLot)]
    assert len(checks) > 1000
    assert all(len(check.temps) == 3 for check in checks)
    gone: set[str] = set()
    for act in (one.act for one in written):
        assert getattr(act, "lot", "") not in gone  # screened, so nothing of it is left
        if isinstance(act, use.Screen):
            gone.add(act.lot)
    assert len(gone) > 15


def test_compost_of_a_pile_that_was_not_proven_goes_to_nothing_that_is_eaten():
    unproven, used = set(), []
    plan = Plan(FIRST)
    end = datetime(FIRST.year, FIRST.month, FIRST.day, 15, 30, tzinfo=UTC) + timedelta(days=364)
    for written in plan.acts():
        if written.recorded_at > end:
            break
        act = written.act
        faulty = {
            plan.troubles[name].lot
            for name in ("one turning short", "late scraps")
            if name in plan.troubles
        } | {"K-001"}
        if isinstance(act, use.Screen) and act.lot in faulty:
            unproven.add(act.compost.code)
        if isinstance(act, use.UseCompost) and act.lot in unproven:
            used.append(act)
    assert len(unproven) >= 3
    assert used
    assert {(act.bed, act.person) for act in used} == {("", finishing.BORDERS)}


def test_nobody_writes_anything_while_the_yard_is_closed():
    closed = climate.closures(FIRST)
    assert closed
    days = {one.recorded_at.astimezone(ZoneInfo(site.ZONE)).date() for one in acts(FIRST, 364)}
    for begins, ends in closed:
        assert begins - timedelta(days=1) in days
        assert not [day for day in days if begins <= day <= ends]


@given(st.dates(date(2020, 1, 1), date(2060, 1, 1)))
@settings(max_examples=300, deadline=None)
def test_every_year_has_a_wet_month_and_a_closure_well_inside(first):
    low, high = climate.WITHIN
    begins, ends = climate.wet_month(first)
    assert (ends - begins).days == climate.WET_DAYS - 1
    assert low <= (begins - first).days
    assert (ends - first).days <= high
    closed = climate.closures(first)
    assert closed
    assert all(low <= (one - first).days <= high for one, _last in closed)


def test_a_good_heap_heats_within_days_cools_within_weeks_and_dips_when_turned():
    heat = Heat(15.0)
    course = []
    for day in range(60):
        heat.day(11.0, soaked=False)
        course.append(heat.core_c)
        if day == 9:
            before = heat.core_c
            heat.turn(11.0)
            assert heat.core_c < before - 15
    assert course[2] > 55
    assert max(course) <= HIGHEST_C
    assert course[11] > 55
    assert course[59] < 45
    poor = Heat(15.0, vigour=0.42)
    for _day in range(30):
        poor.day(11.0, soaked=False)
        assert poor.core_c < 45
