"""Entering an entry again, right: a form made from what the wrong entry said.

The act that takes its place strikes it and takes over the lots that it made, so that what was
logged of them since stays. Everything but the readings of a logger (send the file again) can be
mended so; what was left blank then can only be left blank, except amounts.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from datetime import date
from typing import Any, Final
from uuid import UUID

from django import forms
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from pydantic import TypeAdapter, ValidationError

from heapwright.people.models import User
from heapwright.web.answers import done
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import ActForm
from heapwright.web.more.may import may_strike
from heapwright.web.shell import helper_only
from heapwright.web.telling import Teller, material_names
from heapwright.yard import history, mix, prove, receive, tend, use
from heapwright.yard.acts import Act, UseCase
from heapwright.yard.errors import FieldError, YardError
from heapwright.yard.models import (
    Container,
    Contamination,
    Cover,
    Entry,
    Kind,
    LotKind,
    Place,
    Smell,
    Source,
    Squeeze,
    Stage,
)
from heapwright.yard.models.readings import TEMP_HIGH_C, TEMP_LOW_C

ACTS: Final[dict[str, tuple[type[Act], UseCase[Any]]]] = {
    Kind.DELIVERY: (receive.ReceiveDelivery, receive.receive_delivery),
    Kind.BUILD: (mix.BuildPile, mix.build_pile),
    Kind.ADD: (mix.AddToPile, mix.add_to_pile),
    Kind.TURN: (tend.Turn, tend.turn),
    Kind.MOVE: (tend.Move, tend.move),
    Kind.COMBINE: (tend.Combine, tend.combine),
    Kind.DIVIDE: (tend.Divide, tend.divide),
    Kind.WATER: (tend.Water, tend.water),
    Kind.COVER: (tend.CoverLot, tend.cover),
    Kind.CHECK: (tend.CheckLot, tend.check),
    Kind.MEASURE: (tend.WeighOrMeasure, tend.weigh_or_measure),
    Kind.STAGE: (tend.DeclareStage, tend.declare_stage),
    Kind.SAMPLE: (prove.TakeSample, prove.take_sample),
    Kind.LAB: (prove.LogResult, prove.log_result),
    Kind.SCREEN: (use.Screen, use.screen),
    Kind.USE: (use.UseCompost, use.use_compost),
    Kind.DISCARD: (use.Discard, use.discard),
    Kind.LABOUR: (tend.LogLabour, tend.log_labour),
    Kind.FUEL: (tend.LogFuel, tend.log_fuel),
    Kind.WEATHER: (tend.LogWeather, tend.log_weather),
    Kind.OPENING: (receive.OpenLot, receive.open_lot),
}

OF_EVERY_ACT: Final = frozenset({"id", "happened_at", "note", "replaces", "reason"})
NOT_ASKED: Final = frozenset({"at", "known", "as_typed", "photo"})
AMOUNT: Final = ("count", "container", "mass_kg", "volume_m3")
WEIGHED: Final = ("mass_kg", "volume_m3", "bulk_density_kg_m3")
NEEDED: Final = frozenset({"temp_c", "value"})
"""An item of a list whose figure is blanked out is left out."""

MEASURED: Final = {
    "mass_kg": "mass",
    "volume_m3": "volume",
    "temp_c": "temp",
    "temp_min_c": "temp",
    "temp_max_c": "temp",
    "depth_cm": "depth",
    "height_m": "length",
    "litres": "liquid",
    "water_l": "liquid",
    "volume_l": "liquid",
    "rain_mm": "rain",
    "wind_m_s": "wind",
    "bulk_density_kg_m3": "density",
}
WORDS: Final = {
    "all_of_it": gettext_lazy("Nothing was left of it"),
    "bed": gettext_lazy("Bed"),
    "bulk_density_kg_m3": gettext_lazy("Bulk density"),
    "code": gettext_lazy("Code"),
    "comparator": gettext_lazy("Is, below or above"),
    "compost": gettext_lazy("Compost"),
    "container": gettext_lazy("Container"),
    "contamination": gettext_lazy("Contamination"),
    "count": gettext_lazy("How many containers"),
    "cover": gettext_lazy("Cover"),
    "day": gettext_lazy("Day"),
    "depth_cm": gettext_lazy("Depth"),
    "empties": gettext_lazy("Nothing was left of it"),
    "energy_kwh": gettext_lazy("Electricity, kWh"),
    "found": gettext_lazy("What was found"),
    "fuel": gettext_lazy("Fuel"),
    "full": gettext_lazy("It is full"),
    "height_m": gettext_lazy("Height"),
    "hours": gettext_lazy("Hours, all people together"),
    "into": gettext_lazy("Into which lot"),
    "kind": gettext_lazy("What it is"),
    "label": gettext_lazy("What the bag says"),
    "laboratory": gettext_lazy("Laboratory"),
    "lines": gettext_lazy("Line"),
    "litres": gettext_lazy("Water"),
    "lot": gettext_lazy("Lot"),
    "lots": gettext_lazy("Lot"),
    "machine": gettext_lazy("Machine"),
    "mass_kg": gettext_lazy("Weight"),
    "material": gettext_lazy("Material"),
    "materials": gettext_lazy("Material"),
    "method": gettext_lazy("Method"),
    "overs": gettext_lazy("Overs"),
    "oxygen_pct": gettext_lazy("Oxygen, %"),
    "paid": gettext_lazy("Paid"),
    "parts": gettext_lazy("Part"),
    "person": gettext_lazy("Taken by"),
    "pests": gettext_lazy("Pests"),
    "photo_alt": gettext_lazy("What the photo shows"),
    "place": gettext_lazy("Place"),
    "point": gettext_lazy("Point"),
    "purpose": gettext_lazy("What for"),
    "quantity": gettext_lazy("Figure"),
    "rain_mm": gettext_lazy("Rain"),
    "results": gettext_lazy("Result"),
    "sample": gettext_lazy("Sample"),
    "share_pct": gettext_lazy("Share of it, %"),
    "settled": gettext_lazy("It only sank together"),
    "smell": gettext_lazy("Smell"),
    "source": gettext_lazy("Source"),
    "squeeze": gettext_lazy("Squeeze"),
    "stage": gettext_lazy("Stage"),
    "start_known": gettext_lazy("The time is when it was built or came"),
    "takes": gettext_lazy("Layer"),
    "task": gettext_lazy("What was done"),
    "temp_c": gettext_lazy("Temperature"),
    "temp_max_c": gettext_lazy("Highest temperature"),
    "temp_min_c": gettext_lazy("Lowest temperature"),
    "temps": gettext_lazy("Reading"),
    "to_place": gettext_lazy("To which place"),
    "unit": gettext_lazy("Unit"),
    "value": gettext_lazy("Value"),
    "volume_l": gettext_lazy("Fuel"),
    "volume_m3": gettext_lazy("Volume"),
    "water_l": gettext_lazy("Water put on"),
    "who": gettext_lazy("Who"),
    "why": gettext_lazy("Why"),
    "wind_m_s": gettext_lazy("Wind, mean"),
}
CHOICES: Final = {
    "contamination": Contamination,
    "cover": Cover,
    "kind": LotKind,
    "smell": Smell,
    "squeeze": Squeeze,
    "stage": Stage,
}


@dataclass(frozen=True, slots=True)
class Leaf:
    """One value of an act as it was sent: its dotted path, and the value or None."""

    path: tuple[str | int, ...]
    value: Any

    @property
    def name(self) -> str:
        """The name of the form's field, which is the name that the records refuse it by."""
        return ".".join(map(str, self.path))

    @property
    def last(self) -> str:
        """The name of the value itself; an item of a plain list goes by the list's."""
        return next(str(part) for part in reversed(self.path) if isinstance(part, str))


