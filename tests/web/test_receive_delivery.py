"""Logging a delivery: what is offered, what is written, what is refused and how it is said."""

from __future__ import annotations

import re
import uuid

import pytest
from django.utils import timezone

from heapwright.people.models import User
from heapwright.units import KG_PER_LB
from heapwright.yard import state, stock
from heapwright.yard.models import Entry, Inspection, Kind, Lot, Source

NEW = "/stock/new/"


def filled(*lines: dict[str, str], source: str = "kitchen", **more: str) -> dict[str, str]:
    """Return what the browser would send for these lines."""
    data = {
        "source": source,
        "lines": str(len(lines)),
        "entry_id": str(uuid.uuid4()),
        "happened_at": "2026-01-05T09:30",
        "note": "",
    }
    usual = {"material": "", "amount": "", "unit": "in:tote", "place": "S1", "contamination": ""}
    for at, line in enumerate(lines):
        data |= {f"line-{at}-{name}": value for name, value in (usual | line).items()}
    return data | more


@pytest.fixture
def text_of():
    return lambda answer: answer.content.decode().replace("\u00a0", " ")


def beside(html: str, name: str) -> str:
    """Return the error that stands beside a field."""
    found = re.search(rf'id="id_{re.escape(name)}_error"><ul[^>]*><li>(.*?)</li>', html)
    return found[1].replace("&#x27;", "'") if found else ""


def deliveries() -> int:
    return Entry.objects.filter(kind=Kind.DELIVERY).count()


def test_first_who_brought_it_then_their_own_materials_and_containers(as_, text_of):
    client = as_("helper")
    whence = text_of(client.get(NEW))
    assert 'href="?source=kitchen">School kitchen</a>' in whence
    form = text_of(client.get(f"{NEW}?source=kitchen"))
    assert 'value="Food scraps, mixed (kitchen and restaurant)"' in form
    units = re.search(r'<select name="line-0-unit".*?</select>', form, re.S)[0]
    assert re.findall(r'value="([^"]*)"', units) == [
        "in:tote", "in:barrow", "weighed", "estimated", "volume",
    ]  # fmt: skip
    assert "lb, weighed" in units
    # scraps last stood in the scraps bunker
    place = re.search(r'<select name="line-0-place".*?</select>', form, re.S)[0]
    assert '"S1" selected' in place
    usual = Source.objects.get(code="kitchen").material_ids
    assert f'name="line-{len(usual)}-material"' in form  # those that it usually brings, one more
    assert f'name="line-{len(usual) + 1}-material"' not in form
    assert client.get(f"{NEW}?source=nobody").status_code == 404


def test_a_delivery_becomes_lots_with_what_was_typed_kept(as_, text_of):
    data = filled(
        {"material": "food scraps, MIXED (kitchen and restaurant)", "amount": "2.5"},
        {"material": "coffee_grounds", "amount": "60", "unit": "weighed",
         "contamination": "little", "found": "filters with staples"},
        {"material": "leaves_loose", "amount": "1.5", "unit": "volume", "place": "S2"},
        note="before the rain",
    )  # fmt: skip
    answer = as_("helper").post(NEW, data, follow=True)
    assert answer.redirect_chain == [("/stock/", 303)]
    html = text_of(answer)
    entry = Entry.objects.get(uuid=data["entry_id"])
    assert f'action="/more/undo/{entry.uuid}/"' in html
    assert "Logged: " in html
    assert "Coffee grounds, spent, 60 lb" in html
    assert (entry.note, entry.recorded_by.username) == ("before the rain", "helper")
    scraps, coffee, leaves = entry.flows.order_by("id")
    assert scraps.volume_m3 == pytest.approx(2.5 * 0.121)
    assert (scraps.known, scraps.as_typed) == ("counted", "2.5 × 32-gallon tote")
    assert coffee.mass_kg == pytest.approx(60 * KG_PER_LB)
    assert (coffee.known, coffee.as_typed) == ("weighed", "60 lb, weighed")
    assert leaves.volume_m3 == pytest.approx(1.5 * 0.764554857984)
    assert leaves.known == "measured"
    assert state.lot_state(leaves.to_lot.code).place.code == "S2"
    seen = Inspection.objects.get(entry=entry)
    assert (seen.lot, seen.contamination, seen.found) == (
        coffee.to_lot, "little", "filters with staples",
    )  # fmt: skip


