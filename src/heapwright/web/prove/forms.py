"""What a person states beside the log: the rule, the method, the probe's error, the points."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data.sanitation import rules
from heapwright.people.models import Units, User
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Stated
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import PersonForm
from heapwright.yard.models import Site
from heapwright.yard.yardstick import in_force

CELSIUS_PER_FAHRENHEIT = 5.0 / 9.0


def rule_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the rules by jurisdiction, as a select offers them."""
    grouped: dict[str, list[tuple[str, str]]] = {}
    for rule in rules().values():
        grouped.setdefault(rule.jurisdiction, []).append((rule.id, f"{rule.id}: {rule.name}"))
    return list(grouped.items())


class RuleForm(forms.Form):
    """By which rule, and as of which day; the site's own rule, and today, when nothing is said."""

    rule = forms.ChoiceField(label=gettext_lazy("By the rule"), choices=rule_choices)
    on = forms.DateField(
        label=gettext_lazy("As of the end of"),
        required=False,
        widget=forms.DateInput({"type": "date"}),
        help_text=gettext_lazy("A past day; left empty, today."),
    )

    def __init__(self, query: QueryDict, *, site: Site, now: datetime, **kwargs: Any) -> None:
        self.site, self.today = site, now.astimezone(site.tz).date()
        self.given = query
        data = query.copy()
        as_of = _day_end(data.get("on", ""), site)
        self.yardstick = in_force(as_of if as_of is not None and as_of < now else None)
        data.setdefault("rule", self.yardstick.rule().id)
        super().__init__(data, **kwargs)

    def clean_on(self) -> date | None:
        """Return the past day; None for today."""
        day: date | None = self.cleaned_data["on"]
        if day is not None and day > self.today:
            raise ValidationError(_("That day has not come yet."))
        return None if day == self.today else day

    def as_of(self) -> datetime | None:
        """Return the end of the past day that is asked for; None for now."""
        day = self.cleaned_data["on"]
        return None if day is None else _day_end(day.isoformat(), self.site)


def _day_end(text: str, site: Site) -> datetime | None:
    """Return the last second of a day as typed; None when it is none."""
    try:
        day = date.fromisoformat(text)
        return datetime.combine(day + timedelta(days=1), time(), site.tz) - timedelta(seconds=1)
    except (ValueError, OverflowError):
        return None


class StatedForm(RuleForm, PersonForm):
    """The rule and what no log can say: what the site has set, unless the address says else."""

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

    def __init__(
        self,
        query: QueryDict,
        *,
        person: User,
        names: tuple[str, ...],
        vessel: bool,
        site: Site,
        now: datetime,
    ) -> None:
        super().__init__(query, person=person, site=site, now=now)
        self.names, self.vessel = names, vessel
        rule = rules().get(self.data["rule"])
        if rule is None:
            return
        self.usual = self.yardstick.stated(rule, vessel=vessel)
        insulation = self.fields["insulation"]
        assert isinstance(insulation, MeasureField)
        cover_cm = self.usual.insulation_cm
        for name, value in {
            "method": self.usual.method or "",
            "probe_error": f"{self.usual.probe_error_c / self.scale:.4g}"
            if self.usual.probe_error_c
            else "",
            "zone": self.usual.zone or "",
            "insulation": "" if cover_cm is None else f"{insulation.unit.from_si(cover_cm):.4g}",
        }.items():
            self.data.setdefault(name, value)

    @property
    def scale(self) -> float:
        """Kelvin in a degree of the person's unit."""
        return CELSIUS_PER_FAHRENHEIT if self.person.units == Units.US else 1.0

    def is_overridden(self) -> bool:
        """Whether the address states something else than the site has set."""
        return any(name in self.given for name in ("method", "probe_error", "zone", "insulation"))

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
        error, cover_cm = said["probe_error"], said["insulation"]
        return Stated(
            method=said["method"] or None,
            insulation_cm=cover_cm if "insulation" in self.given else self.usual.insulation_cm,
            probe_error_c=(error or 0.0) * self.scale
            if "probe_error" in self.given
            else self.usual.probe_error_c,
            zone=said["zone"] or None,
            points=said["points"],
        )
