"""Using compost, what each bed has had, and the recall of a lot both ways."""

from __future__ import annotations

import csv
import io

import pytest
from django.urls import reverse

from heapwright.web.more import beds
from heapwright.yard import state, trace
from heapwright.yard.models import Entry, Flow, Kind, Place

LB = 0.45359237


def text(answer) -> str:
    return answer.content.decode()


def as_file(answer) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text(answer).removeprefix("\ufeff"))))


def filled(client, site, **typed: str) -> dict[str, str]:
    form = client.get("/more/use/").context["form"]
    shown = form["happened_at"]
    return {
        "entry_id": str(form["entry_id"].value()),
        "happened_at": shown.field.widget.format_value(shown.field.prepare_value(shown.value())),
        "lot": site.compost.code,
        **typed,
    }


def test_what_is_ready_is_proposed_and_what_is_still_hot_comes_last(small_site, as_):
    choices = [
        code for code, _ in as_("helper").get("/more/use/").context["form"].fields["lot"].choices
    ]
    assert choices[:2] == ["", small_site.compost.code]  # nothing is chosen for a person
    assert choices.index(small_site.hot.code) > choices.index(small_site.compost.code)
    stages = {one.code: one.stage for one in state.state_at()}
    late = [stages[code] in ("filling", "hot", "curing") for code in choices[1:]]
    assert late == sorted(late)


def test_compost_goes_on_a_bed_once(small_site, as_):
    client = as_("helper")
    data = filled(client, small_site, bed="BED2", mass_kg="20")
    page = client.post("/more/use/", data, follow=True)
    assert "Logged: 20\u00a0lb of C-001 to Squash bed." in text(page)
    assert client.post("/more/use/", data).status_code == 303
    lines = Flow.objects.filter(to_place__code="BED2")
    assert [round(line.mass_kg, 6) for line in lines] == [round(20 * LB, 6)]
    assert lines.get().as_typed == "20 lb"
    assert lines.get().known == "weighed"
    undo = Entry.objects.filter(kind=Kind.USE).latest("id")
    assert f"/more/undo/{undo.uuid}/" in text(page)


def test_compost_is_given_to_a_person_in_barrows_and_the_rest_after_it(small_site, as_):
    client = as_("helper")
    held = state.lot_state(small_site.compost.code)
    data = filled(client, small_site, taker="Row 4 gardeners", container="barrow", count="0.5")
    assert client.post("/more/use/", data).status_code == 303
    line = Flow.objects.get(to_person="Row 4 gardeners")
    assert line.volume_m3 == pytest.approx(0.5 * 0.085)
    assert line.mass_kg == pytest.approx(0.5 * 0.085 * held.density_kg_m3)
    assert line.as_typed == "0.5 × barrow"
    data = filled(client, small_site, bed="BED1", all_of_it="on")
    assert client.post("/more/use/", data).status_code == 303
    assert state.lot_state(small_site.compost.code) is None


@pytest.mark.parametrize(
    ("typed", "field", "message"),
    [
        ({"mass_kg": "5"}, "bed", "On which bed, or taken by whom?"),
        ({"mass_kg": "5", "bed": "BED1", "taker": "Sam"}, "bed", "On which bed"),
        ({"bed": "BED1"}, "count", "How much? State a weight"),
        ({"bed": "BED1", "mass_kg": "9000"}, "mass_kg", "C-001"),
        ({"bed": "BED1", "count": "2"}, "container", "Of which container?"),
        ({"bed": "BED1", "container": "tote"}, "count", "How many containers?"),
        ({"bed": "BED1", "mass_kg": "1.000,5"}, "mass_kg", "1.000,5"),
        ({"bed": "B3", "mass_kg": "5"}, "bed", "B3 is not one of"),
        ({"bed": "BED1", "mass_kg": "5", "lot": "C-9"}, "lot", "C-9 is not one of"),
    ],
)
def test_a_use_that_cannot_be_is_refused_beside_its_field(typed, field, message, small_site, as_):
    client = as_("helper")
    count = Entry.objects.count()
    data = filled(client, small_site, note="kept as typed") | typed
    answer = client.post("/more/use/", data)
    assert answer.status_code == 200
    errors = answer.context["form"].errors
    assert any(message in error for error in errors[field]), errors
    assert "kept as typed" in text(answer)
    assert Entry.objects.count() == count


def test_the_caution_stands_beside_it(small_site, as_):
    page = text(as_("helper").get("/more/use/"))
    assert "Caution: compost under food" in page
    assert "Local codes, your permit and licensed practice come first." in page


