"""Water: what the coming rain does to a heap, what dries it, what wets it, what covers it."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_safe

from heapwright.data import water as facts
from heapwright.errors import InputError
from heapwright.people.models import Units
from heapwright.science.water import PEAKED
from heapwright.units import M_PER_FOOT
from heapwright.web.fields import NumberField
from heapwright.web.forms import PersonForm
from heapwright.web.measures import MEASURES, figure, plain, with_unit
from heapwright.web.tables import Column, table
from heapwright.yard import water as records
from heapwright.yard.models import Check, Cover, LotKind, Origin, Site, Squeeze
from heapwright.yard.state import LotState, state_at

DAYS: Final = 7
DAYS_MOST: Final = 14
COVERS: Final = (Cover.TARP, Cover.BREATHABLE, Cover.ROOF)

ADVICE: Final = {
    "cover": gettext_lazy("Cover it."),
    "leave open": gettext_lazy("Leave it as it lies: covering it would be wrong."),
    "no matter": gettext_lazy("Covered or not makes no matter."),
}
WHY: Final = {
    "dry now": gettext_lazy("It is too dry to work, and the rain wets it."),
    "would dry out covered": gettext_lazy("Covered it would dry out."),
    "dries out anyway": gettext_lazy("It dries out even so: wet it too."),
    "too wet now": gettext_lazy("It is too wet already."),
    "would get too wet": gettext_lazy("It would get too wet."),
    "dries better open": gettext_lazy(
        "Its own heat dries it more than this rain wets it, and a tarp would hinder that; a roof "
        "would serve both."
    ),
    "would leach": gettext_lazy("Water would run out of it, and has to be caught."),
    "little rain": gettext_lazy("Hardly any rain is to come."),
    "takes it up": gettext_lazy("It stays within its limits."),
}
ROWS: Final = (
    ("fallen_l", gettext_lazy("Rain on it")),
    ("kept_off_l", gettext_lazy("Kept off")),
    ("shed_l", gettext_lazy("Runs off outside")),
    ("through_l", gettext_lazy("Runs through")),
    ("soaked_l", gettext_lazy("Soaks in")),
    ("made_l", gettext_lazy("Made by decay")),
    ("evaporated_l", gettext_lazy("Evaporates")),
    ("drained_l", gettext_lazy("Drains out")),
)


class WaterForm(PersonForm):
    """Which heap, how moist, how far ahead, under what."""

    lot = forms.ChoiceField(label=gettext_lazy("Heap"))
    moisture = NumberField(
        label=gettext_lazy("Moisture, % of its weight"),
        required=False,
        low=1,
        high=95,
        help_text=gettext_lazy("Empty: as the last squeeze test says."),
    )
    days = forms.TypedChoiceField(
        label=gettext_lazy("Days ahead"),
        coerce=int,
        choices=[(count, str(count)) for count in (1, 2, 3, 5, DAYS, 10, DAYS_MOST)],
    )
    cover = forms.ChoiceField(
        label=gettext_lazy("Cover"), choices=[(one.value, one.label) for one in COVERS]
    )

    def __init__(self, *args: Any, heaps: list[LotState], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.heaps = {one.code: one for one in heaps}
        self.fields["lot"].choices = [  # type: ignore[attr-defined]
            (one.code, f"{one.code}, {one.place or '–'}") for one in heaps
        ]


@require_safe
def water(request: HttpRequest) -> HttpResponse:
    """Answer for the heap that is asked for."""
    standing = state_at()
    heaps = [one for one in reversed(standing) if one.kind == LotKind.PILE]
    asked = {name: request.GET[name] for name in ("lot", "moisture", "days", "cover")
             if name in request.GET}  # fmt: skip
    defaults = {"days": str(DAYS), "cover": Cover.TARP.value}
    if heaps:
        squeezed = None if "lot" in asked else _last_squeezed(heaps)
        defaults["lot"] = (squeezed or heaps[0]).code
    form = WaterForm({**defaults, **asked}, person=request.user, heaps=heaps)
    context: dict[str, Any] = {"form": form, "heaps": bool(heaps)}
    if heaps and not asked and squeezed is None:
        context["unfelt"] = True
    elif heaps and form.is_valid():
        context |= _answered(form, standing, request.user.units)
    return render(request, "heapwright/more/water.html", context)


def _last_squeezed(heaps: list[LotState]) -> LotState | None:
    """Return the heap whose squeeze test is the latest, None where none is of late."""
    by_id = {one.id: one for one in heaps}
    last = (
        Check.objects.filter(lot_id__in=by_id, entry__struck_at=None)
        .exclude(squeeze="")
        .order_by("-entry__happened_at", "-entry_id")
        .values_list("lot_id", flat=True)
        .first()
    )
    return by_id[last] if last is not None and records.felt(last) is not None else None


def _answered(form: WaterForm, standing: tuple[LotState, ...], units: str) -> dict[str, Any]:
    said, now = form.cleaned_data, timezone.now()
    heap = form.heaps[said["lot"]]
    moisture, whence = said["moisture"], _("as you typed it")
    if moisture is None:
        felt = records.felt(heap.id, now)
        if felt is None:
            form.add_error(
                "moisture", _("Nobody squeezed a handful of late: squeeze one, or type it.")
            )
            return {}
        moisture = felt.moisture.typical
        day = date_format(felt.at.astimezone(Site.load().tz), "j M")
        whence = _("squeezed on %(day)s, “%(felt)s”: %(low)g to %(high)g %%") % {
            "day": day, "felt": str(Squeeze(felt.squeeze).label).split(":")[0],
            "low": felt.moisture.low, "high": felt.moisture.high,
        }  # fmt: skip
    stock = [one for one in standing if one.kind == LotKind.STOCK]
    try:
        found = records.answer(
            heap, moisture, days=said["days"], cover=said["cover"], on_hand=stock, now=now
        )
    except InputError as error:
        form.add_error("lot", f"{error.message[:1].upper()}{error.message[1:]}.")
        return {}
    decision = found.decision
    return {
        "answer": found,
        "lot": heap,
        "advice": ADVICE[decision.advice],
        "why": [WHY[one] for one in decision.why],
        "limits": _("Wanted: %(low)g to %(high)g %%.") % {
            "low": decision.limits.dry_pct, "high": decision.limits.wet_pct,
        },
        "rain": _rain_says(found, units),
        "whence": _("Moisture %(moisture).0f %%, %(whence)s.") % {
            "moisture": moisture, "whence": whence,
        },
        "balance": _balance(found, units),
        "range": _range_says(found, units),
        "wetting": _wetting_says(found, units),
        "drying": _drying_table(found, units),
        "sheet": _sheet_says(found, units),
        "working": _working(found, moisture, whence, units),
    }  # fmt: skip


def _rain_says(found: records.WaterAnswer, units: str) -> str:
    days = found.coming.weather
    said = ngettext(
        "%(rain)s of rain in the coming %(count)d day",
        "%(rain)s of rain in the coming %(count)d days",
        len(days),
    ) % {"rain": with_unit(found.decision.rain_mm, "rain", units), "count": len(days)}
    guessed = sum(day.rain_origin == Origin.TYPICAL for day in days)
    if guessed == len(days):
        return _("%(said)s, as in a typical year: no forecast is known.") % {"said": said}
    if guessed:
        return ngettext(
            "%(said)s; %(count)d of them as in a typical year.",
            "%(said)s; %(count)d of them as in a typical year.",
            guessed,
        ) % {"said": said, "count": guessed}
    return f"{said}."


def _balance(found: records.WaterAnswer, units: str) -> dict[str, Any]:
    columns = (
        Column(_("Water")),
        Column(_("As it lies"), number=True),
        Column(_("Covered"), number=True),
    )
    both = (found.decision.open, found.decision.covered)
    rows: list[list[str]] = [
        [str(label), *(with_unit(one.total(name), "liquid", units) for one in both)]
        for name, label in ROWS
    ]
    rows.append([_("Gained"), *(_signed(one.gained_l, units) for one in both)])
    rows.append([_("Moisture then"), *(f"{one.moisture_pct:.0f}\u00a0%" for one in both)])
    return table(
        "water-balance",
        _("Where the water goes"),
        columns,
        rows,
        note=_("What runs through and what drains out is leachate: catch it."),
    )


def _signed(volume_l: float, units: str) -> str:
    """Return a volume that may be less than nothing, with a true minus sign."""
    shown = with_unit(volume_l, "liquid", units)
    if float(plain(volume_l, "liquid", units)) == 0:
        return shown.lstrip("-")
    return shown.replace("-", "\u2212")


def _range_says(found: records.WaterAnswer, units: str) -> str:
    low, high = (f"{one:.0f}" for one in found.decision.open_range_pct)
    least, most = (with_unit(one, "liquid", units) for one in found.decision.open_leachate_range_l)
    ends = (
        _("it ends at about %(low)s %%") % {"low": low}
        if low == high
        else _("it ends between %(low)s and %(high)s %%") % {"low": low, "high": high}
    )
    runs = (
        _("about %(least)s run out") % {"least": least}
        if least == most
        else _("between %(least)s and %(most)s run out") % {"least": least, "most": most}
    )
    return _("As it lies %(ends)s and %(runs)s, by how much of the rain such a heap takes in.") % {
        "ends": ends,
        "runs": runs,
    }


def _wetting_says(found: records.WaterAnswer, units: str) -> str:
    wetting = found.wetting
    if wetting is None:
        return ""
    said = _("Pour %(pour)s while turning") % {"pour": with_unit(wetting.pour_l, "liquid", units)}
    if wetting.rounds > 1:
        said += " " + _("in %(count)d rounds") % {"count": wetting.rounds}
    return said + _(
        ": %(missing)s have to stay for %(target)g %%, %(steam)s steam off, about %(lost).0f %% "
        "run out."
    ) % {
        "missing": with_unit(wetting.missing_l, "liquid", units), "target": wetting.target_pct,
        "steam": with_unit(wetting.steam_l, "liquid", units), "lost": 100 * wetting.lost_share,
    }  # fmt: skip


def _drying_table(found: records.WaterAnswer, units: str) -> dict[str, Any] | None:
    if not found.drying:
        return None
    mass, volume = (MEASURES[name][units].sign for name in ("mass", "volume"))
    columns = (
        Column(_("Material")),
        Column(_("Moisture, %"), number=True),
        Column(_("Turn in"), volume, number=True),
        Column(_("Turn in"), mass, number=True),
        Column(_("On hand"), mass, number=True),
        Column(_("Moisture then, %"), number=True),
    )
    rows = [
        [
            one.drying.material.name,
            f"{one.drying.material.moisture_pct:g}",
            figure(one.drying.volume_m3, "volume", units),
            figure(one.drying.mass_kg, "mass", units),
            figure(one.on_hand_kg, "mass", units),
            f"{one.drying.end_moisture_pct:.0f}",
        ]
        for one in found.drying
    ]
    return table(
        "water-drying",
        _("One of these, to %(target)g %%") % {"target": found.drying[0].drying.target_pct},
        columns,
        rows,
        note=_("Stored dry, under a cover: chips that lay in the rain take up almost nothing."),
    )


def _sheet_says(found: records.WaterAnswer, units: str) -> str:
    sheet = found.sheet
    sizes = {
        "length": with_unit(sheet.length_m, "length", units),
        "width": with_unit(sheet.width_m, "length", units),
        "over": with_unit(sheet.overlap_m, "length", units),
    }
    if found.heap.shape.shape in PEAKED:
        return (
            _("A sheet of %(length)s by %(width)s covers it, %(over)s over on each side.") % sizes
        )
    sizes["fall"] = with_unit(100 * sheet.fall_m, "depth", units)
    return (
        _(
            "A lid or sheet of %(length)s by %(width)s covers it, %(over)s over on each side, one "
            "side %(fall)s higher so that no rain stands on it."
        )
        % sizes
    )


def _working(
    found: records.WaterAnswer, moisture: float, whence: str, units: str
) -> dict[str, Any]:
    model, books = _("the pile model’s own figure"), _("the books")
    water_facts = facts.water_facts()
    share = found.decision.open.rain_share

    def kept(name: str, value: str, unit: str, origin: str) -> dict[str, str]:
        return {"name": name, "value": value, "unit": unit, "origin": origin}

    mass, area = MEASURES["mass"][units].sign, found.heap.plan_area_m2
    ground, ground_unit = (area, "m²")
    if units == Units.US:
        ground, ground_unit = area / M_PER_FOOT**2, "ft²"
    return {
        "formula": _(
            "soaks in = rain × ground × cover’s share × heap’s share × (1 − bypass × fullness⁴); "
            "evaporates = organic matter lost × water dried off + surface; what exceeds the "
            "capacity drains"
        ),
        "inputs": [
            kept(_("dry matter"), figure(found.heap.dry_kg, "mass", units), mass, books),
            kept(_("moisture"), f"{moisture:.0f}", "%", whence),
            kept(_("ground"), f"{ground:.1f}", ground_unit, _("its place and volume")),
            kept(_("share of the rain taken in"), f"{share:g}", "", model),
            kept(_("rain that the cover lets by"), f"{found.cover.rain:g}", "",
                 _("table of covers")),
            kept(_("capacity"), f"{100 * water_facts.water_cap:g}", "%", model),
            kept(_("water dried off"), f"{water_facts.dried_kg_kg.typical:g}", "kg/kg",
                 _("table of water")),
            kept(_("surface"), "–" if not found.coming.surface
                 else f"{sum(day.reference_mm for day in found.coming.days):.1f}", "mm",
                 _("reference evapotranspiration after FAO-56") if found.coming.surface
                 else _("left out: the site’s coordinates are not known")),
        ],
        "source": _("tables “water”, “pile” and “pile_covers” of the facts, with their sources"),
    }  # fmt: skip
