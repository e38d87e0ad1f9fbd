"""The proof pages: the verdict, day by day, options, other rules, what is beside the rules."""

from __future__ import annotations

import csv
import io
import re
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, time, timedelta
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from tests.web.codes import whole_codes

from heapwright.data.sanitation import rules, terms
from heapwright.people.models import User
from heapwright.science.daily import Act
from heapwright.science.sanitation import Stated, evaluate
from heapwright.web.prove import judged
from heapwright.web.prove.judged import Judged, evidence_of, judge, open_until_s
from heapwright.web.prove.words import lowest_text, plain, whole_c
from heapwright.web.telling import yardstick_words
from heapwright.yard import prove, tend
from heapwright.yard.acts import Take
from heapwright.yard.amounts import Quantity
from heapwright.yard.mix import BuildPile, build_pile
from heapwright.yard.models import Entry, Lot, Site
from heapwright.yard.readings import Columns
from heapwright.yard.strike import strike
from heapwright.yard.yardstick import InForce


def text(answer, status: int = 200) -> str:
    assert answer.status_code == status
    html = whole_codes(answer.content.decode())
    return html.replace("&nbsp;", " ").replace("\u00a0", " ")


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def rows(html: str, table: str) -> list[list[str]]:
    """Return the cells of a table's rows by its id."""
    block = html[html.index(f'id="{table}-caption"') :]
    block = block[block.index("<tbody>") : block.index("</tbody>")]
    return [
        [
            words(cell)
            for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)
        ]
        for row in re.findall(r"<tr[^>]*>(.*?)</tr>", block, re.S)
    ]  # fmt: skip


def test_each_heap_with_the_chosen_rule(as_, small_site):
    html = text(as_("reader").get("/proof/"))
    by_code = {row[0]: row[1:] for row in rows(html, "lots")}
    assert set(by_code) == {small_site.hot.code, small_site.curing.code, small_site.compost.code}
    assert by_code[small_site.curing.code][3:] == ["Curing pad", "curing"]
    assert by_code[small_site.curing.code][0] == "met"
    hot = by_code[small_site.hot.code]
    assert (hot[0], *hot[3:]) == ("not yet", "Bay 3", "hot")
    assert re.fullmatch(r"\d of 15 days, 1 of 5 turnings", hot[1])
    assert "at the earliest" in hot[2]
    assert list(by_code)[-1] == small_site.curing.code  # what is met stands last
    assert re.search(r"\d of 3 heaps on the yard meet US-FDA-T\.", words(html))
    assert "15 days with every point at or above 131 °F; they need not be in a row." in words(html)
    assert "not a laboratory result" in html


def test_another_rule_is_kept_in_the_links(as_, small_site):
    html = text(as_("reader").get("/proof/?rule=NY-W"))
    assert f'href="/proof/{small_site.hot.code}/?rule=NY-W"' in html
    assert "15 days in a row" in html
    wrong = text(as_("reader").get("/proof/?rule=NOWHERE"), 422)
    assert "Select a valid choice" in wrong


def test_the_list_can_be_taken_away(as_, small_site):
    answer = as_("reader").get("/proof/?rule=NY-W&format=csv")
    taken = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    hot = next(row for row in taken if row["lot"] == small_site.hot.code)
    assert (hot["rule"], hot["verdict"], hot["days_needed"]) == ("NY-W", "not yet", "15")


def test_a_proof_day_by_day_is_that_of_the_science(as_, small_site):
    html = text(as_("reader").get(f"/proof/{small_site.curing.code}/"))
    proof = evaluate(prove.lot_log(small_site.curing), [rules()["US-FDA-T"]], Stated(), terms())[0]
    assert proof.verdict == "met"
    assert f"US-FDA-T is met, since {proof.met_at.day} {proof.met_at:%B %Y}." in html
    shown = rows(html, "days-1")
    assert len(shown) == len(proof.days)
    assert [row[2] == "yes" for row in shown] == [day.counts for day in proof.days]
    assert [row[3] for row in shown] == [plain(day.why, "us") for day in proof.days]
    assert rows(html, "turns-1")[0][1:] == ["yes", "turned while hot"]
    assert "Nothing more for this rule; keep the log with the batch." in html
    assert "<title" in html[html.index("<svg") :]
    assert f"Days of the proof by {proof.rule.id}" in html


