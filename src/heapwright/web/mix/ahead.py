"""What the pile of a mix would do: its heat, the chance of meeting the rule, the least size."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_safe

from heapwright.data.outlook import outlook_figure
from heapwright.errors import InputError
from heapwright.files.table import parse_number
from heapwright.people.models import Units
from heapwright.web.charts.layers import Act
from heapwright.web.charts.temperature import Forecast, Threshold, temperature_history
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import PersonForm
from heapwright.web.measures import LENGTH, MEASURES, figure, with_unit
from heapwright.web.mix.asked import Asked as Mixed
from heapwright.web.mix.asked import ask as ask_mix
from heapwright.web.tables import Column, table
from heapwright.web.tend.outlook import SMALL_BIN, small
from heapwright.yard import forecast_trial as trials
from heapwright.yard.forecast import usual
from heapwright.yard.forecast_trial import Size, Trial, Tried
from heapwright.yard.heap_shape import room_m3
from heapwright.yard.models import Cover, Site

if TYPE_CHECKING:
    from heapwright.science.pile_forecast import Band

PREFIX: Final = "ahead_"
"""First part of the names of the what-if fields; all others are the mix's."""

EVERY_H: Final = 12.0
DATES: Final = (14, 21, 28, 45)
"""The days after building by which the chances are told."""


HEIGHTS_M: Final = (0.3, 3.0)


class TurnDaysField(forms.CharField):
    """Days from building on which the pile is turned, such as ``3 6 9``."""

    def clean(self, value: Any) -> tuple[float, ...] | None:  # type: ignore[override]
        """Return the days in order, None where none are stated."""
        text = super().clean(value).strip()
        if not text:
            return None
        if text == "0":
            return ()
        days = []
        for word in text.replace(",", " ").replace(";", " ").split():
            try:
                day = parse_number(word)
            except InputError as error:
                raise ValidationError(f"{error.message[:1].upper()}{error.message[1:]}.") from None
            most = outlook_figure("mix_days").value
            if not 0.0 < day <= most:
                raise ValidationError(
                    _("%(day)s is no day from 1 to %(most).0f after building.")
                    % {"day": word, "most": most}
                )
            days.append(day)
        return tuple(sorted(set(days)))


class AheadForm(PersonForm):
    """What if it were higher, wetter, covered, turned on other days?"""

    ahead_height = MeasureField("length", label=gettext_lazy("Height"), low=0.1, high=30)
    ahead_moisture = NumberField(label=gettext_lazy("Moisture"), low=20, high=85)
    ahead_cover = forms.ChoiceField(label=gettext_lazy("Cover"), choices=Cover.choices)
    ahead_turns = TurnDaysField(
        label=gettext_lazy("Turned on days"),
        required=False,
        help_text=gettext_lazy(
            "Counted from building. Left empty: as often as the rule asks, once it is hot. "
            "0: never."
        ),
    )

    def __init__(self, query: QueryDict, *, person: Any, system: str, of: Trial) -> None:
        data = query.copy()
        shown = {
            "ahead_height": figure(of.height_m, "length", system),
            "ahead_moisture": f"{of.moisture_pct:.0f}",
            "ahead_cover": of.cover or Cover.OPEN,
            "ahead_turns": "",
        }
        self.shown = shown
        for name, value in shown.items():
            data.setdefault(name, value)
        super().__init__(data, person=person)
        self.fields["ahead_height"].use(system)  # type: ignore[attr-defined]
        self.of, self.system = of, system

    def clean_ahead_height(self) -> float:
        """Hold that the heap is no tower and no carpet."""
        height_m = float(self.cleaned_data["ahead_height"])
        low, high = HEIGHTS_M
        if not low <= height_m <= high:
            raise ValidationError(
                _("A heap stands from %(low)s to %(high)s high.")
                % {
                    "low": with_unit(low, "length", self.system),
                    "high": with_unit(high, "length", self.system),
                }
            )
        return height_m

    def trial(self) -> Trial:
        """Return the trial as it was changed; what was left as shown stays exactly as it was.

        Raises
        ------
        InputError
            If the materials are wetter than the moisture asked.
        """
        said, found = self.cleaned_data, self.of
        if self._changed("ahead_height"):
            found = found.times(said["ahead_height"] / found.height_m)
        if self._changed("ahead_moisture"):
            found = found.wetted_to(said["ahead_moisture"])
        return trials.changed(found, cover=said["ahead_cover"], turn_days=said["ahead_turns"])

    def _changed(self, name: str) -> bool:
        return str(self.data.get(name, "")).strip() != self.shown[name]


