"""Today's tasks: each maker on plain records, their order and merging, and a look at real ones.

The bounds come from the tables (65, 70 and 80 °C of ``pile_alarms.csv``; 40 °C of
``proof_terms.csv``; 21 days, 7 days and 25 mm of ``today.csv``; storage lives of
``storage_life.csv``), which cite Surrey's fire service, CCME 2005 and this project's judgement.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from tests.yard.acting import NOW, Yard, at, kg

from heapwright.data import materials
from heapwright.data.sanitation import rules
from heapwright.data.today import chosen_rule, figure
from heapwright.science.periods import Stated
from heapwright.science.sanitation import DayRecord, Proof
from heapwright.yard import receive, tend, today
from heapwright.yard.acts import first_lot
from heapwright.yard.models import Check, Entry, Kind, Place, Site
from heapwright.yard.state import DayTemp, LotState
from heapwright.yard.strike import strike
from heapwright.yard.today import DayWeather, Heap, Rank, Sight, Waiting, plain, tasks

TZ = ZoneInfo("America/Los_Angeles")
NOON = datetime(2026, 3, 17, 12, 0, tzinfo=TZ)
TODAY = NOON.date()
BAY = Place(id=1, code="B1", name="Bay 1", kind="bay", width_m=1.2, depth_m=1.2, height_m=1.2)
PAD = Place(id=2, code="CP", name="Curing pad", kind="curing", width_m=4, depth_m=3)
BUNKER = Place(id=3, code="S1", name="Bunker", kind="stockpile", width_m=2, depth_m=2)
RULE = rules()[chosen_rule().rule]


def ago(days: float) -> datetime:
    return NOON - timedelta(days=days)


def lot(code: str = "K-001", **more: object) -> LotState:
    given = {
        "id": 1,
        "code": code,
        "kind": "pile",
        "mass_kg": 500.0,
        "volume_m3": 1.2,
        "begun_at": ago(10),
        "place": BAY,
        "cover": "tarp",
        "stage": "hot",
        "stage_at": ago(10),
        "filled_at": ago(10),
        "proof_from": ago(10),
        "restarts": (),
        "material_id": "",
        "source": "",
        "contamination": "",
        "last": {},
    }
    return LotState(**{**given, **more})


def read(highest_c: float, lowest_c: float | None = None, days: float = 0.1) -> DayTemp:
    when = ago(days)
    return DayTemp(when.date(), highest_c if lowest_c is None else lowest_c, highest_c, 3, when)


def proof(*lows: float | None, verdict: str = "not yet", turnings: int = 0) -> Proof:
    """Return a proof whose last day is today; a day counts from 55 °C on."""
    days = tuple(
        DayRecord(TODAY - timedelta(days=len(lows) - 1 - n), low, (low or 0) >= 55, "")
        for n, low in enumerate(lows)
    )
    return Proof(
        rule=RULE,
        verdict=verdict,
        met_at=TODAY if verdict == "met" else None,
        days_credited=sum(day.counts for day in days),
        longest_run_days=0,
        current_run_days=0,
        turnings_credited=turnings,
        turnings_needed=RULE.turnings,
        turnings_left=max(RULE.turnings - turnings, 0),
        earliest_possible=None,
        period_start=None,
        gaps=(),
        notes=(),
        to_do=(),
        days=days,
        turns=(),
        required_points=(),
        stated=Stated(),
    )


def seen(days: float, **felt: str) -> Check:
    return Check(entry=Entry(kind=Kind.CHECK, happened_at=ago(days)), **felt)


def sight(*heaps: Heap, waiting: tuple[Waiting, ...] = (), **more: object) -> Sight:
    browns = Waiting(
        lot("D-099", id=99, kind="stock", place=BUNKER, stage="", volume_m3=50.0),
        materials()["leaves_loose"],
    )
    return Sight(NOON, TZ, heaps, (browns, *waiting), **more)


def only(found: tuple[today.Task, ...]) -> today.Task:
    assert len(found) == 1, [task.title for task in found]
    return found[0]


def stock(code: str, material: str, days: float, **more: object) -> Waiting:
    state = lot(
        code,
        kind="stock",
        place=BUNKER,
        stage="",
        begun_at=ago(days),
        material_id=material,
        **{"id": 5, "mass_kg": 80.0, "volume_m3": 0.2, **more},
    )
    return Waiting(state, materials()[material])


# --- heat


def test_a_quiet_pile_asks_for_nothing():
    assert tasks(sight(Heap(lot(), read(58), None, proof(58, 58)))) == ()


@pytest.mark.parametrize(
    ("highest_c", "rank"),
    [(65.0, None), (65.1, Rank.WATCH), (70.0, Rank.WATCH), (70.1, Rank.HEAT), (80.0, Rank.HEAT),
     (80.1, Rank.ALARM)],
)  # fmt: skip
def test_heat_is_noted_turned_and_feared_beyond_its_bounds(highest_c, rank):
    found = tasks(sight(Heap(lot(), read(highest_c), None, proof(58, 58))))
    assert [task.rank for task in found] == ([] if rank is None else [rank])


def test_above_the_alarm_nobody_is_told_to_open_it():
    hot = Heap(lot(), read(82, 60), None, proof(60, 60, 60, 60))
    task = only(tasks(sight(hot)))
    assert task.alarm
    assert "82" in task.why
    assert "Do not open it alone" in task.how_much
    assert task.tap is None
    assert "surrey-fire" in task.sources


def test_a_burnt_smell_is_an_alarm_at_any_reading_until_a_later_check_has_none():
    burnt = Heap(lot(), read(40), seen(0.2, smell="burnt"), proof(58, 58))
    assert only(tasks(sight(burnt))).alarm
    later = replace(burnt, check=seen(0.1, smell="earthy"))
    assert not any(task.alarm for task in tasks(sight(later)))


def test_an_old_alarming_reading_stays_an_alarm():
    cold = Heap(lot(), read(85, days=5), None, proof(58, 58))
    assert only(tasks(sight(cold))).alarm


def test_heat_before_the_last_turning_asks_for_no_second_one():
    turned = Heap(lot(last={"turn": ago(0.05)}), read(73, days=0.1), None, proof(58, 73))
    assert tasks(sight(turned)) == ()


def test_turning_for_heat_and_for_the_rule_is_one_task_with_both_reasons():
    both = Heap(lot(), read(72, 60), None, proof(60, 60, 60, 60))
    task = only(tasks(sight(both)))
    assert task.rank == Rank.HEAT
    assert "microbes" in task.why
    assert "turning 1 of 5" in task.why
    assert set(task.sources) >= {"surrey-fire", *RULE.sources}
    assert task.mark == "from memory"


# --- the rule


def test_a_turning_is_due_after_a_fifth_of_the_days_while_it_is_hot():
    assert today.spacing_days(RULE) == 3
    assert tasks(sight(Heap(lot(), read(60), None, proof(60, 60)))) == ()
    task = only(tasks(sight(Heap(lot(), read(60), None, proof(60, 60, 60)))))
    assert task.title == "Turn Bay 1"
    assert task.rank == Rank.TURN
    assert task.tap == today.Tap(Kind.TURN, (("lot", "K-001"),), "Log it: turned")
    assert task.sources == RULE.sources


def test_hot_days_count_from_the_last_turning_and_the_day_of_turning_does_not():
    turned = lot(last={"turn": ago(2)})
    assert tasks(sight(Heap(turned, read(60), None, proof(*[60] * 8, turnings=1)))) == ()
    turned = lot(last={"turn": ago(3)})
    task = only(tasks(sight(Heap(turned, read(60), None, proof(*[60] * 8, turnings=1)))))
    assert "turning 2 of 5" in task.why


@pytest.mark.parametrize(
    "heap",
    [
        Heap(lot(stage="filling"), read(60), None, None),
        Heap(lot(), read(60, 50), None, proof(60, 60, 60, 60)),
        Heap(lot(), read(60), None, proof(60, 60, 60, 60, turnings=5)),
    ],
    ids=["still filling", "a point below the limit", "all turnings made"],
)
def test_no_turning_is_due(heap):
    assert Rank.TURN not in [task.rank for task in tasks(sight(heap))]


def test_a_hot_pile_is_read_every_day_and_told_to_read_it_before_it_is_turned():
    unread = Heap(lot(), read(60, days=1), None, proof(60, 60, 60))
    turn, missing = tasks(sight(unread))
    assert turn.how_much.startswith("Read it first")
    assert missing.rank == Rank.READ
    assert missing.title == "Read Bay 1"
    assert "yesterday 12:00" in missing.why
    assert missing.form == "log"


def test_what_was_left_out_of_todays_round_is_named_until_it_is_read():
    whole = proof(60, 60, 60, turnings=5)
    last = replace(whole.days[-1], not_read=("base", "edge"))
    part = replace(whole, days=(*whole.days[:-1], last))
    task = only(tasks(sight(Heap(lot(), read(60), None, part))))
    assert task.title == "Read the rest of Bay 1"
    assert task.how_much == "These 2 points: base, edge."
    assert "does not count for" in task.left
    assert (task.rank, task.form) == (Rank.READ, "log")
    assert tasks(sight(Heap(lot(), read(60), None, whole))) == ()
    met = replace(part, verdict="met", met_at=TODAY)
    assert Rank.READ not in [task.rank for task in tasks(sight(Heap(lot(), read(60), None, met)))]


def test_a_reading_is_missing_by_the_sites_calendar_not_by_hours():
    late = Heap(lot(), read(60, days=0.55), None, proof(60))  # yesterday 22:48
    assert only(tasks(sight(late))).rank == Rank.READ
    early = Heap(lot(), read(60, days=0.45), None, proof(60))  # today 01:12
    assert tasks(sight(early)) == ()


def test_a_pile_made_today_need_not_be_read_and_one_never_read_says_so():
    assert tasks(sight(Heap(lot(begun_at=ago(0.2))))) == ()
    assert "Nobody has read it" in only(tasks(sight(Heap(lot(), None, None, proof())))).why


@pytest.mark.parametrize(("days", "asked"), [(7, False), (8, True)])
def test_a_resting_heap_is_read_once_a_week(days, asked):
    resting = Heap(lot(stage="curing", stage_at=ago(9), place=PAD), read(30, days=days))
    assert bool(tasks(sight(resting))) is asked
    assert figure("curing_read_days").sources == ("surrey-fire",)


def test_a_pile_that_cooled_before_its_proof_is_turned():
    cooled = Heap(lot(), read(39), None, proof(60, 58, 39))
    task = only(tasks(sight(cooled)))
    assert "heats again" in task.title
    assert task.tap is not None
    assert task.tap.kind == Kind.TURN
    just_turned = Heap(lot(last={"turn": ago(1)}), read(39), None, proof(60, 58, 39))
    assert tasks(sight(just_turned)) == ()


def test_a_pile_that_cooled_out_needs_fresh_material():
    out = Heap(lot(), read(30), None, proof(60, 58, *[30] * 7, verdict="not met"))
    task = only(tasks(sight(out)))
    assert "fresh material" in task.title
    assert task.form == "mix"


@pytest.mark.parametrize(("days", "asked"), [(9, False), (10, True)])
def test_a_pile_that_never_heated_is_built_again_once_it_is_not_young(days, asked):
    cold = Heap(lot(begun_at=ago(days)), read(25), None, proof(25, 25))
    found = tasks(sight(cold))
    assert bool(found) is asked
    if asked:
        assert "never reached 55" in found[0].why


def test_a_proven_pile_moves_to_the_one_pad_or_is_declared_by_a_lead():
    met = Heap(lot(), read(58), None, proof(60, verdict="met"))
    moved = only(tasks(sight(met, pads=(PAD,))))
    assert moved.tap == today.Tap(
        Kind.MOVE, (("lot", "K-001"), ("to_place", "CP")), "Log it: moved to Curing pad"
    )
    declared = only(tasks(sight(met)))
    assert declared.tap is not None
    assert declared.tap.kind == Kind.STAGE
    assert declared.tap.lead_only


@pytest.mark.parametrize(
    ("days", "temp_c", "verdict", "expected"),
    [
        (20, 25, "met", None),
        (21, 25, "met", "Test K-001 (Curing pad) and declare it ready"),
        (21, 41, "met", None),
        (30, 25, "not yet", "Judge K-001 (Curing pad): cured, and not proven"),
    ],
)
def test_curing_ends_after_21_cool_days_and_is_declared_only_when_proven(
    days, temp_c, verdict, expected
):
    heap = Heap(
        lot(stage="curing", stage_at=ago(days), place=PAD),
        read(temp_c, days=1),
        None,
        proof(60, verdict=verdict),
    )
    found = tasks(sight(heap))
    assert [task.title for task in found] == ([] if expected is None else [expected])
    if expected:
        assert (found[0].tap is not None) is (verdict == "met")
        assert found[0].sources == ("ccme-2005",)
        assert found[0].mark == "from memory"


# --- water


def test_a_dusty_pile_is_wetted_and_a_dripping_one_gets_browns_until_somebody_did():
    dry = Heap(lot(), read(58), seen(0.1, squeeze="dusty"), proof(58, 58))
    assert only(tasks(sight(dry))).form == "wet"
    wetted = replace(dry, state=lot(last={"water": ago(0.05)}))
    assert tasks(sight(wetted)) == ()
    wet = Heap(lot(), read(58), seen(0.1, squeeze="runs"), proof(58, 58))
    assert "browns" in only(tasks(sight(wet))).title
    right = Heap(lot(), read(58), seen(0.1, squeeze="holds"), proof(58, 58))
    assert tasks(sight(right)) == ()


@pytest.mark.parametrize(("mm", "asked"), [(24.9, False), (25.0, True)])
def test_open_heaps_are_covered_in_a_wet_week_the_cured_before_the_hot(mm, asked):
    hot = Heap(lot(cover="open"), read(58), None, proof(58, 58))
    cured = Heap(lot("K-002", id=2, cover="", stage="curing", stage_at=ago(5), place=PAD), read(30))
    under = Heap(lot("K-003", id=3, cover="roof"), read(58), None, proof(58, 58))
    week = tuple(DayWeather(TODAY - timedelta(days=n), rain_mm=mm / 2) for n in range(2))
    found = tasks(sight(hot, cured, under, weather=week))
    assert [task.lot for task in found] == (["K-002", "K-001"] if asked else [])
    if asked:
        assert found[0].tap == today.Tap(
            Kind.COVER, (("lot", "K-002"), ("cover", "tarp")), "Log it: under a tarp"
        )


def test_without_a_rain_gauge_no_cover_is_asked_for():
    bare = Heap(lot(cover="open"), read(58), None, proof(58, 58))
    assert tasks(sight(bare, weather=(DayWeather(TODAY, None, 4.0, 12.0),))) == ()


# --- what waits


@pytest.mark.parametrize(
    ("weather", "days", "late"),
    [
        ((), 1.0, True),  # nobody logged the weather: the cautious end
        ((), 0.9, False),
        ((DayWeather(TODAY, None, 2.0, 10.0),), 2.9, False),
        ((DayWeather(TODAY, None, 2.0, 10.0),), 3.0, True),
        ((DayWeather(TODAY, None, 15.0, 25.0),), 1.0, True),
    ],
)
def test_food_waits_a_day_when_warm_and_three_when_cool(weather, days, late):
    found = tasks(sight(waiting=(stock("D-001", "food_scraps_mixed", days),), weather=weather))
    assert [task.rank for task in found] == ([Rank.SPOILING] if late else [])


def test_stock_of_one_material_in_one_place_is_one_task_with_its_sum():
    two = (
        stock("D-001", "food_scraps_mixed", 6),
        stock("D-002", "food_scraps_mixed", 4, id=6, mass_kg=30.0),
    )
    task = only(tasks(sight(waiting=two)))
    assert task.title == "Use or bury the food scraps"
    assert task.how_much == f"{plain(110.0, 'mass')} in Bunker."
    assert "waited 6 days" in task.why


def test_what_waits_too_long_in_one_place_is_one_task_that_names_each():
    waiting = (
        stock("D-001", "food_scraps_mixed", 2),
        stock("D-002", "food_post_consumer", 6, id=6, mass_kg=30.0),
        stock("D-003", "coffee_grounds", 2, id=7),
    )
    task = only(tasks(sight(waiting=waiting)))
    assert task.rank == Rank.SPOILING
    assert task.title == "Use or bury the plate waste and 1 more"
    assert task.how_much == (
        f"plate waste {plain(30.0, 'mass')}, food scraps {plain(80.0, 'mass')} in Bunker."
    )
    assert "plate waste 6 days of 1, food scraps 2 days of 1" in task.why


def test_dry_stock_past_its_time_is_used_first_and_does_not_spoil():
    task = only(tasks(sight(waiting=(stock("D-001", "leaves_loose", 200),))))
    assert task.rank == Rank.BROWN
    assert task.title == "Use the leaves first"
    assert "smells" not in task.left


def test_what_cannot_be_mixed_is_not_told_to_go_into_the_next_pile():
    waiting = (
        stock("D-001", "veg_trimmings", 2),
        stock("D-002", "food_scraps_mixed", 6, id=6, contamination="much"),
    )
    found = tasks(sight(waiting=waiting))
    assert [task.key for task in found] == ["unmeasured:S1", "dirty:D-002"]
    assert found[0].title == "Measure or bury the vegetable trimmings"
    assert found[0].form == "receive"


def test_only_much_contamination_is_a_task_and_discarding_is_never_one_tap():
    much = stock("D-001", "leaves_loose", 2, contamination="much")
    little = stock("D-002", "leaves_loose", 2, id=6, contamination="little")
    task = only(tasks(sight(waiting=(much, little))))
    assert task.lot == "D-001"
    assert task.form == "discard"
    assert task.tap is None


def test_too_little_brown_says_how_much_is_short():
    # at most a third of the volume is food: 0.9 m³ of scraps ask for 1.8 m³ of browns
    scraps = stock("D-001", "food_scraps_mixed", 0.1, volume_m3=0.9)
    leaves = stock("D-002", "leaves_loose", 2, id=6, volume_m3=1.0)
    task = only(tasks(Sight(NOON, TZ, (), (scraps, leaves))))
    assert task.rank == Rank.BROWN
    assert plain(0.8, "volume") in task.how_much
    enough = replace(leaves, state=replace(leaves.state, volume_m3=1.9))
    assert tasks(Sight(NOON, TZ, (), (scraps, enough))) == ()
    none = only(tasks(Sight(NOON, TZ, (), (scraps,))))
    assert none.how_much == f"{plain(1.8, 'volume')} at least."


def test_overs_are_browns():
    scraps = stock("D-001", "food_scraps_mixed", 0.1, volume_m3=0.9)
    overs = Waiting(lot("V-001", id=7, kind="overs", place=BUNKER, stage="", volume_m3=2.0))
    assert tasks(Sight(NOON, TZ, (), (scraps, overs))) == ()


# --- order, names, other makers


def test_the_most_pressing_comes_first():
    heaps = (
        Heap(lot("K-001", id=1), read(60), None, proof(60, 60, 60)),
        Heap(lot("K-002", id=2), read(72, 58), None, proof(58, 58)),
        Heap(lot("K-003", id=3), read(58, days=1), None, proof(58)),
        Heap(lot("K-004", id=4), read(90), None, proof(58)),
    )
    found = tasks(sight(*heaps, waiting=(stock("D-001", "food_scraps_mixed", 5),)))
    assert [task.lot for task in found] == ["K-004", "K-002", "K-001", "D-001", "K-003"]
    assert list(found) == sorted(found, key=lambda task: task.rank)


def test_a_lot_that_shares_its_place_is_called_by_its_code():
    one = Heap(lot("K-001"), read(58, days=1), None, proof(58))
    assert only(tasks(sight(one))).title == "Read Bay 1"
    two = (one, Heap(lot("K-002", id=2), read(58), None, proof(58)))
    assert only(tasks(sight(*two))).title == "Read K-001 (Bay 1)"


def test_figures_are_shown_in_the_units_asked_for():
    hot = Heap(lot(), read(72), None, proof(58))

    def feet_and_pounds(value: float, measure: str) -> str:
        return f"{value * 9 / 5 + 32:.0f} °F" if measure == "temp" else plain(value, measure)

    assert "162 °F" in only(tasks(sight(hot), feet_and_pounds)).why


def test_a_forecast_adds_its_tasks_at_the_same_place():
    def rain_tonight(sight, say):
        yield today.Task("rain:K-001", Rank.RAIN, "Cover Bay 1 before 6 pm", "22 mm by morning.")

    heap = Heap(lot(), read(58, days=1), None, proof(58))
    found = tasks(sight(heap), makers=(*today.MAKERS, rain_tonight))
    assert [task.title for task in found] == ["Cover Bay 1 before 6 pm", "Read Bay 1"]


def test_every_task_says_what_why_what_if_left_and_cites_a_source():
    everything = sight(
        Heap(lot("K-001", id=1), read(90), None, proof(58)),
        Heap(lot("K-002", id=2), read(72, 60), None, proof(60, 60, 60)),
        Heap(lot("K-003", id=3), read(67), None, proof(58)),
        Heap(lot("K-004", id=4), None, seen(1, squeeze="dusty"), proof()),
        Heap(lot("K-005", id=5), read(30), None, proof(60, 30)),
        Heap(lot("K-006", id=6), read(58), None, proof(60, verdict="met")),
        Heap(lot("K-007", id=7, stage="curing", stage_at=ago(40), place=PAD), read(20, days=9)),
        Heap(lot("K-008", id=8, cover="open"), read(25), None, proof(25)),
        waiting=(
            stock("D-001", "food_scraps_mixed", 5, volume_m3=90.0),
            stock("D-002", "leaves_loose", 5, id=12, contamination="much"),
        ),
        weather=(DayWeather(TODAY, 40.0),),
    )
    found = tasks(everything)
    assert len({task.rank for task in found}) >= 10
    known = set(today_sources())
    for task in found:
        assert task.title[0].isupper(), task
        assert task.how_much, task
        assert task.why, task
        assert task.left, task
        assert task.sources, task
        assert set(task.sources) <= known, task
        assert task.mark in ("published", "common practice", "from memory")


def today_sources() -> list[str]:
    from heapwright.data import sources

    return list(sources())


# --- looking at real records


def hot_pile(yard: Yard, days: int = 5, temp_c: float = 60.0):
    scraps, leaves = yard.deliver(0, 150), yard.deliver(0, 100, "leaves_loose")
    pile = yard.build(0.1, (leaves, 40), (scraps, None), (leaves, 40))
    for day in range(1, days + 1):
        yard.read(day, pile, temp_c)
    return pile


def test_a_look_finds_what_stands_and_judges_it(yard: Yard):
    pile = hot_pile(yard)
    found = today.look(at(5.2))
    heap = found.heaps[0]
    assert heap.state.code == pile.code
    assert heap.temps is not None
    assert heap.temps.highest_c == 60.0
    assert heap.proof is not None
    assert heap.proof.days_credited == 5
    assert {one.state.code for one in found.waiting} == {"D-002"}
    turn = next(task for task in tasks(found) if task.rank == Rank.TURN)
    assert turn.lot == pile.code
    assert "5 hot days and not turned yet" in turn.why


def test_a_judgement_is_kept_until_something_is_written_of_the_lot_or_its_forebears(
    yard: Yard, django_assert_num_queries
):
    pile = hot_pile(yard)
    site = Site.load()
    state = today.look(at(5.2)).heaps[0].state
    # its forebears, what was written of them, and what proofs are judged by
    with django_assert_num_queries(3):
        kept = today.proofs_of([state], site)[pile.id]
    assert kept.days_credited == 5
    late = yard.read(6, pile, 61.0)
    assert today.proofs_of([state], site)[pile.id].days_credited == 6
    strike(late.uuid, "the wrong pile", yard.lead, now=NOW)
    assert today.proofs_of([state], site)[pile.id].days_credited == 5
    part = tend.divide(
        tend.Divide(
            happened_at=at(7), lot=pile.code, parts=(tend.Part(place="B2", quantity=kg(60)),)
        ),
        yard.lead,
        now=NOW,
    )
    young = first_lot(part)
    off = next(one.state for one in today.look(at(8)).heaps if one.state.id == young.id)
    assert today.proofs_of([off], site)[young.id].days_credited == 5
    yard.read(6, pile, 61.0)  # written of the pile it came from, before it was divided off
    assert today.proofs_of([off], site)[young.id].days_credited == 6


def test_weather_of_the_last_week_counts_once_a_day_and_struck_days_do_not(yard: Yard):
    def rain(day: int, mm: float) -> Entry:
        act = tend.LogWeather(happened_at=at(day), day=at(day).date(), rain_mm=mm)
        return tend.log_weather(act, yard.lead, now=NOW)

    rain(1, 90.0)  # long ago by then
    rain(8, 10.0)
    rain(8, 12.0)  # read again
    struck = rain(9, 50.0)
    strike(struck.uuid, "the hose", yard.lead, now=NOW)
    found = today.look(at(9.2))
    assert [(one.day, one.rain_mm) for one in found.weather] == [(date(2026, 3, 9), 12.0)]


def test_contamination_seen_at_delivery_becomes_a_task_until_the_stock_is_gone(yard: Yard):
    entry = receive.receive_delivery(
        receive.ReceiveDelivery(
            happened_at=at(0),
            source="kitchen",
            lines=(
                receive.DeliveryLine(
                    material="leaves_loose",
                    quantity=kg(80),
                    place="S1",
                    contamination="much",
                    found="glass",
                ),
            ),
        ),
        yard.lead,
        now=NOW,
    )
    code = first_lot(entry).code
    assert f"dirty:{code}" in [task.key for task in tasks(today.look(at(1)))]
    from heapwright.yard import use

    use.discard(use.Discard(happened_at=at(1), lot=code, why="glass"), yard.lead, now=NOW)
    assert f"dirty:{code}" not in [task.key for task in tasks(today.look(at(1.1)))]


def test_the_number_of_queries_does_not_grow_with_the_piles(
    yard: Yard, django_assert_max_num_queries
):
    leaves = yard.deliver(0, 900, "leaves_loose")
    piles = [yard.build(0.2, (leaves, 80), place=place) for place in ("B1", "B2", "B3")]
    for pile in piles:
        yard.read(1, pile, 58)
    today.look(at(1.1))  # judged once, and kept
    with django_assert_max_num_queries(23):
        assert len(today.look(at(1.1), foresee=False).heaps) == 3
    with django_assert_max_num_queries(35):  # and what the forecast advises, which is kept too
        assert len(today.look(at(1.1)).ahead) == 3
