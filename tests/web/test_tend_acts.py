"""The short forms of a lot: what each writes, refuses and keeps; sent twice; who may not."""

from __future__ import annotations

import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone

from heapwright.web.tend.acts import PAGES
from heapwright.yard import ledger, mix, state, tend
from heapwright.yard.acts import Take, first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Entry, Kind, Lot, LotKind, Reading, Site


def filled(client: Client, path: str, **typed: object) -> dict[str, object]:
    """Return what a person's browser would send: the form as shown, with what they typed."""
    html = client.get(path).content.decode()
    main = html[html.index("<main") :]
    sent: dict[str, object] = {}
    for tag in re.findall(r"<input[^>]*>", main):
        said = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        plain = said.get("type") in ("hidden", "text", "datetime-local")
        if "name" in said and (plain or " checked" in tag):
            sent[said["name"]] = said.get("value", "on" if not plain else "")
    sent.pop("csrfmiddlewaretoken", None)
    return {**sent, **typed}


def press(client: Client, path: str, **typed: object):
    return client.post(path, filled(client, path, **typed))


def refused(answer, field: str, says: str, kept: str = "") -> str:
    """Check that a form came back with the reason beside a field and what was typed kept."""
    assert answer.status_code == 400
    html = answer.content.decode()
    start = html.index(f'id="id_{field}_error"')
    assert says in html[start : html.index("</div>", start)], html[start : start + 400]
    if kept:
        assert kept in html
    assert "nothing was written yet" in html
    return html


# --- the check


def test_five_temperatures_squeeze_and_smell_become_one_entry(as_, small_site):
    client = as_("helper")
    answer = press(
        client,
        "/piles/K-003/log/",
        temp_1="151.5",
        temp_2="149",
        temp_3="147",
        temp_4="140",
        temp_5="133",
        squeeze="holds",
        smell="earthy",
        height="3.5",
        oxygen="12",
        pests="a few flies",
        note="steam at the back",
    )
    assert answer.status_code == 303
    assert answer["Location"] == "/piles/K-003/"
    entry = Entry.objects.latest("id")
    assert entry.kind == Kind.CHECK
    assert entry.recorded_by == small_site.helper
    assert entry.note == "steam at the back"
    read = list(Reading.objects.filter(entry=entry).order_by("point").values_list("temp_c"))
    assert [temp_c for (temp_c,) in read] == pytest.approx(
        [(f - 32) / 1.8 for f in (151.5, 149, 147, 140, 133)]
    )
    assert entry.check_of.squeeze == "holds"
    assert entry.check_of.height_m == pytest.approx(3.5 * 0.3048)
    assert entry.check_of.oxygen_pct == 12.0
    html = client.get("/piles/K-003/").content.decode().replace("\u00a0", " ")
    assert "Checked: K-003: 151.5 °F, 149 °F, 147 °F, 140 °F, 133 °F" in html
    assert f'action="/more/undo/{entry.uuid}/"' in html


def test_the_depth_of_the_last_check_is_proposed_and_kept_to_the_last_digit(as_, small_site):
    html = as_("helper").get("/piles/K-003/log/").content.decode()
    assert re.search(r'name="depth" value="17.7"', html)
    press(as_("helper"), "/piles/K-003/log/", temp_1="150")
    press(as_("helper"), "/piles/K-003/log/", temp_2="150", depth="12")
    depths = list(Reading.objects.order_by("-id").values_list("depth_cm", flat=True)[:2])
    assert depths == pytest.approx([12 * 2.54, 45.0])
    assert depths[1] == 45.0


def test_a_person_of_metric_units_types_metric(as_, small_site):
    small_site.helper.__class__.objects.filter(username="helper").update(units="metric")
    press(as_("helper"), "/piles/K-003/log/", temp_1="61.5")
    assert Reading.objects.latest("id").temp_c == 61.5