def test_what_is_missing_and_what_to_do(as_, small_site):
    html = text(as_("reader").get(f"/proof/{small_site.hot.code}/?rule=NY-W"))
    site, now = Site.load(), timezone.now()
    proof = judge_lot(small_site.hot, "hot", [rules()["NY-W"]], Stated(), now, site.tz)[0].weakest
    assert proof.verdict == "not yet"
    assert proof.to_do[0].startswith("Turn ")
    for said in (*proof.to_do, *proof.gaps, *proof.notes):
        assert f"<li>{plain(said, 'us')}</li>".replace("\u00a0", " ") in html
    assert re.search(r"NY-W: not yet\. \d of 15 days, 1 of 5 turnings\. \d+ \w+ \d{4} at the", html)
    assert "New York, 6 NYCRR 361-3.7" in html


def test_the_days_can_be_taken_away(as_, small_site):
    answer = as_("reader").get(f"/proof/{small_site.curing.code}/?rule=NY-W&format=csv")
    taken = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    proof = evaluate(prove.lot_log(small_site.curing), [rules()["NY-W"]], Stated(), terms())[0]
    assert [(row["date"], row["counts"] == "yes", row["why"]) for row in taken] == [
        (day.date.isoformat(), day.counts, day.why) for day in proof.days
    ]
    assert f'filename="proof-{small_site.curing.code}-NY-W.csv"' in answer["Content-Disposition"]


def test_other_rules_stand_in_a_line_each(as_, small_site):
    html = text(as_("reader").get(f"/proof/{small_site.curing.code}/"))
    others = {row[0]: row[2] for row in rows(html, "others")}
    turned = {
        rule.id
        for rule in rules().values()
        if "turned" in rule.methods and rule.judged_by != "nothing in a log"
    }
    assert set(others) == turned - {"US-FDA-T"}
    proofs = evaluate(
        prove.lot_log(small_site.curing), [rules()[name] for name in others], Stated(), terms()
    )
    assert list(others.values()) == [proof.verdict for proof in proofs]


def test_what_no_log_can_say_is_stated(as_, small_site):
    client, code = as_("reader"), small_site.curing.code
    static = text(client.get(f"/proof/{code}/?rule=US-FDA-S"))
    assert (
        "The log does not say that air is supplied; state the method: aerated or vessel" in static
    )
    assert "--" not in words(static)
    stated = text(client.get(f"/proof/{code}/?rule=US-FDA-S&method=aerated"))
    assert "The log does not say" not in stated
    # a probe that may read 5 °F too high takes days away: 57 °C is 134.6 °F
    assert "is met" in text(client.get(f"/proof/{code}/"))
    less = text(client.get(f"/proof/{code}/?probe_error=5"))
    assert "is met" not in less
    assert re.search(
        r"lowest [\d.]+ °F \([\d.]+ °C\) less 5 °F of probe error is below", words(less)
    )
    one = text(client.get(f"/proof/{code}/?points=2"))
    assert "Only 2 counted" not in one  # a number, not the name of a point
    assert "Points that every day needs 2 stated: any so many different ones" in words(one)


def test_a_point_by_its_name(as_, small_site):
    tend.check(
        tend.CheckLot(
            happened_at=timezone.now(),
            lot=small_site.hot.code,
            temps=(tend.Temp(point="core", temp_c=61.0, depth_cm=45.0),),
        ),
        small_site.helper,
    )
    html = text(as_("reader").get(f"/proof/{small_site.hot.code}/?points=core"))
    assert "Only core counted; the readings of 1, 2, 3 were left out as stated." in html


