"""The Proof pages and the printed proof as of a past day, and under which settings they are."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from io import BytesIO
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone
from django.utils.formats import date_format
from pypdf import PdfReader
from tests.web.test_more_yardstick import words

from heapwright.data.sanitation import rules
from heapwright.science.sanitation import Stated
from heapwright.yard import prove, tend
from heapwright.yard.models import Lot
from heapwright.yard.strike import strike
from heapwright.yard.yardstick import SetYardstick, set_yardstick

ZONE = ZoneInfo("America/Los_Angeles")


def day_before(days: float) -> date:
    return (timezone.now() - timedelta(days=days)).astimezone(ZONE).date()


def end_of(day: date) -> datetime:
    return datetime.combine(day + timedelta(days=1), time(), ZONE) - timedelta(seconds=1)


def turned_out(lot: Lot, day: date, rule: str = "US-FDA-T", **stated):
    (log,) = prove.lot_logs(lot, end_of(day))
    return log.judged([rules()[rule]], Stated(**stated))[0]


def text_of(answer) -> str:
    assert answer.status_code == 200, answer.content[:200]
    return " ".join(
        " ".join(page.extract_text() for page in PdfReader(BytesIO(answer.content)).pages).split()
    )


def test_the_list_shows_what_stood_then_and_how_far_it_was(as_, small_site):
    day = day_before(37)  # the second pile was hot, the third not built
    html = as_("reader").get(f"/proof/?on={day}").content.decode()
    assert f"As of the end of {date_format(day, 'l j F Y')}" in words(html)
    assert small_site.curing.code in html
    assert small_site.hot.code not in html
    assert "met" not in re.search(rf"{small_site.curing.code}</a>.*?</tr>", html, re.S)[0]
    assert f"/proof/{small_site.curing.code}/?on={day}" in html


def test_a_lot_as_of_a_day_is_the_log_of_until_then(as_, small_site):
    lot, day = small_site.curing, day_before(37)
    html = as_("reader").get(f"/proof/{lot.code}/?on={day}").content.decode()
    proof = turned_out(lot, day)
    assert proof.verdict != "met"
    page = words(html)
    assert f"{proof.days_credited} of 15 days" in page
    assert "Bay 2, all heaps" in page  # where it stood then, not the curing pad
    assert "what is known now about then" in page
    assert "Print the proof" in page
    now = words(as_("reader").get(f"/proof/{lot.code}/").content.decode())
    assert "US-FDA-T is met" in now
    assert "Curing pad" in now


def test_what_was_written_or_struck_later_is_counted_and_linked(as_, small_site):
    lot, day = small_site.curing, day_before(37)
    entry = lot.entries.filter(kind="check").order_by("happened_at").first()
    strike(entry.uuid, "read off the wrong pile", small_site.lead)
    html = words(as_("reader").get(f"/proof/{lot.code}/?on={day}").content.decode())
    # the small site is told in one go: all of it was recorded after that day
    later = prove.written_later(lot, end_of(day))
    assert later.written > 5
    assert f"{later.written} were written after it, and {later.struck} that stood then" in html
    raw = as_("reader").get(f"/proof/{lot.code}/?on={day}").content.decode()
    href = re.search(r'href="(/more/entries/\?[^"]+)"', raw)[1].replace("&amp;", "&")
    listed = as_("reader").get(href).content.decode()
    assert lot.code in listed
    assert str(entry.uuid) in listed


def test_before_it_was_built_there_is_no_log(as_, small_site):
    html = words(
        as_("reader").get(f"/proof/{small_site.hot.code}/?on={day_before(40)}").content.decode()
    )
    assert "No log yet" in html


@pytest.mark.parametrize(
    ("typed", "said"), [("soon", "Enter a valid date."), ("2999-01-01", "has not come yet")]
)
def test_a_day_that_is_none_is_said_beside_its_field(as_, small_site, typed, said):
    for href in ("/proof/", f"/proof/{small_site.hot.code}/"):
        answer = as_("reader").get(f"{href}?on={typed}")
        assert answer.status_code == 422
        html = answer.content.decode()
        block = html[html.index('id="id_on_error"') :]
        assert said in block[: block.index("</div>")]
        assert f'value="{typed}"' in html
    printed = as_("reader").get(f"/print/proof/{small_site.hot.code}/?on={typed}")
    assert printed.status_code == 400
    assert typed in printed.content.decode()


def test_today_as_a_day_is_now(as_, small_site):
    html = words(
        as_("reader").get(f"/proof/{small_site.hot.code}/?on={day_before(0)}").content.decode()
    )
    assert "As of the end of" not in html.replace("As of the end of (may stay empty)", "")


def test_the_print_says_as_of_and_under_which_settings(as_, small_site):
    lot, day = small_site.curing, day_before(37)
    lead = small_site.lead
    set_yardstick(
        SetYardstick(
            happened_at=timezone.now() - timedelta(days=60),
            rule="NY-W", method="turned", probe_error_c=1 / 1.8, probe_error_typed="1 °F",
        ),
        lead,
    )  # fmt: skip
    set_yardstick(SetYardstick(happened_at=timezone.now(), rule="CA-W"), lead)
    said = text_of(as_("reader").get(f"/print/proof/{lot.code}/?on={day}"))
    assert "NY-W" in said  # what was in force that day, not what is now
    assert f"the end of {day.day} {day:%b %Y}, as it is known now" in said
    assert "probe error 1 °F" in said
    assert "by lead" in said
    assert "Bay 2" in said
    now = text_of(as_("reader").get(f"/print/proof/{lot.code}/"))
    assert "CA-W" in now
    assert "as it is known now" not in now
    page = words(as_("reader").get(f"/proof/{lot.code}/?on={day}").content.decode())
    assert "NY-W: Windrow, aerobic" in page
    assert "rule NY-W (Windrow, aerobic), method turned, probe error 1 °F" in page
    assert "CA-W: Windrow" in words(as_("reader").get(f"/proof/{lot.code}/").content.decode())


def test_what_the_address_states_stands_in_place_of_the_setting_in_print_too(as_, small_site):
    set_yardstick(
        SetYardstick(happened_at=timezone.now(), rule="NY-W", probe_error_c=5.0, zone="core"),
        small_site.lead,
    )
    href = f"/print/proof/{small_site.curing.code}/"
    assert "9 °F taken off each reading" in text_of(as_("reader").get(href))
    other = text_of(as_("reader").get(f"{href}?probe_error=&zone="))
    assert "none taken off" in other
    assert "Zone read not stated" in other


def test_a_reading_typed_in_fahrenheit_is_told_as_typed_and_converted_for_others(as_, small_site):
    code = small_site.hot.code
    form = {
        "entry_id": "7d0c4f18-51d6-4a3c-9f6e-2a86d5e5f0aa",
        "temp_1": "131.5",
        "temp_2": "140",
        "depth": "18",
        "happened_at": (timezone.now().astimezone(ZONE)).strftime("%Y-%m-%dT%H:%M"),
    }
    assert as_("helper").post(f"/piles/{code}/log/", form).status_code == 303
    entry = tend.Entry.objects.get(uuid=form["entry_id"])
    assert [one["as_typed"] for one in entry.sent["temps"]] == ["131.5 °F", "140 °F"]
    story = words(as_("reader").get(f"/piles/{code}/").content.decode())
    assert "131.5 °F, 140 °F" in story
    page = words(as_("reader").get(f"/more/entries/{entry.uuid}/").content.decode())
    assert "131.5 °F" in page
    assert "55.28" in page  # °C beside it
    mended = {
        "entry_id": "7d0c4f18-51d6-4a3c-9f6e-2a86d5e5f0ab",
        "lot": code,
        "temps.0.point": "1",
        "temps.0.temp_c": "133",
        "temps.0.depth_cm": "18",
        "temps.1.point": "2",
        "temps.1.temp_c": "140",
        "temps.1.depth_cm": "18",
        "happened_at": form["happened_at"],
        "reason": "misread",
    }
    answer = as_("helper").post(f"/more/entries/{entry.uuid}/again/", mended)
    assert answer.status_code == 303, words(answer.content.decode())
    new = tend.Entry.objects.get(uuid=mended["entry_id"])
    assert [one["as_typed"] for one in new.sent["temps"]] == ["133 °F", "140 °F"]
    small_site.reader.units = "metric"
    small_site.reader.save()
    assert "56 °C, 60 °C" in words(as_("reader").get(f"/piles/{code}/").content.decode())
