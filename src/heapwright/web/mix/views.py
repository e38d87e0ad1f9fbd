"""The mix: what is on hand, what is proposed, and what a change of an amount does."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import NoReverseMatch, reverse
from django.views.decorators.http import require_safe

from heapwright.web.measures import LIQUID
from heapwright.web.mix.answer import answer
from heapwright.web.mix.asked import Asked, ask
from heapwright.web.mix.forms import AMOUNT
from heapwright.web.mix.words import on_hand_words
from heapwright.web.receive.stock import can_wait, left_out


@require_safe
def mix(request: HttpRequest) -> HttpResponse:
    """Propose a mix, or work out the amounts that a person states in the query."""
    asked = ask(request.GET, request.user)
    return render(
        request,
        "heapwright/mix/mix.html",
        {
            "form": asked.form,
            "asked": asked,
            "amounts": _amounts(asked),
            "left_out": left_out(asked.supply.left_out),
            "liquid_unit": LIQUID[asked.form.system].sign,
            "answer": answer(asked),
            "may_print": _sheet_address() != "",
        }
        | {"units": asked.form.system},
    )


@require_safe
def check(request: HttpRequest) -> HttpResponse:
    """Return the parts of the page that follow a changed amount."""
    asked = ask(request.GET, request.user)
    shown = {"answer": answer(asked), "asked": asked, "form": asked.form}
    found = render(request, "heapwright/mix/follows.html", shown | {"units": asked.form.system})
    found["Cache-Control"] = "no-store"
    return found


@require_safe
def print_sheet(request: HttpRequest) -> HttpResponse:
    """Send the person on to the printed build sheet of these amounts."""
    asked = ask(request.GET, request.user)
    to = _sheet_address()
    if asked.worked is None or not to:
        return HttpResponseRedirect(f"{reverse('mix')}?{request.GET.urlencode()}")
    return HttpResponseRedirect(f"{to}?{asked.worked.plan.query()}")


def _sheet_address() -> str:
    try:
        return reverse("print-build-sheet")
    except NoReverseMatch:
        return ""


def _amounts(asked: Asked) -> dict[str, list[dict[str, Any]]]:
    """Return the fields of the amounts, those that are used before those that are not."""
    used, unused = [], []
    for name, one in asked.form.on_hand.items():
        field = asked.form[AMOUNT + name]
        row = {
            "field": field,
            "unit": asked.form.unit_of(one),
            "steps": asked.form.counts(one),
            "there": on_hand_words(one, asked.form.system),
            "wait": can_wait(one.lots[0]),
        }
        typed = str(field.value() or "").strip()
        (used if field.errors or typed not in ("", "0") else unused).append(row)
    return {"used": used, "unused": unused}