@pytest.mark.parametrize(
    ("typed", "field", "says"),
    [
        ({"temp_2": "warm"}, "temp_2", "warm"),
        ({"temp_1": "1,5"}, "temp_1", ""),
        ({"temp_3": "900"}, "temp_3", "No heap is at 900 °F"),
        ({"oxygen": "22", "temp_1": "150"}, "oxygen", "21 is the most."),
        ({}, "temp_1", "Nothing was read or seen"),
        ({"temp_1": "150", "squeeze": "soggy"}, "squeeze", "soggy"),
        ({"temp_1": "150", "depth": "-3"}, "depth", "is no depth in a pile"),
        ({"temp_1": "150", "height": "0"}, "height", "more than zero"),
    ],
)
def test_a_wrong_check_is_refused_beside_its_field_and_kept(as_, typed, field, says):
    before = Entry.objects.count()
    answer = press(as_("helper"), "/piles/K-003/log/", note="kept as typed", **typed)
    html = refused(answer, field, says, "kept as typed")
    for value in typed.values():
        assert str(value) in html
    assert Entry.objects.count() == before


def test_what_is_wrong_in_the_closed_part_opens_it(as_):
    answer = press(as_("helper"), "/piles/K-003/log/", temp_5="hot")
    assert re.search(r'<details class="working" open>', answer.content.decode())
    shown = as_("helper").get("/piles/K-003/log/").content.decode()
    assert '<details class="working">' in shown


@pytest.mark.parametrize(
    ("hours", "says"), [(-2, "has not come yet"), (24 * 30, "was not there yet")]
)
def test_a_time_that_cannot_be_is_refused(as_, hours, says):
    when = timezone.now() - timedelta(hours=hours)
    typed = when.astimezone(Site.load().tz).strftime("%Y-%m-%dT%H:%M")
    answer = press(as_("helper"), "/piles/K-003/log/", temp_1="150", happened_at=typed)
    assert answer.status_code == 400
    assert says in answer.content.decode()


def test_pressing_twice_writes_once(as_):
    client = as_("helper")
    sent = filled(client, "/piles/K-003/log/", temp_1="150", temp_2="148")
    before = Entry.objects.count()
    assert [client.post("/piles/K-003/log/", sent).status_code for _press in range(3)] == [303] * 3
    assert Entry.objects.count() == before + 1


def test_going_back_and_sending_other_figures_is_asked_about_and_then_written(as_):
    client = as_("helper")
    sent = filled(client, "/piles/K-003/log/", temp_1="150")
    client.post("/piles/K-003/log/", sent)
    other = {**sent, "temp_1": "", "temp_2": "141"}
    answer = client.post("/piles/K-003/log/", other)
    html = answer.content.decode()
    assert answer.status_code == 400
    assert "This form was written before, with other figures." in html
    assert 'value="141"' in html
    fresh = re.search(r'name="entry_id" value="([^"]+)"', html)
    assert fresh is not None
    assert fresh[1] != sent["entry_id"]
    before = Entry.objects.count()
    again = client.post("/piles/K-003/log/", {**other, "entry_id": fresh[1]})
    assert again.status_code == 303
    assert Entry.objects.count() == before + 1


def test_the_same_act_again_within_minutes_is_asked_about_once(as_):
    client = as_("helper")
    before = Entry.objects.filter(kind=Kind.TURN).count()
    assert press(client, "/piles/K-003/turn/").status_code == 303
    again = filled(client, "/piles/K-003/turn/")  # a fresh form, as after the back button
    asked = client.post("/piles/K-003/turn/", again)
    html = asked.content.decode()
    assert asked.status_code == 400
    assert "You wrote just this at" in html
    assert Entry.objects.filter(kind=Kind.TURN).count() == before + 1
    twin = re.search(r'name="again" value="([^"]+)"', html)
    assert twin is not None
    sure = client.post("/piles/K-003/turn/", {**again, "again": twin[1]})
    assert sure.status_code == 303
    assert Entry.objects.filter(kind=Kind.TURN).count() == before + 2


def test_another_person_or_another_figure_is_no_repetition(as_):
    assert press(as_("helper"), "/piles/K-003/wet/", litres="5").status_code == 303
    assert press(as_("helper"), "/piles/K-003/wet/", litres="6").status_code == 303
    assert press(as_("lead"), "/piles/K-003/wet/", litres="5").status_code == 303


def test_the_same_point_read_twice_in_a_minute_with_other_figures_is_refused(as_):
    client = as_("helper")
    sent = filled(client, "/piles/K-003/log/", temp_1="150")
    client.post("/piles/K-003/log/", sent)
    answer = client.post("/piles/K-003/log/", {**sent, "temp_1": "140", "entry_id": str(uuid4())})
    refused(answer, "temp_1", "strike the wrong one first", 'value="140"')


# --- the other acts, one after the other on the small site


