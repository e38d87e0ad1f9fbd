"""The form of a delivery: who, when, and so much of each material."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data import find_material, near_ids
from heapwright.errors import InputError
from heapwright.people.models import User
from heapwright.science.ingredients import WATER
from heapwright.science.materials import Material
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import OnceForm, PersonForm
from heapwright.web.measures import MASS, VOLUME
from heapwright.yard.amounts import Quantity
from heapwright.yard.errors import YardError
from heapwright.yard.models import Container, Contamination, Kind, Known, Place, PlaceKind, Source
from heapwright.yard.receive import DeliveryLine, ReceiveDelivery
from heapwright.yard.stock import WaitingLot

MOST_LINES: Final = 30

_WAITING_PLACES: Final = (PlaceKind.STOCKPILE, PlaceKind.SCREENING)


class LineForm(PersonForm):
    """So much of one material, put at one place."""

    material = forms.CharField(
        label=gettext_lazy("Material"),
        max_length=80,
        widget=forms.TextInput({"list": "materials", "autocomplete": "off"}),
    )
    amount = NumberField(label=gettext_lazy("How much"), low=0.0)
    unit = forms.ChoiceField(label=gettext_lazy("Counted in"))
    weight = MeasureField(
        "mass",
        label=gettext_lazy("Weighed, without the containers"),
        required=False,
        low=0.0,
        help_text=gettext_lazy("Counts before the containers: it makes every mix surer."),
    )
    place = forms.ChoiceField(label=gettext_lazy("Put where"))
    contamination = forms.ChoiceField(
        label=gettext_lazy("Contamination"),
        required=False,
        choices=[("", gettext_lazy("nobody looked")), *Contamination.choices],
    )
    found = forms.CharField(label=gettext_lazy("What was found"), required=False, max_length=200)

    def __init__(self, *args: Any, known: Mapping[str, Material], choices: Choices, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.known, self.choices = known, choices
        self.fields["unit"].choices = choices.units(self.person)
        self.fields["place"].choices = choices.places

    @property
    def is_blank(self) -> bool:
        """Whether nobody filled it in: a usual material that is offered without an amount."""
        said = {name: str(self.data.get(self.add_prefix(name), "")).strip() for name in self.fields}
        if any(said[name] for name in ("amount", "weight", "contamination", "found")):
            return False
        return said["material"] in ("", *self.choices.usual)

    def clean_material(self) -> str:
        """Return the id of the material named, or say which come near."""
        text: str = self.cleaned_data["material"]
        try:
            found = find_material(text, self.known).id
        except InputError:
            near = [self.known[name].name for name in near_ids(text, self.known)]
            hint = (
                _("Did you mean %(near)s?") % {"near": _(" or ").join(f"“{one}”" for one in near)}
                if near
                else _("Choose one of the list, or a lead adds it to the site's own materials.")
            )
            raise ValidationError(
                _("There is no material “%(text)s”. %(hint)s") % {"text": text, "hint": hint}
            ) from None
        if found == WATER:
            raise ValidationError(_("Water is logged where it is poured, not as a delivery."))
        return found

    def clean(self) -> dict[str, Any]:
        """Hold that a weight is said once."""
        said = super().clean() or self.cleaned_data
        if said.get("weight") is not None and said.get("unit") in (Known.WEIGHED, Known.ESTIMATED):
            self.add_error("weight", _("The weight is said above already; leave this empty."))
        return said

    def line(self) -> DeliveryLine:
        """Return the line that the form states."""
        said = self.cleaned_data
        return DeliveryLine(
            material=said["material"],
            quantity=self._quantity(),
            place=said["place"],
            contamination=said["contamination"],
            found=said["found"],
        )

    def _quantity(self) -> Quantity:
        amount, unit, weight_kg = (self.cleaned_data[name] for name in ("amount", "unit", "weight"))
        system = self.person.units
        words = dict(self.choices.units(self.person))[unit]
        as_typed = f"{str(self.data[self.add_prefix('amount')]).strip()} {words}"
        known: str = ""
        if weight_kg is not None:
            weighed = str(self.data[self.add_prefix("weight")]).strip()
            as_typed += f", {weighed} {MASS[system].sign}"
            known = Known.WEIGHED
        said: dict[str, Any] = {"mass_kg": weight_kg}
        if unit.startswith("in:"):
            said |= {"container": unit[3:], "count": amount}
        elif unit == "volume":
            said["volume_m3"] = VOLUME[system].to_si(amount)
        else:
            said["mass_kg"] = MASS[system].to_si(amount)
            known = unit
        return Quantity(known=known, as_typed=as_typed[:120], **said)


class Choices:
    """What a delivery from one source offers to choose from, asked of the records once."""

    def __init__(
        self, source: Source | None, known: Mapping[str, Material], lots: tuple[WaitingLot, ...]
    ) -> None:
        own = [] if source is None else [c for c in source.containers.all() if not c.retired_at]
        others = [c for c in Container.objects.filter(retired_at=None) if c not in own]
        self.containers = (*own, *others)
        ids = [] if source is None else source.material_ids
        self.usual_ids = [one for one in ids if one in known]
        self.usual = [known[one].name for one in self.usual_ids]
        places = Place.objects.filter(retired_at=None, kind__in=_WAITING_PLACES)
        self.places = [(place.code, place.name) for place in places]
        stood = {lot.state.material_id: lot.state.place for lot in lots if lot.state.place}
        self._stood = {name: place.code for name, place in stood.items()}

    def units(self, person: User) -> list[tuple[str, str]]:
        """Return what an amount may be counted in, the source's own containers first."""
        mass, volume = MASS[person.units].sign, VOLUME[person.units].sign
        return [
            *((f"in:{one.code}", f"× {one.name}") for one in self.containers),
            (Known.WEIGHED.value, _("%(unit)s, weighed") % {"unit": mass}),
            (Known.ESTIMATED.value, _("%(unit)s, estimated") % {"unit": mass}),
            ("volume", volume),
        ]

    def initial(self) -> list[dict[str, str]]:
        """Return the first lines: the usual materials where each last stood, then a blank one."""
        first = self.places[0][0] if self.places else ""
        lines = [
            {"material": name, "place": self._stood.get(material_id, first)}
            for material_id, name in zip(self.usual_ids, self.usual, strict=True)
        ]
        return [*lines[: MOST_LINES - 1], {"place": first}]


