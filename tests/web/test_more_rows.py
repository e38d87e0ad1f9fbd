"""Places, sources, containers, own materials and what was measured of any."""

from __future__ import annotations

import csv
import io

import pytest
from django.urls import reverse

from heapwright.yard import materials
from heapwright.yard.models import Container, Entry, Measurement, OwnMaterial, Place, Source

PLACE = {
    "code": "B9",
    "name": "Bay 9",
    "kind": "bay",
    "width_m": "4",
    "depth_m": "4",
    "height_m": "4",
    "x_m": "22",
    "y_m": "26",
    "cover": "roof",
    "note": "",
}
CHAFF = {
    "name": "Rice hulls",
    "code": "rice_hulls_here",
    "category": "crop",
    "layer_role": "brown",
    "moisture_pct": "10",
    "n_pct_dry": "0.4",
    "c_pct_dry": "",
    "cn": "95",
    "vs_pct_dry": "",
    "bulk_density_kg_m3": "200",
    "price_per_tonne": "",
    "note": "mill's own paper",
}


def text(answer) -> str:
    return answer.content.decode()


def as_file(answer) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text(answer).removeprefix("\ufeff"))))


# places


def test_the_places_are_drawn_and_listed_in_order(small_site, as_):
    Place.objects.create(code="B10", name="Bay 10", kind="bay", width_m=1.2, depth_m=1.2)
    page = text(as_("reader").get("/more/places/"))
    assert page.count("<svg") == 2  # phone and laptop
    assert page.index(">B4</a>") < page.index(">B10</a>") < page.index(">S1</a>")
    assert small_site.hot.code in page
    assert "3.9 × 3.9 × 3.9\u00a0ft" in page
    assert "empty" not in page  # the plan shows the places alone; some are in use
    assert "Add a place" not in page
    found = {row["code"]: row for row in as_file(as_("reader").get("/more/places/?format=csv"))}
    assert float(found["B3"]["width_m"]) == 1.2


def test_a_place_is_put_on_the_plan_in_feet(small_site, as_):
    assert as_("lead").post("/more/places/add/", PLACE).status_code == 303
    place = Place.objects.get(code="B9")
    assert (place.width_m, place.x_m) == pytest.approx((4 * 0.3048, 22 * 0.3048))
    assert "Bay 9" in text(as_("lead").get("/more/places/"))


@pytest.mark.parametrize(
    ("typed", "field", "message"),
    [
        ({"code": "B1"}, "code", "already exists"),
        ({"code": "bay nine"}, "code", "Use up to 20 letters"),
        ({"width_m": "0"}, "width_m", "0.1 is the least."),
        ({"width_m": ""}, "width_m", "This is needed."),
        ({"depth_m": "4 ft"}, "depth_m", "4 ft"),
        ({"x_m": "-1"}, "x_m", "0 is the least."),
        ({"kind": "barn"}, "kind", "barn is not one of"),
    ],
)
def test_a_place_that_cannot_be_is_refused(typed, field, message, small_site, as_):
    count = Place.objects.count()
    answer = as_("lead").post("/more/places/add/", PLACE | typed)
    assert any(message in error for error in answer.context["form"].errors[field])
    assert 'value="Bay 9"' in text(answer)
    assert Place.objects.count() == count


def shown(form) -> dict[str, str]:
    return {
        field.html_name: field.value()
        for field in form
        if field.value() not in (None, False, "") and field.html_name != "entry_id"
    }


def test_mending_a_name_leaves_the_sizes_to_the_last_digit(small_site, as_):
    lead = as_("lead")
    where = reverse("place", args=["B1"])
    data = shown(lead.get(where).context["form"])
    assert data["width_m"] == "3.94"  # told to a thousandth; unchanged, it keeps all digits
    lead.post(where, data | {"name": "Bay one"})
    place = Place.objects.get(code="B1")
    assert (place.name, place.width_m, place.depth_m) == ("Bay one", 1.2, 1.2)
    data = shown(lead.get(where).context["form"])
    lead.post(where, data | {"width_m": "5"})
    assert Place.objects.get(code="B1").width_m == pytest.approx(5 * 0.3048)


def test_a_place_with_something_in_it_stays_in_use(small_site, as_):
    lead = as_("lead")
    page = lead.post("/more/places/at/B3/retire/", follow=True)
    assert f"{small_site.hot.code} still stands in Bay 3; move it first." in text(page)
    assert Place.objects.get(code="B3").retired_at is None
    assert "no longer in use" in text(lead.post("/more/places/at/B4/retire/", follow=True))
    assert Place.objects.get(code="B4").retired_at is not None
    drawn = lead.get("/more/places/").context["plan"]["wide"]
    assert "Bay 4" not in str(drawn)
    lead.post("/more/places/at/B4/retire/")
    assert Place.objects.get(code="B4").retired_at is None


