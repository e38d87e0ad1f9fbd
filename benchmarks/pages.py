"""Every page of a site with ten years of records, asked for by the lead of a warm server.

Ours is the 95th percentile over rounds that ask for all pages in turn, and for some of them
again when something has been written. The peer is an address of the same server, through the
same middleware, that makes one query and answers with a word: what Django itself asks for. The
site is told once and kept in the user's cache folder;
``HEAPWRIGHT_DECADE`` may name a database file with another one.
"""

from __future__ import annotations

import os
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any, Final
from unittest.mock import patch

ROUNDS: Final = 20
BAR_S: Final = 0.100
BAR_KB: Final = 150.0
NOW: Final = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
"""When the records end, and what the clock of the server says: the same piles each time."""

_CHART: Final = re.compile(rb'<svg[^>]*class="chart".*?</svg>', re.DOTALL)


@dataclass(frozen=True, slots=True)
class Measured:
    """A page: seconds of each round, kilobytes with its charts left out."""

    name: str
    address: str
    seconds: tuple[float, ...]
    kilobytes: float

    @property
    def p95_s(self) -> float:
        """Return the 95th percentile of the rounds."""
        return statistics.quantiles(self.seconds, n=20, method="inclusive")[-1]


def run() -> Iterator[dict[str, Any]]:
    """Yield a row a page: p95, the peer's median in the same run, their ratio, the bars."""
    with site():
        pages, peer_s = measure(ROUNDS)
        for page in sorted(pages, key=lambda one: -one.p95_s):
            yield {
                "name": f"{page.name} ({page.kilobytes:.0f} kB)",
                "ours_s": page.p95_s,
                "peer_s": peer_s,
                "ratio": page.p95_s / peer_s,
                "bar": f"p95 under {1000 * BAR_S:.0f} ms, under {BAR_KB:.0f} kB before charts",
                "met": page.p95_s < BAR_S and page.kilobytes < BAR_KB,
            }


@contextmanager
def site() -> Iterator[None]:
    """Open the site of ten years in this process, with the clock stopped where it ends."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["HEAPWRIGHT_DATA"] = folder
        os.environ["DJANGO_SETTINGS_MODULE"] = "heapwright.settings"

        import django

        django.setup()

        from django.conf import settings
        from django.core.management import call_command
        from django.db import connection
        from django.urls import get_resolver

        from heapwright.cli.site import set_apart
        from heapwright.demo import decade

        given = os.environ.get("HEAPWRIGHT_DECADE")
        database = Path(settings.DATABASES["default"]["NAME"])
        if given:
            database.write_bytes(Path(given).read_bytes())
        else:
            decade.make(database, NOW, _told)
        call_command("migrate", verbosity=0)
        settings.ALLOWED_HOSTS = ["testserver"]
        settings.ROOT_URLCONF = _with_the_peer()
        settings.FORECASTS = "inline"  # the first round computes them, none runs beside the others
        list(get_resolver().url_patterns)
        set_apart()  # as the server does before it listens
        with patch("django.utils.timezone.now", return_value=NOW):
            yield
        connection.close()


def _told(share: float) -> None:
    """Say on a terminal how far the ten years are told."""
    if sys.stderr.isatty():
        print(f"\rtelling ten years, once: {share:4.0%}", end="", file=sys.stderr)


def _with_the_peer() -> ModuleType:
    """Return the site's addresses and one of Django alone: a query and a word."""
    from django.http import HttpRequest, HttpResponse
    from django.urls import path

    from heapwright.urls import urlpatterns
    from heapwright.yard.models import Site

    def bare(_request: HttpRequest) -> HttpResponse:
        return HttpResponse(Site.objects.values_list("name", flat=True).get(id=1))

    urls = ModuleType("benchmarks.pages_urls")
    urls.urlpatterns = [*urlpatterns, path("bare/", bare)]  # type: ignore[attr-defined]
    return urls


