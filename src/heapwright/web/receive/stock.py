"""What is on hand, and the form of a delivery."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import NoReverseMatch, reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_safe

from heapwright.data import sources
from heapwright.data.recipe import StorageLife
from heapwright.science.ingredients import WATER
from heapwright.web.answers import done
from heapwright.web.measures import MASS, NBSP, VOLUME, figure, with_unit
from heapwright.web.receive.forms import Choices, DeliveryForm, lines_for
from heapwright.web.shell import helper_only
from heapwright.web.tables import Column, csv_file, csv_href, table, wants_csv
from heapwright.yard import materials
from heapwright.yard.models import Contamination, Entry, LotKind, Site, Source
from heapwright.yard.receive import receive_delivery
from heapwright.yard.stock import LeftOut, WaitingLot, supply, waiting

FIGURES = {
    "moisture_pct": gettext_lazy("moisture"),
    "n_pct_dry": gettext_lazy("nitrogen"),
    "cn": gettext_lazy("C:N"),
}
"""The figures of a material that a mix cannot do without."""

_TODAY = 0.5
LONG_DAYS = 60.0
"""What keeps longer than this is not counted in days."""


@require_safe
def on_hand(request: HttpRequest) -> HttpResponse:
    """Show what waits on the yard, what presses, and how long the rest can wait."""
    lots = waiting()
    units = request.user.units
    if wants_csv(request):
        return _as_csv(lots)
    of = supply()
    mixable = {lot.code for one in of.on_hand for lot in one.lots}
    pressing = [lot for lot in lots if lot.code in mixable and _is_pressing(lot)]
    pressing.sort(key=lambda lot: lot.left_days or (0.0, 0.0))
    return render(
        request,
        "heapwright/receive/stock.html",
        {
            "lots": lots,
            "pressing": [
                {
                    "lot": lot,
                    "code": lot_link(lot.code),
                    "why": _presses(lot),
                    "name": short_name(name_of(lot)),
                }
                for lot in pressing
            ],
            "table": table(
                "stock",
                _("On hand"),
                (
                    Column(_("Lot"), short=True),
                    Column(_("Material"), says_itself=True),
                    Column(_("Can still wait")),
                    Column(_("Weight"), unit=MASS[units].sign, number=True),
                    Column(_("Volume"), unit=VOLUME[units].sign, number=True),
                    Column(_("Where"), says_itself=True),
                    Column(_("Waited"), number=True),
                    Column(_("Contamination")),
                ),
                [_row(lot, units) for lot in lots],
                download_href=csv_href(request),
            ),
            "lives": _lives(lots),
            "left_out": left_out(of.left_out),
        },
    )


def left_out(lots: Iterable[LeftOut]) -> list[dict[str, Any]]:
    """Return the lots that cannot be mixed, with what is missing, for ``mix/left_out.html``."""
    return [
        {
            "lot": one.lot,
            "name": name_of(one.lot),
            "missing": [FIGURES[name] for name in one.missing],
        }
        for one in lots
    ]


@helper_only
def new_delivery(request: HttpRequest) -> HttpResponse:
    """Show the form of a delivery and write it."""
    code = (request.POST if request.method == "POST" else request.GET).get("source", "")
    given = Source.objects.filter(retired_at=None).prefetch_related("containers")
    if not code:
        return render(request, "heapwright/receive/whence.html", {"sources": given})
    source = get_object_or_404(given, code=code)
    known, lots = materials.library(), waiting()
    choices = Choices(source, known, lots)
    more = "another" in request.POST
    data = request.POST if request.method == "POST" else None
    lines = lines_for(request.user, choices, known, data=data, more=more)
    initial: dict[str, Any] = {"source": source}
    if more:
        initial |= {
            name: request.POST[name]
            for name in ("happened_at", "note", "entry_id")
            if name in request.POST
        }
    form = DeliveryForm(None if more else data, person=request.user, lines=lines, initial=initial)
    if data is not None and not more:
        entry = form.write(receive_delivery)
        if entry is not None:
            return done(request, _said(entry, request.user.units), "receive", undo=entry)
    return render(
        request,
        "heapwright/receive/delivery.html",
        {
            "form": form,
            "lines": lines,
            "source": source,
            "materials": sorted(one.name for one in known.values() if one.id != WATER),
            "no_place": not choices.places,
            "mass_unit": MASS[request.user.units].sign,
        },
        status=422 if data is not None and not more else 200,
    )


def name_of(lot: WaitingLot) -> str:
    """Return what a lot is, in words."""
    if lot.material is not None:
        return lot.material.name
    return _("overs") if lot.state.kind == LotKind.OVERS else _("of several materials")


def short_name(name: str) -> str:
    """Return a material's name without what qualifies it: food scraps, leaves."""
    return name.partition(",")[0].partition(" (")[0]


