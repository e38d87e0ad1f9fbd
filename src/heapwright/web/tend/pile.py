"""A lot: the heap cut open, its heat, its proof, what it is made of and all that happened."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, Final

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET

from heapwright.people.models import User
from heapwright.science.sanitation import Proof
from heapwright.web.codes import unbroken
from heapwright.web.drawing.heap import Section, heap_section
from heapwright.web.drawing.lean import lean
from heapwright.web.tables import Column, Row, csv_file, table, wants_csv
from heapwright.web.telling import Teller
from heapwright.web.tend import acts, cut, outlook, plan
from heapwright.web.tend.figures import figures
from heapwright.web.tend.heat_page import CHART_WORDS, heat, heat_csv
from heapwright.web.tend.origins import made_of, put_in, went, went_rows
from heapwright.web.tend.pictures import shown_photo
from heapwright.web.tend.proof_page import progress
from heapwright.web.tend.rooms import code_words, say_in, site_clock, system_of, told, way
from heapwright.web.tend.tasks import shown_task
from heapwright.yard import forecast, history, ledger, materials, state, today
from heapwright.yard.forecast import Outlook
from heapwright.yard.models import (
    DailySummary,
    Entry,
    Kind,
    Lot,
    LotKind,
    Site,
    Stage,
    Standing,
)
from heapwright.yard.state import LotState
from heapwright.yard.today import Heap, Say, Sight

STORY: Final = 15
"""So many entries stand on a page."""

TOLD_LOTS: Final = 6
"""An entry that took from more lots tells their sum; what was put in stands above it."""


@require_GET
@site_clock
def page(request: HttpRequest, code: str) -> HttpResponse:
    """Show a lot: a pile, stock, compost or overs, standing or used up."""
    lot = get_object_or_404(Lot, code=code)
    assert isinstance(request.user, User)
    reader, site, now = request.user, Site.load(), timezone.now()
    system = system_of(request)
    summaries = list(DailySummary.objects.filter(lot=lot).order_by("day", "point", "depth_cm"))
    if wants_csv(request):
        return _csv(request, lot, summaries, now)
    library = materials.library(now)
    say = say_in(system)
    acts_done = _acts_done(lot)
    sight = today.look(now, lot_ids=[lot.id], foresee=False)
    found = next((one for one in sight.heaps if one.state.id == lot.id), None)
    waits = next((one.state for one in sight.waiting if one.state.id == lot.id), None)
    standing = found.state if found else waits
    proof = _proof(found, sight, site)
    begun = _begun(lot)
    known = forecast.look([standing], now=now, site=site).get(lot.id) if standing else None
    if known is not None:
        sight = today.with_advice(sight, {lot.id: known.advised})
    whole = request.GET.get("made") == "all" and lot.kind != LotKind.STOCK
    context = {
        "lot": lot,
        "standing": standing,
        "heading": acts.called(standing) if standing else code_words(code),
        "tasks": _tasks(sight, code, say, reader),
        "compare_href": reverse("compare", args=[code])
        if known is not None and known.advised.decisions
        else "",
        "lede": _lede(lot, standing, now, site, say),
        "void": begun is None,
        "ways": acts.ways(reader, standing) if standing else [],
        "log_href": reverse("pile-log", args=[code]) if standing and reader.may_log else "",
        "recall_href": way("recall", code),
        "past_proof_href": way("prove-lot", code)
        if standing is None and begun is not None and lot.kind in acts.HEAPS
        else "",
        "use_href": way("use")
        if standing and standing.stage == Stage.READY and reader.may_log
        else "",
        "put_in": None if whole else put_in(lot, library, say),
        "made_of": made_of(lot, library) if whole else None,
        "went": went(lot, say),
        "story": _story(request, lot, Teller(system, library, most=TOLD_LOTS), reader),
        "figures": figures(lot, standing, system) if standing else [],
        **heat(
            lot,
            begun,
            acts_done,
            summaries,
            proof,
            system,
            site,
            known.outlook if known else None,
            now,
        ),
        **outlook.foreseen(lot, known, now, system, site),
        **progress(lot, proof, system, now.astimezone(site.tz).date(), sight.yardstick),
    }
    if found is not None:
        context.update(
            _section(found.state, cut.laid(lot, library), summaries, acts_done, system, site)
        )
        context.update(_warmth(found.state, summaries, acts_done, known, now, system, site))
    return render(request, "heapwright/tend/pile.html", context)


def _csv(
    request: HttpRequest, lot: Lot, summaries: Sequence[DailySummary], now: datetime
) -> HttpResponse:
    """Return the temperatures, where the lot went (``of=went``) or what is foreseen, as a file."""
    if request.GET.get("of") == "forecast":
        standing = state.lot_state(lot.code, now)
        known = forecast.look([standing], now=now).get(lot.id) if standing else None
        if known is None or known.outlook is None:
            raise Http404
        return outlook.forecast_csv(lot, known.outlook)
    if request.GET.get("of") == "went":
        head = ("when", "to", "how", "mass_kg")
        return csv_file(f"went-{lot.code}", head, went_rows(lot))
    return heat_csv(lot, summaries)


def _proof(heap: Heap | None, sight: Sight, site: Site) -> Proof | None:
    """Return the proof of a heap; one that still fills has none to show."""
    if heap is None or heap.state.stage == Stage.FILLING:
        return None
    return heap.proof or today.proofs_of([heap.state], site, sight.yardstick).get(heap.state.id)


def _tasks(sight: Sight, code: str, say: Say, reader: User) -> list[dict[str, Any]]:
    """Return what is to be done at this lot today."""
    here = reverse("pile", args=[code])
    shown = [
        shown_task(task, number, reader)
        for number, task in enumerate(today.tasks(sight, say), 1)
        if task.lot == code
    ]
    return [{**task, "href": "" if task["href"] == here else task["href"]} for task in shown]


def _begun(lot: Lot) -> datetime | None:
    """Return when the lot was made, None when the entry that made it was struck."""
    made = Standing.objects.filter(ledger.counts(), lot=lot, begins=True).select_related("entry")
    return min((one.entry.happened_at for one in made), default=None)


def _acts_done(lot: Lot) -> list[tuple[str, datetime]]:
    """Return what was done to a heap and when, in order, as its chart and drawing need it."""
    return list(
        lot.entries.filter(struck_at=None, kind__in=CHART_WORDS)
        .order_by("happened_at", "id")
        .values_list("kind", "happened_at")
    )


def _lede(lot: Lot, standing: LotState | None, now: datetime, site: Site, say: Say) -> str:
    if standing is None:
        return _("%(kind)s; nothing of it is left") % {"kind": lot.get_kind_display()}
    day = (now.astimezone(site.tz).date() - standing.begun_at.astimezone(site.tz).date()).days
    what = Stage(standing.stage).label if standing.stage else lot.get_kind_display()
    parts = [str(what), _("day %(day)d") % {"day": day}]
    if standing.volume_m3 is not None:
        parts.append(say(standing.volume_m3, "volume"))
    return " · ".join([*parts, say(standing.mass_kg, "mass")])


def charts_of(lot: Lot, found: Outlook, now: datetime, system: str, site: Site) -> dict[str, Any]:
    """Return the charts of a heap's page as it shows them with a forecast."""
    summaries = list(DailySummary.objects.filter(lot=lot).order_by("day", "point", "depth_cm"))
    sight = today.look(now, lot_ids=[lot.id], foresee=False)
    heap = next((one for one in sight.heaps if one.state.id == lot.id), None)
    proof = _proof(heap, sight, site)
    return {
        **heat(lot, _begun(lot), _acts_done(lot), summaries, proof, system, site, found, now),
        **outlook.charts_of(found, now, site),
    }


