"""What a page answers after a form was sent: see-other, with a strip that says what was done."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import resolve_url
from django.urls import reverse

from heapwright.yard.models import Entry


def done(
    request: HttpRequest,
    said: str,
    to: Any,
    *args: Any,
    level: int = messages.SUCCESS,
    undo: Entry | None = None,
) -> HttpResponse:
    """Say what was done and send the person on (303).

    Parameters
    ----------
    said : str
        The sentence of the strip.
    to, args
        A route's name with its arguments, or an address.
    undo : Entry, optional
        The entry that the strip's undo strikes.
    """
    tags = reverse("undo", args=[undo.uuid]) if undo is not None else ""
    messages.add_message(request, level, said, extra_tags=tags)
    return HttpResponseRedirect(resolve_url(to, *args), status=303)
