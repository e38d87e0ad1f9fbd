"""Decisions in a real browser: phone and laptop, with and without scripts."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.cache import caches
from django.utils import timezone
from playwright.sync_api import expect

from heapwright.yard import forecast, tend
from heapwright.yard.models import Entry, Kind, Lot

NEVER_PROOF = "Modelled temperatures prove nothing: only readings count for the proof."


@pytest.fixture
def decided(small_site, settings):
    """Have the hot pile's turning due, and its forecast at hand."""
    caches["forecasts"].clear()
    settings.FORECASTS = "off"
    act = tend.CheckLot(
        happened_at=timezone.now() - timedelta(days=1),
        lot="K-003",
        temps=(tend.Temp(point="1", temp_c=64.0), tend.Temp(point="2", temp_c=63.0)),
    )
    tend.check(act, small_site.lead)
    kept = forecast.refresh(small_site.hot.id)
    yield kept.answer
    caches["forecasts"].clear()


@pytest.mark.parametrize("width", [360, 1280])
def test_a_task_leads_to_doing_and_leaving_side_by_side(
    decided, browser_page, sign_in, accessible, width
):
    page = browser_page(width, scripts=False)
    sign_in(page, "helper")
    page.goto("/")
    task = page.locator("li.task", has_text="Turn Bay 3").first
    expect(task).to_contain_text("By the forecast:")
    task.get_by_role("link", name="Compare with leaving it").click()
    page.wait_for_url("**/piles/K-003/compare/#turn")
    section = page.locator("#turn")
    expect(section.get_by_role("img").locator("visible=true")).to_have_count(1)
    expect(section).to_contain_text("Mean core of 7 days")
    expect(page.locator("main")).to_contain_text(NEVER_PROOF)
    section.get_by_text("Day by day", exact=True).click()
    section.get_by_text("Show the working").click()
    expect(section).to_contain_text("run by run")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_pages_with_decisions_are_accessible(decided, browser_page, sign_in, accessible, width):
    page = browser_page(width)
    sign_in(page, "lead")
    for path in ("/", "/piles/K-003/", "/piles/K-003/compare/"):
        page.goto(path)
        for one in page.locator("details").all():
            one.evaluate("node => node.open = true")
        accessible(page)
    dark = browser_page(width, dark=True)
    sign_in(dark, "lead")
    dark.goto("/piles/K-003/compare/")
    accessible(dark)


def test_one_tap_logs_the_turning_and_the_forecasts_words_go_with_it(
    decided, browser_page, sign_in
):
    page = browser_page(360)
    sign_in(page, "helper")
    page.goto("/")
    before = Entry.objects.filter(kind=Kind.TURN).count()
    task = page.locator("li.task", has_text="Turn Bay 3").first
    task.get_by_role("button", name="Log it: turned").click()
    expect(page.locator(".strip").first).to_contain_text("K-003")
    assert Entry.objects.filter(kind=Kind.TURN).count() == before + 1
    assert Lot.objects.get(code="K-003").entries.filter(kind=Kind.TURN).exists()
    expect(page.locator("#today")).not_to_contain_text("By the forecast")
    expect(page.locator("#today")).to_contain_text("log and rules alone")
