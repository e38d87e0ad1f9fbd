"""The mix in a real browser: live amounts, what a reader sees, and what is said offline."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

THUMB_PX = 48
AMOUNTS = "asked=1&units=us&place=B1&want_as=volume&amount.food_scraps_mixed=1"
PAGES = (
    "/mix/",
    "/mix/?asked=1&units=us&place=B1&want=50&want_as=volume&do=solve",
    f"/mix/?{AMOUNTS}&amount.leaves_loose=1,5",
)


def address(page: Page, path: str) -> str:
    """Return an address with every lot on hand ticked, as the form sends it."""
    page.goto("/mix/")
    lots = page.locator("input[name=lot]").evaluate_all("all => all.map((one) => one.value)")
    return path + "".join(f"&lot={lot}" for lot in lots)


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing(small_site, browser_page, sign_in, accessible, width, dark):
    page = browser_page(width, dark=dark)
    sign_in(page, "helper")
    built = address(page, f"/mix/build/?{AMOUNTS}&amount.leaves_loose=100")
    for path in (*PAGES, built):
        page.goto(path)
        for summary in page.locator("summary:visible").all():
            summary.click()
        accessible(page)


@pytest.mark.parametrize("width", [360, 1280])
def test_the_figures_follow_an_amount_at_once(small_site, browser_page, sign_in, width):
    page = browser_page(width)
    sign_in(page, "helper")
    page.goto("/mix/")
    moisture = page.locator(".figure", has_text="Moisture").locator(".value")
    before = float(moisture.inner_text())
    working = page.locator("#mix-working")
    working.locator("summary").first.click()
    page.get_by_label("Water to add").fill("60")
    expect(moisture).not_to_have_text(f"{before:.0f}")
    assert float(moisture.inner_text()) > before
    expect(page.locator("#mix-working")).to_have_attribute("open", "")
    brief = page.locator("#mix-headline").get_attribute("data-brief")
    expect(page.locator("#mix-said")).to_have_text(brief)
    # half a tote less with a thumb
    scraps = page.locator(".amount", has_text="Food scraps")
    field = scraps.get_by_role("textbox")
    count = float(field.input_value())
    less = scraps.get_by_role("button", name="Half less Food scraps")
    box = less.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= THUMB_PX
    wet = moisture.inner_text()
    less.click()
    assert float(field.input_value()) == count - 0.5
    expect(moisture).not_to_have_text(wet)
    field.fill("1,5")
    expect(page.locator("#mix-answer")).to_contain_text("has a comma")
    field.fill("0.5")
    expect(page.locator("#mix-answer")).not_to_contain_text("has a comma")


def test_the_answer_to_a_change_comes_while_one_looks(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "helper")
    page.goto("/mix/")
    field = page.get_by_label("Water to add")
    took = []
    for litres in range(10, 30):
        took.append(
            field.evaluate(
                """async (field, litres) => {
                  const form = field.form;
                  const before = Number(form.dataset.followed || 0);
                  const start = performance.now();
                  field.value = String(litres);
                  field.dispatchEvent(new Event("input", { bubbles: true }));
                  while (Number(form.dataset.followed || 0) === before) {
                    await new Promise((resolve) => setTimeout(resolve, 1));
                  }
                  return performance.now() - start;
                }""",
                litres,
            )
        )
    # the aim is 100 ms on an idle machine; other tests run beside this one
    assert sorted(took)[len(took) // 2] < 300, took


def test_the_last_of_many_changes_is_what_stands_there(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "helper")
    page.goto("/mix/")
    field = page.get_by_label("Water to add")
    for litres in (5, 10, 80, 3):
        field.fill(str(litres))
    moisture = page.locator(".figure", has_text="Moisture").locator(".value")
    expect(page.locator("#mix-form")).to_have_attribute("data-followed", re.compile(r"\d+"))
    page.wait_for_load_state("networkidle")
    live = moisture.inner_text()
    page.get_by_role("button", name="Work these amounts out").click()
    page.wait_for_url("**asked=1**")
    expect(moisture).to_have_text(live)


def test_a_site_that_cannot_be_reached_is_said_so(small_site, browser_page, sign_in):
    page = browser_page(360)
    sign_in(page, "helper")
    page.goto("/mix/")
    before = page.locator("#mix-headline").inner_text()
    page.context.set_offline(True)
    page.get_by_label("Water to add").fill("40")
    expect(page.locator("#mix-said")).to_have_text(
        "The site cannot be reached: the figures are of before."
    )
    assert page.locator("#mix-headline").inner_text() == before
    page.context.set_offline(False)
    page.get_by_label("Water to add").fill("41")
    expect(page.locator("#mix-said")).not_to_contain_text("cannot be reached")


def test_a_reader_sees_the_mix_and_can_build_nothing(small_site, browser_page, sign_in):
    page = browser_page(360)
    sign_in(page, "reader")
    page.goto("/mix/")
    expect(page.locator("#mix-headline")).to_contain_text("yd³")
    expect(page.get_by_role("button", name="Build it")).to_have_count(0)
    page.get_by_label("Water to add").fill("40")  # looking at a change is no writing
    expect(page.locator("#mix-form")).to_have_attribute("data-followed", re.compile(r"\d+"))
    assert page.goto("/mix/build/").status == 403