def addresses(client: Any) -> dict[str, str]:
    """Return what is asked for by name: every route that is a page, on records of all ages."""
    from django.urls import URLPattern, URLResolver, get_resolver, reverse

    said = _arguments()
    proposed = client.get(reverse("mix-print"))["Location"].partition("?")[2]
    said["print-build-sheet"] = [("", {}, f"?{proposed}")]

    def walk(patterns: list[URLPattern | URLResolver]) -> Iterator[tuple[str, list[str]]]:
        for one in patterns:
            if isinstance(one, URLResolver):
                yield from walk(one.url_patterns)
            elif one.name:
                yield one.name, [*one.pattern.converters]

    found = {}
    for name, arguments in walk(get_resolver().url_patterns):
        if name in _NO_PAGE:
            continue
        if arguments and name not in said:
            raise RuntimeError(f"say in benchmarks/pages.py what the route {name} is asked for")
        ways = said.get(name) or [("", {}, "")]
        for note, values, query in ways:
            found[" ".join(filter(None, (name, note)))] = _address(name, values) + query
    return found


_NO_PAGE: Final = frozenset(
    # takes an argument and a POST only, signs out, needs the token of a letter, is a picture
    {"undo", "activate", "deactivate", "reset-password", "place-retire", "source-retire",
     "container-retire", "material-retire", "material-mend", "weather-withdraw", "sign-out",
     "come-in", "choose-password", "photo"}
)  # fmt: skip

Ways = list[tuple[str, dict[str, Any], str]]


def _address(name: str, values: dict[str, Any]) -> str:
    from django.urls import reverse

    return reverse(name, kwargs=values)


def _arguments() -> dict[str, Ways]:
    """Return for each route that takes something what it is asked for: note, values, query."""
    from heapwright.yard import state
    from heapwright.yard.models import Container, Entry, Flow, Kind, Lot, LotKind, Place, Source

    standing = state.state_at()

    def stands(kind: str, stage: str = "") -> str:
        return next(
            one.code for one in standing if one.kind == kind and (not stage or one.stage == stage)
        )

    busiest = Flow.objects.filter(to_lot__kind=LotKind.OVERS).values_list("to_lot", flat=True)
    ids = list(busiest)
    overs = Lot.objects.get(id=max(set(ids), key=ids.count)).code
    lots = {
        "hot": stands("pile", "hot"),
        "curing": stands("pile", "curing"),
        "stock": stands("stock"),
        "compost": Lot.objects.filter(kind=LotKind.COMPOST).latest("id").code,
        "overs of years": overs,
        "first pile": Lot.objects.filter(kind=LotKind.PILE).earliest("id").code,
        "first delivery": Lot.objects.filter(kind=LotKind.STOCK).earliest("id").code,
    }
    entry = Entry.objects.filter(kind=Kind.BUILD).latest("id").uuid
    bed = Flow.objects.filter(to_place__isnull=False).latest("id").to_place.code
    acts = {"turn": "hot", "wet": "hot", "move": "hot", "cover": "hot", "discard": "hot"}
    past, decade = "?on=2021-06-15", "since=2016-01-01&until=2026-11-25"
    return {
        "yard": [("", {}, ""), ("on a past day", {}, past)],
        "pile": [(note, {"code": code}, "") for note, code in lots.items()]
        + [(f"{note}, all of it", {"code": lots[note]}, "?made=all") for note in
           ("hot", "overs of years", "compost")],
        "compare": [("", {"code": lots["hot"]}, "")],
        "pile-log": [("", {"code": lots["hot"]}, "")],
        "pile-act": [(act, {"code": lots[of], "name": act}, "") for act, of in acts.items()],
        "delivery-new": [("", {}, ""), ("of a source", {}, f"?source={_first(Source)}")],
        "deliveries": [("", {}, ""), ("of ten years", {}, f"?{decade}")],
        "contamination": [("", {}, ""), ("of ten years", {}, f"?{decade}")],
        "prove-lot": [(note, {"code": lots[note]}, "") for note in
                      ("hot", "curing", "compost", "first pile")],
        "person": [("", {"username": "helper"}, "")],
        "place": [("", {"code": _first(Place)}, "")],
        "source": [("", {"code": _first(Source)}, "")],
        "container": [("", {"code": _first(Container)}, "")],
        "material": [("", {"name": "food_scraps_mixed"}, "")],
        "measure": [("", {"name": "food_scraps_mixed"}, "")],
        "fact-table": [("rules", {"name": "rules"}, ""), ("materials", {"name": "materials"}, "")],
        "fact-source": [("", {"name": "rynk-1992"}, "")],
        "bed": [("", {"code": bed}, "")],
        "recall": [(note, {"code": code}, "") for note, code in lots.items()],
        "entries": [("", {}, ""), ("last page", {}, "?page=687"),
                    ("of a lot", {}, f"?lot={overs}"), ("of a kind", {}, "?kind=build")],
        "entry": [("", {"entry_id": entry}, "")],
        "strike": [("", {"entry_id": entry}, "")],
        "enter-again": [("", {"entry_id": entry}, "")],
        "audit": [("", {}, ""), ("every lot", {}, "?every")],
        "print-proof": [("", {"code": lots["compost"]}, "?rule=NY-W")],
        "print-labels": [("", {}, f"?lot={lots['hot']}&lot={lots['curing']}")],
        "print-label": [("", {"code": lots["hot"]}, "")],
    }  # fmt: skip


