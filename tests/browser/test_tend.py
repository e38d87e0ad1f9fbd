"""The yard and the pile in a real browser: phone and laptop, with scripts off, by keyboard."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from heapwright.yard import state, tend
from heapwright.yard.models import Entry, Kind, Reading

THUMB_PX = 48
FORMS = ("log", "turn", "wet", "cover", "move", "measure", "combine", "divide", "stage", "discard")
PAGES = (
    "/",
    "/?on=2026-01-01",
    "/piles/K-003/",
    "/piles/K-001/",
    "/piles/C-001/",
    "/piles/D-005/",
    "/piles/K-002/screen/",
    *(f"/piles/K-003/{name}/" for name in FORMS),
)


@pytest.fixture
def turning_due(small_site):
    """Read the hot pile yesterday too: its turning is then due at any hour of the day."""
    act = tend.CheckLot(
        happened_at=timezone.now() - timedelta(days=1),
        lot="K-003",
        temps=(tend.Temp(point="1", temp_c=64.0), tend.Temp(point="2", temp_c=63.0)),
    )
    return tend.check(act, small_site.lead)


def test_five_temperatures_are_logged_with_one_thumb_on_a_small_phone(
    small_site, browser_page, sign_in
):
    page = browser_page(360)
    page.set_viewport_size({"width": 360, "height": 640})
    sign_in(page, "helper")
    page.goto("/piles/K-003/log/")
    button = page.get_by_role("button", name="Log the check")
    first = [page.get_by_label(f"Point {point}") for point in (1, 2, 3)]
    bar = button.bounding_box()
    assert bar is not None
    for field in (*first, page.get_by_label("A squeezed handful"), page.get_by_label("It smells")):
        box = field.bounding_box()
        assert box is not None
        assert box["height"] >= THUMB_PX
        assert 0 <= box["x"] <= box["x"] + box["width"] <= 360
        assert box["y"] + box["height"] <= bar["y"], "the form is longer than the screen"
    assert bar["height"] >= THUMB_PX
    assert page.evaluate("scrollY") == 0
    assert first[0].get_attribute("inputmode") == "decimal"
    for field, temp in zip(first, ("151", "149.5", "147"), strict=True):
        field.click()
        page.keyboard.type(temp)
    page.get_by_text("More points, depth, time, note").click()
    for point, temp in ((4, "140"), (5, "133")):
        page.get_by_label(f"Point {point}").fill(temp)
    page.get_by_label("A squeezed handful").select_option("holds")
    page.get_by_label("It smells").select_option("earthy")
    button.click()
    page.wait_for_url("**/piles/K-003/")
    said = page.get_by_role("status")
    temps = "151 °F, 149.5 °F, 147 °F, 140 °F, 133 °F"
    expect(said).to_contain_text(temps.replace(" °", "\u00a0°"))
    entry = Entry.objects.latest("id")
    assert Reading.objects.filter(entry=entry).count() == 5
    said.get_by_role("button", name="Undo").click()
    expect(page.locator(".strip").first).to_be_visible()
    entry.refresh_from_db()
    assert entry.is_struck


def test_the_form_is_filled_by_the_keyboard_alone(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "helper")
    page.goto("/piles/K-003/log/")
    page.get_by_label("Point 1").focus()
    for temp in ("151", "149", "147"):
        page.keyboard.type(temp)
        page.keyboard.press("Tab")
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/piles/K-003/")
    assert Reading.objects.filter(entry=Entry.objects.latest("id")).count() == 3


@pytest.mark.parametrize("width", [360, 1280])
def test_a_task_is_done_with_one_tap_and_undone_with_another(
    turning_due, browser_page, sign_in, width
):
    page = browser_page(width)
    sign_in(page, "lead")
    page.goto("/")
    task = page.locator(".task", has_text="Turn Bay 3")
    press = task.get_by_role("button", name="Log it: turned")
    box = press.bounding_box()
    assert box is not None
    assert box["height"] >= THUMB_PX
    press.click()
    said = page.get_by_role("status")
    expect(said).to_contain_text("Turned: K-003.")
    expect(page.locator(".task", has_text="Turn Bay 3")).to_have_count(0)
    assert Entry.objects.latest("id").kind == Kind.TURN
    said.get_by_role("button", name="Undo").click()
    assert Entry.objects.filter(kind=Kind.TURN).latest("id").is_struck
    page.goto("/")
    expect(page.locator(".task", has_text="Turn Bay 3")).to_have_count(1)


def test_the_main_job_works_with_scripts_switched_off(turning_due, browser_page, sign_in):
    page = browser_page(360, scripts=False)
    sign_in(page, "helper")
    page.goto("/")
    page.get_by_role("button", name="Log it: turned").click()
    expect(page.get_by_role("status")).to_contain_text("Turned: K-003.")
    page.goto("/piles/K-003/")
    page.get_by_role("link", name="Log a check").click()
    page.get_by_label("Point 1").fill("hot")
    page.get_by_label("Point 2").fill("148")
    page.get_by_role("button", name="Log the check").click()
    wrong = page.locator(".field.wrong", has_text="Point 1")
    expect(wrong).to_contain_text("hot")
    expect(page.get_by_label("Point 2")).to_have_value("148")
    page.get_by_label("Point 1").fill("150")
    page.get_by_role("button", name="Log the check").click()
    expect(page.get_by_role("status")).to_contain_text("Checked: K-003")
    page.goto("/piles/K-003/wet/")
    page.get_by_label("Water").fill("20")
    page.get_by_role("button", name="Log it: wetted").click()
    expect(page.get_by_role("status")).to_contain_text("20\u00a0gal")
    assert state.lot_state("K-003").mass_kg == pytest.approx(280 + 20 * 3.785411784)


def test_the_back_button_writes_nothing_twice(small_site, browser_page, sign_in):
    page = browser_page(360)
    sign_in(page, "helper")
    page.goto("/piles/K-003/log/")
    page.get_by_label("Point 1").fill("150")
    page.get_by_label("A squeezed handful").select_option("holds")
    page.get_by_role("button", name="Log the check").click()
    page.wait_for_url("**/piles/K-003/")
    count = Entry.objects.count()
    page.go_back()
    expect(page.get_by_label("Point 1")).to_have_value("")
    expect(page.get_by_label("A squeezed handful")).to_have_value("")
    page.get_by_label("Point 1").fill("150")
    page.get_by_label("A squeezed handful").select_option("holds")
    page.get_by_role("button", name="Log the check").click()
    expect(page.get_by_role("alert")).to_contain_text("You wrote just this at")
    assert Entry.objects.count() == count


@pytest.mark.parametrize("width", [360, 1280])
def test_the_drawing_leads_to_the_pile(small_site, browser_page, sign_in, width):
    page = browser_page(width)
    sign_in(page, "reader")
    page.goto("/")
    link = page.locator("svg a[href='/piles/K-003/']:visible").first
    box = link.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= THUMB_PX
    link.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Bay 3, K-003")


def test_a_reader_sees_everything_and_has_nothing_to_press(small_site, browser_page, sign_in):
    page = browser_page(360)
    sign_in(page, "reader")
    for path in ("/", "/piles/K-003/", "/piles/D-005/"):
        page.goto(path)
        pressed = page.locator(
            "main form[method=post], main a[href$='/log/'], .ways a[href*='turn']"
        )
        expect(pressed).to_have_count(0)
    answer = page.goto("/piles/K-003/log/")
    assert answer is not None
    assert answer.status == 403


def test_the_yard_can_be_looked_back_at(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "reader")
    page.goto("/")
    page.get_by_role("button", name="Look back").click()
    expect(page).to_have_url(re.compile(r"/\?on=\d{4}-\d\d-\d\d$"))
    expect(page.get_by_role("status")).to_contain_text("It can be read, not changed.")
    page.get_by_role("link", name="Back to today").click()
    expect(page.get_by_role("heading", level=2, name="Today")).to_be_visible()


@pytest.mark.parametrize("width", [360, 1280])
def test_every_page_is_accessible_and_does_not_scroll_sideways(
    small_site, browser_page, sign_in, accessible, width
):
    page = browser_page(width)
    sign_in(page, "lead")
    for path in PAGES:
        page.goto(path)
        open_all(page)
        accessible(page)
    page.goto("/piles/K-003/log/")
    page.get_by_label("Point 1").fill("warm")
    page.get_by_role("button", name="Log the check").click()
    expect(page.get_by_role("alert")).to_be_visible()
    accessible(page)


def test_the_dark_pages_are_accessible_too(small_site, browser_page, sign_in, accessible):
    page = browser_page(360, dark=True)
    sign_in(page, "helper")
    for path in ("/", "/piles/K-003/", "/piles/K-003/log/"):
        page.goto(path)
        open_all(page)
        accessible(page)


def open_all(page: Page) -> None:
    """Open what can be opened, so that it is checked too."""
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
