"""The room More in a real browser: the first-time walk, people, places, use, recall, mending."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect
from tests.web.routes import ROUTES, address
from tests.web.small_site import PASSWORD

from heapwright.people.models import User
from heapwright.yard.models import Container, Entry, Flow, Kind, Place, Site, Source
from heapwright.yard.yardstick import in_force

THUMB_PX = 48


@pytest.mark.parametrize(("width", "scripts"), [(360, True), (360, False), (1280, True)])
def test_from_nothing_to_the_first_delivery(
    width, scripts, transactional_db, browser_page, accessible
):
    page = browser_page(width, scripts=scripts)

    def look() -> None:
        if scripts:
            accessible(page)

    page.goto("/")
    expect(page.get_by_role("heading", level=1)).to_have_text("Set up a new yard")
    look()
    page.get_by_label("Name of the site").fill("Quarry Road garden")
    page.get_by_label("Time zone").fill("America/Los_Angeles")
    page.get_by_label("metric").check()
    page.get_by_label("Width of the plan").fill("20")
    page.get_by_label("Depth of the plan").fill("16")
    page.get_by_label("Your name to sign in with").fill("rowan")
    page.get_by_label("Password", exact=True).fill("spade-fork-barrow")
    page.get_by_label("The same password again").fill("spade-fork-barrow")
    page.get_by_role("button", name="Set it up").click()

    expect(page.get_by_role("status")).to_contain_text("is set up and you lead it")
    look()
    page.get_by_role("button", name="Put them on the plan").click()
    expect(page.get_by_role("status")).to_contain_text("8 places are on the plan")
    assert Place.objects.filter(kind="bay").count() == 8
    for kind in ("stockpile", "bed"):
        page.get_by_role("navigation", name="What to put there").get_by_text(
            kind, exact=True
        ).click()
        page.get_by_label("First row").fill("9" if kind == "stockpile" else "12")
        page.get_by_label("How many", exact=True).fill("3")
        page.get_by_label("In how many rows").fill("1")
        page.get_by_role("button", name="Put them on the plan").click()
        expect(page.get_by_role("status")).to_contain_text("3 places are on the plan")
    look()
    page.get_by_role("link", name="on to the containers").click()
    expect(page).to_have_url(re.compile("/set-up/containers/"))
    look()
    page.get_by_label("32-gallon bin").check()
    page.get_by_role("button", name="Keep these").click()
    assert Container.objects.get().code == "bin_32gal"
    page.get_by_role("link", name="on to the sources").click()
    page.get_by_label("Code").fill("kitchen")
    page.get_by_label("Name").fill("Hillside kitchen")
    page.get_by_role("button", name="Keep this source").click()
    assert Source.objects.get().name == "Hillside kitchen"
    page.goto("/set-up/")
    expect(page.locator(".lede")).to_have_text("Next: The rule.")
    look()
    page.get_by_role("link", name="Go on: The rule").click()
    expect(page.get_by_label("Probe error")).to_be_visible()
    look()
    page.get_by_label("The rule that your compost must meet").select_option("CA-W")
    page.get_by_label("Probe error").fill("0.5")
    page.get_by_role("button", name="Judge by this").click()
    assert in_force().rule_id == "CA-W"
    page.get_by_role("link", name="Go on: What stands already").click()
    expect(page.get_by_label("How far a pile or compost has come")).to_be_visible()
    look()
    page.get_by_label("Where").select_option("B2")
    page.get_by_label("How far a pile or compost has come").select_option("hot")
    page.get_by_label("By the scales").fill("350")
    page.get_by_role("button", name="Enter it").click()
    expect(page.get_by_role("status")).to_contain_text("K-001 at Bay 2")
    look()
    page.get_by_role("link", name="on to the first delivery").click()
    expect(page).to_have_url(re.compile("/stock/new/"))
    assert Site.load().name == "Quarry Road garden"
    page.goto("/proof/K-001/")
    expect(page.locator(".strip").first).to_contain_text("CA-W: cannot be shown.")


@pytest.mark.parametrize("width", [360, 1280])
def test_signing_in_wrong_then_right_and_out(width, small_site, browser_page, accessible):
    page = browser_page(width)
    page.goto("/more/beds/")
    accessible(page)
    page.get_by_label("Name").fill("helper")
    page.get_by_label("Password").fill("nonsense")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("do not go together")
    accessible(page)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page).to_have_url(re.compile("/more/beds/"))
    page.goto("/more/")
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_url(re.compile("/sign-in/"))


@pytest.mark.parametrize("width", [360, 1280])
def test_the_doors_of_the_demo(width, small_site, browser_page, accessible, settings):
    settings.DEMO = True
    page = browser_page(width)
    page.goto("/sign-in/")
    accessible(page)
    for role in ("lead", "helper", "reader"):
        button = page.get_by_role("button", name=f"Come in as {role}")
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= THUMB_PX
        button.click()
        page.goto("/more/me/")
        expect(page.locator(".lede")).to_contain_text(f"your role is {role}")
        accessible(page)


def test_a_new_helper_comes_in_by_the_link(small_site, browser_page, sign_in, accessible):
    lead, phone = browser_page(1280), browser_page(360)
    sign_in(lead, "lead")
    lead.goto("/more/people/")
    lead.get_by_label("Name to sign in with").fill("sam")
    lead.get_by_label("Role").select_option("helper")
    lead.get_by_role("button", name="Add", exact=True).click()
    code = lead.get_by_role("img", name="The link as a code for a phone’s camera")
    assert code.evaluate("one => one.naturalWidth") > 100
    accessible(lead)
    phone.goto(lead.locator("p.link").inner_text())
    accessible(phone)
    phone.get_by_label("Password", exact=True).fill("a-rake-and-a-sieve")
    phone.get_by_label("The same password again").fill("a-rake-and-a-sieve")
    phone.get_by_role("button", name="Keep it and come in").click()
    phone.goto("/more/me/")
    expect(phone.locator(".lede")).to_contain_text("name “sam”; your role is helper.")
    assert User.objects.get(username="sam").may_log


def test_compost_goes_on_a_bed_and_comes_back_by_undo(small_site, browser_page, sign_in):
    page = browser_page(360, scripts=False)
    sign_in(page, "helper")
    page.goto("/more/beds/BED2/")
    page.get_by_role("link", name="Use compost here").click()
    page.get_by_label("Of which lot").select_option("C-001")
    page.get_by_label("Or weight").fill("20")
    page.get_by_role("button", name="Log it").dblclick()  # pressed twice, written once
    expect(page.get_by_role("status")).to_contain_text("20\u00a0lb of C-001 to Squash bed")
    page.wait_for_load_state("networkidle")
    assert Flow.objects.filter(to_place__code="BED2").count() == 1
    assert Entry.objects.filter(kind=Kind.USE, sent__bed="BED2").count() == 1
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Taken back")
    assert Entry.objects.get(kind=Kind.USE, sent__bed="BED2").is_struck


def test_more_than_is_there_is_refused_and_what_was_typed_stays(
    small_site, browser_page, sign_in, accessible
):
    page = browser_page(360)
    sign_in(page, "helper")
    page.goto("/more/use/?lot=C-001&bed=BED2")
    expect(page.get_by_label("On which bed")).to_have_value("BED2")
    page.get_by_label("Or weight").fill("900")
    page.get_by_role("button", name="Log it").click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing was written")
    expect(page.locator(".field.wrong")).to_contain_text("C-001")
    expect(page.get_by_label("Or weight")).to_have_value("900")
    accessible(page)


@pytest.mark.parametrize("width", [360, 1280])
def test_a_wrong_delivery_is_entered_again(width, small_site, browser_page, sign_in, accessible):
    page = browser_page(width)
    sign_in(page, "lead")
    page.goto(f"/more/entries/?kind=delivery&lot={small_site.delivery.lots.first().code}")
    page.locator(".day a").first.click()
    expect(page.get_by_role("link", name="Enter it again, right")).to_be_visible()
    accessible(page)
    page.get_by_role("link", name="Enter it again, right").click()
    expect(page.get_by_label("Why the old entry is struck")).to_be_visible()
    accessible(page)
    page.get_by_label("Line 1: weight").fill("340")
    page.get_by_role("button", name="Enter it so").click()
    expect(page.locator(".field.wrong")).to_contain_text("This is needed")
    accessible(page)
    page.get_by_label("Why the old entry is struck").fill("misread the scales")
    page.get_by_role("button", name="Enter it so").click()
    expect(page.locator(".what")).to_contain_text("340\u00a0lb Food scraps")
    page.get_by_role("link", name="the entry that was wrong").click()
    expect(page.locator("del")).to_contain_text("331\u00a0lb Food scraps")
    expect(page.locator(".strip")).to_contain_text("misread the scales")


def test_a_strike_that_cannot_be_says_so(small_site, browser_page, sign_in, accessible):
    page = browser_page(360)
    sign_in(page, "lead")
    page.goto(f"/more/entries/{small_site.delivery.uuid}/strike/")
    page.get_by_label("Why is it wrong?").fill("never came")
    page.get_by_role("button", name="Strike it").click()
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.get_by_label("Why is it wrong?")).to_have_value("never came")
    accessible(page)


def test_a_place_is_moved_on_the_plan(small_site, browser_page, sign_in):
    page = browser_page(1280)
    sign_in(page, "lead")
    page.goto("/more/places/")
    page.get_by_role("row", name="CP Curing pad").get_by_role("link", name="CP").click()
    page.get_by_label("Distance from the plan’s left edge").fill("30")
    page.get_by_role("button", name="Keep it").click()
    expect(page.get_by_role("status")).to_contain_text("Kept: Curing pad")
    assert Place.objects.get(code="CP").x_m == pytest.approx(30 * 0.3048)


def test_a_recall_prints_whole(small_site, browser_page, sign_in, tmp_path):
    page = browser_page(1280)
    sign_in(page, "reader")
    page.goto(f"/more/recall/{small_site.compost.code}/")
    page.emulate_media(media="print")
    expect(page.locator(".rooms")).to_be_hidden()
    expect(page.locator(".sign-line")).to_be_visible()
    expect(page.get_by_text("School kitchen").first).to_be_visible()
    for block in page.locator(".table-block .scroll").all():
        cut = block.evaluate("one => one.scrollHeight > one.clientHeight + 1")
        assert not cut
    paper = page.pdf(format="Letter")
    assert paper.startswith(b"%PDF")


@pytest.mark.parametrize("name", ["more", "entries", "facts", "audit", "use"])
def test_the_dark_page_can_be_read(name, small_site, browser_page, sign_in, accessible):
    page = browser_page(360, dark=True)
    sign_in(page, "helper")
    page.goto(address(ROUTES[name], small_site))
    accessible(page)


def test_pages_that_are_not_there_or_not_for_you(small_site, browser_page, sign_in, accessible):
    page = browser_page(360)
    sign_in(page, "reader")
    for where, words in (
        ("/more/nothing/", "There is no such page"),
        ("/more/people/", "This is not for your account"),
    ):
        page.goto(where)
        expect(page.get_by_role("heading", level=1)).to_have_text(words)
        accessible(page)


def test_without_cookies_a_form_says_why_it_was_not_taken(small_site, browser_page, accessible):
    page = browser_page(360)
    page.goto("/sign-in/")
    page.context.clear_cookies()
    page.get_by_label("Name").fill("helper")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Send it once more")
    accessible(page)
