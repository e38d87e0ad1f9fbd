"""Past deliveries by date and source, and what did not belong in them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from django import forms
from django.db.models import Count, F, QuerySet, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from heapwright.web.measures import MASS, NBSP, figure
from heapwright.web.receive.stock import lot_link
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.yard import history, materials
from heapwright.yard.models import Contamination, Entry, Flow, Inspection, Kind, Site, Source

PERIOD = timedelta(days=90)
SHOWN = 100
"""So many deliveries stand on the page; the file has all."""
A_BLOCK = 1000


class PeriodForm(forms.Form):
    """Which deliveries to show."""

    since = forms.DateField(
        label=gettext_lazy("From"), widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )
    until = forms.DateField(
        label=gettext_lazy("To"), widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )
    source = forms.ModelChoiceField(
        label=gettext_lazy("Source"),
        queryset=Source.objects.all(),
        to_field_name="code",
        required=False,
        empty_label=gettext_lazy("all sources"),
    )

    def clean(self) -> dict[str, Any]:
        """Hold that the period runs forward."""
        said = super().clean() or self.cleaned_data
        if "since" in said and "until" in said and said["since"] > said["until"]:
            self.add_error("until", _("This is before the first day."))
        return said


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a delivery."""

    entry: Entry
    flow: Flow
    inspection: Inspection | None
    place: str


@require_safe
def deliveries(request: HttpRequest) -> HttpResponse:
    """Show the deliveries of a period, by date, with what was found in them."""
    form, found = _asked(request)
    tz = Site.load().tz
    known = materials.library()
    names = {name: one.name for name, one in known.items()}
    if wants_csv(request) and form.is_valid():
        return csv_file(
            "deliveries",
            ("when", "source", "lot", "material", "mass_kg", "volume_m3", "known", "as_typed",
             "place", "contamination", "found", "recorded_by", "struck", "note"),
            (
                (
                    line.entry.happened_at.astimezone(tz).isoformat(timespec="minutes"),
                    line.flow.from_source.code if line.flow.from_source else "",
                    line.flow.to_lot.code if line.flow.to_lot else "",
                    line.flow.material_id,
                    round(line.flow.mass_kg, 3),
                    None if line.flow.volume_m3 is None else round(line.flow.volume_m3, 4),
                    line.flow.known,
                    line.flow.as_typed,
                    line.place,
                    line.inspection.contamination if line.inspection else "",
                    line.inspection.found if line.inspection else "",
                    str(line.entry.recorded_by),
                    line.entry.struck_reason,
                    line.entry.note,
                )
                for line in _lines(found.iterator(chunk_size=A_BLOCK))
            ),
        )  # fmt: skip
    units = request.user.units
    shown, count = list(found[:SHOWN]), found.count()
    came = _came(found).aggregate(
        entries=Count("entry", distinct=True), kg=Sum("mass_kg", default=0.0)
    )
    note = _("Struck lines do not count.")
    if count > len(shown):
        note += " " + _("The latest %(shown)d of %(count)d deliveries; the file has all.") % {
            "shown": len(shown),
            "count": count,
        }
    return render(
        request,
        "heapwright/receive/deliveries.html",
        {
            "form": form,
            "total_kg": came["kg"],
            "count": came["entries"],
            "table": table(
                "deliveries",
                _("Deliveries, the latest first"),
                (
                    Column(_("When"), short=True),
                    Column(_("Source"), says_itself=True),
                    Column(_("Lot")),
                    Column(_("Material"), says_itself=True),
                    Column(_("Weight"), unit=MASS[units].sign, number=True),
                    Column(_("How known")),
                    Column(_("Put where"), says_itself=True),
                    Column(_("Contamination")),
                ),
                [
                    Row(
                        (
                            date_format(line.entry.happened_at.astimezone(tz), "j M Y, H:i"),
                            line.flow.from_source.name if line.flow.from_source else "",
                            lot_link(line.flow.to_lot.code) if line.flow.to_lot else "",
                            names.get(line.flow.material_id, line.flow.material_id),
                            figure(line.flow.mass_kg, "mass", units),
                            _how_known(line.flow, units),
                            line.place,
                            _seen(line.inspection),
                        ),
                        struck=line.entry.is_struck,
                    )
                    for line in _lines(shown)
                ],
                download_href=csv_href(request),
                note=note,
            ),
        },
    )


