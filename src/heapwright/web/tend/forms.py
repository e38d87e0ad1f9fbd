"""The short forms of what is done at a heap."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any, ClassVar, Final
from uuid import uuid4

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import ActForm
from heapwright.yard import tend, use
from heapwright.yard.acts import Act, UseCase, as_sent
from heapwright.yard.amounts import Quantity
from heapwright.yard.errors import YardError
from heapwright.yard.models import (
    Container,
    Cover,
    Entry,
    Kind,
    Known,
    LotKind,
    Place,
    PlaceKind,
    Smell,
    Squeeze,
    Stage,
)
from heapwright.yard.models.readings import TEMP_HIGH_C, TEMP_LOW_C
from heapwright.yard.photos import Picture, picture
from heapwright.yard.state import LotState

POINTS = (1, 2, 3, 4, 5)
FOR_PILES = (
    PlaceKind.BAY,
    PlaceKind.LANE,
    PlaceKind.VESSEL,
    PlaceKind.CURING,
    PlaceKind.TRENCH,
)
TWICE_WITHIN: Final = timedelta(minutes=10)
Choices = list[tuple[str, str]]


def _places(lot: LotState, kinds: Iterable[str] = (), *, here: bool = False) -> Choices:
    found = Place.objects.filter(retired_at=None).exclude(kind=PlaceKind.BED).order_by("id")
    if kinds:
        found = found.filter(kind__in=kinds)
    if lot.place is not None and not here:
        found = found.exclude(id=lot.place.id)
    return [(place.code, place.name) for place in found]


def _content(sent: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in sent.items() if name not in ("id", "happened_at")}


def _lacking(field: forms.Field) -> str:
    """Return what is said of a field that was left empty."""
    if isinstance(field, forms.MultipleChoiceField):
        return _("Tick at least one.")
    return _("Choose one.") if isinstance(field, forms.ChoiceField) else _("This is needed.")


class LotForm(ActForm):
    """The form of an act on one lot.

    ``kind`` is the entry that it writes; ``groups`` are fields that stand together under a
    legend. The same thing written by the same person a few minutes ago, as after the back
    button, is asked about once (``again``) before it is written a second time.
    """

    kind: ClassVar[Kind]
    groups: ClassVar[Sequence[tuple[Any, Sequence[str]]]] = ()

    again = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, lot: LotState, **kwargs: Any) -> None:
        self.lot = lot
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            field.error_messages["required"] = _lacking(field)

    def said(self) -> dict[str, Any]:
        """Return the fields that every act on a lot has."""
        return {**super().said(), "lot": self.lot.code}

    def write(self, use_case: UseCase[Any]) -> Entry | None:
        """Write the act, unless the same was written just now and nobody said that it is two."""
        twin = self._twin() if self.is_valid() else None
        if twin is not None and self.cleaned_data["again"] != str(twin.uuid):
            self.data = self.data.copy()
            self.data["again"] = str(twin.uuid)
            self.add_error(
                None,
                _("You wrote just this at %(time)s. If it happened twice, press again.")
                % {"time": f"{timezone.localtime(twin.recorded_at):%H:%M}"},
            )
            return None
        return super().write(use_case)

    def _twin(self) -> Entry | None:
        """Return an entry that says the same of the lot, by the same person, minutes ago."""
        act = self.act()
        for entry in Entry.objects.filter(
            lots__code=self.lot.code,
            kind=self.kind,
            recorded_by=self.person,
            struck_at=None,
            recorded_at__gte=timezone.now() - TWICE_WITHIN,
        ).exclude(uuid=act.id):
            if _content(entry.sent) == _content(as_sent(act)):
                return entry
        return None

    def refuse(self, error: YardError) -> None:
        """Put a refusal beside its field; a form sent before gets a new id, to be sent again."""
        if error.field == "id":
            self.data = self.data.copy()
            self.data["entry_id"] = str(uuid4())
            self.add_error(
                None,
                _(
                    "This form was written before, with other figures. Strike that entry if it "
                    "was wrong; press again to write these too."
                ),
            )
        else:
            super().refuse(error)


class CheckForm(LotForm):
    """Temperatures by point, moisture by squeeze, smell: what is read at the heap."""

    kind = Kind.CHECK
    field_names: ClassVar = {
        "temps": "temp_1",
        "temps.depth_cm": "depth",
        "height_m": "height",
        "oxygen_pct": "oxygen",
        "photo": "photo",
        "photo_alt": "photo_alt",
    }

    temp_1 = MeasureField("temp", label=gettext_lazy("Point 1"), required=False)
    temp_2 = MeasureField("temp", label=gettext_lazy("Point 2"), required=False)
    temp_3 = MeasureField("temp", label=gettext_lazy("Point 3"), required=False)
    temp_4 = MeasureField("temp", label=gettext_lazy("Point 4"), required=False)
    temp_5 = MeasureField("temp", label=gettext_lazy("Point 5"), required=False)
    squeeze = forms.ChoiceField(
        label=gettext_lazy("A squeezed handful"),
        required=False,
        choices=[("", gettext_lazy("not squeezed")), *Squeeze.choices],
    )
    smell = forms.ChoiceField(
        label=gettext_lazy("It smells"),
        required=False,
        choices=[("", gettext_lazy("not smelled")), *Smell.choices],
    )
    depth = MeasureField("depth", label=gettext_lazy("Depth of the probe"), required=False)
    height = MeasureField("length", label=gettext_lazy("Height of the heap"), required=False)
    oxygen = NumberField(label=gettext_lazy("Oxygen"), required=False, low=0, high=21)
    pests = forms.CharField(
        label=gettext_lazy("Flies, rats, others"), required=False, max_length=120
    )
    photo = forms.FileField(
        label=gettext_lazy("Photo"),
        required=False,
        allow_empty_file=True,  # told apart below, in our words
        widget=forms.FileInput({"accept": "image/jpeg,image/png,image/webp"}),
        help_text=gettext_lazy(
            "Of the heap, not of people. It is made small, and where and with what it was taken "
            "is left out of it."
        ),
    )
    photo_alt = forms.CharField(
        label=gettext_lazy("What the photo shows"),
        required=False,
        max_length=200,
        help_text=gettext_lazy("For those who cannot see it."),
    )

    def __init__(
        self, *args: Any, usual: Mapping[str, float | None] | None = None, **kwargs: Any
    ) -> None:
        """Make the form; ``usual`` are the points read so far, each with its last depth in cm.

        The fields are named after them, since a proof asks for the same points every day. Their
        names travel with the form, so that what is typed beside a name is written under it.
        """
        super().__init__(*args, **kwargs)
        usual = usual or {}
        depth = self.fields["depth"]
        assert isinstance(depth, MeasureField)
        told = {cm for cm in usual.values() if cm is not None}
        self.depth_cm = told.pop() if len(told) == 1 and None not in usual.values() else None
        if self.depth_cm is not None:
            self.initial["depth"] = f"{depth.unit.from_si(self.depth_cm):.3g}"
        self.depths = dict(usual)
        self.points = self._points(list(usual))
        for point, name in zip(POINTS, self.points, strict=True):
            label = _("Point %(n)s") % {"n": name} if name.isdecimal() else name.capitalize()
            cm = usual.get(name)
            if cm is not None and self.depth_cm is None:
                label += f", {depth.unit.from_si(cm):.0f}\u00a0{depth.sign}"
            self.fields[f"temp_{point}"].label = label

    def _points(self, usual: list[str]) -> list[str]:
        """Return the name of each point: as the form was shown, else as usual, then numbers."""
        if self.is_bound:
            sent = [str(self.data.get(f"point_{point}", "")).strip()[:20] for point in POINTS]
            given = [name or str(point) for name, point in zip(sent, POINTS, strict=True)]
            return given if len(set(given)) == len(given) else [str(point) for point in POINTS]
        free = [str(point) for point in POINTS if str(point) not in usual]
        return [*usual, *free][: len(POINTS)]

    def named(self) -> list[tuple[str, str]]:
        """Return the hidden fields that carry the points' names."""
        return [(f"point_{point}", name) for point, name in zip(POINTS, self.points, strict=True)]

    def temps(self) -> list[Any]:
        """Return the fields of the first points, which stand side by side."""
        return [self[f"temp_{point}"] for point in POINTS[:3]]

    def more_temps(self) -> list[Any]:
        """Return the fields of the further points."""
        return [self[f"temp_{point}"] for point in POINTS[3:]]

    def more_wanted(self) -> bool:
        """Whether something was typed, or is wrong, in the part that is closed at first."""
        rest = ("temp_4", "temp_5", "happened_at", "depth", "height", "oxygen", "pests", "note")
        return self.is_bound and any(
            name in self.errors or (name != "happened_at" and name in self.changed_data)
            for name in rest
        )

    def photo_lost(self) -> bool:
        """Whether a photo was sent with a form that is shown again, which no browser keeps."""
        return self.is_bound and "photo" in self.files

    def photo_wanted(self) -> bool:
        """Whether something was sent, or is wrong, in the part of the photo."""
        return self.photo_lost() or (
            self.is_bound
            and (
                "photo" in self.errors
                or "photo_alt" in self.errors
                or bool(self.data.get("photo_alt"))
            )
        )

    def clean_photo(self) -> Picture | None:
        """Return the photo made anew, None without one."""
        sent = self.cleaned_data["photo"]
        if sent is None or sent is False:
            return None
        try:
            return picture(sent, size_bytes=sent.size)
        except YardError as error:
            raise ValidationError(f"{error.message[:1].upper()}{error.message[1:]}.") from None

    def clean(self) -> dict[str, Any]:
        """Refuse a temperature that no heap has, beside its own field."""
        cleaned = super().clean() or self.cleaned_data
        for point in POINTS:
            name = f"temp_{point}"
            temp_c, field = cleaned.get(name), self.fields[name]
            assert isinstance(field, MeasureField)
            if temp_c is not None and not TEMP_LOW_C <= temp_c <= TEMP_HIGH_C:
                self.add_error(
                    name,
                    ValidationError(
                        _("No heap is at %(temp)s %(unit)s; look at the probe again.")
                        % {"temp": self.data.get(self.add_prefix(name)), "unit": field.sign}
                    ),
                )
        return cleaned

    def act(self) -> Act:
        """Return the check."""
        read = self.cleaned_data
        told = "depth" in self.changed_data
        return tend.CheckLot(
            **self.said(),
            temps=tuple(
                tend.Temp(
                    point=name,
                    temp_c=read[f"temp_{point}"],
                    depth_cm=read["depth"] if told else self.depths.get(name, self.depth_cm),
                    as_typed=self.as_typed(f"temp_{point}"),
                )
                for point, name in zip(POINTS, self.points, strict=True)
                if read[f"temp_{point}"] is not None
            ),
            squeeze=read["squeeze"],
            smell=read["smell"],
            pests=read["pests"],
            height_m=read["height"],
            oxygen_pct=read["oxygen"],
            photo=read["photo"],
            photo_alt=read["photo_alt"],
        )


