"""Everything that happened: the list, one entry, striking and undoing, and whether it adds up."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST, require_safe

from heapwright.people.models import User
from heapwright.web.measures import with_unit
from heapwright.web.more.again import ACTS
from heapwright.web.more.answers import done
from heapwright.web.more.may import may_strike
from heapwright.web.more.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.more.telling import Teller, day_words, lots_of, moment_words
from heapwright.web.shell import helper_only
from heapwright.web.tend.pictures import shown_photo
from heapwright.yard import history
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.audit import SLACK_KG, Balance, audit, totals
from heapwright.yard.errors import RoleError, YardError
from heapwright.yard.models import End, Entry, Kind, Lot, Site
from heapwright.yard.state import state_at
from heapwright.yard.strike import strike as strike_entry

A_PAGE: Final = 50
AT_ONCE: Final = 1000
"""With more lots than this the audit of each takes seconds and is asked for apart."""
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
    page = Paginator(found, A_PAGE).get_page(request.GET.get("page"))
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
        tell(entry),
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
            ((reverse("recall", args=[lot.code]), lot.code) for lot in one.lots.all()),
        ),
        "any_line": bool(lines),
        "lines": table(
            "lines",
            _("Its lines in the books"),
            [
                Column(_("From")),
                Column(_("To")),
                Column(_("Material")),
                Column(_("Mass"), number=True),
                Column(_("Volume"), number=True),
                Column(_("How known")),
                Column(_("As typed")),
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
    return kind if what is None else f"{kind} {getattr(what, 'code', what)}"


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


@require_safe
def audit_page(request: HttpRequest) -> HttpResponse:
    """Show whether the books add up: the site's balance, each lot's, and what was found."""
    units, tz = request.user.units, Site.load().tz
    if not (wants_csv(request) or "every" in request.GET or Lot.objects.count() <= AT_ONCE):
        return _quick_audit(request, tz)
    result = audit()
    names = [
        ("in_kg", _("came in")),
        ("opening_kg", _("stood when the records began")),
        ("water_kg", _("water put on")),
        ("gained_kg", _("found on weighing")),
        ("from_lots_kg", _("from other lots")),
        ("to_lots_kg", _("to other lots")),
        ("to_beds_kg", _("to beds")),
        ("to_people_kg", _("to people")),
        ("disposed_kg", _("disposed of")),
        ("to_air_kg", _("lost to the air")),
        ("standing_kg", _("stands there now")),
    ]
    if wants_csv(request):
        head = ["lot", *(name for name, _label in names), "residual_kg"]
        return csv_file(
            "audit",
            head,
            (
                (code, *(round(getattr(balance, name), 3) for name in head[1:]))
                for code, balance in [("site", result.site), *result.lots.items()]
            ),
        )
    site = result.site
    came = site.in_kg + site.opening_kg + site.water_kg
    air = site.to_air_kg - site.gained_kg

    def mass(value_kg: float) -> str:
        return with_unit(value_kg, "mass", units)

    context = {
        "result": result,
        "when": moment_words(timezone.now(), tz),
        "came": mass(came),
        "standing": mass(site.standing_kg),
        "out": mass(site.out_kg),
        "air": mass(air),
        "grave": [one for one in result.findings if one.grave],
        "others": [one for one in result.findings if not one.grave],
        "working": {
            "formula": _("in = standing + out + lost to the air"),
            "inputs": [
                {"name": label, "value": mass(getattr(site, name)), "unit": "", "origin": origin}
                for (name, label), origin in zip(names, _origins(), strict=True)
                if name not in ("from_lots_kg", "to_lots_kg")
            ],
            "source": "",
        },
        "residual_g": _grams(site.residual_kg),
        "table": table(
            "balances",
            _("The books of each lot"),
            [
                Column(_("Lot"), short=True),
                Column(_("In"), number=True),
                Column(_("To lots"), number=True),
                Column(_("Out"), number=True),
                Column(_("Air"), number=True),
                Column(_("Stands"), number=True),
                Column(_("Off by"), "g", number=True),
            ],
            [
                _balance_row(code, balance, units)
                for code, balance in result.lots.items()
                if balance.standing_kg > EMPTY_KG or abs(balance.residual_kg) > SLACK_KG
            ],
            download_href=csv_href(request),
            note=_("Those that stand, or are off. The file has all %(count)d lots.")
            % {"count": len(result.lots)},
        ),
    }
    return render(request, "heapwright/more/audit.html", context)


def _quick_audit(request: HttpRequest, tz: ZoneInfo) -> HttpResponse:
    """Show the site's balance from sums alone; playing every lot's books is asked for apart."""
    sums = totals()

    def of(*kinds: End) -> float:
        return sum(sum(sums.get(kind.value, {}).values()) for kind in kinds)

    came, air = of(End.SOURCE, End.OPENING, End.WATER), of(End.AIR)
    out = of(End.PLACE, End.PERSON, End.DISPOSAL)
    standing = sum(state.mass_kg for state in state_at())
    off = came - standing - out - air
    shown = {"came": came, "standing": standing, "out": out, "air": air}
    units = request.user.units
    context: dict[str, Any] = {name: with_unit(kg, "mass", units) for name, kg in shown.items()}
    context |= {
        "adds_up": abs(off) <= SLACK_KG,
        "residual_g": _grams(off),
        "when": moment_words(timezone.now(), tz),
        "lots": Lot.objects.count(),
    }
    return render(request, "heapwright/more/audit_quick.html", context)


def _grams(off_kg: float) -> str:
    """Return what the books are off by: whole grams, a tenth below ten, no sign on nothing."""
    grams = abs(off_kg) * 1000
    text = f"{grams:.0f}" if grams >= 9.5 else f"{grams:.1f}".removesuffix(".0")
    return text if text == "0" or off_kg > 0 else f"−{text}"


def _origins() -> list[str]:
    taken = _("sum of the lines")
    return [taken] * 10 + [_("played from the lines of each lot")]


def _balance_row(code: str, balance: Balance, units: str) -> Row:
    came = (
        balance.in_kg
        + balance.opening_kg
        + balance.water_kg
        + balance.gained_kg
        + balance.from_lots_kg
    )
    shown = (came, balance.to_lots_kg, balance.out_kg, balance.to_air_kg, balance.standing_kg)
    return Row(
        (
            format_html('<a href="{}">{}</a>', reverse("recall", args=[code]), code),
            *(with_unit(value, "mass", units) for value in shown),
            _grams(balance.residual_kg),
        )
    )
