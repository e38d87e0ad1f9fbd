"""What a person asks of a mix: where, how much, from which stock, within which limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data import constant
from heapwright.data.mixing import acceptable_limits
from heapwright.people.models import Units, User
from heapwright.science.mixing import Limit
from heapwright.units import M3_PER_L
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import PersonForm
from heapwright.web.measures import LENGTH, LIQUID, MASS, MEASURES, VOLUME
from heapwright.web.mix.words import short_names
from heapwright.yard.heap_shape import footprint_m2
from heapwright.yard.models import Place
from heapwright.yard.stock import OnHand, WaitingLot

AMOUNT: Final = "amount."
"""First part of the name of an amount's field; the ingredient's id follows."""

LIMITS: Final = (
    ("cn", "low"), ("cn", "high"), ("moisture_pct", "low"), ("moisture_pct", "high"),
    ("bulk_density_kg_m3", "high"), ("free_air_space_pct", "low"),
)  # fmt: skip


class MixForm(PersonForm):
    """The wish and, where a person changed them, the amounts.

    ``units`` in the query says in which system its figures are, so that an address that was
    handed on means the same to everybody.
    """

    place = forms.ChoiceField(label=gettext_lazy("Where"))
    want = NumberField(
        label=gettext_lazy("How much"),
        required=False,
        low=0.01,
        help_text=gettext_lazy("Left empty: as much as heats well and the place holds."),
    )
    want_as = forms.ChoiceField(label=gettext_lazy("Meant as"), required=False)
    cn_low = NumberField(label=gettext_lazy("C:N, at least"), low=1, high=1000)
    cn_high = NumberField(label=gettext_lazy("C:N, at most"), low=1, high=1000)
    moisture_pct_low = NumberField(label=gettext_lazy("Moisture, at least"), low=0, high=100)
    moisture_pct_high = NumberField(label=gettext_lazy("Moisture, at most"), low=0, high=100)
    bulk_density_kg_m3_high = MeasureField(
        "density", label=gettext_lazy("Bulk density, at most"), low=1
    )
    free_air_space_pct_low = NumberField(
        label=gettext_lazy("Free air space, at least"), low=0, high=99
    )
    chance = NumberField(
        label=gettext_lazy("How sure it has to be"),
        required=False,
        low=50,
        high=99,
        help_text=gettext_lazy("Left empty: 90 % where the stock allows."),
    )
    no_water = forms.BooleanField(label=gettext_lazy("Add no water"), required=False)
    lot = forms.MultipleChoiceField(
        label=gettext_lazy("Stock to use"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        error_messages={
            "invalid_choice": gettext_lazy("%(value)s is not on hand any more; propose anew.")
        },
    )
    water = MeasureField("liquid", label=gettext_lazy("Water to add"), required=False, low=0)

    def __init__(
        self,
        query: QueryDict,
        *,
        person: User,
        places: Sequence[tuple[Place, str]],
        lots: Sequence[tuple[WaitingLot, str]],
        on_hand: Sequence[OnHand],
    ) -> None:
        self.system: str = query.get("units", "")
        if self.system not in Units.values:
            self.system = person.units
        asked = "asked" in query
        super().__init__(query.copy() if asked else QueryDict(mutable=True), person=person)
        for field in self.fields.values():
            if isinstance(field, MeasureField):
                field.use(self.system)
        self.places = {place.code: place for place, _label in places}
        self.fields["place"].choices = [(place.code, label) for place, label in places]
        self.fields["want_as"].choices = [
            ("volume", _("%(unit)s, the volume") % {"unit": VOLUME[self.system].sign}),
            ("height", _("%(unit)s high") % {"unit": LENGTH[self.system].sign}),
        ]
        self.fields["lot"].choices = [(lot.code, label) for lot, label in lots]
        self.on_hand = {one.id: one for one in on_hand}
        names = short_names(on_hand)
        for one in on_hand:
            self.fields[AMOUNT + one.id] = NumberField(
                label=names[one.id], required=False, low=0, high=1e6
            )
        limits = acceptable_limits()
        for name, side in LIMITS:
            self.data.setdefault(f"{name}_{side}", self._shown(name, getattr(limits[name], side)))
        if not asked:
            self.data["place"] = query.get("place", "")
            self.data.setlist("lot", [lot.code for lot, _label in lots])
        if places and self.data.get("place") not in self.places:
            self.data["place"] = places[0][0].code

    def _shown(self, name: str, value: float) -> str:
        if name == "bulk_density_kg_m3":
            value = MEASURES["density"][self.system].from_si(value)
        return f"{value:.4g}"

    def clean(self) -> dict[str, Any]:
        """Hold that ranges run upward, and that an asked height fits the place's ground."""
        said = super().clean() or self.cleaned_data
        for name in ("cn", "moisture_pct"):
            low, high = said.get(f"{name}_low"), said.get(f"{name}_high")
            if low is not None and high is not None and low >= high:
                self.add_error(f"{name}_high", _("This has to be more than the least."))
        return said

    # what was asked, in SI

    @property
    def at(self) -> Place:
        """The place to build at."""
        return self.places[self.cleaned_data["place"]]

    def volume_m3(self) -> float | None:
        """Return the wanted volume, None where as much as possible is wanted."""
        want = self.cleaned_data["want"]
        if want is None:
            return None
        if self.cleaned_data["want_as"] == "height":
            height_m = LENGTH[self.system].to_si(want)
            ground_m2 = footprint_m2(self.at, self.at.width_m * self.at.depth_m * height_m)
            return float(height_m * ground_m2)
        return VOLUME[self.system].to_si(want)

    def limits(self) -> dict[str, Limit]:
        """Return the acceptable ranges as stated."""
        said = self.cleaned_data
        sides: dict[str, dict[str, float]] = {}
        for name, side in LIMITS:
            sides.setdefault(name, {})[side] = said[f"{name}_{side}"]
        return {name: Limit(**bounds) for name, bounds in sides.items()}

    def sureness(self) -> float | None:
        """Return the sureness asked for, as a fraction."""
        chance = self.cleaned_data["chance"]
        return None if chance is None else chance / 100.0

    def amounts_kg(self) -> dict[str, float]:
        """Return the stated amounts by ingredient."""
        return {
            name: one.settled_kg(stated * self._unit_kg(one))
            for name, one in self.on_hand.items()
            if (stated := self.cleaned_data.get(AMOUNT + name))
        }

    def water_kg(self) -> float:
        """Return the stated water."""
        return self.litres() * M3_PER_L * _water_kg_m3()

    def litres(self) -> float:
        """Return the stated water in litres."""
        return float(self.cleaned_data.get("water") or 0.0)

    # what is shown

    def counts(self, one: OnHand) -> bool:
        """Tell whether amounts are counted in containers: not where less than half of one lies."""
        return bool(one.container_kg) and one.container_kg / 2 <= one.available_kg

    def _unit_kg(self, one: OnHand) -> float:
        """Return the mass of one of what an amount is counted in."""
        return one.container_kg if self.counts(one) else MASS[self.system].to_si(1.0)

    def unit_of(self, one: OnHand) -> str:
        """Return what an amount is counted in."""
        return f"× {one.container.name}" if self.counts(one) else MASS[self.system].sign

    def shown_amount(self, one: OnHand, mass_kg: float) -> str:
        """Return an amount as a person types it."""
        count = mass_kg / self._unit_kg(one)
        return f"{count:.4g}" if self.counts(one) or count < 100.0 else f"{count:.0f}"

    def put(self, amounts_kg: Mapping[str, float], water_kg: float) -> None:
        """Show these amounts in the fields."""
        litres = water_kg / _water_kg_m3() / M3_PER_L
        shown = {
            AMOUNT + name: self.shown_amount(one, amounts_kg[name]) if name in amounts_kg else ""
            for name, one in self.on_hand.items()
        }
        shown["water"] = f"{LIQUID[self.system].from_si(litres):.0f}" if litres >= 0.5 else ""
        for name, text in shown.items():
            self.data[name] = text


def _water_kg_m3() -> float:
    return constant("water_density_kg_m3").value