def leaves(said: Any, path: tuple[str | int, ...] = ()) -> Iterator[Leaf]:
    """Yield the values of an act as it was sent, amounts with their blanks."""
    if isinstance(said, dict):
        names = list(said)
        if path and path[-1] == "quantity":
            names = list(AMOUNT)
        for name in names:
            if name not in NOT_ASKED and (path or name not in OF_EVERY_ACT):
                yield from leaves(said.get(name), (*path, name))
    elif isinstance(said, list):
        for number, inner in enumerate(said):
            yield from leaves(inner, (*path, number))
    else:
        yield Leaf(path, said)


class AgainForm(ActForm):
    """The form of the act that takes a wrong entry's place."""

    reason = forms.CharField(
        label=gettext_lazy("Why the old entry is struck"),
        max_length=300,
        help_text=gettext_lazy("Such as: a nought too many; read off the wrong pile."),
    )

    def __init__(self, *args: Any, person: User, wrong: Entry, **kwargs: Any) -> None:
        self.wrong = wrong
        start = {"happened_at": wrong.happened_at, "note": wrong.note}
        super().__init__(*args, person=person, initial=start, **kwargs)
        self.leaves = {leaf.name: leaf for leaf in leaves(wrong.sent)}
        self.shown: dict[str, str] = {}
        for leaf in self.leaves.values():
            field = _field(leaf)
            if isinstance(field, MeasureField):
                field.use(person.units)
                if leaf.last == "temp_c":
                    field.low = round(field.unit.from_si(TEMP_LOW_C))
                    field.high = round(field.unit.from_si(TEMP_HIGH_C))
            if isinstance(field, NumberField) and leaf.value is not None:
                unit = field.unit if isinstance(field, MeasureField) else None
                number = unit.from_si(leaf.value) if unit else leaf.value
                self.shown[leaf.name] = field.initial = f"{number:.6g}"
            else:
                field.initial = leaf.value
            field.label = _label(leaf)
            self.fields[leaf.name] = field
        self.order_fields(["entry_id", *self.leaves, "happened_at", "note", "reason"])
        self.kept: dict[str, list[int]] = {}

    def act(self) -> Act:
        """Return the act that the form states, in place of the wrong one."""
        sent = deepcopy(self.wrong.sent)
        for name, leaf in self.leaves.items():
            _put(sent, leaf.path, self._value(leaf, self.cleaned_data[name]))
        self.kept = {}
        self._tidy(sent, ())
        happened_at = self.cleaned_data["happened_at"]
        before = self.wrong.happened_at
        if happened_at == before.replace(second=0, microsecond=0):
            happened_at = before  # the field shows minutes; its time was not changed
        kind, _use_case = ACTS[self.wrong.kind]
        stated = {name: value for name, value in sent.items() if name not in OF_EVERY_ACT}
        said = self.said() | {
            "happened_at": happened_at,
            "replaces": self.wrong.uuid,
            "reason": self.cleaned_data["reason"],
        }
        try:
            return TypeAdapter(kind).validate_python(stated | said)
        except ValidationError as error:
            first = error.errors()[0]
            raise FieldError(
                _("this cannot stay empty")
                if first["type"] == "missing"
                else _("this is not right"),
                field=".".join(map(str, first["loc"])),
            ) from None

    def _value(self, leaf: Leaf, typed: Any) -> Any:
        """Return a value as it is sent: a figure that was not changed to its last digit."""
        if (
            leaf.name in self.shown
            and self.data.get(leaf.name, "").strip() == self.shown[leaf.name]
        ):
            return leaf.value
        return typed.isoformat() if isinstance(typed, date) else typed

    def _tidy(self, said: Any, path: tuple[str | int, ...]) -> None:
        """Leave out what was blanked, and say how a changed amount was typed."""
        if isinstance(said, list):
            kept = [number for number, inner in enumerate(said) if not _blanked(inner)]
            self.kept[".".join(map(str, path))] = kept
            for number in kept:
                self._tidy(said[number], (*path, number))
            said[:] = [said[number] for number in kept]
        elif isinstance(said, dict):
            amount = path and path[-1] == "quantity"
            if amount and self._changed(path):
                said["as_typed"] = self._as_typed(path)
                said.pop("known", None)
            elif said.get("as_typed"):
                self._typed_anew(said, path)
            for name, inner in list(said.items()):
                if inner is None or inner == "":
                    del said[name]
                else:
                    self._tidy(inner, (*path, name))
            quantity = said.get("quantity")
            if (
                isinstance(quantity, dict)
                and not set(quantity) & set(AMOUNT)
                and self.wrong.kind not in (Kind.DELIVERY, Kind.DIVIDE, Kind.SCREEN, Kind.OPENING)
            ):
                del said["quantity"]  # all that there was

    def _typed_anew(self, said: dict[str, Any], path: tuple[str | int, ...]) -> None:
        """Say how a reading, or what the scales said, was typed when it was changed."""
        names = ["temp_c"] if "temp_c" in said else list(WEIGHED)
        full = {name: ".".join(map(str, (*path, name))) for name in names}
        typed = {name: self.data.get(one, "").strip() for name, one in full.items()}
        if any(typed[name] != self.shown.get(one, "") for name, one in full.items()):
            said["as_typed"] = ", ".join(
                f"{text} {getattr(self.fields[full[name]], 'sign', '')}".strip()
                for name, text in typed.items()
                if text
            )

    def _changed(self, path: tuple[str | int, ...]) -> bool:
        names = [".".join(map(str, (*path, name))) for name in AMOUNT]
        return any(
            self.cleaned_data[name] != self.leaves[name].value
            and self.data.get(name, "") != self.shown.get(name)
            for name in names
            if self.cleaned_data[name] or self.leaves[name].value
        )

    def _as_typed(self, path: tuple[str | int, ...]) -> str:
        parts = []
        for name in AMOUNT:
            full = ".".join(map(str, (*path, name)))
            typed = self.data.get(full, "").strip()
            if typed:
                parts.append(f"{typed} {getattr(self.fields[full], 'sign', '')}".strip())
        return " ".join(parts)

    def refuse(self, error: YardError) -> None:
        """Put a refusal beside its field, or the nearest one of the same item."""
        parts, path = error.field.split("."), []
        for part in parts:
            kept = self.kept.get(".".join(path))
            inside = part.isdecimal() and kept is not None and int(part) < len(kept)
            path.append(str(kept[int(part)]) if inside and kept else part)
        message = error.message[:1].upper() + error.message[1:]
        while path:
            name = ".".join(path)
            near = [one for one in self.fields if f"{one}.".startswith(f"{name}.")]
            figures = [one for one in near if one.rpartition(".")[2] in (*NEEDED, *AMOUNT)]
            if near:
                self.add_error((figures or near)[0], message)
                return
            path.pop()
        self.add_error(None, message)


