"""The whole main job in a real browser, from the delivery to the printed proof.

As lead and as helper, at phone and laptop size, with scripts and without; then what goes wrong at
the pile: a button pressed twice, the way back, two people who save at once.
"""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect
from tests.reports.reading import text

from heapwright.units import M3_PER_YD3
from heapwright.yard import state
from heapwright.yard.acts import first_lot
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry, Kind, Reading

TEMPS = ("141", "139", "138", "137", "136")


def said(page: Page):
    return page.get_by_role("status")


def printed(page: Page, link) -> str:
    """Return the text of the print behind a link or the button of a form that only asks."""
    href = link.get_attribute("href") or page.eval_on_selector(
        "#mix-form",
        "(form, to) => to + '?' + new URLSearchParams(new FormData(form))",
        link.get_attribute("formaction"),
    )
    answer = page.request.get(href)
    assert answer.headers["content-type"] == "application/pdf"
    return text(answer.body())


def deliver(page: Page) -> None:
    page.goto("/stock/")
    page.get_by_role("link", name="Log a delivery").click()
    page.get_by_role("link", name="Riding stable").click()
    line = page.get_by_role("region", name="Material 1")
    line.get_by_label("Material", exact=True).fill("Horse manure with straw bedding")
    line.get_by_label("How much").fill("4")
    line.get_by_label("Counted in").select_option("in:barrow")
    page.get_by_role("button", name="Log the delivery").click()
    expect(said(page)).to_contain_text("Horse manure with straw bedding")


def solve(page: Page) -> None:
    page.goto("/mix/")
    page.get_by_label("How much").fill("1.2")
    page.get_by_role("button", name="Propose amounts").click()
    expect(page.locator("#mix-headline")).to_contain_text(
        re.compile(r"Build 1\.\d\d\s?yd³ in Bay 1: all in range")
    )


def build(page: Page) -> str:
    """Build what was proposed; return the code of the pile."""
    page.get_by_role("button", name="Build it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Build in Bay 1")
    page.get_by_role("button", name="Log it: built").click()
    expect(said(page)).to_contain_text("Built: K-004 in Bay 1.")
    return first_lot(Entry.objects.filter(kind=Kind.BUILD).latest("id")).code


def read_and_turn(page: Page, code: str) -> None:
    page.goto(f"/piles/{code}/log/")
    for point, temp in enumerate(TEMPS[:3], start=1):
        page.get_by_label(f"Point {point}").fill(temp)
    page.get_by_text("More points, depth, time, note").click()
    for point, temp in enumerate(TEMPS[3:], start=4):
        page.get_by_label(f"Point {point}").fill(temp)
    page.get_by_role("button", name="Log the check").click()
    expect(said(page)).to_contain_text(f"Checked: {code}")
    page.goto(f"/piles/{code}/turn/")
    page.get_by_role("button", name="Log it: turned").click()
    expect(said(page)).to_contain_text(f"Turned: {code}")


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("who", ["lead", "helper"])
def test_the_main_job_from_delivery_to_printed_proof(
    small_site, browser_page, sign_in, who, width, scripts
):
    page = browser_page(width, scripts=scripts)
    sign_in(page, who)
    deliver(page)
    solve(page)
    sheet = printed(page, page.get_by_role("button", name="Print the build sheet"))
    assert "Build sheet" in sheet
    assert "Layers, bottom first" in sheet
    assert "32-gallon tote" in sheet
    code = build(page)
    assert code == "K-004"
    held = state.lot_state(code)
    assert held.place.code == "B1"
    assert held.volume_m3 / M3_PER_YD3 == pytest.approx(1.2, rel=0.06)

    read_and_turn(page, code)
    assert Reading.objects.filter(lot__code=code).count() == 5

    page.goto("/proof/")
    page.get_by_role("link", name=code).click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Proof of {code}")
    verdict = page.locator(".strip").first
    expect(verdict).to_contain_text("US-FDA-T: not yet.")
    expect(verdict).to_contain_text("1 of 15 days, 1 of 5 turnings")
    expect(verdict).to_contain_text("at the earliest")
    day = page.get_by_role("region", name="Day by day").locator("tbody tr").last
    expect(day).to_contain_text("136")
    expect(day).to_contain_text("every point at or above the limit")
    turned = page.get_by_role("region", name="Turnings").locator("tbody tr")
    expect(turned).to_contain_text("turned while hot")
    expect(page.locator("main")).to_contain_text("not a laboratory result")
    proof = printed(page, page.get_by_role("link", name="Print the proof"))
    assert code in proof
    assert "Not yet met" in proof
    assert "not a laboratory result" in proof
    assert all(temp in proof for temp in TEMPS)
    assert audit(deep=True).adds_up


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_build_pressed_twice_and_gone_back_to_is_one_pile(
    small_site, browser_page, sign_in, scripts
):
    page = browser_page(360, scripts=scripts)
    sign_in(page, "helper")
    deliver(page)
    solve(page)
    page.get_by_role("button", name="Build it").click()
    page.get_by_role("button", name="Log it: built").dblclick()
    expect(said(page).first).to_contain_text("K-004")
    before = state.stock()
    page.go_back()
    # what was laid is no longer on hand, so the form is not offered a second time
    expect(page.locator("main")).to_contain_text("is not on hand any more; propose anew.")
    expect(page.get_by_role("button", name="Log it: built")).to_have_count(0)
    assert Entry.objects.filter(kind=Kind.BUILD, lots__code="K-004").count() == 1
    assert not Entry.objects.filter(lots__code="K-005").exists()
    assert state.stock() == before
    assert audit(deep=True).adds_up


