"""Hours, fuel, weather, samples and results: the entries that no other room takes."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data import product_limits
from heapwright.web.answers import done
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import OnceForm
from heapwright.web.shell import helper_only
from heapwright.web.telling import Teller
from heapwright.yard import history, prove, tend
from heapwright.yard.acts import UseCase
from heapwright.yard.errors import YardError
from heapwright.yard.materials import FIGURES
from heapwright.yard.models import Kind, Lot, LotKind, Site, Stage
from heapwright.yard.state import state_at

TASKS = (
    gettext_lazy("turning"),
    gettext_lazy("building"),
    gettext_lazy("receiving"),
    gettext_lazy("reading temperatures"),
    gettext_lazy("screening"),
    gettext_lazy("spreading"),
    gettext_lazy("repairs"),
)
FUELS = (gettext_lazy("diesel"), gettext_lazy("petrol"), gettext_lazy("electricity"))
RESULT_ROWS = 8
CHOOSE = ("", gettext_lazy("choose"))
"""No lot is chosen for a person: what is logged of the wrong one would be traced as its own."""


def lot_choices(*kinds: LotKind, named: str = "") -> list[tuple[str, str]]:
    """Return the lots that stand now, the latest first, and the one that is named anyway."""
    choices = [
        (state.code, f"{state.code}, {_lot_words(state.kind, state.stage)}, {state.place or '–'}")
        for state in reversed(state_at())
        if not kinds or state.kind in kinds
    ]
    if named and named not in dict(choices):
        gone = Lot.objects.filter(code=named).first()
        if gone is not None:
            choices.append((gone.code, _("%(lot)s, all gone") % {"lot": gone.code}))
    return choices


def finished_first(found: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return lots to choose from: what is ready first, then compost, what is still hot last."""
    standing = state_at()
    ready = {one.code for one in standing if one.stage in ("", Stage.READY)}
    compost = {one.code for one in standing if one.kind == LotKind.COMPOST}
    stock = {one.code for one in standing if one.kind == LotKind.STOCK}
    return sorted(
        found, key=lambda one: (one[0] in stock, one[0] not in ready, one[0] not in compost)
    )


def _lot_words(kind: str, stage: str) -> str:
    words = str(LotKind(kind).label)
    return f"{words} ({Stage(stage).label})" if stage else words


class LabourForm(OnceForm):
    """Hours of work."""

    kind = Kind.LABOUR

    hours = NumberField(
        label=gettext_lazy("Hours, all people together"),
        help_text=gettext_lazy("Three people for half an hour are 1.5."),
    )
    task = forms.CharField(
        label=gettext_lazy("What was done"),
        max_length=40,
        widget=forms.TextInput({"list": "tasks", "autocomplete": "off"}),
    )
    who = forms.CharField(label=gettext_lazy("Who"), max_length=80, required=False)
    paid = forms.BooleanField(label=gettext_lazy("Paid"), required=False)
    lot = forms.ChoiceField(label=gettext_lazy("On which lot"), required=False)
    field_order = ("entry_id", "hours", "task", "lot", "who", "paid", "happened_at", "note")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = self.data.get("lot", "") or self.initial.get("lot", "")
        self.fields["lot"].choices = [("", _("the whole site")), *lot_choices(named=named)]

    def act(self) -> tend.LogLabour:
        """Return the hours as an act."""
        said = self.cleaned_data
        names = ("hours", "task", "who", "paid", "lot")
        return tend.LogLabour(**self.said(), **{name: said[name] for name in names})


class FuelForm(OnceForm):
    """Fuel or power."""

    kind = Kind.FUEL

    fuel = forms.CharField(
        label=gettext_lazy("Which fuel, or electricity"),
        max_length=20,
        widget=forms.TextInput({"list": "fuels", "autocomplete": "off"}),
    )
    volume_l = MeasureField("liquid", label=gettext_lazy("How much fuel"), required=False)
    energy_kwh = NumberField(label=gettext_lazy("Or electricity, kWh"), required=False)
    machine = forms.CharField(label=gettext_lazy("Machine"), max_length=60, required=False)
    field_order = (
        "entry_id",
        "fuel",
        "volume_l",
        "energy_kwh",
        "machine",
        "happened_at",
        "note",
    )

    def act(self) -> tend.LogFuel:
        """Return the fuel as an act."""
        names = ("fuel", "volume_l", "energy_kwh", "machine")
        return tend.LogFuel(**self.said(), **{name: self.cleaned_data[name] for name in names})