# The drawing


def _section(
    lot: LotState,
    lines: Sequence[cut.Laid],
    summaries: Sequence[DailySummary],
    acts_done: Sequence[tuple[str, datetime]],
    system: str,
    site: Site,
) -> dict[str, Any]:
    turned = [when for kind, when in acts_done if kind == Kind.TURN]
    drawn = cut.section(lot, lines, summaries, turned[-1] if turned else None)
    units: dict[str, Any] = {
        "temp_unit": plan.temp_unit(system),
        "length_unit": plan.length_unit(system),
    }
    if drawn.mixed and lines:
        caption = ngettext(
            "Turned once, on %(day)s: what was laid in layers is drawn mixed, by volume as it "
            "went in.",
            "Turned %(count)d times, last on %(day)s: what was laid in layers is drawn mixed, by "
            "volume as it went in.",
            len(turned),
        ) % {
            "count": len(turned),
            "day": date_format(turned[-1].astimezone(site.tz), "j F"),
        }
    elif lines:
        caption = _("Layers as they were laid, from the ground up.")
    else:
        caption = _("What it is made of was mixed before it stood here.")
    if summaries:
        caption += " " + _("Pins: the highest reading of each point on %(day)s.") % {
            "day": date_format(summaries[-1].day, "j F")
        }
        named = cut.point_names(summaries)
        caption += f" {named}." if named else ""
    return {
        "cut_small": _cut_open(drawn, uid="cut-s", **units),
        "cut": _cut_open(drawn, uid="cut-l", width_px=640, **units),
        "cut_caption": caption,
    }


