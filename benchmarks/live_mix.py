"""A change of an amount on the Mix page until the answer is there: properties, spread, chance.

What the page's script asks for while a finger moves: the same amounts but one, of the stock of
a site with ten years of records. The peer is the bare address of ``benchmarks.pages``: Django,
the middleware and one query.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any, Final
from urllib.parse import urlencode

from benchmarks import pages

CHANGES: Final = 40
BAR_S: Final = 0.100


def run() -> Iterator[dict[str, Any]]:
    """Yield one row: p95 of the answers to changes of each amount in turn, against the peer."""
    with pages.site():
        ours, peer = measure(CHANGES)
        ours_s = statistics.quantiles(ours, n=20, method="inclusive")[-1]
        peer_s = statistics.median(peer)
        yield {
            "name": "an amount changed on Mix, answered with properties, spread and chance",
            "ours_s": ours_s,
            "peer_s": peer_s,
            "ratio": ours_s / peer_s,
            "bar": f"p95 under {1000 * BAR_S:.0f} ms",
            "met": ours_s < BAR_S,
        }


def measure(changes: int) -> tuple[list[float], list[float]]:
    """Change an amount so many times; return the seconds of each answer and of the peer."""
    from django.test import Client
    from django.urls import reverse

    from heapwright.people.models import User

    client = Client()
    client.force_login(User.objects.get(username="lead"))
    form = Form()
    form.feed(client.get(reverse("mix")).content.decode())
    amounts = [name for name in form.said if name.startswith("amount.")]
    answers, ours, peer = set(), [], []
    for number in range(changes):
        name = amounts[number % len(amounts)]
        now = float(form.said[name] or 0) + 1 + number // len(amounts)
        where = f"{reverse('mix-check')}?{urlencode(form.said | {name: f'{now:g}'}, doseq=True)}"
        ours.append(pages.ask(client, where))
        peer.append(pages.ask(client, "/bare/"))
        answers.add(client.get(where).content)
    if len(answers) < changes:
        raise RuntimeError("two different amounts have the same answer")
    return ours, peer


class Form(HTMLParser):
    """Reads what the page's script sends of the form that it follows: each field's values."""

    def __init__(self) -> None:
        super().__init__()
        self.said: dict[str, Any] = {}
        self._inside = False
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        name = given.get("name") or ""
        if tag == "form":
            self._inside = "data-check" in given
        elif tag == "select":
            self._select = name
        elif self._inside and tag == "option" and "selected" in given:
            self.said[self._select] = given.get("value")
        elif self._inside and tag == "input" and name:
            box = given.get("type") in ("checkbox", "radio")
            if not box:
                self.said[name] = given.get("value") or ""
            elif "checked" in given:
                self.said.setdefault(name, []).append(given.get("value") or "on")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False
