"""What the pages of this room share: units, the site's clock, ways into other rooms."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial, wraps
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from heapwright.people.models import Units
from heapwright.web.measures import with_unit
from heapwright.web.telling import Teller
from heapwright.yard.models import Entry, Site
from heapwright.yard.today import Say


def system_of(request: HttpRequest) -> str:
    """Return the units of the person who reads."""
    return str(getattr(request.user, "units", Units.METRIC))


def say_in(system: str) -> Say:
    """Return how a figure is shown in these units."""
    return partial(with_unit, system=system)


def code_words(code: str) -> SafeString:
    """Return a lot's code so that it is never broken in two."""
    return format_html('<span class="code">{}</span>', code)


def told(entry: Entry, tell: Teller) -> str:
    """Return an entry as a sentence: what kind of act, and what it says."""
    kind = str(entry.get_kind_display())
    return f"{kind[:1].upper()}{kind[1:]}: {tell(entry)}"


def site_clock(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """Show every time on a page by the site's clock."""

    @wraps(view)
    def by_the_site(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        with timezone.override(Site.load().tz):
            return view(request, *args, **kwargs)

    return by_the_site


def way(name: str, *args: object) -> str:
    """Return the address of a route, empty where this installation has no such room."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""
