"""The prints over the web: each a PDF, in the person's units and on the paper asked for."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any, cast

from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from heapwright import units as si
from heapwright.errors import HeapwrightError, InputError
from heapwright.files.table import parse_number
from heapwright.people.models import Units
from heapwright.reports import build_sheet as sheets
from heapwright.reports import of_lot
from heapwright.science.periods import Stated
from heapwright.yard import heap_shape, recipe_plan
from heapwright.yard.errors import NotFoundError
from heapwright.yard.models import Site


@require_safe
def proof(request: HttpRequest, code: str) -> HttpResponse:
    """The proof of a lot by the rule asked for, with what the person states beside the log."""
    return _pdf(lambda: _proof(request, code), f"proof-{code}")


def _proof(request: HttpRequest, code: str) -> bytes:
    system = _units(request)
    as_of = _as_of(request.GET.get("on", ""))
    usual_rule, usual = of_lot.usual(code, request.GET.get("rule", ""), as_of=as_of)
    return of_lot.proof_pdf(
        code,
        usual_rule.id,
        paper=_paper(request),
        units=system,
        stated=_stated(request.GET, system, usual),
        as_of=as_of,
    )


def _as_of(text: str) -> datetime | None:
    """Return the end of a past day; None for today, or for none.

    Raises
    ------
    InputError
        If it is no day, or one to come.
    """
    if not text:
        return None
    tz, now = Site.load().tz, timezone.now()
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise InputError(f"“{text}” is no day such as 2026-03-17", column="on") from None
    if day > now.astimezone(tz).date():
        raise InputError(f"{text} has not come yet", column="on")
    end = datetime.combine(day + timedelta(days=1), time(), tz) - timedelta(seconds=1)
    return None if end >= now else end


@require_safe
def build_sheet(request: HttpRequest) -> HttpResponse:
    """The build sheet of the mix that the query states, as the Mix page writes it."""
    return _pdf(lambda: _build_sheet(request), "build-sheet")


def _build_sheet(request: HttpRequest) -> bytes:
    worked = recipe_plan.work_out(recipe_plan.plan_of(request.GET))
    if worked.recipe.mix is None:
        raise InputError("a build sheet needs a mix; work one out first")
    place, site = worked.plan.place, Site.load()
    containers = {
        one.id: sheets.ContainerOf(
            one.container.name, one.container_kg / 2, 1000 * one.container.volume_m3
        )
        for one in worked.of.on_hand
        if one.container and one.container_kg
    }
    ground_m2 = heap_shape.footprint_m2(place, worked.recipe.mix.volume_m3)
    data = sheets.from_recipe(
        worked.recipe,
        worked.plan.limits,
        worked.layers,
        containers,
        site=site.name,
        place=place.name,
        printed_at=timezone.now().astimezone(site.tz),
        width_m=place.width_m,
        depth_m=ground_m2 / place.width_m,
    )
    return sheets.build_sheet(data, paper=_paper(request), units=_units(request))


@require_safe
def log_sheet(request: HttpRequest) -> HttpResponse:
    """A log sheet for the lots asked for (``lot``, repeatable), or a blank one.

    With ``round=1`` it is one row a lot, for a walk around all of them.
    """
    codes = request.GET.getlist("lot")
    return _pdf(
        lambda: of_lot.log_sheet_pdf(
            codes,
            paper=_paper(request),
            units=_units(request),
            rule_id=request.GET.get("rule", ""),
            urls=_form_addresses(request, codes),
            as_round=request.GET.get("round") == "1",
        ),
        "log-sheet",
    )


@require_safe
def label(request: HttpRequest, code: str) -> HttpResponse:
    """The stake label of a lot; its code opens the pile's entry form."""
    return _labels(request, [code], f"label-{code}")


@require_safe
def labels(request: HttpRequest) -> HttpResponse:
    """The stake labels of the lots asked for (``lot``, repeatable), four to a page."""
    return _labels(request, request.GET.getlist("lot"), "labels")


def _labels(request: HttpRequest, codes: list[str], name: str) -> HttpResponse:
    return _pdf(
        lambda: of_lot.label_pdf(
            codes, paper=_paper(request), urls=_form_addresses(request, codes)
        ),
        name,
    )


def _pdf(make: Any, name: str) -> HttpResponse:
    try:
        data = make()
    except NotFoundError as error:
        raise Http404(str(error)) from None
    except HeapwrightError as error:
        return HttpResponse(f"{error}\n", status=400, content_type="text/plain; charset=utf-8")
    safe = "".join(letter for letter in name if letter.isalnum() or letter in "-_.")
    return HttpResponse(
        data,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{safe}.pdf"'},
    )


def _paper(request: HttpRequest) -> Any:
    asked = request.GET.get("paper")
    return asked if asked in ("a4", "letter") else _usual_paper(request)


def _usual_paper(request: HttpRequest) -> str:
    return "letter" if _units(request) == Units.US else "a4"


def _units(request: HttpRequest) -> Any:
    return cast(Any, request.user).units


def _form_addresses(request: HttpRequest, codes: list[str]) -> dict[str, str]:
    return {code: request.build_absolute_uri(reverse("pile-log", args=[code])) for code in codes}


def _stated(asked: QueryDict, system: str, usual: Stated) -> Stated:
    """Read what the proof page's form states, in the person's units; ``usual`` where it is silent.

    Raises
    ------
    InputError
        If a number is none or a choice is unknown.
    """
    us = system == Units.US
    method = (asked["method"] or None) if "method" in asked else usual.method
    zone = (asked["zone"] or None) if "zone" in asked else usual.zone
    if method not in (None, "turned", "aerated", "vessel"):
        raise InputError(f"“{method}” is no method", column="method")
    if zone not in (None, "core", "edge", "base", "all"):
        raise InputError(f"“{zone}” is no zone", column="zone")
    error, insulation = (
        parse_number(asked[name]) if asked.get(name) else None
        for name in ("probe_error", "insulation")
    )
    points = [name.strip() for name in asked.get("points", "").split(",") if name.strip()]
    counted = len(points) == 1 and points[0].isdecimal()
    insulation_cm = None
    if insulation is not None:
        insulation_cm = insulation * (100.0 * si.M_PER_INCH if us else 1.0)
    return Stated(
        method=cast(Any, method),
        insulation_cm=insulation_cm if "insulation" in asked else usual.insulation_cm,
        probe_error_c=(error or 0.0) * (5.0 / 9.0 if us else 1.0)
        if "probe_error" in asked
        else usual.probe_error_c,
        zone=cast(Any, zone),
        points=int(points[0]) if counted else tuple(points) or None,
    )
