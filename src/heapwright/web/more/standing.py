"""What stood when the records began: entered in the first-time walk, or whenever it is found."""

from __future__ import annotations

from datetime import datetime, time
from typing import Any, ClassVar, Final

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.web.answers import done
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import OnceForm
from heapwright.web.shell import lead_only
from heapwright.web.tables import Column, Row, table
from heapwright.web.telling import Teller, material_names
from heapwright.web.tend.forms import AmountFields
from heapwright.yard import history
from heapwright.yard.acts import Act
from heapwright.yard.amounts import Quantity
from heapwright.yard.errors import YardError
from heapwright.yard.models import Kind, LotKind, Place, PlaceKind, Site, Stage
from heapwright.yard.receive import OpeningPart, OpenLot, open_lot

PARTS: Final = (1, 2, 3, 4)
NOON: Final = time(12, 0)

WHAT: Final = (
    (LotKind.PILE, gettext_lazy("a pile that composts or cures")),
    (LotKind.STOCK, gettext_lazy("raw stock of one material, waiting for a pile")),
    (LotKind.COMPOST, gettext_lazy("compost, screened or not")),
    (LotKind.OVERS, gettext_lazy("overs: what did not fall through the screen")),
)
HOW_FAR: Final = (
    (Stage.FILLING, gettext_lazy("still filling: there is raw material in it")),
    (Stage.HOT, gettext_lazy("full, heating or waiting to: there is raw material in it")),
    (Stage.CURING, gettext_lazy("curing: past its heat, nothing raw in it")),
    (Stage.READY, gettext_lazy("ready to use, nothing raw in it")),
)


