"""Every address of the pages and the prints, walked with arguments of the small site.

A new route is picked up by itself; one with arguments that nobody gave an example for fails
loudly, so that it cannot be forgotten.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from django.contrib.auth.tokens import default_token_generator
from django.urls import URLPattern, URLResolver, reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode
from tests.web.small_site import SmallSite

from heapwright.urls import urlpatterns

# what each role may POST besides what its own account is about
OWN_ACCOUNT = frozenset({"sign-in", "sign-out", "come-in", "choose-password", "me", "my-password"})
OPEN_TO_ALL = frozenset({"sign-in", "come-in", "choose-password", "set-up", "sign-out"})
NOT_A_PAGE = frozenset({"come-in", "sign-out"})


@dataclass(frozen=True, slots=True)
class Route:
    """A named route and the names of its arguments."""

    name: str
    pattern: str
    arguments: tuple[str, ...]

    @property
    def room(self) -> str:
        return self.pattern.split("/")[0]


def routes(
    patterns: list[URLPattern | URLResolver] | None = None, before: str = ""
) -> Iterator[Route]:
    """Yield every route of the pages and prints; each must have a name."""
    for one in urlpatterns if patterns is None else patterns:
        pattern = before + str(one.pattern)
        if isinstance(one, URLResolver):
            yield from routes(one.url_patterns, pattern)
        else:
            assert one.name, f"{pattern} has no name"
            yield Route(one.name, pattern, tuple(one.pattern.converters))


ROUTES = {route.name: route for route in routes()}


def example(route: Route, site: SmallSite) -> dict[str, object]:
    """Return arguments for a route that name something that is there."""
    special: dict[str, dict[str, object]] = {
        "choose-password": {
            "uidb64": urlsafe_base64_encode(force_bytes(site.helper.pk)),
            "token": default_token_generator.make_token(site.helper),
        },
        "come-in": {"role": "reader"},
        "place": {"code": "B1"},
        "place-retire": {"code": "B4"},
        "source": {"code": "kitchen"},
        "source-retire": {"code": "kitchen"},
        "container": {"code": "tote"},
        "container-retire": {"code": "tote"},
        "material-mend": {"name": "mill_chaff"},
        "material-retire": {"name": "mill_chaff"},
        "material": {"name": "food_scraps_mixed"},
        "measure": {"name": "food_scraps_mixed"},
        "fact-table": {"name": "rules"},
        "fact-source": {"name": "rynk-1992"},
        "bed": {"code": "BED1"},
        "recall": {"code": site.compost.code},
        "pile-act": {"code": site.hot.code, "name": "turn"},
        "entry": {"entry_id": site.helpers_check.uuid},
        "enter-again": {"entry_id": site.helpers_check.uuid},
        "strike": {"entry_id": site.helpers_check.uuid},
        "weather-withdraw": {"got": 1},
    }
    usual: dict[str, object] = {
        "code": site.scraps.code if route.room == "stock" else site.hot.code,
        "username": "helper",
        "entry_id": site.helpers_check.uuid,
        "rule": "NY-W",
    }
    found = special.get(route.name, {})
    found = found or {name: usual[name] for name in route.arguments if name in usual}
    missing = set(route.arguments) - set(found)
    assert not missing, f"say in tests/web/routes.py what {missing} of route {route.name} may be"
    return found


def address(route: Route, site: SmallSite) -> str:
    """Return an address of a route in the small site, with the query that it cannot do without."""
    query = {
        "print-build-sheet": "?place=B1&mass.food_scraps_mixed=60&mass.leaves_loose=70",
        "print-labels": f"?lot={site.hot.code}&lot={site.curing.code}",
    }
    return reverse(route.name, kwargs=example(route, site)) + query.get(route.name, "")