# sources and containers


def test_a_source_shows_what_it_gave_without_what_was_struck(small_site, as_):
    page = text(as_("reader").get("/more/sources/"))
    assert "1179\u00a0lb" in page  # 160 + 150 + 150 + 75 kg; the 750 kg were struck
    assert "1.6\u00a0mi" in page
    found = {row["code"]: row for row in as_file(as_("reader").get("/more/sources/?format=csv"))}
    assert float(found["kitchen"]["kg"]) == 535.0
    assert found["kitchen"]["deliveries"] == "4"


def test_a_source_is_added_with_materials_days_and_containers(small_site, as_):
    tote = Container.objects.get(code="tote")
    data = {
        "code": "bakery",
        "name": "Bakery",
        "email": "bread@bakery.example",
        "material_ids": ["bread_bakery", "coffee_grounds"],
        "weekdays": ["1", "4"],
        "containers": [str(tote.pk)],
        "distance_km": "2",
    }
    known = materials.library()
    data["material_ids"] = [name for name in known if name.startswith(("coffee", "leaves"))][:2]
    assert as_("lead").post("/more/sources/add/", data).status_code == 303
    source = Source.objects.get(code="bakery")
    assert source.weekdays == [1, 4]
    assert source.material_ids == data["material_ids"]
    assert list(source.containers.all()) == [tote]
    assert source.distance_km == pytest.approx(3.218688)
    page = as_("lead").get("/more/sources/of/bakery/")
    assert shown(page.context["form"])["distance_km"] == "2"


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"code": "kitchen"}, "code"),
        ({"name": ""}, "name"),
        ({"email": "bread"}, "email"),
        ({"material_ids": ["moon_dust"]}, "material_ids"),
        ({"distance_km": "-3"}, "distance_km"),
        ({"weekdays": ["9"]}, "weekdays"),
    ],
)
def test_a_source_that_cannot_be_is_refused(typed, field, small_site, as_):
    answer = as_("lead").post("/more/sources/add/", {"code": "x1", "name": "X One"} | typed)
    assert list(answer.context["form"].errors) == [field]
    assert Source.objects.count() == 2


def test_a_container_is_kept_in_cubic_metres(small_site, as_):
    data = {"code": "pail", "name": "Pail", "volume_m3": "5", "tare_kg": "2"}
    as_("lead").post("/more/containers/add/", data)
    pail = Container.objects.get(code="pail")
    assert pail.volume_m3 == pytest.approx(0.018927, rel=1e-4)
    assert pail.tare_kg == pytest.approx(0.90718474)
    assert "5\u00a0gal" in text(as_("reader").get("/more/containers/"))
    bad = as_("lead").post("/more/containers/add/", data | {"code": "p2", "volume_m3": "0"})
    assert bad.context["form"].errors["volume_m3"] == ["0.1 is the least."]


def test_who_may_not_mend_a_source_is_led_to_what_it_brought(small_site, as_):
    for role in ("helper", "reader"):
        page = text(as_(role).get("/more/sources/"))
        assert "/more/sources/of/" not in page  # that page would refuse them
        assert 'href="/stock/deliveries/?source=kitchen"' in page
        assert "/more/containers/of/" not in text(as_(role).get("/more/containers/"))
    brought = as_("reader").get("/stock/deliveries/?source=kitchen")
    assert brought.context["count"] >= 1
    assert brought.context["form"].is_valid()
    assert 'href="/stock/deliveries/?source=kitchen"' in text(
        as_("lead").get("/more/sources/of/kitchen/")
    )


def test_a_code_that_is_left_empty_is_made_from_the_name_and_free(small_site, as_):
    lead = as_("lead")
    for name in ("Oak School kitchen, north wing", "Oak School kitchen, north wing"):
        assert lead.post("/more/sources/add/", {"name": name}).status_code == 303
    made = Source.objects.filter(name__startswith="Oak").values_list("code", flat=True)
    assert set(made) == {"oak-school-kitchen-n", "oak-school-kitchen-2"}
    lead.post("/more/containers/add/", {"name": "Кадь", "volume_m3": "5"})
    assert Container.objects.get(name="Кадь").code == "container"
    lead.post("/more/sources/of/oak-school-kitchen-n/", {"name": "Oak School", "code": ""})
    assert Source.objects.get(name="Oak School").code == "oak-school-kitchen-n"  # it stays


@pytest.mark.parametrize("where", ["sources/of/kitchen", "containers/of/tote"])
def test_taken_out_of_use_and_back(where, small_site, as_):
    lead = as_("lead")
    page = lead.post(f"/more/{where}/retire/", follow=True)
    assert "is no longer in use" in text(page)
    assert 'class="struck"' in text(page)
    assert "It is no longer in use." in text(lead.get(f"/more/{where}/"))
    assert "is in use again" in text(lead.post(f"/more/{where}/retire/", follow=True))


