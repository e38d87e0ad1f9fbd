"""A mix in words and figures, in the person's units, with its working."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data import constant
from heapwright.people.models import Units
from heapwright.science.mixing import PROPERTIES, Limit, Mix
from heapwright.science.recipe import Recipe
from heapwright.web.drawing import heap
from heapwright.web.drawing.hatch import hatch_of
from heapwright.web.measures import MEASURES, NBSP, figure, with_unit
from heapwright.web.mix.asked import Asked
from heapwright.web.mix.notes import layer_notes, notes
from heapwright.web.mix.words import NAMES, figure_of, halves, range_words, short_names, unit_of
from heapwright.web.mix.working import working
from heapwright.web.tables import Column, table
from heapwright.yard.heap_shape import footprint_m2
from heapwright.yard.models import PlaceKind
from heapwright.yard.recipe_plan import Worked

# What a person will notice when a mix lies outside, and what then helps (Rynk et al. 1992,
# table of troubles).
_FAULTS: Final[dict[tuple[str, str], tuple[Promise, Promise]]] = {
    ("moisture_pct", "high"): (
        gettext_lazy("too wet"),
        gettext_lazy("It will smell sour and heat poorly. Add dry browns, or turn it more often."),
    ),
    ("moisture_pct", "low"): (
        gettext_lazy("too dry"),
        gettext_lazy("It will stop heating early. Wet it while building."),
    ),
    ("cn", "high"): (
        gettext_lazy("too little nitrogen"),
        gettext_lazy("It will heat slowly and need longer. Add food scraps, grass or manure."),
    ),
    ("cn", "low"): (
        gettext_lazy("too much nitrogen"),
        gettext_lazy("It will lose ammonia, which smells. Add browns and keep a thick cap on."),
    ),
    ("bulk_density_kg_m3", "high"): (
        gettext_lazy("too dense"),
        gettext_lazy("It will pack down and run short of air. Add chips or straw."),
    ),
    ("free_air_space_pct", "low"): (
        gettext_lazy("too little air"),
        gettext_lazy("It will run short of air. Add chips, or turn it more often."),
    ),
}

_KINDS: Final = {"base": gettext_lazy("base"), "cap": gettext_lazy("cap"), "dry": "", "wet": ""}
_LEAST_WATER_KG: Final = 0.5


@dataclass(frozen=True, slots=True)
class Property:
    """One of the four properties as it is shown."""

    label: str
    value: str
    unit: str
    low: str
    high: str
    acceptable: str
    preferred: str
    chance: str
    fault: str
    help: str


def answer(asked: Asked) -> dict[str, Any]:
    """Return what the parts of the page that follow the amounts show."""
    units = asked.form.system
    shown: dict[str, Any] = {
        "said": _said(asked),
        "brief": _brief(asked),
        "fault": asked.fault,
        "feasible": asked.worked is not None and asked.worked.recipe.feasible,
        "wrong": [
            (str(field.label), " ".join(field.errors)) for field in asked.form if field.errors
        ],
        "units": units,
    }
    worked = asked.worked
    if worked is None or asked.wanted is None:
        return shown
    found = worked.recipe
    shown["blocked"] = list(_blocked(asked, found, units))
    shown["additions"] = _additions(asked, units)
    if found.mix is None or found.spread is None:
        return shown
    shown |= {
        "properties": properties(found, worked, units, asked),
        "chance": f"{100 * found.spread.chance_in_range:.0f}",
        "together": _together(found.mix, worked, units),
        "notes": list(notes(asked, worked, units)),
        "layers": layer_table(worked, units),
        "layer_notes": list(layer_notes(worked, units)),
        "working": working(worked, units),
        "plan_query": worked.plan.query(),
    }
    shown["narrow"], shown["wide"] = drawings(worked, units)
    return shown


def _said(asked: Asked) -> str:
    """Return the answer in one sentence."""
    worked, place = asked.worked, asked.form.at if asked.form.is_valid() else None
    if worked is None or place is None:
        return _("No answer yet: mend what is marked.") if asked.form.errors else asked.fault
    found = worked.recipe
    units = asked.form.system
    if found.mix is None or found.spread is None:
        return _("No mix of what is ticked comes near.")
    size = with_unit(found.mix.volume_m3, "volume", units)
    sure = f"{100 * found.spread.chance_in_range:.0f}{NBSP}%"
    if found.feasible:
        if asked.stated:
            return _("%(size)s, all in range; %(sure)s sure.") % {"size": size, "sure": sure}
        if found.mix.volume_m3 < constant("min_pile_volume_m3").value:
            return _(
                "What is ticked makes only %(size)s well, too little to hold its heat: wait for "
                "more, or add it to a pile that is filling."
            ) % {"size": size}
        return _("Build %(size)s in %(place)s: all in range, %(sure)s sure.") % {
            "size": size,
            "place": place.name,
            "sure": sure,
        }
    if asked.stated:
        faults = [
            str(_FAULTS[one.property, _side(one.value, one.limit)][0]) for one in found.outside
        ]
        return _("%(size)s, out of range: %(faults)s.") % {
            "size": size,
            "faults": ", ".join(faults),
        }
    return _("No mix of what is ticked meets every limit; the nearest is %(size)s.") % {
        "size": size
    }


def _brief(asked: Asked) -> str:
    """Return the answer in a few words, for the bar at the bottom edge."""
    found = None if asked.worked is None else asked.worked.recipe
    if found is None or found.mix is None or found.spread is None:
        return _("no answer yet") if asked.worked is None else _("no mix comes near")
    size = with_unit(found.mix.volume_m3, "volume", asked.form.system)
    if found.outside:
        return _("%(size)s, out of range") % {"size": size}
    sure = f"{100 * found.spread.chance_in_range:.0f}{NBSP}%"
    return _("%(size)s, %(sure)s sure") % {"size": size, "sure": sure}


def _side(value: float | None, limit: Limit) -> str:
    return "low" if limit.low is not None and value is not None and value < limit.low else "high"


def properties(found: Recipe, worked: Worked, units: str, asked: Asked) -> list[Property]:
    """Return the four properties with spread, ranges, chance and what is wrong with them."""
    assert found.mix is not None
    assert found.spread is not None
    assert asked.wanted is not None
    outside = {one.property: one for one in found.outside}
    rows = []
    for name in PROPERTIES:
        low, _median, high = found.spread.quantiles[name]
        out = outside.get(name)
        fault = _FAULTS[name, _side(out.value, out.limit)] if out else ("", "")
        value: float | None = getattr(found.mix, name)
        rows.append(
            Property(
                label=str(NAMES[name]),
                value=figure_of(name, value, units),
                unit=unit_of(name, units),
                low=figure_of(name, low, units),
                high=figure_of(name, high, units),
                acceptable=range_words(name, worked.plan.limits.get(name), units),
                preferred=range_words(name, asked.wanted.preferred.get(name), units),
                chance=f"{100 * found.spread.chance_by_property.get(name, 1.0):.0f}",
                fault=str(fault[0]),
                help=str(fault[1]),
            )
        )
    return rows


def _blocked(asked: Asked, found: Recipe, units: str) -> Iterator[str]:
    """Yield what is in the way of a mix that was wished for."""
    if found.feasible or asked.stated:
        return
    wanted = with_unit(found.amount_wanted, "volume", units)
    everything = sum(
        one.available_kg / one.ingredient.bulk_density_kg_m3.typical
        for one in (asked.worked.of.on_hand if asked.worked else ())
    )
    for one in found.blocked_by:
        if one.limit == "amount" and everything < found.amount_wanted:
            yield _("All that is ticked makes %(all)s and %(wanted)s is asked.") % {
                "all": with_unit(everything, "volume", units),
                "wanted": wanted,
            }
        elif one.limit == "amount":
            yield _("What is ticked makes less than %(wanted)s within the limits.") % {
                "wanted": wanted
            }
        elif one.limit == "containers":
            yield _("No whole or half containers make %(wanted)s: ask a little more or less.") % {
                "wanted": wanted
            }
        elif one.limit == "chance" and found.spread is not None:
            yield _("At best %(best).0f %% sure; %(asked).0f %% is asked.") % {
                "best": 100 * found.spread.chance_in_range,
                "asked": 100 * found.chance_wanted,
            }
        elif one.limit in NAMES and asked.wanted is not None:
            yield _("%(name)s stands in the way: %(range)s %(unit)s is acceptable.") % {
                "name": NAMES[one.limit],
                "range": range_words(one.limit, asked.wanted.limits.get(one.limit), units),
                "unit": unit_of(one.limit, units),
            }


def _additions(asked: Asked, units: str) -> dict[str, Any] | None:
    """Return what would mend it: each alone, or all of them together."""
    if asked.additions is None:
        return None
    rows = []
    for one in asked.additions:
        on_hand = asked.supply.by_id().get(one.ingredient.id)
        row = {
            "name": one.ingredient.name,
            "mass": with_unit(_up(one.mass_kg, units), "mass", units),
            "volume": with_unit(
                one.mass_kg / one.ingredient.bulk_density_kg_m3.typical, "volume", units
            ),
            "containers": "",
        }
        if on_hand is not None and on_hand.container is not None and on_hand.container_kg:
            count = math.ceil(2 * one.mass_kg / on_hand.container_kg) / 2
            row["containers"] = f"{halves(count)} × {on_hand.container.name}"
        rows.append(row)
    small = bool(asked.worked and asked.worked.recipe.feasible)
    least = with_unit(constant("min_pile_volume_m3").value, "volume", units)
    return {
        "rows": rows,
        "together": bool(rows) and asked.additions[0].together,
        "makes": least if small else "",
    }


def _up(mass_kg: float, units: str) -> float:
    """Return a mass to fetch: rounded up to two figures in the person's unit, never down."""
    unit = MEASURES["mass"][units]
    shown = unit.from_si(mass_kg)
    step = 10 ** max(math.floor(math.log10(shown)) - 1, 0) if shown > 0 else 1
    return unit.to_si(math.ceil(shown / step - 1e-9) * step)


