"""Each kind of task that log and rules give: on the page, with its reasons, done with one tap."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
from django.utils import timezone
from tests.web.small_site import SmallSite
from tests.web.test_tend_yard import page, taps

from heapwright.yard import tend
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry, Kind
from heapwright.yard.strike import strike


def read(site: SmallSite, code: str, *temps_c: float, days: float = 0.0, **more: str) -> None:
    temps = tuple(tend.Temp(point=str(at), temp_c=one) for at, one in enumerate(temps_c, start=1))
    act = tend.CheckLot(
        happened_at=timezone.now() - timedelta(days=days, minutes=1), lot=code, temps=temps, **more
    )
    tend.check(act, site.lead)


def turning_due(site: SmallSite) -> None:
    read(site, site.hot.code, 64.0, 63.0, days=1.0)


def rained(site: SmallSite) -> None:
    for days in (1, 2):
        act = tend.LogWeather(
            happened_at=timezone.now() - timedelta(hours=1),
            day=(timezone.now() - timedelta(days=days + 1)).date(),
            rain_mm=20.0,
        )
        tend.log_weather(act, site.lead)


def dusty(site: SmallSite) -> None:
    read(site, site.hot.code, squeeze="dusty")


def cured(site: SmallSite) -> None:
    read(site, site.curing.code, 28.0, 27.0)


def proven_in_its_bay(site: SmallSite) -> None:
    to_the_pad = Entry.objects.filter(kind=Kind.TURN, lots=site.curing).latest("happened_at")
    strike(to_the_pad.uuid, "it stayed in its bay", site.lead)
    read(site, site.curing.code, 45.0, 44.0)


@pytest.mark.parametrize(
    ("when", "kind", "lot", "title"),
    [
        (turning_due, Kind.TURN, "hot", "Turn Bay 3"),
        (rained, Kind.COVER, "hot", "Cover Bay 3"),
        (cured, Kind.STAGE, "curing", "Test"),
        (proven_in_its_bay, Kind.MOVE, "curing", "Let Bay 2 cure"),
    ],
    ids=lambda one: getattr(one, "__name__", None),
)
def test_it_says_why_and_what_if_left_and_one_tap_writes_it(
    when: Callable[[SmallSite], None], kind, lot, title, small_site, as_
):
    when(small_site)
    code = getattr(small_site, lot).code
    client = as_("lead")
    html = page(client)
    sent = next(one for one in taps(html) if (one["kind"], one["lot"]) == (kind, code))
    items = re.findall(r'<li class="task">(.*?)</li>', html, re.S)
    task = next(one for one in items if sent["entry_id"] in one)
    words = " ".join(unescape(re.sub(r"<[^>]+>", " ", task)).split())
    assert title in words
    assert "If left:" in words
    assert len(words.split("If left:")[0].split()) > 8, "how much and why"
    before = Entry.objects.count()
    assert client.post("/today/do/", sent).status_code == 303
    entry = Entry.objects.get(uuid=sent["entry_id"])
    assert Entry.objects.count() == before + 1
    assert (entry.kind, [one.code for one in entry.lots.all()]) == (kind, [code])
    left = [(one["kind"], one["lot"]) for one in taps(page(client))]
    assert (kind, code) not in left
    assert audit(deep=True).adds_up


@pytest.mark.parametrize(
    ("when", "title", "opens"),
    [
        (lambda site: read(site, site.hot.code, 71.0), "Bay 3", "/piles/K-003/"),
        (lambda site: read(site, site.hot.code, 30.0, 31.0), "Bay 3", "/piles/K-003/"),
        (dusty, "Wet Bay 3", "/piles/K-003/wet/"),
        (lambda _site: None, "Food scraps", "/mix/"),
        (lambda _site: None, "Read", "/log/"),
    ],
    ids=["too hot", "cooled after heating", "too dry", "perishable waiting", "reading missing"],
)
def test_what_no_single_tap_can_do_opens_its_form(when, title, opens, small_site, as_):
    when(small_site)
    html = page(as_("helper"))
    items = re.findall(r'<li class="task">(.*?)</li>', html, re.S)
    found = [one for one in items if title.casefold() in one.casefold() and opens in one]
    assert found, [re.sub(r"<[^>]+>", " ", one)[:90] for one in items]
    assert all("If left" in one for one in found)
