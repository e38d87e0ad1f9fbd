"""Decisions on the pages: one tap writes what a task says, and doing is compared with leaving."""

from __future__ import annotations

import csv
import io
import re
import sys
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.cache import caches
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from heapwright.data import sources
from heapwright.data.decisions import decision_figures
from heapwright.web.charts import engine
from heapwright.web.tend import compare
from heapwright.yard import forecast, tend
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Entry, Flow, Kind, Lot
from heapwright.yard.receive import DeliveryLine, ReceiveDelivery, receive_delivery


def page(client: Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return answer.content.decode().replace("\u00a0", " ")


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


@pytest.fixture
def decided(small_site, settings):
    """Have the hot pile read yesterday too, so that its turning is due, and decided about."""
    caches["forecasts"].clear()
    settings.FORECASTS = "off"
    act = tend.CheckLot(
        happened_at=timezone.now() - timedelta(days=1),
        lot="K-003",
        temps=(tend.Temp(point="1", temp_c=64.0), tend.Temp(point="2", temp_c=63.0)),
    )
    tend.check(act, small_site.lead)
    kept = forecast.refresh(small_site.hot.id)
    yield kept.answer
    caches["forecasts"].clear()


def turning(outlook):
    return next(one for one in outlook.decisions if one.kind == "turn")


def against(one) -> str:
    """Return what the way is called against which it is held: the weather is the season's."""
    return "later" if one.ways[0].name == "later" else "left"


# --- the task and its page


def test_a_turning_due_is_told_with_what_the_forecast_makes_of_it(as_, decided):
    assert "turn" in [one.kind for one in decided.decisions]
    for path in ("/", "/piles/K-003/"):
        html = page(as_("lead"), path)
        task = html[html.index("<h3>Turn Bay 3") :]
        task = words(task[: task.index("</li>")])
        assert "US-FDA-T counts this as turning 2 of 5." in task
        assert "By the forecast:" in task
        assert "of 100 runs" in task
        assert "Compare with leaving it" in task
        assert 'href="/piles/K-003/compare/#turn"' in html


def test_both_ways_stand_side_by_side_with_their_figures(as_, decided):
    said = words(page(as_("reader"), "/piles/K-003/compare/"))
    one = turning(decided)
    title = "Turn it today, or wait" if against(one) == "later" else "Turn it today, or leave it"
    assert title in said
    assert f"Core of K-003: {title}" in said
    core = next(each for each in one.compared if each.figure == "core_c")
    left, gain = core.left.middle * 1.8 + 32.0, core.gain.middle * 1.8
    assert f"Mean core of 7 days {left:.0f} °F" in said
    sign = "\u2212" if gain < 0 else "+"
    assert f"{sign}{abs(gain):.0f} °F (" in said
    assert "Days at 131 °F or more, of 7" in said
    assert "Modelled temperatures prove nothing: only readings count for the proof." in said


def test_the_curves_stand_in_a_table_day_by_day_and_in_a_file(as_, decided):
    html = page(as_("reader"), "/piles/K-003/compare/")
    days = html[html.index('id="turn-days-caption"') :]
    days = days[: days.index("</table>")]
    assert 14 <= days.count("<tr>") - 1 <= 16
    one = turning(decided)
    assert f"Core, {against(one)}" in days
    assert "Core, today" in days
    assert "Proof, today" in days
    answer = as_("reader").get("/piles/K-003/compare/?format=csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    done = one.ways[1]
    mine = [row for row in rows if (row["decision"], row["way"]) == ("turn", "done")]
    assert len(mine) == len(done.hours)
    assert float(mine[-1]["core_temp_c_p50"]) == pytest.approx(float(done.core_c.p50[-1]), abs=1e-3)


def test_the_working_names_each_threshold_with_its_source(as_, decided):
    said = words(page(as_("reader"), "/piles/K-003/compare/"))
    assert "Show the working" in said
    assert "difference = done − left, run by run" in said
    for name in turning(decided).rests_on:
        fact = decision_figures()[name]
        assert fact.note.split('"')[0][:40] in said.replace("&#x27;", "'")
        assert sources()[fact.sources[0]].in_short in said
    assert "project-judgement" not in said
    assert "members" not in said[: said.index("Show the working")]


def test_thresholds_are_told_in_the_person_s_units():
    figures = decision_figures()
    told = {
        name: compare.threshold(figures[name], absolute=name == "cold_c", system="us")
        for name in ("near_air_c", "cold_c", "rain_mm", "small_m3", "proof_gain_days", "heat_days")
    }
    assert told == {
        "near_air_c": {"value": "18", "unit": "°F"},  # a difference
        "cold_c": {"value": "41", "unit": "°F"},
        "rain_mm": {"value": "0.394", "unit": "in"},
        "small_m3": {"value": "1.31", "unit": "yd³"},
        "proof_gain_days": {"value": "1", "unit": "day"},
        "heat_days": {"value": "7", "unit": "days"},
    }


def test_nothing_to_decide_says_so_and_what_is_being_computed_says_so(as_, small_site, settings):
    caches["forecasts"].clear()
    settings.FORECASTS = "off"
    said = words(page(as_("reader"), "/piles/K-003/compare/"))
    assert "It is being computed" in said
    assert "Nothing is worth a word" not in said
    assert as_("reader").get("/piles/K-003/compare/?format=csv").status_code == 200
    settings.FORECASTS = "inline"
    tend.declare_stage(
        tend.DeclareStage(happened_at=timezone.now(), lot="K-002", stage="ready"), small_site.lead
    )
    said = words(page(as_("reader"), "/piles/K-002/compare/"))
    assert "It is not foreseen: a heap that is ready is not foreseen." in said
    assert as_("reader").get("/piles/K-999/compare/").status_code == 404
    assert words(page(as_("reader"), f"/piles/{small_site.scraps.code}/compare/"))
    caches["forecasts"].clear()


def test_what_changed_since_leaves_log_and_rules_alone_and_says_so(as_, decided, small_site):
    assert "By the forecast" in page(as_("lead"), "/")
    tend.water(tend.Water(happened_at=timezone.now(), lot="K-003", litres=9.0), small_site.helper)
    for path in ("/", "/piles/K-003/"):
        assert "By the forecast" not in page(as_("lead"), path)
    said = words(page(as_("lead"), "/"))
    assert "are being worked out: until then their tasks come from log and rules alone" in said
    assert "something has changed since" in words(page(as_("lead"), "/piles/K-003/compare/"))


def test_its_charts_were_drawn_with_the_forecast(as_, decided, monkeypatch):
    drawn = []

    class Engine:
        @staticmethod
        def vegalite_to_svg(spec: str, **_more: object) -> str:
            drawn.append(spec)
            return "<svg xmlns='http://www.w3.org/2000/svg'/>"

    engine._labelled.cache_clear()
    monkeypatch.setitem(sys.modules, "vl_convert", Engine)
    assert "Core of K-003" in page(as_("lead"), "/piles/K-003/compare/")
    assert drawn == []


def test_stock_that_came_since_is_told_as_a_reason_to_work_it_out_again(as_, decided, small_site):
    assert "is being worked out again" not in words(page(as_("lead"), "/piles/K-003/compare/"))
    line = DeliveryLine(material="wood_chips", quantity=Quantity(mass_kg=400.0), place="S1")
    receive_delivery(
        ReceiveDelivery(happened_at=timezone.now(), source="kitchen", lines=(line,)),
        small_site.lead,
    )
    said = words(page(as_("lead"), "/piles/K-003/compare/"))
    assert "what to do is being worked out again" in said
    assert "By the forecast" not in page(as_("lead"), "/")


def test_a_past_day_tells_no_forecast(as_, decided):
    yesterday = (timezone.localdate() - timedelta(days=1)).isoformat()
    assert "By the forecast" not in page(as_("lead"), f"/?on={yesterday}")


def test_the_page_asks_few_questions(as_, decided):
    client = as_("reader")
    page(client, "/piles/K-003/compare/")
    with CaptureQueriesContext(connection) as asked:
        page(client, "/piles/K-003/compare/")
    assert len(asked) < 60


# --- one tap


def tap(client: Client, **fields: object):
    sent = {"entry_id": str(uuid4()), **fields}
    return client.post("/today/do/", sent), sent


def entries(kind: Kind) -> int:
    return Entry.objects.filter(kind=kind, struck_at=None).count()


def test_one_tap_writes_the_water_and_the_turning(as_, small_site):
    before = entries(Kind.WATER), entries(Kind.TURN)
    answer, sent = tap(as_("helper"), kind="water", lot="K-003", litres="149", turned="yes")
    assert answer.status_code == 303
    assert (entries(Kind.WATER), entries(Kind.TURN)) == (before[0] + 1, before[1] + 1)
    poured = Entry.objects.get(uuid=sent["entry_id"])
    assert poured.sent["litres"] == 149.0
    assert Flow.objects.get(entry=poured).mass_kg == pytest.approx(149.0)
    again = as_("helper").post("/today/do/", sent)
    assert again.status_code == 303
    assert (entries(Kind.WATER), entries(Kind.TURN)) == (before[0] + 1, before[1] + 1)


def test_both_entries_of_a_tap_can_be_undone(as_):
    client = as_("helper")
    answer, _sent = tap(client, kind="water", lot="K-003", litres="20", turned="yes")
    html = client.get(answer["Location"]).content.decode()
    assert len(set(re.findall(r"/more/undo/[0-9a-f-]{36}/", html))) == 2


def test_one_tap_turns_stock_in_and_takes_it_off_what_is_on_hand(as_, small_site):
    before = Lot.objects.get(code=small_site.leaves.code)
    there = dict(Flow.objects.filter(from_lot=before).values_list("id", "mass_kg"))
    answer, sent = tap(
        as_("lead"), kind="add", lot="K-003", take=[f"{small_site.leaves.code}=12.5"],
        turned="yes",
    )  # fmt: skip
    assert answer.status_code == 303
    flow = Flow.objects.exclude(id__in=there).get(entry__uuid=sent["entry_id"], from_lot=before)
    assert flow.mass_kg == pytest.approx(12.5)
    assert flow.to_lot.code == "K-003"
    as_("lead").post("/today/do/", sent)
    assert Flow.objects.filter(entry__uuid=sent["entry_id"], from_lot=before).count() == 1


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": "water", "lot": "K-003", "litres": "much"},
        {"kind": "water", "lot": "K-003", "litres": "nan"},
        {"kind": "water", "lot": "K-003", "litres": "-3"},
        {"kind": "water", "lot": "K-003"},
        {"kind": "add", "lot": "K-003", "take": ["D-999=5"]},
        {"kind": "add", "lot": "K-003", "take": ["D-001=lots"]},
        {"kind": "add", "lot": "K-003", "take": ["D-001=99999"]},
        {"kind": "add", "lot": "K-003"},
        {"kind": "discard", "lot": "K-003"},
    ],
    ids=lambda fields: "-".join(str(value) for value in fields.values()),
)
def test_a_tap_that_cannot_be_writes_nothing_at_all(as_, small_site, fields):
    before, client = Entry.objects.count(), as_("lead")
    answer, _sent = tap(client, **fields, turned="yes")
    assert answer.status_code == 303
    assert Entry.objects.count() == before
    html = client.get("/").content.decode()
    assert 'class="strip error"' in html or 'role="alert"' in html


def test_a_reader_taps_nothing(as_, decided):
    answer, _sent = tap(as_("reader"), kind="water", lot="K-003", litres="20")
    assert answer.status_code == 403
    assert "/today/do/" not in page(as_("reader"), "/")
