"""Every route of the pages: who may come in, who may write, and what each page must have."""

from __future__ import annotations

import re
from collections import Counter
from html.parser import HTMLParser

import pytest
from django.apps import apps
from django.conf import settings
from django.http import HttpResponse
from django.test import Client
from tests.web.routes import NOT_A_PAGE, OPEN_TO_ALL, OWN_ACCOUNT, ROUTES, address

ALL = sorted(ROUTES)
COMPUTES_ONLY = frozenset({"mix-check", "mix-print"})
"""Routes that answer a POST with a computation of what was sent and keep nothing of it."""

# where a helper's POST is refused as a reader's is
LEADS_ONLY = frozenset(
    {
        "activate",
        "container",
        "container-new",
        "container-retire",
        "deactivate",
        "material-mend",
        "material-new",
        "material-retire",
        "people",
        "person",
        "place",
        "place-new",
        "place-retire",
        "place-rows",
        "reset-password",
        "set-up",
        "set-up-containers",
        "set-up-places",
        "set-up-rule",
        "set-up-sources",
        "set-up-standing",
        "site",
        "source",
        "source-new",
        "source-retire",
        "weather-fetch",
        "weather-settings",
        "weather-withdraw",
        "yardstick",
    }
)
VOID = frozenset({"br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"})


def everything() -> Counter[str]:
    """Return how many rows each table of the site has, and a fingerprint of the editable ones."""
    found: Counter[str] = Counter()
    for model in apps.get_models():
        if model._meta.app_label in ("yard", "people"):
            fields = [one.name for one in model._meta.concrete_fields if one.name != "last_login"]
            rows = model._base_manager.values_list(*fields)
            found[model.__name__] = hash(tuple(sorted(map(repr, rows))))
    return found


@pytest.mark.parametrize("name", ALL)
def test_a_stranger_is_sent_to_sign_in(name, small_site):
    route = ROUTES[name]
    if name in OPEN_TO_ALL - {"set-up"}:
        return
    for method in ("get", "post"):
        answer = getattr(Client(), method)(address(route, small_site))
        assert answer.status_code == 302, f"{method} {name}: {answer.status_code}"
        assert answer["Location"].startswith("/sign-in/")


def without_tokens(answer: HttpResponse) -> str:
    """Return an answer's text without what is new each time a page is asked for."""
    text = re.sub(r'name="csrfmiddlewaretoken" value="[^"]*"', "", answer.content.decode())
    text = re.sub(r"csrf[^,}]*", "", text)
    return re.sub(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "", text)


@pytest.mark.parametrize("name", sorted(set(ALL) - OWN_ACCOUNT))
def test_a_reader_can_change_nothing(name, small_site, as_):
    before = everything()
    where = address(ROUTES[name], small_site)
    for data in ({}, {"entry_id": "2f0a6ad8-58bb-44dc-8f5f-a3a1b1c62e2f", "name": "x"}):
        answer = as_("reader").post(where, data)
        if answer.status_code == 405:  # nobody may: not a way to write
            assert as_("lead").post(where, data).status_code == 405
        elif answer.status_code != 403 and name not in COMPUTES_ONLY:
            # the page takes no POST: it answers as if it had only been asked for
            assert answer.status_code == 200, f"{name}: {answer.status_code}"
            assert without_tokens(answer) == without_tokens(as_("reader").get(where)), name
            assert without_tokens(as_("lead").post(where, data)) == without_tokens(
                as_("lead").get(where)
            ), f"{name} takes a lead's POST but does not refuse a reader's"
    assert everything() == before


@pytest.mark.parametrize("name", sorted(LEADS_ONLY))
def test_what_is_the_leads_is_refused_to_a_helper(name, small_site, as_):
    before = everything()
    answer = as_("helper").post(address(ROUTES[name], small_site), {"name": "x"})
    assert answer.status_code == 403
    assert "Only a lead may do this." in answer.content.decode()
    assert everything() == before


def test_every_route_that_a_helper_is_refused_stands_in_the_list(small_site, as_):
    client = as_("helper")
    refused = {
        name
        for name in set(ALL) - OWN_ACCOUNT
        if client.post(address(ROUTES[name], small_site)).status_code == 403
    }
    assert refused - {"strike", "undo"} == LEADS_ONLY & set(ALL)


class Sanity(HTMLParser):
    """Collects what a page must not have: ids twice, tags left open, script or style inline."""

    def __init__(self) -> None:
        super().__init__()
        self.ids: Counter[str] = Counter()
        self.tags: Counter[str] = Counter()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.refers: set[str] = set()
        self.text: list[str] = []
        self.drawn = 0

    def handle_starttag(self, tag, attrs):
        said = dict(attrs)
        self.tags[tag] += 0 if self.drawn else 1
        self.drawn += tag == "svg"
        if "id" in said:
            self.ids[said["id"]] += 1
        if "style" in said or tag == "style" or any(name.startswith("on") for name in said):
            self.faults.append(f"inline style or script in <{tag}>")
        if tag == "script" and "src" not in said and said.get("type") != "application/json":
            self.faults.append("inline script")
        for name in ("for", "aria-describedby", "aria-labelledby", "list"):
            self.refers |= set((said.get(name) or "").split())
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()
            self.drawn -= tag == "svg"

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        self.drawn -= tag == "svg"
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes what was not open")

    def handle_data(self, data):
        self.text.append(data)


@pytest.mark.parametrize("name", sorted(set(ALL) - NOT_A_PAGE))
@pytest.mark.parametrize("role", ["lead", "reader"])
def test_every_page_is_whole(name, role, small_site, as_, django_assert_max_num_queries):
    before = everything()
    client = as_(role)
    with django_assert_max_num_queries(80):
        answer = client.get(address(ROUTES[name], small_site))
    assert answer.status_code in (200, 302, 403, 405), f"{name}: {answer.status_code}"
    if role == "lead":
        assert answer.status_code != 403
    assert everything() == before, f"reading {name} wrote something"
    if name.startswith("print-"):
        assert answer["Content-Type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF")
    if not answer.get("Content-Type", "").startswith("text/html") or answer.status_code == 302:
        return
    if answer.status_code == 405:
        return
    text = answer.content.decode()
    page = Sanity()
    page.feed(text)
    assert page.faults == []
    assert page.open == []
    assert [one for one, times in page.ids.items() if times > 1] == []
    if "<html" not in text:  # a part of a page, put in its place by a script
        assert name in COMPUTES_ONLY
        return
    assert page.tags["h1"] == 1
    assert page.tags["title"] == page.tags["main"] == 1
    assert "Alder Lane yard" in "".join(page.text)
    assert page.refers <= set(page.ids) | {""}, page.refers - set(page.ids)
    assert "script-src" in answer["Content-Security-Policy"] or (
        "default-src 'self'" in answer["Content-Security-Policy"]
    )
    assert len(answer.content) < 400_000


def test_the_walk_knows_every_route_that_is_served():
    from django.urls import get_resolver

    served = {name for name in get_resolver().reverse_dict if isinstance(name, str)}
    assert served == set(ROUTES)
    assert set(ROUTES) >= {"print-proof", "print-build-sheet", "print-log-sheet", "mix-build"}


def test_what_is_not_there_is_said_so(small_site, as_):
    answer = as_("helper").get("/piles/K-999/")
    assert answer.status_code == 404
    assert "There is no such page" in answer.content.decode()
    assert settings.DEBUG is False