@lru_cache(maxsize=64)
def _cut_open(drawn: Section, **how: Any) -> SafeString:
    """Return the drawing of a heap; the same heap is drawn once."""
    return lean(heap_section(drawn, **how))


def _warmth(
    lot: LotState,
    summaries: Sequence[DailySummary],
    acts_done: Sequence[tuple[str, datetime]],
    known: forecast.Known | None,
    now: datetime,
    system: str,
    site: Site,
) -> dict[str, Any]:
    """Return the heap cut open with its modelled heat, where there is an answer."""
    if known is None or known.outlook is None:
        return {}
    zones = outlook.zones(known.outlook, now)
    drawn = cut.section(lot, (), summaries)
    units: dict[str, Any] = {
        "temp_unit": plan.temp_unit(system),
        "length_unit": plan.length_unit(system),
        "heat": zones,
    }
    caption = _("Heat inside as modelled for %(time)s.") % {
        "time": date_format(now.astimezone(site.tz), "j F H:i")
    }
    if summaries:
        day = summaries[-1].day
        read_s = max(one.last_s for one in summaries if one.day == day)
        turned = any(kind == Kind.TURN and when.timestamp() >= read_s for kind, when in acts_done)
        caption += " " + (
            _("Pins: what was read on %(day)s, before it was turned.")
            if turned
            else _("Pins: what was read on %(day)s.")
        ) % {"day": date_format(day, "j F")}
    return {
        "warm_small": _cut_open(drawn, uid="warm-s", width_px=328, **units),
        "warm": _cut_open(drawn, uid="warm-l", width_px=560, **units),
        "warm_caption": caption,
    }


# What happened


def _story(request: HttpRequest, lot: Lot, tell: Teller, reader: User) -> dict[str, Any]:
    """Return the lot's entries as a table, so many a page, the latest first."""
    code = lot.code
    found = history.Pages(history.entries(lot=lot), STORY).get_page(request.GET.get("story"))
    rows = []
    for entry in found:
        when = timezone.localtime(entry.happened_at)
        day = date_format(when, "j M Y").replace(" ", "\u00a0")
        said = _told(entry, code, tell, reader)
        rows.append(Row((f"{day} {when:%H:%M}", said), struck=entry.is_struck))
        if entry.is_struck:
            why = _("Struck by %(who)s: %(why)s") % {
                "who": entry.struck_by,
                "why": entry.struck_reason,
            }
            rows.append(Row((_("struck"), why)))
    count = found.paginator.count
    return {
        **table(
            "story",
            format_html(_("Everything that happened to {}"), code_words(code)),
            [Column(_("When")), Column(_("What, and who wrote it"))],
            rows,
            note=ngettext("%(count)d entry", "%(count)d entries", count) % {"count": count},
        ),
        "older": found.next_page_number() if found.has_next() else None,
        "newer": found.previous_page_number() if found.has_previous() else None,
    }


def _told(entry: Entry, code: str, tell: Teller, reader: User) -> SafeString:
    """Return an entry in words, its note, who wrote it, and where it is struck."""
    note = format_html("<br>“{}”", entry.note) if entry.note else ""
    picture = shown_photo(entry, code)
    own = reader.may_lead or (reader.may_log and entry.recorded_by_id == reader.pk)
    ways = []
    if own and not entry.is_struck:
        ways.append((reverse("strike", args=[entry.uuid]), _("strike it")))
    return format_html(
        '{}{}{}<br><span class="small soft">{}{}</span>',
        unbroken(told(entry, tell).replace(f": {code}: ", ": ", 1)),
        note,
        format_html("<br>{}", picture) if picture else "",
        entry.recorded_by,
        format_html_join("", ' · <a href="{}">{}</a>', ways),
    )