def _blanked(item: Any) -> bool:
    if isinstance(item, dict):
        return any(name in item and item[name] is None for name in NEEDED) or item.get("lot") == ""
    return item in (None, "")


def _put(said: Any, path: tuple[str | int, ...], value: Any) -> None:
    for part in path[:-1]:
        said = said[part]
    said[path[-1]] = value


def _field(leaf: Leaf) -> forms.Field:
    """Return the field in which a value of this name is typed or chosen."""
    last = leaf.last
    in_a_list = any(isinstance(part, int) for part in leaf.path)
    required = leaf.value is not None and not in_a_list
    if isinstance(leaf.value, bool):
        return forms.BooleanField(required=False)
    if last in MEASURED:
        field = MeasureField(MEASURED[last], required=False)
        if last in ("temp_min_c", "temp_max_c"):
            field.widget.attrs["inputmode"] = "text"  # a phone's decimal pad has no minus
        return field
    if isinstance(leaf.value, int | float) or last == "count":
        return NumberField(required=False)
    if last == "day":
        return forms.DateField(widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))
    choices = _choices(leaf)
    if choices:
        return forms.ChoiceField(choices=[("", "–"), *choices], required=False)
    return forms.CharField(required=required, max_length=200)


def _choices(leaf: Leaf) -> list[tuple[str, str]]:
    last = leaf.last
    found: list[tuple[str, str]] = []
    if last in CHOICES:
        found = list(CHOICES[last].choices)
    elif last in ("place", "to_place", "bed"):
        found = list(Place.objects.values_list("code", "name"))
    elif last == "source":
        found = list(Source.objects.values_list("code", "name"))
    elif last == "container":
        found = list(Container.objects.values_list("code", "name"))
    elif last == "material":
        found = sorted(material_names().items(), key=lambda pair: pair[1].casefold())
    if leaf.value and found and leaf.value not in dict(found):
        found.append((leaf.value, leaf.value))
    return found