def test_turned_into_another_bay(as_):
    assert press(as_("helper"), "/piles/K-003/turn/", to_place="B4").status_code == 303
    assert state.lot_state("K-003").place.code == "B4"


def test_wetted_with_gallons(as_):
    before = state.lot_state("K-003").mass_kg
    press(as_("helper"), "/piles/K-003/wet/", litres="10")
    assert state.lot_state("K-003").mass_kg == pytest.approx(before + 10 * 3.785411784)


def test_covered_and_uncovered(as_):
    for cover in ("tarp", "open"):
        press(as_("helper"), "/piles/K-003/cover/", cover=cover)
        assert state.lot_state("K-003").cover == cover


def test_moved(as_):
    press(as_("helper"), "/piles/K-003/move/", to_place="CP")
    moved = state.lot_state("K-003")
    assert (moved.place.code, moved.stage) == ("CP", "curing")


def test_weighed_and_measured(as_):
    press(as_("helper"), "/piles/K-003/measure/", mass="550")
    assert state.lot_state("K-003").mass_kg == pytest.approx(550 * 0.45359237)
    press(as_("helper"), "/piles/K-003/measure/", volume="1.2", settled="on")
    sunk = state.lot_state("K-003")
    assert sunk.volume_m3 == pytest.approx(1.2 * 0.764554857984)
    assert sunk.mass_kg == pytest.approx(550 * 0.45359237)


def test_divided_by_barrows(as_):
    press(as_("helper"), "/piles/K-003/divide/", count="2.5", container="barrow", place="B4")
    part = Lot.objects.filter(kind=LotKind.PILE).latest("id")
    held = state.lot_state(part.code)
    assert held.volume_m3 == pytest.approx(2.5 * 0.085)
    assert held.stage == "hot"
    line = part.flows_in.get()
    assert (line.known, line.as_typed) == ("counted", "2.5 × barrow")


def test_combined(as_):
    lead = as_("lead")
    press(lead, "/piles/K-003/divide/", mass="100", place="B4")
    part = Lot.objects.filter(kind=LotKind.PILE).latest("id").code
    press(as_("helper"), "/piles/K-003/combine/", others=[part])
    assert state.lot_state(part) is None
    assert state.lot_state("K-003").mass_kg == pytest.approx(280.0)


def test_screened_into_compost_and_overs(as_):
    answer = press(
        as_("helper"), "/piles/K-002/screen/",
        mass="300", place="SC", overs_volume="0.3", overs_place="S2",
    )  # fmt: skip
    assert answer.status_code == 303
    assert state.lot_state("K-002") is None
    compost = Lot.objects.filter(kind=LotKind.COMPOST).latest("id")
    line = compost.flows_in.get()
    assert line.mass_kg == pytest.approx(300 * 0.45359237)
    assert (line.known, line.as_typed) == ("weighed", "300 lb")
    assert Lot.objects.filter(kind=LotKind.OVERS).latest("id").flows_in.get().as_typed == "0.3 yd³"


def test_screening_sent_twice_screens_once_although_nothing_is_left(as_):
    client = as_("helper")
    sent = filled(client, "/piles/K-002/screen/", mass="300", place="SC")
    before = Entry.objects.count()
    for _press in range(2):
        answer = client.post("/piles/K-002/screen/", sent, follow=True)
        assert answer.redirect_chain == [("/piles/K-002/", 303)]
    assert "the second press changed nothing" in answer.content.decode()
    assert Entry.objects.count() == before + 1


def test_declared_ready_by_a_lead_and_full_by_a_helper(as_, small_site):
    press(as_("lead"), "/piles/K-002/stage/", stage="ready")
    assert state.lot_state("K-002").stage == "ready"
    act = mix.BuildPile(
        happened_at=timezone.now() - timedelta(minutes=5),
        place="B4",
        full=False,
        takes=(Take(lot="D-001", quantity=Quantity(mass_kg=40.0)),),
    )
    pile = first_lot(mix.build_pile(act, small_site.lead)).code
    form = as_("helper").get(f"/piles/{pile}/stage/").content.decode()
    assert re.search(r'value="hot"[^>]* checked', form)  # the one thing a helper may declare
    assert "ready is not proven" not in form
    assert "ready is not proven" in as_("lead").get(f"/piles/{pile}/stage/").content.decode()
    press(as_("helper"), f"/piles/{pile}/stage/", stage="hot")
    assert state.lot_state(pile).stage == "hot"