@pytest.mark.parametrize("name", ["turn", "wet"])
def test_the_way_back_shows_the_form_and_asks_before_it_writes_the_same(
    small_site, browser_page, sign_in, name
):
    page = browser_page(360, scripts=False)
    sign_in(page, "helper")
    button = {"turn": "Log it: turned", "wet": "Log it: wetted"}[name]
    page.goto(f"/piles/K-003/{name}/")
    if name == "wet":
        page.get_by_label("Water").fill("10")
    page.get_by_role("button", name=button).click()
    page.wait_for_url("**/piles/K-003/")
    count = Entry.objects.count()
    page.go_back()
    if name == "wet":
        page.get_by_label("Water").fill("10")
    page.get_by_role("button", name=button).click()
    expect(page.get_by_role("alert").or_(said(page)).first).to_contain_text(
        re.compile("If it happened twice, press again|already")
    )
    assert Entry.objects.count() == count


def test_two_people_log_at_one_pile_at_once_and_both_are_kept(small_site, browser_page, sign_in):
    phone, laptop = browser_page(360), browser_page(1280)
    for page, who, temp in ((phone, "helper", "150"), (laptop, "lead", "148")):
        sign_in(page, who)
        page.goto("/piles/K-003/log/")
        page.get_by_label("Point 1" if who == "helper" else "Point 2").fill(temp)
    before = Reading.objects.filter(lot__code="K-003").count()
    # both presses are on their way before either is answered
    for page in (phone, laptop):
        page.evaluate("setTimeout(() => document.querySelector('.act-bar button').click(), 50)")
    for page in (phone, laptop):
        page.wait_for_url("**/piles/K-003/")
        expect(said(page)).to_contain_text("Checked: K-003")
    assert Reading.objects.filter(lot__code="K-003").count() == before + 2
    assert audit(deep=True).adds_up


def test_of_two_who_use_up_one_delivery_at_once_the_second_is_told_and_writes_nothing(
    small_site, browser_page, sign_in
):
    code = small_site.scraps.code
    pages = []
    for width, who in ((360, "helper"), (1280, "lead")):
        page = browser_page(width)
        sign_in(page, who)
        page.goto(f"/piles/{code}/discard/")
        page.get_by_label("Why").fill("glass in it")
        pages.append(page)
    count = Entry.objects.count()
    for page in pages:
        page.get_by_role("button", name="Log it: discarded").click()
    expect(said(pages[0])).to_contain_text("Discarded")
    expect(pages[1].get_by_role("alert")).to_contain_text(f"Nothing of {code} is left")
    assert Entry.objects.count() == count + 1
    assert audit(deep=True).adds_up