@require_safe
def contamination(request: HttpRequest) -> HttpResponse:
    """Show by source how often its lots were looked at and what was found."""
    form, found = _asked(request)
    units = request.user.units
    by_source = _by_source(found)
    if wants_csv(request) and form.is_valid():
        return csv_file(
            "contamination",
            ("source", "lots", "looked_at", "none", "little", "much", "mass_kg", "mass_much_kg",
             "found"),
            (
                (
                    one.source.code, one.lots, one.looked, *(one.seen[level] for level in
                    Contamination.values), round(one.mass_kg, 3), round(one.much_kg, 3),
                    "; ".join(one.found),
                )
                for one in by_source
            ),
        )  # fmt: skip
    return render(
        request,
        "heapwright/receive/contamination.html",
        {
            "form": form,
            "worst": next((one for one in by_source if one.seen["much"]), None),
            "any": bool(by_source),
            "table": table(
                "contamination",
                _("By source, the most contaminated first"),
                (
                    Column(_("Source"), says_itself=True),
                    Column(_("Lots"), number=True),
                    Column(_("Looked at"), number=True),
                    Column(_("None"), number=True),
                    Column(_("A little"), number=True),
                    Column(_("Much"), number=True),
                    Column(_("Weight with much"), unit=MASS[units].sign, number=True),
                    Column(_("Found, the latest first")),
                ),
                [
                    (
                        one.source.name,
                        one.lots,
                        one.looked,
                        one.seen["none"],
                        one.seen["little"],
                        one.seen["much"],
                        figure(one.much_kg, "mass", units),
                        "; ".join(one.found[:6]),
                    )
                    for one in by_source
                ],
                download_href=csv_href(request),
                note=_("A lot that nobody looked at counts neither way."),
            ),
        },
    )


@dataclass(slots=True)
class BySource:
    """What a source's lots were like in a period."""

    source: Source
    lots: int = 0
    looked: int = 0
    mass_kg: float = 0.0
    much_kg: float = 0.0
    seen: dict[str, int] = field(default_factory=lambda: dict.fromkeys(Contamination.values, 0))
    found: list[str] = field(default_factory=list)


def _came(found: QuerySet[Entry]) -> QuerySet[Flow]:
    """Return the lines of deliveries that count, as they came."""
    entries = found.filter(struck_at=None).order_by().values("id")
    return Flow.objects.filter(
        entry__in=entries, from_source__isnull=False, corrects=None
    ).order_by()


def _by_source(found: QuerySet[Entry]) -> list[BySource]:
    sources = Source.objects.in_bulk()
    grouped: dict[int, BySource] = {}
    lines = _came(found)
    for source_id, lots, mass_kg in lines.values_list("from_source_id").annotate(
        Count("id"), Sum("mass_kg")
    ):
        grouped[source_id] = BySource(sources[source_id], lots=lots, mass_kg=mass_kg)
    looked = lines.filter(to_lot__inspections__entry=F("entry"), to_lot__inspections__isnull=False)
    for source_id, level, lots, mass_kg in looked.values_list(
        "from_source_id", "to_lot__inspections__contamination"
    ).annotate(Count("id"), Sum("mass_kg")):
        one = grouped[source_id]
        one.looked += lots
        one.seen[level] = lots
        if level == Contamination.MUCH:
            one.much_kg = mass_kg
    for source_id, seen in (
        looked.exclude(to_lot__inspections__found="")
        .order_by("-entry__happened_at", "-entry_id", "id")
        .values_list("from_source_id", "to_lot__inspections__found")
    ):
        if seen not in grouped[source_id].found:
            grouped[source_id].found.append(seen)
    return sorted(
        grouped.values(), key=lambda one: (-one.seen["much"], -one.seen["little"], one.source.name)
    )


def _asked(request: HttpRequest) -> tuple[PeriodForm, QuerySet[Entry]]:
    """Return the form of the period and the deliveries within it, the latest first."""
    tz = Site.load().tz
    today = timezone.now().astimezone(tz).date()
    initial = {"since": today - PERIOD, "until": today}
    asked = request.GET.copy()
    asked.pop("format", None)
    if not asked:
        form = PeriodForm({name: str(day) for name, day in initial.items()})
    else:
        for name, day in initial.items():  # a link may name the source alone
            asked.setdefault(name, str(day))
        form = PeriodForm(asked)
    if not form.is_valid():
        return form, history.entries().none()
    said = form.cleaned_data

    def midnight(day: date) -> datetime:
        return datetime.combine(day, time(), tzinfo=tz)

    found = history.entries(
        kinds=(Kind.DELIVERY,),
        since=midnight(said["since"]),
        until=midnight(said["until"] + timedelta(days=1)),
    )
    if said["source"] is not None:
        found = found.filter(id__in=Flow.objects.filter(from_source=said["source"]).values("entry"))
    return form, found


def _lines(entries: Iterable[Entry]) -> Iterator[Line]:
    for entry in entries:
        seen: dict[int, Inspection] = {one.lot_id: one for one in entry.inspections.all()}
        stood: dict[int, str] = defaultdict(str)
        for standing in entry.standings.all():
            if standing.place is not None:
                stood[standing.lot_id] = standing.place.name
        for flow in entry.flows.all():
            if flow.from_source is not None and flow.corrects_id is None:
                yield Line(entry, flow, seen.get(flow.to_lot_id), stood[flow.to_lot_id])


def _how_known(flow: Flow, units: str) -> str:
    """Return how a weight is known: what was counted, or that it was weighed or estimated."""
    said, weight = flow.as_typed.replace(NBSP, " "), MASS[units].sign
    number, _space, unit = said.partition(" ")
    known = str(flow.get_known_display())
    only_weight = unit in (weight, f"{weight}, {known}") and number.replace(".", "").isdecimal()
    return known if only_weight or not said else said


def _seen(inspection: Inspection | None) -> str:
    if inspection is None:
        return ""
    label = str(inspection.get_contamination_display())
    return f"{label}: {inspection.found}" if inspection.found else label