def _first(model: Any) -> str:
    return str(model.objects.order_by("id").values_list("code", flat=True)[0])


def measure(rounds: int, only: str = "") -> tuple[list[Measured], float]:
    """Ask for every page, once to warm up and then so many rounds; return them and the peer's s."""
    from django.test import Client

    from heapwright.people.models import User

    client = Client()
    client.force_login(User.objects.get(username="lead"))
    asked = {name: where for name, where in addresses(client).items() if only in name}
    sizes: dict[str, float] = {}
    for name, where in list(asked.items()):
        answer = client.get(where)
        if answer.status_code == 405:  # takes a POST only
            del asked[name]
            continue
        if answer.status_code not in (200, 302):
            raise RuntimeError(f"{where} answers {answer.status_code}")
        sizes[name] = 0.0
        if answer.get("Content-Type", "").startswith("text/html"):
            sizes[name] = len(_CHART.sub(b"", answer.content)) / 1000.0
    taken: dict[str, list[float]] = {name: [] for name in asked}
    later: dict[str, list[float]] = {name: [] for name in AFTER if name in asked}
    bare: list[float] = []
    for _ in range(rounds):
        for name, where in asked.items():
            taken[name].append(ask(client, where))
            bare.append(ask(client, "/bare/"))
    for number in range(rounds):
        for name in later:
            write(number)
            later[name].append(ask(client, asked[name]))
    return (
        [Measured(name, asked[name], tuple(taken[name]), sizes[name]) for name in asked]
        + [
            Measured(f"{name}, after a delivery", asked[name], tuple(later[name]), sizes[name])
            for name in later
        ],
        statistics.median(bare),
    )


AFTER: Final = ("yard", "receive", "pile hot", "recall overs of years", "print-proof", "audit")
"""Pages that rest on what is kept in memory, asked for also when something has been written."""


def write(number: int) -> None:
    """Log a delivery, so that whatever is kept of the books no longer holds.

    Of scraps: dry stock would change what forecasts advise, which are computed inline here.
    """
    from heapwright.people.models import User
    from heapwright.yard.amounts import Quantity
    from heapwright.yard.models import Place, Source
    from heapwright.yard.receive import DeliveryLine, ReceiveDelivery, receive_delivery

    line = DeliveryLine(
        material="food_scraps_mixed",
        quantity=Quantity(mass_kg=5.0 + number, known="weighed"),
        place=Place.objects.filter(kind="stockpile").order_by("id")[0].code,
    )
    act = ReceiveDelivery(happened_at=NOW, source=_first(Source), lines=(line,))
    receive_delivery(act, User.objects.get(username="lead"), now=NOW)


def ask(client: Any, where: str) -> float:
    """Return the seconds until a page is there."""
    begin = time.perf_counter()
    client.get(where)
    return time.perf_counter() - begin
