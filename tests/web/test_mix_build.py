"""Building from a mix: the entry that is written, once, and what is refused."""

from __future__ import annotations

import re
import uuid
from datetime import datetime, timedelta

import pytest
from django.utils import timezone
from tests.web.small_site import kg
from tests.web.test_mix_page import asked, text, words

from heapwright.people.models import User
from heapwright.units import KG_PER_LB
from heapwright.yard import state, stock
from heapwright.yard.acts import first_lot
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry, Kind, Lot, Site, Stage
from heapwright.yard.receive import DeliveryLine, ReceiveDelivery, receive_delivery


def amounts(**more: str) -> str:
    return asked(**{"amount.food_scraps_mixed": "1.5", "amount.leaves_loose": "180"} | more)


def said(**more: object) -> dict[str, object]:
    """Return what the browser sends to log a build."""
    return {
        "entry_id": str(uuid.uuid4()),
        "happened_at": by_the_clock(timezone.now()),
        "note": "",
        "state": "full",
        "water": "12",
        "height": "",
    } | more


def by_the_clock(when: datetime) -> str:
    """Return a time as the site's clock shows it and a browser sends it."""
    return when.astimezone(Site.load().tz).strftime("%Y-%m-%dT%H:%M")


def entries() -> int:
    return Entry.objects.count()


def test_the_page_shows_what_will_be_written(as_, small_site):
    html = words(text(as_("helper").get(f"/mix/build/?{amounts(water='12')}")))
    assert "Build in Bay 1" in html
    taken = html[html.index("Taken from stock") : html.index("The filling")]
    assert "all of it" in taken  # the ten kilograms left of the older delivery
    assert re.search(rf"{small_site.scraps.code} Food scraps.*: \d+ lb", taken)
    assert re.search(rf"{small_site.leaves.code} Leaves: 180 lb; 173 lb stay", taken)
    assert "Nothing was left of" in html
    assert 'name="water" value="12"' in text(
        as_("helper").get(f"/mix/build/?{amounts(water='12')}")
    )


def test_a_build_writes_its_lines_in_the_order_of_the_layers(as_, small_site):
    of = stock.supply()
    scraps = of.by_id()["food_scraps_mixed"]
    client, data = as_("helper"), said(note="two of us")
    answer = client.post(f"/mix/build/?{amounts()}", data)
    entry = Entry.objects.get(uuid=data["entry_id"])
    pile = first_lot(entry)
    assert (answer.status_code, answer["Location"]) == (303, f"/piles/{pile.code}/")
    assert (entry.kind, entry.recorded_by.username, entry.note) == (
        Kind.BUILD, "helper", "two of us",
    )  # fmt: skip
    held = state.lot_state(pile.code)
    assert held.place.code == "B1"
    assert held.stage == Stage.HOT
    wanted_kg = 1.5 * scraps.container_kg + 180 * KG_PER_LB + 12 * 3.785411784
    assert held.mass_kg == pytest.approx(wanted_kg)
    # layers alternate and every line names the lot that it came from
    lines = [flow.from_lot.code for flow in entry.flows.order_by("id") if flow.from_lot]
    assert lines[0] == lines[-1] == small_site.leaves.code
    assert small_site.scraps.code in lines
    assert len(lines) >= 4
    # the older scraps are gone, the newer ones are begun
    left = {lot.code: lot.mass_kg for lot in scraps.lots}
    assert state.lot_state(scraps.lots[0].code) is None
    newer = scraps.lots[1]
    assert state.lot_state(newer.code).mass_kg == pytest.approx(
        sum(left.values()) - 1.5 * scraps.container_kg
    )
    assert audit(deep=True).adds_up
    html = text(client.get(answer["Location"]))
    assert f'action="/more/undo/{entry.uuid}/"' in html
    assert f"Built: {pile.code} in Bay 1." in html


def test_filling_goes_on_and_a_height_that_was_measured_counts(as_, small_site):
    data = said(state="filling", height="2.5", water="")
    as_("lead").post(f"/mix/build/?{amounts()}", data)
    held = state.lot_state(first_lot(Entry.objects.get(uuid=data["entry_id"])).code)
    assert held.stage == Stage.FILLING
    assert held.volume_m3 == pytest.approx(1.44 * 2.5 * 0.3048)


