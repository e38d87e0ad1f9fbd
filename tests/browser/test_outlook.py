"""What the heaps will do, in a real browser: phone and laptop, computed in the background."""

from __future__ import annotations

import pytest
from django.core.cache import caches
from playwright.sync_api import expect
from tests.web.test_mix_page import more_scraps

from heapwright.yard.forecast_worker import worker

WAIT_MS = 120_000
NEVER_PROOF = "Modelled temperatures prove nothing: only readings count for the proof."


@pytest.fixture
def background(settings):
    """Let the server's own thread run the model, and let it end before the records go."""
    caches["forecasts"].clear()
    settings.FORECASTS = "background"
    yield
    settings.FORECASTS = "off"
    assert worker.wait_for_all(WAIT_MS / 1000)
    caches["forecasts"].clear()


@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_fills_in_its_forecast_by_itself_and_is_accessible(
    background, small_site, browser_page, sign_in, accessible, width
):
    page = browser_page(width)
    sign_in(page, "reader")
    page.goto("/piles/K-003/")
    outlook = page.locator("#outlook")
    expect(outlook).to_contain_text("It is being computed, usually")
    expect(outlook).to_have_attribute("data-pending", "0", timeout=WAIT_MS)
    expect(outlook).to_contain_text(NEVER_PROOF)
    expect(page.locator("#outlook-cut")).to_contain_text("Heat inside as modelled")
    page.get_by_text("Why does it think so?").click()
    expect(outlook).to_contain_text("Where its heat comes from and goes")
    page.get_by_text("Its water and its air").click()
    page.get_by_text("The coming days in figures").click()
    accessible(page)
    expect(page.get_by_role("img", name="Oxygen in the core of K-003").locator("visible=true")
           ).to_have_count(1)  # fmt: skip


def test_with_scripts_off_a_reload_shows_it(background, small_site, browser_page, sign_in):
    page = browser_page(360, scripts=False)
    sign_in(page, "helper")
    page.goto("/piles/K-003/")
    expect(page.locator("#outlook")).to_contain_text("Load the page again to see it.")
    assert worker.wait_for_all(WAIT_MS / 1000)
    page.reload()
    expect(page.locator("#outlook")).to_contain_text(NEVER_PROOF)


@pytest.mark.parametrize("width", [360, 1280])
def test_all_heaps_ahead_come_in_one_after_the_other(
    background, small_site, browser_page, sign_in, accessible, width
):
    page = browser_page(width)
    sign_in(page, "lead")
    page.goto("/")
    page.get_by_role("link", name="The heaps ahead").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("The heaps ahead")
    accessible(page)
    expect(page.locator("#outlook")).to_contain_text("All 2 are up to date.", timeout=WAIT_MS)
    accessible(page)
    page.get_by_role("link", name="K-003").click()
    expect(page.locator("#outlook")).to_contain_text(NEVER_PROOF)


@pytest.mark.parametrize("width", [360, 1280])
def test_the_mix_shows_what_its_pile_will_do_and_what_if(
    background, small_site, browser_page, sign_in, accessible, width
):
    more_scraps(small_site)
    page = browser_page(width)
    sign_in(page, "helper")
    page.goto("/mix/")
    ahead = page.locator("#mix-ahead")
    expect(ahead).to_contain_text("It reaches 131", timeout=WAIT_MS)
    ahead.get_by_role("button", name="Look ahead, and ask what if").click()
    page.wait_for_url("**/mix/ahead/**")
    answer = page.locator("#ahead-answer")
    expect(answer).to_contain_text("The same mix in other amounts", timeout=WAIT_MS)
    accessible(page)
    page.get_by_label("Cover").select_option("tarp")
    page.get_by_label("Turned on days").fill("5 soon")
    page.get_by_role("button", name="Work it out", exact=True).click()
    expect(page.locator(".field.wrong", has_text="Turned on days")).to_contain_text("soon")
    expect(page.get_by_label("Turned on days")).to_have_value("5 soon")
    accessible(page)
    page.get_by_label("Turned on days").fill("5 9")
    page.get_by_role("button", name="Work it out", exact=True).click()
    expect(answer).to_contain_text("tarp, turned on days 5, 9.", timeout=WAIT_MS)