def can_wait(lot: WaitingLot) -> str:
    """Return how long a lot can still wait, from warm to cool weather."""
    if lot.left_days is None:
        return _("not known")
    warm, cool = lot.left_days
    if warm > LONG_DAYS:
        return _("months")
    if _keeps_long(lot):
        return _("long, though old")
    if cool < 0.5:
        return _("over: use it today")
    low, high = max(round(warm), 0), round(cool)
    if low == high:
        return ngettext("%(n)d day", "%(n)d days", high) % {"n": high}
    if low == 0:
        return ngettext("up to %(n)d day", "up to %(n)d days", high) % {"n": high}
    if high > LONG_DAYS:
        return _("%(low)d days and more") % {"low": low}
    return _("%(low)d to %(high)d days") % {"low": low, "high": high}


def lot_link(code: str) -> SafeString | str:
    """Return a lot's code as a link to its page."""
    try:
        return format_html(
            '<a class="short-cell" href="{}">{}</a>', reverse("pile", args=[code]), code
        )
    except NoReverseMatch:
        return code


def _row(lot: WaitingLot, units: str) -> tuple[Any, ...]:
    held = lot.state
    return (
        lot_link(lot.code),
        short_name(name_of(lot)),
        can_wait(lot),
        figure(held.mass_kg, "mass", units),
        figure(held.volume_m3, "volume", units),
        held.place.name if held.place else "",
        ngettext("%(n)d day", "%(n)d days", round(lot.waited_days)) % {"n": round(lot.waited_days)},
        Contamination(held.contamination).label if held.contamination else "",
    )


def _as_csv(lots: tuple[WaitingLot, ...]) -> HttpResponse:
    head = (
        "lot", "material", "mass_kg", "volume_m3", "place", "source", "came", "waited_days",
        "left_days_warm", "left_days_cool", "contamination",
    )  # fmt: skip
    tz = Site.load().tz
    return csv_file(
        "stock",
        head,
        (
            (
                lot.code,
                lot.material.id if lot.material else "",
                round(lot.mass_kg, 3),
                None if lot.state.volume_m3 is None else round(lot.state.volume_m3, 4),
                lot.state.place.code if lot.state.place else "",
                lot.state.source,
                lot.state.begun_at.astimezone(tz).isoformat(timespec="minutes"),
                round(lot.waited_days, 1),
                *(
                    (None, None)
                    if lot.left_days is None
                    else (round(left, 1) for left in lot.left_days)
                ),
                lot.state.contamination,
            )
            for lot in lots
        ),
    )


def _is_pressing(lot: WaitingLot) -> bool:
    """Tell whether a lot spoils within a day of warm weather; dry and woody stock does not.

    What much is in that does not belong there is sorted first and goes into no pile as it is.
    """
    if lot.state.contamination == Contamination.MUCH:
        return False
    if lot.left_days is None or _keeps_long(lot):
        return False
    return lot.left_days[0] <= 1.0


def _keeps_long(lot: WaitingLot) -> bool:
    """Tell whether a lot is dry or woody: it lies for months and spoils on no day that counts."""
    return lot.keeps is not None and lot.keeps.days_warm > LONG_DAYS


def _presses(lot: WaitingLot) -> str:
    assert lot.keeps is not None
    keeps = {
        "warm": ngettext("%(n)g day", "%(n)g days", round(lot.keeps.days_warm))
        % {"n": lot.keeps.days_warm},
        "cool": f"{lot.keeps.days_cool:g}",
    }
    if lot.waited_days < _TODAY:
        return _("Came today; keeps %(warm)s in warm weather, %(cool)s in cool.") % keeps
    waited = round(lot.waited_days)
    return ngettext(
        "Waiting for %(waited)d day; keeps %(warm)s in warm weather, %(cool)s in cool.",
        "Waiting for %(waited)d days; keeps %(warm)s in warm weather, %(cool)s in cool.",
        waited,
    ) % {"waited": waited, **keeps}


def _lives(lots: tuple[WaitingLot, ...]) -> dict[str, Any] | None:
    """Return the working of how long things can wait: the lives used and their sources."""
    used: dict[str, tuple[str, StorageLife]] = {}
    for lot in lots:
        if lot.material is not None and lot.keeps is not None:
            used.setdefault(lot.material.id, (lot.material.name, lot.keeps))
    if not used:
        return None
    titles = sources()
    return {
        "summary": _("How long things can wait"),
        "formula": _("can still wait = keeps − waited"),
        "inputs": [
            {
                "name": name,
                "value": f"{keeps.days_warm:g}"
                if keeps.days_warm == keeps.days_cool
                else f"{keeps.days_warm:g}–{keeps.days_cool:g}",
                "unit": _("days"),
                "origin": ". ".join(
                    ["; ".join(f"{titles[one].title} ({keeps.mark})" for one in keeps.sources)]
                    + ([keeps.note] if keeps.note else [])
                ),
            }
            for name, keeps in used.values()
        ],
    }


def _said(entry: Entry, units: str) -> str:
    known = materials.library()
    lines = [
        f"{flow.to_lot.code} {known[flow.material_id].name}, "
        f"{with_unit(flow.mass_kg, 'mass', units)}"
        for flow in entry.flows.filter(corrects=None).select_related("to_lot").order_by("id")
        if flow.to_lot is not None
    ]
    return _("Logged: %(lines)s.") % {"lines": f";{NBSP}".join(lines)}
