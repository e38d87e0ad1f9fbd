"""What stood when the records began: the page of the walk that asks for it."""

from __future__ import annotations

import re
from uuid import uuid4

import pytest
from tests.web.test_more_yardstick import words
from tests.web.test_routes import everything

from heapwright.yard import state
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry, Flow, Kind, Opening

HREF = "/set-up/standing/"


def sent(**said: str) -> dict[str, str]:
    return {
        "entry_id": str(uuid4()),
        "what": "pile",
        "place": "B4",
        "stage": "hot",
        "mass": "900",
        "happened_at": "2026-01-05T08:00",
        "material_1": "leaves_loose",
        "share_1": "60",
        "material_2": "food_scraps_mixed",
        "share_2": "25",
        **said,
    }


def test_a_pile_that_stood_there_is_in_the_books_and_says_so(as_, small_site):
    lead = as_("lead")
    answer = lead.post(HREF, sent())
    assert (answer.status_code, answer["Location"]) == (303, HREF)
    lot = Opening.objects.get().lot
    assert lot.code == "K-004"
    there = state.lot_state(lot.code)
    assert there.mass_kg == pytest.approx(900 * 0.45359237)
    assert {line.as_typed for line in Flow.objects.filter(to_lot=lot)} == {"900 lb"}
    assert audit().adds_up
    page = words(lead.get(HREF).content.decode())
    assert "K-004 at Bay 4" in page
    assert "135 lb what nobody knows; since when, nobody knows" in page
    pile = words(as_("reader").get(f"/piles/{lot.code}/").content.decode())
    assert "stood when the records began" in pile
    assert "The log cannot show that US-FDA-T is met." in pile
    assert "nothing of before counts" in pile
    proof = words(as_("reader").get(f"/proof/{lot.code}/").content.decode())
    assert "US-FDA-T: cannot be shown." in proof
    books = words(lead.get("/more/audit/").content.decode())
    assert "stood when the records began 900 lb" in books
    shares = words(lead.get(f"/piles/{lot.code}/?made=all").content.decode())
    assert "what nobody knows 15" in shares


def test_a_known_day_is_its_start_and_takes_readings_of_since_then(as_, small_site):
    lead = as_("lead")
    lead.post(HREF, sent(started="2026-02-01"))
    opening = Opening.objects.get()
    assert opening.start_known
    assert opening.entry.happened_at.isoformat() == "2026-02-01T20:00:00+00:00"  # noon there
    check = {
        "entry_id": str(uuid4()),
        "temp_1": "131",
        "happened_at": "2026-02-03T09:00",
        "depth": "",
    }
    assert lead.post("/piles/K-004/log/", check).status_code == 303
    early = check | {"entry_id": str(uuid4()), "temp_1": "132", "happened_at": "2026-01-31T09:00"}
    refused = lead.post("/piles/K-004/log/", early)
    assert refused.status_code == 400
    assert "was not there yet" in refused.content.decode()


def test_stock_compost_and_overs(as_, small_site):
    lead = as_("lead")
    blank = {"material_2": "", "share_2": ""}
    for said in (
        {"what": "stock", "place": "S2", "stage": "", "share_1": "", "mass": "", "volume": "2"},
        {"what": "compost", "place": "CP", "stage": "ready", "code": "OLD-1", "material_1": "",
         "share_1": "", "mass": "", "volume": "1", "density": "1000"},
        {"what": "overs", "place": "S2", "stage": "", "material_1": "", "share_1": ""},
    ):  # fmt: skip
        answer = lead.post(HREF, sent(**blank, **said))
        assert answer.status_code == 303, words(answer.content.decode())
    assert [one.lot.kind for one in Opening.objects.order_by("entry_id")] == [
        "stock",
        "compost",
        "overs",
    ]
    old = state.lot_state("OLD-1")
    assert old.mass_kg == pytest.approx(1000 * 0.45359237)


