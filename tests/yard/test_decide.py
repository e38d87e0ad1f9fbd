"""Decisions in today's list: one task a pile and act, both reasons, what one settles and one wins.

First on plain records, then on entries with the real model.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from django.core.cache import caches
from tests.yard.acting import NOW, Yard, at
from tests.yard.test_today import TODAY, lot, proof, read, seen, sight

from heapwright.data.decisions import decision_facts, decision_figures
from heapwright.science.decide_asked import Amount, Chance, Decision
from heapwright.science.decide_ways import Compared, Spread
from heapwright.yard import decide as yard_decide
from heapwright.yard import forecast, prove, receive, state, tend, today
from heapwright.yard.amounts import Quantity
from heapwright.yard.forecast import Advised
from heapwright.yard.models import Container, Kind, Lot, Place, Site
from heapwright.yard.today import DayWeather, Heap, Rank, Sight, tasks

T = decision_facts().thresholds
RESTS = ("wait_days", "sure_pct", "oxygen_low_pct")


def spread(middle: float, half: float = 2.0) -> Spread:
    return Spread(middle - half, middle, middle + half)


def compared(figure: str, days: float, left: float, done: float) -> Compared:
    return Compared(
        figure, days, spread(left), spread(done), spread(done - left, 1.0), float(done > left)
    )


FIGURES = (
    compared("core_c", 7.0, 40.0, 46.0),
    compared("hot_days", 7.0, 1.0, 3.0),
    compared("peak_c", 14.0, 30.0, 28.0),
    compared("oxygen_pct", 7.0, 2.0, 6.0),
    compared("moisture_pct", 3.0, 36.0, 54.0),
    compared("leachate_l", 14.0, 30.0, 4.0),
)


def decision(kind: str, verdict: str = "do", *why: str, **more: object) -> Decision:
    given: dict[str, object] = {
        "sure": 0.9,
        "compared": FIGURES,
        "chances": (Chance("heats", 0.2, 0.8), Chance("back", 1.0, 0.4)),
        "rests_on": RESTS,
    }
    return Decision(kind, verdict, why or ("dry",), **{**given, **more})


def foreseen(heap: Heap, *decisions: Decision, fresh: bool = True, **more: object) -> Sight:
    advised = {heap.state.id: Advised(decisions if fresh else (), fresh, NOW)}
    return replace(sight(heap), ahead=advised, **more)


def titles(found) -> list[str]:
    return [task.title for task in found]


def only(found):
    assert len(found) == 1, titles(found)
    return found[0]


QUIET = Heap(lot(), read(58), None, proof(58, 58))
DUE = Heap(lot(), read(60), None, proof(60, 60, 60))
WETTED = decision("wet", amount=Amount(litres=148.6, rounds=3))
WEIGHED = decision(
    "turn", "weigh", "for the rule", amount=Amount(wait_days=3.0),
    chances=(Chance("proven", 0.31, 0.52, 9), Chance("back", 1.0, 0.4)),
    compared=(compared("core_c", 7.0, 52.0, 48.0), *FIGURES[1:]),
)  # fmt: skip
WAIT = replace(WEIGHED, verdict="wait", why=("loses its heat",))


def test_without_a_forecast_log_and_rules_stand_alone():
    plain = tasks(sight(DUE))
    assert tasks(foreseen(DUE, WETTED, fresh=False)) == plain
    assert tasks(foreseen(DUE)) == plain


def test_a_turning_due_by_the_rule_says_what_the_forecast_makes_of_it():
    task = only(tasks(foreseen(DUE, WEIGHED)))
    assert task.title == "Turn Bay 1"
    assert "3 hot days and not turned yet" in task.why
    assert "By the forecast:" in task.why
    day = TODAY + timedelta(days=9)
    assert f"is met by {day.day} {day:%B} in 52 of 100 runs if it is turned today" in task.why
    assert "in 31 if 3 days later" in task.why
    assert "4 °C (3 °C to 5 °C) cooler" in task.why.replace("\u00a0", " ")
    assert task.compares == "turn"
    assert task.tap.kind == Kind.TURN


def test_what_is_only_weighed_says_nothing_where_no_rule_asks():
    assert tasks(foreseen(QUIET, WEIGHED)) == ()
    assert tasks(foreseen(QUIET, WAIT)) == ()


def test_a_rule_that_asks_and_a_forecast_that_waits_are_one_task_that_says_both():
    task = only(tasks(foreseen(DUE, WAIT)))
    assert task.title == "Turn Bay 1, or wait 3 days"
    assert "the forecast favours waiting" in task.how_much
    assert "counts this as turning 1" in task.why
    assert "within 2 days in 40 of 100 runs" in task.why
    assert task.tap.kind == Kind.TURN


def test_heat_is_turned_today_whatever_the_forecast_would_wait_for():
    hot = Heap(lot(), read(73, 60), None, proof(60, 60, 60))
    task = only(tasks(foreseen(hot, WAIT)))
    assert task.title == "Turn and wet Bay 1 today"
    assert "wait" not in task.how_much


def test_wetting_takes_the_turning_in_and_one_tap_writes_both():
    task = only(tasks(foreseen(DUE, WETTED, WEIGHED)))
    assert task.title.replace("\u00a0", " ") == "Turn Bay 1 and wet it with 149 L"
    assert "3 hot days and not turned yet" in task.why
    assert task.rank == Rank.TURN
    assert task.tap.kind == Kind.WATER
    assert task.tap.turned
    assert dict(task.tap.fields) == {"lot": "K-001", "litres": "149"}


def test_a_dusty_squeeze_and_a_dry_forecast_are_one_task_with_the_litres():
    dusty = Heap(lot(), read(58), seen(0.5, squeeze="dusty"), proof(58, 58))
    task = only(tasks(foreseen(dusty, WETTED)))
    assert "149" in task.title
    assert "“dusty”" in task.why
    assert "By the forecast" in task.why
    assert "3 rounds" in task.how_much
    assert task.form == "wet"


@pytest.mark.parametrize(
    ("squeeze", "days", "told"),
    [("drips", 0.5, False), ("runs", 3.0, False), ("drips", 9.0, True), ("holds", 0.5, True)],
)
def test_what_a_hand_felt_of_late_silences_the_contrary_of_the_forecast(squeeze, days, told):
    heap = Heap(lot(), read(58), seen(days, squeeze=squeeze), proof(58, 58))
    found = tasks(foreseen(heap, WETTED))
    assert any("wet it with" in task.title for task in found) == told


def test_a_wet_week_does_not_cover_what_is_to_be_wetted():
    open_heap = Heap(lot(cover="open"), read(58), None, proof(58, 58))
    rained = (DayWeather(TODAY, 40.0),)
    assert "Cover Bay 1" in titles(tasks(replace(sight(open_heap), weather=rained)))
    task = only(tasks(foreseen(open_heap, WETTED, weather=rained)))
    assert "wet it with" in task.title
    assert "40 mm of rain" in task.why


def test_cover_by_rain_gauge_and_by_forecast_is_one_task():
    open_heap = Heap(lot(cover="open"), read(58), None, proof(58, 58))
    rain = decision("cover", "do", "rain", "leaches", rain_mm=31.0)
    found = tasks(foreseen(open_heap, rain, weather=(DayWeather(TODAY, 40.0),)))
    task = only(found)
    assert "40 mm of rain in the last 7 days" in task.why
    assert "31 mm of rain within 5 days" in task.why.replace("\u00a0", " ")
    assert "26 L of leachate" in task.why.replace("\u00a0", " ")
    assert task.tap.fields == (("lot", "K-001"), ("cover", "tarp"))


@pytest.mark.parametrize(
    ("done_c", "why", "left"),
    [
        (46.0, ("rain", "leaches"), "it soaks, cools and leaches."),
        (46.0, ("rain",), "it soaks and cools."),
        (40.4, ("rain", "leaches"), "it soaks and leaches."),
        (40.4, ("rain",), "it soaks."),
    ],
)
def test_a_heap_left_open_does_only_what_the_two_ways_differ_in(done_c, why, left):
    open_heap = Heap(lot(cover="open"), read(58), None, proof(58, 58))
    core = compared("core_c", 7.0, 40.0, done_c)
    rain = decision("cover", "do", *why, rain_mm=31.0, compared=(core, *FIGURES[1:]))
    assert only(tasks(foreseen(open_heap, rain))).left == left


CHIPS = decision(
    "add", "do", "too wet", "air lacks", proof_days_lost=2,
    amount=Amount(mass_kg=80.0, volume_m3=0.3, material="wood_chips", on_hand_kg=500.0),
)  # fmt: skip


def stock(mass_kg: float, code: str = "D-050", days: float = 3.0) -> today.Waiting:
    state_of = lot(code, id=50, kind="stock", stage="", mass_kg=mass_kg, material_id="wood_chips")
    return today.Waiting(replace(state_of, begun_at=NOW - timedelta(days=days)))


def test_chips_are_counted_in_the_sites_barrows_and_taken_from_what_is_on_hand():
    barrow = Container(code="cart", name="yard cart", volume_m3=0.09)
    bucket = Container(code="pail", name="pail", volume_m3=0.019)
    task = only(
        tasks(
            foreseen(
                QUIET, CHIPS, containers=(bucket, barrow),
                on_hand=(stock(50.0, "D-051", 1.0), stock(50.0, "D-050", 9.0)),
            )
        )
    )  # fmt: skip
    assert task.title.replace("\u00a0", " ") == "Turn 3½ × yard cart of wood chips into Bay 1"
    assert "It is on hand." in task.how_much
    assert task.tap.turned
    assert task.tap.fields == (("lot", "K-001"), ("take", "D-050=50.0"), ("take", "D-051=30.0"))
    assert "Raw material starts the proof again: 2 credited days are lost." in task.why


def test_what_is_not_on_hand_has_to_be_fetched_and_no_tap_says_it_was_done():
    task = only(tasks(foreseen(QUIET, CHIPS, on_hand=(stock(30.0),))))
    assert "50 kg more has to be fetched first" in task.how_much.replace("\u00a0", " ")
    assert task.tap is None
    assert task.form == "mix"


def test_a_cold_heap_by_the_log_is_helped_as_the_forecast_says():
    cold = Heap(lot(begun_at=NOW - timedelta(days=400)), read(21), None, proof(21, 21))
    assert titles(tasks(sight(cold))) == ["Build Bay 1 again"]
    task = only(tasks(foreseen(cold, CHIPS)))
    assert task.title.endswith("wood chips into Bay 1")
    assert "never reached 55 °C" in task.why.replace("\u00a0", " ")


def test_two_heaps_that_name_each_other_are_put_together_once():
    one = Heap(lot("K-001", id=1), read(58), None, proof(58, 58))
    two = Heap(lot("K-002", id=2), read(58), None, proof(58, 58))
    each = [decision("combine", "do", "small", amount=Amount(other=c, volume_m3=1.1))
            for c in ("K-002", "K-001")]  # fmt: skip
    ahead = {1: Advised((each[0],), True, NOW), 2: Advised((each[1],), True, NOW)}
    found = tasks(replace(sight(one, two), ahead=ahead))
    assert titles(found) == ["Put K-002 onto K-001 (Bay 1)"]


def test_curing_is_only_remarked_on_where_the_log_has_met_the_rule():
    done, again = (
        decision("cure", verdict, why) for verdict, why in (("do", "heats no more"),
                                                            ("wait", "heats again"))
    )  # fmt: skip
    assert tasks(foreseen(QUIET, done)) == ()
    proven = Heap(lot(), read(35), None, proof(60, 35, verdict="met"))
    task = only(tasks(foreseen(proven, done)))
    assert task.title == "Let Bay 1 cure"
    assert "it heats no more" in task.why
    assert task.how_much == "All of it, onto ground where nothing raw lay."
    task = only(tasks(foreseen(proven, again)))
    assert task.title == "Let Bay 1 finish heating, then cure it"


def test_a_fire_watch_says_that_the_model_cannot_show_one_and_when_to_call():
    hot = Heap(lot(), read(68), None, proof(58, 58))
    fire = decision(
        "fire", "do", "hot and dry", "on the way", chances=(Chance("too hot", 0.7, 0.2),)
    )
    task = only(tasks(foreseen(hot, fire)))
    assert task.rank == Rank.HEAT
    assert task.title == "Watch Bay 1 for fire"
    assert "it cannot show a fire" in task.why
    assert "70 of 100" in task.why
    assert "68" in task.why  # what was read is said too
    assert "call the fire service" in task.left
    assert task.tap is None


def test_an_alarm_of_the_log_silences_the_forecast():
    burning = Heap(lot(), read(84), None, proof(58, 58))
    task = only(tasks(foreseen(burning, WETTED, CHIPS)))
    assert task.alarm


EVERY = (
    WETTED, CHIPS,
    decision("fire", "do", "very hot", chances=(Chance("too hot", 0.7, 0.2),)),
    decision("cover", "do", "rain", rain_mm=20.0),
    decision("combine", "do", "small", amount=Amount(other="K-009", volume_m3=1.1)),
    decision("build up", "do", "small", amount=Amount(volume_m3=0.3, height_m=0.8, mass_kg=120)),
    decision("turn", "do", "proof sooner", chances=WEIGHED.chances),
    decision("turn", "do", "stalled"),
    decision("turn", "do", "air lacks"),
    decision("insulate", "do", "cold outside",
             compared=(*FIGURES[:1], compared("hot_days", 14.0, 2.0, 6.0))),
)  # fmt: skip


@pytest.mark.parametrize("one", EVERY, ids=lambda one: f"{one.kind}-{one.why[0]}")
def test_every_decision_says_what_how_much_why_what_if_left_and_cites(one):
    task = only(tasks(foreseen(QUIET, one)))
    assert task.title[0].isupper()
    for said in (task.how_much, task.why, task.left):
        assert said
        assert "%(" not in said
        assert "None" not in said
    assert task.why.startswith("By the forecast:")
    assert task.sources
    assert task.mark in ("published", "common practice", "from memory")
    assert task.compares == one.kind
    assert task.tap is not None or task.form


def test_figures_are_told_in_the_readers_units():
    from heapwright.web.measures import with_unit

    task = only(tasks(foreseen(QUIET, WETTED), lambda value, of: with_unit(value, of, "us")))
    said = task.why.replace("\u00a0", " ")
    assert "11 °F (9 °F to 13 °F) warmer" in said  # 6 °C more is 11 °F more, not 43 °F
    assert "39 gal" in task.title.replace("\u00a0", " ")


def test_every_row_of_the_table_is_used_and_cited():
    from dataclasses import fields

    names = set(decision_figures())
    assert names == {one.name for one in fields(T)}
    for fact in decision_figures().values():
        assert fact.sources
        assert fact.note


# --- on real records, with the real model


@pytest.fixture
def inline(settings):
    caches["forecasts"].clear()
    settings.FORECASTS = "inline"
    yield
    caches["forecasts"].clear()


def squeeze(yard: Yard, day: float, pile: Lot, felt: str) -> None:
    act = tend.CheckLot(happened_at=at(day), lot=pile.code, squeeze=felt)
    tend.check(act, yard.lead, now=NOW)


def chips(yard: Yard, mass_kg: float = 400.0) -> Lot:
    return yard.deliver(0, mass_kg, "wood_chips")


def dry_pile(yard: Yard) -> Lot:
    leaves, scraps = yard.deliver(0, 900, "leaves_shredded"), yard.deliver(0, 90)
    pile = yard.build(1, (leaves, 260), (scraps, 30), volume_m3=1.5)
    for day, temp_c in enumerate((18, 30, 40, 44, 42, 38, 35), start=2):
        yard.read(day, pile, temp_c, "core")
    measured = (prove.Result(quantity="moisture_pct", value=28.0),)
    act = prove.LogResult(happened_at=at(8), lot=pile.code, results=measured)
    prove.log_result(act, yard.lead, now=NOW)
    squeeze(yard, 8.1, pile, "dusty")
    dry_days(yard)
    return pile


def dry_days(yard: Yard) -> None:
    """Log days without rain until now: what the gauge did not tell might have wetted it."""
    for day in range(8):
        act = tend.LogWeather(
            happened_at=at(8.1), day=at(day).date(), rain_mm=0.0, temp_min_c=3.0, temp_max_c=11.0
        )
        tend.log_weather(act, yard.lead, now=NOW)


def about(pile: Lot, day: float):
    found = today.look(at(day))
    return [task for task in tasks(found) if task.lot == pile.code], found


def test_a_dry_pile_on_record_is_wetted_by_so_many_litres(yard, inline):
    pile = dry_pile(yard)
    found, _sight = about(pile, 8.4)
    wet = [task for task in found if task.act == "wet"]
    assert len(wet) == 1
    assert wet[0].tap.kind == Kind.WATER
    litres = float(dict(wet[0].tap.fields)["litres"])
    assert 60.0 < litres < 350.0
    assert "“dusty”" in wet[0].why
    assert not [task for task in found if task.act == "add"]


def test_after_it_was_done_it_is_no_longer_asked_and_the_old_answer_is_not_told(yard, settings):
    caches["forecasts"].clear()
    settings.FORECASTS = "inline"
    pile = dry_pile(yard)
    found, _sight = about(pile, 8.4)
    task = next(task for task in found if task.act == "wet")
    litres = float(dict(task.tap.fields)["litres"])
    settings.FORECASTS = "off"
    yard.turn(8.5, pile)
    tend.water(tend.Water(happened_at=at(8.5), lot=pile.code, litres=litres), yard.lead, now=NOW)
    found, seen_now = about(pile, 8.6)
    assert not seen_now.ahead[pile.id].fresh
    assert not [task for task in found if "By the forecast" in task.why]
    settings.FORECASTS = "inline"
    found, seen_now = about(pile, 8.6)
    assert seen_now.ahead[pile.id].fresh
    assert not [task for task in found if task.act == "wet"]
    caches["forecasts"].clear()


def sodden_pile(yard: Yard) -> Lot:
    scraps = yard.deliver(0, 700)
    grass = yard.deliver(0, 400, "grass_clippings")
    leaves = yard.deliver(0, 60, "leaves_shredded")
    pile = yard.build(1, (leaves, 40), (scraps, 500), (grass, 250), volume_m3=1.2)
    for day, temp_c in enumerate((17, 20, 22, 22, 21, 20, 20), start=2):
        yard.read(day, pile, temp_c, "core")
    return pile


def test_a_sodden_cold_pile_on_record_gets_the_chips_that_are_on_hand(yard, inline):
    chips(yard)
    Container.objects.create(code="barrow", name="barrow", volume_m3=0.085)
    pile = sodden_pile(yard)
    found, _sight = about(pile, 8.4)
    task = next(task for task in found if task.act == "add")
    assert "barrow" in task.title
    assert "wood chips" in task.title
    asked = yard_decide.question(state.lot_state(pile.code, at(8.4)), at(8.4), Site.load())
    assert asked.dry == "wood_chips"
    assert asked.dry_kg == 400.0
    again = today.look(at(8.4), lot_ids=[pile.id])  # the page of the pile alone
    alone = next(one for one in tasks(again) if one.lot == pile.code and one.act == "add")
    assert (alone.title, alone.how_much, alone.tap) == (task.title, task.how_much, task.tap)


def small_pile(yard: Yard, day: float, place: str) -> Lot:
    scraps = yard.deliver(day, 100)
    leaves = yard.deliver(day, 100, "leaves_shredded")
    pile = yard.build(day, (leaves, 55), (scraps, 70), place=place, water_l=10.0, volume_m3=0.4)
    for number, temp_c in enumerate((12, 14, 14, 14, 13), start=1):
        yard.read(day + number, pile, temp_c, "core")
    return pile


def test_two_small_cold_piles_on_record_are_put_together_once(yard, inline):
    one, two = small_pile(yard, 1, "B1"), small_pile(yard, 1.1, "B2")
    found = tasks(today.look(at(6.5)))
    together = [task for task in found if task.act == "combine"]
    assert [task.title for task in together] == [f"Put {two.code} onto B1"]
    assert together[0].lot == one.code
    assert together[0].form == "combine"
    assert "each alone is too small to heat" in together[0].why


def test_a_heap_put_together_with_one_that_changed_since_is_not_advised(yard, settings, inline):
    one, two = small_pile(yard, 1, "B1"), small_pile(yard, 1.1, "B2")
    first = today.look(at(6.5)).ahead[one.id]
    assert "combine" in [each.kind for each in first.decisions]
    settings.FORECASTS = "off"
    yard.turn(6.45, two)
    later = today.look(at(6.5))
    assert "combine" not in [each.kind for each in later.ahead[one.id].decisions]


def test_a_rule_met_by_the_log_is_what_lets_it_cure_never_the_model(yard, inline):
    leaves, scraps = yard.deliver(0, 900, "leaves_shredded"), yard.deliver(0, 400)
    pile = yard.build(1, (leaves, 250), (scraps, 240), water_l=20.0, volume_m3=1.44)
    hot = (30, 48, 58, 61, 62, 61, 60, 60)
    for day, temp_c in enumerate(hot, start=2):
        yard.read(day, pile, temp_c, "core")
    standing = state.lot_state(pile.code, at(9.5))
    before = today.proofs_of([standing], Site.load())[pile.id]
    advised = forecast.look([standing], now=at(9.5))[pile.id]
    assert advised.outlook is not None
    after = today.proofs_of([standing], Site.load())[pile.id]
    assert after == before
    assert after.verdict == "not yet"
    turn = next(one for one in advised.outlook.decisions if one.kind == "turn")
    assert len(turn.ways[1].met_by) == round(T.ahead_days) + 1


def test_advice_is_kept_with_the_forecast_under_the_same_mark(yard, inline, monkeypatch):
    pile = dry_pile(yard)
    kept = forecast.refresh(pile.id, now=at(8.4))
    small = caches["forecasts"].get(forecast._advice_name(pile.id))
    assert small.marks == kept.marks
    assert [one.kind for one in small.decisions] == [one.kind for one in kept.answer.decisions]
    assert all(one.ways == () for one in small.decisions)
    assert all(len(one.ways) == 2 for one in kept.answer.decisions)
    caches["forecasts"].delete(forecast._advice_name(pile.id))
    standing = [state.lot_state(pile.code, at(8.4))]
    monkeypatch.setattr(forecast, "_foreseen", None)  # no run is needed to bring it back
    assert forecast.advice(standing, now=at(8.4))[pile.id].fresh


def test_what_is_advised_is_no_longer_told_when_the_stock_it_asks_for_was_used_up(
    yard, inline, settings, monkeypatch
):
    pile = sodden_pile(yard)
    chips = yard.deliver(8, 300, "wood_chips")

    def standing():
        return [state.lot_state(pile.code, at(8.4))]

    first = forecast.look(standing(), now=at(8.4))[pile.id]
    told = next(one for one in first.outlook.decisions if one.kind == "add")
    assert (told.amount.material, told.amount.on_hand_kg) == ("wood_chips", 300.0)
    settings.FORECASTS = "off"
    assert forecast.advice(standing(), now=at(8.4))[pile.id].fresh
    yard.build(8.2, (chips, 200), place="CP")
    there = forecast.look(standing(), now=at(8.4))[pile.id]
    assert there.fresh  # what it will do is the same
    assert not there.advised.fresh
    assert there.advised.decisions == ()
    assert forecast.advice(standing(), now=at(8.4))[pile.id].decisions == ()
    assert today.look(at(8.4), lot_ids=[pile.id]).ahead[pile.id].decisions == ()
    # the ensemble is at hand: only what to do is worked out again
    monkeypatch.setattr(forecast, "model", None)
    settings.FORECASTS = "inline"
    again = forecast.look(standing(), now=at(8.4))[pile.id]
    assert again.advised.fresh
    told = next(one for one in again.outlook.decisions if one.kind == "add")
    assert told.amount.on_hand_kg == 100.0
    assert again.outlook.forecast is not None
    # and where the question has stayed the same, not even that
    monkeypatch.setattr(yard_decide, "decided", None)
    yard.turn(8.3, yard.build(8.25, (yard.deliver(8.1, 50), None), place="B2"))
    assert forecast.look(standing(), now=at(8.4))[pile.id].advised.fresh


def test_what_else_stands_in_the_yard_does_not_make_every_advice_stale(yard, inline, settings):
    pile = dry_pile(yard)
    forecast.refresh(pile.id, now=at(8.4))
    settings.FORECASTS = "off"
    other = yard.build(8.1, (yard.deliver(8, 400), None), place="B2")
    yard.read(8.2, other, 40.0)
    yard.turn(8.3, other)
    standing = [state.lot_state(pile.code, at(8.4))]
    assert forecast.advice(standing, now=at(8.4))[pile.id].fresh


def test_more_on_hand_and_another_rule_are_another_question(yard):
    pile = sodden_pile(yard)
    site, now = Site.load(), at(8.4)

    def asked():
        return yard_decide.question(state.lot_state(pile.code, now), now, site)

    first = asked()
    assert (first.dry, first.dry_kg) == ("leaves_shredded", 20.0)
    receive.receive_delivery(
        receive.ReceiveDelivery(
            happened_at=at(8),
            source="kitchen",
            lines=(
                receive.DeliveryLine(
                    material="wood_chips", quantity=Quantity(mass_kg=300.0), place="S2"
                ),
            ),
        ),
        yard.lead,
        now=NOW,
    )
    assert (asked().dry, asked().dry_kg) == ("wood_chips", 300.0)


def test_nothing_is_asked_of_stock_or_of_what_is_ready(yard):
    leaves = yard.deliver(0, 300, "leaves_shredded")
    assert yard_decide.question(state.lot_state(leaves.code, at(1)), at(1), Site.load()) is None
    pile = yard.build(1, (leaves, 200), volume_m3=1.0)
    yard.declare(2, pile, "ready")
    assert yard_decide.question(state.lot_state(pile.code, at(3)), at(3), Site.load()) is None


def test_a_place_holds_what_its_walls_and_hands_allow(yard):
    leaves = yard.deliver(0, 300, "leaves_shredded")
    pile = yard.build(1, (leaves, 200), volume_m3=1.0)
    standing = state.lot_state(pile.code, at(2))
    assert yard_decide._holds_m3(standing) == pytest.approx(1.2**3)
    Place.objects.filter(code="B1").update(height_m=None)
    standing = state.lot_state(pile.code, at(2))
    assert yard_decide._holds_m3(standing) == pytest.approx(1.44 * 1.8288)
