"""More: everything that has no tab of its own, by the seven verbs."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

EVERYBODY, HELPERS, LEADS = "", "may_log", "may_lead"

INDEX: Final[tuple[tuple[Any, tuple[tuple[str, Any, Any, str], ...]], ...]] = (
    (
        gettext_lazy("Receive"),
        (
            (
                "deliveries",
                gettext_lazy("Deliveries"),
                gettext_lazy("what came in, day by day"),
                EVERYBODY,
            ),
            (
                "contamination",
                gettext_lazy("Contamination"),
                gettext_lazy("by source: what did not belong"),
                EVERYBODY,
            ),
            ("sources", gettext_lazy("Sources"), gettext_lazy("who gives"), EVERYBODY),
            (
                "containers",
                gettext_lazy("Containers"),
                gettext_lazy("what is counted in"),
                EVERYBODY,
            ),
        ),
    ),
    (
        gettext_lazy("Mix"),
        (
            (
                "materials",
                gettext_lazy("Materials"),
                gettext_lazy("our own, and what we measured"),
                EVERYBODY,
            ),
        ),
    ),
    (
        gettext_lazy("Tend"),
        (
            ("places", gettext_lazy("Places"), gettext_lazy("the plan, bay by bay"), EVERYBODY),
            (
                "weather",
                gettext_lazy("Weather"),
                gettext_lazy("the rain gauge, files, the forecast"),
                EVERYBODY,
            ),
            (
                "water",
                gettext_lazy("Water"),
                gettext_lazy("cover it, dry it, wet it: how much"),
                EVERYBODY,
            ),
        ),
    ),
    (
        gettext_lazy("Prove"),
        (
            (
                "yardstick",
                gettext_lazy("What proofs are judged by"),
                gettext_lazy("the rule, the method, the probe’s error"),
                EVERYBODY,
            ),
            ("sample", gettext_lazy("Samples"), gettext_lazy("log that one was taken"), HELPERS),
            (
                "result",
                gettext_lazy("Results"),
                gettext_lazy("log what the laboratory found"),
                HELPERS,
            ),
            (
                "facts",
                gettext_lazy("Facts and sources"),
                gettext_lazy("rules, materials, limits, and what they rest on"),
                EVERYBODY,
            ),
        ),
    ),
    (
        gettext_lazy("Use"),
        (
            ("beds", gettext_lazy("Beds"), gettext_lazy("what each has had"), EVERYBODY),
            ("use", gettext_lazy("Use compost"), gettext_lazy("on a bed, or given away"), HELPERS),
            (
                "recall-index",
                gettext_lazy("Recall"),
                gettext_lazy("trace a lot back and on"),
                EVERYBODY,
            ),
        ),
    ),
    (
        gettext_lazy("Account"),
        (
            (
                "entries",
                gettext_lazy("Entries"),
                gettext_lazy("everything that happened, the struck too"),
                EVERYBODY,
            ),
            (
                "audit",
                gettext_lazy("Audit"),
                gettext_lazy("does every kilogram add up"),
                EVERYBODY,
            ),
            ("labour", gettext_lazy("Hours"), gettext_lazy("log work"), HELPERS),
            ("fuel", gettext_lazy("Fuel and power"), gettext_lazy("log what was burnt"), HELPERS),
        ),
    ),
    (
        gettext_lazy("The site"),
        (
            ("site", gettext_lazy("The site"), gettext_lazy("name, time zone, plan"), LEADS),
            ("people", gettext_lazy("People"), gettext_lazy("who may come in"), LEADS),
            (
                "set-up-standing",
                gettext_lazy("What stood already"),
                gettext_lazy("piles and stock from before these records"),
                LEADS,
            ),
            (
                "set-up",
                gettext_lazy("Set-up"),
                gettext_lazy("the first-time walk, step by step"),
                LEADS,
            ),
            (
                "me",
                gettext_lazy("Your page"),
                gettext_lazy("units, language, password"),
                EVERYBODY,
            ),
        ),
    ),
)


@require_safe
def more(request: HttpRequest) -> HttpResponse:
    """List all that is here for this person, one line each."""
    groups = []
    for verb, lines in INDEX:
        shown = [
            {"href": href, "name": name, "what": what}
            for route, name, what, who in lines
            if (not who or getattr(request.user, who)) and (href := _href(route))
        ]
        if shown:
            groups.append({"verb": verb, "lines": shown})
    return render(request, "heapwright/more/more.html", {"groups": groups})


def _href(route: str) -> str:
    try:
        return reverse(route)
    except NoReverseMatch:
        return ""
