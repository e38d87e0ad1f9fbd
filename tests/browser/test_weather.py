"""Weather and Water in a real browser, at the width of a phone and of a laptop."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from heapwright.yard.models import Site, Weather, WeatherRow, WeatherSettings

WIDTHS = [360, 1280]


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scripts", [True, False])
def test_the_gauge_is_read_in_the_rain(
    width, scripts, small_site, browser_page, sign_in, accessible
):
    page = browser_page(width, scripts=scripts)
    sign_in(page, "helper")
    page.goto("/more/")
    page.get_by_role("link", name="Weather").click()
    expect(page.get_by_label("Day", exact=True)).to_be_visible()
    if scripts:
        accessible(page)
    yesterday = timezone.now().astimezone(Site.load().tz).date() - timedelta(days=1)
    page.get_by_label("Day", exact=True).fill(yesterday.isoformat())
    page.get_by_label("Rain (may stay empty)").fill("0,5")
    page.get_by_role("button", name="Log the gauge").click()
    expect(page.locator(".errorlist")).to_contain_text("has a comma")
    expect(page.get_by_label("Rain (may stay empty)")).to_have_value("0,5")
    page.get_by_label("Rain (may stay empty)").fill("0.5")
    page.get_by_role("button", name="Log the gauge").click()
    expect(page.get_by_role("status")).to_contain_text("Logged")
    assert Weather.objects.latest("entry_id").rain_mm == pytest.approx(12.7)
    page.get_by_text("Day by day, with where it comes from").click()
    expect(page.get_by_role("row").filter(has_text="measured here").first).to_be_visible()
    if scripts:
        accessible(page)


@pytest.mark.parametrize("width", WIDTHS)
def test_a_file_is_loaded_and_withdrawn(
    width, small_site, browser_page, sign_in, accessible, tmp_path
):
    path = tmp_path / "march.csv"
    path.write_text("time,temp_c,rain_mm\n2026-03-01T10:00,4,0.5\n2026-03-01T11:00,5,0\n")
    page = browser_page(width)
    sign_in(page, "lead")
    page.goto("/more/weather/")
    page.get_by_role("link", name="Load a file").click()
    expect(page.get_by_label("File", exact=True)).to_be_visible()
    accessible(page)
    page.get_by_label("File", exact=True).set_input_files(path)
    page.get_by_role("button", name="Take it in").click()
    expect(page.get_by_role("status")).to_contain_text("2 rows are new.")
    assert WeatherRow.objects.count() == 2
    page.get_by_role("button", name="Withdraw march.csv").click()
    expect(page.get_by_role("status")).to_contain_text("2 rows of march.csv are out.")
    assert not WeatherRow.objects.exists()
    accessible(page)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_forecast_is_off_until_the_lead_sets_it_on(
    width, small_site, browser_page, sign_in, accessible
):
    page = browser_page(width)
    sign_in(page, "lead")
    page.goto("/more/weather/")
    expect(page.get_by_text("that is off until a lead sets it on")).to_be_visible()
    page.get_by_role("link", name="Climate and forecast").click()
    expect(page.get_by_label("Climate of the site")).to_be_visible()
    accessible(page)
    page.get_by_label("Climate of the site").select_option("marine")
    page.get_by_label("Fetch the forecast").check()
    page.get_by_role("button", name="Keep it").click()
    expect(page.locator(".errorlist").first).to_contain_text("needs the coordinates")
    accessible(page)
    page.get_by_label("Latitude").fill("47.61")
    page.get_by_label("Longitude").fill("-122.33")
    page.get_by_label("Contact").fill("lead@example.org")
    page.get_by_role("button", name="Keep it").click()
    expect(page.get_by_role("button", name="Fetch the forecast")).to_be_visible()
    assert WeatherSettings.load().forecast_on
    accessible(page)


@pytest.mark.parametrize("width", WIDTHS)
def test_cover_it_or_not(width, small_site, browser_page, sign_in, accessible):
    page = browser_page(width)
    sign_in(page, "reader")
    page.goto("/more/")
    page.get_by_role("link", name="Water").click()
    page.get_by_label("Moisture").fill("34")
    page.get_by_role("button", name="Work it out").click()
    expect(page.get_by_role("heading", level=2).first).to_contain_text(small_site.hot.code)
    expect(page.get_by_text("while turning")).to_be_visible()
    page.get_by_text("Show the working").click()
    accessible(page)
    page.get_by_label("Moisture").fill("66")
    page.get_by_role("button", name="Work it out").click()
    expect(page.get_by_role("heading", name="What would dry it")).to_be_visible()
    accessible(page)


@pytest.mark.parametrize("path", ["/more/weather/", "/more/water/?moisture=60"])
def test_dark_too(path, small_site, browser_page, sign_in, accessible):
    page = browser_page(360, dark=True)
    sign_in(page, "reader")
    page.goto(path)
    accessible(page)