def test_nothing_left_empties_the_lot(as_, small_site):
    newer = stock.supply().by_id()["food_scraps_mixed"].lots[1].code
    data = said(gone=[newer])
    as_("helper").post(f"/mix/build/?{amounts()}", data)
    assert state.lot_state(newer) is None
    assert audit(deep=True).adds_up


def test_all_of_the_stock_as_typed_leaves_no_crumbs(as_, small_site):
    one = stock.supply().by_id()["leaves_loose"]
    pounds = f"{one.available_kg / KG_PER_LB:.0f}"  # rounded: not to the last gram
    query = amounts(**{"amount.leaves_loose": pounds})
    data = said()
    assert as_("helper").post(f"/mix/build/?{query}", data).status_code == 303
    assert state.lot_state(small_site.leaves.code) is None


def test_more_than_the_books_hold_is_refused_and_nothing_is_written(as_, small_site):
    before, lots = entries(), Lot.objects.count()
    answer = as_("helper").post(f"/mix/build/?{amounts(**{'amount.leaves_loose': '900'})}", said())
    html = words(text(answer, 422))
    assert f"{small_site.leaves.code} held" in html
    assert "cannot be taken from it" in html
    assert (entries(), Lot.objects.count()) == (before, lots)


@pytest.mark.parametrize(
    ("wrong", "field", "message"),
    [
        ({"water": "1,5"}, "water", "has a comma"),
        ({"height": "tall"}, "height", "is not a number"),
        ({"height": "0"}, "height", "0.05 is the least."),
        ({"happened_at": "soon"}, "happened_at", "Enter a valid date/time."),
        ({"happened_at": "2999-01-01T10:00"}, "happened_at", "has not come yet"),
        ({"state": "half"}, "state", "Select a valid choice"),
        ({"gone": ["D-999"]}, "gone", "D-999 is not one of the available choices"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(as_, wrong, field, message):
    before = entries()
    html = text(as_("helper").post(f"/mix/build/?{amounts()}", said(note="wet feet", **wrong)), 422)
    assert message in re.search(rf'id="id_{field}_error">.*?</ul>', html, re.S)[0]
    assert "wet feet" in html
    assert entries() == before


def test_a_time_before_the_stock_came_is_refused(as_, small_site):
    before = entries()
    early = by_the_clock(timezone.now() - timedelta(days=60))
    html = words(text(as_("helper").post(f"/mix/build/?{amounts()}", said(happened_at=early)), 422))
    assert "was not there yet" in html
    assert entries() == before


def test_pressing_twice_builds_once(as_):
    client, data = as_("helper"), said()
    first = client.post(f"/mix/build/?{amounts()}", data)
    before = entries()
    second = client.post(f"/mix/build/?{amounts()}", data)
    assert (second.status_code, second["Location"]) == (303, first["Location"])
    assert entries() == before


def test_two_people_with_the_same_stock_cannot_both_have_it(as_, small_site):
    query = amounts(**{"amount.leaves_loose": "300"})
    assert as_("lead").post(f"/mix/build/?{query}", said()).status_code == 303
    before = entries()
    # the ten kilograms of the older lot are gone meanwhile
    helper = as_("helper")
    answer = helper.post(f"/mix/build/?{query.replace('place=B1', 'place=B2')}", said())
    assert answer.status_code == 302
    assert "is not on hand any more; propose anew." in text(helper.get(answer["Location"]))
    assert entries() == before


def test_amounts_that_are_wrong_go_back_to_the_mix_with_what_was_typed(as_):
    query = amounts(**{"amount.leaves_loose": "1,5"})
    answer = as_("helper").get(f"/mix/build/?{query}")
    assert answer.status_code == 302
    html = text(as_("helper").get(answer["Location"]))
    assert "“1,5” has a comma" in html.replace("&quot;", '"')
    assert 'value="1,5"' in html


def test_an_address_from_a_person_with_other_units_builds_the_same(as_):
    User.objects.filter(username="helper").update(units="metric")
    html = text(as_("helper").get(f"/mix/build/?{amounts(water='12')}"))
    assert 'name="water" value="45"' in html  # 12 gal, in litres
    data = said(water="45", height="")
    as_("helper").post(f"/mix/build/?{amounts(water='12')}", data)
    entry = Entry.objects.get(uuid=data["entry_id"])
    poured = entry.flows.get(from_kind="water")
    assert poured.mass_kg == pytest.approx(45.0)
    leaves_kg = sum(
        flow.mass_kg for flow in entry.flows.filter(from_lot__code=Lot.objects.first().code)
    )
    assert leaves_kg == pytest.approx(180 * KG_PER_LB)


def test_a_reader_cannot_build(as_):
    before = entries()
    assert as_("reader").get(f"/mix/build/?{amounts()}").status_code == 403
    assert as_("reader").post(f"/mix/build/?{amounts()}", said()).status_code == 403
    assert as_("reader").post(f"/mix/add/?{amounts()}", said()).status_code == 403
    assert entries() == before


@pytest.fixture
def filling(as_, small_site):
    day_before = by_the_clock(timezone.now() - timedelta(days=1))
    data = said(state="filling", happened_at=day_before)
    query = amounts(**{"amount.food_scraps_mixed": "0.5", "amount.leaves_loose": "60"})
    as_("helper").post(f"/mix/build/?{query}", data)
    return first_lot(Entry.objects.get(uuid=data["entry_id"]))


def test_adding_to_a_pile_that_is_filling(as_, filling):
    page = text(as_("helper").get("/mix/"))
    assert 'formaction="/mix/add/"' in page
    html = text(as_("helper").get(f"/mix/add/?{amounts(place='B1')}"))
    assert f'<option value="{filling.code}"' in html
    assert "without what lies there" in html
    before_kg = state.lot_state(filling.code).mass_kg
    query = amounts(**{"amount.food_scraps_mixed": "0.5", "amount.leaves_loose": "40"})
    data = said(lot=filling.code, state="full", water="")
    answer = as_("helper").post(f"/mix/add/?{query}", data)
    assert (answer.status_code, answer["Location"]) == (303, f"/piles/{filling.code}/")
    held = state.lot_state(filling.code)
    scraps = stock.supply().by_id()["food_scraps_mixed"]
    assert held.mass_kg == pytest.approx(before_kg + 0.5 * scraps.container_kg + 40 * KG_PER_LB)
    assert held.stage == Stage.HOT
    # a second press adds nothing; the pile is full now, so nothing is offered any more
    assert as_("helper").post(f"/mix/add/?{query}", data)["Location"] == f"/piles/{filling.code}/"
    assert state.lot_state(filling.code).mass_kg == held.mass_kg
    assert 'formaction="/mix/add/"' not in text(as_("helper").get("/mix/"))


def test_only_filling_piles_take_more(as_, filling, small_site):
    before = entries()
    html = text(as_("helper").post(f"/mix/add/?{amounts()}", said(lot=small_site.hot.code)), 422)
    assert "Select a valid choice" in html
    assert entries() == before


def test_a_new_lot_waits_its_turn(as_, small_site):
    line = DeliveryLine(material="food_scraps_mixed", quantity=kg(90), place="S1")
    act = ReceiveDelivery(
        happened_at=timezone.now() - timedelta(hours=2), source="kitchen", lines=(line,)
    )
    new = receive_delivery(act, small_site.lead).lots.get()
    query = amounts(**{"amount.food_scraps_mixed": "1"})
    assert as_("helper").post(f"/mix/build/?{query}", said()).status_code == 303
    assert state.lot_state(new.code).mass_kg == 90


def test_takes_are_as_the_form_says(as_, small_site):
    data = said()
    as_("helper").post(f"/mix/build/?{amounts()}", data)
    entry = Entry.objects.get(uuid=data["entry_id"])
    assert entry.sent["takes"][0]["lot"] == small_site.leaves.code
    typed = [take.get("quantity", {}).get("as_typed", "") for take in entry.sent["takes"]]
    assert any(re.fullmatch(r"[\d.]+ × 32-gallon tote", one) for one in typed)
