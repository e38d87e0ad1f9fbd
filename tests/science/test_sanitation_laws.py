"""Laws of proof: evidence that is missing or bad never helps, and only dates depend on dates."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.science.proof_logs import make_log, seconds

from heapwright.data.sanitation import rules, terms
from heapwright.science.daily import DAY_S, Act, Log, Readings
from heapwright.science.sanitation import Proof, Stated, evaluate

ALL = list(rules().values())
POINT_NAMES = ("core", "edge", "base")


@st.composite
def logs(draw: st.DrawFn) -> Log:
    """Return a log of up to four weeks: most days hot, some missed, turned now and then."""
    days = draw(st.integers(1, 28))
    temp = st.sampled_from([30.0, 50.0, 54.9, 55.0, 57.0, 62.0, 66.0, 71.0, 78.0])
    mostly = st.one_of(st.just(57.0), st.just(62.0), st.just(71.0), temp)
    temps = [draw(mostly) if draw(st.integers(0, 9)) else None for _ in range(days)]
    turned = draw(st.lists(st.integers(1, days), max_size=8))
    kinds = st.sampled_from(["added", "combined", "covered", "moved"])
    acts = draw(
        st.lists(
            st.tuples(st.integers(1, days), st.sampled_from([6.0, 9.0, 20.0]), kinds), max_size=2
        )
    )
    points = POINT_NAMES[: draw(st.integers(1, 3))]
    more = draw(
        st.lists(
            st.tuples(
                st.integers(1, days),
                st.floats(0.0, 23.9),
                st.sampled_from(["core", "corner"]),
                temp,
            ),
            max_size=4,
        )
    )
    return make_log(
        temps,
        turned=turned,
        acts=acts,
        points=points,
        more=more,
        depth_cm=draw(st.sampled_from([None, 40.0, 45.0])),
        turn_hour=draw(st.sampled_from([6.0, 10.0])),
        built=draw(st.booleans()),
    )


@st.composite
def statements(draw: st.DrawFn) -> Stated:
    return Stated(
        method=draw(st.sampled_from([None, "turned", "aerated", "vessel"])),
        insulation_cm=draw(st.sampled_from([None, 10.0, 20.0])),
        probe_error_c=draw(st.sampled_from([0.0, 1.0])),
        zone=draw(st.sampled_from([None, "core", "all"])),
        points=draw(st.sampled_from([None, 1, 2, 3])),
    )


def with_reading(log: Log, time_s: int, point: str, temp_c: float) -> Log:
    old = log.readings
    points = old.points if point in old.points else (*old.points, point)
    return replace(
        log,
        readings=Readings(
            np.append(old.time_s, time_s),
            np.append(old.point, points.index(point)).astype(np.int16),
            np.append(old.temp_c, temp_c),
            None if old.depth_cm is None else np.append(old.depth_cm, 40.0),
            points,
        ),
    )


def essence(proof: Proof) -> dict[str, Any]:
    """Return a proof without its dates."""
    return {
        "verdict": proof.verdict,
        "counts": [(day.lowest_temp_c, day.counts) for day in proof.days],
        "credited": (proof.days_credited, proof.longest_run_days, proof.turnings_credited),
        "turns": [(turn.credited, turn.why) for turn in proof.turns],
        "gaps": len(proof.gaps),
        "to_do": len(proof.to_do),
    }


@settings(max_examples=150, deadline=None)
@given(
    logs(),
    statements(),
    st.integers(1, 28),
    st.floats(0.0, 23.9),
    st.sampled_from([*POINT_NAMES, "corner", "new"]),
    st.sampled_from([0.0, 38.0]),
)
def test_a_reading_below_the_limit_never_helps(
    log: Log, stated: Stated, day: int, hour: float, point: str, temp: float
) -> None:
    before = evaluate(log, ALL, stated, terms())
    after = evaluate(with_reading(log, seconds(day, hour), point, temp), ALL, stated, terms())
    for old, new in zip(before, after, strict=True):
        assert not (new.verdict == "met" and old.verdict != "met"), old.rule.id
        assert new.days_credited <= old.days_credited, old.rule.id
        assert new.longest_run_days <= old.longest_run_days, old.rule.id
        assert new.turnings_credited <= old.turnings_credited, old.rule.id


@settings(max_examples=100, deadline=None)
@given(logs(), statements(), st.data())
def test_removing_a_turning_never_helps(log: Log, stated: Stated, data: st.DataObject) -> None:
    turned = [act for act in log.acts if act.kind == "turned"]
    if not turned:
        return
    # The last row of a log ends it, so a turning after the last reading stays.
    last = int(log.readings.time_s.max(initial=0))
    gone = data.draw(st.sampled_from(turned))
    if gone.time_s > last or (not any(act.kind == "built" for act in log.acts)):
        return
    acts = list(log.acts)
    acts.remove(gone)
    before = evaluate(log, ALL, stated, terms())
    after = evaluate(replace(log, acts=tuple(acts)), ALL, stated, terms())
    for old, new in zip(before, after, strict=True):
        assert not (new.verdict == "met" and old.verdict != "met"), old.rule.id
        assert new.turnings_credited <= old.turnings_credited
        assert new.days_credited == old.days_credited


@settings(max_examples=75, deadline=None)
@given(logs(), statements(), st.integers(-2000, 2000))
def test_shifting_the_log_by_whole_days_changes_only_dates(
    log: Log, stated: Stated, days: int
) -> None:
    moved = replace(
        log,
        readings=replace(log.readings, time_s=log.readings.time_s + days * DAY_S),
        acts=tuple(Act(act.time_s + days * DAY_S, act.kind) for act in log.acts),
    )
    before = evaluate(log, ALL, stated, terms())
    after = evaluate(moved, ALL, stated, terms())
    for old, new in zip(before, after, strict=True):
        assert essence(new) == essence(old)
        for attribute in ("met_at", "earliest_possible"):
            was, is_now = getattr(old, attribute), getattr(new, attribute)
            assert (was is None) == (is_now is None)
            if was is not None:
                assert is_now - was == timedelta(days=days)


@settings(max_examples=75, deadline=None)
@given(logs(), statements(), st.randoms(use_true_random=False))
def test_the_order_of_rows_is_of_no_matter(log: Log, stated: Stated, random: Any) -> None:
    order = list(range(len(log.readings.time_s)))
    random.shuffle(order)
    acts = list(log.acts)
    random.shuffle(acts)
    old = log.readings
    shuffled = replace(
        log,
        readings=Readings(
            old.time_s[order],
            old.point[order],
            old.temp_c[order],
            None if old.depth_cm is None else old.depth_cm[order],
            old.points,
        ),
        acts=tuple(acts),
    )
    assert evaluate(shuffled, ALL, stated, terms()) == evaluate(log, ALL, stated, terms())


@settings(max_examples=100, deadline=None)
@given(logs(), statements())
def test_the_earliest_date_is_reached_by_hot_days_and_turnings(log: Log, stated: Stated) -> None:
    """The date that is promised holds: log every day hot and turned, and the rule is met then."""
    for proof in evaluate(log, ALL, stated, terms()):
        rule = proof.rule
        if (
            rule.judged_by != "days"
            or proof.verdict not in ("not yet", "cannot be shown")
            or proof.earliest_possible is None
            or rule.peak_temp_c is not None
            or stated.points is not None
        ):
            continue
        end = proof.days[-1].date if proof.days else None
        if end is None or not proof.required_points:
            continue
        grown = log
        top = rule.max_temp_c or 80.0
        hot = min(rule.min_temp_c + 5.0, top - 2.0) if rule.mean_temp_c is None else 90.0
        acts = list(log.acts)
        # A last day without a reading yet is still to be read.
        day = end if proof.days[-1].lowest_temp_c is not None else end - timedelta(days=1)
        while day < proof.earliest_possible:
            day += timedelta(days=1)
            noon = (day.toordinal() - 719_163) * DAY_S + 12 * 3600
            for point in proof.required_points:
                grown = with_reading(grown, noon, point, hot)
            acts.append(Act(noon + 60, "turned"))
        if rule.depth_low_cm is not None and log.readings.depth_cm is None:
            continue
        if rule.cover_cm:
            continue
        if stated.method not in rule.methods and "turned" not in rule.methods:
            continue
        if rule.all_zones and stated.zone != "all":
            continue
        later = evaluate(replace(grown, acts=tuple(acts)), [rule], stated, terms())[0]
        assert later.verdict == "met", (rule.id, proof.earliest_possible, later.gaps)
        assert later.met_at == proof.earliest_possible, rule.id