@require_safe
def ahead(request: HttpRequest) -> HttpResponse:
    """Show what the pile of a mix would do, and what it would do otherwise."""
    mixed = ask_mix(_mix_query(request.GET), request.user)
    found = render(request, "heapwright/mix/ahead.html", _context(request, mixed))
    found["Cache-Control"] = "no-store"
    return found


def _mix_query(query: QueryDict) -> QueryDict:
    """Return the mix's own part of a query."""
    own = query.copy()
    for name in list(own):
        if name.startswith(PREFIX):
            del own[name]
    return own


def _context(request: HttpRequest, mixed: Mixed) -> dict[str, Any]:
    own = _mix_query(request.GET)
    system = mixed.form.system
    shown: dict[str, Any] = {
        "units": system,
        "kept": [(name, value) for name in own for value in own.getlist(name) if name != "members"],
        "back": f"{reverse('mix')}?{own.urlencode()}",
        "length_unit": LENGTH[system].sign,
        "ahead": None,
        "fault": mixed.fault,
    }
    worked = mixed.worked
    if worked is None or worked.recipe.mix is None or not worked.recipe.parts:
        shown["fault"] = mixed.fault or _("There is no mix to try: mend the amounts first.")
        return shown
    now = timezone.now()
    usual_trial = trials.of_mix(
        worked.plan.place, tuple(worked.recipe.parts), worked.recipe.mix.volume_m3, now=now
    )
    form = AheadForm(request.GET, person=request.user, system=system, of=usual_trial)
    shown["form"], shown["place"] = form, worked.plan.place
    if not form.is_valid():
        return shown
    try:
        trial = form.trial()
    except InputError as error:
        form.add_error("ahead_moisture", f"{error.message[:1].upper()}{error.message[1:]}.")
        return shown
    more = request.GET.get("members") == "more"
    members = outlook_figure("members_more" if more else "members").count
    answer = trials.ask(trial, members=members, most_m3=room_m3(worked.plan.place))
    shown["ahead"] = told(trial, answer, system)
    shown["more"] = members if more else 0
    shown["members_more"] = outlook_figure("members_more").count
    return shown


# The answer in words, figures and pictures


def told(trial: Trial, answer: trials.Asked, system: str) -> dict[str, Any]:
    """Return what the page shows of a trial."""
    site = Site.load()
    seconds = max(round(usual()), 1)
    shown: dict[str, Any] = {
        "pending": answer.pending,
        "fault": answer.fault,
        "state": ngettext(
            "It is being computed, usually %(count)d second. Load the page again to see it.",
            "It is being computed, usually %(count)d seconds. Load the page again to see it.",
            seconds,
        )
        % {"count": seconds}
        if answer.pending and answer.tried is None
        else "",
        "rule": trial.rule.id if trial.rule else "",
        "built": _("%(height)s high, %(water).0f %% water, %(cover)s")
        % {
            "height": with_unit(trial.height_m, "length", system),
            "water": trial.moisture_pct,
            "cover": str(Cover(trial.cover or Cover.OPEN).label),
        },
    }
    if answer.tried is None:
        return shown
    turns = answer.tried.turn_days
    shown["built"] += ", " + (
        _("turned on days %(days)s") % {"days": ", ".join(f"{day:g}" for day in turns)}
        if turns
        else _("never turned")
    )
    shown |= {
        "said": _said(trial, answer.tried, system, site),
        "figures": _figures(answer.tried, system),
        "chances": _chances(trial, answer.tried, site),
        **_chart(trial, answer.tried, system, site),
        "sizes": None,
        "size_said": _("The smallest heap that does it is still being looked for: load again."),
    }
    if answer.sizes is not None:
        shown["sizes"] = _sizes(trial, answer.sizes, system)
        shown["size_said"] = _size_said(trial, answer.sizes, system)
    return shown