def _label(leaf: Leaf) -> str:
    """Return a label such as ``Layer 2: weight``."""
    word = str(WORDS.get(leaf.last, leaf.last.replace("_", " ")))
    before = []
    for part, after in zip(leaf.path, (*leaf.path[1:], None), strict=True):
        if isinstance(after, int):
            before.append(f"{WORDS.get(str(part), part)} {after + 1}")
        elif part in ("compost", "overs"):
            before.append(str(WORDS[str(part)]))
    if not before:
        return word
    if isinstance(leaf.path[-1], int):
        return before[-1]
    return f"{before[-1]}: {word[:1].lower()}{word[1:]}"


@helper_only
def enter_again(request: HttpRequest, entry_id: UUID) -> HttpResponse:
    """Show the form of the entry that takes a wrong one's place, and take it."""
    wrong = get_object_or_404(Entry, uuid=entry_id)
    if wrong.kind not in ACTS:
        raise Http404
    if wrong.is_struck:
        return redirect("entry", entry_id)
    if not may_strike(request.user, wrong):
        raise PermissionDenied(_("A helper may mend only what they recorded; ask a lead."))
    form = AgainForm(request.POST or None, person=request.user, wrong=wrong)
    if request.method == "POST":
        entry = form.write(ACTS[wrong.kind][1])
        if entry is not None:
            told = Teller(request.user.units)(history.entries().get(pk=entry.pk))
            said = _("Entered again: %(what)s.") % {"what": told}
            return done(request, said, "entry", entry.uuid)
    context = {
        "form": form,
        "wrong": wrong,
        "title": _("Enter it again"),
        "lede": _("Mend what was wrong; the rest stays as it was said."),
        "act_word": _("Enter it so"),
        "back": reverse("entry", args=[entry_id]),
    }
    return render(request, "heapwright/more/log.html", context)
