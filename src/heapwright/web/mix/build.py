"""Build it: from the amounts of a mix to the entry that makes or fills a pile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.web.answers import done
from heapwright.web.fields import MeasureField
from heapwright.web.forms import OnceForm
from heapwright.web.measures import LENGTH, LIQUID, with_unit
from heapwright.web.mix.answer import answer
from heapwright.web.mix.asked import Asked, ask
from heapwright.web.mix.words import short_names
from heapwright.web.shell import helper_only
from heapwright.yard.acts import Take, first_lot
from heapwright.yard.heap_shape import footprint_m2
from heapwright.yard.mix import AddToPile, BuildPile, add_to_pile, build_pile
from heapwright.yard.models import Entry, Kind
from heapwright.yard.recipe import lots_used, takes_of
from heapwright.yard.recipe_plan import Worked
from heapwright.yard.state import LotState

FULL = "full"
FILLING = "filling"


@dataclass(frozen=True, slots=True)
class Used:
    """A lot that a build draws on."""

    code: str
    name: str
    taken: str
    left: str


class BuildForm(OnceForm):
    """When it was built, how full it is, and what was left behind."""

    kind = Kind.BUILD

    state = forms.ChoiceField(
        label=gettext_lazy("The filling"),
        choices=[
            (FULL, gettext_lazy("is done: the pile is full, the proof counts from now")),
            (FILLING, gettext_lazy("goes on: more comes on it in the next days")),
        ],
        initial=FULL,
        widget=forms.RadioSelect,
    )
    height = MeasureField(
        "length",
        label=gettext_lazy("Height as it stands"),
        required=False,
        low=0.05,
        high=30,
        help_text=gettext_lazy("Left empty: as worked out."),
    )
    water = MeasureField("liquid", label=gettext_lazy("Water sprinkled on"), required=False, low=0)
    gone = forms.MultipleChoiceField(
        label=gettext_lazy("Nothing was left of"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    def __init__(self, *args: Any, worked: Worked, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.worked = worked
        self.used = lots_used(worked.plan.amounts_kg, worked.of)
        units = self.person.units
        self.fields["gone"].choices = [
            (
                lot.code,
                _("%(lot)s; the books still hold %(left)s")
                % {"lot": lot.code, "left": with_unit(left_kg, "mass", units)},
            )
            for lot, _taken_kg, left_kg in self.used
            if left_kg > 0.001 * lot.mass_kg
        ]
        if not self.fields["gone"].choices:
            del self.fields["gone"]

    def takes(self) -> tuple[Take, ...]:
        """Return the lines in the order of the layers."""
        gone = self.cleaned_data.get("gone", ())
        return takes_of(self.worked.layers, self.worked.of, gone=gone)

    def laid(self) -> dict[str, Any]:
        """Return what a build and an addition both say."""
        return {
            **self.said(),
            "takes": self.takes(),
            "full": self.cleaned_data["state"] == FULL,
            "water_l": self.cleaned_data["water"] or 0.0,
        }

    def act(self) -> BuildPile:
        """Return the build that the form states."""
        place = self.worked.plan.place
        mix = self.worked.recipe.mix
        volume_m3 = None if mix is None else mix.volume_m3
        height_m = self.cleaned_data["height"]
        if height_m is not None and volume_m3 is not None:
            volume_m3 = height_m * footprint_m2(place, volume_m3)
        return BuildPile(**self.laid(), place=place.code, volume_m3=volume_m3)


class AddForm(BuildForm):
    """What goes on a pile that is filling."""

    kind = Kind.ADD

    lot = forms.ChoiceField(label=gettext_lazy("On which pile"))
    state = forms.ChoiceField(
        label=gettext_lazy("The filling"),
        choices=[
            (FILLING, gettext_lazy("goes on")),
            (FULL, gettext_lazy("is done: the pile is full, the proof counts from now")),
        ],
        initial=FILLING,
        widget=forms.RadioSelect,
    )

    field_order = ("lot", "state", "water", "gone", "happened_at", "note", "entry_id", "again")

    def __init__(self, *args: Any, filling: list[LotState], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["height"]
        self.fields["lot"].choices = [
            (one.code, f"{one.code}, {one.place.name}" if one.place else one.code)
            for one in filling
        ]

    def act(self) -> AddToPile:  # type: ignore[override]
        """Return the addition that the form states."""
        return AddToPile(**self.laid(), lot=self.cleaned_data["lot"])


@helper_only
def build(request: HttpRequest) -> HttpResponse:
    """Show what a build would write, and write it."""
    before = _written(request, Kind.BUILD)
    if before is not None:
        return HttpResponseRedirect(pile_page(first_lot(before).code), status=303)
    asked = ask(request.GET, request.user)
    if asked.worked is None or asked.worked.recipe.mix is None:
        return HttpResponseRedirect(f"{reverse('mix')}?{request.GET.urlencode()}")
    form = BuildForm(
        request.POST or None,
        person=request.user,
        worked=asked.worked,
        initial={"water": _litres(asked, request.user.units)},
    )
    if request.method == "POST":
        entry = form.write(build_pile)
        if entry is not None:
            pile = first_lot(entry)
            said = _("Built: %(pile)s in %(place)s.") % {
                "pile": pile.code,
                "place": asked.worked.plan.place.name,
            }
            return done(request, said, pile_page(pile.code), undo=entry)
    return _page(request, asked, form, "heapwright/mix/build.html")


@helper_only
def add(request: HttpRequest) -> HttpResponse:
    """Show what an addition to a filling pile would write, and write it."""
    before = _written(request, Kind.ADD)
    if before is not None:
        return HttpResponseRedirect(pile_page(before.sent["lot"]), status=303)
    asked = ask(request.GET, request.user)
    if asked.worked is None or asked.worked.recipe.mix is None or not asked.filling:
        return HttpResponseRedirect(f"{reverse('mix')}?{request.GET.urlencode()}")
    here = asked.stands_at(asked.worked.plan.place)
    form = AddForm(
        request.POST or None,
        person=request.user,
        worked=asked.worked,
        filling=asked.filling,
        initial={"water": _litres(asked, request.user.units), "lot": here.code if here else None},
    )
    if request.method == "POST":
        entry = form.write(add_to_pile)
        if entry is not None:
            code = form.cleaned_data["lot"]
            return done(
                request, _("Added to %(pile)s.") % {"pile": code}, pile_page(code), undo=entry
            )
    return _page(request, asked, form, "heapwright/mix/add.html")


def pile_page(code: str) -> str:
    """Return the address of a pile's page."""
    try:
        return reverse("pile", args=[code])
    except NoReverseMatch:
        return reverse("prove-lot", args=[code])