# materials


def test_an_own_material_is_known_to_every_form(small_site, as_):
    assert as_("lead").post("/more/materials/add/", CHAFF).status_code == 303
    known = materials.library()["rice_hulls_here"]
    assert known.cn.typical == 95
    assert known.bulk_density_kg_m3.typical == pytest.approx(200 * 0.45359237 / 0.764554857984)
    assert "Rice hulls" in text(as_("helper").get("/stock/new/?source=stable"))
    page = text(as_("reader").get("/more/materials/of/rice_hulls_here/"))
    assert "Stated by us" in page
    assert "mill&#x27;s own paper" in page


@pytest.mark.parametrize(
    ("typed", "field", "message"),
    [
        ({"cn": ""}, "cn", "State two of nitrogen, carbon and C:N."),
        ({"c_pct_dry": "50"}, "cn", "Carbon over nitrogen is 125 here"),
        ({"moisture_pct": "101"}, "moisture_pct", "100 is the most."),
        ({"moisture_pct": "-1"}, "moisture_pct", "0 is the least."),
        ({"bulk_density_kg_m3": "9000"}, "bulk_density_kg_m3", "so light or so heavy"),
        ({"code": "food_scraps_mixed"}, "code", "The library has a material of this name"),
        ({"code": "mill_chaff"}, "code", "already exists"),
        ({"code": "rice hulls"}, "code", "Enter a valid"),
    ],
)
def test_an_own_material_that_cannot_be_is_refused(typed, field, message, small_site, as_):
    answer = as_("lead").post("/more/materials/add/", CHAFF | typed)
    assert any(message in error for error in answer.context["form"].errors[field])
    assert OwnMaterial.objects.count() == 1


def test_a_measurement_stands_beside_the_library_and_counts_from_its_day(small_site, as_):
    helper = as_("helper")
    where = "/more/materials/of/food_scraps_mixed/measure/"
    form = helper.get(where).context["form"]
    assert form.fields["moisture_pct"].help_text == "Known so far: 69 (50 to 80)."
    assert form.fields["bulk_density_kg_m3"].help_text.startswith("Known so far: 767\u00a0lb/yd³")
    data = {
        "entry_id": str(form["entry_id"].value()),
        "happened_at": form["happened_at"].field.widget.format_value(
            form["happened_at"].field.prepare_value(form["happened_at"].value())
        ),
        "moisture_pct": "74.5",
        "bulk_density_kg_m3": "900",
        "method": "oven, 24 h",
    }
    page = helper.post(where, data, follow=True)
    assert "Logged what was measured of Food scraps, mixed" in text(page)
    assert "oven, 24 h" in text(page)
    assert "measured here" in text(page)
    known = materials.library()["food_scraps_mixed"]
    assert known.moisture_pct.typical == 74.5
    assert known.bulk_density_kg_m3.typical == pytest.approx(900 * 0.45359237 / 0.764554857984)
    assert "Food scraps, mixed" in text(helper.get("/more/materials/")).split("The library")[0]
    entry = Entry.objects.latest("id")
    helper.post(f"/more/undo/{entry.uuid}/")
    assert materials.library()["food_scraps_mixed"].moisture_pct.typical == 69
    assert 'class="struck"' in text(helper.get("/more/materials/of/food_scraps_mixed/"))


@pytest.mark.parametrize(
    ("typed", "field", "message"),
    [
        ({}, "moisture_pct", "State at least one figure."),
        ({"cn": "0"}, "cn", "0 lies outside 1 to 2000"),
        ({"n_pct_dry": "1", "moisture_pct": "175"}, "moisture_pct", "175 lies outside 0 to 100"),
        ({"vs_pct_dry": "much"}, "vs_pct_dry", "much"),
    ],
)
def test_a_measurement_that_cannot_be_is_refused(typed, field, message, small_site, as_):
    where = "/more/materials/of/food_scraps_mixed/measure/"
    count = Measurement.objects.count()
    base = {
        "entry_id": "5b8d9b9e-6b0e-4f6a-9a52-0c1f2b4f1a11",
        "happened_at": "2026-01-05T10:00",
        "note": "kept as typed",
    }
    answer = as_("helper").post(where, base | typed)
    assert any(message in error for error in answer.context["form"].errors[field])
    assert "kept as typed" in text(answer)
    assert Measurement.objects.count() == count


def test_an_unknown_material_is_not_there(small_site, as_):
    for name in ("measure", "material"):
        assert as_("lead").get(reverse(name, args=["moon_dust"])).status_code == 404
