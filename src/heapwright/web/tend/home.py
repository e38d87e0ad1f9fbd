"""The yard (home): the site drawn to scale, what stands in it, and today's tasks."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Any, Final
from urllib.parse import urlencode
from uuid import UUID, uuid5

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from heapwright.data import sources
from heapwright.data.today import chosen_rule
from heapwright.web.answers import done
from heapwright.web.drawing.key import heat_key
from heapwright.web.drawing.lean import lean
from heapwright.web.drawing.places import LengthUnit, Yard
from heapwright.web.drawing.yard_plan import yard_plan
from heapwright.web.drawing.yard_rows import yard_rows
from heapwright.web.heat import TempUnit, step_of
from heapwright.web.shell import helper_only
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import Teller
from heapwright.web.tend import cut, plan
from heapwright.web.tend.rooms import say_in, site_clock, system_of, told, way
from heapwright.web.tend.tasks import shown_task
from heapwright.yard import history, mix, tend, today
from heapwright.yard.acts import Act, Take, as_sent
from heapwright.yard.amounts import Quantity
from heapwright.yard.errors import YardError
from heapwright.yard.models import Entry, Kind, Known, Place, Site, Stage
from heapwright.yard.state import DayTemp, LotState
from heapwright.yard.today import Heap, Say, Sight, Task

ONE_TAP: Final[Mapping[str, tuple[type[Act], Any, frozenset[str]]]] = {
    Kind.TURN: (tend.Turn, tend.turn, frozenset({"lot", "to_place"})),
    Kind.MOVE: (tend.Move, tend.move, frozenset({"lot", "to_place"})),
    Kind.COVER: (tend.CoverLot, tend.cover, frozenset({"lot", "cover"})),
    Kind.STAGE: (tend.DeclareStage, tend.declare_stage, frozenset({"lot", "stage"})),
    Kind.WATER: (tend.Water, tend.water, frozenset({"lot", "litres"})),
    Kind.ADD: (mix.AddToPile, mix.add_to_pile, frozenset({"lot", "take"})),
}
"""What one tap may write: the act, its use case, the fields that the tap may state."""


@require_GET
@site_clock
def yard(request: HttpRequest) -> HttpResponse:
    """Show the yard as it stands, or with ``on=YYYY-MM-DD`` as it stood at that day's end."""
    site = Site.load()
    now = timezone.now()
    system = system_of(request)
    say = say_in(system)
    on, wrong = _day(request.GET.get("on", ""), site, now)
    when = now if on is None else _end_of(on, site, now)
    places = [
        place
        for place in Place.objects.order_by("id")
        if place.retired_at is None or place.retired_at > when
    ]
    if not places:
        may_lead = getattr(request.user, "may_lead", False)
        return render(
            request, "heapwright/tend/new.html", {"set_up_href": way("set-up"), "lead": may_lead}
        )
    sight = today.look(when, judge=on is None)
    if wants_csv(request):
        return _csv(sight)
    tasks = today.tasks(sight, say) if on is None else ()
    first: dict[str, tuple[int, Task]] = {}
    for number, task in enumerate(tasks, start=1):
        if task.lot:
            first.setdefault(task.lot, (number, task))
    drawn = plan.drawn_yard(site.name, places, sight, first, say)
    status = 400 if wrong else 200
    return render(
        request,
        "heapwright/tend/yard.html",
        {
            "on": on,
            "on_typed": request.GET.get("on", ""),
            "wrong": wrong,
            "latest": sight.today if on is None else now.astimezone(site.tz).date(),
            "day": sight.today,
            "yesterday": (sight.today - timedelta(days=1)).isoformat(),
            **_lists(tasks, request.user),
            "rests_on": _rests_on(tasks),
            "ahead": _ahead(sight) if on is None else "",
            "alarm": any(task.alarm for task in tasks),
            "hot": any(task.rank == today.Rank.HEAT for task in tasks),
            "rule": sight.yardstick.rule(),
            "own_rule": sight.yardstick.is_own(sight.yardstick.rule()),
            "chosen": chosen_rule(),
            "sources_href": way("fact-sources"),
            "past": _past(on, site, system) if on is not None else (),
            "standing": _standing(request, sight, say),
            "print_query": urlencode([("lot", heap.state.code) for heap in _as_walked(sight)]),
            **_drawings(drawn, plan.temp_unit(system), plan.length_unit(system)),
        },
        status=status,
    )


def _lists(tasks: Sequence[Task], person: Any) -> dict[str, Any]:
    """Return what is to be done today and what can wait, numbered through."""
    shown = [(task, shown_task(task, number, person)) for number, task in enumerate(tasks, 1)]
    return {
        "tasks": [one for task, one in shown if not task.can_wait],
        "waiting": [one for task, one in shown if task.can_wait],
    }


