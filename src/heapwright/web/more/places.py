"""Places: the list, the plan drawn to scale, adding one or whole rows, mending, retiring."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import Any, Final

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST, require_safe

from heapwright.people.models import Units, User
from heapwright.web.answers import done
from heapwright.web.drawing import places as drawn
from heapwright.web.drawing.yard_plan import yard_plan
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import PersonForm
from heapwright.web.measures import LENGTH, figure, with_unit
from heapwright.web.more.rows import RowForm
from heapwright.web.shell import lead_only
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.yard.models import Place, PlaceKind, Site
from heapwright.yard.state import state_at

DRAWN_AS: Final[dict[str, drawn.Kind]] = {
    PlaceKind.BAY: "bay",
    PlaceKind.STOCKPILE: "bunker",
    PlaceKind.LANE: "windrow",
    PlaceKind.CURING: "pad",
    PlaceKind.VESSEL: "vessel",
    PlaceKind.TRENCH: "trench",
    PlaceKind.SCREENING: "screen",
    PlaceKind.BED: "bed",
}

AISLE_M: Final = 2.0
"""Ground left free between rows of places: room for a barrow and a fork."""

FIELD_MAX_M: Final = 1000.0


@dataclass(frozen=True, slots=True)
class Usual:
    """What a row of places of a kind usually is; only where a form starts."""

    letter: str
    word: Any
    how_many: int
    rows: int
    width_m: float
    depth_m: float
    height_m: float | None
    gap_m: float


USUAL: Final[dict[str, Usual]] = {
    PlaceKind.BAY: Usual("B", gettext_lazy("Bay"), 8, 2, 1.2, 1.2, 1.2, 0.1),
    PlaceKind.STOCKPILE: Usual("S", gettext_lazy("Bunker"), 3, 1, 2.0, 2.0, 1.2, 0.2),
    PlaceKind.LANE: Usual("W", gettext_lazy("Lane"), 2, 2, 20.0, 3.0, None, 0.0),
    PlaceKind.CURING: Usual("CP", gettext_lazy("Curing pad"), 1, 1, 4.0, 3.0, None, 0.5),
    PlaceKind.VESSEL: Usual("V", gettext_lazy("Vessel"), 1, 1, 1.5, 1.5, 1.5, 0.5),
    PlaceKind.TRENCH: Usual("T", gettext_lazy("Trench plot"), 2, 1, 1.0, 4.0, None, 0.5),
    PlaceKind.SCREENING: Usual("SC", gettext_lazy("Screening corner"), 1, 1, 3.0, 3.0, None, 0.5),
    PlaceKind.BED: Usual("P", gettext_lazy("Bed"), 12, 3, 3.0, 1.2, None, 0.6),
}


class PlaceForm(RowForm):
    """One place."""

    width_m = MeasureField("length", label=gettext_lazy("Width"), low=0.1, high=FIELD_MAX_M * 4)
    depth_m = MeasureField("length", label=gettext_lazy("Depth"), low=0.1, high=FIELD_MAX_M * 4)
    height_m = MeasureField(
        "length",
        label=gettext_lazy("Height of its walls"),
        required=False,
        low=0.1,
        high=100,
        help_text=gettext_lazy("How high it may be filled; leave empty for open ground."),
    )
    x_m = MeasureField(
        "length",
        label=gettext_lazy("Distance from the plan’s left edge"),
        low=0,
        high=FIELD_MAX_M * 4,
    )
    y_m = MeasureField(
        "length", label=gettext_lazy("Distance from the plan’s front edge"), low=0, high=4000
    )

    class Meta:
        """What a lead states of a place."""

        model = Place
        fields = (
            "code",
            "name",
            "kind",
            "width_m",
            "depth_m",
            "height_m",
            "x_m",
            "y_m",
            "cover",
            "note",
        )
        widgets = {"note": forms.Textarea({"rows": 2})}  # noqa: RUF012
        labels = {"cover": gettext_lazy("Cover that it has anyway")}  # noqa: RUF012
        help_texts = {  # noqa: RUF012
            "code": gettext_lazy("Short, to be painted on it, such as B3.")
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [("", _("choose")), *PlaceKind.choices]


class RowsForm(PersonForm):
    """Many alike places in one go: eight bays of 1.2 m in two rows."""

    kind = forms.ChoiceField(label=gettext_lazy("What"), choices=PlaceKind.choices)
    how_many = forms.IntegerField(
        label=gettext_lazy("How many"),
        min_value=1,
        max_value=60,
        widget=forms.TextInput({"inputmode": "numeric", "autocomplete": "off"}),
    )
    rows = forms.IntegerField(
        label=gettext_lazy("In how many rows"),
        min_value=1,
        max_value=20,
        widget=forms.TextInput({"inputmode": "numeric", "autocomplete": "off"}),
    )
    width_m = MeasureField("length", label=gettext_lazy("Width of one"), low=0.1, high=4000)
    depth_m = MeasureField("length", label=gettext_lazy("Depth of one"), low=0.1, high=4000)
    height_m = MeasureField(
        "length", label=gettext_lazy("Height of its walls"), required=False, low=0.1, high=100
    )
    gap_m = MeasureField("length", label=gettext_lazy("Gap beside each"), low=0, high=1000)
    aisle_m = MeasureField("length", label=gettext_lazy("Aisle between rows"), low=0, high=1000)
    x_m = MeasureField(
        "length", label=gettext_lazy("First one: from the plan’s left edge"), low=0, high=4000
    )
    y_m = MeasureField(
        "length", label=gettext_lazy("First row: from the plan’s front edge"), low=0, high=4000
    )

    def clean(self) -> dict[str, Any]:
        """Refuse more rows than places, and rows that leave the plan."""
        cleaned = super().clean() or self.cleaned_data
        if not self.errors:
            if cleaned["rows"] > cleaned["how_many"]:
                self.add_error("rows", _("There are fewer places than rows."))
                return cleaned
            right_m, back_m = self.ends_m()
            site, units = Site.load(), self.person.units
            for name, ends_m, most_m in (
                ("x_m", right_m, site.width_m),
                ("y_m", back_m, site.depth_m),
            ):
                if most_m is not None and ends_m > most_m + 0.005:
                    self.add_error(
                        name,
                        _("They would end at %(ends)s, but the plan ends at %(most)s.")
                        % {
                            "ends": with_unit(ends_m, "length", units),
                            "most": with_unit(most_m, "length", units),
                        },
                    )
        return cleaned

    def a_row(self) -> int:
        """Return how many stand in a full row."""
        return -(-self.cleaned_data["how_many"] // self.cleaned_data["rows"])

    def ends_m(self) -> tuple[float, float]:
        """Return where the rows end, from the plan's left and front edge."""
        said = self.cleaned_data
        a_row, rows = self.a_row(), said["rows"]
        return (
            said["x_m"] + a_row * said["width_m"] + (a_row - 1) * said["gap_m"],
            said["y_m"] + rows * said["depth_m"] + (rows - 1) * said["aisle_m"],
        )

    def places(self) -> list[Place]:
        """Return the places that the form states, numbered on from those that are there."""
        said, usual = self.cleaned_data, USUAL[self.cleaned_data["kind"]]
        taken = set(Place.objects.values_list("code", flat=True))
        names = set(Place.objects.values_list("name", flat=True))
        alone = said["how_many"] == 1
        free = (
            (code, name)
            for number in count(0 if alone else 1)
            if (code := f"{usual.letter}{number or ''}") not in taken
            and (name := f"{usual.word} {number or ''}".strip()) not in names
        )
        made = []
        for index in range(said["how_many"]):
            row, along = divmod(index, self.a_row())
            code, name = next(free)
            made.append(
                Place(
                    code=code,
                    name=name,
                    kind=said["kind"],
                    x_m=said["x_m"] + along * (said["width_m"] + said["gap_m"]),
                    y_m=said["y_m"] + row * (said["depth_m"] + said["aisle_m"]),
                    width_m=said["width_m"],
                    depth_m=said["depth_m"],
                    height_m=said["height_m"],
                )
            )
        return made