def _said(trial: Trial, tried: Tried, system: str, site: Site) -> list[str]:
    """Return the answer in two sentences: does it heat, does it meet the rule."""
    hot, limit = tried.hot_by[-1], with_unit(_hot_c(), "temp", system)
    first = tried.forecast.first_hot_day
    said = []
    if first is not None and hot >= 0.5:
        day = trial.begins + timedelta(days=float(first.p50))
        said.append(
            _(
                "It reaches %(limit)s with a chance of %(chance)s, likely on %(day)s, day "
                "%(number).0f."
            )
            % {
                "limit": limit,
                "chance": percent(hot),
                "day": date_format(day.astimezone(site.tz), "j F"),
                "number": float(first.p50),
            }
        )
    else:
        said.append(
            _("It reaches %(limit)s with a chance of only %(chance)s.")
            % {"limit": limit, "chance": percent(hot)}
        )
    if trial.rule is None:
        said.append(_("The site's rule cannot be shown by temperatures, so it is not judged here."))
    elif tried.met_by:
        met = tried.met_by[-1]
        words = (
            _("Read every day, its log meets %(rule)s by %(day)s with a chance of %(chance)s.")
            if met > 0.0
            else _("Read every day, its log still does not meet %(rule)s by %(day)s.")
        )
        said.append(
            words
            % {
                "rule": trial.rule.id,
                "day": _date(trial, len(tried.met_by), site),
                "chance": percent(met),
            }
        )
        if met < 0.5 and trial.rule.days:
            said.append(
                _("It asks for %(days)d hot days and %(turns)d turnings.")
                % {"days": trial.rule.days, "turns": trial.rule.turnings}
            )
    if small(tried.forecast):
        said.append(SMALL_BIN)
    return said


def percent(share: float) -> str:
    """Return a chance in whole per cent, never a false 0 or 100."""
    if 0.0 < share < 0.01:
        return _("under 1 %")
    if 0.99 < share < 1.0:
        return _("over 99 %")
    return f"{100.0 * share:.0f}\u00a0%"


def _hot_c() -> float:
    from heapwright.science.pile import HOT_C

    return HOT_C


def _date(trial: Trial, day: int, site: Site) -> str:
    return str(date_format((trial.begins + timedelta(days=day)).astimezone(site.tz), "j F"))


def _figures(tried: Tried, system: str) -> list[dict[str, str]]:
    """Return the peak, the hot days and the water at the end, with their spread."""
    found = tried.forecast
    peak, days = found.peak_temp_c, found.days_at_or_above_55

    def three(band: Band, index: int | None = None) -> tuple[float, float, float]:
        values = (band.p5, band.p50, band.p95)
        low, middle, high = (float(v if index is None else v[index]) for v in values)
        return low, middle, high

    shown = [
        (_("Highest core"), *(figure(v, "temp", system) for v in three(peak)),
         MEASURES["temp"][system].sign),
        (_("Days at %(limit)s") % {"limit": with_unit(_hot_c(), "temp", system)},
         *(f"{v:.0f}" for v in three(days)), _("days")),
        (_("Water at the end"), *(f"{v:.0f}" for v in three(found.moisture_pct, -1)), "%"),
        (_("Least oxygen"), *(f"{v:.0f}" for v in three(found.lowest_oxygen_pct)), "%"),
    ]  # fmt: skip
    return [
        {"label": label, "value": middle, "unit": unit, "low": low, "high": high}
        for label, low, middle, high, unit in shown
    ]


def _chances(trial: Trial, tried: Tried, site: Site) -> dict[str, Any]:
    """Return the chances by date as a table."""
    rows = []
    for day in DATES:
        if day <= len(tried.hot_by):
            rows.append(
                (
                    _("day %(day)d, %(date)s") % {"day": day, "date": _date(trial, day, site)},
                    percent(tried.hot_by[day - 1]),
                    percent(tried.met_by[day - 1]) if tried.met_by else "–",
                )
            )
    rule = trial.rule.id if trial.rule else _("rule")
    return table(
        "chances",
        _("Chance by date"),
        (
            Column(_("By")),
            Column(_("has been hot"), number=True),
            Column(_("meets %(rule)s") % {"rule": rule}, number=True),
        ),
        rows,
        note=_("Of %(count)d piles that such a mix may turn out to be, each read as the rule asks.")
        % {"count": tried.forecast.members},
    )


