"""Take a picture of every page at phone and laptop size, and of every print: ``FOLDER``.

The site is the one in ``HEAPWRIGHT_DATA``. Pages are found by following links from the yard as
its first lead sees them, one of each kind: a route, and where a route serves several sorts (a
pile, a stock lot; each short form; each table of facts) one of each. Then the forms of the mix
are pressed. At the end stands which routes have no picture.

``--dark`` takes the dark page, ``--only NAME`` (repeatable) only these routes, ``--as NAME`` what
another person sees, ``--paper`` also what each page looks like on paper. The prints are kept as PDF
and, where ``pdftoppm`` is there, as one picture a sheet.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urldefrag, urljoin, urlsplit
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

SIZES = {"phone": (360, 740), "laptop": (1280, 800)}
CHROMIUM = Path("/usr/bin/chromium")
# routes that serve several sorts of things: the argument that tells which sort it is
SORTS = {
    "pile": "code",
    "prove-lot": "code",
    "print-proof": "code",
    "recall": "code",
    "pile-act": "name",
    "fact-table": "name",
}
NO_PICTURE = frozenset(
    {
        "activate",
        "choose-password",
        "come-in",
        "container-retire",
        "deactivate",
        "material-retire",
        "mix-check",
        "mix-print",
        "photo",
        "place-retire",
        "reset-password",
        "sign-out",
        "source-retire",
        "today-do",
        "undo",
        "weather-fetch",
        "weather-withdraw",
    }
)
"""Routes that answer a press of a button, or with a file; and a link that is used up once."""


class _Quiet(WSGIRequestHandler):
    def log_message(self, *_args: object) -> None:
        """Say nothing."""


@dataclass
class Walk:
    """Where the walk has been and where it has still to go."""

    base: str
    folder: Path
    only: list[str]
    on_paper: bool
    pages: dict[str, Any]
    waiting: deque[str] = field(default_factory=deque)
    seen: set[str] = field(default_factory=set)

    def kind(self, address: str) -> str:
        """Return what kind of page an address is of; empty for none of ours."""
        from django.urls import Resolver404, resolve

        try:
            found = resolve(urlsplit(address).path)
        except Resolver404:
            return ""
        name = found.url_name or "page"
        sort = str(found.kwargs.get(SORTS.get(name, ""), ""))
        if SORTS.get(name) == "code":
            sort = sort.partition("-")[0]
        if name == "print-log-sheet" and "round=1" in address:
            sort = "round"
        return f"{name}-{sort}" if sort else name

    def links(self) -> Iterator[str]:
        """Yield the site's addresses that the page of the phone leads to."""
        page = self.pages["phone"]
        for link in page.eval_on_selector_all(
            "a[href]", "all => all.map(one => one.getAttribute('href'))"
        ):
            target = urldefrag(urljoin(page.url, link))[0]
            if target.startswith(self.base) and "format=csv" not in target:
                yield target

    def wanted(self, kind: str) -> bool:
        """Tell whether a picture of this kind was asked for."""
        return not self.only or any(kind == one or kind.startswith(f"{one}-") for one in self.only)

    def visit(self, address: str, kind: str = "") -> None:
        """Take the pictures of an address, unless one of its kind was taken."""
        kind = kind or self.kind(address)
        if not kind or kind in self.seen:
            return
        answer = self.pages["phone"].request.get(address)
        content = answer.headers.get("content-type", "")
        if content == "application/pdf":
            kind = self.kind(answer.url)
            self.seen.add(kind)
            if self.wanted(kind):
                sheet(self.folder / f"{kind}.pdf", answer.body())
                print(kind, address.removeprefix(self.base))
            return
        if "text/html" not in content or self.kind(answer.url) not in ("", self.kind(address)):
            return
        self.seen.add(kind)
        for size, page in self.pages.items():
            page.goto(address)
            if size == "phone":
                self.waiting.extend(self.links())
            if self.wanted(kind):
                self.take(kind, size)
        if self.wanted(kind):
            print(kind, address.removeprefix(self.base)[:120])

    def take(self, kind: str, size: str) -> None:
        """Take the picture of the page as it stands."""
        page, (width, height) = self.pages[size], SIZES[size]
        for _ in range(3):  # what is a share of the window's height grows with it
            tall = page.evaluate("document.documentElement.scrollHeight")
            page.set_viewport_size({"width": width, "height": max(tall, height)})
        page.screenshot(path=self.folder / f"{kind}-{size}.png", full_page=True)
        page.set_viewport_size({"width": width, "height": height})
        if self.on_paper and size == "laptop":
            page.pdf(path=self.folder / f"{kind}-on-paper.pdf", format="A4")

    def press(self, start: str, button: str) -> None:
        """Open a page, press a button that only asks, and take what comes."""
        page = self.pages["phone"]
        page.goto(self.base + start)
        found = page.get_by_role("button", name=button, exact=True)
        if not found.count():
            return
        action = found.first.get_attribute("formaction")
        href = page.eval_on_selector(
            "#mix-form", "(form, to) => to + '?' + new URLSearchParams(new FormData(form))", action
        )
        self.visit(self.base + href)