def _rests_on(tasks: Sequence[Task]) -> list[dict[str, Any]]:
    """Return what each task rests on: its sources by name, and how they are known."""
    known = sources()
    return [
        {
            "number": number,
            "title": task.title,
            "sources": [(one, known[one].in_short) for one in task.sources],
            "mark": task.mark,
        }
        for number, task in enumerate(tasks, 1)
    ]


def _ahead(sight: Sight) -> str:
    """Return for how many heaps the forecast is to come, so that log and rules stand alone."""
    waiting = sum(not one.fresh for one in sight.ahead.values())
    if not waiting:
        return ""
    return ngettext(
        "The forecast of %(count)d heap is being worked out: until then its tasks come from log "
        "and rules alone. Load the page again to see what the forecast adds.",
        "The forecasts of %(count)d heaps are being worked out: until then their tasks come from "
        "log and rules alone. Load the page again to see what the forecast adds.",
        waiting,
    ) % {"count": waiting}


def _day(typed: str, site: Site, now: datetime) -> tuple[date | None, str]:
    """Return the past day that is asked for, and what is wrong with what was typed."""
    if not typed:
        return None, ""
    try:
        day = date.fromisoformat(typed)
    except ValueError:
        return None, _("“%(typed)s” is no day such as 2026-03-17.") % {"typed": typed}
    if day > now.astimezone(site.tz).date():
        return None, _("%(day)s has not come yet.") % {"day": date_format(day, "j F Y")}
    if day == now.astimezone(site.tz).date():
        return None, ""
    return day, ""


def _end_of(day: date, site: Site, now: datetime) -> datetime:
    end = datetime.combine(day + timedelta(days=1), time(), site.tz) - timedelta(seconds=1)
    return min(end, now)


@lru_cache(maxsize=128)
def _drawings(drawn: Yard, temp: TempUnit, length: LengthUnit) -> dict[str, Any]:
    """Return the drawings of a yard; the same yard is drawn once."""
    units: dict[str, Any] = {"temp_unit": temp, "length_unit": length}
    heaps = tuple(place for place in drawn.places if place.piles or place.kind in ("bay", "vessel"))
    small = lean(yard_plan(drawn, uid="plan-s", width_px=328, **units))
    rows, wide = _rows(replace(drawn, places=heaps), temp, length) if heaps else ("", "")
    return {
        "rows": rows or small,
        "rows_wide": wide,
        "plan_small": small if heaps else "",
        "plan": lean(yard_plan(drawn, uid="plan-l", width_px=790, **units)),
        "key": heat_key(uid="key", temp_unit=temp),
    }


@lru_cache(maxsize=128)
def _rows(heaps: Yard, temp: TempUnit, length: LengthUnit) -> tuple[SafeString, SafeString]:
    """Return the heaps drawn in rows, narrow and wide; a delivery changes nothing in them."""
    narrow, wide = (
        lean(yard_rows(heaps, uid=uid, width_px=width_px, temp_unit=temp, length_unit=length))
        for uid, width_px in (("rows", 328), ("rows-l", 790))
    )
    return narrow, wide


def _past(on: date, site: Site, system: str) -> list[dict[str, Any]]:
    """Return what happened on a day, in order."""
    begins = datetime.combine(on, time(), site.tz)
    ends = datetime.combine(on + timedelta(days=1), time(), site.tz)
    tell = Teller(system)
    return [
        {
            "when": f"{entry.happened_at.astimezone(site.tz):%H:%M}",
            "what": told(entry, tell),
            "struck": entry.struck_reason,
        }
        for entry in reversed(history.entries(since=begins, until=ends))
    ]


# What stands


def _as_walked(sight: Sight) -> list[Heap]:
    """Return the heaps as one comes by them: place by place, what shares open ground last."""

    def along(heap: Heap) -> tuple[bool, int, datetime]:
        place = heap.state.place
        if place is None:
            return True, 0, heap.state.begun_at
        return place.kind not in cut.SHAPES, place.id, heap.state.begun_at

    return sorted(sight.heaps, key=along)


def _lots(sight: Sight) -> list[tuple[LotState, DayTemp | None, str]]:
    """Return all that stands, heaps first: state, temperatures, what it is."""
    heaps = [
        (heap.state, heap.temps, str(Stage(heap.state.stage).label) if heap.state.stage else "")
        for heap in _as_walked(sight)
    ]
    return [*heaps, *((one.state, None, plan.name_of(one)) for one in sight.waiting)]


