"""Take a picture of every page of a site at phone and laptop size: ``pictures.py FOLDER``.

The site is the one in ``HEAPWRIGHT_DATA``. Pages are found by following links from the yard as
its first lead sees them, one page a route. ``--dark`` takes the dark page, ``--only NAME``
(repeatable) only these routes, ``--print`` also what each page looks like on paper.
"""

from __future__ import annotations

import argparse
import os
import threading
from collections import deque
from pathlib import Path
from urllib.parse import urldefrag, urljoin, urlsplit
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

SIZES = {"phone": (360, 740), "laptop": (1280, 800)}
CHROMIUM = Path("/usr/bin/chromium")


class _Quiet(WSGIRequestHandler):
    def log_message(self, *_args: object) -> None:
        """Say nothing."""


def serve() -> WSGIServer:
    """Serve the site and its static files from this process."""
    from django.contrib.staticfiles.handlers import StaticFilesHandler
    from django.core.wsgi import get_wsgi_application

    server = make_server(
        "127.0.0.1", 0, StaticFilesHandler(get_wsgi_application()), handler_class=_Quiet
    )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def signed_in() -> str:
    """Return the session cookie of the first lead."""
    from django.test import Client

    from heapwright.people.models import Role, User

    client = Client()
    client.force_login(User.objects.filter(role=Role.LEAD, is_active=True).earliest("id"))
    return client.cookies["sessionid"].value


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--dark", action="store_true")
    parser.add_argument("--only", action="append", default=[])
    parser.add_argument("--print", action="store_true", dest="on_paper")
    asked = parser.parse_args()

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "heapwright.settings")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"  # Playwright runs a loop in this thread
    import django

    django.setup()
    from django.urls import Resolver404, resolve
    from playwright.sync_api import sync_playwright

    asked.folder.mkdir(parents=True, exist_ok=True)
    server = serve()
    base = f"http://127.0.0.1:{server.server_port}"
    cookie = {"name": "sessionid", "value": signed_in(), "url": base}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM if CHROMIUM.exists() else None,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        pages = {}
        for size, (width, height) in SIZES.items():
            context = browser.new_context(
                viewport={"width": width, "height": height},
                color_scheme="dark" if asked.dark else "light",
            )
            pages[size] = context.new_page()
            pages[size].goto(f"{base}/sign-in/")
            pages[size].screenshot(path=asked.folder / f"sign-in-{size}.png", full_page=True)
            context.add_cookies([cookie])
        waiting, seen = deque([f"{base}/"]), {"sign-in"}
        while waiting:
            address = waiting.popleft()
            try:
                name = resolve(urlsplit(address).path).url_name or "page"
            except Resolver404:
                continue
            if name in seen:
                continue
            answer = pages["phone"].request.get(address)
            if "text/html" not in answer.headers.get("content-type", ""):
                continue
            seen.add(name)
            for size, page in pages.items():
                page.goto(address)
                if size == "phone":
                    for link in page.eval_on_selector_all(
                        "a[href]", "all => all.map(one => one.getAttribute('href'))"
                    ):
                        target = urldefrag(urljoin(address, link))[0]
                        if target.startswith(base) and "format=csv" not in target:
                            waiting.append(target)
                if asked.only and name not in asked.only:
                    continue
                tall = page.evaluate("document.documentElement.scrollHeight")
                page.set_viewport_size({"width": SIZES[size][0], "height": tall})
                page.screenshot(path=asked.folder / f"{name}-{size}.png", full_page=True)
                page.set_viewport_size(dict(zip(("width", "height"), SIZES[size], strict=True)))
                if asked.on_paper and size == "laptop":
                    page.pdf(path=asked.folder / f"{name}.pdf", format="A4")
            if not asked.only or name in asked.only:
                print(name, urlsplit(address).path)
        browser.close()
    server.shutdown()


if __name__ == "__main__":
    main()
