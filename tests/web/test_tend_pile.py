"""The page of a lot: drawing, heat, proof, what it is made of, where it went, what happened."""

from __future__ import annotations

import csv
import io
import math
import re
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone
from tests.web.codes import whole_codes

from heapwright.web.telling import Teller
from heapwright.web.tend import cut
from heapwright.yard import mix, receive, state, tend
from heapwright.yard.acts import Take, first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.strike import strike


@pytest.fixture
def turning_due(small_site):
    """Read the hot pile yesterday too: its turning is then due at any hour of the day."""
    act = tend.CheckLot(
        happened_at=timezone.now() - timedelta(days=1),
        lot="K-003",
        temps=(tend.Temp(point="1", temp_c=64.0), tend.Temp(point="2", temp_c=63.0)),
    )
    return tend.check(act, small_site.lead)


def page(client: Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return whole_codes(answer.content.decode()).replace("\u00a0", " ")


def section(html: str, heading: str) -> str:
    """Return what stands under a heading up to its section's end, or a caption to its table's."""
    start = html.index(heading)
    return html[start : html.index("</table>" if "caption" in heading else "</section>", start)]


def test_a_heap_that_was_turned_is_cut_open_as_it_lies_now(as_):
    html = page(as_("reader"), "/piles/K-003/")
    cut = section(html, "Cut open")
    assert re.search(r"Turned and mixed since it was laid: \d+ % leaves \(brown\), \d+ % food", cut)
    assert "Turned once, on" in cut
    assert "is drawn mixed" in cut
    assert "Point 1: 151 °F. Point 2: 147 °F. Point 3: 142 °F." in cut


def test_heat_has_its_chart_and_its_table_and_can_be_taken_away(as_):
    client = as_("reader")
    html = page(client, "/piles/K-003/")
    heat = html[html.index("<h2>Heat</h2>") :]
    assert "19 readings from 86 °F to 151 °F" in heat
    assert "Acts: built" in heat
    assert "Rule: 131 °F of US-FDA-T." in heat
    table = section(html, 'id="temperatures-caption"')
    assert table.count("<tr>") == 19 + 1
    rows = list(
        csv.DictReader(
            io.StringIO(client.get("/piles/K-003/?format=csv").content.decode("utf-8-sig"))
        )
    )
    assert len(rows) == 19
    assert (rows[-3]["point"], rows[-3]["highest_c"], rows[-3]["depth_cm"]) == (
        "1", "66.0", "45.0",
    )  # fmt: skip


def test_the_proof_says_how_far_it_is_and_leads_to_its_page(as_):
    proof = section(page(as_("reader"), "/piles/K-003/"), "<h2>Proof</h2>")
    assert re.search(r"\d+ of 15 days and 1 of 5 turnings count for US-FDA-T\.", proof)
    assert "Earliest possible:" in proof
    assert "Turn 4 times more while it is hot." in proof
    assert "/proof/K-003/" in proof
    assert "21 CFR 112.54(b)(2) (United States), from memory" in proof
    assert "Caution: proof" in proof


def test_a_met_rule_names_its_day_and_one_short_of_a_turning_is_not_called_met(as_, small_site):
    assert "US-FDA-T was met on" in page(as_("reader"), "/piles/K-002/")
    tend.declare_stage(
        tend.DeclareStage(happened_at=timezone.now(), lot="K-002", stage="ready"), small_site.lead
    )
    compost = section(page(as_("reader"), "/piles/C-001/"), "<h2>Proof</h2>")
    # late in the day the turnings fall on the next day, one of them then on a hot one
    assert re.search("11 of 15 days and [45] of 5 turnings count", compost)
    assert "The log stops on" in compost
    assert "Earliest possible" not in compost
    assert "was met" not in compost


def test_the_days_of_a_met_proof_are_drawn_up_to_the_day_it_was_met(as_):
    proof = section(page(as_("reader"), "/piles/K-002/"), "<h2>Proof</h2>")
    drawn = re.search(r"(\d+) counts, (\d+) no reading\.", proof)
    assert drawn is not None
    # the fifth turning came a day (late in the day: two) after the fifteenth hot one
    assert int(drawn[1]) in (16, 17)
    assert int(drawn[2]) == 1  # built on a day that nobody read
    assert "Only the days that decide are drawn" in proof


def test_what_went_in_names_the_lots_and_their_sources(as_):
    put_in = section(page(as_("reader"), "/piles/K-003/"), "made-of-caption")
    rows = re.findall(r"<tr>(.*?)</tr>", put_in, re.S)
    told = [" ".join(re.sub("<[^>]*>", " ", row).split()) for row in rows[1:]]
    assert [row[: row.index(" lb")] for row in told] == [
        "food scraps 50 309",
        "leaves 39 243",
        "water 11 66",
    ]
    assert "D-004 School kitchen" in told[0]
    assert "D-001 Riding stable" in told[1]
    assert "tap, butt or rain" in told[2]


def test_what_it_is_made_of_is_traced_back_to_the_deliveries_when_asked(as_):
    html = page(as_("reader"), "/piles/C-001/")
    assert "/piles/K-001/" in section(html, "made-of-caption")
    assert "?made=all#made-of-caption" in html
    html = page(as_("reader"), "/piles/C-001/?made=all")
    made = section(html, "made-of-caption")
    for part in ("food scraps", "School kitchen", "/piles/D-002/", "Riding stable", "water"):
        assert part in made
    assert "By material: food scraps 50 %, leaves 41 %, water 9.4 %." in html


def test_where_it_went_names_beds_people_and_lots(as_):
    went = section(page(as_("reader"), "/piles/C-001/"), "went-caption")
    assert "Bean bed" in went
    assert "Scout group" in went
    assert went.count("66 lb") == 2
    rows = list(
        csv.DictReader(
            io.StringIO(
                as_("reader").get("/piles/C-001/?format=csv&of=went").content.decode("utf-8-sig")
            )
        )
    )
    assert [(row["to"], float(row["mass_kg"])) for row in rows] == [
        ("Scout group", 30.0),
        ("Bean bed", 30.0),
    ]
    screened = section(page(as_("reader"), "/piles/K-001/"), "went-caption")
    assert "/piles/C-001/" in screened
    assert "/piles/V-001/" in screened


def test_a_lot_that_is_used_up_says_so_and_offers_no_act(as_):
    html = page(as_("lead"), "/piles/K-001/")
    assert "nothing of it is left" in html
    assert "/piles/K-001/turn/" not in html
    assert "Log a check" not in html


def test_the_proof_of_a_pile_that_is_used_up_is_one_tap_away(as_):
    assert 'href="/proof/K-001/"' in page(as_("reader"), "/piles/K-001/")


def test_an_entry_that_took_from_many_lots_tells_their_sum(small_site):
    act = mix.BuildPile(
        happened_at=timezone.now(),
        place="B4",
        takes=tuple(Take(lot=code, quantity=Quantity(mass_kg=10.0)) for code in ("D-001", "D-005")),
    )
    entry = mix.build_pile(act, small_site.lead)
    assert "22 lb of D-001, 22 lb of D-005" in Teller("us")(entry).replace("\u00a0", " ")
    assert "of 44 lb of 2 lots" in Teller("us", most=1)(entry).replace("\u00a0", " ")


def test_every_figure_can_be_opened_to_its_working(as_):
    html = page(as_("reader"), "/piles/K-003/")
    much = section(html, "<h2>How much</h2>")
    assert "mass = came in − went out − booked as lost to the air" in much
    assert "bulk density = mass / volume" in much
    assert "filling = volume / (width × depth × height)" in much
    came = re.search(r'came in</th><td class="number-cell">(\d+)', much)
    assert came is not None
    assert int(came[1]) == 617  # 60 + 140 + 50 kg and 30 L of water
    assert 'Mass</dt><dd><span class="value">617<' in much


def test_everything_that_happened_stands_there_struck_ones_with_their_reason(as_, small_site):
    strike(small_site.helpers_check.uuid, "the wrong heap", small_site.helper)
    html = page(as_("reader"), "/piles/K-003/")
    story = html[html.index("story-caption") :]
    row = re.search(r'<tr class="struck">(.*?)</tr>', story, re.S)
    assert row is not None
    assert "151 °F, 147 °F, 142 °F" in row[1]
    assert "Struck by" in story
    assert "the wrong heap" in story
    assert "151 °F" not in section(html, "Cut open")  # it counts no longer


def test_a_long_story_is_told_in_pages(as_, small_site):
    for number in range(45):
        tend.turn(
            tend.Turn(happened_at=timezone.now(), lot="K-003", note=f"round {number}"),
            small_site.lead,
        )
    first = page(as_("reader"), "/piles/K-003/")
    assert "round 44" in first
    assert "“round 0”" not in first
    assert "?story=2#story-caption" in first
    assert '<a class="plain-act" href="/more/entries/?lot=K-003">All of them</a>' in first
    second = page(as_("reader"), "/piles/K-003/?story=2")
    assert "“round 29”" in second
    assert "“round 30”" not in second
    assert "“round 0”" in page(as_("reader"), "/piles/K-003/?story=3")
    last = page(as_("reader"), "/piles/K-003/?story=4")
    assert "built" in last[last.index("story-caption") :].lower()
    assert "Newer entries" in last
    assert "Older entries" not in last
    assert page(as_("reader"), "/piles/K-003/?story=nonsense").count("round 44") == 1


def test_who_may_strike_an_entry_is_offered_it(as_, small_site):
    check = f"/more/entries/{small_site.helpers_check.uuid}/strike/"
    turned = small_site.hot.entries.get(kind="turn")  # by the lead
    turning = f"/more/entries/{turned.uuid}/strike/"
    lead, helper, reader = (
        page(as_(role), "/piles/K-003/") for role in ("lead", "helper", "reader")
    )
    assert check in lead
    assert turning in lead
    assert check in helper
    assert turning not in helper
    assert "/strike/" not in reader


def test_the_tasks_of_the_pile_stand_on_its_page_with_their_tap(turning_due, as_):
    lead = page(as_("lead"), "/piles/K-003/")
    assert "<h3>Turn Bay 3</h3>" in lead
    assert "Log it: turned" in lead
    assert "Use or bury" not in lead
    reader = page(as_("reader"), "/piles/K-003/")
    assert "<h3>Turn Bay 3</h3>" in reader
    assert "<button" not in reader.split("</main>")[0].split("<main")[1]


def test_stock_and_overs_have_a_page_too(as_):
    stock = page(as_("lead"), "/piles/D-005/")
    assert "165 lb" in stock
    assert "/piles/D-005/discard/" in stock
    assert "/piles/D-005/turn/" not in stock
    assert "Cut open" not in stock
    overs = page(as_("lead"), "/piles/V-001/")
    assert "overs" in overs
    assert "/piles/K-001/" in section(overs, "made-of-caption")


def test_a_lot_whose_making_was_struck_is_void(as_, small_site):
    code = small_site.struck.lots.get().code
    html = page(as_("reader"), f"/piles/{code}/")
    assert "is void: the entry that made it was struck." in html


def test_an_unknown_lot_is_not_found(as_):
    for path in ("/piles/K-999/", "/piles/K-999/log/", "/piles/K-003/juggle/"):
        assert as_("lead").get(path).status_code == 404


def test_a_much_contaminated_delivery_carries_its_caution(as_, small_site):
    line = receive.DeliveryLine(
        material="leaves_loose",
        quantity=Quantity(mass_kg=40.0),
        place="S2",
        contamination="much",
        found="broken glass",
    )
    entry = receive.receive_delivery(
        receive.ReceiveDelivery(happened_at=timezone.now(), source="stable", lines=(line,)),
        small_site.helper,
    )
    html = page(as_("helper"), f"/piles/{first_lot(entry).code}/")
    assert "Caution: much that does not belong in it" in html


def test_a_new_pile_that_nobody_read_is_told_how(as_, small_site):
    act = mix.BuildPile(
        happened_at=timezone.now(),
        place="B4",
        full=False,
        takes=(Take(lot="D-001", quantity=Quantity(mass_kg=40.0)),),
    )
    pile = first_lot(mix.build_pile(act, small_site.lead))
    html = page(as_("helper"), f"/piles/{pile.code}/")
    assert "Nobody has read it yet." in html
    assert "filling" in html
    assert "<h2>Proof</h2>" not in html


def test_notes_and_names_are_escaped(as_, small_site):
    tend.turn(
        tend.Turn(happened_at=timezone.now(), lot="K-003", note="<b>to</b> & fro"),
        small_site.lead,
    )
    html = as_("reader").get("/piles/K-003/").content.decode()
    assert "&lt;b&gt;to&lt;/b&gt; &amp; fro" in html
    assert "<b>to</b>" not in html


@pytest.mark.parametrize("path", ["/piles/K-003/", "/piles/C-001/", "/piles/D-005/"])
def test_the_page_takes_few_queries_and_few_bytes(as_, django_assert_max_num_queries, path):
    client = as_("lead")
    client.get(path)
    with django_assert_max_num_queries(72):  # what stands is kept in memory outside of a test
        html = page(client, path)
    assert len(html.encode()) < 150_000


def test_a_heap_on_shared_ground_is_drawn_at_its_own_size(as_, small_site):
    """Not spread over the whole pad: a cone as wide and as high as holds its volume."""
    standing = state.lot_state(small_site.curing.code)
    assert standing.place.kind == "curing"
    drawn = cut.section(standing, (), ())
    held_m3 = math.pi * (drawn.width_m / 2) ** 2 * drawn.height_m / 3
    assert held_m3 == pytest.approx(standing.volume_m3)
    assert 0.3 < drawn.height_m / drawn.width_m < 0.6
    html = page(as_("reader"), f"/piles/{small_site.curing.code}/")
    assert "ft wide, 0 ft high" not in html