def sheet(path: Path, data: bytes) -> None:
    """Keep a print, and a picture of each of its sheets."""
    path.write_bytes(data)
    if shutil.which("pdftoppm"):
        subprocess.run(["pdftoppm", "-r", "80", "-png", path, path.with_suffix("")], check=True)


def serve() -> WSGIServer:
    """Serve the site and its static files from this process."""
    from django.contrib.staticfiles.handlers import StaticFilesHandler
    from django.core.wsgi import get_wsgi_application

    server = make_server(
        "127.0.0.1", 0, StaticFilesHandler(get_wsgi_application()), handler_class=_Quiet
    )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def signed_in(username: str) -> str:
    """Return the session cookie of a person, the first lead if none is named."""
    from django.test import Client

    from heapwright.people.models import Role, User

    people = User.objects.filter(is_active=True)
    if username:
        person = people.get(username=username)
    else:
        person = people.filter(role=Role.LEAD).earliest("id")
    client = Client()
    client.force_login(person)
    return client.cookies["sessionid"].value


def no_picture(seen: set[str]) -> list[str]:
    """Return the names of the routes that have no picture and could have one."""
    from django.urls import get_resolver

    names = {name for name in get_resolver().reverse_dict if isinstance(name, str)}
    return sorted(
        name
        for name in names - NO_PICTURE
        if not any(kind == name or kind.startswith(f"{name}-") for kind in seen)
    )


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--dark", action="store_true")
    parser.add_argument("--only", action="append", default=[])
    parser.add_argument("--as", default="", dest="username")
    parser.add_argument("--paper", action="store_true", dest="on_paper")
    asked = parser.parse_args()

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "heapwright.settings")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"  # Playwright runs a loop in this thread
    import django

    django.setup()
    from django.urls import reverse
    from playwright.sync_api import sync_playwright

    from heapwright.yard.models import OwnMaterial

    asked.folder.mkdir(parents=True, exist_ok=True)
    server = serve()
    base = f"http://127.0.0.1:{server.server_port}"
    cookie = {"name": "sessionid", "value": signed_in(asked.username), "url": base}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM if CHROMIUM.exists() else None,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        walk = Walk(base, asked.folder, asked.only, asked.on_paper, {})
        for size, (width, height) in SIZES.items():
            context = browser.new_context(
                viewport={"width": width, "height": height},
                color_scheme="dark" if asked.dark else "light",
            )
            walk.pages[size] = context.new_page()
        walk.visit(f"{base}/sign-in/")
        for page in walk.pages.values():
            page.context.add_cookies([cookie])
        walk.waiting.append(f"{base}/")
        for own in OwnMaterial.objects.all()[:1]:
            walk.waiting.append(base + reverse("material-mend", args=[own.code]))
        while walk.waiting:
            walk.visit(walk.waiting.popleft())
        for button in (
            "Look ahead, and ask what if",
            "Build it",
            "Add to a pile that is filling",
            "Print the build sheet",
        ):
            walk.press(reverse("mix"), button)
        walk.visit(f"{base}/nowhere/", "not-there")
        print("No picture of:", ", ".join(no_picture(walk.seen)) or "none")
        browser.close()
    server.shutdown()


if __name__ == "__main__":
    main()
