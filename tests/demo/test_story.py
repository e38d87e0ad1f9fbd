"""The year told to a real database: it adds up, lives, and each trouble is found in it."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Sum
from tests.demo.conftest import NOW

from heapwright.data.mixing import acceptable_limits, mix_facts, preferred_limits, water
from heapwright.data.sanitation import rules, terms
from heapwright.demo import site
from heapwright.demo.books import PERISHABLE
from heapwright.people.models import User
from heapwright.science.goals import Goals
from heapwright.science.recipe import solve
from heapwright.science.sanitation import Stated, evaluate
from heapwright.yard import forecast, history, prove, state, stock, trace
from heapwright.yard.audit import audit
from heapwright.yard.models import (
    Entry,
    Inspection,
    Kind,
    Lot,
    Place,
    Reading,
    Site,
    Source,
    Weather,
)
from heapwright.yard.yardstick import in_force

TODAY = NOW.astimezone(ZoneInfo(site.ZONE)).date()


def verdict(lot: str, rule: str = "NY-W"):
    log = prove.lot_log(Lot.objects.get(code=lot))
    return evaluate(log, [rules()[rule]], Stated(method="turned"), terms())[0]


def local_day(moment: datetime):
    return moment.astimezone(ZoneInfo(site.ZONE)).date()


def test_the_yard_is_drawn_to_scale_and_its_people_have_their_roles(told):
    kinds = Counter(Place.objects.values_list("kind", flat=True))
    assert kinds == {"bay": 8, "stockpile": 3, "curing": 1, "screening": 1, "bed": 12}
    assert {(one.width_m, one.depth_m) for one in Place.objects.filter(kind="bay")} == {(1.2, 1.2)}
    plan = Site.load()
    boxes = [
        (one.x_m, one.y_m, one.x_m + one.width_m, one.y_m + one.depth_m)
        for one in Place.objects.all()
    ]
    for number, (x0, y0, x1, y1) in enumerate(boxes):
        assert x0 >= 0
        assert y0 >= 0
        assert x1 <= plan.width_m
        assert y1 <= plan.depth_m
        for u0, v0, u1, v1 in boxes[:number]:
            assert u1 <= x0 or x1 <= u0 or v1 <= y0 or y1 <= v0
    assert Source.objects.count() == 7
    assert dict(User.objects.values_list("username", "role")) == {
        "lead": "lead", "helper": "helper", "helper2": "helper", "reader": "reader",
    }  # fmt: skip


def test_proofs_are_judged_by_the_rule_that_was_set_on_the_first_day(told):
    found = in_force(NOW)
    assert (found.rule_id, found.method, found.set_by) == (site.RULE, "turned", "Marisol Venn")
    assert local_day(found.set_at) == TODAY - timedelta(days=364)


def test_the_ledger_of_the_year_adds_up(told):
    found = audit(deep=True)
    assert found.findings == ()
    assert 15_000 < found.site.in_kg < 40_000
    assert abs(found.site.residual_kg) < 1e-6
    assert found.site.to_air_kg > 5_000


def test_what_stood_there_when_the_book_was_opened_claims_nothing_of_before(told):
    pile = Lot.objects.get(code="K-001")
    first = history.entries(lot=pile).last()
    assert first.kind == Kind.OPENING
    assert local_day(first.happened_at) == TODAY - timedelta(days=364)
    assert first.note.startswith("Stood here when this book was opened")
    assert audit().site.opening_kg > 2_000  # the pile, and the leaves and chips of the bunkers
    (log,) = prove.lot_logs(pile)
    proof = log.judged([rules()["US-FDA-T"]], Stated(method="turned"))[0]
    assert proof.verdict == "cannot be shown"
    assert "It stood there when the site's records began" in proof.gaps[0]
    assert proof.days_credited == 0
    parts = trace.composition(pile)
    assert all(one.source is None for one in parts)
    assert "" in trace.materials_of(parts)  # of some of it nobody knows what it was


def test_the_last_days_bring_a_small_cool_heap_and_fleeces_beside_their_heaps(told):
    standing = {one.code: one for one in state.state_at(NOW)}
    small = next(one for one in standing.values() if one.place.code == site.CLASS_BAY)
    assert small.volume_m3 < 0.5
    temps = state.day_temps([small.id], NOW)[small.id]
    assert temps.day == TODAY - timedelta(days=1)
    assert temps.highest_c < 40
    curing = [one for one in standing.values() if one.stage == "curing"]
    assert sum(one.cover == "open" for one in curing) == 2
    assert any(one.cover == "breathable" for one in curing)


def test_the_first_page_has_several_kinds_of_advice_that_the_physics_gives(told, settings):
    settings.FORECASTS = "inline"
    standing = [one for one in state.state_at(NOW) if one.kind == "pile"]
    advised = forecast.advice(standing, now=NOW)
    kinds = {each.kind for one in advised.values() for each in one.decisions}
    assert {"build up", "cure", "turn"} <= kinds
    small = next(one for one in standing if one.place.code == site.CLASS_BAY)
    assert [one.kind for one in advised[small.id].decisions] == ["build up"]


def test_today_is_the_last_day_and_something_is_to_be_done(told):
    days = [local_day(moment) for moment in Entry.objects.values_list("recorded_at", flat=True)]
    assert max(days) == TODAY
    assert min(days) == TODAY - timedelta(days=364)
    standing = state.state_at(NOW)
    stages = {one.stage for one in standing}
    assert stages >= {"filling", "hot", "curing", "ready"}
    hot = [one for one in standing if one.stage == "hot"]
    assert len(hot) >= 3
    temps = state.day_temps([one.id for one in hot], NOW)
    assert max(temp.highest_c for temp in temps.values()) > 55
    assert all(temp.day < TODAY for temp in temps.values())  # nobody has read them today
    in_bays = Counter(one.place.code for one in standing if one.kind == "pile")
    assert all(in_bays[bay] <= 1 for bay in site.BAYS)
    assert any(one.material_id in PERISHABLE for one in standing)


def test_the_next_pile_can_be_mixed_from_what_is_on_hand(told):
    supply = stock.supply(NOW)
    assert supply.left_out == ()
    goals = Goals(limits=acceptable_limits(), preferred=preferred_limits(), volume_m3=1.4)
    found = solve(supply.stock(), goals, mix_facts(), water())
    assert found.feasible
    scraps_kg = sum(p.mass_kg for p in found.parts if p.ingredient.id in PERISHABLE)
    assert scraps_kg > 80


def test_most_piles_are_proven_and_the_one_that_misses_a_turning_says_so(told):
    short = verdict(told["one turning short"].lot)
    assert short.verdict == "not met"
    assert short.turnings_credited == 4
    assert short.days_credited >= 15
    assert verdict(told["one turning short"].lot, "US-FDA-T").verdict == "not met"
    assert any("turn" in note for note in short.notes)
    piles = Lot.objects.filter(kind="pile").values_list("code", flat=True)
    verdicts = Counter(verdict(code, "US-FDA-T").verdict for code in piles)
    assert verdicts["met"] > 20


def test_a_pile_never_heated_and_went_round_again(told):
    lot = Lot.objects.get(code=told["never heated"].lot)
    highest = max(one.max_c for one in lot.summaries.all())
    assert highest < 50
    assert lot.summaries.count() > 30
    last = lot.flows_out.exclude(to_lot=None).latest("id")
    assert last.to_lot.kind == "pile"
    assert last.entry.kind == Kind.BUILD


def test_raw_scraps_on_a_finished_proof_start_it_again(told):
    lot = Lot.objects.get(code=told["late scraps"].lot)
    add = history.entries(lot=lot, kinds=(Kind.ADD,)).first()
    assert local_day(add.happened_at) == told["late scraps"].day
    just_before = state.lot_state(lot.code, add.happened_at - timedelta(minutes=1))
    assert just_before.restarts == ()
    assert state.lot_state(lot.code, add.happened_at).restarts == (add.happened_at,)
    assert verdict(lot.code).verdict != "met"


def test_the_contaminated_delivery_was_seen_and_taken_away(told):
    lot = Lot.objects.get(code=told["contaminated delivery"].lot)
    seen = Inspection.objects.get(lot=lot)
    assert seen.contamination == "much"
    assert seen.found
    kinds = [entry.kind for entry in history.entries(lot=lot)]
    assert kinds == [Kind.DISCARD, Kind.DELIVERY]
    assert state.lot_state(lot.code) is None


def test_an_entry_was_struck_and_entered_again_and_a_turning_struck(told):
    lot = Lot.objects.get(code=told["struck and entered again"].lot)
    right, wrong = history.entries(lot=lot, kinds=(Kind.DELIVERY,))
    assert wrong.is_struck
    assert right.replaces == wrong
    heavy, light = (entry.flows.aggregate(kg=Sum("mass_kg"))["kg"] for entry in (wrong, right))
    assert heavy / light > 9.9
    other = Lot.objects.get(code=told["struck turning"].lot)
    assert any(entry.is_struck for entry in history.entries(lot=other, kinds=(Kind.TURN,)))


def test_the_gap_over_the_holiday_is_in_the_records_and_in_the_proofs(told):
    begins = told["holiday gap"].day
    gap = [begins + timedelta(days=n) for n in range(7)]
    read = {local_day(datetime.fromtimestamp(one, ZoneInfo(site.ZONE)))
            for one in Reading.objects.values_list("time_s", flat=True)}  # fmt: skip
    assert not read & set(gap)
    assert begins - timedelta(days=1) in read
    hot = [
        one
        for one in state.state_at(datetime.combine(begins, datetime.min.time(), NOW.tzinfo))
        if one.stage == "hot" and (begins - one.begun_at.date()).days < 20
    ]
    assert hot
    assert any(verdict(one.code).gaps for one in hot)


def test_the_wet_month_is_the_wettest(told):
    begins = told["wet month"].day
    days = Weather.objects.filter(day__range=(begins, begins + timedelta(days=29)))
    wet_mm = days.aggregate(mm=Sum("rain_mm"))["mm"]
    assert wet_mm > 200
    year_mm = Weather.objects.aggregate(mm=Sum("rain_mm"))["mm"]
    assert wet_mm > 3 * (year_mm - wet_mm) / 11


def test_what_was_logged_offline_came_later_than_it_happened(told):
    late = [
        entry
        for entry in Entry.objects.filter(kind=Kind.CHECK)
        if entry.recorded_at - entry.happened_at > timedelta(minutes=20)
    ]
    assert len(late) > 30
