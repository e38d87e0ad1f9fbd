"""All heaps ahead: what each will do, how far the computing has come, in one table."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_safe

from heapwright.web.measures import MEASURES, figure, with_unit
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.tend.outlook import hot_c
from heapwright.web.tend.rooms import code_words, site_clock, system_of
from heapwright.yard import forecast, state
from heapwright.yard.forecast import Known, Outlook
from heapwright.yard.models import Site, Stage
from heapwright.yard.state import LotState

AHEAD_DAYS = (3, 7)


@require_safe
@site_clock
def outlooks(request: HttpRequest) -> HttpResponse:
    """Show what every heap will do, and have computed what has changed."""
    site, now, system = Site.load(), timezone.now(), system_of(request)
    heaps = sorted(
        (one for one in state.state_at(now) if one.stage in forecast.FORESEEN),
        key=lambda one: (one.stage == Stage.CURING, -one.begun_at.timestamp()),
    )
    known = forecast.look(heaps, now=now, site=site)
    if wants_csv(request):
        return _csv(heaps, known, now)
    fresh = sum(one.fresh for one in known.values())
    return render(
        request,
        "heapwright/tend/outlooks.html",
        {
            "outlook": {"pending": fresh < len(known)},
            "progress": _progress(known, fresh),
            "done": fresh,
            "all": len(known),
            "heaps": table(
                "heaps",
                _("What each heap will do, as modelled"),
                _columns(system),
                [_row(one, known[one.id], now, system, site) for one in heaps],
                download_href=csv_href(request) if heaps else "",
                note=_(
                    "Medians, in brackets what is likely: 90 of 100 runs. A heap that is "
                    "ready is not foreseen."
                ),
            ),
        },
    )


def _progress(known: dict[int, Known], fresh: int) -> str:
    """Return how far the computing has come and how long the rest usually takes."""
    if fresh == len(known):
        return _("All %(all)d are up to date.") % {"all": len(known)} if known else ""
    waiting = len(known) - fresh
    usual_s = next(iter(known.values())).usual_s
    seconds = max(round(waiting * usual_s), 1)
    return ngettext(
        "%(fresh)d of %(all)d are up to date; the rest is being computed, usually %(count)d "
        "second more. Load the page again to see it.",
        "%(fresh)d of %(all)d are up to date; the rest is being computed, usually %(count)d "
        "seconds more. Load the page again to see it.",
        seconds,
    ) % {"fresh": fresh, "all": len(known), "count": seconds}


def _columns(system: str) -> tuple[Column, ...]:
    degree = MEASURES["temp"][system].sign
    return (
        Column(_("Heap")),
        Column(_("Stage")),
        Column(_("Core now"), unit=degree, number=True, may_lack=True),
        *(
            Column(
                ngettext("in %(days)d day", "in %(days)d days", days) % {"days": days},
                unit=degree,
                number=True,
                may_lack=True,
            )
            for days in AHEAD_DAYS
        ),
        Column(
            _("%(limit)s or more") % {"limit": with_unit(hot_c(), "temp", system)},
            short=True,
            may_lack=True,
        ),
        Column(_("Water"), unit="%", number=True, may_lack=True),
        Column(_("Worked out")),
    )


def _row(one: LotState, known: Known, now: datetime, system: str, site: Site) -> Row:
    where = one.place.name if one.place else ""
    heap = format_html(
        '<a href="{}">{}</a> {}', reverse("pile", args=[one.code]), code_words(one.code), where
    )
    stage = str(Stage(one.stage).label) if one.stage else ""
    outlook = known.outlook
    if outlook is None:
        why = (
            _("not: %(why)s") % {"why": known.untold.said()}
            if known.untold is not None
            else _("being computed")
        )
        return Row((heap, stage, "–", *("–" for _days in AHEAD_DAYS), "–", "–", why))
    local = known.made_at.astimezone(site.tz) if known.made_at else None
    made = f"{local:%H:%M}" if local and local.date() == now.astimezone(site.tz).date() else ""
    if local is not None and not made:
        made = date_format(local, "j M H:i")
    if not known.fresh:
        made = _("%(time)s; changed since") % {"time": made}
    moisture = float(outlook.forecast.moisture_pct.p50[outlook.at(now)])
    return Row(
        (
            heap,
            stage,
            _core(outlook, now, system),
            *(_core(outlook, now + timedelta(days=days), system) for days in AHEAD_DAYS),
            hot_until(outlook, now, site),
            f"{moisture:.0f}",
            made,
        )
    )


def _core(outlook: Outlook, when: datetime, system: str) -> str:
    band, index = outlook.forecast.core_temp_c, outlook.at(when)
    low, middle, high = (
        figure(float(getattr(band, level)[index]), "temp", system) for level in ("p5", "p50", "p95")
    )
    return f"{middle} ({low}–{high})"


def hot_until(outlook: Outlook, now: datetime, site: Site) -> str:
    """Return the day until which the core likely stays hot, or from which it likely is."""
    index = outlook.at(now)
    hot = outlook.forecast.core_temp_c.p50[index:] >= hot_c()
    if not hot.any():
        return _("no")
    if not hot[0]:
        first = outlook.moment(outlook.forecast.hours[index + int(hot.argmax())])
        return _("from %(day)s") % {"day": date_format(first.astimezone(site.tz), "j M")}
    if hot.all():
        return _("all the time")
    last = outlook.moment(outlook.forecast.hours[index + int(hot.argmin())])
    return _("until %(day)s") % {"day": date_format(last.astimezone(site.tz), "j M")}


def _csv(heaps: list[LotState], known: dict[int, Known], now: datetime) -> HttpResponse:
    head = ("lot", "stage", "worked_out", "up_to_date", *_NAMES)
    rows: list[tuple[Any, ...]] = []
    for one in heaps:
        outlook, made = known[one.id].outlook, known[one.id].made_at
        figures: list[float | str] = [""] * len(_NAMES)
        if outlook is not None:
            figures = [
                round(float(getattr(outlook.forecast.core_temp_c, level)[outlook.at(when)]), 2)
                for when in (now, *(now + timedelta(days=days) for days in AHEAD_DAYS))
                for level in ("p5", "p50", "p95")
            ]
        rows.append(
            (
                one.code,
                one.stage,
                made.isoformat(timespec="minutes") if made else "",
                "yes" if known[one.id].fresh else "no",
                *figures,
            )
        )
    return csv_file("heaps-ahead", head, rows)


_NAMES = tuple(
    f"core_temp_c_{level}_in_{days}_days"
    for days in (0, *AHEAD_DAYS)
    for level in ("p5", "p50", "p95")
)
