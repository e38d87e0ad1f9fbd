"""What a person states beside the log: the rule, the method, the probe's error, the points."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data.sanitation import rules
from heapwright.data.today import chosen_rule
from heapwright.people.models import Units, User
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Stated
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import PersonForm

CELSIUS_PER_FAHRENHEIT = 5.0 / 9.0


def rule_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the rules by jurisdiction, as a select offers them."""
    grouped: dict[str, list[tuple[str, str]]] = {}
    for rule in rules().values():
        grouped.setdefault(rule.jurisdiction, []).append((rule.id, f"{rule.id}: {rule.name}"))
    return list(grouped.items())


class RuleForm(forms.Form):
    """By which rule; the site's chosen one when nothing is said."""

    rule = forms.ChoiceField(label=gettext_lazy("By the rule"), choices=rule_choices)

    def __init__(self, query: QueryDict, **kwargs: Any) -> None:
        data = query.copy()
        data.setdefault("rule", chosen_rule().rule)
        super().__init__(data, **kwargs)


class StatedForm(RuleForm, PersonForm):
    """The rule and what no log can say."""

    method = forms.ChoiceField(
        label=gettext_lazy("How it is composted"),
        required=False,
        choices=[
            ("", gettext_lazy("turned, as the log shows")),
            ("turned", gettext_lazy("turned")),
            ("aerated", gettext_lazy("static, air is supplied")),
            ("vessel", gettext_lazy("in a closed vessel")),
        ],
    )
    probe_error = NumberField(
        label=gettext_lazy("Probe error"),
        required=False,
        low=0,
        high=36,
        help_text=gettext_lazy("Taken off every reading."),
    )
    zone = forms.ChoiceField(
        label=gettext_lazy("The readings stand for"),
        required=False,
        choices=[
            ("", gettext_lazy("what their points are called")),
            ("core", gettext_lazy("the core")),
            ("edge", gettext_lazy("the edge")),
            ("base", gettext_lazy("the base")),
            ("all", gettext_lazy("all of the material")),
        ],
    )
    points = forms.CharField(
        label=gettext_lazy("Points each day"),
        required=False,
        max_length=120,
        help_text=gettext_lazy(
            "Left empty: every point read on two days or more. A number, or names: core, edge."
        ),
    )
    insulation = MeasureField(
        "depth", label=gettext_lazy("Insulating cover"), required=False, low=0, high=200
    )

    def __init__(self, query: QueryDict, *, person: User, names: tuple[str, ...]) -> None:
        super().__init__(query, person=person)
        self.names = names

    @property
    def error_unit(self) -> str:
        """The unit of a difference of temperatures."""
        return "°F" if self.person.units == Units.US else "°C"

    def clean_points(self) -> int | tuple[str, ...] | None:
        """Return a number of points, their names, or None."""
        text: str = self.cleaned_data["points"].strip()
        if not text:
            return None
        if text.isdecimal():
            if not 1 <= int(text) <= 50:
                raise ValidationError(_("A number from 1 to 50."))
            return int(text)
        wanted = tuple(one.strip() for one in text.split(",") if one.strip())
        known = {one.casefold() for one in self.names}
        for name in wanted:
            if name.casefold() not in known:
                raise ValidationError(
                    _("The log has no point “%(name)s”; it has %(known)s.")
                    % {
                        "name": name,
                        "known": ", ".join(one or _("one unnamed") for one in self.names)
                        or _("none"),
                    }
                )
        return wanted

    def chosen(self) -> Rule:
        """Return the rule asked for."""
        return rules()[self.cleaned_data["rule"]]

    def stated(self) -> Stated:
        """Return what is stated, in SI."""
        said = self.cleaned_data
        scale = CELSIUS_PER_FAHRENHEIT if self.person.units == Units.US else 1.0
        return Stated(
            method=said["method"] or None,
            insulation_cm=said["insulation"],
            probe_error_c=(said["probe_error"] or 0.0) * scale,
            zone=said["zone"] or None,
            points=said["points"],
        )
