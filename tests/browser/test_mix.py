"""The mix in a real browser: live amounts, and the whole main job from delivery to proof."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from heapwright.units import M3_PER_YD3
from heapwright.yard import state
from heapwright.yard.acts import first_lot
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry, Kind, Reading

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


def deliver(page: Page) -> None:
    page.goto("/stock/")
    page.get_by_role("link", name="Log a delivery").click()
    page.get_by_role("link", name="Riding stable").click()
    line = page.get_by_role("region", name="Material 1")
    line.get_by_label("Material", exact=True).fill("Horse manure with straw bedding")
    line.get_by_label("How much").fill("4")
    line.get_by_label("Counted in").select_option("in:barrow")
    page.get_by_role("button", name="Log the delivery").click()
    expect(page.get_by_role("status")).to_contain_text("Horse manure with straw bedding")


def read_and_turn(page: Page, code: str) -> None:
    page.goto(f"/piles/{code}/log/")
    for point, temp in enumerate(("141", "139", "138"), start=1):
        page.get_by_label(f"Point {point}").fill(temp)
    page.get_by_text("More points, depth, time, note").click()
    for point, temp in ((4, "137"), (5, "136")):
        page.get_by_label(f"Point {point}").fill(temp)
    page.get_by_role("button", name="Log the check").click()
    expect(page.get_by_role("status")).to_contain_text(f"Checked: {code}")
    page.goto(f"/piles/{code}/turn/")
    page.get_by_role("button", name="Log it: turned").click()
    expect(page.get_by_role("status")).to_contain_text(f"Turned: {code}")


@pytest.mark.parametrize(
    ("who", "width", "scripts"),
    [
        ("lead", 360, True),
        ("lead", 1280, True),
        ("helper", 360, True),
        ("helper", 1280, True),
        ("helper", 360, False),
    ],
)
def test_the_main_job_from_delivery_to_proof(
    small_site, browser_page, sign_in, who, width, scripts
):
    page = browser_page(width, scripts=scripts)
    sign_in(page, who)
    deliver(page)
    page.goto("/mix/")
    page.get_by_label("How much").fill("1.2")
    page.get_by_role("button", name="Propose amounts").click()
    expect(page.locator("#mix-headline")).to_contain_text(
        re.compile(r"Build 1\.\d\d\s?yd³ in Bay 1: all in range")
    )
    page.get_by_role("button", name="Build it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Build in Bay 1")
    page.get_by_role("button", name="Log it: built").click()
    expect(page.get_by_role("status")).to_contain_text("Built: K-004 in Bay 1.")
    pile = first_lot(Entry.objects.filter(kind=Kind.BUILD).latest("id"))
    assert pile.code == "K-004"
    held = state.lot_state(pile.code)
    assert held.place.code == "B1"
    assert held.volume_m3 / M3_PER_YD3 == pytest.approx(1.2, rel=0.06)

    read_and_turn(page, pile.code)
    assert Reading.objects.filter(lot=pile).count() == 5

    page.goto("/proof/")
    page.get_by_role("link", name=pile.code).click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Proof of {pile.code}")
    expect(page.locator(".strip").first).to_contain_text("US-FDA-T: not yet.")
    expect(page.locator(".strip").first).to_contain_text("1 of 15 days, 1 of 5 turnings")
    expect(page.locator(".strip").first).to_contain_text("at the earliest")
    day = page.get_by_role("region", name="Day by day").locator("tbody tr").last
    expect(day).to_contain_text("136°")
    expect(day).to_contain_text("every point at or above the limit")
    turned = page.get_by_role("region", name="Turnings").locator("tbody tr")
    expect(turned).to_contain_text("turned while hot")
    expect(page.locator("main")).to_contain_text("not a laboratory result")
    assert audit(deep=True).adds_up


def test_a_reader_sees_the_mix_and_can_build_nothing(small_site, browser_page, sign_in):
    page = browser_page(360)
    sign_in(page, "reader")
    page.goto("/mix/")
    expect(page.locator("#mix-headline")).to_contain_text("yd³")
    expect(page.get_by_role("button", name="Build it")).to_have_count(0)
    page.get_by_label("Water to add").fill("40")  # looking at a change is no writing
    expect(page.locator("#mix-form")).to_have_attribute("data-followed", re.compile(r"\d+"))
    assert page.goto("/mix/build/").status == 403