def rows_start(kind: str, person: User) -> dict[str, Any]:
    """Return where the form of rows starts: the usual, behind what stands there already."""
    usual = USUAL[kind]
    standing = Place.objects.filter(retired_at=None)
    behind = max((place.y_m + place.depth_m for place in standing), default=None)
    start: dict[str, Any] = {"kind": kind, "how_many": usual.how_many, "rows": usual.rows}
    for name, value_m in {
        "width_m": usual.width_m,
        "depth_m": usual.depth_m,
        "height_m": usual.height_m,
        "gap_m": usual.gap_m,
        "aisle_m": AISLE_M if kind != PlaceKind.BED else usual.gap_m,
        "x_m": 1.0,
        "y_m": 1.0 if behind is None else behind + AISLE_M,
    }.items():
        start[name] = "" if value_m is None else _round_start(value_m, person.units)
    return start


def _round_start(value_m: float, units: str) -> str:
    """Return a length to start from as a builder says it: 1.2 m, but 4 ft and not 3.9.

    Feet are whole from two on, and to the quarter below.
    """
    unit = LENGTH[units]
    if units != Units.US:
        return f"{value_m:.{unit.digits}f}".rstrip("0").rstrip(".")
    feet = unit.from_si(value_m)
    return f"{round(feet) if feet >= 2 else round(4 * feet) / 4:g}"