class OpeningForm(AmountFields, OnceForm):
    """One lot that stood there: what, where, how much, and what is known of before."""

    kind = Kind.OPENING
    groups: ClassVar = (
        (gettext_lazy("How much of it"), ("mass", "volume", "count", "container", "density")),
        (gettext_lazy("Since when"), ("started", "happened_at")),
        (gettext_lazy("What it is made of, as far as you know"), ("material_1", "share_1")),
    )
    further: ClassVar = tuple(
        name for part in PARTS[1:] for name in (f"material_{part}", f"share_{part}")
    )
    field_names: ClassVar = {
        "kind": "what",
        "quantity": "mass",
        "quantity.mass_kg": "mass",
        "quantity.volume_m3": "volume",
        "quantity.count": "count",
        "quantity.container": "container",
        "bulk_density_kg_m3": "density",
        "materials": "material_1",
    }

    what = forms.ChoiceField(
        label=gettext_lazy("What stands there"), choices=WHAT, widget=forms.RadioSelect
    )
    place = forms.ChoiceField(label=gettext_lazy("Where"))
    stage = forms.ChoiceField(
        label=gettext_lazy("How far a pile or compost has come"),
        required=False,
        choices=[("", gettext_lazy("stock or overs: no stage")), *HOW_FAR],
    )
    density = MeasureField(
        "density",
        label=gettext_lazy("Weight of a measured bucket, by volume"),
        required=False,
        help_text=gettext_lazy("Where you know how much room it takes but not its weight."),
    )
    started = forms.DateField(
        label=gettext_lazy("Built, or came, on"),
        required=False,
        widget=forms.DateInput({"type": "date"}),
        help_text=gettext_lazy(
            "Only if you know. You may then enter readings and turnings of since then from your "
            "own log. Left empty, no proof will rest on what was before."
        ),
    )
    code = forms.CharField(
        label=gettext_lazy("Code on its stake"),
        required=False,
        max_length=20,
        help_text=gettext_lazy("Left empty, it gets the next free one."),
    )
    material_1 = forms.ChoiceField(label=gettext_lazy("Material"), required=False)
    material_2 = forms.ChoiceField(label=gettext_lazy("Second material"), required=False)
    material_3 = forms.ChoiceField(label=gettext_lazy("Third material"), required=False)
    material_4 = forms.ChoiceField(label=gettext_lazy("Fourth material"), required=False)
    share_1 = NumberField(
        label=gettext_lazy("About how much of it, by weight"), required=False, low=0.1, high=100
    )
    share_2 = NumberField(label=gettext_lazy("Share"), required=False, low=0.1, high=100)
    share_3 = NumberField(label=gettext_lazy("Share"), required=False, low=0.1, high=100)
    share_4 = NumberField(label=gettext_lazy("Share"), required=False, low=0.1, high=100)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        places = Place.objects.filter(retired_at=None).exclude(kind=PlaceKind.BED).order_by("id")
        self.fields["place"].choices = [
            ("", _("choose")), *((one.code, f"{one.code}: {one.name}") for one in places)
        ]  # fmt: skip
        known = sorted(material_names().items(), key=lambda pair: pair[1].casefold())
        for part in PARTS:
            self.fields[f"material_{part}"].choices = [("", _("not known")), *known]
            self.fields[f"share_{part}"].sign = "%"
        self.fields["happened_at"].label = _("From when on the site has records of it")
        self.fields["happened_at"].help_text = _("Counts where the day above is left empty.")

    def clean(self) -> dict[str, Any]:
        """Refuse a share without its material, and a day to come."""
        cleaned = super().clean() or self.cleaned_data
        for part in PARTS:
            if cleaned.get(f"share_{part}") is not None and not cleaned.get(f"material_{part}"):
                self.add_error(f"material_{part}", _("Of which material?"))
        started = cleaned.get("started")
        if started and started > timezone.now().astimezone(Site.load().tz).date():
            self.add_error("started", _("That day has not come yet."))
        return cleaned

    def further_fields(self) -> list[forms.BoundField]:
        """Return the fields of the second material and on, which are closed at first."""
        return [self[name] for name in self.further]

    def further_wanted(self) -> bool:
        """Whether something was said, or is wrong, in them."""
        return self.is_bound and any(
            self.errors.get(name) or self.data.get(name) for name in self.further
        )

    def parts(self) -> list[int]:
        """Return which materials are named, by number."""
        return [part for part in PARTS if self.cleaned_data[f"material_{part}"]]

    def act(self) -> Act:
        """Return the opening of the lot."""
        read, said = self.cleaned_data, self.said()
        if read["started"]:
            noon = datetime.combine(read["started"], NOON, Site.load().tz)
            said["happened_at"] = min(noon, timezone.now())
        return OpenLot(
            **said,
            kind=read["what"],
            place=read["place"],
            quantity=self.quantity() or Quantity(),
            materials=tuple(
                OpeningPart(material=read[f"material_{part}"], share_pct=read[f"share_{part}"])
                for part in self.parts()
            ),
            stage=read["stage"],
            start_known=read["started"] is not None,
            code=read["code"],
            bulk_density_kg_m3=read["density"],
        )

    def refuse(self, error: YardError) -> None:
        """Put a refusal beside its field, that of a material beside its line."""
        parts = error.field.split(".")
        if parts[0] == "materials" and len(parts) == 3:
            number = self.parts()[int(parts[1])]
            name = "share" if parts[2] == "share_pct" else "material"
            self.add_error(f"{name}_{number}", error.message[:1].upper() + error.message[1:])
        else:
            super().refuse(error)


@lead_only
def set_up_standing(request: HttpRequest) -> HttpResponse:
    """Enter what stood when the records began, one lot after the other."""
    form = OpeningForm(
        request.POST if request.method == "POST" else None,
        person=request.user,
        initial={"what": LotKind.PILE},
    )
    if request.method == "POST":
        entry = form.write(open_lot)
        if entry is not None:
            told = Teller(request.user.units)(history.entries().get(pk=entry.pk))
            return done(request, f"{told}.", "set-up-standing", undo=entry)
    context = {
        "form": form,
        "first": [form[name] for name in ("what", "place", "stage", "code")],
        "groups": [(legend, [form[name] for name in names]) for legend, names in form.groups],
        "last": [form["note"]],
        "there": _there(Teller(request.user.units)),
        "places": Place.objects.filter(retired_at=None).exists(),
    }
    return render(
        request,
        "heapwright/more/set_up_standing.html",
        context,
        status=422 if form.errors else 200,
    )


def _there(tell: Teller) -> dict[str, Any] | None:
    """Return what was entered so far, struck ones too."""
    rows = [
        Row(
            (
                format_html(
                    '<a href="{}">{}</a>', reverse("entry", args=[entry.uuid]), tell.when(entry)
                ),
                tell(entry),
                str(entry.recorded_by),
            ),
            struck=entry.is_struck,
        )
        for entry in history.entries(kinds=(Kind.OPENING,))
    ]
    if not rows:
        return None
    return table(
        "opening",
        _("Entered so far"),
        [Column(_("From when")), Column(_("What")), Column(_("By"))],
        rows,
    )