def _chart(trial: Trial, tried: Tried, system: str, site: Site) -> dict[str, Any]:
    """Return the expected curve with its band, in two widths."""
    found, built = tried.forecast, trial.begins.astimezone(site.tz)
    step = max(round(EVERY_H / float(found.hours[1] - found.hours[0])), 1)
    band = [
        Forecast(
            built + timedelta(hours=float(found.hours[index])),
            *(float(getattr(found.core_temp_c, level)[index]) for level in ("p5", "p50", "p95")),
        )
        for index in range(0, len(found.hours), step)
    ]
    common: dict[str, Any] = {
        "title": _("Core of the pile as planned"),
        "built": built,
        "forecast": band,
        "acts": [Act(built + timedelta(days=day), _("turn")) for day in tried.turn_days],
        "thresholds": [Threshold(_limit_c(trial), _("rule") if trial.rule else _("hot"))],
        "temp_unit": "F" if system == Units.US else "C",
    }
    return {
        "curve": temperature_history((), uid="ahead-l", width_px=560, height_px=260, **common),
        "curve_small": temperature_history((), uid="ahead-s", height_px=220, **common),
        "curve_rows": _curve_rows(trial, tried, system, site),
    }


def _limit_c(trial: Trial) -> float:
    return trial.rule.min_temp_c if trial.rule and trial.rule.min_temp_c else _hot_c()


def _curve_rows(trial: Trial, tried: Tried, system: str, site: Site) -> dict[str, Any]:
    """Return the curve day by day as a table."""
    found, degree = tried.forecast, MEASURES["temp"][system].sign
    per_day = max(round(24.0 / float(found.hours[1] - found.hours[0])), 1)
    rows = []
    for index in range(0, len(found.hours), per_day):
        day = round(float(found.hours[index]) / 24.0)
        low, middle, high = (
            figure(float(getattr(found.core_temp_c, level)[index]), "temp", system)
            for level in ("p5", "p50", "p95")
        )
        rows.append(
            (
                _("day %(day)d, %(date)s") % {"day": day, "date": _date(trial, day, site)},
                middle,
                f"{low}–{high}",
                figure(float(found.shell_temp_c.p50[index]), "temp", system),
                f"{float(found.moisture_pct.p50[index]):.0f}",
                f"{float(found.oxygen_pct.p50[index]):.0f}",
            )
        )
    return table(
        "curve",
        _("The curve in figures"),
        (
            Column(_("When")),
            Column(_("Core"), unit=degree, number=True),
            Column(_("likely"), unit=degree, number=True),
            Column(_("Outer zone"), unit=degree, number=True),
            Column(_("Water"), unit="%", number=True),
            Column(_("Oxygen"), unit="%", number=True),
        ),
        rows,
    )


def _sizes(trial: Trial, found: Sequence[Size], system: str) -> dict[str, Any]:
    """Return the sizes that were tried as a table."""
    rows = [
        (
            with_unit(one.height_m, "length", system),
            figure(one.volume_m3, "volume", system),
            percent(one.hot),
            "–" if one.met is None else percent(one.met),
        )
        for one in found
    ]
    return table(
        "sizes",
        _("The same mix in other amounts"),
        (
            Column(_("Height")),
            Column(_("Volume"), unit=MEASURES["volume"][system].sign, number=True),
            Column(_("gets hot"), number=True),
            Column(
                _("meets %(rule)s") % {"rule": trial.rule.id if trial.rule else ""}, number=True
            ),
        ),
        rows,
        note=_("Within %(days).0f days, of %(count)d piles each.")
        % {
            "days": outlook_figure("mix_days").value,
            "count": outlook_figure("trial_members").count,
        },
    )


def _size_said(trial: Trial, found: Sequence[Size], system: str) -> str:
    """Return the smallest sizes that heat, and that meet the rule."""
    chance = f"{outlook_figure('trial_chance_pct').value:.0f}\u00a0%"

    def size(best: Size) -> str:
        return _("%(volume)s, %(height)s high") % {
            "volume": with_unit(best.volume_m3, "volume", system),
            "height": with_unit(best.height_m, "length", system),
        }

    hot = trials.smallest(found, lambda one: one.hot)
    if hot is None:
        return _(
            "No size that this place holds heats with a chance of %(chance)s: change the mix, "
            "cover it, or build elsewhere."
        ) % {"chance": chance}
    said = _("The smallest that heats with a chance of %(chance)s: %(size)s.") % {
        "chance": chance,
        "size": size(hot),
    }
    if trial.rule is None:
        return said
    met = trials.smallest(found, lambda one: one.met)
    more = (
        _("No size that this place holds meets %(rule)s with that chance.")
        if met is None
        else _("The smallest that meets %(rule)s: %(size)s.")
    )
    return f"{said} {more % {'rule': trial.rule.id, 'size': size(met) if met else ''}}"
