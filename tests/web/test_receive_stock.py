"""What is on hand, past deliveries, and contamination by source."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from tests.web.small_site import kg

from heapwright.people.models import User
from heapwright.units import KG_PER_LB
from heapwright.web.receive.deliveries import _how_known
from heapwright.web.receive.stock import can_wait
from heapwright.yard import stock
from heapwright.yard.models import Flow, Lot, Site
from heapwright.yard.receive import DeliveryLine, ReceiveDelivery, receive_delivery


def text(answer) -> str:
    assert answer.status_code == 200
    return answer.content.decode().replace("\u00a0", " ")


def table_row(html: str, first: str) -> list[str]:
    """Return the cells of the row whose first cell holds ``first``."""
    for row in re.findall(r"<tr[^>]*>(.*?)</tr>", html, re.S):
        cells = [
            re.sub(r"<[^>]+>", "", cell).strip()
            for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)
        ]
        if cells and cells[0].startswith(first):
            return cells
    raise AssertionError(f"no row of {first}")


def taken_away(answer) -> list[dict[str, str]]:
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer["Content-Disposition"]
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))


def deliver(site, days: float, material: str, *, source="kitchen", mass_kg=40.0, **more) -> Lot:
    line = DeliveryLine(material=material, quantity=kg(mass_kg), place="S1", **more)
    act = ReceiveDelivery(
        happened_at=timezone.now() - timedelta(days=days), source=source, lines=(line,)
    )
    return receive_delivery(act, site.lead).lots.get()


def test_what_is_on_hand_by_lot(as_, small_site):
    html = text(as_("reader").get("/stock/"))
    scraps = table_row(html, small_site.scraps.code)
    assert scraps[1:3] == ["Food scraps", "up to 1 day"]
    assert float(scraps[3]) == pytest.approx(75 / KG_PER_LB, abs=0.5)
    assert (scraps[5], scraps[6]) == ("Scraps bunker", "2 days")
    leaves = table_row(html, small_site.leaves.code)
    assert (leaves[1], leaves[2], leaves[6]) == ("Leaves", "months", "90 days")
    assert table_row(html, small_site.overs.code)[1] == "Screened overs"
    # struck, used up, and built piles are no stock
    assert small_site.hot.code not in re.findall(r'<th scope="row"[^>]*>.*?</th>', html)
    assert "Coffee" not in html


def test_what_presses_stands_on_top_with_its_reason(as_, small_site):
    html = text(as_("helper").get("/stock/"))
    first = html[html.index("Use first") : html.index("On hand")]
    assert f"{small_site.scraps.code} Food scraps, 165 lb" in re.sub(r"<[^>]+>", "", first)
    assert f'href="/piles/{small_site.scraps.code}/"' in first
    assert "Waiting for 2 days; keeps 1 day in warm weather, 3 in cool." in first
    assert small_site.leaves.code not in first
    assert "2 lots press" in html  # these, and the ten kilograms left of an older delivery
    assert "can still wait = keeps − waited" in html
    assert "General knowledge of the trade (from memory)" in html


def test_dry_and_woody_stock_does_not_press_however_long_it_lay(as_, small_site):
    chips = deliver(small_site, 364.5, "wood_chips")
    html = text(as_("helper").get("/stock/"))
    first = html[html.index("Use first") : html.index("On hand")]
    assert chips.code not in first
    assert "Wood chips" not in first
    assert table_row(html, chips.code)[1:3] == ["Wood chips", "long, though old"]


def test_what_presses_and_cannot_go_into_the_next_pile_is_not_counted_as_if_it_could(
    as_, small_site
):
    dirty = deliver(small_site, 2.0, "food_scraps_mixed", contamination="much")
    unmeasured = deliver(small_site, 3.0, "veg_trimmings")
    html = text(as_("helper").get("/stock/"))
    first = html[html.index("Use first") : html.index('id="mix-left-out"')]
    assert "2 lots press" in html
    assert dirty.code not in first
    assert unmeasured.code not in first
    assert unmeasured.code in html[html.index('id="mix-left-out"') : html.index("On hand")]


@pytest.mark.parametrize(
    ("days", "said"),
    [(0, "1 to 3 days"), (1.2, "up to 2 days"), (2.2, "up to 1 day"), (3, "over: use it today")],
)
def test_can_wait_runs_from_warm_to_cool(small_site, days, said):
    lot = deliver(small_site, days, "food_scraps_mixed")
    one = next(one for one in stock.waiting() if one.code == lot.code)
    assert can_wait(one) == said


def test_the_stock_can_be_taken_away(as_, small_site):
    rows = taken_away(as_("reader").get("/stock/?format=csv"))
    scraps = next(row for row in rows if row["lot"] == small_site.scraps.code)
    assert scraps["material"] == "food_scraps_mixed"
    assert float(scraps["mass_kg"]) == 75
    assert (scraps["source"], scraps["place"]) == ("kitchen", "S1")
    assert float(scraps["left_days_warm"]) == -1.0
    assert float(scraps["left_days_cool"]) == 1.0


def test_metric_people_read_kilograms(as_, small_site):
    User.objects.filter(username="reader").update(units="metric")
    assert table_row(text(as_("reader").get("/stock/")), small_site.scraps.code)[3] == "75"


def test_deliveries_by_date_struck_ones_crossed_out(as_, small_site):
    html = text(as_("reader").get("/stock/deliveries/"))
    dates = re.findall(r'<th scope="row" class="short-cell">(.*?)</th>', html)
    assert len(dates) == 6
    struck = re.search(r'<tr class="struck">.*?</tr>', html, re.S)[0]
    assert "Coffee grounds" in struck
    total_lb = (500 + 160 + 150 + 150 + 75) / KG_PER_LB  # the struck 750 kg do not count
    assert f"5 deliveries, {total_lb:.0f} lb in all." in html
    assert "a little, picked out: three produce stickers" in html
    assert "750 kg" in struck  # as typed


def test_deliveries_of_a_source_and_period(as_, small_site):
    client, zone = as_("reader"), Site.load().tz
    day = (timezone.now() - timedelta(days=90)).astimezone(zone).date()
    html = text(client.get(f"/stock/deliveries/?since={day}&until={day}&source=stable"))
    assert table_row(html, f"{day.day} {day:%b %Y}")[1:4] == [
        "Riding stable", small_site.leaves.code, "Leaves, dry loose",
    ]  # fmt: skip
    assert "1 delivery," in html
    none = text(client.get(f"/stock/deliveries/?since={day}&until={day}&source=kitchen"))
    assert "1 delivery, 353 lb" in none
    rows = taken_away(
        client.get(f"/stock/deliveries/?since={day}&until={day}&source=stable&format=csv")
    )
    assert [(row["material"], row["mass_kg"], row["as_typed"]) for row in rows] == [
        ("leaves_loose", "500.0", "500 kg")
    ]


@pytest.mark.parametrize("page", ["/stock/deliveries/", "/stock/contamination/"])
@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("since=soon&until=2026-01-01", "Enter a valid date."),
        ("since=2026-02-01&until=2026-01-01", "This is before the first day."),
        ("since=2026-01-01&until=2026-02-01&source=nobody", "Select a valid choice"),
        ("since=&source=kitchen", "This is needed."),
    ],
)
def test_a_period_that_is_none_is_said_so(as_, page, query, said):
    html = text(as_("reader").get(f"{page}?{query}"))
    assert said in html
    assert "Nothing here yet." in html


def test_contamination_by_source_the_worst_first(as_, small_site):
    deliver(small_site, 3, "horse_straw", source="stable", contamination="much", found="twine")
    deliver(small_site, 2, "horse_straw", source="stable", contamination="none")
    html = text(as_("reader").get("/stock/contamination/"))
    assert "Riding stable first: much in 1 of 2 lots looked at." in html
    assert table_row(html, "Riding stable")[1:] == ["3", "2", "1", "0", "1", "88", "twine"]
    kitchen = table_row(html, "School kitchen")
    assert kitchen[1:] == ["4", "1", "0", "1", "0", "0", "three produce stickers"]
    assert html.index("Riding stable") < html.index(">School kitchen<")
    rows = taken_away(as_("reader").get("/stock/contamination/?format=csv"))
    assert (rows[0]["source"], rows[0]["mass_much_kg"], rows[0]["found"]) == (
        "stable", "40.0", "twine",
    )  # fmt: skip


def test_queries_do_not_grow_with_the_stock(as_, small_site, django_assert_num_queries):
    client = as_("reader")
    with CaptureQueriesContext(
        connection,
    ) as few:
        client.get("/stock/")
    for day in range(12):
        deliver(small_site, day, "coffee_grounds", contamination="little", found="string")
    with django_assert_num_queries(len(few)):
        client.get("/stock/")


@pytest.mark.parametrize(
    ("typed", "known", "units", "shown"),
    [
        ("190 lb", "weighed", "us", "weighed"),
        ("40 lb, estimated", "estimated", "us", "estimated"),
        ("", "estimated", "us", "estimated"),
        ("86 kg", "weighed", "us", "86 kg"),
        ("2.5 × 32-gallon tote, 210 lb", "weighed", "us", "2.5 × 32-gallon tote, 210 lb"),
    ],
)
def test_how_a_weight_is_known_does_not_say_the_weight_again(typed, known, units, shown):
    assert _how_known(Flow(as_typed=typed, known=known), units) == shown