def test_discarded_in_part_and_then_all(as_):
    press(as_("helper"), "/piles/D-005/discard/", mass="65", why="plastic film")
    assert state.lot_state("D-005").mass_kg == pytest.approx(75 - 65 * 0.45359237)
    press(as_("helper"), "/piles/D-005/discard/", why="the rest too")
    assert state.lot_state("D-005") is None


def test_a_late_entry_is_written_for_when_it_happened(as_):
    when = (timezone.now() - timedelta(days=2)).astimezone(Site.load().tz)
    press(as_("helper"), "/piles/K-003/turn/", happened_at=when.strftime("%Y-%m-%dT%H:%M"))
    entry = Entry.objects.latest("id")
    assert entry.happened_at == when.replace(second=0, microsecond=0)
    assert timezone.now() - entry.recorded_at < timedelta(minutes=2)


@pytest.mark.parametrize(
    ("path", "typed", "field", "says"),
    [
        ("K-003/turn", {"to_place": "BED1"}, "to_place", "BED1"),
        ("K-003/turn", {"to_place": "B3"}, "to_place", "B3"),
        ("K-003/wet", {"litres": ""}, "litres", "This is needed."),
        ("K-003/wet", {"litres": "0"}, "litres", "more than zero"),
        ("K-003/wet", {"litres": "ten"}, "litres", "ten"),
        ("K-003/cover", {}, "cover", "Choose one."),
        ("K-003/cover", {"cover": "snow"}, "cover", "snow"),
        ("K-003/move", {"to_place": ""}, "to_place", "Choose one."),
        ("K-003/measure", {}, "mass", "State a weight or a volume"),
        ("K-003/measure", {"mass": "-4"}, "mass", "more than zero"),
        ("K-003/combine", {}, "others", "Tick at least one."),
        ("K-003/combine", {"others": ["D-001"]}, "others", "D-001"),
        ("K-003/divide", {"place": "B4"}, "mass", "How much?"),
        ("K-003/divide", {"mass": "9000", "place": "B4"}, "mass", "cannot be taken from it"),
        ("K-003/divide", {"mass": "5", "place": ""}, "place", "Choose one."),
        ("K-003/divide", {"count": "2", "place": "B4"}, "container", "Of which container?"),
        ("K-003/divide", {"container": "tote", "place": "B4"}, "count", "How many containers?"),
        ("K-002/screen", {"mass": "", "place": "SC"}, "mass", "How much?"),
        ("K-002/screen", {"mass": "9", "place": "SC", "overs_mass": "5"}, "overs_place", "Where"),
        ("K-003/stage", {}, "stage", "Choose one."),
        ("K-003/discard", {"mass": "5", "why": ""}, "why", "This is needed."),
        ("K-003/discard", {"mass": "9000", "why": "rot"}, "mass", "cannot be taken from it"),
    ],
)
def test_a_wrong_form_is_refused_beside_its_field_and_writes_nothing(as_, path, typed, field, says):
    before = Entry.objects.count()
    answer = press(as_("lead"), f"/piles/{path}/", note="kept as typed", **typed)
    refused(answer, field, says, "kept as typed")
    assert Entry.objects.count() == before
    assert ledger.held_kg()[Lot.objects.get(code="K-003").id] == pytest.approx(280.0)


def test_an_act_on_what_is_used_up_or_of_another_kind_is_refused_in_words(as_):
    for path, says in (
        ("/piles/K-001/turn/", "Nothing of K-001 is left."),
        ("/piles/D-005/turn/", "That cannot be done with D-005, which is stock."),
        ("/piles/K-003/screen/", "a pile is screened once it is curing or ready"),
    ):
        for answer in (
            as_("lead").get(path, follow=True),
            as_("lead").post(path, {"entry_id": str(uuid4())}, follow=True),
        ):
            assert answer.redirect_chain[-1][1] == 303
            assert says in answer.content.decode()


