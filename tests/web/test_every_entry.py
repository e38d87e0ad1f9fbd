"""Every kind of entry, as DESIGN section 4 lists them: entered by a page, told, struck, gone."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.http import HttpResponse
from django.test import Client
from django.utils import timezone
from tests.web.small_site import SmallSite
from tests.web.test_every_form import FORMS, Form, fill, good_answer, shown, words
from tests.web.test_mix_build import amounts, by_the_clock, said
from tests.web.test_more_standing import HREF as STANDING
from tests.web.test_more_standing import sent

from heapwright.yard import state
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry, Kind

BY_A_FORM = {
    Kind.CHECK: "pile-log",
    Kind.TURN: "pile-act turn",
    Kind.WATER: "pile-act wet",
    Kind.COVER: "pile-act cover",
    Kind.MOVE: "pile-act move",
    Kind.MEASURE: "pile-act measure",
    Kind.COMBINE: "pile-act combine",
    Kind.DIVIDE: "pile-act divide",
    Kind.SCREEN: "pile-act screen",
    Kind.STAGE: "pile-act stage",
    Kind.DISCARD: "pile-act discard",
    Kind.DELIVERY: "delivery-new",
    Kind.USE: "use",
    Kind.LABOUR: "labour",
    Kind.FUEL: "fuel",
    Kind.WEATHER: "weather",
    Kind.SAMPLE: "sample",
    Kind.LAB: "result",
    Kind.BUILD: "mix-build",
}
OF_THE_SITE = frozenset({Kind.LABOUR, Kind.FUEL, Kind.WEATHER, Kind.SETTINGS})
"""They are about no lot: their story is the list of entries."""


Clients = Callable[[str], Client]


def by_the_form(form: Form) -> Callable[[Clients, SmallSite], HttpResponse]:
    def write(as_: Clients, site: SmallSite) -> HttpResponse:
        client = as_(form.role)
        data = {**fill(form, site), **shown(client, form, site)}
        return client.post(form.href(site), data)

    return write


def added(as_: Clients, site: SmallSite) -> HttpResponse:
    """Start a pile that goes on filling, and add to it the day after."""
    client = as_("helper")
    half = {"amount.food_scraps_mixed": "0.5", "amount.leaves_loose": "60"}
    yesterday = by_the_clock(timezone.now() - timedelta(days=1))
    first = said(state="filling", happened_at=yesterday)
    built = client.post(f"/mix/build/?{amounts(**half)}", first)
    assert good_answer(built), words(built.content.decode())[:400]
    pile = state.lot_state("K-004")
    assert pile.stage == "filling"
    answer = client.post(f"/mix/add/?{amounts(**half)}", said(state="filling", lot="K-004"))
    assert state.lot_state("K-004").mass_kg > pile.mass_kg
    return answer


WRITE: dict[Kind, Callable[[Clients, SmallSite], HttpResponse]] = {
    **{kind: by_the_form(next(one for one in FORMS if str(one) == name))
       for kind, name in BY_A_FORM.items()},
    Kind.ADD: added,
    Kind.OPENING: lambda as_, _site: as_("lead").post(STANDING, sent()),
}  # fmt: skip


def test_no_kind_is_forgotten():
    # a logger's file comes by the command; the settings have their own tests in more_yardstick
    assert set(WRITE) | {Kind.READINGS, Kind.SETTINGS} == set(Kind)


@pytest.mark.parametrize("kind", sorted(WRITE), ids=str)
def test_it_is_entered_by_a_page_told_in_the_story_and_struck_with_a_reason(kind, small_site, as_):
    lead = as_("lead")
    answer = WRITE[kind](as_, small_site)
    assert good_answer(answer), words(answer.content.decode())[-600:]
    entry = Entry.objects.latest("id")
    assert entry.kind == kind
    lots = list(entry.lots.all())
    assert bool(lots) != (kind in OF_THE_SITE)
    stories = [f"/piles/{lot.code}/" for lot in lots] or ["/more/entries/"]
    told = entry.get_kind_display()
    for story in stories:
        page = words(lead.get(story).content.decode())
        assert told.casefold() in page.casefold(), f"{story} does not tell of it"
    assert audit(deep=True).adds_up

    before = {one.code: (one.mass_kg, one.place, one.stage) for one in state.state_at()}
    where = f"/more/entries/{entry.uuid}/"
    assert "This is needed" in words(lead.post(f"{where}strike/", {"reason": ""}).content.decode())
    assert good_answer(lead.post(f"{where}strike/", {"reason": "logged for the wrong yard"}))
    entry.refresh_from_db()
    assert entry.is_struck
    for story in stories:
        assert "logged for the wrong yard" in words(lead.get(story).content.decode())
    after = {one.code: (one.mass_kg, one.place, one.stage) for one in state.state_at()}
    still = {Kind.CHECK, Kind.TURN, Kind.COVER, Kind.SAMPLE, Kind.LAB, *OF_THE_SITE}
    assert (after == before) == (kind in still), "a strike takes back what the entry moved"
    assert audit(deep=True).adds_up
