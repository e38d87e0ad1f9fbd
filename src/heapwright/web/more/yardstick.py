"""What the site's proofs are judged by: what is in force, changing it, and what it was before."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data.sanitation import rules
from heapwright.data.today import chosen_rule
from heapwright.people.models import Units
from heapwright.science.rules import Rule
from heapwright.web.answers import done
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import OnceForm
from heapwright.web.tables import Column, Row, table
from heapwright.web.telling import Teller, moment_words, yardstick_lines
from heapwright.yard import history
from heapwright.yard.acts import Act
from heapwright.yard.errors import YardError
from heapwright.yard.models import Kind, Method, Zone
from heapwright.yard.yardstick import (
    INSULATION_MOST_CM,
    PROBE_ERROR_MOST_C,
    InForce,
    SetYardstick,
    in_force,
    set_yardstick,
)

KELVIN_PER_FAHRENHEIT = 5.0 / 9.0


def rules_by_place() -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the rules that a log can show, by jurisdiction, as a select offers them."""
    grouped: dict[str, list[tuple[str, str]]] = {}
    for rule in rules().values():
        if rule.judged_by != "nothing in a log":
            grouped.setdefault(rule.jurisdiction, []).append((rule.id, f"{rule.id}: {rule.name}"))
    return list(grouped.items())


class YardstickForm(OnceForm):
    """What proofs are judged by from now on; the figures as they were typed last."""

    kind = Kind.SETTINGS
    field_names: ClassVar = {
        "probe_error_c": "probe_error",
        "insulation_cm": "insulation",
        "instead_of": "instead_of",
    }
    field_order = (
        "rule",
        "method",
        "probe_error",
        "zone",
        "insulation",
        "happened_at",
        "note",
        "entry_id",
        "again",
        "instead_of",
    )

    rule = forms.ChoiceField(
        label=gettext_lazy("The rule that your compost must meet"),
        required=False,
        help_text=gettext_lazy("As your permit or the agency that enforces your code says."),
    )
    method = forms.ChoiceField(
        label=gettext_lazy("How you compost"),
        required=False,
        choices=[
            ("", gettext_lazy("not set: turned, and in a vessel where it stands in one")),
            *Method.choices,
        ],
    )
    probe_error = NumberField(
        label=gettext_lazy("Probe error"),
        required=False,
        low=0,
        help_text=gettext_lazy(
            "From ice water, boiling water or its maker; taken off every reading. Left empty, "
            "nothing is taken off."
        ),
    )
    zone = forms.ChoiceField(
        label=gettext_lazy("Your readings stand for"),
        required=False,
        choices=[("", gettext_lazy("not set: what their points are called")), *Zone.choices],
    )
    insulation = MeasureField(
        "depth",
        label=gettext_lazy("Insulating cover"),
        required=False,
        low=0,
        help_text=gettext_lazy(
            "How deep, where all heaps have one, such as finished compost over an aerated pile. "
            "Left empty, none."
        ),
    )
    instead_of = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, now: InForce, **kwargs: Any) -> None:
        self.now = now
        super().__init__(*args, **kwargs)
        usual = chosen_rule().rule
        words = _("not set: the usual rule, %(rule)s") % {"rule": usual}
        self.fields["rule"].choices = [("", words), *rules_by_place()]
        self.fields["happened_at"].label = _("In force from")
        self.fields["note"].label = _("Why; who said so")
        self.scale = KELVIN_PER_FAHRENHEIT if self.person.units == Units.US else 1.0
        self.fields["probe_error"].sign = "°F" if self.person.units == Units.US else "°C"
        self.fields["probe_error"].high = PROBE_ERROR_MOST_C / self.scale
        insulation = self.fields["insulation"]
        assert isinstance(insulation, MeasureField)
        insulation.high = round(insulation.unit.from_si(INSULATION_MOST_CM))
        self.shown = {
            "probe_error": _number(now.probe_error_c, 1.0 / self.scale),
            "insulation": ""
            if now.insulation_cm is None
            else f"{insulation.unit.from_si(now.insulation_cm):.4g}",
        }
        self.initial |= {
            "rule": now.rule_id,
            "method": now.method,
            "zone": now.zone,
            "instead_of": now.entry,
            **self.shown,
        }

    def act(self) -> Act:
        """Return the act; a figure that was not changed keeps its value to the last digit."""
        read = self.cleaned_data
        same = {name: self.data.get(name, "").strip() == text for name, text in self.shown.items()}
        error = read["probe_error"]
        return SetYardstick(
            **self.said(),
            rule=read["rule"],
            method=read["method"],
            probe_error_c=self.now.probe_error_c
            if same["probe_error"]
            else None
            if error is None
            else error * self.scale,
            probe_error_typed=self.now.probe_error_typed
            if same["probe_error"]
            else self._typed_error(),
            zone=read["zone"],
            insulation_cm=self.now.insulation_cm if same["insulation"] else read["insulation"],
            insulation_typed=self.now.insulation_typed
            if same["insulation"]
            else self.as_typed("insulation"),
            instead_of=read["instead_of"],
            looked=True,
        )

    def _typed_error(self) -> str:
        text = self.data.get("probe_error", "").strip()
        return f"{text} {self.fields['probe_error'].sign}" if text else ""

    def refuse(self, error: YardError) -> None:
        """Put a refusal beside its field; one that was overtaken is shown what it is now."""
        if error.field == "instead_of":
            self.add_error(
                None,
                _(
                    "%(by)s changed this while you had it open; it is now: %(now)s. Press again to "
                    "put yours in its place."
                )
                % {
                    "by": in_force().set_by or _("Somebody"),
                    "now": ", ".join(
                        f"{label} {value}"
                        for label, value in yardstick_lines(in_force(), self.person.units)
                    ),
                },
            )
            self.data = self.data.copy()
            self.data["instead_of"] = str(in_force().entry or "")
        else:
            super().refuse(error)