class DeliveryForm(OnceForm):
    """Who brought it and when."""

    kind = Kind.DELIVERY

    source = forms.ModelChoiceField(
        label=gettext_lazy("From"),
        queryset=Source.objects.filter(retired_at=None),
        to_field_name="code",
        empty_label=None,
    )

    field_order = ("source", "happened_at", "note", "entry_id", "again")

    def __init__(self, *args: Any, lines: list[LineForm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines = lines

    def clean(self) -> dict[str, Any]:
        """Hold that at least one line is filled in, and that those filled in are right."""
        said = super().clean() or self.cleaned_data
        filled = [line for line in self.lines if not line.is_blank]
        if not filled:
            raise ValidationError(_("State at least one material and how much of it."))
        if not all(line.is_valid() for line in filled):
            raise ValidationError(_("A line below is not right yet; nothing was written."))
        return said

    def act(self) -> ReceiveDelivery:
        """Return the delivery that the form states."""
        filled = [line for line in self.lines if not line.is_blank]
        return ReceiveDelivery(
            **self.said(),
            source=self.cleaned_data["source"].code,
            lines=tuple(line.line() for line in filled),
        )

    def refuse(self, error: YardError) -> None:
        """Put what the records refuse beside the line and field that it is about."""
        parts = error.field.split(".")
        if parts[0] != "lines" or len(parts) < 2:
            super().refuse(error)
            return
        filled = [line for line in self.lines if not line.is_blank]
        names = {"mass_kg": "weight", "volume_m3": "amount", "container": "unit", "count": "amount"}
        name = names.get(parts[-1], "amount" if parts[-1] == "quantity" else parts[-1])
        line = filled[int(parts[1])]
        line.add_error(
            name if name in line.fields else None, error.message[:1].upper() + error.message[1:]
        )
        self.add_error(None, _("A line below is not right yet; nothing was written."))


def lines_for(
    person: User,
    choices: Choices,
    known: Mapping[str, Material],
    *,
    data: Mapping[str, Any] | None = None,
    more: bool = False,
) -> list[LineForm]:
    """Return the lines: as first shown, as sent, or (``more``) as typed with one line more.

    Asking for another line judges nothing yet: the lines keep what was typed and say no fault.
    """
    if data is None:
        return [
            LineForm(prefix=f"line-{at}", initial=line, **_common(person, choices, known))
            for at, line in enumerate(choices.initial())
        ]
    try:
        count = min(max(int(data.get("lines", 1)), 1), MOST_LINES)
    except ValueError:
        count = 1
    typed: list[dict[str, Any]] = [
        {
            name: data[f"line-{at}-{name}"]
            for name in LineForm.base_fields
            if f"line-{at}-{name}" in data
        }
        for at in range(count)
    ]
    if more:
        typed.append({"place": choices.places[0][0] if choices.places else ""})
    common = _common(person, choices, known)
    lines = []
    for at, line in enumerate(typed[:MOST_LINES]):
        form = LineForm(data, prefix=f"line-{at}", **common)
        if more or form.is_blank:
            form = LineForm(prefix=f"line-{at}", initial=line, **common)
        lines.append(form)
    return lines


def _common(person: User, choices: Choices, known: Mapping[str, Material]) -> dict[str, Any]:
    return {"person": person, "choices": choices, "known": known, "use_required_attribute": False}
