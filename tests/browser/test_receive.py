"""Stock and deliveries in a real browser: phone and laptop, scripts off, thumbs, axe."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from heapwright.yard import state
from heapwright.yard.models import Entry, Kind

THUMB_PX = 48
PAGES = (
    "/stock/",
    "/stock/new/",
    "/stock/new/?source=kitchen",
    "/stock/deliveries/",
    "/stock/contamination/",
    "/stock/deliveries/?since=2026-02-01&until=2026-01-01",
)


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing(small_site, browser_page, sign_in, accessible, width, dark):
    page = browser_page(width, dark=dark)
    sign_in(page, "helper")
    for path in PAGES:
        page.goto(path)
        for details in page.locator("details").all():
            details.locator("summary").first.click()
        accessible(page)


@pytest.mark.parametrize("width", [360, 1280])
def test_a_delivery_is_logged_with_a_thumb(small_site, browser_page, sign_in, width):
    page = browser_page(width)
    sign_in(page, "helper")
    page.goto("/stock/")
    box = page.get_by_role("link", name="Log a delivery").bounding_box()
    assert box is not None
    assert box["height"] >= THUMB_PX
    page.get_by_role("link", name="Log a delivery").click()
    page.get_by_role("link", name="School kitchen").click()
    first = page.get_by_role("region", name="Material 1")
    expect(first.get_by_label("Material", exact=True)).to_have_value(
        "Food scraps, mixed (kitchen and restaurant)"
    )
    amount = first.get_by_label("How much")
    assert amount.get_attribute("inputmode") == "decimal"
    amount.fill("2.5")
    first.get_by_label("Contamination").select_option("little")
    first.get_by_text("What was found, what it weighed").click()
    first.get_by_label("What was found").fill("a fork")
    for field in first.locator("input, select").all():
        box = field.bounding_box()
        assert box is not None
        assert box["height"] >= THUMB_PX
        assert 0 <= box["x"] <= box["x"] + box["width"] <= width
    page.get_by_role("button", name="Log the delivery").click()
    page.wait_for_url("**/stock/")
    said = page.get_by_role("status")
    expect(said).to_contain_text("Food scraps, mixed (kitchen and restaurant)")
    entry = Entry.objects.filter(kind=Kind.DELIVERY).latest("id")
    lot = entry.lots.get()
    expect(page.locator("tr", has_text=lot.code)).to_contain_text("a little, picked out")
    said.get_by_role("button", name="Undo").click()
    entry.refresh_from_db()
    assert entry.is_struck
    assert state.lot_state(lot.code) is None


def test_it_all_works_with_scripts_switched_off(small_site, browser_page, sign_in):
    page = browser_page(360, scripts=False)
    sign_in(page, "helper")
    page.goto("/stock/new/?source=kitchen")
    first = page.get_by_role("region", name="Material 1")
    first.get_by_label("Material", exact=True).fill("cofee ground")
    first.get_by_label("How much").fill("1,5")
    page.get_by_role("button", name="Another material").click()
    third = page.get_by_role("region", name="Material 3")
    expect(third).to_be_visible()
    expect(first.get_by_label("How much")).to_have_value("1,5")
    third.get_by_label("Material", exact=True).fill("leaves_loose")
    third.get_by_label("How much").fill("40")
    third.get_by_label("Counted in").select_option("estimated")
    page.get_by_role("button", name="Log the delivery").click()
    expect(first.locator(".wrong", has_text="Material")).to_contain_text(
        "Did you mean “Coffee grounds, spent”?"
    )
    expect(first.locator(".wrong", has_text="How much")).to_contain_text("has a comma")
    expect(third.get_by_label("How much")).to_have_value("40")
    first.get_by_label("Material", exact=True).fill("Coffee grounds, spent")
    first.get_by_label("How much").fill("1.5")
    page.get_by_role("button", name="Log the delivery").click()
    expect(page.get_by_role("status")).to_contain_text("Leaves, dry loose")
    assert Entry.objects.filter(kind=Kind.DELIVERY).latest("id").lots.count() == 2


def test_going_back_and_pressing_again_writes_once(small_site, browser_page, sign_in):
    page = browser_page(360)
    sign_in(page, "helper")
    page.goto("/stock/new/?source=kitchen")
    page.get_by_role("region", name="Material 1").get_by_label("How much").fill("2")
    page.get_by_role("button", name="Log the delivery").click()
    page.wait_for_url("**/stock/")
    count = Entry.objects.count()
    page.go_back()
    page.get_by_role("button", name="Log the delivery").click()
    expect(page.get_by_role("alert")).to_be_visible()
    page.get_by_role("region", name="Material 1").get_by_label("How much").fill("2")
    page.get_by_role("button", name="Log the delivery").click()
    expect(page.get_by_role("alert")).to_contain_text("If it happened twice, press again.")
    assert Entry.objects.count() == count


def test_the_material_is_found_by_typing_a_part_of_it(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "helper")
    page.goto("/stock/new/?source=stable")
    field = page.get_by_role("region", name="Material 1").get_by_label("Material", exact=True)
    offered = field.evaluate("field => Array.from(field.list.options, (one) => one.value)")
    assert "Horse manure with straw bedding" in offered
    assert "Mill chaff" in offered  # the site's own
    assert len(offered) > 100
