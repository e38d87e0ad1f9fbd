"""The forecast of the site's own heaps: from entries to the plan, kept until something changes."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner
from django.core.cache import caches
from django.dispatch import Signal
from tests.yard.acting import NOW, at, kg

from heapwright.cli import cli
from heapwright.data import materials
from heapwright.data.mixing import mix_facts
from heapwright.data.pile import pile_covers, pile_parameters
from heapwright.files.pile import PileFacts, read_pile
from heapwright.science.air import saturated_humidity
from heapwright.yard import (
    forecast,
    forecast_learned,
    forecast_marks,
    forecast_plan,
    forecast_told,
    prove,
    receive,
    state,
    tend,
    today,
    use,
)
from heapwright.yard import weather as site_weather
from heapwright.yard.acts import first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.forecast import Modelled, Outlook
from heapwright.yard.forecast_told import UntoldError
from heapwright.yard.forecast_worker import worker
from heapwright.yard.models import Lot, OwnMaterial, Place, Site
from heapwright.yard.strike import strike


@pytest.fixture(autouse=True)
def _empty_cache():
    caches["forecasts"].clear()
    yield
    caches["forecasts"].clear()


@pytest.fixture
def inline(settings):
    settings.FORECASTS = "inline"


def weather_for(start, hours):
    return site_weather.hourly_for(start, hours)[0]


def told(lot: Lot) -> forecast_told.Told:
    return forecast_plan.told(lot, weather_for)


def stock(yard, day: float = 0.0) -> tuple[Lot, Lot]:
    """Return leaves and scraps on hand."""
    return yard.deliver(day, 900, "leaves_shredded"), yard.deliver(day, 400)


def hot_pile(yard, day: float = 1.0) -> Lot:
    leaves, scraps = stock(yard)
    return yard.build(day, (leaves, 250), (scraps, 240), water_l=20.0, volume_m3=1.44)


# --- the plan


def busy(yard) -> Lot:
    """Return a pile to which all was done that a PILE.toml can say too."""
    leaves, scraps = stock(yard)
    pile = yard.build(1, (leaves, 250), (scraps, 240), (leaves, 30), water_l=20.0, volume_m3=1.44)
    now = NOW
    tend.cover(tend.CoverLot(happened_at=at(2), lot=pile.code, cover="tarp"), yard.lead, now=now)
    yard.turn(5, pile)
    tend.water(tend.Water(happened_at=at(6), lot=pile.code, litres=35.0), yard.lead, now=now)
    yard.add(7, pile, (scraps, 60))
    tend.cover(tend.CoverLot(happened_at=at(8), lot=pile.code, cover="open"), yard.lead, now=now)
    yard.turn(9, pile, "B2")
    return pile


FILE = """
[pile]
shape = "bay"
width_m = 1.2
length_m = 1.2
height_m = {height!r}
cover = "open"
built = {built}
start_temp_c = {start!r}
[[pile.material]]
material = "leaves_shredded"
mass_kg = 280.0
[[pile.material]]
material = "food_scraps_mixed"
mass_kg = 240.0
[[pile.material]]
material = "water"
mass_kg = {water!r}
[[act]]
day = 1.0
act = "covered"
[[act]]
day = 4.0
act = "turned"
[[act]]
day = 5.0
act = "wetted"
litres = {litres!r}
[[act]]
day = 6.0
act = "added"
material = "food_scraps_mixed"
mass_kg = 60.0
[[act]]
day = 7.0
act = "uncovered"
[[act]]
day = 8.0
act = "moved"
height_m = {moved!r}
[weather]
file = "weather.csv"
soil_temp_c = {ground!r}
[forecast]
days = 30
members = 12
seed = 3
"""


def written(tmp_path, heap: forecast_told.Told, days: float = 30.0):
    """Write the pile of :func:`busy` and its weather as files, and return the path."""
    weather = weather_for(heap.built, days * 24.0)
    rows = ["time,temp_c,rain_mm,humidity_pct,wind_m_s"]
    for hour, temp in enumerate(weather.temp_c):
        when = heap.built + timedelta(hours=hour)
        wet = 100.0 * weather.humidity[hour] / float(saturated_humidity(temp))
        rows.append(
            f"{when.isoformat()},{float(temp)!r},{float(weather.rain_mm_h[hour])!r},"
            f"{min(float(wet), 100.0)!r},{float(weather.wind_m_s[hour])!r}"
        )
    (tmp_path / "weather.csv").write_text("\n".join(rows) + "\n")
    plan = heap.plan
    density = 1000.0
    text = FILE.format(
        height=plan.shape.height_m,
        built=heap.built.isoformat(),
        start=plan.start_temp_c,
        water=20.0 * density / 1000.0,
        litres=35.0 * density / 1000.0,
        moved=next(act.shape for act in plan.acts if act.name == "moved").height_m,
        ground=weather.ground_c,
    )
    path = tmp_path / "pile.toml"
    path.write_text(text)
    return path


def test_the_plan_from_the_entries_is_the_plan_of_the_same_pile_in_a_file(yard, tmp_path):
    heap = told(busy(yard))
    facts = PileFacts(
        library=materials(),
        mix=mix_facts(),
        covers=pile_covers(),
        shelter=pile_parameters()["shelter"].typical,
    )
    plan = read_pile(written(tmp_path, heap), facts).plan
    assert heap.plan.shape == plan.shape
    assert heap.plan.parts == plan.parts
    assert heap.plan.cover == plan.cover
    assert heap.plan.start_temp_c == plan.start_temp_c
    assert [act.name for act in heap.plan.acts] == [
        "covered", "turned", "wetted", "added", "uncovered", "moved",
    ]  # fmt: skip
    assert heap.plan.acts == plan.acts


def test_the_command_forecasts_the_file_as_the_site_forecasts_its_own(yard, tmp_path):
    pile = busy(yard)
    heap = told(pile)
    path = written(tmp_path, heap)
    answer = CliRunner().invoke(cli, ["forecast", str(path), "--json"])
    assert answer.exit_code == 0, answer.output
    printed = json.loads(answer.output)
    # a file states its weather, the site's typical days vary
    weather = replace(weather_for(heap.built, 30.0 * 24.0), spread=None)
    ours = forecast.model(heap, (), weather, days=30.0, members=12, seed=3).forecast
    assert len(printed["core_temp_c"]["p50"]) == len(ours.hours)
    for level in ("p5", "p50", "p95"):
        theirs = np.array(printed["core_temp_c"][level])
        assert theirs == pytest.approx(getattr(ours.core_temp_c, level), abs=0.2)
    assert np.array(printed["moisture_pct"]["p50"]) == pytest.approx(ours.moisture_pct.p50, abs=0.2)


def test_filling_over_days_is_a_build_and_additions_and_the_shape_grows(yard):
    leaves, scraps = stock(yard)
    pile = yard.build(1, (leaves, 100), (scraps, 80), full=False)
    yard.add(2, pile, (leaves, 80), (scraps, 60), full=False)
    yard.add(3, pile, (scraps, 60), full=True)
    heap = told(pile)
    assert [(act.day, act.name) for act in heap.plan.acts] == [
        (1.0, "added"), (1.0, "added"), (2.0, "added"),
    ]  # fmt: skip
    assert heap.shape_at(72.0).height_m > 1.5 * heap.plan.shape.height_m
    assert heap.shape_at(72.0).width_m == heap.plan.shape.width_m == 1.2


def test_what_is_divided_off_goes_on_with_the_heaps_history_and_takes_its_share(yard):
    pile = hot_pile(yard)
    yard.read(3, pile, 55.0)
    part = tend.Part(place="B3", quantity=kg(127.5))
    entry = tend.divide(
        tend.Divide(happened_at=at(6), lot=pile.code, parts=(part,)), yard.lead, now=NOW
    )
    new = first_lot(entry)
    yard.read(8, new, 48.0)
    rest, off = told(pile), told(new)
    assert rest.built == off.built
    assert [(a.day, a.name) for a in off.plan.acts] == [(5.0, "taken off"), (5.0, "moved")]
    assert off.plan.acts[0].share == pytest.approx(0.75)
    assert [(a.day, a.name) for a in rest.plan.acts] == [(5.0, "taken off")]
    assert rest.plan.acts[0].share == pytest.approx(0.25)
    assert [one.temp_c for one in off.temps] == [55.0, 48.0]
    assert [one.temp_c for one in rest.temps] == [55.0]
    _digest, answer = forecast.foresee(new, now=at(10), members=8)
    assert isinstance(answer, Outlook)
    assert answer.forecast.balance.mass_residual < 1e-9
    assert answer.forecast.wet_mass_kg.p50[-1] < 140.0


def test_a_combined_heap_goes_on_with_the_larger_one_and_takes_the_other_in(yard):
    large = hot_pile(yard)
    leaves, scraps = stock(yard, 1.5)
    small = yard.build(2, (leaves, 120), (scraps, 100), place="B2", volume_m3=0.7)
    entry = tend.combine(
        tend.Combine(happened_at=at(8), lots=(small.code, large.code), place="B3"),
        yard.lead,
        now=NOW,
    )
    new = first_lot(entry)
    heap = told(new)
    assert heap.built == at(1)
    combined, moved = heap.plan.acts
    assert (combined.name, moved.name) == ("combined", "moved")
    assert combined.other_hours == pytest.approx(6 * 24.0)
    assert [part.mass_kg for part in combined.other.parts] == [120.0, 100.0]
    _digest, answer = forecast.foresee(new, now=at(10), members=8)
    assert isinstance(answer, Outlook)
    start_kg = 510 + 220
    assert answer.forecast.wet_mass_kg.p50[answer.at(at(9))] == pytest.approx(start_kg, rel=0.2)
    assert answer.forecast.balance.energy_residual < 1e-9


def test_unpublished_figures_are_filled_in_and_named_and_overs_stand_for_chips(yard):
    trimmings = yard.deliver(0, 300, "veg_trimmings")
    leaves = yard.deliver(0, 900, "leaves_shredded")
    pile = yard.build(1, (leaves, 250), (trimmings, 240), volume_m3=1.44)
    said = " ".join(one.said() for one in told(pile).assumed)
    assert "Vegetable trimmings" in said
    assert "taken like Food scraps, mixed" in said


def test_books_that_no_heap_weighs_are_refused_with_the_reason(yard):
    leaves, scraps = stock(yard)
    pile = yard.build(1, (leaves, 250), (scraps, 240), volume_m3=0.2)
    _digest, answer = forecast.foresee(pile, now=at(3))
    assert isinstance(answer, UntoldError)
    assert "kg in a cubic metre" in answer.said()


def test_a_heap_of_before_the_records_is_foreseen_only_if_its_start_is_known(yard):
    def opened(code, **more):
        act = receive.OpenLot(
            happened_at=at(0), kind="pile", place="B1", stage="hot", code=code,
            quantity=Quantity(mass_kg=500.0, volume_m3=1.2),
            materials=(
                receive.OpeningPart(material="food_scraps_mixed", share_pct=50.0),
                receive.OpeningPart(material="leaves_shredded", share_pct=50.0),
            ),
            **more,
        )  # fmt: skip
        return first_lot(receive.open_lot(act, yard.lead, now=NOW))

    unknown, known = opened("OLD-1"), opened("OLD-2", start_known=True)
    with pytest.raises(UntoldError, match="how it was built"):
        told(unknown)
    assert [part.mass_kg for part in told(known).plan.parts] == [250.0, 250.0]


def test_planned_turnings_are_those_that_the_rule_still_asks(yard):
    pile = hot_pile(yard)
    yard.turn(5, pile)
    standing = state.lot_state(pile.code, at(6))
    turns = forecast.planned_turns(standing, at(6), 21.0)
    assert len(turns) == 5  # none counts yet: the pile was not read hot
    local = [when.astimezone(Site.load().tz) for when in turns]
    assert {when.hour for when in local} == {9}
    assert {(b.date() - a.date()).days for a, b in pairwise(local)} == {3}
    assert local[0].date() >= (at(5) + timedelta(days=3)).date() - timedelta(days=1)
    yard.declare(7, pile, "curing")
    standing = state.lot_state(pile.code, at(8))
    assert forecast.planned_turns(standing, at(8), 21.0) == ()


def test_a_rule_without_turnings_plans_none(yard):
    leaves, scraps = stock(yard)
    Place.objects.filter(code="B3").update(kind="vessel")
    pile = yard.build(1, (leaves, 250), (scraps, 240), place="B3", volume_m3=1.44)
    standing = state.lot_state(pile.code, at(3))
    assert forecast.planned_turns(standing, at(3), 21.0) == ()


# --- readings


def test_readings_bend_the_forecast_and_say_how_many_were_used(yard):
    pile = hot_pile(yard)
    for day, temp_c in ((2, 30.0), (3, 34.0), (4, 36.0), (5, 36.0), (6, 35.0)):
        yard.read(day, pile, temp_c, "core")
    _digest, bent = forecast.foresee(pile, now=at(6.5), members=40)
    heap = told(pile)
    weather = weather_for(heap.built, 26.5 * 24.0)
    plain = forecast.model(
        replace(heap, temps=(), moistures=(), heights=()), (), weather,
        days=26.5, members=40, seed=1,
    ).forecast  # fmt: skip
    index = bent.at(at(6))
    assert bent.used + len(bent.set_aside) == 5
    assert plain.core_temp_c.p50[index] > 50.0
    assert bent.forecast.core_temp_c.p50[index] == pytest.approx(35.0, abs=6.0)


# --- the cache


def _check(yard, pile):
    return yard.read(3, pile, 61.0)


def _squeeze(yard, pile):
    act = tend.CheckLot(happened_at=at(3), lot=pile.code, squeeze="drips", height_m=1.0)
    return tend.check(act, yard.lead, now=NOW)


def _turn(yard, pile):
    return yard.turn(3, pile)


def _move(yard, pile):
    return tend.move(tend.Move(happened_at=at(3), lot=pile.code, to_place="B2"), yard.lead, now=NOW)


def _water(yard, pile):
    return tend.water(tend.Water(happened_at=at(3), lot=pile.code, litres=30), yard.lead, now=NOW)


def _cover(yard, pile):
    act = tend.CoverLot(happened_at=at(3), lot=pile.code, cover="tarp")
    return tend.cover(act, yard.lead, now=NOW)


def _add(yard, pile):
    return yard.add(3, pile, (Lot.objects.get(code="D-002"), 40.0))


def _combine(yard, pile):
    leaves, scraps = stock(yard, 1.5)
    other = yard.build(2, (leaves, 120), (scraps, 100), place="B2", volume_m3=0.7)
    act = tend.Combine(happened_at=at(3), lots=(other.code,), into=pile.code)
    return tend.combine(act, yard.lead, now=NOW)


def _divide(yard, pile):
    part = tend.Part(place="B3", quantity=kg(100))
    act = tend.Divide(happened_at=at(3), lot=pile.code, parts=(part,))
    return tend.divide(act, yard.lead, now=NOW)


def _measure(yard, pile):
    act = tend.WeighOrMeasure(happened_at=at(3), lot=pile.code, volume_m3=1.1, settled=True)
    return tend.weigh_or_measure(act, yard.lead, now=NOW)


def _lab_of_pile(yard, pile):
    results = (prove.Result(quantity="moisture_pct", value=63.0),)
    act = prove.LogResult(happened_at=at(3), lot=pile.code, results=results)
    return prove.log_result(act, yard.lead, now=NOW)


def _lab_of_stock(yard, _pile):
    results = (prove.Result(quantity="moisture_pct", value=75.0),)
    act = prove.LogResult(happened_at=at(3), lot="D-002", results=results)
    return prove.log_result(act, yard.lead, now=NOW)


def _lab_of_material(yard, _pile):
    results = (prove.Result(quantity="moisture_pct", value=75.0),)
    act = prove.LogResult(happened_at=at(0.5), material="food_scraps_mixed", results=results)
    return prove.log_result(act, yard.lead, now=NOW)


def _weather(yard, _pile):
    act = tend.LogWeather(
        happened_at=at(4), day=at(3).date(), rain_mm=44.0, temp_min_c=-6.0, temp_max_c=-1.0
    )
    return tend.log_weather(act, yard.lead, now=NOW)


ENTRIES = (
    _check, _squeeze, _turn, _move, _water, _cover, _add, _combine, _divide, _measure,
    _lab_of_pile, _lab_of_stock, _lab_of_material, _weather,
)  # fmt: skip


@pytest.fixture
def counted(monkeypatch):
    """Return a list that grows with each run of the model, which is quick and empty here."""
    runs = []

    def model(heap, turns, weather, **_options):
        runs.append(heap)
        return Modelled(forecast=None)

    monkeypatch.setattr(forecast, "model", model)
    monkeypatch.setattr(forecast, "foreseen", Signal())  # there is nothing to draw
    return runs


@pytest.mark.parametrize("act", ENTRIES, ids=lambda act: act.__name__.strip("_"))
def test_each_kind_of_entry_and_its_strike_make_the_answer_anew(yard, counted, act):
    pile = hot_pile(yard)
    first = forecast.refresh(pile.id, now=at(5))
    assert forecast.refresh(pile.id, now=at(5.1)) == first
    assert len(counted) == 1
    entry = act(yard, pile)
    second = forecast.refresh(pile.id, now=at(5.2))
    assert second.digest != first.digest
    assert len(counted) == 2
    strike(entry.uuid, "never happened", yard.lead, now=NOW)
    third = forecast.refresh(pile.id, now=at(5.3))
    assert third.marks not in (first.marks, second.marks)
    assert third.digest != second.digest
    assert len(counted) == 3


def test_what_does_not_matter_is_looked_at_but_not_run_again(yard, counted):
    pile = hot_pile(yard)
    forecast.refresh(pile.id, now=at(5))
    tend.log_labour(
        tend.LogLabour(happened_at=at(4), hours=2, task="turning", lot=pile.code),
        yard.lead,
        now=NOW,
    )
    before = forecast_marks.marks_of([pile.id], at(5))[pile.id]
    Place.objects.filter(code="BED1").update(width_m=2.0)
    assert forecast_marks.marks_of([pile.id], at(5))[pile.id] != before
    forecast.refresh(pile.id, now=at(5))
    assert len(counted) == 1


def test_a_place_an_own_material_and_a_new_day_make_it_anew(yard, counted):
    pile = hot_pile(yard)
    forecast.refresh(pile.id, now=at(5))
    Place.objects.filter(code="B1").update(width_m=1.5)
    forecast.refresh(pile.id, now=at(5))
    assert len(counted) == 2
    before = forecast_marks.marks_of([pile.id], at(5))[pile.id]
    OwnMaterial.objects.create(
        code="mill_chaff", name="Mill chaff", category="hay_straw", moisture_pct=11.0,
        c_pct_dry=44.0, cn=70.0,
    )  # fmt: skip
    assert forecast_marks.marks_of([pile.id], at(5))[pile.id] != before
    forecast.refresh(pile.id, now=at(6))
    assert len(counted) == 3


def test_the_answer_survives_a_restart_and_belongs_to_this_version_of_the_model(
    yard, counted, monkeypatch
):
    pile = hot_pile(yard)
    kept = forecast.refresh(pile.id, now=at(5))
    caches["forecasts"].close()
    assert forecast.refresh(pile.id, now=at(5)).digest == kept.digest
    assert len(counted) == 1
    monkeypatch.setattr(forecast, "model_version", lambda: "another")
    forecast.refresh(pile.id, now=at(5))
    assert len(counted) == 2


def test_an_answer_of_another_version_is_not_even_read(yard, counted, settings, monkeypatch):
    """It may be made of records that this version knows no more: a page would fail on it."""
    pile = hot_pile(yard)
    monkeypatch.setattr(forecast, "model_version", lambda: "before")
    forecast.refresh(pile.id, now=at(5))
    monkeypatch.setattr(forecast, "model_version", lambda: "after")
    settings.FORECASTS = "off"
    found = forecast.look([state.lot_state(pile.code, at(5))], now=at(5))[pile.id]
    assert found.outlook is None
    assert found.pending


def test_later_that_day_the_same_records_spare_the_run(yard, counted):
    pile = hot_pile(yard)
    forecast.refresh(pile.id, now=at(5.1))
    Place.objects.filter(code="BED1").update(width_m=2.0)
    forecast.refresh(pile.id, now=at(5.2))
    assert len(counted) == 1


def test_what_lies_behind_overs_does_not_matter_and_what_lies_behind_a_heap_does(yard, counted):
    """Overs are taken as such: nothing that is written about where they came from matters."""
    leaves, scraps = stock(yard)
    old = yard.build(1, (leaves, 250), (scraps, 140), volume_m3=1.2)
    yard.declare(20, old, "ready")
    screened = use.screen(
        use.Screen(
            happened_at=at(21), lot=old.code, compost=use.Output(place="SC", quantity=kg(200)),
            overs=use.Output(place="S2", quantity=kg(80)),
        ),
        yard.lead,
        now=NOW,
    )  # fmt: skip
    overs = next(lot for lot in screened.lots.all() if lot.kind == "overs")
    pile = yard.build(22, (overs, 60), (scraps, 200), place="B2", volume_m3=0.9)
    line = forecast_marks.parents_of([pile.id])
    assert set(line) == {pile.id, overs.id, scraps.id}
    assert line[overs.id] == set()
    mark = forecast_marks.marks_of([pile.id], at(30))[pile.id]
    yard.read(10, old, 50.0)
    assert forecast_marks.marks_of([pile.id], at(30))[pile.id] == mark
    yard.turn(24, pile)
    assert forecast_marks.marks_of([pile.id], at(30))[pile.id] != mark


def test_when_an_answer_is_there_it_is_told_before_pages_find_it(yard, counted):
    pile = hot_pile(yard)
    told_of = []

    def hear(lot, outlook, now, **_sent):
        told_of.append((lot, outlook.now, now, caches["forecasts"].get(forecast._name(lot.id))))

    forecast.foreseen.connect(hear)
    try:
        forecast.refresh(pile.id, now=at(5))
        forecast.refresh(pile.id, now=at(5.1))
    finally:
        forecast.foreseen.disconnect(hear)
    assert told_of == [(pile, at(5), at(5), None)]


def test_a_page_is_told_the_last_answer_while_a_newer_one_is_to_come(yard, counted, settings):
    pile = hot_pile(yard)
    settings.FORECASTS = "off"
    standing = [state.lot_state(pile.code, at(5))]
    unknown = forecast.look(standing, now=at(5))[pile.id]
    assert unknown.outlook is None
    assert unknown.pending
    settings.FORECASTS = "inline"
    fresh = forecast.look(standing, now=at(5))[pile.id]
    assert fresh.fresh
    assert fresh.outlook.lot == pile.code
    settings.FORECASTS = "off"
    yard.read(4, pile, 60.0)
    old = forecast.look(standing, now=at(5.5))[pile.id]
    assert old.outlook == fresh.outlook
    assert old.pending
    assert old.made_at == at(5)


def test_heaps_that_are_ready_or_too_old_are_not_foreseen_and_say_so(yard, counted):
    pile = hot_pile(yard)
    yard.declare(7, pile, "ready")
    standing = [state.lot_state(pile.code, at(9))]
    known = forecast.look(standing, now=at(9))[pile.id]
    assert known.fresh
    assert "ready" in known.untold.said()
    assert not counted
    assert math.isfinite(known.usual_s)


@pytest.mark.django_db(transaction=True)
def test_the_worker_computes_it_in_the_background(settings, transactional_db):
    from tests.yard.acting import Yard

    yard = Yard()
    pile = hot_pile(yard)
    settings.FORECASTS = "background"
    standing = [state.lot_state(pile.code, at(3))]
    assert forecast.look(standing, now=at(3))[pile.id].pending
    assert worker.wait_for_all(240)
    known = forecast.look(standing, now=at(3))[pile.id]
    settings.FORECASTS = "off"
    assert known.fresh
    assert known.outlook.forecast.core_temp_c.p50[-1] > 0.0


# --- never a proof


def test_no_verdict_changes_by_what_is_foreseen(yard, inline):
    pile = hot_pile(yard)
    standing = state.lot_state(pile.code, at(25))
    before = today.proofs_of([standing], Site.load())[pile.id]
    known = forecast.look([standing], now=at(25))[pile.id]
    assert known.outlook.forecast.chance_hot > 0.5
    after = today.proofs_of([standing], Site.load())[pile.id]
    assert after == before
    assert after.verdict != "met"
    assert after.days_credited == 0


def test_stock_has_no_forecast(yard):
    leaves, _scraps = stock(yard)
    assert forecast.look([state.lot_state(leaves.code, at(1))], now=at(1)) == {}


# --- what past piles taught


def test_past_piles_set_the_starting_guess_once_all_of_them_are_in(yard, inline):
    leaves = yard.deliver(0, 3000, "leaves_shredded")
    scraps = yard.deliver(0, 3000)
    old = []
    for number, place in enumerate(("B1", "B2")):
        pile = yard.build(1 + number, (leaves, 250), (scraps, 240), place=place, volume_m3=1.44)
        for day, temp_c in ((2, 30.0), (4, 41.0), (6, 44.0), (9, 42.0), (12, 38.0)):
            yard.read(1 + number + day, pile, temp_c, "core")
        old.append(pile)
    new = yard.build(40, (leaves, 250), (scraps, 240), place="B3", volume_m3=1.44)
    version = forecast_marks.model_version()
    before = forecast_learned.lessons(version, at(41))
    assert set(before.missing) == {pile.id for pile in old}
    assert before.prior(at(40)) is None
    _digest, first = forecast.foresee(new, now=at(41), members=40)
    forecast_learned.learn(old[0].id, version)
    assert forecast_learned.lessons(version, at(41)).prior(at(40)) is None
    forecast_learned.learn(old[1].id, version)
    lessons = forecast_learned.lessons(version, at(41))
    assert not lessons.missing
    assert lessons.prior(at(40)).piles == 2
    assert lessons.prior(at(1)) is None  # none was built before the first
    _digest, second = forecast.foresee(new, now=at(41), members=40)
    assert (first.piles, second.piles) == (0, 2)
    # they never got hot, so fewer hot days are expected of this one than of the library's piles
    for level in ("p50", "p95"):
        hot_days = [
            float(getattr(one.forecast.days_at_or_above_55, level)) for one in (first, second)
        ]
        assert hot_days[1] < hot_days[0]
    yard.read(20, old[0], 30.0, "core")
    assert forecast_learned.lessons(version, at(41)).missing == (old[0].id,)