class WeatherForm(OnceForm):
    """The rain gauge and thermometer of a day."""

    kind = Kind.WEATHER

    day = forms.DateField(
        label=gettext_lazy("Day"), widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )
    rain_mm = MeasureField("rain", label=gettext_lazy("Rain"), required=False)
    temp_min_c = MeasureField("temp", label=gettext_lazy("Lowest temperature"), required=False)
    temp_max_c = MeasureField("temp", label=gettext_lazy("Highest temperature"), required=False)
    wind_m_s = MeasureField("wind", label=gettext_lazy("Wind, mean"), required=False)
    field_order = (
        "entry_id",
        "day",
        "rain_mm",
        "temp_min_c",
        "temp_max_c",
        "wind_m_s",
        "note",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["happened_at"].widget = forms.HiddenInput()
        self.initial.setdefault("day", timezone.now().astimezone(Site.load().tz).date())
        for name in ("temp_min_c", "temp_max_c"):
            # a thermometer may show less than nothing, which a phone's decimal pad cannot type
            self.fields[name].widget.attrs["inputmode"] = "text"

    def act(self) -> tend.LogWeather:
        """Return the weather as an act."""
        names = ("day", "rain_mm", "temp_min_c", "temp_max_c", "wind_m_s")
        return tend.LogWeather(**self.said(), **{name: self.cleaned_data[name] for name in names})


class SampleForm(OnceForm):
    """A sample that was taken."""

    kind = Kind.SAMPLE

    lot = forms.ChoiceField(label=gettext_lazy("Of which lot"))
    label = forms.CharField(
        label=gettext_lazy("What the bag says"),
        max_length=60,
        help_text=gettext_lazy("The same word goes on the laboratory’s form."),
    )
    purpose = forms.CharField(label=gettext_lazy("What for"), max_length=120, required=False)
    field_order = ("entry_id", "lot", "label", "purpose", "happened_at", "note")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = self.data.get("lot", "") or self.initial.get("lot", "")
        self.fields["lot"].choices = [CHOOSE, *finished_first(lot_choices(named=named))]

    def act(self) -> prove.TakeSample:
        """Return the sample as an act."""
        names = ("lot", "label", "purpose")
        return prove.TakeSample(**self.said(), **{name: self.cleaned_data[name] for name in names})


class ResultForm(OnceForm):
    """The figures of a laboratory or a field test, of one lot."""

    kind = Kind.LAB

    lot = forms.ChoiceField(label=gettext_lazy("Of which lot"))
    sample = forms.CharField(
        label=gettext_lazy("Sample"),
        max_length=60,
        required=False,
        help_text=gettext_lazy("What its bag said, where one was logged."),
    )
    laboratory = forms.CharField(
        label=gettext_lazy("Laboratory"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("Empty when you tested it yourself."),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = self.data.get("lot", "") or self.initial.get("lot", "")
        self.fields["lot"].choices = [CHOOSE, *finished_first(lot_choices(named=named))]
        for number in range(RESULT_ROWS):
            self.fields |= {
                f"quantity_{number}": forms.CharField(
                    label=_("%(number)d. What was measured") % {"number": number + 1},
                    required=False,
                    max_length=60,
                    widget=forms.TextInput({"list": "quantities", "autocomplete": "off"}),
                ),
                f"comparator_{number}": forms.ChoiceField(
                    label=_("Is"),
                    choices=[("=", "="), ("<", _("below")), (">", _("above"))],
                    required=False,
                ),
                f"value_{number}": NumberField(label=_("Value"), required=False),
                f"unit_{number}": forms.CharField(label=_("Unit"), required=False, max_length=30),
                f"method_{number}": forms.CharField(
                    label=_("Method"), required=False, max_length=120
                ),
            }
        self.order_fields(["entry_id", "lot", "sample", "laboratory"])

    def rows(self) -> list[list[forms.BoundField]]:
        """Return the bound fields of the figures row by row, for the page."""
        names = ("quantity", "comparator", "value", "unit", "method")
        return [[self[f"{name}_{number}"] for name in names] for number in range(RESULT_ROWS)]

    def filled(self) -> list[int]:
        """Return the numbers of the rows in which something stands."""
        said = self.cleaned_data
        return [
            number
            for number in range(RESULT_ROWS)
            if said.get(f"quantity_{number}") or said.get(f"value_{number}") is not None
        ]

    def clean(self) -> dict[str, Any]:
        """Refuse a value without a name and a name without a value."""
        cleaned = super().clean() or self.cleaned_data
        for number in self.filled():
            if f"value_{number}" in cleaned and cleaned[f"value_{number}"] is None:
                self.add_error(f"value_{number}", _("What is the value?"))
        if not self.errors and not self.filled():
            self.add_error("quantity_0", _("State at least one figure."))
        return cleaned

    def act(self) -> prove.LogResult:
        """Return the figures as an act; the rows that are filled, in their order."""
        said = self.cleaned_data
        results = tuple(
            prove.Result(
                quantity=said[f"quantity_{number}"],
                value=said[f"value_{number}"],
                comparator=said[f"comparator_{number}"] or "=",
                unit=said[f"unit_{number}"],
                method=said[f"method_{number}"],
            )
            for number in self.filled()
        )
        names = ("lot", "sample", "laboratory")
        return prove.LogResult(
            **self.said(), results=results, **{name: said[name] for name in names}
        )

    def refuse(self, error: YardError) -> None:
        """Put what is refused of a figure beside that row."""
        part = error.field.split(".")
        if part[0] == "results" and len(part) == 3:
            number = self.filled()[int(part[1])]
            self.add_error(f"{part[2]}_{number}", error.message[:1].upper() + error.message[1:])
        else:
            super().refuse(error)


def known_quantities() -> dict[str, str]:
    """Return the figures that the tables of facts know, with their usual unit."""
    units = {
        "moisture_pct": "%",
        "n_pct_dry": "% dry",
        "c_pct_dry": "% dry",
        "cn": "",
        "vs_pct_dry": "% dry",
        "bulk_density_kg_m3": "kg/m³",
    }
    known = {name: units[name] for name in FIGURES}
    for limit in product_limits():
        known.setdefault(limit.parameter, f"{limit.unit}, {limit.basis}".rstrip(", "))
    return known


LISTS: Final = {"tasks": TASKS, "fuels": FUELS}


def _log_page(
    request: HttpRequest,
    make: type[OnceForm],
    use_case: UseCase[Any],
    *,
    title: str,
    lede: str = "",
    template: str = "heapwright/more/log.html",
    initial: dict[str, Any] | None = None,
    more: dict[str, Any] | None = None,
    to: str = "",
) -> HttpResponse:
    """Show and take the form of an act, then say what was written and how to undo it."""
    form = make(request.POST or None, person=request.user, initial=initial)
    if request.method == "POST":
        entry = form.write(use_case)
        if entry is not None:
            told = Teller(request.user.units)(history.entries().get(pk=entry.pk))
            said = _("Logged: %(what)s.") % {"what": told}
            return done(request, said, to or "entries", undo=entry)
    context = {
        "form": form,
        "title": title,
        "lede": lede,
        "act_word": _("Log it"),
        "back": reverse("more"),
        "lists": LISTS,
    }
    if isinstance(form, ResultForm):
        context |= {
            "heads": [form[name] for name in ("lot", "sample", "laboratory")],
            "rows": form.rows(),
            "more_filled": form.is_bound
            and any(
                form[f"{part}_{number}"].value() or form[f"{part}_{number}"].errors
                for number in range(3, RESULT_ROWS)
                for part in ("quantity", "value")
            ),
            "tails": [form[name] for name in ("happened_at", "note")],
        }
    return render(request, template, context | (more or {}))


@helper_only
def labour(request: HttpRequest) -> HttpResponse:
    """Log hours of work."""
    return _log_page(
        request,
        LabourForm,
        tend.log_labour,
        title=_("Hours"),
        lede=_("Who worked how long, for the accounts."),
        initial={"lot": request.GET.get("lot", "")},
    )


@helper_only
def fuel(request: HttpRequest) -> HttpResponse:
    """Log fuel or power."""
    return _log_page(
        request,
        FuelForm,
        tend.log_fuel,
        title=_("Fuel and power"),
        lede=_("What machines burnt or drew."),
    )


@helper_only
def sample(request: HttpRequest) -> HttpResponse:
    """Log that a sample was taken."""
    return _log_page(
        request,
        SampleForm,
        prove.take_sample,
        title=_("A sample was taken"),
        lede=_("Log it when you close the bag."),
        initial={"lot": request.GET.get("lot", "")},
    )


@helper_only
def result(request: HttpRequest) -> HttpResponse:
    """Log the figures of a laboratory or a field test."""
    return _log_page(
        request,
        ResultForm,
        prove.log_result,
        title=_("A result came in"),
        lede=_("One row a figure, as the laboratory printed it."),
        template="heapwright/more/result.html",
        initial={"lot": request.GET.get("lot", ""), "sample": request.GET.get("sample", "")},
        more={"quantities": known_quantities()},
    )