def test_a_helper_is_not_offered_what_only_a_lead_declares(as_):
    html = as_("helper").get("/piles/K-002/").content.decode()
    assert "/piles/K-002/stage/" not in html
    answer = as_("helper").get("/piles/K-002/stage/", follow=True)
    assert "Only a lead declares a pile curing or ready." in answer.content.decode()
    assert "/piles/K-002/stage/" in as_("lead").get("/piles/K-002/").content.decode()


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_reader_can_open_no_form_and_write_nothing(as_, name):
    client = as_("reader")
    before = Entry.objects.count()
    for code in ("K-003", "K-002", "D-005"):
        assert client.get(f"/piles/{code}/{name}/").status_code == 403
        sent = {
            "entry_id": str(uuid4()),
            "happened_at": "2026-11-01T10:00",
            "temp_1": "150",
            "litres": "5",
            "cover": "tarp",
            "to_place": "B4",
            "mass": "5",
            "why": "rot",
            "stage": "ready",
        }
        assert client.post(f"/piles/{code}/{name}/", sent).status_code == 403
    assert Entry.objects.count() == before


@pytest.mark.parametrize("name", sorted(PAGES))
def test_every_form_keeps_units_beside_its_measures_and_one_main_act(as_, name):
    html = as_("lead").get(f"/piles/K-002/{name}/").content.decode()
    main = html[html.index("<main") : html.index("</main>")]
    assert main.count('<button class="act">') == 1
    assert "/piles/K-002/" in main
    for field in re.findall(r'<input[^>]*name="((?:overs_)?(?:mass|volume)|temp_1)"', main):
        after = main[main.index(f'name="{field}"') :]
        assert re.search(r'<span class="unit">(lb|yd³|°F)</span>', after[:300]), field


def test_each_short_form_is_one_tap_from_the_check(as_):
    html = as_("lead").get("/piles/K-003/log/").content.decode()
    for name in ("turn", "wet", "cover", "move", "measure", "combine", "divide", "stage"):
        assert f'href="/piles/K-003/{name}/"' in html
    assert 'href="/piles/K-003/discard/"' in html


def test_the_first_check_of_a_heap_says_to_keep_to_its_points(as_, small_site):
    said = "choose your points now, and read the same ones every day"
    assert said not in as_("helper").get("/piles/K-003/log/").content.decode()
    act = mix.BuildPile(
        happened_at=timezone.now() - timedelta(minutes=5),
        place="B4",
        takes=(Take(lot="D-001", quantity=Quantity(mass_kg=40.0)),),
    )
    pile = first_lot(mix.build_pile(act, small_site.lead)).code
    assert said in as_("helper").get(f"/piles/{pile}/log/").content.decode()
    assert said not in as_("helper").get("/piles/D-001/log/").content.decode()


def test_a_form_leads_to_the_others_and_not_to_itself(as_):
    html = as_("lead").get("/piles/K-003/wet/").content.decode()
    assert 'href="/piles/K-003/turn/"' in html
    assert 'href="/piles/K-003/wet/"' not in html


def test_what_is_put_together_says_how_far_it_is(as_):
    """Raw onto treated starts the proof again: the list says which is which."""
    html = as_("lead").get("/piles/K-003/combine/").content.decode()
    assert re.search(r"K-002 · Curing pad · curing", html)


def test_the_points_read_before_are_asked_for_by_name_each_at_its_depth(as_, small_site):
    now = timezone.now()
    tend.check(
        tend.CheckLot(
            happened_at=now - timedelta(hours=2),
            lot="K-003",
            temps=(
                tend.Temp(point="core", temp_c=61.0, depth_cm=50.0),
                tend.Temp(point="edge", temp_c=57.0, depth_cm=30.0),
            ),
        ),
        small_site.helper,
    )
    client = as_("helper")
    html = client.get("/piles/K-003/log/").content.decode().replace("\u00a0", " ")
    assert "Core, 20 in" in html
    assert "Edge, 12 in" in html
    before = f"{timezone.localtime(now - timedelta(hours=1), Site.load().tz):%Y-%m-%dT%H:%M}"
    press(client, "/piles/K-003/log/", temp_1="140", temp_2="138", happened_at=before)
    read = list(Reading.objects.order_by("-id").values_list("point", "depth_cm")[:2])
    assert read == [("edge", 30.0), ("core", 50.0)]
    # a check by somebody else meanwhile does not put a figure under another name
    sent = filled(client, "/piles/K-003/log/", temp_1="141")
    tend.check(
        tend.CheckLot(
            happened_at=now - timedelta(minutes=1),
            lot="K-003",
            temps=(tend.Temp(point="base", temp_c=56.0),),
        ),
        small_site.lead,
    )
    client.post("/piles/K-003/log/", sent)
    assert Reading.objects.latest("id").point == "core"
