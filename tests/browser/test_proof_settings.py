"""What proofs are judged by, proofs of past days and photos of checks, in a real browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import expect

from heapwright.yard.models import Photo
from heapwright.yard.yardstick import in_force


@pytest.mark.parametrize(("width", "scripts"), [(360, True), (360, False), (1280, True)])
def test_a_lead_sets_the_rule_and_the_proof_follows(
    width, scripts, small_site, browser_page, sign_in, accessible
):
    page = browser_page(width, scripts=scripts)
    sign_in(page, "lead")
    page.goto("/more/")
    page.get_by_role("link", name="What proofs are judged by").click()
    page.get_by_label("Probe error").fill("two")
    page.get_by_label("The rule that your compost must meet").select_option("NY-W")
    page.get_by_role("button", name="Judge by this").click()
    expect(page.locator(".field.wrong")).to_contain_text("is not a number")
    expect(page.get_by_label("Probe error")).to_have_value("two")
    assert in_force().rule_id == ""
    page.get_by_label("Probe error").fill("2")
    page.get_by_role("button", name="Judge by this").click()
    expect(page.get_by_role("status").first).to_contain_text("Proofs are judged so from now on.")
    if scripts:
        accessible(page)
    page.goto(f"/proof/{small_site.hot.code}/")
    expect(page.locator(".strip").first).to_contain_text("NY-W: ")
    page.get_by_text("Another rule or day").click()
    expect(page.get_by_label("Probe error")).to_have_value("2")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_proof_is_looked_back_at(width, small_site, browser_page, sign_in, accessible):
    page = browser_page(width)
    sign_in(page, "reader")
    page.goto(f"/proof/{small_site.curing.code}/")
    then = small_site.curing.entries.filter(kind="check").order_by("happened_at")[8].happened_at
    page.get_by_text("Another rule or day").click()
    page.get_by_label("As of the end of").fill(f"{then:%Y-%m-%d}")
    page.get_by_role("button", name="Judge again").click()
    expect(page.get_by_role("status")).to_contain_text("what is known now about then")
    expect(page.get_by_role("status")).to_contain_text("were written after it")
    accessible(page)
    with page.expect_request("**/print/proof/**") as asked:
        page.get_by_role("link", name="Print the proof").evaluate("link => fetch(link.href)")
    assert f"on={then:%Y-%m-%d}" in asked.value.url
    page.get_by_role("link", name="Back to today").click()
    expect(page.locator(".strip").first).to_contain_text("US-FDA-T is met")


@pytest.mark.parametrize(("width", "scripts"), [(360, True), (360, False), (1280, True)])
def test_a_helper_sends_a_photo_and_a_reader_sees_it(
    width, scripts, small_site, browser_page, sign_in, accessible, tmp_path: Path
):
    file = tmp_path / "heap.png"
    Image.effect_noise((900, 700), 40).convert("RGB").save(file)
    wrong = tmp_path / "notes.txt"
    wrong.write_text("no picture")
    page = browser_page(width, scripts=scripts)
    sign_in(page, "helper")
    page.goto(f"/piles/{small_site.hot.code}/log/")
    page.get_by_label("Point 1").fill("140")
    page.get_by_text("Add a photo").click()
    page.get_by_label("Photo", exact=False).first.set_input_files(wrong)
    page.get_by_label("What the photo shows").fill("steam on the north side")
    page.get_by_role("button", name="Log the check").click()
    expect(page.locator(".field.wrong")).to_contain_text("send a JPEG, PNG or WebP picture")
    expect(page.get_by_label("Point 1")).to_have_value("140")
    expect(page.get_by_label("What the photo shows")).to_have_value("steam on the north side")
    page.locator("#id_photo").set_input_files(file)
    page.get_by_role("button", name="Log the check").click()
    shown = page.get_by_role("img", name="steam on the north side")
    expect(shown).to_have_count(1)
    photo = Photo.objects.latest("entry_id")
    assert max(photo.width_px, photo.height_px) == 900
    reader = browser_page(width, scripts=scripts)
    sign_in(reader, "reader")
    reader.goto(f"/piles/{small_site.hot.code}/")
    seen = reader.get_by_role("img", name="steam on the north side")
    seen.scroll_into_view_if_needed()
    expect(seen).to_be_visible()
    if scripts:
        reader.wait_for_function("() => [...document.images].some(one => one.naturalWidth === 900)")
        accessible(reader)