@pytest.mark.parametrize(
    ("query", "field", "said"),
    [
        ("rule=NOWHERE", "rule", "Select a valid choice"),
        ("probe_error=a lot", "probe_error", "is not a number"),
        ("probe_error=-1", "probe_error", "0 is the least."),
        ("points=core, edge", "points", "The log has no point “core”; it has 1, 2"),
        ("points=0", "points", "A number from 1 to 50."),
        ("zone=everywhere", "zone", "Select a valid choice"),
        ("method=magic", "method", "Select a valid choice"),
        ("insulation=thick", "insulation", "is not a number"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(as_, small_site, query, field, said):
    html = text(as_("reader").get(f"/proof/{small_site.curing.code}/?{query}"), 422)
    assert said in re.search(rf'id="id_{field}_error">.*?</ul>', html, re.S)[0]
    name, _, typed = query.partition("=")
    if name in ("probe_error", "points", "insulation"):
        assert f'value="{typed}"' in html
    assert "is met" not in html


def test_lots_that_have_no_proof(as_, small_site):
    client = as_("reader")
    assert client.get("/proof/K-999/").status_code == 404
    assert client.get(f"/proof/{small_site.scraps.code}/").status_code == 404


def test_compost_carries_the_log_of_its_pile(as_, small_site):
    html = text(as_("reader").get(f"/proof/{small_site.compost.code}/"))
    proof = evaluate(prove.lot_log(small_site.compost), [rules()["US-FDA-T"]], Stated(), terms())[0]
    assert [row[2] for row in rows(html, "days-1")] == [
        "yes" if day.counts else "no" for day in proof.days
    ]
    assert len(proof.turns) == 6


def test_every_log_of_a_heap_put_together_must_be_met(as_, small_site):
    """A cured pile whose log meets the rule, and one whose log does not."""
    tend.declare_stage(
        tend.DeclareStage(happened_at=timezone.now(), lot=small_site.hot.code, stage="curing"),
        small_site.lead,
    )
    both = tend.combine(
        tend.Combine(
            happened_at=timezone.now(),
            lots=(small_site.hot.code, small_site.curing.code),
            place="CP",
        ),
        small_site.lead,
    )
    code = Lot.objects.filter(standings__entry=both, standings__begins=True).get().code
    html = text(as_("reader").get(f"/proof/{code}/"))
    assert "Log 1 of 2" in html
    assert "Log 2 of 2" in html
    assert "US-FDA-T: not yet." in words(html)
    answer = as_("reader").get(f"/proof/{code}/?format=csv")
    taken = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert {row["log"] for row in taken} == {"1", "2"}
    listed = {row[0]: row[1] for row in rows(text(as_("reader").get("/proof/")), "lots")}
    assert listed[code] == "not yet"


def test_death_stands_beside_the_rules_with_its_caution(as_, small_site):
    html = text(as_("reader").get(f"/proof/{small_site.curing.code}/"))
    beside = html[html.index("Beside the rule: thermal death") :]
    assert "a gauge, not a proof" in beside
    assert "It never stands in place of a rule." in beside
    deaths = {row[0]: row[1:] for row in rows(html, "deaths-1")}
    assert any(re.fullmatch(r"over \d+|\d+\.\d", row[0]) for row in deaths.values())
    assert "E = " in beside
    assert "not for composting" in beside


def test_every_number_shows_where_it_comes_from(as_, small_site):
    html = words(text(as_("reader").get(f"/proof/{small_site.curing.code}/")))
    assert "Days needed 15" in html
    assert re.search(r"Limit 131 °F United States, 21 CFR 112.54", html)
    assert "a gap never counts" in html


def test_metric_people_read_celsius(as_, small_site):
    User.objects.filter(username="reader").update(units="metric")
    html = text(as_("reader").get(f"/proof/{small_site.curing.code}/"))
    assert rows(html, "days-1")[1][1] == "57"
    assert "every point at or above 55 °C;" in html


def test_nothing_is_rounded_up_past_a_limit():
    assert lowest_text(54.96, "metric") == "54.9"
    assert lowest_text(54.999, "us") == "130.9"
    assert lowest_text(55.0, "us") == "131"
    assert whole_c(54.96, "metric") == 54
    assert round(whole_c(54.96, "us") * 9 / 5 + 32, 6) == 130
    assert round(whole_c(55.0, "us") * 9 / 5 + 32, 6) == 131


def test_the_science_names_no_option_of_a_command():
    said = {
        text
        for rule in rules().values()
        for proof in evaluate(
            empty_log(), [rule], Stated(insulation_cm=5.0 if rule.cover_cm else None), terms()
        )
        for text in (*proof.gaps, *proof.notes, *proof.to_do)
    }
    assert any("state the method" in text for text in said)
    assert not [text for text in said if "--" in text]


def test_who_reads_fahrenheit_is_told_both_degrees_once():
    assert plain("below 55 °C", "us").replace("\u00a0", " ") == "below 131 °F (55 °C)"
    both = plain("below 55 °C (131 °F)", "us").replace("\u00a0", " ")
    assert both == "below 131 °F (55 °C)"
    assert plain("below 55 °C", "metric") == "below 55 °C"


def test_a_day_within_a_note_is_told_as_it_is_spoken():
    assert plain("as written down on 2026-11-25: check", "metric") == (
        "as written down on 25 November 2026: check"
    )
    assert plain("point 2026-13-45 has no reading", "us") == "point 2026-13-45 has no reading"


def test_under_which_settings_a_proof_was_judged_names_what_is_set_and_what_not(small_site):
    at = timezone.now()
    some = InForce(rule_id="NY-W", method="turned", zone="core", set_at=at, set_by="Ada")
    said = yardstick_words(some, "us")
    assert "by Ada: rule NY-W (" in said
    assert "readings stand for the core. Not set: probe error, insulation." in said
    assert "Not set" not in yardstick_words(
        replace(some, probe_error_c=1.0, probe_error_typed="1 °C", insulation_cm=20.0), "us"
    )
    nothing = yardstick_words(InForce(set_at=at, set_by="Ada"), "us")
    assert "by Ada: all as usual. Not set: rule, method, probe error" in nothing


def test_thermal_death_without_a_reading_is_one_line(as_, small_site):
    """No list of organisms with a dash each; with readings, who has no figure is told why."""
    read = words(text(as_("reader").get(f"/proof/{small_site.curing.code}/")))
    assert "Thermal death at the coldest point" in read
    assert "Without a figure:" in read
    assert "No time was readable in the source: Barnyardgrass" in read
    act = BuildPile(
        happened_at=timezone.now() - timedelta(minutes=5),
        place="B4",
        full=False,
        takes=(Take(lot="D-001", quantity=Quantity(mass_kg=40.0)),),
    )
    pile = build_pile(act, small_site.lead).lots.get(kind="pile")
    unread = words(text(as_("reader").get(f"/proof/{pile.code}/")))
    assert "No figure yet: it takes readings." in unread
    assert "Shigella" not in unread


def empty_log():
    from heapwright.science.daily import Clock, Log, Readings

    hour = 3600
    time_s = np.arange(24, 24 * 4, 24) * hour
    return Log(
        Readings(time_s, np.zeros(3, dtype=int), np.full(3, 60.0), None, ("core",)),
        (Act(0, "built"),),
        Clock(),
    )


def test_days_that_have_passed_unread_are_gaps(small_site):
    """A pile that should be hot and was not read for days cannot be proven in the past."""
    rule, site, now = rules()["NY-W"], Site.load(), timezone.now() + timedelta(days=6)
    logs = evidence_of([small_site.hot])[small_site.hot.id].logs()
    until_s = open_until_s("hot", now, site.tz)
    today = now.astimezone(site.tz).date()
    assert datetime.fromtimestamp(until_s, site.tz) == datetime.combine(
        today, time(), tzinfo=site.tz
    )
    then = judge(logs, [rule], Stated(), until_s=None)[0]
    later = judge(logs, [rule], Stated(), until_s=until_s)[0]
    assert then.earliest < today + timedelta(days=rule.days - 1)
    assert later.earliest == today + timedelta(days=rule.days - 1)  # today is the first of them
    days = {day.date: day for day in later.weakest.days}
    assert days[today - timedelta(days=1)].why == "no reading"
    assert not [note for note in later.weakest.notes if note.startswith("Moved")]
    assert later.weakest.days_credited == then.weakest.days_credited


def judge_lot(lot, stage, chosen, stated, now, zone) -> tuple[Judged, ...]:
    evidence = evidence_of([lot])[lot.id]
    return evidence.judged(chosen, stated, until_s=open_until_s(stage, now, zone))


def test_what_was_met_stays_met_without_more_readings(small_site):
    rule, site = rules()["US-FDA-T"], Site.load()
    now = timezone.now() + timedelta(days=40)
    found = judge_lot(small_site.curing, "hot", [rule], Stated(), now, site.tz)[0]
    then = judge_lot(small_site.curing, "curing", [rule], Stated(), timezone.now(), site.tz)[0]
    assert found.verdict == "met"
    assert found == then


def test_a_real_move_is_still_said(small_site):
    tend.move(
        tend.Move(happened_at=timezone.now(), lot=small_site.hot.code, to_place="B4"),
        small_site.lead,
    )
    now = timezone.now() + timedelta(days=4)
    moved = judge_lot(small_site.hot, "hot", [rules()["NY-W"]], Stated(), now, Site.load().tz)[0]
    assert len([note for note in moved.weakest.notes if note.startswith("Moved")]) == 1


def test_a_pile_without_readings_yet(as_, small_site):
    from tests.web.test_mix_build import amounts, said

    data = said()
    as_("helper").post(f"/mix/build/?{amounts()}", data)
    code = Entry.objects.get(uuid=data["entry_id"]).lots.get(kind="pile").code
    html = words(text(as_("reader").get(f"/proof/{code}/")))
    assert "US-FDA-T: not yet." in html
    assert "The log holds no reading in this period." in html


def test_the_certificate_is_of_the_rule_and_of_what_was_stated(as_, small_site):
    client, code = as_("reader"), small_site.curing.code
    html = text(client.get(f"/proof/{code}/?rule=NY-W&probe_error=1.8&points=1, 2&zone=all"))
    href = re.search(r'<a class="act" href="([^"]*)">Print the proof', html)[1]
    to = urlsplit(href.replace("&amp;", "&"))
    assert {name: one[0] for name, one in parse_qs(to.query).items()} == {
        "rule": "NY-W", "probe_error": "1.8", "points": "1, 2", "zone": "all",
    }  # fmt: skip
    answer = client.get(href.replace("&amp;", "&"))
    assert answer["Content-Type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF")


def test_a_logger_s_log_is_proven_too(as_, small_site):
    """One reading every ten minutes for three weeks: the page judges it all."""
    step, site = 600, Site.load()
    start = int(timezone.now().timestamp()) - 8 * 86400
    time_s = np.arange(start, start + 7 * 86400, step)
    columns = Columns(
        time_s=time_s,
        point=np.zeros(len(time_s), dtype=np.int16),
        depth_cm=np.full(len(time_s), 50.0),
        temp_c=np.full(len(time_s), 60.0),
        points=("logger",),
    )
    tend.log_readings(
        tend.logger_act(small_site.hot.code, "hot.csv", columns, timezone.now()), small_site.lead
    )
    html = text(as_("reader").get(f"/proof/{small_site.hot.code}/?points=logger"))
    day = (timezone.now() - timedelta(days=5)).astimezone(site.tz)
    row = next(r for r in rows(html, "days-1") if r[0] == f"{day.day} {day:%b %Y}")
    assert row[1:] == ["140", "yes", "every point at or above the limit"]


def test_a_log_kept_in_memory_is_never_of_before(as_, small_site):
    """What is written, late or struck, about a lot or its forebears shows at once."""
    client, pile = as_("reader"), Lot.objects.get(code="K-001")

    def days(code: str) -> list[list[str]]:
        return rows(text(client.get(f"/proof/{code}/")), "days-1")

    before = days(small_site.compost.code)
    assert days(small_site.compost.code) == before
    late = tend.check(
        tend.CheckLot(
            happened_at=pile.entries.filter(kind="check").first().happened_at,
            lot=pile.code,
            temps=(tend.Temp(point="late", temp_c=20.0),),
        ),
        small_site.lead,
    )
    changed = days(small_site.compost.code)
    assert changed != before
    strike(late.uuid, "another heap", small_site.lead)
    assert days(small_site.compost.code) == before


def test_the_list_asks_no_more_for_more_heaps(as_, small_site, django_assert_max_num_queries):
    client = as_("reader")
    client.get("/proof/")
    with django_assert_max_num_queries(24):
        client.get("/proof/")
    with django_assert_max_num_queries(24):
        client.get("/proof/?rule=NY-W")


@contextmanager
def fresh():
    """Forget the logs kept in memory, as after a start."""
    judged._logs.cache_clear()
    judged._judged.cache_clear()
    yield


def test_queries_do_not_grow_with_the_log(as_, small_site, django_assert_num_queries):
    client = as_("reader")
    client.get(f"/proof/{small_site.hot.code}/?rule=NY-W")  # who is signed in, once
    with fresh(), CaptureQueriesContext(connection) as few:
        client.get(f"/proof/{small_site.hot.code}/")
    for minutes in range(1, 12):
        tend.check(
            tend.CheckLot(
                happened_at=timezone.now() - timedelta(minutes=minutes),
                lot=small_site.hot.code,
                temps=(tend.Temp(point="1", temp_c=62.0),),
            ),
            small_site.helper,
        )
    with fresh(), django_assert_num_queries(len(few)):
        client.get(f"/proof/{small_site.hot.code}/")


def test_two_strikes_at_the_same_instant_are_both_seen(small_site):
    """The evidence of a lot differs after each, though neither's time tells."""
    lot, now = small_site.hot, timezone.now()
    checks = list(lot.entries.filter(kind="check", struck_at=None)[:2])
    marks = [evidence_of([lot])[lot.id].mark]
    for check in checks:
        strike(check.uuid, "the wrong heap", small_site.lead, now=now)
        marks.append(evidence_of([lot])[lot.id].mark)
    assert len(set(marks)) == 3
