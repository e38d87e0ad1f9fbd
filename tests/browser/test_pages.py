"""Every page of the URLconf at phone and laptop size: WCAG 2.2 AA, no sideways scroll, no error.

Standard: W3C, Web Content Accessibility Guidelines 2.2, levels A and AA, as far as axe can tell.
"""

from __future__ import annotations

import pytest
from tests.web.routes import NOT_A_PAGE, ROUTES, address

ELSEWHERE = frozenset({"sign-in", "choose-password"})  # looked at signed out, in test_more.py


@pytest.mark.parametrize("width", [360, 1280])
def test_every_page_can_be_read_by_everybody(width, small_site, browser_page, sign_in, accessible):
    page = browser_page(width)
    sign_in(page, "lead")
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(f"{page.url}: {error}"))
    page.on("console", lambda one: said.append(f"{page.url}: {one.text}") if _bad(one) else None)
    faults, looked_at = [], 0
    for name in sorted(set(ROUTES) - NOT_A_PAGE - ELSEWHERE):
        where = address(ROUTES[name], small_site)
        head = page.request.get(where, max_redirects=0)
        if head.status != 200 or "text/html" not in head.headers["content-type"]:
            continue
        if "<html" not in head.text():
            continue  # a part of a page
        page.goto(where)
        looked_at += 1
        try:
            accessible(page)
        except AssertionError as error:
            faults.append(f"{name}: {error}")
    assert not faults, "\n\n".join(faults)
    assert not said
    assert looked_at > 40


def _bad(message) -> bool:
    return message.type == "error"