def _together(mix: Mix, worked: Worked, units: str) -> str:
    place = worked.plan.place
    height_m = mix.volume_m3 / footprint_m2(place, mix.volume_m3)
    return _("%(mass)s in all, %(height)s high on %(width)s × %(depth)s.") % {
        "mass": with_unit(mix.mass_kg, "mass", units),
        "height": with_unit(height_m, "length", units),
        "width": figure(place.width_m, "length", units),
        "depth": with_unit(footprint_m2(place, mix.volume_m3) / place.width_m, "length", units),
    }


def layer_table(worked: Worked, units: str) -> dict[str, Any]:
    """Return the layers from the bottom up as a table."""
    known, names = worked.of.by_id(), short_names(worked.of.on_hand)
    rows = []
    for layer in worked.layers:
        one = known[layer.material]
        amount = with_unit(layer.mass_kg, "mass", units)
        if layer.containers is not None and one.container is not None:
            amount = f"{halves(layer.containers)} × {one.container.name}"
        kind = str(_KINDS[layer.kind])
        rows.append(
            (
                layer.number,
                f"{names[layer.material]} ({kind})" if kind else names[layer.material],
                amount,
                _thick(layer.thickness_m, units),
                figure(layer.water_kg, "liquid", units)
                if layer.water_kg >= _LEAST_WATER_KG
                else "",
            )
        )
    return table(
        "layers",
        _("Layers, bottom first"),
        (
            Column(_("No."), number=True),
            Column(_("Fork on"), says_itself=True),
            Column(_("How much"), says_itself=True),
            Column(_("Thick"), unit=MEASURES["depth"][units].sign, number=True),
            Column(_("Sprinkle"), unit=MEASURES["liquid"][units].sign, number=True),
        ),
        rows,
    )