def test_a_weighed_load_in_containers_gives_its_own_density(as_):
    data = filled({"material": "grass_clippings", "amount": "4", "weight": "200"})
    assert as_("lead").post(NEW, data).status_code == 303
    flow = Entry.objects.get(uuid=data["entry_id"]).flows.get()
    assert flow.mass_kg == pytest.approx(200 * KG_PER_LB)
    assert flow.volume_m3 == pytest.approx(4 * 0.121)
    assert flow.known == "weighed"
    grass = stock.supply().by_id()["grass_clippings"]
    density = grass.ingredient.bulk_density_kg_m3
    assert density.typical == pytest.approx(200 * KG_PER_LB / (4 * 0.121))
    assert density.origin == "measured"
    assert grass.container.code == "tote"
    assert grass.available_kg / grass.container_kg == pytest.approx(4)


def test_usual_materials_without_an_amount_are_left_out(as_):
    data = filled(
        {"material": "Food scraps, mixed (kitchen and restaurant)"},
        {"material": "coffee_grounds", "amount": "1"},
        {},
    )
    assert as_("helper").post(NEW, data).status_code == 303
    assert Entry.objects.get(uuid=data["entry_id"]).flows.get().material_id == "coffee_grounds"


@pytest.mark.parametrize(
    ("line", "field", "said"),
    [
        ({"material": "cofee ground", "amount": "1"}, "material",
         "There is no material “cofee ground”. Did you mean “Coffee grounds, spent”?"),
        ({"material": "moon dust", "amount": "1"}, "material", "Choose one of the list"),
        ({"material": "water", "amount": "1"}, "material", "Water is logged where it is poured"),
        ({"amount": "1"}, "material", "This is needed."),
        ({"material": "coffee_grounds"}, "amount", "This is needed."),
        ({"material": "coffee_grounds", "amount": "1,5"}, "amount",
         "“1,5” has a comma; write decimals with a point, such as 1.5"),
        ({"material": "coffee_grounds", "amount": "-1"}, "amount", "0 is the least."),
        ({"material": "coffee_grounds", "amount": "0"}, "amount", "This must be more than zero"),
        ({"material": "coffee_grounds", "amount": "1", "unit": "in:vat"}, "unit",
         "Select a valid choice."),
        ({"material": "coffee_grounds", "amount": "1", "place": "B9"}, "place",
         "Select a valid choice."),
        ({"material": "coffee_grounds", "amount": "1", "weight": "heavy"}, "weight",
         "“heavy” is not a number"),
        ({"material": "coffee_grounds", "amount": "1", "unit": "weighed", "weight": "3"}, "weight",
         "The weight is said above already"),
        ({"material": "coffee_grounds", "amount": "1", "found": "glass"}, "contamination",
         "How much of it?"),
        ({"material": "dairy_waste", "amount": "1", "found": "x" * 201, "contamination": "much"},
         "found", "at most 200 characters"),
    ],
)  # fmt: skip
def test_what_is_wrong_stands_beside_its_field(as_, text_of, line, field, said):
    before = deliveries(), Lot.objects.count()
    good = {"material": "leaves_loose", "amount": "2"}
    data = filled(good, line, note="typed with gloves on")
    answer = as_("helper").post(NEW, data)
    html = text_of(answer)
    assert answer.status_code == 422
    assert said in beside(html, f"line-1-{field}")
    assert "nothing was written" in html
    assert (deliveries(), Lot.objects.count()) == before
    # what was typed stays, of the right line too
    assert "typed with gloves on" in html
    assert 'name="line-0-material" value="leaves_loose"' in html
    for name in ("material", "amount", "weight", "found"):
        if line.get(name):
            assert f'value="{line[name]}"' in html
    assert data["entry_id"] in html


