"""The mix page: what it proposes, what a change of an amount does, and what it says of faults."""

from __future__ import annotations

import re
from datetime import timedelta
from io import BytesIO
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from django.db import connection
from django.http import HttpResponse, QueryDict
from django.test import override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import include, path
from django.utils import timezone
from pypdf import PdfReader
from tests.web.small_site import kg

from heapwright.people.models import User
from heapwright.science.mixing import Part
from heapwright.units import KG_PER_LB, M3_PER_YD3
from heapwright.yard import recipe, recipe_plan, stock
from heapwright.yard.models import Entry, Place
from heapwright.yard.receive import DeliveryLine, ReceiveDelivery, receive_delivery
from heapwright.yard.use import Discard, discard

urlpatterns = [
    path("print/", lambda _request: HttpResponse("a sheet"), name="print-build-sheet"),
    path("", include("heapwright.web.urls")),
]
"""This site's pages with a printer beside them."""


def text(answer, status: int = 200) -> str:
    assert answer.status_code == status
    return answer.content.decode().replace("&nbsp;", " ").replace("\u00a0", " ")


def words(html: str) -> str:
    """Return what is to be read, tags left out."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def value(html: str, name: str) -> str:
    field = re.search(rf'<input[^>]*name="{re.escape(name)}"[^>]*>', html)[0]
    found = re.search(r'value="([^"]*)"', field)
    return found[1] if found else ""


def headline(html: str) -> str:
    return re.search(r'id="mix-headline"[^>]*>(.*?)</p>', html)[1]


def asked(**more: object) -> str:
    """Return the query that the form sends."""
    of = stock.supply()
    said: dict[str, object] = {
        "asked": "1",
        "units": "us",
        "place": "B1",
        "lot": [lot.code for one in of.on_hand for lot in one.lots],
        "want": "",
        "want_as": "volume",
    }
    return urlencode(said | more, doseq=True)


AMOUNTS = {"amount.food_scraps_mixed": "1.5", "amount.leaves_loose": "180", "water": "5"}


def more_scraps(site, mass_kg: float = 60.0) -> None:
    """Deliver what the small site lacks for a pile that holds its heat."""
    line = DeliveryLine(material="food_scraps_mixed", quantity=kg(mass_kg), place="S1")
    receive_delivery(
        ReceiveDelivery(
            happened_at=timezone.now() - timedelta(hours=3), source="kitchen", lines=(line,)
        ),
        site.helper,
    )


def test_it_opens_with_a_proposal_for_the_first_empty_bay(as_, small_site):
    more_scraps(small_site)
    html = text(as_("helper").get("/mix/"))
    assert re.fullmatch(r"Build \d+\.\d\d yd³ in Bay 1: all in range, \d+ % sure\.", headline(html))
    # bay 3 holds the hot pile and stands last
    places = re.search(r'<select name="place".*?</select>', html, re.S)[0]
    assert re.findall(r">(Bay[^<]*)<", places)[-1] == "Bay 3, K-003 stands there"
    scraps = value(html, "amount.food_scraps_mixed")
    assert float(scraps) % 0.5 == 0  # whole half totes
    assert float(scraps) > 0
    assert float(value(html, "amount.leaves_loose")) > 0  # pounds: leaves came loose
    shown = words(html)
    for name in ("Moisture", "C:N", "Bulk density", "Free air space"):
        assert re.search(rf"{name} [\d.]+ [^ ]* ?likely [\d.]+ to [\d.]+ in range, \d+ %", shown)
    assert "good 40 to 65, best 50 to 60" in shown
    assert "Layers, bottom first" in shown
    assert "<svg" in html
    assert "Raw scraps and manure carry germs" in shown


def test_the_figures_are_those_of_the_science(as_):
    html = words(text(as_("reader").get(f"/mix/?{asked(**AMOUNTS)}")))
    of = stock.supply()
    known = of.by_id()
    scraps, leaves = known["food_scraps_mixed"], known["leaves_loose"]
    parts = [
        Part(scraps.ingredient, 1.5 * scraps.container_kg),
        Part(leaves.ingredient, 180 * KG_PER_LB),
        Part(recipe.water(), 5 * 3.785411784),
    ]
    found = recipe.judge(parts, recipe.goals())
    assert f"Moisture {found.mix.moisture_pct:.0f} %" in html
    assert f"C:N {found.mix.cn:.{0 if found.mix.cn >= 30 else 1}f} " in html
    assert f"{found.mix.volume_m3 / M3_PER_YD3:.2f} yd³" in html
    assert f"{100 * found.spread.chance_in_range:.0f} % sure" in html


def test_it_follows_a_change_with_the_parts_that_change(as_):
    client = as_("reader")
    html = text(client.get(f"/mix/check/?{asked(**AMOUNTS)}"))
    assert html.count('id="mix-answer"') == html.count('id="mix-rest"') == 1
    assert "<html" not in html
    drier = text(client.get(f"/mix/check/?{asked(**AMOUNTS | {'water': ''})}"))
    before, after = (float(re.search(r"Moisture ([\d.]+)", words(one))[1]) for one in (html, drier))
    assert after < before


def test_out_of_range_says_what_will_be_noticed_and_what_helps(as_):
    wet = asked(**{"amount.food_scraps_mixed": "3", "water": "100"})
    html = words(text(as_("reader").get(f"/mix/?{wet}")))
    assert re.search(r"yd³, out of range: [a-z, ]*too wet", html)
    assert "It will smell sour and heat poorly. Add dry browns" in html
    dry = asked(**{"amount.leaves_loose": "300"})
    html = words(text(as_("reader").get(f"/mix/?{dry}")))
    assert "too little nitrogen" in html
    assert "Add food scraps, grass or manure" in html
    small = asked(**{"amount.leaves_loose": "30", "amount.food_scraps_mixed": "0.5"})
    html = words(text(as_("reader").get(f"/mix/?{small}")))
    assert "Less than 0.99 yd³ seldom holds its heat." in html


def test_what_blocks_a_wish_and_what_would_mend_it(as_, small_site):
    only_scraps = asked(lot=[small_site.scraps.code], want="1", do="solve")
    html = words(text(as_("reader").get(f"/mix/?{only_scraps}")))
    assert "No mix of what is ticked comes near." in html
    assert "C:N stands in the way: 20 to 40 is acceptable." in html
    assert "It would work with" in html
    much = asked(want="50", do="solve")
    html = words(text(as_("reader").get(f"/mix/?{much}")))
    assert re.search(r"All that is ticked makes \d+\.\d\d yd³ and 50\.00 yd³ is asked\.", html)


def test_only_ticked_lots_are_used(as_, small_site):
    html = text(as_("reader").get(f"/mix/?{asked(lot=[small_site.leaves.code], do='solve')}"))
    assert value(html, "amount.food_scraps_mixed") == ""
    stated = asked(lot=[small_site.leaves.code], **AMOUNTS)
    html = text(as_("reader").get(f"/mix/?{stated}"))
    assert "Food scraps, mixed (kitchen and restaurant) is not among the stock to use." in html
    assert "No stock is ticked" in text(as_("reader").get(f"/mix/?{asked(lot=[])}"))


def test_a_height_is_a_wish_too(as_):
    html = text(as_("reader").get(f"/mix/?{asked(want='3', want_as='height', do='solve')}"))
    size = float(re.search(r"([\d.]+) yd³", headline(html))[1])
    assert size * M3_PER_YD3 == pytest.approx(1.2 * 1.2 * 3 * 0.3048, rel=0.06)


def test_own_limits_are_kept_to_and_shown(as_):
    html = text(
        as_("reader").get(f"/mix/?{asked(do='solve', cn_low='25', cn_high='45', no_water='on')}")
    )
    assert "good 25 to 45" in words(html)
    assert value(html, "cn_high") == "45"
    assert value(html, "water") == ""


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"amount.food_scraps_mixed": "1,5"}, "amount.food_scraps_mixed", "has a comma"),
        ({"amount.leaves_loose": "lots"}, "amount.leaves_loose", "is not a number"),
        ({"amount.leaves_loose": "-3"}, "amount.leaves_loose", "0 is the least."),
        ({"water": "x"}, "water", "is not a number"),
        ({"want": "0"}, "want", "0.01 is the least."),
        ({"cn_low": "50"}, "cn_high", "This has to be more than the least."),
        ({"moisture_pct_high": "120"}, "moisture_pct_high", "100 is the most."),
        ({"bulk_density_kg_m3_high": "dense"}, "bulk_density_kg_m3_high", "is not a number"),
        ({"free_air_space_pct_low": ""}, "free_air_space_pct_low", "This is needed."),
        ({"chance": "99.9"}, "chance", "99 is the most."),
        ({"place": "BED1"}, None, ""),
        ({"lot": ["D-999"]}, "lot", "D-999 is not on hand any more; propose anew."),
        ({"want_as": "weight"}, "want_as", "Select a valid choice"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(as_, typed, field, said):
    before = Entry.objects.count()
    html = text(as_("helper").get(f"/mix/?{asked(**AMOUNTS | typed)}"))
    if field is None:  # a place that is none falls back on the first empty one
        assert '<option value="B1" selected>' in html
        return
    error = re.search(rf'id="id_{re.escape(field)}_error">.*?</ul>', html, re.S)[0]
    assert said in error
    assert "No answer yet: mend what is marked." in html
    for name, entered in typed.items():
        if entered and isinstance(entered, str) and name != "want_as":
            assert value(html, name) == entered
    assert value(html, "amount.leaves_loose") == (typed.get("amount.leaves_loose") or "180")
    # the parts that follow say it too, in a sentence
    part = text(as_("helper").get(f"/mix/check/?{asked(**AMOUNTS | typed)}"))
    assert said in part
    assert Entry.objects.count() == before


def test_nothing_at_all_is_said_so(as_):
    html = text(as_("reader").get(f"/mix/?{asked()}"))
    assert "A mix needs at least one material with solids in it." in html


def test_more_than_the_books_hold_is_warned_of(as_):
    html = words(text(as_("reader").get(f"/mix/?{asked(**{'amount.leaves_loose': '5000'})}")))
    assert "More Leaves, dry loose than the books hold" in html


def test_a_place_that_is_taken_and_a_dirty_lot_are_warned_of(as_, small_site):
    line = DeliveryLine(
        material="coffee_grounds", quantity=kg(60), place="S1", contamination="much", found="cups"
    )
    lot = receive_delivery(
        ReceiveDelivery(
            happened_at=timezone.now() - timedelta(hours=1), source="kitchen", lines=(line,)
        ),
        small_site.helper,
    ).lots.get()
    query = asked(place="B3", **AMOUNTS, **{"amount.coffee_grounds": "0.5"})
    html = words(text(as_("reader").get(f"/mix/?{query}")))
    assert "K-003 stands in Bay 3 already" in html
    assert f"{lot.code} Coffee grounds, spent came with much that does not belong" in html


def test_a_little_stock_is_no_pile_and_what_is_missing_is_said(as_, small_site):
    few = asked(lot=[small_site.leaves.code, small_site.scraps.code], do="solve", want="")
    use_up(small_site.leaves, 145.0)
    html = words(text(as_("helper").get(f"/mix/?{few}")))
    assert re.search(r"makes only 0\.\d\d yd³ well, too little to hold its heat", html)
    assert "It would make 0.99 yd³ with one of these more:" in html


def use_up(lot, mass_kg: float) -> None:
    act = Discard(happened_at=timezone.now(), lot=lot.code, quantity=kg(mass_kg), why="blown away")
    discard(act, User.objects.get(username="lead"))


def test_what_cannot_be_mixed_says_what_to_measure(as_, small_site):
    html = text(as_("helper").get("/mix/"))
    assert "1 lot cannot be mixed yet" in html
    assert "Enter a measured or typical value" in html
    assert "nobody published its moisture and nitrogen." in html
    assert 'href="/more/materials/of/compost_overs/measure/"' in html
    assert "With a value of the site it can be used." in text(as_("reader").get("/mix/"))
    stock = text(as_("helper").get("/stock/"))
    assert stock.index("1 lot cannot be mixed yet") < stock.index("stock-caption")
    form = text(as_("helper").get("/more/materials/of/compost_overs/measure/"))
    assert "a typical value lets it be mixed: say in the note where it is from" in words(form)


def test_less_than_half_a_container_is_counted_by_weight(as_, small_site):
    """Nobody types 0.3 of a tote; what fills half of one is counted in totes."""
    tote_kg = supply_of("food_scraps_mixed").container_kg
    all_of("food_scraps_mixed", small_site)
    more_scraps(small_site, 0.3 * tote_kg)
    little = amount_row(as_("helper"), "food_scraps_mixed")
    assert "Food scraps lb" in little
    assert "Half less" not in little
    assert f"On hand 0.3 × 32-gallon tote, {0.3 * tote_kg / KG_PER_LB:.0f} lb" in little
    more_scraps(small_site, 0.4 * tote_kg)
    enough = amount_row(as_("helper"), "food_scraps_mixed")
    assert "Food scraps × 32-gallon tote" in enough
    assert "Half less" in enough


def test_a_weight_typed_for_less_than_half_a_container_is_taken_as_a_weight(as_, small_site):
    tote_kg = supply_of("food_scraps_mixed").container_kg
    all_of("food_scraps_mixed", small_site)
    more_scraps(small_site, 0.3 * tote_kg)
    query = asked(**{"amount.food_scraps_mixed": "9", "amount.leaves_loose": "40"})
    page = as_("helper").get(f"/mix/?{query}")
    parts = page.context["asked"].worked.recipe.mix.parts
    taken = {part.id: part.mass_kg for part in parts}
    assert taken["food_scraps_mixed"] == pytest.approx(9 * KG_PER_LB)


def supply_of(name: str) -> stock.OnHand:
    return next(one for one in stock.supply().on_hand if one.id == name)


def all_of(name: str, site) -> None:
    """Take all of a material that is on hand out of the way."""
    for lot in supply_of(name).lots:
        discard(Discard(happened_at=timezone.now(), lot=lot.code, why="out of the way"), site.lead)


def amount_row(client, name: str) -> str:
    """Return what stands beside the field of an amount."""
    html = text(client.get("/mix/"))
    rows = re.findall(r'<div class="amount field.*?</div></div>', html, re.S)
    return words(next(row for row in rows if f'name="amount.{name}"' in row))


def test_the_least_sure_property_says_what_to_measure(as_):
    html = words(text(as_("helper").get(f"/mix/?{asked(do='solve', cn_low='31', cn_high='34')}")))
    assert re.search(
        r"Least sure is C:N: measure nitrogen and carbon of (Leaves|Food scraps) to be surer", html
    )


def test_the_units_of_an_address_mean_the_same_to_everybody(as_):
    User.objects.filter(username="reader").update(units="metric")
    query = asked(**AMOUNTS)
    us, metric = (words(text(as_(who).get(f"/mix/?{query}"))) for who in ("lead", "reader"))
    assert headline(text(as_("lead").get(f"/mix/?{query}"))) == headline(
        text(as_("reader").get(f"/mix/?{query}"))
    )
    assert "gal" in us
    assert "gal" in metric
    own = text(as_("reader").get("/mix/"))
    assert "m³" in headline(own)


def test_every_number_shows_its_working(as_):
    html = words(text(as_("reader").get(f"/mix/?{asked(**AMOUNTS)}")))
    for said in (
        "moisture = water / mass",
        "C:N = carbon / nitrogen",
        "bulk density = mass / summed volumes",
        "R. T. Haug 1993",
        "T. Richard, N. Trautmann, Cornell Waste Management Institute 1996",
        "R. Rynk (editor) and others 1992",
        "each figure is drawn 2000 times",
    ):
        assert said in html
    assert "None" not in html


def test_the_same_question_is_asked_of_the_solver_once(as_):
    recipe._solved.cache_clear()
    client = as_("reader")
    first = text(client.get("/mix/"))
    solved = recipe._solved.cache_info().misses
    assert headline(text(client.get("/mix/"))) == headline(first)
    assert recipe._solved.cache_info().misses == solved


def test_a_change_of_the_stock_is_a_new_question(as_, small_site):
    client = as_("reader")
    first = text(client.get("/mix/"))
    line = DeliveryLine(material="horse_straw", quantity=kg(300), place="S1")
    receive_delivery(
        ReceiveDelivery(happened_at=timezone.now(), source="stable", lines=(line,)),
        small_site.helper,
    )
    second = text(client.get("/mix/"))
    assert headline(second) != headline(first)
    assert 'name="amount.horse_straw"' in second


@override_settings(ROOT_URLCONF=__name__)
def test_the_build_sheet_is_asked_for_with_the_amounts_as_typed(as_):
    client = as_("reader")
    assert 'formaction="/mix/print/"' in text(client.get(f"/mix/?{asked(**AMOUNTS)}"))
    answer = client.get(f"/mix/print/?{asked(**AMOUNTS)}")
    assert answer.status_code == 302
    to = urlsplit(answer["Location"])
    assert to.path == "/print/"
    query = parse_qs(to.query)
    assert float(query["mass.leaves_loose"][0]) == pytest.approx(180 * KG_PER_LB, rel=1e-5)
    plan = recipe_plan.plan_of(QueryDict(to.query))
    assert plan.place == Place.objects.get(code="B1")
    assert recipe_plan.work_out(plan).recipe.mix is not None
    wrong = client.get(f"/mix/print/?{asked(**AMOUNTS | {'water': 'x'})}")
    assert wrong["Location"].startswith("/mix/?")


def test_the_build_sheet_of_the_shown_mix_is_a_pdf(as_):
    client = as_("lead")
    assert "mix/print" in text(client.get(f"/mix/?{asked(**AMOUNTS)}"))
    sheet = client.get(f"/mix/print/?{asked(**AMOUNTS)}", follow=True)
    assert sheet.status_code == 200
    assert sheet["Content-Type"] == "application/pdf"
    assert sheet.content.startswith(b"%PDF")
    words = " ".join(page.extract_text() for page in PdfReader(BytesIO(sheet.content)).pages)
    assert "Build sheet" in words


def test_a_build_sheet_without_a_place_is_not_found(as_):
    refused = as_("lead").get("/print/build-sheet/")
    assert refused.status_code == 404


def test_a_reader_may_look_and_not_build(as_):
    html = text(as_("reader").get("/mix/"))
    assert "mix-form" in html
    assert "/mix/build/" not in html


def test_queries_do_not_grow_with_the_stock(as_, small_site, django_assert_num_queries):
    client = as_("reader")
    with CaptureQueriesContext(connection) as few:
        client.get(f"/mix/check/?{asked(**AMOUNTS)}")
    for material in ("coffee_grounds", "horse_straw", "grass_clippings", "coffee_grounds"):
        line = DeliveryLine(material=material, quantity=kg(30), place="S1")
        receive_delivery(
            ReceiveDelivery(happened_at=timezone.now(), source="kitchen", lines=(line,)),
            small_site.helper,
        )
    with django_assert_num_queries(len(few)):
        client.get(f"/mix/check/?{asked(**AMOUNTS)}")
