"""The page of what proofs are judged by, and what follows from it on the other pages."""

from __future__ import annotations

import re
from html import unescape
from uuid import uuid4

import pytest
from tests.web.codes import whole_codes

from heapwright.people.models import Units, User
from heapwright.yard.models import Entry, Kind, Yardstick
from heapwright.yard.yardstick import in_force

HREF = "/more/proofs/"


def words(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ").split())


def sent(client, **said: object) -> dict[str, object]:
    """Return what the page's form would send as it is shown, with something else typed."""
    html = client.get(HREF).content.decode()
    form = html[html.index('id="main-form"') :]
    shown = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
    return {
        "entry_id": shown["entry_id"],
        "instead_of": shown.get("instead_of", ""),
        "happened_at": shown["happened_at"],
        "again": "",
        "rule": "",
        "method": "",
        "probe_error": shown.get("probe_error", ""),
        "zone": "",
        "insulation": shown.get("insulation", ""),
        "note": "",
        **said,
    }


def test_before_anything_is_set_it_says_what_each_unset_means(as_, small_site):
    html = words(whole_codes(as_("reader").get(HREF).content.decode()))
    assert "Nothing is set yet: the usual rule, US-FDA-T, is followed." in html
    assert "not set, so nothing is taken off" in html
    assert "not set, so turned, and in a vessel where it stands in one" in html
    assert "Ask the agency that enforces your code, and read your permit" in html
    assert "Judge by this" not in html  # a reader sees, and changes nothing


def test_a_lead_sets_it_and_everything_follows(as_, small_site):
    lead = as_("lead")
    answer = lead.post(
        HREF, sent(lead, rule="NY-W", method="turned", probe_error="2", note="the county's letter")
    )
    assert (answer.status_code, answer["Location"]) == (303, HREF)
    row = Yardstick.objects.get()
    assert (row.rule_id, row.probe_error_typed) == ("NY-W", "2 °F")
    assert row.probe_error_c == pytest.approx(2 / 1.8)
    page = words(lead.get(HREF).content.decode())
    assert "Set by lead, in force from" in page
    assert "the county's letter" in page
    code = small_site.hot.code
    for href, said in {
        "/": "Piles are held to NY-W",
        f"/piles/{code}/": "Judged under the site's settings of",
        f"/proof/{code}/": "NY-W: ",
        "/proof/": "heaps on the yard meet NY-W.",
    }.items():
        assert said in words(as_("reader").get(href).content.decode()), href
    proof = as_("reader").get(f"/proof/{code}/").content.decode()
    assert re.search(r'name="probe_error"[^>]* value="2"', proof)
    assert "2 °F stated, or 0; taken off every reading" in words(proof)
    without = words(as_("reader").get(f"/proof/{code}/?probe_error=0").content.decode())
    assert "0 °F stated, or 0" in without
    assert "For this proof something else was stated" in without


def test_a_figure_that_is_not_touched_keeps_its_last_digit_and_its_unit(as_, small_site):
    lead = as_("lead")
    lead.post(HREF, sent(lead, rule="NY-W", probe_error="1.7", insulation="6"))
    exact = in_force()
    User.objects.filter(username="lead").update(units=Units.METRIC)
    lead.post(HREF, sent(lead, rule="CA-W"))
    now = in_force()
    assert now.rule_id == "CA-W"
    assert now.probe_error_c == exact.probe_error_c
    assert (now.probe_error_typed, now.insulation_typed) == ("1.7 °F", "6 in")
    assert now.insulation_cm == pytest.approx(15.24)
    assert "0.944 °C" in words(lead.get(HREF).content.decode())


@pytest.mark.parametrize(
    ("name", "typed", "said"),
    [
        ("rule", "NOWHERE", "Select a valid choice"),
        ("method", "stirred", "Select a valid choice"),
        ("method", "vessel", "NY-W is for heaps that are turned"),
        ("probe_error", "two", "is not a number"),
        ("probe_error", "-1", "0 is the least."),
        ("probe_error", "40", "36 is the most."),
        ("zone", "top", "Select a valid choice"),
        ("insulation", "1,5", "write decimals with a point"),
        ("insulation", "900", "is the most."),
        ("happened_at", "soon", "Enter a valid date/time."),
    ],
)
def test_what_is_wrong_is_said_beside_its_field_and_kept(as_, small_site, name, typed, said):
    lead = as_("lead")
    answer = lead.post(HREF, sent(lead, **({"rule": "NY-W"} | {name: typed})))
    assert answer.status_code == 422
    html = answer.content.decode()
    block = html[html.index(f'id="id_{name}_error"') :]
    assert said in block[: block.index("</div>")]
    if name in ("probe_error", "insulation", "happened_at"):
        assert f'value="{typed}"' in html
    assert not Yardstick.objects.exists()


def test_pressing_twice_and_going_back_write_one_entry(as_, small_site):
    lead = as_("lead")
    form = sent(lead, rule="NY-W")
    for _press in range(2):
        assert lead.post(HREF, form).status_code == 303
    assert Yardstick.objects.count() == 1
    anew = sent(lead, rule="NY-W")
    answer = lead.post(HREF, anew)
    assert answer.status_code == 422
    assert "in force already; nothing was changed" in answer.content.decode()
    assert Yardstick.objects.count() == 1


def test_of_two_leads_at_once_the_second_sees_what_the_first_set(as_, small_site):
    User.objects.create_user("other", role="lead", password="x")
    first, second = as_("lead"), as_("other")
    mine, theirs = sent(first, rule="NY-W"), sent(second, rule="CA-W")
    first.post(HREF, mine)
    answer = second.post(HREF, theirs)
    assert answer.status_code == 422
    html = answer.content.decode()
    assert "lead changed this while you had it open; it is now: rule NY-W" in words(html)
    assert re.search(r'<option value="CA-W" selected>', html)  # what was chosen is kept
    assert in_force().rule_id == "NY-W"
    again = theirs | {"instead_of": re.search(r'name="instead_of" value="([^"]+)"', html)[1]}
    assert second.post(HREF, again).status_code == 303
    assert in_force().rule_id == "CA-W"
    assert Entry.objects.filter(kind=Kind.SETTINGS).count() == 2


@pytest.mark.parametrize("role", ["helper", "reader"])
def test_nobody_but_a_lead_sets_it(as_, small_site, role):
    answer = as_(role).post(HREF, {"entry_id": str(uuid4()), "rule": "NY-W"})
    assert answer.status_code == 403
    assert as_(role).get("/set-up/rule/").status_code == 403
    assert not Yardstick.objects.exists()


def test_undone_or_struck_it_stays_to_be_seen(as_, small_site):
    lead = as_("lead")
    lead.post(HREF, sent(lead, rule="NY-W"))
    entry = Entry.objects.get(kind=Kind.SETTINGS)
    assert "rule: NY-W (Windrow, aerobic)" in words(
        lead.get(f"/more/entries/{entry.uuid}/").content.decode()
    )
    listed = words(lead.get("/more/entries/?kind=settings").content.decode())
    assert "NY-W" in listed
    lead.post(f"/more/undo/{entry.uuid}/")
    assert in_force().rule_id == ""
    page = lead.get(HREF).content.decode()
    assert 'class="struck"' in page
    assert "taken back" in page


def test_the_walk_asks_for_the_rule_and_may_be_left(as_, small_site):
    lead = as_("lead")
    html = words(lead.get("/set-up/rule/").content.decode())
    assert "Step 5: the rule" in html
    assert "I do not know yet: go on" in html
    answer = lead.post("/set-up/rule/", sent(lead, rule="NY-W"))
    assert answer["Location"] == "/set-up/"
    assert "done: NY-W" in words(lead.get("/set-up/").content.decode())
