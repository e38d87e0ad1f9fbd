"""Everything that happened: the list, one entry, striking and undoing."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any, Final
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html_join
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST, require_safe

from heapwright.people.models import User
from heapwright.web.answers import done
from heapwright.web.measures import ungrouped, with_unit
from heapwright.web.more.again import ACTS
from heapwright.web.more.may import may_strike
from heapwright.web.shell import helper_only
from heapwright.web.tables import Column, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import Teller, day_words, lots_of, moment_words
from heapwright.web.tend.pictures import shown_photo
from heapwright.yard import history
from heapwright.yard.errors import RoleError, YardError
from heapwright.yard.models import Entry, Kind, Lot, Site
from heapwright.yard.strike import strike as strike_entry

A_PAGE: Final = 50
FILE_HEAD: Final = (
    "id",
    "kind",
    "happened_at",
    "recorded_at",
    "recorded_by",
    "lots",
    "what",
    "note",
    "struck_at",
    "struck_by",
    "struck_reason",
)
UNDO_WITHIN: Final = timedelta(minutes=15)


class FilterForm(forms.Form):
    """Which entries."""

    kind = forms.ChoiceField(label=gettext_lazy("Kind"), required=False)
    lot = forms.CharField(
        label=gettext_lazy("Lot"),
        required=False,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "characters"}),
    )
    person = forms.ModelChoiceField(
        label=gettext_lazy("Recorded by"),
        required=False,
        queryset=User.objects.order_by("username"),
        to_field_name="username",
        empty_label=gettext_lazy("anybody"),
    )
    since = forms.DateField(
        label=gettext_lazy("From"), required=False, widget=forms.DateInput({"type": "date"})
    )
    until = forms.DateField(
        label=gettext_lazy("To"), required=False, widget=forms.DateInput({"type": "date"})
    )
    struck = forms.ChoiceField(
        label=gettext_lazy("Struck ones"),
        required=False,
        choices=[
            ("", gettext_lazy("shown, struck through")),
            ("hide", gettext_lazy("left out")),
            ("only", gettext_lazy("only these")),
        ],
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [("", _("everything")), *Kind.choices]

    def clean_lot(self) -> Lot | None:
        """Return the lot of this code."""
        code = self.cleaned_data["lot"].strip()
        if not code:
            return None
        lot = Lot.objects.filter(code__iexact=code).first()
        if lot is None:
            raise forms.ValidationError(_("There is no lot %(code)s.") % {"code": code})
        return lot

    def clean(self) -> dict[str, Any]:
        """Refuse a span that ends before it begins."""
        said = super().clean() or self.cleaned_data
        if said.get("since") and said.get("until") and said["since"] > said["until"]:
            self.add_error("until", _("This is before the first day."))
        return said

    def found(self) -> QuerySet[Entry]:
        """Return the entries asked for, the latest first."""
        said, tz = self.cleaned_data, Site.load().tz

        def begins(day: Any) -> datetime | None:
            return datetime(day.year, day.month, day.day, tzinfo=tz) if day else None

        until = said["until"] and said["until"] + timedelta(days=1)
        found = history.entries(
            lot=said["lot"],
            kinds=(Kind(said["kind"]),) if said["kind"] else (),
            since=begins(said["since"]),
            until=begins(until),
            struck=said["struck"] != "hide",
        )
        if said["struck"] == "only":
            found = found.filter(struck_at__isnull=False)
        if said["person"]:
            found = found.filter(recorded_by=said["person"])
        return found


@require_safe
def entries(request: HttpRequest) -> HttpResponse:
    """List what happened, by kind, lot, person and date."""
    form = FilterForm(request.GET or {})
    found = form.found() if form.is_valid() else Entry.objects.none()
    tell = Teller(request.user.units)
    if wants_csv(request):
        return csv_file(
            "entries",
            FILE_HEAD,
            (_file_row(entry, tell) for entry in found.iterator(chunk_size=2000)),
        )
    page = history.Pages(found, A_PAGE).get_page(request.GET.get("page"))
    days = [
        (day_words(day, tell.tz), [(one, f"{_here(one, tell):%H:%M}", tell(one)) for one in those])
        for day, those in groupby(page, key=lambda one: _here(one, tell).date())
    ]
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "form": form,
        "page": page,
        "query": query.urlencode(),
        "filtered": any(request.GET.get(name) for name in form.fields),
        "days": days,
        "download_href": csv_href(request),
    }
    return render(request, "heapwright/more/entries.html", context)


def _here(entry: Entry, tell: Teller) -> datetime:
    return entry.happened_at.astimezone(tell.tz)


def _file_row(entry: Entry, tell: Teller) -> tuple[Any, ...]:
    return (
        str(entry.uuid),
        entry.kind,
        entry.happened_at.isoformat(),
        entry.recorded_at.isoformat(),
        entry.recorded_by.username,
        lots_of(entry),
        ungrouped(tell(entry)),
        entry.note,
        entry.struck_at.isoformat() if entry.struck_at else "",
        entry.struck_by.username if entry.struck_by else "",
        entry.struck_reason,
    )


def enter_again_href(person: User, entry: Entry) -> str:
    """Return the address of the form that takes an entry's place; blank where there is none."""
    if entry.kind not in ACTS or not may_strike(person, entry):
        return ""
    return reverse("enter-again", args=[entry.uuid])


def _get_entry(entry_id: UUID) -> Entry:
    return get_object_or_404(history.entries(), uuid=entry_id)


