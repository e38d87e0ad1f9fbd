"""The yard's page: drawing, today's list, one tap, looking back, and who may do what."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from tests.web.codes import whole_codes

from heapwright.people.models import User
from heapwright.yard import state, tend
from heapwright.yard.models import Entry, Kind, Place, Site


@pytest.fixture
def turning_due(small_site):
    """Read the hot pile yesterday too: its turning is then due at any hour of the day."""
    act = tend.CheckLot(
        happened_at=timezone.now() - timedelta(days=1),
        lot="K-003",
        temps=(tend.Temp(point="1", temp_c=64.0), tend.Temp(point="2", temp_c=63.0)),
    )
    return tend.check(act, small_site.lead)


def page(client: Client, path: str = "/") -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return whole_codes(answer.content.decode())


def taps(html: str) -> list[dict[str, str]]:
    """Return what each one-tap form of a page would send."""
    forms = re.findall(r'<form method="post" action="/today/do/">(.*?)</form>', html, re.S)
    return [
        dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', form))
        for form in forms
    ]


def test_everybody_has_to_sign_in(small_site):
    for path in ("/", "/piles/K-003/", "/piles/K-003/log/"):
        answer = Client().get(path)
        assert answer.status_code == 302
        assert answer["Location"].startswith("/sign-in/")


def test_the_yard_shows_what_stands_drawn_and_in_a_table(as_):
    html = page(as_("reader"))
    for drawing in ("Plan of Alder Lane yard", "Heaps of Alder Lane yard, row by row"):
        assert drawing in html
    assert "Bay 3: K-003, hot, day 10, 151 °F" in html  # said in words in the drawing
    table = html[html.index("standing-caption") :]
    for code, what in (("K-003", "hot"), ("K-002", "curing"), ("D-005", "food scraps")):
        assert f'<a href="/piles/{code}/">{code}</a>' in table
        assert what in table
    assert '<span class="heat heat-5">151' in table
    assert "K-001" not in table  # screened, nothing left
    assert table.index("K-003") < table.index("K-002")  # as one walks: bays, then shared ground
    assert html.index("lot=K-003") < html.index("lot=K-002")


def test_today_says_what_why_and_what_if_left_with_sources(turning_due, as_):
    html = page(as_("lead"))
    head = html[: html.index("<main")]
    assert re.search(r'<a href="#today">1\. Turn Bay 3 · 2\. Use or bury the food scraps', head)
    assert "<h3>Turn Bay 3</h3>" in html
    assert "US-FDA-T counts this as turning 2 of 5." in html
    assert "If left: the proof waits for 4 turnings" in html
    assert "Use or bury the food scraps" in html
    assert "22 lb in Scraps bunker." in re.sub("\u00a0", " ", html)
    assert f'<a href="{reverse("fact-source", args=["cfr-21-112-54"])}">US FDA 2015</a>' in html
    assert "Piles are held to US-FDA-T" in html
    assert "The permit decides." in html


def test_each_person_reads_their_own_units(as_, small_site):
    User.objects.filter(username="reader").update(units="metric")
    html = page(as_("reader")).replace("\u00a0", " ")
    assert "66 °C" in html
    assert "10 kg in Scraps bunker." in html
    assert "°F" not in html
    assert "151 °F" in page(as_("helper")).replace("\u00a0", " ")


def test_one_tap_writes_the_turning_once_and_offers_undo(turning_due, as_, small_site):
    client = as_("helper")
    sent = next(one for one in taps(page(client)) if one["kind"] == "turn")
    assert sent["lot"] == "K-003"
    before = Entry.objects.count()
    for _press in range(3):
        answer = client.post("/today/do/", sent, follow=True)
        assert answer.redirect_chain == [("/", 303)]
        html = answer.content.decode()
        assert "Turned: K-003." in html
        assert f'action="/more/undo/{sent["entry_id"]}/"' in html
    assert Entry.objects.count() == before + 1
    entry = Entry.objects.get(uuid=sent["entry_id"])
    assert entry.kind == Kind.TURN
    assert entry.recorded_by == small_site.helper
    assert timezone.now() - entry.happened_at < timedelta(minutes=2)
    assert "<h3>Turn Bay 3</h3>" not in page(client)


def test_the_undo_of_a_tap_strikes_it_and_the_task_comes_back(turning_due, as_, small_site):
    client = as_("helper")
    sent = next(one for one in taps(page(client)) if one["kind"] == "turn")
    client.post("/today/do/", sent)
    client.post(f"/more/undo/{sent['entry_id']}/", follow=True)
    assert Entry.objects.get(uuid=sent["entry_id"]).is_struck
    assert "<h3>Turn Bay 3</h3>" in page(client)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"kind": "discard"}, "one tap cannot write that"),
        ({"kind": "nonsense"}, "one tap cannot write that"),
        ({"entry_id": "seven"}, "came without its id"),
        ({"lot": None}, "of which lot?"),
        ({"lot": "K-999"}, "there is no lot K-999"),
        ({"lot": "K-001"}, "nothing of K-001 was left"),
        ({"to_place": "nowhere"}, "there is no place nowhere"),
        ({"kind": "move"}, "something is missing"),
    ],
)
def test_a_bad_tap_says_why_and_writes_nothing(as_, change, says):
    client = as_("lead")
    sent = {"kind": "turn", "lot": "K-003", "entry_id": str(uuid4()), **change}
    before = Entry.objects.count()
    answer = client.post(
        "/today/do/", {name: value for name, value in sent.items() if value}, follow=True
    )
    html = answer.content.decode()
    assert "Not done:" in html
    assert says.lower() in html.lower()
    assert Entry.objects.count() == before


def test_a_helper_cannot_tap_what_only_a_lead_declares(as_, small_site):
    sent = {"kind": "stage", "lot": "K-002", "stage": "ready", "entry_id": str(uuid4())}
    answer = as_("helper").post("/today/do/", sent, follow=True)
    assert "Only a lead" in answer.content.decode()
    assert state.lot_state("K-002").stage == "curing"
    as_("lead").post("/today/do/", sent)
    assert state.lot_state("K-002").stage == "ready"


def test_a_reader_sees_the_tasks_and_can_tap_none(turning_due, as_):
    client = as_("reader")
    html = page(client)
    assert "<h3>Turn Bay 3</h3>" in html
    assert taps(html) == []
    assert "/log/" not in html
    before = Entry.objects.count()
    sent = {"kind": "turn", "lot": "K-003", "entry_id": str(uuid4())}
    assert client.post("/today/do/", sent).status_code == 403
    assert Entry.objects.count() == before


def test_a_tap_cannot_be_a_get(as_):
    assert as_("lead").get("/today/do/").status_code == 405


def test_the_yard_as_it_stood_is_read_only_and_tells_what_happened_that_day(as_, small_site):
    tz = Site.load().tz
    day = (timezone.now().astimezone(tz) - timedelta(days=50)).date()
    html = page(as_("lead"), f"/?on={day.isoformat()}")
    assert "It can be read, not changed." in html
    assert taps(html) == []
    table = html[html.index("standing-caption") :]
    assert "K-001" in table  # still on the pad then
    assert "K-002" not in table
    assert "K-003" not in table
    assert "Delivery: 331 lb" in html.replace("\u00a0", " ")


def test_struck_entries_of_a_past_day_are_told_as_struck(as_, small_site):
    day = small_site.struck.happened_at.astimezone(Site.load().tz).date()
    html = page(as_("reader"), f"/?on={day.isoformat()}")
    assert "struck: a nought too many" in html


@pytest.mark.parametrize(
    ("typed", "says"),
    [("yesterday", "is no day such as"), ("2026-02-30", "is no day such as")],
)
def test_a_wrong_day_is_said_beside_its_field_and_kept(as_, typed, says):
    answer = as_("lead").get("/", {"on": typed})
    html = answer.content.decode()
    assert answer.status_code == 400
    assert says in html
    assert f'value="{typed}"' in html


def test_a_day_to_come_is_refused(as_):
    tomorrow = (timezone.now() + timedelta(days=2)).date().isoformat()
    answer = as_("lead").get("/", {"on": tomorrow})
    assert answer.status_code == 400
    assert "has not come yet" in answer.content.decode()


def test_what_stands_can_be_taken_away(as_):
    answer = as_("reader").get("/?format=csv")
    assert answer["Content-Type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    hot = next(row for row in rows if row["lot"] == "K-003")
    assert (hot["place"], hot["what"], hot["highest_c"], hot["lowest_c"]) == (
        "B3", "hot", "66.0", "61.0",
    )  # fmt: skip
    assert float(hot["mass_kg"]) == pytest.approx(280.0)


def test_a_new_yard_teaches_the_lead_and_tells_others_to_wait(as_):
    Place.objects.update(retired_at=timezone.now() - timedelta(days=1))
    for role, href in (("lead", True), ("helper", False), ("reader", False)):
        html = page(as_(role))
        assert "Nothing is drawn yet" in html
        assert (reverse("set-up") in html) is href


def test_a_yard_without_bays_is_drawn_as_a_plan(small_site, as_):
    Place.objects.filter(code__in=["B1", "B2", "B4"]).update(retired_at=timezone.now())
    Place.objects.filter(code="B3").update(kind="lane")
    assert "Plan of Alder Lane yard" in page(as_("reader"))


def test_a_burning_pile_shows_the_alarm_first_with_its_caution(as_, small_site):
    tend.check(
        tend.CheckLot(
            happened_at=timezone.now(),
            lot="K-003",
            temps=(tend.Temp(point="1", temp_c=84.0, depth_cm=60.0),),
        ),
        small_site.helper,
    )
    html = page(as_("helper"))
    first = re.search(r"<h3>([^<]*)</h3>\s*<p>", html[html.index("<h2>Today</h2>") :])
    assert first is not None
    assert first[1] == "Keep Bay 3 closed and get help"
    assert "Caution: heat that can burn" in html
    assert not [one for one in taps(html) if one["lot"] == "K-003"]


def test_the_page_takes_few_queries_and_few_bytes(as_, django_assert_max_num_queries):
    client = as_("lead")
    client.get("/")
    with django_assert_max_num_queries(40):
        html = page(client)
    assert len(html.encode()) < 150_000


def test_there_is_no_inline_style_or_script(as_):
    for path in ("/", "/piles/K-003/", "/piles/K-003/log/"):
        html = page(as_("lead"), path)
        assert not re.search(r"<script(?![^>]* src=)", html)
        assert " style=" not in html
        assert " onclick=" not in html
