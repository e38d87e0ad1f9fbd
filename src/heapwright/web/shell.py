"""What every page has: the site's name, the rooms, the person's units; and who may do what."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.people.models import Units
from heapwright.yard.models import Site

# The five tabs at the bottom edge: route, word, first part of the addresses in that room.
ROOMS = (
    ("yard", gettext_lazy("Yard"), ("", "piles", "outlook")),
    ("receive", gettext_lazy("Stock"), ("stock",)),
    ("mix", gettext_lazy("Mix"), ("mix",)),
    ("prove", gettext_lazy("Proof"), ("proof",)),
    ("more", gettext_lazy("More"), ("more", "set-up")),
)


def page(request: HttpRequest) -> dict[str, Any]:
    """Context processor: what ``base.html`` needs."""
    first = request.path.strip("/").split("/")[0]
    rooms = []
    if request.user.is_authenticated:
        for name, label, paths in ROOMS:
            try:
                href = reverse(name)
            except NoReverseMatch:
                continue
            rooms.append({"href": href, "label": label, "current": first in paths})
    return {
        "site_name": Site.load().name or _("A new yard"),
        "rooms": rooms,
        "units": getattr(request.user, "units", Units.METRIC),
        "demo": settings.DEMO,
    }


View = Callable[..., HttpResponse]


def helper_only(view: View) -> View:
    """Let leads and helpers in, refuse readers with 403."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not getattr(request.user, "may_log", False):
            raise PermissionDenied(_("Your account may read but not write."))
        return view(request, *args, **kwargs)

    return guarded


def lead_only(view: View) -> View:
    """Let leads in, refuse everybody else with 403."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not getattr(request.user, "may_lead", False):
            raise PermissionDenied(_("Only a lead may do this."))
        return view(request, *args, **kwargs)

    return guarded
