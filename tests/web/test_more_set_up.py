"""The first-time walk from nothing to the first delivery, and the site's own figures."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client

from heapwright.people.models import User
from heapwright.yard.models import Container, DailySummary, Place, Site, Source
from heapwright.yard.readings import fresh_summaries

FIRST = {
    "site_name": "Quarry Road garden",
    "zone": "America/Los_Angeles",
    "units": "metric",
    "width_m": "20",
    "depth_m": "15",
    "username": "rowan",
    "password1": "spade-fork-barrow",
    "password2": "spade-fork-barrow",
}
BAYS = {
    "kind": "bay",
    "how_many": "8",
    "rows": "2",
    "width_m": "1.2",
    "depth_m": "1.2",
    "height_m": "1.2",
    "gap_m": "0.1",
    "aisle_m": "2",
    "x_m": "1",
    "y_m": "1",
}


def text(answer) -> str:
    return answer.content.decode()


@pytest.fixture
def walker(db):
    client = Client()
    client.post("/set-up/", FIRST)
    return client


@pytest.mark.django_db
def test_the_first_visit_sets_the_site_up_and_nobody_elses_does():
    client = Client()
    assert client.get("/", follow=True).redirect_chain[-1][0] == "/set-up/"
    answer = client.post("/set-up/", FIRST)
    assert answer.status_code == 303
    assert answer["Location"] == "/set-up/places/"
    lead = User.objects.get()
    assert (lead.username, lead.role, lead.units) == ("rowan", "lead", "metric")
    site = Site.load()
    assert (site.name, site.zone, site.width_m, site.depth_m) == (
        "Quarry Road garden",
        "America/Los_Angeles",
        20.0,
        15.0,
    )
    assert client.get("/more/").status_code == 200  # signed in
    late = Client().post("/set-up/", FIRST | {"username": "second"})
    assert late["Location"].startswith("/sign-in/")
    assert User.objects.count() == 1


@pytest.mark.django_db
def test_sizes_are_read_in_the_units_chosen_in_the_same_form():
    Client().post("/set-up/", FIRST | {"units": "us", "width_m": "100", "depth_m": ""})
    assert Site.load().width_m == pytest.approx(30.48)
    assert Site.load().depth_m is None


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"zone": "Nowhere/City"}, "is not a time zone"),
        ({"password2": "spade"}, "didn’t match"),
        ({"password1": "12345678", "password2": "12345678"}, "too common"),
        ({"width_m": "wide"}, "wide"),
        ({"site_name": ""}, "This is needed"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_nothing_is_written(typed, message):
    answer = Client().post("/set-up/", FIRST | typed)
    assert message in text(answer)
    assert "Nothing was written" in text(answer)
    assert 'value="rowan"' in text(answer)
    assert not User.objects.exists()
    assert not Site.objects.exists()


def test_the_walk_ends_with_a_first_delivery_and_can_be_taken_up_anywhere(walker):
    assert "Next: Places." in text(walker.get("/set-up/"))
    answer = walker.post("/set-up/places/", BAYS, follow=True)
    assert "8 places are on the plan, Bay 1 to Bay 8." in text(answer)
    assert "<svg" in text(answer)
    spots = {place.code: (place.x_m, place.y_m) for place in Place.objects.all()}
    assert spots["B1"] == (1.0, 1.0)
    assert spots["B4"] == pytest.approx((1 + 3 * 1.3, 1.0))
    assert spots["B5"] == pytest.approx((1.0, 1 + 1.2 + 2))
    assert "Next: Containers." in text(another_day().get("/set-up/"))

    start = walker.get("/set-up/places/?kind=stockpile").context["form"].initial
    assert start["kind"] == "stockpile"
    assert float(start["y_m"]) == pytest.approx(1 + 2 * 1.2 + 2 + 2)
    walker.post("/set-up/places/", BAYS | start | {"how_many": "1", "rows": "1"})
    assert Place.objects.get(kind="stockpile").code == "S"

    walker.post("/set-up/containers/", {"usual-form": "1", "usual": ["bucket_5gal"]})
    assert Container.objects.get().volume_m3 == pytest.approx(0.01893)
    own = {"own-form": "1", "code": "tub", "name": "Tub", "volume_m3": "60", "tare_kg": ""}
    walker.post("/set-up/containers/", own)
    assert Container.objects.get(code="tub").volume_m3 == pytest.approx(0.06)
    assert "Next: Sources." in text(walker.get("/set-up/"))
    walker.post("/set-up/sources/", {"code": "kitchen", "name": "Kitchen"})
    assert Source.objects.get().name == "Kitchen"
    page = text(walker.get("/set-up/"))
    assert "Next: The rule." in page
    assert "/set-up/rule/" in page
    assert "/set-up/standing/" in page
    assert "/stock/new/" in page


def another_day() -> Client:
    """The same person on another day and another device."""
    client = Client()
    client.post("/sign-in/", {"username": FIRST["username"], "password": FIRST["password1"]})
    return client


@pytest.mark.parametrize(
    ("typed", "field", "message"),
    [
        ({"how_many": "0"}, "how_many", "greater than or equal to 1"),
        ({"rows": "9"}, "rows", "fewer places than rows"),
        ({"width_m": "1,2"}, "width_m", "1,2"),
        ({"width_m": "0"}, "width_m", "0.1 is the least"),
        ({"x_m": "16"}, "x_m", "would end at 21.10\u00a0m, but the plan ends at 20.00\u00a0m"),
        ({"y_m": "12"}, "y_m", "but the plan ends at 15.00\u00a0m"),
        ({"kind": "barn"}, "kind", "barn is not one of the available choices"),
    ],
)
def test_rows_that_cannot_be_are_refused_whole(walker, typed, field, message):
    answer = walker.post("/set-up/places/", BAYS | typed)
    assert any(message in error for error in answer.context["form"].errors[field])
    assert not Place.objects.exists()


def test_rows_are_numbered_on(walker):
    walker.post("/set-up/places/", BAYS | {"how_many": "2", "rows": "1"})
    walker.post("/set-up/places/", BAYS | {"how_many": "2", "rows": "1", "y_m": "6"})
    assert sorted(Place.objects.values_list("code", flat=True)) == ["B1", "B2", "B3", "B4"]


def test_a_new_time_zone_counts_the_days_anew(small_site, as_):
    lot = small_site.hot
    before = list(DailySummary.objects.filter(lot=lot).values_list("day", "min_c"))
    assert before
    data = {
        "name": "Alder Lane yard",
        "zone": "Pacific/Auckland",
        "currency": "NZD",
        "width_m": "42.65",
        "depth_m": "",
        "latitude_deg": "-41.3",
        "longitude_deg": "174.8",
    }
    assert as_("lead").post("/more/site/", data).status_code == 303
    site = Site.load()
    assert (site.zone, site.latitude_deg) == ("Pacific/Auckland", -41.3)
    assert site.width_m == 13.0  # shown as 42.65 ft, not changed, so kept to the last digit
    kept = list(DailySummary.objects.filter(lot=lot).order_by("day", "point"))
    days = [one.day for one in kept]
    fresh = fresh_summaries(
        lot, min(days) - timedelta(days=2), max(days) + timedelta(days=2), site.tz
    )
    assert sorted((one.day, one.point, one.sum_c, one.count) for one in kept) == sorted(
        (one.day, one.point, one.sum_c, one.count) for one in fresh
    )