def plan_context(person: User, *, links: bool = True) -> dict[str, Any]:
    """Return the yard's plan from its places in both widths, or nothing while it has none."""
    standing = list(Place.objects.filter(retired_at=None))
    if not standing:
        return {}
    site = Site.load()
    back_m = max([site.depth_m or 0.0, *(place.y_m + place.depth_m for place in standing)])
    yard = drawn.Yard(
        site.name,
        tuple(
            drawn.Place(
                code=place.code,
                name=place.name,
                kind=DRAWN_AS[place.kind],
                x_m=place.x_m,
                y_m=back_m - place.y_m - place.depth_m,
                width_m=place.width_m,
                depth_m=place.depth_m,
                height_m=place.height_m or 0.0,
                href=reverse("place", args=[place.code]) if links else "",
                bare=True,
            )
            for place in standing
        ),
    )
    unit: drawn.LengthUnit = "ft" if person.units == Units.US else "m"
    return _plan(yard, unit)


@lru_cache(maxsize=8)
def _plan(yard: drawn.Yard, unit: drawn.LengthUnit) -> dict[str, Any]:
    """Draw a yard in both widths; it is the same until a place changes."""
    return {
        "narrow": yard_plan(yard, uid="plan-narrow", width_px=328, length_unit=unit),
        "wide": yard_plan(yard, uid="plan", width_px=760, length_unit=unit),
    }


def in_order(place: Place) -> tuple[Any, ...]:
    """Sort places by what they are for and by number: bay 2 before bay 10, retired ones last."""
    parts = re.findall(r"\d+|\D+", place.code)
    number = tuple((part.isdecimal(), part.zfill(9)) for part in parts)
    return (place.retired_at is not None, PlaceKind.values.index(place.kind), number)


def size(place: Place, units: str) -> str:
    """Return width × depth × height in a person's units."""
    sides = [place.width_m, place.depth_m, *([place.height_m] if place.height_m else [])]
    shown = " × ".join(figure(side, "length", units) for side in sides[:-1])
    return f"{shown} × {with_unit(sides[-1], 'length', units)}"


@require_safe
def places(request: HttpRequest) -> HttpResponse:
    """List the places and draw them."""
    units = request.user.units
    standing: dict[int, list[str]] = {}
    for state in state_at():
        if state.place is not None:
            standing.setdefault(state.place.id, []).append(state.code)
    all_places = sorted(Place.objects.all(), key=in_order)
    if wants_csv(request):
        return csv_file(
            "places",
            [
                "code",
                "name",
                "kind",
                "width_m",
                "depth_m",
                "height_m",
                "x_m",
                "y_m",
                "cover",
                "retired_at",
            ],
            (
                (
                    one.code,
                    one.name,
                    one.kind,
                    one.width_m,
                    one.depth_m,
                    one.height_m,
                    one.x_m,
                    one.y_m,
                    one.cover,
                    one.retired_at and one.retired_at.isoformat(),
                )
                for one in all_places
            ),
        )
    rows = [
        Row(
            (
                format_html('<a href="{}">{}</a>', reverse("place", args=[one.code]), one.code),
                one.name,
                one.get_kind_display() if not one.retired_at else _("no longer in use"),
                size(one, units),
                format_html_join(
                    ", ",
                    '<a class="short-cell" href="{}">{}</a>',
                    ((reverse("pile", args=[lot]), lot) for lot in standing.get(one.id, ())),
                )
                or "–",
            ),
            struck=one.retired_at is not None,
        )
        for one in all_places
    ]
    columns = [
        Column(_("Code"), short=True),
        Column(_("Name"), says_itself=True),
        Column(_("Kind"), says_itself=True),
        Column(_("Width × depth × height"), number=True, says_itself=True),
        Column(_("Stands there"), may_lack=True),
    ]
    context = {
        "plan": plan_context(request.user),
        "table": table(
            "places",
            _("All places"),
            columns,
            rows,
            download_href=csv_href(request),
            note=_("Sizes are width × depth × height."),
        ),
        "empty": not rows,
    }
    return render(request, "heapwright/more/places.html", context)