def _thick(thickness_m: float, units: str) -> str:
    """Return a thickness: whole centimetres or inches, a decimal below one."""
    value = MEASURES["depth"][units].from_si(100 * thickness_m)
    return f"{value:.0f}" if value >= 1 else f"{value:.1f}"


def drawings(worked: Worked, units: str) -> tuple[Any, Any]:
    """Return the heap cut open, as it will be built, for the phone and the laptop."""
    mix, place = worked.recipe.mix, worked.plan.place
    assert mix is not None
    known, names = worked.of.by_id(), short_names(worked.of.on_hand)
    height_m = mix.volume_m3 / footprint_m2(place, mix.volume_m3)
    shape: Any = {PlaceKind.VESSEL: "vessel", PlaceKind.LANE: "windrow"}.get(
        PlaceKind(place.kind), "bay"
    )
    section = heap.Section(
        code=place.code,
        shape=shape,
        width_m=place.width_m,
        height_m=height_m,
        wall_m=(place.height_m or 0.0) if shape == "bay" else 0.0,
        layers=tuple(
            heap.Layer(
                names[layer.material],
                hatch_of(
                    known[layer.material].material.category,
                    known[layer.material].ingredient.cn.typical or None,
                    known[layer.material].material.layer_role,
                ),
                layer.volume_m3,
            )
            for layer in worked.layers
        ),
    )
    unit: Any = "ft" if units == Units.US else "m"
    return (
        heap.heap_section(section, uid="mix-n", width_px=328, length_unit=unit),
        heap.heap_section(section, uid="mix-w", width_px=560, length_unit=unit),
    )