def _number(value: float | None, scale: float) -> str:
    return "" if value is None else f"{value * scale:.4g}"


def yardstick(request: HttpRequest, *, walk: bool = False) -> HttpResponse:
    """Show everybody what proofs are judged by; let a lead change it."""
    may_lead = request.user.may_lead
    if (request.method == "POST" or walk) and not may_lead:
        raise PermissionDenied(_("Only a lead may do this."))
    now = in_force()
    data = request.POST if request.method == "POST" else None
    form = YardstickForm(data, person=request.user, now=now) if may_lead else None
    if form is not None and request.method == "POST":
        entry = form.write(set_yardstick)
        if entry is not None:
            said = _("Proofs are judged so from now on. What it was before stays to be seen.")
            return done(request, said, "set-up" if walk else "yardstick", undo=entry)
    tell = Teller(request.user.units)
    rule: Rule = now.rule()
    context = {
        "form": form,
        "walk": walk,
        "now": now,
        "set_at": moment_words(now.set_at, tell.tz) if now.set_at else "",
        "lines": yardstick_lines(now, request.user.units),
        "rule": rule,
        "own_rule": now.is_own(rule),
        "chosen": chosen_rule(),
        "changes": _changes(tell),
    }
    status = 422 if form is not None and form.errors else 200
    return render(request, "heapwright/more/yardstick.html", context, status=status)


def set_up_rule(request: HttpRequest) -> HttpResponse:
    """Ask for the rule in the first-time walk."""
    return yardstick(request, walk=True)


def _changes(tell: Teller) -> dict[str, Any] | None:
    """Return each change as a line, the latest first, struck ones with why."""
    rows = [
        Row(
            (
                format_html(
                    '<a href="{}">{}</a>', reverse("entry", args=[entry.uuid]), tell.when(entry)
                ),
                str(entry.recorded_by),
                tell(entry),
                entry.note or "–",
                entry.struck_reason or "–",
            ),
            struck=entry.is_struck,
        )
        for entry in history.entries(kinds=(Kind.SETTINGS,))
    ]
    if not rows:
        return None
    return table(
        "changes",
        _("What it was, and who changed it"),
        [
            Column(_("In force from")),
            Column(_("By")),
            Column(_("What")),
            Column(_("Why")),
            Column(_("Struck")),
        ],
        rows,
    )
