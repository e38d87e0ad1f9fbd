"""Decisions of the day: which way each goes, what each costs, and that none contradicts another.

The heaps are invented; what is tested are directions, which hold whatever the exact figures, and
laws. The thresholds come from ``data/decisions.csv``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.science.decide_setup import (
    COOL,
    COVERS,
    FACTS,
    FINISHED,
    FROST,
    HANDFUL,
    HEAT,
    HOT,
    LEAFY,
    LOW,
    MEMBERS,
    RAIN,
    RICH,
    SODDEN,
    felt,
    heap,
    ingredient,
    proving,
)

from heapwright.data.decisions import decision_figures
from heapwright.science.decide import decide, settled
from heapwright.science.decide_asked import Decision, Other
from heapwright.science.decide_proof import (
    can_be_told,
    chance_by_day,
    in_short,
    met_days,
    points_of,
    read_at,
)
from heapwright.science.decide_ways import Seen, runner, standing
from heapwright.science.heap_shape import HeapShape
from heapwright.science.mixing import Part
from heapwright.science.pile_forecast import Act
from heapwright.science.sanitation import evaluate

T = FACTS.thresholds


def advised(asked) -> dict[str, Decision]:
    return {one.kind: one for one in decide(asked, FACTS)}


def figure(one: Decision, name: str):
    return next(each for each in one.compared if each.figure == name)


def turns(*days: float) -> tuple[Act, ...]:
    return tuple(Act(day, "turned") for day in days)


# --- water


def test_a_dry_heap_is_wetted_by_what_brings_it_to_its_aim():
    dry = heap(LEAFY, COOL, (18, 30, 40, 45, 44, 40, 36, 33), more=[felt(7.9, 30.0)])
    one = advised(dry)["wet"]
    assert one.why == ("dry",)
    moisture = figure(one, "moisture_pct")
    assert moisture.left.middle < FACTS.moisture.dry_pct
    assert moisture.done.middle == pytest.approx(FACTS.moisture.target_pct, abs=4.0)
    now = runner(dry.ensemble, dry.done, dry.now_hour, 1.0)((), ())
    d, w = float(np.median(now.dry_kg[0])), float(np.median(now.water_kg[0]))
    target = FACTS.moisture.target_pct / 100.0
    missing = target / (1.0 - target) * d - w
    assert missing < one.amount.litres < 1.6 * missing  # besides steam and what runs out
    assert one.amount.rounds >= 1
    assert figure(one, "core_c").gain.middle > T.heat_gain_c
    assert figure(one, "core_c").better > 0.9


def test_a_moist_or_wet_heap_is_not_told_to_be_wetted():
    for mix, moisture in ((RICH, 52.0), (RICH, 64.0), (SODDEN, 68.0)):
        asked = heap(mix, COOL, (20, 24, 26, 27, 26), more=[felt(4.9, moisture)])
        assert "wet" not in advised(asked)


def test_a_dry_open_heap_that_the_rain_wets_is_left_alone_and_not_covered():
    dry = heap(LEAFY, RAIN, (18, 30, 40, 45, 44, 40, 36, 33), more=[felt(7.9, 34.0)])
    found = advised(dry)
    assert "cover" not in found
    assert "wet" not in found


def test_a_sodden_airless_cold_heap_gets_dry_chips_turned_in():
    cold = heap(SODDEN, COOL, (18, 20, 22, 22, 21, 20, 20, 20), proof_days=0)
    found = advised(cold)
    one = found["add"]
    assert "too wet" in one.why
    assert figure(one, "moisture_pct").gain.middle < -T.moisture_gain_pct
    assert figure(one, "core_c").gain.middle > T.heat_gain_c
    assert 0.0 < one.amount.mass_kg <= 0.5 * 940.0
    assert "turn" not in found
    assert "wet" not in found


def test_chips_are_no_answer_where_none_dries_it_and_none_where_the_proof_is_met():
    cold = heap(SODDEN, COOL, (18, 20, 22, 22, 21, 20, 20, 20))
    wet_chips = replace(
        cold.dry, material=replace(cold.dry.material, moisture_pct=FACTS.moisture.target_pct + 1.0)
    )
    assert "add" not in advised(replace(cold, dry=wet_chips))
    assert "add" not in advised(replace(cold, proof_met=True))
    assert "add" not in advised(replace(cold, stage="curing"))


def test_raw_chips_cost_the_days_of_proof_that_were_credited():
    cold = heap(SODDEN, COOL, (18, 20, 22, 22, 21, 20, 20, 20), proof_days=3)
    assert advised(cold)["add"].proof_days_lost == 3


def test_no_more_goes_in_than_the_place_holds():
    cold = heap(SODDEN, COOL, (18, 20, 22, 22, 21, 20, 20, 20))
    free = advised(cold)["add"].amount
    now_m3 = float(np.median(runner(cold.ensemble, (), cold.now_hour, 1.0)((), ()).volume_m3[0]))
    full = advised(replace(cold, holds_m3=now_m3 + 0.3 * free.volume_m3))
    assert full.get("add") is None or full["add"].amount.volume_m3 <= 0.31 * free.volume_m3


# --- rain


def cured(weather, moisture_pct, **more):
    cooling = (25, 45, 55, 50, 45, 40, 36, 33, 30, 28, 25, 22, 20)
    return heap(RICH, weather, cooling, more=[felt(12.5, moisture_pct)], stage="curing", **more)


def test_an_open_moist_heap_is_covered_before_the_rain():
    one = advised(cured(RAIN, 61.0))["cover"]
    assert one.rain_mm == pytest.approx(T.rain_days * 8.0, rel=0.01)
    moisture = figure(one, "moisture_pct")
    assert moisture.done.middle < moisture.left.middle
    assert moisture.better < 0.2


def test_no_cover_without_rain_nor_over_what_is_covered():
    assert "cover" not in advised(cured(COOL, 61.0))
    assert "cover" not in advised(cured(RAIN, 61.0, cover="tarp"))


# --- turning


def test_turning_a_hot_small_heap_costs_heat_and_says_how_much():
    small = heap(
        [(name, 0.35 * kg) for name, kg in RICH],
        COOL,
        (25, 45, 56, 58, 57, 56, 56),
        shape=HeapShape("bay", 0.9, 0.9, 0.75),
        turns_needed=4,
        apart_days=3.0,
    )
    one = advised(small)["turn"]
    assert one.verdict != "do"
    assert figure(one, "core_c").gain.middle < 0.0
    assert figure(one, "hot_days").gain.middle <= 0.0
    back = next(chance for chance in one.chances if chance.of == "back")
    assert back.done < 1.0


def test_a_small_heap_loses_more_of_its_hot_days_than_a_big_one():
    lost = []
    for mix, shape in (
        ([(name, 0.35 * kg) for name, kg in RICH], HeapShape("bay", 0.9, 0.9, 0.75)),
        ([(name, 12.0 * kg) for name, kg in RICH], HeapShape("windrow", 3.0, 7.0, 1.5)),
    ):
        asked = heap(mix, COOL, (25, 45, 56, 58, 58, 58, 58), shape=shape)
        run = runner(asked.ensemble, (), asked.now_hour, T.ahead_days)
        left = run((), ())
        done = run(turns(asked.now_hour / 24.0), ())
        hot = [float(np.median(one.figure("hot_days", T.heat_days))) for one in (left, done)]
        lost.append((hot[0] - hot[1]) / max(hot[0], 1e-9))
    assert lost[0] > lost[1]


def test_a_turning_due_is_weighed_with_the_chance_of_proof_by_a_date():
    temps = (25, 45, 58, 60, 60, 59, 59, 59, 58)
    hot = heap(RICH, COOL, temps, turns_needed=5, apart_days=3.0, proving=proving(temps, turned=()))
    one = advised(hot)["turn"]
    later, done = one.ways
    assert later.name == "later"
    assert len(done.met_by) == round(T.ahead_days) + 1
    assert np.all(np.diff(done.met_by) >= 0.0)
    assert one.amount.wait_days == T.wait_days


def test_a_cold_dense_heap_without_chips_is_turned_where_that_heats_it():
    pressed = heap(
        [("food_scraps_mixed", 420), ("leaves_shredded", 170), ("wood_chips", 30)],
        COOL,
        (20, 30, 34, 33, 31, 30, 29, 28, 28, 27, 27, 26, 26, 26),
        dry=None,
    )
    run = runner(pressed.ensemble, (), pressed.now_hour, T.ahead_days)
    left, done = run((), ()), run(turns(pressed.now_hour / 24.0), ())
    gain = done.figure("core_c", T.heat_days) - left.figure("core_c", T.heat_days)
    found = advised(pressed)
    warmer = np.median(gain) >= T.heat_gain_c and (gain > 0).mean() >= T.sure_pct / 100.0
    stays_cold = (left.core_c.max(axis=0) >= 55.0).mean() < 0.5
    told = found.get("turn")
    assert (told is not None and told.verdict == "do" and told.why == ("stalled",)) == (
        warmer and stays_cold
    )


def test_filling_and_proven_heaps_are_not_turned_for_the_rule():
    for stage, met in (("filling", False), ("hot", True)):
        asked = heap(RICH, COOL, HOT, stage=stage, proof_met=met, turns_needed=4)
        assert "turn" not in advised(asked)


# --- size and cold


def small(name: str = "this", temps=(14, 16, 17, 17, 16)):
    return heap(HANDFUL, COOL, temps, shape=LOW)


def test_two_small_cold_heaps_are_put_together_where_that_makes_them_heat():
    this, other = small(), small("other", (15, 18, 19, 18, 17))
    there = standing(other.ensemble, other.done, other.now_hour).end
    found = advised(replace(this, others=(Other("K-002", there, 0.0),)))
    one = found["combine"]
    assert one.amount.other == "K-002"
    heats = one.chances[0]
    assert heats.of == "heats"
    assert heats.done - heats.left >= T.chance_gain_pct / 100.0
    assert not {"build up", "turn"} & set(found)


def test_what_heats_by_itself_is_not_put_together():
    this, other = small(), small()
    there = standing(other.ensemble, other.done, other.now_hour).end
    found = advised(replace(this, others=(Other("K-002", there, 1.0),)))
    assert "combine" not in found


def test_heaps_are_not_put_together_beyond_what_the_place_holds():
    this, other = small(), small()
    there = standing(other.ensemble, other.done, other.now_hour).end
    asked = replace(this, others=(Other("K-002", there, 0.0),), holds_m3=0.5)
    assert not {"combine", "build up"} & set(advised(asked))


def test_more_air_is_no_reason_for_chips_where_air_does_not_lack(some_heap):
    asked = replace(some_heap, turns_needed=0)

    def kinds(oxygen_left: float, proof_days: int = 0) -> set[str]:
        def run(acts, events):
            added = any(act.name == "added" for act in acts)
            rng = np.random.default_rng(1)
            return seen(rng, 14.0, 58.0 if added else 68.0, oxygen_left + 6.0 * added, 1.5)

        heap = replace(asked, proof_days=proof_days)
        return {one.kind for one in decide(heap, FACTS, run=run)}

    assert "add" in kinds(1.0)
    assert "add" not in kinds(1.0, proof_days=4)  # air alone is not worth four days of proof
    assert "add" not in kinds(10.0)  # it breathes, and chips do not make it warmer


def test_a_heap_that_is_being_filled_grows_by_itself():
    this = replace(small(), stage="filling")
    part = Part(ingredient("food_scraps_mixed"), 5.0)
    fed = replace(this, done=(Act(this.now_hour / 24.0 - 1.0, "added", parts=(part,)),))
    assert this.now_hour / 24.0 < T.filling_days
    assert "build up" not in advised(this)
    long_ago = replace(FACTS, thresholds=replace(T, filling_days=2.0))
    assert "build up" in {one.kind for one in decide(this, long_ago)}
    assert "build up" not in {one.kind for one in decide(fed, long_ago)}


def test_a_small_cold_heap_alone_is_built_up_as_little_as_makes_it_heat():
    found = advised(small())
    one = found["build up"]
    assert one.chances[0].done >= T.likely_pct / 100.0
    assert one.amount.height_m > LOW.height_m
    now = runner(small().ensemble, (), small().now_hour, 1.0)((), ())
    total = float(np.median(now.volume_m3[0])) + one.amount.volume_m3
    assert total == pytest.approx(FACTS.least_pile_m3) or total >= T.small_m3


def test_a_big_heap_is_neither_built_up_nor_combined():
    this = heap(RICH, COOL, (14, 15, 15, 15, 14))
    there = standing(this.ensemble, this.done, this.now_hour).end
    found = advised(replace(this, others=(Other("K-002", there, 0.0),)))
    assert not {"combine", "build up"} & set(found)


def test_the_cold_is_kept_off_in_frost_and_not_in_summer():
    temps = (25, 45, 56, 57, 56, 55, 55)
    shape, mix = HeapShape("bay", 0.9, 0.9, 0.75), [(name, 0.35 * kg) for name, kg in RICH]
    one = advised(heap(mix, FROST, temps, shape=shape))["insulate"]
    hot = figure(one, "hot_days")
    assert hot.gain.middle >= T.hot_gain_days
    assert "insulate" not in advised(heap(mix, HEAT, temps, shape=shape))


# --- done


def test_a_finished_proven_heap_is_let_cure():
    asked = heap(RICH, COOL, FINISHED, acts=turns(5, 9, 13, 17, 22), proof_met=True)
    found = advised(asked)
    assert set(found) == {"cure"}
    assert found["cure"].verdict == "do"
    assert figure(found["cure"], "peak_c").done.middle < FACTS.cooled_c


def test_a_proven_heap_that_would_heat_again_is_told_to_wait():
    asked = heap(RICH, HEAT, HOT, proof_met=True)
    one = advised(asked)["cure"]
    assert one.verdict == "wait"
    assert one.why == ("heats again",)


def test_an_unproven_heap_is_never_let_cure():
    asked = heap(RICH, COOL, FINISHED, acts=turns(5, 9, 13, 17, 22), proof_met=False)
    assert "cure" not in advised(asked)


# --- fire


WINDROW = HeapShape("windrow", 3.0, 8.0, 1.6)


def test_a_hot_dry_heap_is_watched_for_fire_and_wetted():
    asked = heap(
        [(name, 4.0 * kg) for name, kg in (("food_scraps_mixed", 200.0), ("leaves_shredded", 200.0),
                                           ("wood_chips", 80.0))],
        HEAT, (35, 55, 68, 70, 71, 71, 72), shape=WINDROW, more=[felt(6.9, 32.0)],
    )  # fmt: skip
    found = advised(asked)
    assert found["fire"].why[0] == "very hot"
    assert "turn" not in found
    assert "insulate" not in found
    assert found["wet"].amount.litres > T.least_water_l


def test_above_the_fire_alarm_nobody_is_told_to_wet_it():
    asked = heap(LEAFY, HEAT, (35, 55, 68, 70, 71, 75, 82), more=[felt(6.9, 32.0)])
    found = advised(asked)
    assert "fire" in found
    assert "wet" not in found


def test_an_ordinary_hot_heap_is_no_fire():
    assert "fire" not in advised(heap(RICH, COOL, HOT))


# --- what holds whatever the heap


def test_a_plain_ensemble_is_asked_too():
    found = decide(heap(RICH, COOL, turns_needed=5, apart_days=3.0), FACTS)
    assert {one.kind for one in found} <= {"turn"}


def test_members_are_paired_so_that_doing_nothing_changes_nothing():
    asked = heap(RICH, COOL, HOT)
    run = runner(asked.ensemble, asked.done, asked.now_hour, T.ahead_days)
    one, other = run((), ()), run((), ())
    np.testing.assert_array_equal(one.core_c, other.core_c)
    np.testing.assert_array_equal(one.moisture_pct, other.moisture_pct)


def test_what_was_done_since_the_last_reading_counts():
    acts = (*turns(3.0), Act(7.1, "wetted", litres=80.0))
    asked = heap(RICH, COOL, HOT, acts=acts)
    bare = heap(RICH, COOL, HOT, acts=acts[:1])
    wet, dry = (runner(one.ensemble, one.done, one.now_hour, 2.0)((), ()) for one in (asked, bare))
    more = np.median(wet.water_kg[0] - dry.water_kg[0])
    assert more == pytest.approx(80.0, abs=6.0)


def test_no_core_is_heated_above_where_its_life_stops():
    asked = heap(RICH, FROST, HOT)
    run = runner(asked.ensemble, asked.done, asked.now_hour, T.ahead_days)
    figures = asked.ensemble.members.parameters
    most = np.maximum(asked.ensemble.ceiling_c, figures["t_max_c"]) + 0.5
    blanket = replace(COVERS["open"], r_m2k_w=5.0)
    wrapped = run((Act(asked.now_hour / 24.0, "covered", cover=blanket),), ())
    assert np.all(wrapped.core_c <= most + 1e-9)


CONTRADICTIONS = (
    {"wet", "add"}, {"wet", "cover"}, {"cure", "turn"}, {"cure", "wet"}, {"cure", "add"},
    {"cure", "insulate"}, {"cure", "combine"}, {"cure", "build up"}, {"cover", "insulate"},
    {"combine", "build up"}, {"fire", "insulate"}, {"fire", "turn"}, {"fire", "cover"},
    {"fire", "combine"}, {"fire", "build up"}, {"fire", "add"}, {"fire", "cure"},
)  # fmt: skip
"""Written down here anew: what no colleague would ask of one heap on one day."""

TURNS = {"wet", "add", "combine", "build up", "turn"}
"""Each of these turns the heap; more than one of them is the same work asked twice."""


def contradicts(found: tuple[Decision, ...]) -> list[object]:
    kinds = {one.kind for one in found if one.verdict == "do"}
    waits = {one.kind for one in found if one.verdict == "wait"}
    faults: list[object] = [pair for pair in CONTRADICTIONS if pair <= kinds]
    if len(kinds & TURNS) > 1:
        faults.append(kinds & TURNS)
    if "turn" in waits and kinds & TURNS:
        faults.append(("waits", kinds & TURNS))
    if "cure" in waits and "turn" in kinds:
        faults.append(("finish heating", "turn"))
    if len([one.kind for one in found]) != len({one.kind for one in found}):
        faults.append("one kind twice")
    return faults


@pytest.fixture(scope="module")
def some_heap():
    return heap(RICH, {**FROST, "rain_mm_day": 6.0}, HOT, turns_needed=4, apart_days=3.0)


def seen(draw_from: np.random.Generator, core, moisture, oxygen, volume) -> Seen:
    """Return what some ensemble might show: each member anywhere about the levels given."""
    hours = 24.0 * 7.2 + 3.0 * np.arange(113)
    about = draw_from.standard_normal((len(hours), MEMBERS)).cumsum(axis=0) * 0.4
    core_c = np.clip(core + about, 0.0, 80.0)
    moist = np.clip(moisture + 0.2 * about, 5.0, 90.0)
    dry = np.full(core_c.shape, 300.0 * volume)
    return Seen(
        hours=hours,
        core_c=core_c,
        shell_c=0.7 * core_c,
        moisture_pct=moist,
        oxygen_pct=np.clip(oxygen + 0.2 * about, 0.0, 21.0),
        air_space=np.full(core_c.shape, 0.4),
        volume_m3=np.full(core_c.shape, volume),
        dry_kg=dry,
        water_kg=dry * moist / (100.0 - moist),
        drained_kg=np.abs(about[-1]) * draw_from.integers(0, 40),
    )


def random_answer(some_heap, seed, core, moisture, oxygen, volume, stage, met, needed, read):
    """Return what is decided on an ensemble that shows anything, whatever is done to it."""
    rng = np.random.default_rng(seed)
    end = some_heap.ensemble.end
    asked = replace(
        some_heap, stage=stage, proof_met=met, turns_needed=needed, read_c=read,
        others=(Other("K-002", end, float(rng.uniform(0.0, 0.3))),),
    )  # fmt: skip

    def run(acts, events):
        acted = bool(acts or events)
        return seen(
            rng, core + acted * rng.uniform(-15.0, 35.0), moisture + acted * rng.uniform(-12, 12),
            oxygen + acted * rng.uniform(-3.0, 8.0), volume,
        )  # fmt: skip

    return decide(asked, FACTS, run=run)


STATES = {
    "core": st.floats(5.0, 74.0),
    "moisture": st.floats(20.0, 80.0),
    "oxygen": st.floats(0.0, 21.0),
    "volume": st.floats(0.2, 3.0),
    "stage": st.sampled_from(["filling", "hot", "curing"]),
    "met": st.booleans(),
    "needed": st.integers(0, 5),
    "read": st.one_of(st.none(), st.floats(5.0, 84.0)),
}


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**32 - 1), **STATES)
def test_no_advice_contradicts_another_for_the_same_heap_and_day(some_heap, seed, **state):
    found = random_answer(some_heap, seed, **state)
    assert contradicts(found) == []
    if state["met"] or state["stage"] == "curing":
        assert not {"add", "combine", "build up"} & {one.kind for one in found}
    for one in found:
        assert one.why
        assert set(one.rests_on) <= set(decision_figures())
        assert len(one.ways) == 2
        assert 0.0 <= one.sure <= 1.0


def test_the_random_heaps_of_that_law_reach_every_kind_of_advice(some_heap):
    rng = np.random.default_rng(5)
    reached = set()
    for seed in range(1200):
        cold = seed % 2 == 0
        found = random_answer(
            some_heap, seed,
            core=rng.uniform(5.0, 35.0) if cold else rng.uniform(30.0, 74.0),
            moisture=rng.uniform(20.0, 80.0), oxygen=rng.uniform(0.0, 21.0),
            volume=rng.uniform(0.2, 3.0), stage=["filling", "hot", "curing"][seed % 5 % 3],
            met=seed % 7 == 0, needed=seed % 4, read=rng.uniform(5.0, 84.0),
        )  # fmt: skip
        reached |= {one.kind for one in found}
    assert reached == {
        "fire", "cure", "wet", "add", "cover", "combine", "build up", "turn", "insulate",
    }  # fmt: skip


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["fire", "cure", "wet", "add", "cover", "combine", "build up", "turn",
                             "insulate"]),
            st.sampled_from(["do", "wait", "weigh"]),
        ),
        unique_by=lambda one: one[0],
    )
)  # fmt: skip
def test_settling_keeps_the_first_and_never_what_contradicts_it(stated):
    given_ = [Decision(kind, verdict, ("dry",), 1.0) for kind, verdict in stated]
    kept = settled(given_)
    kinds = {one.kind for one in kept if one.verdict == "do"}
    assert not [pair for pair in CONTRADICTIONS if pair <= kinds]
    assert len(kinds & TURNS) <= 1
    assert list(kept) == [one for one in given_ if one in kept]
    assert not given_ or kept[0] is given_[0]


def test_figures_are_of_pairs():
    asked = heap(RICH, COOL, HOT, turns_needed=4, apart_days=3.0)
    one = advised(asked)["turn"]
    for each in one.compared:
        assert each.left.low <= each.left.middle <= each.left.high
        assert each.gain.low <= each.gain.middle <= each.gain.high
        assert 0.0 <= each.better <= 1.0


# --- the chance of proof


TEMPS = (25, 45, 58, 60, 60, 59, 59, 59, 58)


@pytest.mark.parametrize("rule", ["US-FDA-T", "US-PFRP-W", "NY-W"])
@pytest.mark.parametrize("level_c", [50.0, 55.5, 62.0])
def test_a_member_is_judged_as_its_log_would_be(rule, level_c):
    told = proving(TEMPS, turned=(3.2, 6.2), days=14, rule=rule)
    assert can_be_told(told.rule)
    rng = np.random.default_rng(4)
    hours = 24.0 * 9.2 + 3.0 * np.arange(118)
    core = level_c + rng.standard_normal((len(hours), 12)).cumsum(axis=0) * 0.3
    acts = (24.0 * 9.3, 24.0 * 12.3, 24.0 * 15.3)
    found = met_days(told, hours, core, core, acts)
    read = read_at(np.asarray(told.hours), hours, core, acts)
    first = told.log.clock.day(told.built_s + round(told.hours[0] * 3600))
    for member in range(12):
        log = with_readings(told, read[:, member], acts)
        proof = evaluate(log, (told.rule,), told.stated, told.terms)[0]
        expected = np.inf
        if proof.verdict == "met":
            expected = max(proof.met_at.toordinal() - 719163 - first, 0)
        assert found[member] == expected


def with_readings(told, temps, acts):
    from heapwright.science.daily import Act as LogAct
    from heapwright.science.daily import Log, Readings

    old = told.log.readings
    time_s = told.built_s + np.round(np.asarray(told.hours) * 3600).astype(np.int64)
    return Log(
        Readings(
            np.concatenate([old.time_s, time_s]),
            np.zeros(len(old.time_s) + len(time_s), dtype=np.int64),
            np.concatenate([old.temp_c, temps]),
            None,
            ("1",),
        ),
        tuple(
            sorted(
                (
                    *told.log.acts,
                    *(LogAct(told.built_s + round(hour * 3600), "turned") for hour in acts),
                ),
                key=lambda act: act.time_s,
            )
        ),
        told.log.clock,
    )


def test_a_hot_heap_meets_the_rule_surely_and_a_cold_one_never():
    told = proving(TEMPS, turned=(3.2, 5.2, 6.2, 7.2), days=14)
    hours = 24.0 * 9.2 + 3.0 * np.arange(118)
    hot, cold = np.full((118, 5), 62.0), np.full((118, 5), 30.0)
    acts = tuple(24.0 * day for day in (10.3, 13.3, 16.3))
    sure = chance_by_day(met_days(told, hours, hot, hot, acts), 15)
    never = chance_by_day(met_days(told, hours, cold, cold, acts), 15)
    assert sure[-1] == 1.0
    assert sure[0] == 0.0
    assert set(never) == {0.0}


def test_a_log_in_short_is_judged_as_the_whole():
    from heapwright.data.sanitation import rules, terms
    from heapwright.science.daily import Act as LogAct
    from heapwright.science.daily import Log, Readings
    from heapwright.science.periods import Stated

    rng = np.random.default_rng(11)
    days, per_day = 24, 96
    time_s = np.repeat(1_700_000_000 + 900 * np.arange(days * per_day), 2).astype(np.int64)
    temps = 54.0 + 6.0 * rng.random(len(time_s))
    log = Log(
        Readings(time_s, np.tile([0, 1], days * per_day), temps, None, ("a", "b")),
        (
            LogAct(int(time_s[0]), "built"),
            LogAct(int(time_s[0]) + 3 * 86_400, "added"),
            *(LogAct(int(time_s[0]) + day * 86_400, "turned") for day in (5, 8, 11, 14, 17)),
        ),
    )
    short = in_short(log)
    assert len(short.readings.time_s) < 0.3 * len(time_s)
    for rule in ("US-FDA-T", "US-PFRP-W", "NY-W"):
        one, other = (
            evaluate(each, (rules()[rule],), Stated(method="turned"), terms())[0]
            for each in (log, short)
        )
        assert (one.verdict, one.met_at, one.turnings_credited) == (
            other.verdict, other.met_at, other.turnings_credited,
        )  # fmt: skip


def test_points_to_be_read_are_those_read_often():
    told = proving(TEMPS)
    assert points_of(told.log) == (("1", None),)


def test_a_reading_before_a_turning_is_not_cooled_by_it():
    hours = np.array([0.0, 3.0, 6.0])
    values = np.array([[60.0], [40.0], [45.0]])
    found = read_at(np.array([1.0, 2.5, 4.5]), hours, values, turns=(2.0,))
    np.testing.assert_allclose(found[:, 0], [60.0, 40.0, 42.5])
