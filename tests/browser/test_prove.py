"""The proof in a real browser: phone and laptop, light and dark, by rule, printed."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

PAGES = (
    "/proof/",
    "/proof/?rule=NY-W",
    "/proof/K-003/",
    "/proof/K-002/?rule=US-PFRP-W&probe_error=1",
    "/proof/C-001/",
    "/proof/K-002/?points=core",
)


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing(small_site, browser_page, sign_in, accessible, width, dark):
    page = browser_page(width, dark=dark)
    sign_in(page, "reader")
    for path in PAGES:
        page.goto(path)
        for summary in page.locator("summary:visible").all():
            summary.click()
        accessible(page)


@pytest.mark.parametrize("scripts", [True, False])
def test_another_rule_and_a_probe_s_error(small_site, browser_page, sign_in, scripts):
    page = browser_page(360, scripts=scripts)
    sign_in(page, "reader")
    page.goto("/proof/K-002/")
    verdict = page.locator(".strip").first
    expect(verdict).to_contain_text("US-FDA-T is met")
    page.get_by_text("Another rule or day, and what no log can say").click()
    page.get_by_label("By the rule").select_option("NY-W")
    page.get_by_label("Probe error").fill("9")
    page.get_by_role("button", name="Judge again").click()
    expect(verdict).to_contain_text("NY-W: ")
    expect(verdict).not_to_contain_text("is met")
    # the statement goes along to the next rule
    page.get_by_role("link", name="US-PFRP-W").click()
    expect(page.get_by_label("Probe error")).to_have_value("9")


def test_the_drawing_says_in_words_what_it_shows(small_site, browser_page, sign_in):
    page = browser_page(360)
    sign_in(page, "reader")
    page.goto("/proof/K-002/")
    strip = page.locator("svg:visible").first
    assert "Days of the proof by US-FDA-T" in strip.locator("title").first.text_content()
    assert "counts" in strip.locator("desc").first.text_content()


def test_the_proof_is_printed(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "lead")
    page.goto("/proof/K-002/?rule=NY-W")
    href = page.get_by_role("link", name="Print the proof").get_attribute("href")
    answer = page.request.get(href)
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.body().startswith(b"%PDF")


def test_the_figures_are_taken_away(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "reader")
    page.goto("/proof/K-002/")
    with page.expect_download() as download:
        page.locator("main").get_by_role("link", name="Take these figures away").first.click()
    assert download.value.suggested_filename == "proof-K-002-US-FDA-T.csv"