@require_safe
def entry(request: HttpRequest, entry_id: UUID) -> HttpResponse:
    """Show one entry: what it says, its lines in the books, and what became of it."""
    one = _get_entry(entry_id)
    units = request.user.units
    tell = Teller(units)
    lines = [
        (
            _end_words(line.get_from_kind_display(), line.from_lot or line.from_source),
            _end_words(
                line.get_to_kind_display(), line.to_lot or line.to_place or line.to_person or None
            ),
            tell.material(line.material_id) if line.material_id else "–",
            with_unit(line.mass_kg, "mass", units),
            with_unit(line.volume_m3, "volume", units),
            _("correction") if line.corrects_id else line.get_known_display(),
            line.as_typed or "–",
        )
        for line in one.flows.all()
    ]
    context = {
        "one": one,
        "what": tell(one),
        "when": tell.when(one),
        "recorded": moment_words(one.recorded_at, tell.tz),
        "struck": moment_words(one.struck_at, tell.tz),
        "lots": format_html_join(
            ", ",
            '<a href="{}">{}</a>',
            ((reverse("pile", args=[lot.code]), lot.code) for lot in one.lots.all()),
        ),
        "any_line": bool(lines),
        "lines": table(
            "lines",
            _("Its lines in the books"),
            [
                Column(_("From")),
                Column(_("To")),
                Column(_("Material"), says_itself=True, may_lack=True),
                Column(_("Mass"), number=True),
                Column(_("Volume"), number=True, may_lack=True),
                Column(_("How known")),
                Column(_("As typed"), may_lack=True),
            ],
            lines,
        ),
        "photo": shown_photo(one, lots_of(one)),
        "temps": _temps(one),
        "sent": json.dumps(one.sent, ensure_ascii=False, indent=2),
        "may_strike": may_strike(request.user, one),
        "again": enter_again_href(request.user, one),
        "replaced_by": getattr(one, "replaced_by", None),
        "may_lead": request.user.may_lead,
    }
    return render(request, "heapwright/more/entry.html", context)


def _temps(one: Entry) -> dict[str, Any] | None:
    """Return the temperatures of a check as they are kept and as they were typed."""
    rows = [
        (
            temp.get("point") or "–",
            "–" if temp.get("depth_cm") is None else f"{temp['depth_cm']:.4g}",
            f"{temp['temp_c']:.4g}",
            temp.get("as_typed") or "–",
        )
        for temp in one.sent.get("temps", ())
    ]
    if not rows:
        return None
    return table(
        "temps",
        _("Its readings"),
        [
            Column(_("Point"), short=True),
            Column(_("Depth"), "cm", number=True),
            Column(_("Kept as"), "°C", number=True),
            Column(_("As typed"), number=True),
        ],
        rows,
    )


def _end_words(kind: str, what: Any) -> str:
    """Return an end of a line: a lot by its code, a source or a place by its name."""
    if what is None:
        return kind
    return f"{kind} {what.code if isinstance(what, Lot) else getattr(what, 'name', what)}"


class StrikeForm(forms.Form):
    """Why an entry is struck."""

    reason = forms.CharField(
        label=gettext_lazy("Why is it wrong?"),
        max_length=300,
        widget=forms.Textarea({"rows": 2}),
        help_text=gettext_lazy("The entry stays to be seen, struck through, with this beside it."),
    )


@helper_only
def strike(request: HttpRequest, entry_id: UUID) -> HttpResponse:
    """Strike an entry: a lead any, a helper their own; a reason is asked for."""
    one = _get_entry(entry_id)
    if one.is_struck:
        return redirect("entry", entry_id)
    if not may_strike(request.user, one):
        raise PermissionDenied(_("A helper may strike only what they recorded; ask a lead."))
    form = StrikeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            strike_entry(entry_id, form.cleaned_data["reason"], request.user)
        except YardError as error:
            where = "reason" if error.field == "reason" else None
            form.add_error(where, error.message[:1].upper() + error.message[1:])
        else:
            return done(request, _("Struck. It stays to be seen."), "entry", entry_id)
    tell = Teller(request.user.units)
    context = {
        "form": form,
        "one": one,
        "what": tell(one),
        "when": tell.when(one),
        "again": enter_again_href(request.user, one),
    }
    return render(request, "heapwright/more/strike.html", context)


@helper_only
@require_POST
def undo(request: HttpRequest, entry_id: UUID) -> HttpResponse:
    """Take back what was just written: the same person within 15 minutes, or a lead."""
    one = get_object_or_404(Entry, uuid=entry_id)
    came_from = request.META.get("HTTP_REFERER", "")
    here = url_has_allowed_host_and_scheme(came_from, {request.get_host()}, request.is_secure())
    to = came_from if here else reverse("entries")
    if one.is_struck:
        return done(request, _("That was taken back already."), to)
    age = timezone.now() - one.recorded_at
    if not request.user.may_lead:
        if one.recorded_by_id != request.user.pk:
            raise PermissionDenied(_("A helper may take back only what they recorded."))
        if age > UNDO_WITHIN:
            said = _("That is more than 15 minutes ago; strike it with a reason instead.")
            return done(request, said, "entry", entry_id, level=messages.ERROR)
    reason = _("taken back %(minutes)d minutes after it was recorded") % {
        "minutes": age.total_seconds() // 60
    }
    try:
        strike_entry(entry_id, reason, request.user)
    except RoleError as error:
        raise PermissionDenied(error.message) from None
    except YardError as error:
        said = error.message[:1].upper() + error.message[1:]
        return done(request, said, to, level=messages.ERROR)
    return done(request, _("Taken back. It stays in the list of entries, struck through."), to)