class TurnForm(LotForm):
    """Turned, where it stands or into another bay."""

    kind = Kind.TURN
    to_place = forms.ChoiceField(label=gettext_lazy("Into"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        here = _("where it stands")
        self.fields["to_place"].choices = [("", here), *_places(self.lot, FOR_PILES)]

    def act(self) -> Act:
        """Return the turning."""
        return tend.Turn(**self.said(), to_place=self.cleaned_data["to_place"])


class WaterForm(LotForm):
    """Wetted, with how much."""

    kind = Kind.WATER
    litres = MeasureField(
        "liquid",
        label=gettext_lazy("Water"),
        help_text=gettext_lazy("From the hose, the butt or cans; not rain."),
    )

    def act(self) -> Act:
        """Return the wetting."""
        return tend.Water(**self.said(), litres=self.cleaned_data["litres"])


class CoverForm(LotForm):
    """Covered or uncovered."""

    kind = Kind.COVER
    cover = forms.ChoiceField(
        label=gettext_lazy("It lies now"), choices=Cover.choices, widget=forms.RadioSelect
    )

    def act(self) -> Act:
        """Return the covering."""
        return tend.CoverLot(**self.said(), cover=self.cleaned_data["cover"])


class MoveForm(LotForm):
    """Moved whole, without being turned over."""

    kind = Kind.MOVE
    to_place = forms.ChoiceField(label=gettext_lazy("To"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to_place"].choices = [("", _("choose")), *_places(self.lot)]

    def act(self) -> Act:
        """Return the move."""
        return tend.Move(**self.said(), to_place=self.cleaned_data["to_place"])


class MeasureForm(LotForm):
    """Weighed, or its volume measured."""

    kind = Kind.MEASURE
    field_names: ClassVar = {
        "mass_kg": "mass",
        "volume_m3": "volume",
        "bulk_density_kg_m3": "density",
    }

    volume = MeasureField("volume", label=gettext_lazy("Volume"), required=False)
    settled = forms.BooleanField(
        label=gettext_lazy("It only sank; it lost no weight"), required=False
    )
    mass = MeasureField("mass", label=gettext_lazy("Weight from the scales"), required=False)
    density = MeasureField(
        "density",
        label=gettext_lazy("Weight of a measured bucket, by volume"),
        required=False,
        help_text=gettext_lazy("Left empty, the density of the books makes the weight."),
    )

    def act(self) -> Act:
        """Return the measuring."""
        read = self.cleaned_data
        return tend.WeighOrMeasure(
            **self.said(),
            mass_kg=read["mass"],
            volume_m3=read["volume"],
            bulk_density_kg_m3=read["density"],
            settled=read["settled"],
            as_typed=", ".join(
                filter(None, (self.as_typed(name) for name in ("mass", "volume", "density")))
            ),
        )


class CombineForm(LotForm):
    """Other lots of the same kind put onto this one, whole."""

    kind = Kind.COMBINE
    field_names: ClassVar = {"into": "others", "lots": "others"}

    others = forms.MultipleChoiceField(
        label=gettext_lazy("Put onto it, all of"), widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, standing: Iterable[LotState], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["others"].choices = [
            (one.code, _which(one))
            for one in standing
            if one.kind == self.lot.kind
            and one.code != self.lot.code
            and (one.kind != LotKind.STOCK or one.material_id == self.lot.material_id)
        ]

    def act(self) -> Act:
        """Return the combining."""
        said = self.said()
        return tend.Combine(
            id=said["id"],
            happened_at=said["happened_at"],
            note=said["note"],
            lots=tuple(self.cleaned_data["others"]),
            into=said["lot"],
        )


def _which(lot: LotState) -> str:
    """Return a lot as one picks it out: its code, where it stands, how far it is."""
    parts = [lot.code, lot.place.name if lot.place else ""]
    parts.append(str(Stage(lot.stage).label) if lot.stage else "")
    return " · ".join(part for part in parts if part)


def _amount(prefix: str = "") -> tuple[str, ...]:
    """Return the names of the fields that state how much."""
    return tuple(f"{prefix}{name}" for name in ("mass", "volume", "count", "container"))


class AmountFields(ActForm):
    """Fields that ask how much: by the scales, by volume, or in so many containers."""

    mass = MeasureField("mass", label=gettext_lazy("By the scales"), required=False)
    volume = MeasureField("volume", label=gettext_lazy("By volume"), required=False)
    count = NumberField(label=gettext_lazy("So many"), required=False)
    container = forms.ChoiceField(label=gettext_lazy("Of which"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        containers = [(one.code, one.name) for one in Container.objects.filter(retired_at=None)]
        for name, field in self.fields.items():
            if name.endswith("container"):
                field.choices = [("", _("choose")), *containers]  # type: ignore[attr-defined]

    def quantity(self, prefix: str = "") -> Quantity | None:
        """Return what was stated, None where nothing was."""
        read = self.cleaned_data
        mass_kg, volume_m3 = read[f"{prefix}mass"], read[f"{prefix}volume"]
        count, container = read[f"{prefix}count"], read[f"{prefix}container"]
        if mass_kg is None and volume_m3 is None and count is None and not container:
            return None
        return Quantity(
            mass_kg=mass_kg,
            volume_m3=volume_m3,
            container=container,
            count=count,
            known=Known.WEIGHED if mass_kg is not None else "",
            as_typed=self._typed(prefix),
        )

    def _typed(self, prefix: str) -> str:
        parts = [self.as_typed(f"{prefix}{name}") for name in ("mass", "volume")]
        if self.cleaned_data[f"{prefix}container"]:
            count = self.data.get(f"{prefix}count", "").strip()
            parts.append(f"{count} × {self.cleaned_data[f'{prefix}container']}")
        return ", ".join(filter(None, parts))[:120]


class AmountForm(AmountFields, LotForm):
    """A form of an act on one lot that asks how much."""

    groups: ClassVar = ((gettext_lazy("How much"), _amount()),)


def _amount_names(act: str, prefix: str = "") -> dict[str, str]:
    """Return the form's fields for the fields of a quantity in an act."""
    return {
        act: f"{prefix}mass",
        f"{act}.mass_kg": f"{prefix}mass",
        f"{act}.volume_m3": f"{prefix}volume",
        f"{act}.count": f"{prefix}count",
        f"{act}.container": f"{prefix}container",
    }


class DivideForm(AmountForm):
    """A part taken off; it becomes a lot of its own."""

    kind = Kind.DIVIDE
    field_names: ClassVar = {**_amount_names("parts.0.quantity"), "parts.0.place": "place"}

    place = forms.ChoiceField(label=gettext_lazy("Put the part"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].choices = [("", _("choose")), *_places(self.lot, here=True)]

    def act(self) -> Act:
        """Return the dividing."""
        part = tend.Part(place=self.cleaned_data["place"], quantity=self.quantity() or Quantity())
        return tend.Divide(**self.said(), parts=(part,))


class ScreenForm(AmountForm):
    """Screened: what fell through, and the overs that go round again."""

    kind = Kind.SCREEN
    field_names: ClassVar = {
        **_amount_names("compost.quantity"),
        **_amount_names("overs.quantity", "overs_"),
        "compost.place": "place",
        "overs.place": "overs_place",
        "lot": "mass",
    }

    groups: ClassVar = (
        (gettext_lazy("Compost, what fell through"), (*_amount(), "place")),
        (gettext_lazy("Overs, if there were any"), (*_amount("overs_"), "overs_place")),
    )

    place = forms.ChoiceField(label=gettext_lazy("Put where"))
    overs_mass = MeasureField("mass", label=gettext_lazy("By the scales"), required=False)
    overs_volume = MeasureField("volume", label=gettext_lazy("By volume"), required=False)
    overs_count = NumberField(label=gettext_lazy("So many"), required=False)
    overs_container = forms.ChoiceField(label=gettext_lazy("Of which"), required=False)
    overs_place = forms.ChoiceField(label=gettext_lazy("Put where"), required=False)
    all_of_it = forms.BooleanField(
        label=gettext_lazy("Nothing of the pile is left"), required=False, initial=True
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("place", "overs_place"):
            self.fields[name].choices = [("", _("choose")), *_places(self.lot, here=True)]

    def clean(self) -> dict[str, Any]:
        """Ask where the overs went when there are some."""
        cleaned = super().clean() or self.cleaned_data
        stated = [name for name in ("mass", "volume", "count") if cleaned.get(f"overs_{name}")]
        if stated and not cleaned.get("overs_place"):
            self.add_error("overs_place", _("Where were the overs put?"))
        return cleaned

    def act(self) -> Act:
        """Return the screening."""
        read, overs = self.cleaned_data, self.quantity("overs_")
        return use.Screen(
            **self.said(),
            compost=use.Output(place=read["place"], quantity=self.quantity() or Quantity()),
            overs=use.Output(place=read["overs_place"], quantity=overs) if overs else None,
            all_of_it=read["all_of_it"],
        )


class StageForm(LotForm):
    """Declared full, curing or ready."""

    kind = Kind.STAGE
    stage = forms.ChoiceField(label=gettext_lazy("It is now"), widget=forms.RadioSelect)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        words = {
            Stage.HOT: _("full: nothing more goes on it"),
            Stage.CURING: _("curing: past its heat"),
            Stage.READY: _("ready to use"),
        }
        allowed = words if self.person.may_lead else {Stage.HOT: words[Stage.HOT]}
        choices = [
            (stage.value, word) for stage, word in allowed.items() if stage != self.lot.stage
        ]
        self.fields["stage"].choices = choices
        if len(choices) == 1:
            self.initial.setdefault("stage", choices[0][0])

    def act(self) -> Act:
        """Return the declaration."""
        return tend.DeclareStage(**self.said(), stage=self.cleaned_data["stage"])


class DiscardForm(AmountForm):
    """Disposed of: part of it, or all."""

    kind = Kind.DISCARD
    groups: ClassVar = ((gettext_lazy("How much; left empty, all of it"), _amount()),)
    field_names: ClassVar = _amount_names("quantity")

    why = forms.CharField(label=gettext_lazy("Why"), max_length=200)

    def act(self) -> Act:
        """Return the discarding; with no amount, of all of it."""
        return use.Discard(**self.said(), why=self.cleaned_data["why"], quantity=self.quantity())