def test_an_empty_form_says_what_it_needs(as_, text_of):
    before = deliveries()
    answer = as_("helper").post(NEW, filled({}, {}, {}))
    assert answer.status_code == 422
    assert "State at least one material and how much of it." in text_of(answer)
    assert deliveries() == before


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"happened_at": "yesterday"}, "Enter a valid date/time."),
        ({"happened_at": "2999-01-01T10:00"}, "1 Jan 2999 10:00 has not come yet"),
    ],
)
def test_a_time_that_cannot_be_is_refused(as_, text_of, more, said):
    before = deliveries()
    answer = as_("helper").post(NEW, filled({"material": "coffee_grounds", "amount": "1"}, **more))
    assert answer.status_code == 422
    assert said in beside(text_of(answer), "happened_at")
    assert more["happened_at"] in text_of(answer)
    assert deliveries() == before


def test_another_line_loses_nothing_and_judges_nothing(as_, text_of):
    before = deliveries()
    data = filled(
        {"material": "cofee", "amount": "1,5", "found": "glass"}, {}, {}, another="1", note="wet"
    )
    answer = as_("helper").post(NEW, data)
    html = text_of(answer)
    assert answer.status_code == 200
    assert 'name="line-3-material"' in html
    assert 'name="lines" value="4"' in html
    for kept in ('value="cofee"', 'value="1,5"', 'value="glass"', "wet", data["entry_id"]):
        assert kept in html
    assert "errorlist" not in html
    assert deliveries() == before


def test_pressing_twice_writes_once(as_):
    client, before = as_("helper"), deliveries()
    data = filled({"material": "coffee_grounds", "amount": "2"})
    first, second = client.post(NEW, data), client.post(NEW, data)
    assert (first.status_code, second.status_code) == (303, 303)
    assert deliveries() == before + 1
    changed = data | {"line-0-amount": "3"}
    answer = client.post(NEW, changed)
    assert answer.status_code == 422  # gone back and changed: not silently the old one
    html = answer.content.decode()
    assert "This form was written before, with other figures." in html
    assert f'name="entry_id" value="{data["entry_id"]}"' not in html
    assert deliveries() == before + 1


def test_the_same_again_within_minutes_is_asked_about_once(as_, text_of):
    client, before = as_("helper"), deliveries()
    data = filled({"material": "coffee_grounds", "amount": "2"})
    client.post(NEW, data)
    again = data | {"entry_id": str(uuid.uuid4())}
    answer = client.post(NEW, again)
    assert answer.status_code == 422
    assert "You wrote just this at" in text_of(answer)
    assert deliveries() == before + 1
    said = re.search(r'name="again" value="([^"]+)"', text_of(answer))[1]
    assert client.post(NEW, again | {"again": said}).status_code == 303
    assert deliveries() == before + 2
    # somebody else's load is another load
    other = data | {"entry_id": str(uuid.uuid4())}
    assert as_("lead").post(NEW, other).status_code == 303


def test_metric_people_type_kilograms(as_):
    User.objects.filter(username="lead").update(units="metric")
    data = filled({"material": "coffee_grounds", "amount": "12.5", "unit": "estimated"})
    assert as_("lead").post(NEW, data).status_code == 303
    flow = Entry.objects.get(uuid=data["entry_id"]).flows.get()
    assert (flow.mass_kg, flow.known) == (12.5, "estimated")


def test_a_reader_cannot_log(as_):
    before = deliveries()
    client = as_("reader")
    assert client.get(NEW).status_code == 403
    data = filled({"material": "coffee_grounds", "amount": "1"})
    assert client.post(NEW, data).status_code == 403
    assert deliveries() == before
    assert "/stock/new/" not in client.get("/stock/").content.decode()


def test_a_retired_source_is_not_offered(as_):
    Source.objects.filter(code="kitchen").update(retired_at=timezone.now())
    assert as_("helper").get(f"{NEW}?source=kitchen").status_code == 404