@lead_only
def new_place(request: HttpRequest) -> HttpResponse:
    """Add one place."""
    edge_m = LENGTH[request.user.units].to_si(3.0 if request.user.units == Units.US else 1.0)
    start = {"x_m": edge_m, "y_m": edge_m}
    form = PlaceForm(request.POST or None, person=request.user, initial=start)
    if request.method == "POST" and form.is_valid():
        place = form.save()
        return done(request, _("%(place)s is on the plan.") % {"place": place}, "places")
    return render(
        request,
        "heapwright/more/form.html",
        {
            "form": form,
            "title": _("A new place"),
            "act_word": _("Put it on the plan"),
            "back": reverse("places"),
        },
    )


@lead_only
def new_rows(request: HttpRequest) -> HttpResponse:
    """Add many alike places in one go."""
    return rows_page(request, "places", reverse("places"))


def rows_page(
    request: HttpRequest,
    to: str,
    back: str,
    template: str = "heapwright/more/place_rows.html",
    more: dict[str, Any] | None = None,
) -> HttpResponse:
    """Show and take the form of rows of places, then go on to ``to``."""
    kind = request.GET.get("kind", PlaceKind.BAY)
    if kind not in USUAL:
        kind = PlaceKind.BAY
    form = RowsForm(
        request.POST or None, person=request.user, initial=rows_start(kind, request.user)
    )
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            made = form.places()
            for place in made:
                place.full_clean()
                place.save()
        said = ngettext(
            "%(first)s is on the plan.",
            "%(number)d places are on the plan, %(first)s to %(last)s.",
            len(made),
        ) % {"number": len(made), "first": made[0].name, "last": made[-1].name}
        return done(request, said, to)
    context = {
        "form": form,
        "kind": kind,
        "kinds": PlaceKind.choices,
        "back": back,
        "plan": plan_context(request.user, links=False),
    }
    return render(request, template, context | (more or {}))


def place(request: HttpRequest, code: str) -> HttpResponse:
    """Show one place; a lead mends it."""
    one = get_object_or_404(Place, code=code)
    if request.method == "POST":
        return mend_place(request, one)
    return place_page(request, one, PlaceForm(instance=one, person=request.user))


@lead_only
def mend_place(request: HttpRequest, one: Place) -> HttpResponse:
    """Take the mended figures of a place."""
    form = PlaceForm(request.POST, instance=one, person=request.user)
    if form.is_valid():
        form.save()
        return done(request, _("Kept: %(place)s.") % {"place": one}, "places")
    one.refresh_from_db()
    return place_page(request, one, form)


def place_page(request: HttpRequest, one: Place, form: PlaceForm) -> HttpResponse:
    """Show a place with its form."""
    standing = [state for state in state_at() if state.place and state.place.id == one.id]
    context = {
        "one": one,
        "form": form,
        "size": size(one, request.user.units),
        "standing": standing,
    }
    return render(request, "heapwright/more/place.html", context)


@lead_only
@require_POST
def retire_place(request: HttpRequest, code: str) -> HttpResponse:
    """Take a place out of use, or into use again; what happened there stays."""
    one = get_object_or_404(Place, code=code)
    if one.retired_at is not None:
        one.retired_at = None
        said = _("%(place)s is in use again.") % {"place": one}
    else:
        there = [state.code for state in state_at() if state.place and state.place.id == one.id]
        if there:
            said = _("%(lots)s still stands in %(place)s; move it first.") % {
                "lots": ", ".join(there),
                "place": one.name,
            }
            return done(request, said, "place", code, level=messages.ERROR)
        one.retired_at = timezone.now()
        said = _("%(place)s is no longer in use.") % {"place": one}
    one.save(update_fields=["retired_at"])
    return done(request, said, "places")


class SiteForm(RowForm):
    """The site itself."""

    width_m = MeasureField(
        "length", label=gettext_lazy("Width of the plan"), required=False, low=1, high=4000
    )
    depth_m = MeasureField(
        "length", label=gettext_lazy("Depth of the plan"), required=False, low=1, high=4000
    )
    latitude_deg = NumberField(
        label=gettext_lazy("Latitude, degrees north"),
        required=False,
        low=-90,
        high=90,
        help_text=gettext_lazy("From any map; for what the weather dries and for its forecast."),
    )
    longitude_deg = NumberField(
        label=gettext_lazy("Longitude, degrees east"),
        required=False,
        low=-180,
        high=180,
        help_text=gettext_lazy("West of Greenwich is negative, such as -122.7."),
    )

    class Meta:
        """What a lead states of the site."""

        model = Site
        fields = (
            "name",
            "zone",
            "currency",
            "width_m",
            "depth_m",
            "latitude_deg",
            "longitude_deg",
        )
        widgets = {"zone": forms.TextInput({"list": "zones"})}  # noqa: RUF012