def test_what_a_bed_has_had_goes_back_to_the_deliveries(small_site, as_):
    client = as_("reader")
    page = text(client.get("/more/beds/"))
    assert "Bean bed" in page
    assert "Scout group" in page
    page = text(client.get(reverse("bed", args=["BED1"])))
    assert "66\u00a0lb" in page
    shares = trace.materials_of(trace.composition(small_site.compost))
    share = f"{100 * shares['food_scraps_mixed']:.0f}\u00a0%"
    assert f"Food scraps, mixed (kitchen and restaurant) {share}" in page
    assert "Nothing yet" in text(client.get(reverse("bed", args=["BED2"])))
    found = as_file(client.get(reverse("bed", args=["BED1"]) + "?format=csv"))
    assert [(row["lot"], row["kg"]) for row in found] == [("C-001", "30.0")]
    assert client.get(reverse("bed", args=["B3"])).status_code == 404


def test_the_materials_of_a_use_are_those_of_the_trace(small_site, as_):
    bed = Place.objects.get(code="BED1")
    (shares,) = trace.materials_of_uses(bed).values()
    assert shares == pytest.approx(trace.materials_of(trace.composition(small_site.compost)))
    assert sum(shares.values()) == pytest.approx(1)


def test_a_long_recall_says_what_the_page_leaves_out(small_site, as_, monkeypatch):
    monkeypatch.setattr(beds, "SHOWN", 1)
    where = reverse("recall", args=[small_site.compost.code])
    page = text(as_("reader").get(where))
    assert "This page leaves out: 2 more deliveries, together" in page
    assert "2 more places that it reached" in page
    found = as_file(as_("reader").get(where + "?format=csv"))
    assert {row["name"] for row in found if row["direction"] == "from, through"} == {
        "D-001",
        "D-002",
        "K-001",
    }
    assert sum(row["direction"] == "to" for row in found) == 3


def test_a_bed_shows_the_layer_that_it_got(small_site, as_):
    line = Flow.objects.get(to_place__code="BED1")
    depth_in = line.volume_m3 / (1.2 * 3.0) / 0.0254
    assert f"{depth_in:.0f}\u00a0in" in text(as_("reader").get("/more/beds/"))


def test_a_recall_names_every_delivery_bed_and_person(small_site, as_):
    client = as_("reader")
    where = reverse("recall", args=[small_site.compost.code])
    page = text(client.get(where))
    for named in ("School kitchen", "the cook", "Riding stable", "Bean bed", "Scout group"):
        assert named in page
    assert "sign-line" in page
    found = as_file(client.get(where + "?format=csv"))
    back = {row["name"]: float(row["share"]) for row in found if row["direction"] == "from"}
    on = {(row["what"], row["name"]): float(row["kg"]) for row in found if row["direction"] == "to"}
    assert sum(back.values()) == pytest.approx(1, abs=1e-3)
    assert on[("bed", "BED1")] == pytest.approx(30)
    assert on[("person", "Scout group")] == pytest.approx(30)
    assert on[("lot", "C-001")] == pytest.approx(30)


def test_a_recall_of_a_delivery_follows_it_to_the_bed(small_site, as_):
    first = trace.composition(small_site.compost)[0].lot
    page = text(as_("reader").get(reverse("recall", args=[first.code])))
    assert "Bean bed" in page
    assert "Scout group" in page


def test_a_lot_is_found_by_its_code_in_any_letters(small_site, as_):
    client = as_("reader")
    answer = client.get("/more/recall/?lot=c-001")
    assert answer["Location"] == "/more/recall/C-001/"
    missing = client.get("/more/recall/?lot=Q-77")
    assert missing.status_code == 404
    assert "There is no lot Q-77." in text(missing)
    assert 'value="Q-77"' in text(missing)


@pytest.mark.parametrize(
    ("share", "shown"),
    [(1.0, "100 %"), (0.0849, "8 %"), (0.0049, "under 1 %"), (0.0, "0 %"), (0.006, "1 %")],
)
def test_a_share_is_whole_per_cent_and_never_in_powers_of_ten(share, shown):
    assert beds.share_words(share).replace("\u00a0", " ") == shown


def test_the_recall_of_a_delivery_says_that_all_of_it_came_with_it(small_site, as_):
    page = text(as_("reader").get(f"/more/recall/{small_site.leaves.code}/"))
    assert "100\u00a0%" in page
    assert "e+0" not in page
    assert 'href="#forward-caption"' in page
