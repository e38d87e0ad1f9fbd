"""Beds and use: what each has had, using compost, and the recall of a lot both ways."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django import forms
from django.db.models import Max, Min, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from heapwright.web.answers import done
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import OnceForm
from heapwright.web.measures import NBSP, or_under, with_unit
from heapwright.web.more.logs import CHOOSE, finished_first, lot_choices
from heapwright.web.more.places import in_order
from heapwright.web.shell import helper_only
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import Teller, day_words, material_names, moment_words
from heapwright.yard import history, ledger, trace, use
from heapwright.yard.amounts import Quantity
from heapwright.yard.errors import YardError
from heapwright.yard.models import (
    Container,
    End,
    Entry,
    Flow,
    Kind,
    Lot,
    LotKind,
    Place,
    PlaceKind,
    Site,
    Source,
    Stage,
)
from heapwright.yard.state import lot_state

BEDS = (PlaceKind.BED, PlaceKind.TRENCH)
CM_PER_M = 100.0
SHOWN = 100
"""So many rows of a recall stand on the page; the file has all."""


class UseForm(OnceForm):
    """Compost put on a bed, or taken by a person."""

    kind = Kind.USE

    lot = forms.ChoiceField(label=gettext_lazy("Of which lot"))
    bed = forms.ChoiceField(label=gettext_lazy("On which bed"), required=False)
    taker = forms.CharField(
        label=gettext_lazy("Or taken by whom"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("A person or group that one can find again."),
    )
    container = forms.ChoiceField(label=gettext_lazy("Counted in"), required=False)
    count = NumberField(
        label=gettext_lazy("How many of them"), required=False, low=0.01, high=10_000
    )
    mass_kg = MeasureField("mass", label=gettext_lazy("Or weight"), required=False)
    volume_m3 = MeasureField("volume", label=gettext_lazy("Or volume"), required=False)
    all_of_it = forms.BooleanField(label=gettext_lazy("All that is left of it"), required=False)
    field_order = (
        "entry_id",
        "lot",
        "bed",
        "taker",
        "count",
        "container",
        "mass_kg",
        "volume_m3",
        "all_of_it",
        "happened_at",
        "note",
    )
    field_names = {  # noqa: RUF012
        "person": "taker",
        "quantity.mass_kg": "mass_kg",
        "quantity.volume_m3": "volume_m3",
        "quantity.container": "container",
        "quantity.count": "count",
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = self.data.get("lot", "") or self.initial.get("lot", "")
        found = lot_choices(LotKind.COMPOST, LotKind.PILE, LotKind.OVERS, named=named)
        self.fields["lot"].choices = [CHOOSE, *finished_first(found)]
        beds = sorted(Place.objects.filter(kind__in=BEDS, retired_at=None), key=in_order)
        self.fields["bed"].choices = [("", _("no bed")), *((bed.code, bed.name) for bed in beds)]
        containers = Container.objects.filter(retired_at=None).values_list("code", "name")
        self.fields["container"].choices = [("", "–"), *containers]

    def act(self) -> use.UseCompost:
        """Return the use as an act."""
        said = self.cleaned_data
        stated = [said[name] is not None for name in ("count", "mass_kg", "volume_m3")] + [
            bool(said["container"])
        ]
        quantity = None
        if any(stated) or not said["all_of_it"]:
            quantity = Quantity(
                mass_kg=said["mass_kg"],
                volume_m3=said["volume_m3"],
                container=said["container"],
                count=said["count"],
                known="weighed" if said["mass_kg"] is not None else "",
                as_typed=self.as_typed(),
            )
        return use.UseCompost(
            **self.said(),
            lot=said["lot"],
            bed=said["bed"],
            person=said["taker"],
            quantity=quantity,
            empties=said["all_of_it"] and quantity is not None,
        )

    def refuse(self, error: YardError) -> None:
        """Put what is refused of the amount beside the figure that was typed."""
        if error.field == "quantity":
            stated = [name for name in ("mass_kg", "volume_m3") if self.cleaned_data[name]]
            self.add_error((*stated, "count")[0], error.message[:1].upper() + error.message[1:])
        else:
            super().refuse(error)

    def as_typed(self) -> str:
        """Return the amount as the person wrote it."""
        said = self.cleaned_data
        parts = [f"{self.data.get('count', '')} × {said['container']}"] if said["container"] else []
        for name in ("mass_kg", "volume_m3"):
            field = self.fields[name]
            if said[name] is not None and isinstance(field, MeasureField):
                parts.append(f"{self.data[name].strip()} {field.sign}")
        return ", ".join(parts)


@helper_only
def use_compost(request: HttpRequest) -> HttpResponse:
    """Put compost on a bed or give it to a person."""
    start = {name: request.GET.get(name, "") for name in ("lot", "bed")}
    form = UseForm(request.POST or None, person=request.user, initial=start)
    if request.method == "POST":
        entry = form.write(use.use_compost)
        if entry is not None:
            told = Teller(request.user.units)(history.entries().get(pk=entry.pk))
            said = _("Logged: %(what)s.") % {"what": told}
            bed = entry.sent.get("bed")
            return done(request, said, *(("bed", bed) if bed else ("beds",)), undo=entry)
    context = {
        "form": form,
        "title": _("Use compost"),
        "lede": _("On a bed, or given to somebody."),
        "act_word": _("Log it"),
        "back": reverse("beds"),
        "caution": True,
        "anything": len(form.fields["lot"].choices) > 1,
    }
    return render(request, "heapwright/more/use.html", context)


def _spread_depth_cm(volume_m3: float | None, bed: Place) -> float | None:
    return None if volume_m3 is None else volume_m3 / (bed.width_m * bed.depth_m) * CM_PER_M


@require_safe
def beds(request: HttpRequest) -> HttpResponse:
    """List what each bed has had, and what people took."""
    units, tz = request.user.units, Site.load().tz
    lines = Flow.objects.filter(ledger.counts()).order_by()
    had = {
        place_id: (mass_kg, volume_m3, last_at)
        for place_id, mass_kg, volume_m3, last_at in lines.filter(to_kind=End.PLACE)
        .values_list("to_place_id")
        .annotate(Sum("mass_kg"), Sum("volume_m3"), Max("entry__happened_at"))
    }
    took = list(
        lines.filter(to_kind=End.PERSON)
        .values_list("to_person")
        .annotate(Sum("mass_kg"), Max("entry__happened_at"))
        .order_by("to_person")
    )
    all_beds = [
        bed
        for bed in sorted(Place.objects.filter(kind__in=BEDS), key=in_order)
        if bed.retired_at is None or bed.id in had
    ]
    if wants_csv(request):
        return csv_file(
            "beds",
            ["goal", "code", "name", "kg", "m3", "last"],
            [
                (
                    "bed",
                    bed.code,
                    bed.name,
                    *had.get(bed.id, (0.0, None))[:2],
                    had[bed.id][2].isoformat() if bed.id in had else "",
                )
                for bed in all_beds
            ]
            + [("person", "", name, kg, None, at.isoformat()) for name, kg, at in took],
        )
    rows = []
    for bed in all_beds:
        mass_kg, volume_m3, last_at = had.get(bed.id, (None, None, None))
        rows.append(
            Row(
                (
                    format_html('<a href="{}">{}</a>', reverse("bed", args=[bed.code]), bed.name),
                    with_unit(mass_kg, "mass", units),
                    with_unit(_spread_depth_cm(volume_m3, bed), "depth", units),
                    day_words(last_at, tz),
                ),
                struck=bed.retired_at is not None,
            )
        )
    context = {
        "beds": table(
            "beds",
            _("What each bed has had"),
            [
                Column(_("Bed"), short=True),
                Column(_("In all"), number=True),
                Column(_("As a layer"), number=True),
                Column(_("Last")),
            ],
            rows,
            download_href=csv_href(request),
            note=_("A layer is the volume as it was used, spread over the whole bed."),
        ),
        "any_bed": bool(all_beds),
        "people": table(
            "takers",
            _("What people took"),
            [Column(_("Who")), Column(_("In all"), number=True), Column(_("Last"))],
            [(name, with_unit(kg, "mass", units), day_words(at, tz)) for name, kg, at in took],
        ),
        "any_taken": bool(took),
    }
    return render(request, "heapwright/more/beds.html", context)


@require_safe
def bed(request: HttpRequest, code: str) -> HttpResponse:
    """Show all that a bed has had, and what was in it."""
    units, tz = request.user.units, Site.load().tz
    one = get_object_or_404(Place, code=code, kind__in=BEDS)
    sums: dict[tuple[int, int], list[float]] = defaultdict(lambda: [0.0, 0.0])
    entries: dict[int, Entry] = {}
    lots: dict[int, Lot] = {}
    lines = Flow.objects.filter(ledger.counts(), to_place=one).select_related("entry", "from_lot")
    for line in lines.order_by("-entry__happened_at", "-entry_id"):
        entries[line.entry_id], lots[line.from_lot_id] = line.entry, line.from_lot
        sums[line.entry_id, line.from_lot_id][0] += line.mass_kg
        sums[line.entry_id, line.from_lot_id][1] += line.volume_m3 or 0.0
    names = material_names()
    made_of = trace.materials_of_uses(one)
    if wants_csv(request):
        return csv_file(
            f"bed-{one.code}",
            ["when", "lot", "kg", "m3", "made_of"],
            (
                (
                    entries[entry_id].happened_at.isoformat(),
                    lots[lot_id].code,
                    round(mass_kg, 2),
                    round(volume_m3, 4),
                    "; ".join(
                        f"{name} {share:.3f}"
                        for name, share in made_of.get((entry_id, lot_id), {}).items()
                    ),
                )
                for (entry_id, lot_id), (mass_kg, volume_m3) in sums.items()
            ),
        )
    rows = [
        Row(
            (
                format_html(
                    '<a href="{}">{}</a>',
                    reverse("entry", args=[entries[entry_id].uuid]),
                    day_words(entries[entry_id].happened_at, tz),
                ),
                _lot_link(lots[lot_id]),
                with_unit(mass_kg, "mass", units),
                with_unit(_spread_depth_cm(volume_m3 or None, one), "depth", units),
                materials_words(made_of.get((entry_id, lot_id), {}), names),
            )
        )
        for (entry_id, lot_id), (mass_kg, volume_m3) in sums.items()
    ]
    context = {
        "one": one,
        "any": bool(rows),
        "table": table(
            "had",
            _("What %(bed)s has had") % {"bed": one.name},
            [
                Column(_("When"), short=True),
                Column(_("Lot"), short=True),
                Column(_("Mass"), number=True),
                Column(_("As a layer"), number=True),
                Column(_("Made of")),
            ],
            rows,
            download_href=csv_href(request),
            note=_(
                "Shares are of the mass as it came in, water included. A layer is the volume as it "
                "was used, spread over the whole bed of %(width)s by %(depth)s."
            )
            % {
                "width": with_unit(one.width_m, "length", units),
                "depth": with_unit(one.depth_m, "length", units),
            },
        ),
    }
    return render(request, "heapwright/more/bed.html", context)


def share_words(share: float) -> str:
    """Return a share in whole per cent; what is there but rounds to nothing is “under 1 %”."""
    shown = f"{100 * share:.0f}"
    if shown == "0" and share > 0:
        return _("under %(least)s") % {"least": f"1{NBSP}%"}
    return f"{shown}{NBSP}%"


def materials_words(shares: dict[str, float], names: dict[str, str]) -> str:
    """Return shares of materials in words, the greatest first."""
    unknown = _("what nobody knows")
    parts = [
        f"{names.get(name, name) or unknown} {share_words(share)}" for name, share in shares.items()
    ]
    return ", ".join(parts) or "–"


@require_safe
def recall_index(request: HttpRequest) -> HttpResponse:
    """Ask for a lot to trace; list those that were made last."""
    code = request.GET.get("lot", "").strip()
    unknown = ""
    if code:
        found = Lot.objects.filter(code__iexact=code).first()
        if found is not None:
            return redirect("recall", found.code)
        unknown = code
    made = Lot.objects.filter(standings__entry__struck_at=None, standings__begins=True)
    begun = Min("standings__entry__happened_at")
    latest = made.annotate(begun_at=begun).order_by("-id")[:30]
    tz = Site.load().tz
    context = {
        "unknown": unknown,
        "latest": [(lot, day_words(lot.begun_at, tz)) for lot in latest],
    }
    status = 404 if unknown else 200
    return render(request, "heapwright/more/recall_index.html", context, status=status)


@require_safe
def recall(request: HttpRequest, code: str) -> HttpResponse:
    """Trace a lot both ways: back to the deliveries, on to every bed and person."""
    lot = get_object_or_404(Lot, code=code)
    units, tz = request.user.units, Site.load().tz
    found = trace.recall(lot)
    names = material_names()
    if wants_csv(request):
        return _recall_file(lot, found, names)
    back = [
        (
            _lot_link(part.lot) if part.lot else _("Water"),
            share_words(part.fraction),
            or_under(part.mass_kg, "mass", units),
            _whence(part),
            (names.get(part.material_id, part.material_id) or _("what nobody knows"))
            if part.lot
            else "–",
            day_words(part.came_at, tz),
            _contact(part.source),
        )
        for part in trace.parts(found.shares[:SHOWN])
    ]
    forward = [
        (
            _goal_words(one),
            moment_words(one.at, tz) if one.at else _("stands there now"),
            or_under(one.mass_kg, "mass", units),
        )
        for one in trace.went(found.endings[:SHOWN])
    ]
    state = lot_state(code)
    context = {
        "lot": lot,
        "state": state,
        "stage": Stage(state.stage).label if state and state.stage else "",
        "before": trace.lots(found.before_ids[-SHOWN:]),
        "after": trace.lots(found.after_ids[:SHOWN]),
        "before_count": len(found.before_ids),
        "after_count": len(found.after_ids),
        "left_out": _left_out(found),
        "back": table(
            "back",
            _("Where %(lot)s came from") % {"lot": code},
            [
                Column(_("Delivery"), short=True),
                Column(_("Share"), number=True),
                Column(_("As it came"), number=True),
                Column(_("Source"), says_itself=True, may_lack=True),
                Column(_("Material"), says_itself=True, may_lack=True),
                Column(_("Came"), may_lack=True),
                Column(_("Contact"), may_lack=True),
            ],
            back,
            download_href=csv_href(request),
            note=_(
                "Every take has a fair share of all that its lot held; shares are of what came in."
            ),
        ),
        "forward": table(
            "forward",
            _("Where %(lot)s went") % {"lot": code},
            [Column(_("Where")), Column(_("When")), Column(_("Of it"), number=True)],
            forward,
            download_href=csv_href(request),
            note=_("A place is named as long as any of it could be there."),
        ),
        "now": moment_words(timezone.now(), tz),
    }
    return render(request, "heapwright/more/recall.html", context)


def _left_out(found: trace.Recall) -> str:
    """Say what the page has no room for, or nothing."""
    back, forward = found.shares[SHOWN:], len(found.endings) - SHOWN
    said = []
    if back:
        said.append(
            _("%(count)d more deliveries, together %(share).2g %% of it")
            % {"count": len(back), "share": 100 * sum(part.fraction for part in back)}
        )
    if forward > 0:
        said.append(_("%(count)d more places that it reached") % {"count": forward})
    if max(len(found.before_ids), len(found.after_ids)) > SHOWN:
        said.append(_("some of the lots between"))
    return "; ".join(said)


def _contact(source: Source | None) -> str:
    if source is None:
        return "–"
    return ", ".join(filter(None, (source.contact, source.phone, source.email))) or "–"


def _lot_link(lot: Lot) -> str:
    where = reverse("recall", args=[lot.code])
    return format_html('<a class="short-cell" href="{}">{}</a>', where, lot.code)


def _whence(part: trace.Part) -> str:
    if part.source is not None:
        return part.source.name
    return "–" if part.lot is None else _("stood when the records began")


def _goal_words(went: trace.Went) -> str:
    if went.place is not None:
        return format_html(
            '{} <a href="{}">{}</a>',
            _("bed"),
            reverse("bed", args=[went.place.code]),
            went.place.name,
        )
    if went.lot is not None:
        return format_html("{} {}", went.lot.get_kind_display(), _lot_link(went.lot))
    if went.disposal:
        return _("disposal")
    return _("taken by %(who)s") % {"who": went.person}


def _recall_file(lot: Lot, found: trace.Recall, names: dict[str, str]) -> HttpResponse:
    """Return both directions of a recall as one file."""
    rows: list[tuple[Any, ...]] = [
        (
            "from",
            "delivery" if part.source else "opening" if part.lot else "water",
            part.lot.code if part.lot else "",
            part.source.name if part.source else "",
            names.get(part.material_id, part.material_id),
            part.came_at.isoformat() if part.came_at else "",
            round(part.mass_kg, 3),
            round(part.fraction, 5),
        )
        for part in found.back
    ]
    rows += [
        (direction, "lot", lot.code, "", "", "", "", "")
        for direction, lots in (
            ("from, through", found.lots_before),
            ("to, through", found.lots_after),
        )
        for lot in lots
    ]
    for went in found.forward:
        goal, name = (
            ("bed", went.place.code)
            if went.place
            else ("lot", went.lot.code)
            if went.lot
            else ("disposal", "")
            if went.disposal
            else ("person", went.person)
        )
        at = went.at.isoformat() if went.at else ""
        rows.append(("to", goal, name, "", "", at, round(went.mass_kg, 3), ""))
    head = ["direction", "what", "name", "source", "material", "when", "kg", "share"]
    return csv_file(f"recall-{lot.code}", head, rows)