@pytest.mark.parametrize(
    ("said", "name", "words_said"),
    [
        ({"what": "heap"}, "what", "Select a valid choice"),
        ({"place": ""}, "place", "Choose one"),
        ({"place": "B99"}, "place", "Select a valid choice"),
        ({"stage": ""}, "stage", "How far has it come?"),
        ({"what": "overs"}, "stage", "Only a pile or compost"),
        ({"mass": ""}, "mass", "How much?"),
        ({"mass": "a lot"}, "mass", "is not a number"),
        ({"mass": "-3"}, "mass", "more than zero"),
        ({"mass": "", "volume": "1", "material_1": "", "share_1": "", "material_2": "",
          "share_2": ""}, "mass", "Nobody knows how heavy"),
        ({"count": "3"}, "container", "Of which container?"),
        ({"share_1": ""}, "share_1", "per cent"),
        ({"share_2": "90"}, "share_2", "150 %"),
        ({"material_1": ""}, "material_1", "Of which material?"),
        ({"material_2": "leaves_loose"}, "material_2", "named twice"),
        ({"started": "2999-01-01"}, "started", "has not come yet"),
        ({"started": "soon"}, "started", "Enter a valid date"),
        ({"happened_at": "2999-01-01T08:00"}, "happened_at", "has not come yet"),
        ({"code": "K-001"}, "code", "is taken"),
        ({"code": "no good!"}, "code", "Use up to 20 letters"),
        ({"density": "9000000", "mass": "", "volume": "1"}, "density", "outside"),
    ],
)  # fmt: skip
def test_what_is_wrong_stands_beside_its_field_and_nothing_is_written(
    as_, small_site, said, name, words_said
):
    before = everything()
    answer = as_("lead").post(HREF, sent(**said))
    assert answer.status_code == 422
    html = answer.content.decode()
    block = html[html.index(f'id="id_{name}_error"') :]
    assert words_said in block[: block.index("</div>")]
    for field, typed in sent(**said).items():
        if typed and field in ("mass", "volume", "code", "share_1", "share_2", "density"):
            assert re.search(rf'name="{field}" [^>]*value="{re.escape(typed)}"|'
                             rf'value="{re.escape(typed)}"[^>]*name="{field}"', html)  # fmt: skip
    assert everything() == before


def test_pressing_twice_writes_once_and_the_same_anew_is_asked_about(as_, small_site):
    lead = as_("lead")
    form = sent()
    for _press in range(2):
        assert lead.post(HREF, form).status_code == 303
    assert Entry.objects.filter(kind=Kind.OPENING).count() == 1
    answer = lead.post(HREF, sent())
    assert answer.status_code == 422
    assert "If it happened twice, press again." in answer.content.decode()
    assert Entry.objects.filter(kind=Kind.OPENING).count() == 1


def test_it_can_be_entered_again_right(as_, small_site):
    lead = as_("lead")
    lead.post(HREF, sent())
    entry = Entry.objects.get(kind=Kind.OPENING)
    href = f"/more/entries/{entry.uuid}/again/"
    html = lead.get(href).content.decode()
    names = re.findall(r'name="([\w.]+)"', html[html.index('id="main-form"') :])
    assert "materials.0.share_pct" in names
    assert "quantity.mass_kg" in names
    form = {
        "entry_id": str(uuid4()), "kind": "pile", "place": "B4", "stage": "curing",
        "quantity.mass_kg": "800", "materials.0.material": "leaves_loose",
        "materials.0.share_pct": "50", "materials.1.material": "food_scraps_mixed",
        "materials.1.share_pct": "25", "happened_at": "2026-01-05T08:00",
        "reason": "it was curing",
    }  # fmt: skip
    answer = lead.post(href, form)
    assert answer.status_code == 303, words(answer.content.decode())
    there = state.lot_state("K-004")
    assert there.stage == "curing"
    assert there.mass_kg == pytest.approx(800 * 0.45359237)
    assert {
        line.as_typed for line in Flow.objects.filter(entry__struck_at=None, to_lot=there.id)
    } == {"800 lb"}


def test_the_walk_goes_past_it_where_nothing_stands(as_, small_site):
    html = words(as_("lead").get(HREF).content.decode())
    assert "Nothing stands here: on to the first delivery" in html
    assert "Until then, treat it as raw." in html
    walk = words(as_("lead").get("/set-up/").content.decode())
    assert "What stands already done: nothing" in walk
