"""A real browser on a live server with a small site of records.

``browser_page(width)``
    A new page, 360 × 740 or 1280 × 800; ``scripts=False`` switches scripts off, ``dark=True``
    asks for the dark page.
``sign_in(page, username)``
    Sign the page's visitor in as lead, helper or reader of ``small_site``, without the form.
``live_url``
    Address of the server, without a slash at the end; ``page.goto("/…")`` needs it not.
``accessible(page)``
    Assert that axe finds no violation of WCAG 2.2 AA and that the page does not scroll sideways.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.test import Client
from playwright.sync_api import Browser, Page
from tests.web import small_site as the_small_site

from heapwright.people.models import User

# Playwright's synchronous interface keeps an event loop in this thread, where Django would
# refuse the database; nothing here runs at the same time in one thread.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

HEIGHTS = {360: 740, 1280: 800}
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture
def live_url(live_server) -> str:
    return live_server.url


@pytest.fixture
def small_site(transactional_db) -> the_small_site.SmallSite:
    return the_small_site.make()


@pytest.fixture
def browser_page(chromium: Browser, live_url: str) -> Iterator[Callable[..., Page]]:
    contexts = []

    def open_page(width: int, *, scripts: bool = True, dark: bool = False) -> Page:
        context = chromium.new_context(
            base_url=live_url,
            viewport={"width": width, "height": HEIGHTS[width]},
            java_script_enabled=scripts,
            color_scheme="dark" if dark else "light",
            reduced_motion="reduce",
            service_workers="allow",
        )
        context.set_default_timeout(15_000)
        contexts.append(context)
        return context.new_page()

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture
def sign_in(live_url: str) -> Callable[[Page, str], None]:
    def signed_in(page: Page, username: str) -> None:
        client = Client()
        client.force_login(User.objects.get(username=username))
        cookie = client.cookies["sessionid"].value
        page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_url}])

    return signed_in


@pytest.fixture(scope="session")
def accessible() -> Callable[[Page], None]:
    axe = Axe()

    def check(page: Page) -> None:
        found = axe.run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
        assert found.violations_count == 0, f"{page.url}\n{found.generate_report()}"
        wide = page.evaluate(
            "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
        )
        assert wide[0] <= wide[1], f"{page.url} scrolls sideways: {wide[0]} px in {wide[1]} px"

    return check