def _written(request: HttpRequest, kind: Kind) -> Entry | None:
    """Return the entry that this form made before: a second press writes nothing anew."""
    if request.method != "POST":
        return None
    entry_id = forms.UUIDField(required=False).clean(request.POST.get("entry_id", ""))
    return Entry.objects.filter(
        uuid=entry_id, kind=kind, recorded_by=request.user, struck_at=None
    ).first()


def _litres(asked: Asked, units: str) -> str:
    """Return the water of the mix as the person types it, empty when there is none."""
    water = LIQUID[units]
    litres = asked.form.litres()
    return f"{water.from_si(litres):.0f}" if litres >= 0.5 else ""


def _page(request: HttpRequest, asked: Asked, form: BuildForm, template: str) -> HttpResponse:
    assert asked.worked is not None
    units, names = request.user.units, short_names(asked.worked.of.on_hand)
    used = [
        Used(
            code=lot.code,
            name=names.get(lot.material.id, lot.material.name) if lot.material else "",
            taken=with_unit(taken_kg, "mass", units),
            left=with_unit(left_kg, "mass", units) if left_kg > 0.001 * lot.mass_kg else "",
        )
        for lot, taken_kg, left_kg in form.used
    ]
    return render(
        request,
        template,
        {
            "form": form,
            "used": used,
            "place": asked.worked.plan.place,
            "answer": answer(asked),
            "query": request.GET.urlencode(),
            "length_unit": LENGTH[units].sign,
            "liquid_unit": LIQUID[units].sign,
        },
        status=422 if form.is_bound else 200,
    )