def _standing(request: HttpRequest, sight: Sight, say: Say) -> dict[str, Any]:
    columns = [
        Column(_("Lot"), short=True),
        Column(_("What"), says_itself=True),
        Column(_("Hottest"), number=True, may_lack=True),
        Column(_("Day"), number=True),
        Column(_("Where"), says_itself=True),
        Column(_("Volume"), number=True),
        Column(_("Mass"), number=True),
    ]
    rows = [
        Row(
            (
                format_html('<a href="{}">{}</a>', reverse("pile", args=[lot.code]), lot.code),
                what,
                heat(temps, say),
                str(sight.days_since(lot.begun_at)),
                lot.place.name if lot.place else "–",
                say(lot.volume_m3, "volume") if lot.volume_m3 is not None else "–",
                say(lot.mass_kg, "mass"),
            )
        )
        for lot, temps, what in _lots(sight)
    ]
    return table(
        "standing",
        _("What stands"),
        columns,
        rows,
        download_href=csv_href(request),
        note=ngettext("%(count)d lot", "%(count)d lots", len(rows)) % {"count": len(rows)},
    )


def heat(temps: DayTemp | None, say: Say) -> SafeString | str:
    """Return the highest temperature of a day on its colour, a dash where nobody read."""
    if temps is None:
        return "–"
    return format_html(
        '<span class="heat heat-{}">{}</span>',
        step_of(temps.highest_c).number,
        say(temps.highest_c, "temp"),
    )


def _csv(sight: Sight) -> HttpResponse:
    head = (
        "lot",
        "kind",
        "place",
        "what",
        "days",
        "day_read",
        "lowest_c",
        "highest_c",
        "volume_m3",
        "mass_kg",
    )
    rows = [
        (
            lot.code,
            lot.kind,
            lot.place.code if lot.place else "",
            what,
            sight.days_since(lot.begun_at),
            temps.day.isoformat() if temps else "",
            round(temps.lowest_c, 2) if temps else "",
            round(temps.highest_c, 2) if temps else "",
            "" if lot.volume_m3 is None else round(lot.volume_m3, 4),
            round(lot.mass_kg, 3),
        )
        for lot, temps, what in _lots(sight)
    ]
    return csv_file(f"standing-{sight.today.isoformat()}", head, rows)


# One tap


@require_POST
@helper_only
@site_clock
def do(request: HttpRequest) -> HttpResponse:
    """Write what a task's one tap states; a second tap of the same task changes nothing."""
    kind = request.POST.get("kind", "")
    if kind not in ONE_TAP:
        return _not_done(request, _("one tap cannot write that; open the form"))
    make, use_case, names = ONE_TAP[kind]
    try:
        entry_id = UUID(request.POST.get("entry_id", ""))
    except ValueError:
        return _not_done(request, _("the task came without its id; open the yard again"))
    if "lot" not in request.POST:
        return _not_done(request, _("of which lot?"))
    now = timezone.now().replace(second=0, microsecond=0)
    tell = Teller(system_of(request))
    turned: Entry | None = None
    try:
        act = make(id=entry_id, happened_at=now, **_fields(request, names))
        with transaction.atomic():
            if request.POST.get("turned"):
                turned = _turned(request, entry_id, now)
            entry = _written(act, kind) or use_case(act, request.user)
    except (TypeError, ValueError):
        return _not_done(request, _("something is missing; open the form"))
    except YardError as error:
        written = _written(act, kind)
        if written is None:
            return _not_done(request, error.message)
        entry, turned = written, None
    if turned is not None:
        done(request, f"{told(turned, tell)}.", "yard", undo=turned)
    return done(request, f"{told(entry, tell)}.", "yard", undo=entry)


def _fields(request: HttpRequest, names: Collection[str]) -> dict[str, Any]:
    """Return the fields of a tap as its act takes them.

    Raises
    ------
    ValueError
        If a number is none.
    """
    fields: dict[str, Any] = {
        name: request.POST[name] for name in names if name != "take" and name in request.POST
    }
    if "litres" in fields:
        fields["litres"] = float(fields["litres"])
    if "take" in names:
        stated = [one.partition("=") for one in request.POST.getlist("take")]
        fields["takes"] = tuple(
            Take(lot=code, quantity=Quantity(mass_kg=float(kg), known=Known.ESTIMATED))
            for code, _sign, kg in stated
        )
    return fields


def _turned(request: HttpRequest, entry_id: UUID, now: datetime) -> Entry:
    """Return the entry that says that the lot was turned, written with the tap's own."""
    act = tend.Turn(id=uuid5(entry_id, "turned"), happened_at=now, lot=request.POST["lot"])
    return _written(act, Kind.TURN) or tend.turn(act, request.user)


def _written(act: Act, kind: str) -> Entry | None:
    """Return the entry that the same tap wrote before; its time is the one that counts."""
    entry = Entry.objects.filter(uuid=act.id, kind=kind).first()
    if entry is None:
        return None
    sent: Sequence[dict[str, Any]] = (dict(entry.sent), as_sent(act))
    for one in sent:
        one.pop("happened_at", None)
    return entry if sent[0] == sent[1] else None


def _not_done(request: HttpRequest, why: str) -> HttpResponse:
    messages.error(request, f"{why[:1].upper()}{why[1:]}.")
    return HttpResponseRedirect(reverse("yard"), status=303)
