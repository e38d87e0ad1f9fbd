"""Every form that writes: bad input, a double press, the back button, two people at once.

The table :data:`FORMS` says for each route what is right to send and what is wrong; a new route
that takes a POST and is not in it fails :func:`test_no_form_is_forgotten`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from html import unescape

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.utils import timezone
from tests.web.routes import NOT_A_PAGE, ROUTES, address
from tests.web.small_site import SmallSite
from tests.web.test_mix_build import amounts
from tests.web.test_more_yardstick import words
from tests.web.test_routes import COMPUTES_ONLY, everything, without_tokens

from heapwright.people.models import User
from heapwright.yard.models import Entry

Said = dict[str, str | list[str]]


def now() -> str:
    return timezone.now().strftime("%Y-%m-%dT00:05")


@dataclass(frozen=True)
class Form:
    """A form: who sends it, what is right, and wrong values with what is said of them.

    ``wrong`` gives (field, typed, message); ``beside`` is the id of the field where the message
    stands when it is another. ``asks`` whether the same in a form that was opened anew is asked
    about; ``anew`` what is said of a row that is there already; ``other`` a change that another
    person makes to the same row meanwhile.
    """

    route: str
    good: Callable[[SmallSite], Said]
    wrong: tuple[tuple[str, str, str], ...] = ()
    role: str = "lead"
    where: str = ""
    asks: bool = False
    anew: str = ""
    other: tuple[str, str] | None = None
    beside: dict[str, str] = field(default_factory=dict)
    name: str = ""

    def __str__(self) -> str:
        return self.name or self.route

    def href(self, site: SmallSite) -> str:
        if not self.where:
            return address(ROUTES[self.route], site)
        mix = amounts() if "{mix}" in self.where else ""
        return self.where.format(hot=site.hot.code, curing=site.curing.code, mix=mix)


def act(route: str, good: Said, *wrong: tuple[str, str, str], **more: object) -> Form:
    """Return a form that writes an entry: it has an id and asks before it writes the same."""
    more = {"role": "helper", "asks": True} | more
    return Form(route, lambda _site: {"happened_at": now(), **good}, wrong, **more)


def heap(name: str, good: Said, *wrong: tuple[str, str, str], **more: object) -> Form:
    more = {"role": "lead", "where": f"/piles/{{hot}}/{name}/", "name": f"pile-act {name}"} | more
    return act("pile-act", good, *wrong, **more)


WHEN = (
    ("happened_at", "yesterday", "Enter a valid date/time."),
    ("happened_at", "2999-01-01T10:00", "has not come yet"),
)
NUMBER = "is not a number"
CHOICE = "Select a valid choice"

PLACE = {"code": "B9", "name": "Bay 9", "kind": "bay", "width_m": "4", "depth_m": "4",
         "height_m": "4", "x_m": "10", "y_m": "10", "cover": "open", "note": ""}  # fmt: skip
ROWS = {"kind": "bay", "how_many": "4", "rows": "2", "width_m": "4", "depth_m": "4",
        "height_m": "4", "gap_m": "1", "aisle_m": "2", "x_m": "1", "y_m": "1"}  # fmt: skip
SOURCE = {"code": "inn", "name": "The inn", "contact": "", "phone": "", "email": "",
          "distance_km": "3", "note": ""}  # fmt: skip
CONTAINER = {"code": "cart", "name": "Cart", "volume_m3": "64", "tare_kg": "30"}
MATERIAL = {"code": "straw_mats", "name": "Straw mats", "category": "hay_straw",
            "layer_role": "brown", "moisture_pct": "15", "n_pct_dry": "", "c_pct_dry": "44",
            "cn": "80", "vs_pct_dry": "", "bulk_density_kg_m3": "", "price_per_tonne": "",
            "note": ""}  # fmt: skip
PERSON = {"username": "sam", "first_name": "Sam", "last_name": "", "role": "helper", "units": "us"}

# fmt: off
FORMS: tuple[Form, ...] = (
    act("pile-log", {"temp_1": "131", "squeeze": "holds", "depth": "18"},
        ("temp_1", "hot", NUMBER), ("temp_2", "900", "No heap is at 900"),
        ("depth", "deep", NUMBER), ("height", "-2", "more than zero"),
        ("oxygen", "30", "21 is the most."), ("squeeze", "wet", CHOICE), *WHEN),
    heap("turn", {"to_place": ""}, ("to_place", "B99", CHOICE), *WHEN, role="helper"),
    heap("wet", {"litres": "10"}, ("litres", "a lot", NUMBER), ("litres", "", "is needed"),
         ("litres", "-1", "more than zero"), *WHEN),
    heap("cover", {"cover": "tarp"}, ("cover", "leaf", CHOICE), *WHEN),
    heap("move", {"to_place": "B4"}, ("to_place", "", "Choose one"), *WHEN),
    heap("measure", {"mass": "300"}, ("mass", "heavy", NUMBER), ("mass", "-3", "more than zero"),
         ("volume", "1.2.3", NUMBER), *WHEN),
    heap("combine", {"others": ["{curing}"]}, ("others", "K-999", CHOICE), *WHEN, asks=False),
    heap("divide", {"place": "B4", "mass": "20"}, ("mass", "some", NUMBER),
         ("mass", "90000", "cannot be taken"), ("place", "B99", CHOICE), *WHEN),
    heap("screen", {"place": "SC", "mass": "20", "overs_mass": "5", "overs_place": "S2"},
         ("mass", "some", NUMBER), ("place", "", "Choose one"),
         ("overs_place", "", "Where were the overs put?"), *WHEN, where="/piles/{curing}/screen/"),
    heap("stage", {"stage": "curing"}, ("stage", "done", CHOICE), *WHEN, asks=False),
    heap("discard", {"mass": "20", "why": "glass in it"}, ("why", "", "is needed"),
         ("mass", "half", NUMBER), ("mass", "90000", "cannot be taken"), *WHEN),
    act("delivery-new", {"source": "kitchen", "lines": "1", "line-0-amount": "2.5",
                         "line-0-material": "Food scraps, mixed (kitchen and restaurant)",
                         "line-0-unit": "in:tote", "line-0-place": "S1",
                         "line-0-contamination": ""},
        ("line-0-amount", "some", NUMBER), ("line-0-material", "gold", "gold"),
        ("line-0-place", "B99", CHOICE), ("line-0-weight", "heavy", NUMBER), *WHEN,
        where="/stock/new/?source=kitchen"),
    act("use", {"lot": "{compost}", "bed": "BED2", "mass_kg": "10"}, ("mass_kg", "some", NUMBER),
        ("mass_kg", "90000", "cannot be taken"), ("lot", "C-999", CHOICE),
        ("bed", "BED9", CHOICE), *WHEN),
    act("labour", {"hours": "2", "task": "turning"}, ("hours", "two", NUMBER),
        ("hours", "-2", "more than zero"), ("task", "", "is needed"), ("lot", "K-999", CHOICE),
        *WHEN),
    act("fuel", {"fuel": "diesel", "volume_l": "2"}, ("volume_l", "some", NUMBER),
        ("energy_kwh", "3", "State litres or kilowatt-hours"), ("fuel", "", "is needed"), *WHEN,
        beside={"energy_kwh": "volume_l"}),
    act("weather", {"day": "2026-03-01", "rain_mm": "0.2"}, ("rain_mm", "wet", NUMBER),
        ("rain_mm", "-1", "outside"), ("day", "soon", "Enter a valid date"),
        ("day", "2999-01-01", "has not come yet")),
    act("sample", {"lot": "{compost}", "label": "AL-7"}, ("label", "", "is needed"),
        ("lot", "K-999", CHOICE), *WHEN),
    act("result", {"lot": "{compost}", "quantity_1": "ph", "comparator_1": "=", "value_1": "7.1"},
        ("value_1", "acid", NUMBER), ("lot", "K-999", CHOICE), *WHEN),
    act("measure", {"moisture_pct": "70"}, ("moisture_pct", "wet", NUMBER),
        ("moisture_pct", "170", "100"), *WHEN),
    act("enter-again", {"temps.0.temp_c": "140", "temps.1.temp_c": "141", "temps.2.temp_c": "142",
                        "temps.0.point": "1", "temps.1.point": "2", "temps.2.point": "3",
                        "lot": "{hot}", "photo_alt": "steam", "reason": "misread"},
        ("temps.0.temp_c", "hot", NUMBER), ("temps.1.point", "", "cannot stay empty"),
        ("reason", "", "is needed"), *WHEN, asks=False),
    Form("strike", lambda _site: {"reason": "the wrong pile"}, (("reason", "", "is needed"),),
         role="helper"),
    # A second build takes what the first left, so it is another; its page says who stands there.
    act("mix-build", {"state": "full", "water": "12", "height": ""}, ("water", "wet", NUMBER),
        ("state", "heaped", CHOICE), ("height", "-1", ""), *WHEN, where="/mix/build/?{mix}",
        asks=False),
    Form("place-new", lambda _site: dict(PLACE),
         (("width_m", "wide", NUMBER), ("code", "no good", "Use up to 20"),
          ("name", "", "is needed"), ("kind", "hole", CHOICE), ("width_m", "0", "is the least")),
         anew="already exists"),
    Form("place", lambda _site: {**PLACE, "code": "B1", "name": "Bay one"},
         (("width_m", "wide", NUMBER), ("code", "", "is needed")), other=("name", "The first bay")),
    Form("place-rows", lambda _site: dict(ROWS),
         (("how_many", "many", "whole number"), ("rows", "9", "fewer places than rows"),
          ("width_m", "wide", NUMBER), ("x_m", "40", "They would end at"))),
    Form("set-up-places", lambda _site: dict(ROWS),
         (("how_many", "0", "greater than or equal to 1"), ("gap_m", "-1", "0 is the least"))),
    Form("source-new", lambda _site: dict(SOURCE),
         (("distance_km", "far", NUMBER), ("email", "inn", "valid email"),
          ("name", "", "is needed")), anew="already exists"),
    Form("set-up-sources", lambda _site: dict(SOURCE),
         (("distance_km", "far", NUMBER), ("name", "", "is needed")), anew="already exists"),
    Form("source", lambda _site: {**SOURCE, "code": "kitchen", "name": "The school"},
         (("distance_km", "far", NUMBER),), other=("name", "The new kitchen")),
    Form("container-new", lambda _site: dict(CONTAINER),
         (("volume_m3", "big", NUMBER), ("tare_kg", "light", NUMBER), ("code", "a b", "Use up to")),
         anew="already exists"),
    Form("set-up-containers", lambda _site: {**CONTAINER, "own-form": "1"},
         (("volume_m3", "big", NUMBER),), anew="already exists"),
    Form("set-up-containers", lambda _site: {"usual": ["bucket_5gal"], "usual-form": "1"},
         (("usual", "moon", CHOICE),), name="set-up-containers usual"),
    Form("container", lambda _site: {**CONTAINER, "code": "tote", "name": "Tote"},
         (("volume_m3", "big", NUMBER),), other=("name", "Green tote")),
    Form("material-new", lambda _site: dict(MATERIAL),
         (("moisture_pct", "damp", NUMBER), ("moisture_pct", "120", "100 is the most"),
          ("name", "", "is needed")), anew="already exists"),
    Form("material-mend", lambda _site: {**MATERIAL, "code": "mill_chaff", "name": "Chaff"},
         (("moisture_pct", "damp", NUMBER),), other=("name", "Chaff of the mill")),
    Form("site", lambda _site: {"name": "Alder Lane", "zone": "America/Los_Angeles",
                               "currency": "USD", "width_m": "43", "depth_m": "35",
                               "latitude_deg": "", "longitude_deg": ""},
         (("zone", "Nowhere/Land", "is not a time zone"), ("width_m", "wide", NUMBER),
          ("name", "", "is needed")), other=("name", "Alder yard")),
    Form("people", lambda _site: dict(PERSON),
         (("username", "", "is needed"), ("username", "a b!", "valid username"),
          ("role", "boss", CHOICE)), anew="already exists"),
    Form("person", lambda _site: {"first_name": "Sam", "last_name": "Hill", "role": "helper"},
         (("role", "boss", CHOICE),), other=("first_name", "Samira")),
    Form("me", lambda _site: {"first_name": "Ada", "last_name": "", "units": "metric",
                              "language": "en"},
         (("units", "stone", CHOICE), ("language", "xx", CHOICE)), role="helper",
         other=("first_name", "Adam")),
    Form("my-password", lambda _site: {"old_password": "wheelbarrow-and-fork",
                                       "new_password1": "a-new-long-one-7",
                                       "new_password2": "a-new-long-one-7"},
         (("old_password", "wrong", "incorrect"), ("new_password1", "short", "match"),
          ("new_password2", "another-one-8", "match")), role="helper",
         beside={"new_password1": "new_password2"}),
)
# fmt: on

ELSEWHERE = {
    "yardstick": "test_more_yardstick",
    "set-up-rule": "test_more_yardstick",
    "set-up-standing": "test_more_standing",
    "today-do": "test_tend_yard",
    "mix-add": "test_mix_build",
    "choose-password": "test_more_people",
    "sign-in": "test_more_people",
    # a button, with nothing to type
    "undo": "test_more_entries",
    "activate": "test_more_people",
    "deactivate": "test_more_people",
    "reset-password": "test_more_people",
    "place-retire": "test_more_rows",
    "source-retire": "test_more_rows",
    "container-retire": "test_more_rows",
    "material-retire": "test_more_rows",
    "set-up": "test_more_set_up",
    # the weather from elsewhere
    "weather-file": "test_more_weather",
    "weather-settings": "test_more_weather",
    "weather-fetch": "test_more_weather",
    "weather-withdraw": "test_more_weather",
}
"""Routes that take a POST whose tests stand in a module of their own."""


def fill(form: Form, site: SmallSite) -> Said:
    """Return what is right to send, with the codes of the small site."""
    codes = {name: getattr(site, name).code for name in ("hot", "curing", "compost", "leaves")}

    def put(value: str | list[str]) -> str | list[str]:
        return [one.format(**codes) for one in value] if isinstance(value, list) else (
            value.format(**codes)
        )  # fmt: skip

    return {str(put(name)): put(value) for name, value in form.good(site).items()}


def shown(client: Client, form: Form, site: SmallSite) -> Said:
    """Return the hidden fields of a form as its page shows them now."""
    answer = client.get(form.href(site))
    assert answer.status_code == 200, f"{form}: {answer.status_code}"
    html = answer.content.decode()
    found: Said = {}
    for tag in re.findall(r"<input[^>]*type=\"hidden\"[^>]*>", html):
        name, value = (re.search(rf'{one}="([^"]*)"', tag) for one in ("name", "value"))
        if name and name[1] not in ("csrfmiddlewaretoken",):
            found[name[1]] = unescape(value[1]) if value else ""
    return {name: found[name] for name in ("entry_id", "again", "seen") if name in found}


def beside(html: str, name: str) -> str:
    """Return what is said beside a field, or on top of the form."""
    block = re.search(rf'id="id_{re.escape(name)}_error">(.*?)</div>', html, re.S)
    return words(block[1]) if block else ""


def is_kept(html: str, name: str, typed: str) -> bool:
    """Tell whether what was typed in a field stands in it still."""
    if not typed:
        return True
    text = re.escape(typed)
    tag = re.search(rf'<(?:input|textarea)[^>]*name="{re.escape(name)}"[^>]*>[^<]*', html)
    return bool(tag) and bool(re.search(rf'value="{text}"|>\s*{text}', tag[0]))


CASES = [
    pytest.param(form, *wrong, id=f"{form} {wrong[0]}={wrong[1] or 'blank'}")
    for form in FORMS
    for wrong in form.wrong
]


@pytest.mark.parametrize(("form", "name", "typed", "message"), CASES)
def test_what_is_wrong_is_said_beside_its_field_kept_and_not_written(
    form, name, typed, message, small_site, as_
):
    client = as_(form.role)
    sent = {**fill(form, small_site), **shown(client, form, small_site), name: typed}
    before = everything()
    answer = client.post(form.href(small_site), sent)
    assert answer.status_code in (200, 400, 422), words(answer.content.decode())[-400:]
    html = answer.content.decode()
    said = beside(html, form.beside.get(name, name))
    assert said, f"nothing stands beside {name}: {words(html)[:600]}"
    assert message.casefold() in said.casefold()
    chosen = re.search(rf'<select[^>]*name="{re.escape(name)}"|type="(?:radio|password|checkbox)"'
                       rf'[^>]*name="{re.escape(name)}"|name="{re.escape(name)}"[^>]*'
                       r'type="(?:radio|password|checkbox)"', html)  # fmt: skip
    if not chosen:
        assert is_kept(html, name, typed), f"{name} lost what was typed"
    for other, value in sent.items():
        tag = re.search(rf'<input[^>]*type="text"[^>]*name="{re.escape(other)}"[^>]*>', html)
        if tag and isinstance(value, str) and other != name:
            assert is_kept(html, other, value), f"{other} lost what was typed"
    assert everything() == before


def good_answer(answer: HttpResponse) -> bool:
    return answer.status_code in (302, 303)


@pytest.mark.parametrize("form", FORMS, ids=str)
def test_a_second_press_of_the_same_form_changes_nothing(form, small_site, as_):
    client = as_(form.role)
    sent = {**fill(form, small_site), **shown(client, form, small_site)}
    before = everything()
    first = client.post(form.href(small_site), sent)
    assert good_answer(first), f"{form}: {words(first.content.decode())[-700:]}"
    after = everything()
    assert after != before
    second = client.post(form.href(small_site), sent)
    if form.anew:
        assert not good_answer(second)
        assert form.anew in words(second.content.decode())
    if form.route in ("place-rows", "set-up-places"):
        return  # it numbers on: see below
    assert everything() == after


@pytest.mark.parametrize("form", [one for one in FORMS if one.asks], ids=str)
def test_the_same_in_a_form_opened_anew_is_asked_about(form, small_site, as_):
    client = as_(form.role)
    sent = {**fill(form, small_site), **shown(client, form, small_site)}
    assert good_answer(client.post(form.href(small_site), sent))
    before = everything()
    if client.get(form.href(small_site)).status_code != 200:
        return  # the first press used the form up, such as a pile that is no more
    anew = {**sent, **shown(client, form, small_site)}
    answer = client.post(form.href(small_site), anew)
    if not good_answer(answer):
        text = words(answer.content.decode())
        asked = ("If it happened twice, press again.", "already", CHOICE)
        assert any(one in text for one in asked), text[:600]
    else:
        assert "already" in words(client.get(answer["Location"]).content.decode())
    assert everything() == before


@pytest.mark.parametrize("form", [one for one in FORMS if one.other], ids=str)
def test_of_two_who_change_a_row_at_once_the_second_is_told(form, small_site, as_):
    name, value = form.other
    User.objects.create_user("other", role="lead", password="x")
    first = as_("other" if form.role == "lead" else form.role)
    second = as_(form.role)
    href = form.href(small_site)
    mine = {**fill(form, small_site), **shown(first, form, small_site), name: value}
    theirs = {**fill(form, small_site), **shown(second, form, small_site)}
    assert good_answer(first.post(href, mine))
    before = everything()
    answer = second.post(href, theirs)
    assert not good_answer(answer), "it wrote over what somebody else wrote"
    html = answer.content.decode()
    assert "Somebody changed this while you had it open." in words(html)
    assert value in words(html)
    assert is_kept(html, name, str(theirs[name]))
    assert everything() == before
    again = {**theirs, "seen": re.search(r'name="seen" value="(\w+)"', html)[1]}
    assert good_answer(second.post(href, again))
    assert everything() != before


def test_two_who_use_up_one_lot_at_once_cannot_both(small_site, as_):
    form = {"happened_at": now(), "why": "glass in it", "mass": ""}
    href = f"/piles/{small_site.hot.code}/discard/"
    ids = ("11111111-58bb-44dc-8f5f-a3a1b1c62e2f", "22222222-58bb-44dc-8f5f-a3a1b1c62e2f")
    answers = [
        as_(role).post(href, {**form, "entry_id": one})
        for role, one in zip(("lead", "helper"), ids, strict=True)
    ]
    assert [answer.status_code for answer in answers] == [303, 303]
    assert Entry.objects.filter(uuid__in=ids).count() == 1
    page = as_("helper")
    page.post(href, {**form, "entry_id": ids[1]})
    assert f"Nothing of {small_site.hot.code} is left." in words(
        page.get(f"/piles/{small_site.hot.code}/").content.decode()
    )


def test_rows_of_places_pressed_twice_number_on_and_say_which(small_site, as_):
    lead = as_("lead")
    for said in ("4 places are on the plan", "4 places are on the plan"):
        answer = lead.post("/more/places/add-rows/", ROWS)
        assert said in words(lead.get(answer["Location"]).content.decode())


def test_no_form_is_forgotten(small_site, as_):
    client, known = as_("lead"), {form.route for form in FORMS} | set(ELSEWHERE)
    for name, route in ROUTES.items():
        if name in known | NOT_A_PAGE | COMPUTES_ONLY:
            continue
        where = address(route, small_site)
        answer = client.post(where, {"nothing": SimpleUploadedFile("a", b"")})
        if answer.status_code == 405:
            continue
        assert without_tokens(answer) == without_tokens(client.get(where)), (
            f"{name} takes a POST: say in FORMS what is right and wrong for it"
        )
