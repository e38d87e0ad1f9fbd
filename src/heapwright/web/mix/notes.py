"""What a person should know before building a mix."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import takewhile
from typing import Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data import constant
from heapwright.data.mixing import layer_thickness
from heapwright.science.goals import DRY_ROLES
from heapwright.science.layers import Layer
from heapwright.science.mixing import Mix, Part
from heapwright.science.recipe import DEFAULT_CHANCE
from heapwright.web.measures import with_unit
from heapwright.web.mix.asked import Asked
from heapwright.web.mix.words import NAMES, on_hand_words, short_names
from heapwright.yard.heap_shape import footprint_m2, height_limit_m
from heapwright.yard.models import Contamination, Place
from heapwright.yard.recipe_plan import Worked

_MEASURED: Final = {
    "moisture_pct": gettext_lazy("the moisture"),
    "cn": gettext_lazy("nitrogen and carbon"),
    "bulk_density_kg_m3": gettext_lazy("the bulk density"),
    "free_air_space_pct": gettext_lazy("the bulk density"),
}
"""What narrows each property of a mix when it is measured."""


def notes(asked: Asked, worked: Worked, units: str) -> Iterator[str]:
    """Yield what a person should know before building this."""
    found, place = worked.recipe, worked.plan.place
    mix = found.mix
    assert mix is not None
    there = asked.stands_at(place)
    if there is not None:
        yield _("%(lot)s stands in %(place)s already: build somewhere else, or add to it.") % {
            "lot": there.code,
            "place": place.name,
        }
    yield from _short_of_stock(worked, units)
    yield from _dirty(worked)
    yield from _size(mix, place, units)
    yield from _lifting(worked, units)
    names = short_names(worked.of.on_hand)
    spread = found.spread
    if (
        found.feasible
        and spread
        and spread.chance_in_range < (found.chance_wanted or DEFAULT_CHANCE)
    ):
        weakest = min(spread.chance_by_property, key=spread.chance_by_property.__getitem__)
        yield _("Least sure is %(what)s: measure %(figure)s of %(name)s to be surer.") % {
            "what": NAMES[weakest],
            "figure": _MEASURED[weakest],
            "name": names[_vaguest(found.parts, weakest)],
        }
    assumed = [
        names[part.ingredient.id]
        for part in found.parts
        if any("assumed" in note for note in part.ingredient.notes)
    ]
    if assumed:
        yield _(
            "Some figures of %(names)s are assumed from their kind; the working says which. "
            "Measure them to be surer."
        ) % {"names": ", ".join(assumed)}


def _short_of_stock(worked: Worked, units: str) -> Iterator[str]:
    known = worked.of.by_id()
    for name, mass_kg in worked.plan.amounts_kg.items():
        one = known[name]
        if mass_kg > one.available_kg * 1.0001:
            yield _(
                "More %(name)s than the books hold: %(there)s are there. Measure what is there "
                "first, or take less."
            ) % {"name": one.material.name, "there": on_hand_words(one, units)}


def _dirty(worked: Worked) -> Iterator[str]:
    known = worked.of.by_id()
    for name in worked.plan.amounts_kg:
        for lot in known[name].lots:
            if lot.state.contamination == Contamination.MUCH:
                yield _(
                    "%(lot)s %(name)s came with much that does not belong: pick it out first."
                ) % {
                    "lot": lot.code,
                    "name": known[name].material.name,
                }


def _size(mix: Mix, place: Place, units: str) -> Iterator[str]:
    least = constant("min_pile_volume_m3").value
    if mix.volume_m3 < least:
        yield _("Less than %(least)s seldom holds its heat.") % {
            "least": with_unit(least, "volume", units)
        }
    height_m = mix.volume_m3 / footprint_m2(place, mix.volume_m3)
    most_m = height_limit_m(place)
    if height_m > most_m * 1.005:
        yield _("It would stand %(height)s high and %(most)s is the most there.") % {
            "height": with_unit(height_m, "length", units),
            "most": with_unit(most_m, "length", units),
        }


def _lifting(worked: Worked, units: str) -> Iterator[str]:
    heavy_kg = constant("lift_limit_kg").value
    carried_m3 = constant("carried_container_max_l").value / 1000.0
    known = worked.of.by_id()
    for name in worked.plan.amounts_kg:
        one = known[name]
        if one.container is None or one.container.volume_m3 > carried_m3:
            continue
        if one.container_kg is not None and one.container_kg > heavy_kg:
            yield _(
                "A full %(container)s of %(name)s weighs about %(mass)s: lift it with two, or "
                "fill it half."
            ) % {
                "container": one.container.name,
                "name": one.material.name,
                "mass": with_unit(one.container_kg, "mass", units),
            }


def _vaguest(parts: Sequence[Part], weakest: str) -> str:
    """Return the id of the ingredient that adds most to what is not known of a property."""

    def doubt(part: Part) -> float:
        """Return how far water, nitrogen or volume of a part may lie from the typical."""
        it, mass_kg = part.ingredient, part.mass_kg
        moisture = it.moisture_pct
        if weakest == "moisture_pct":
            return mass_kg * (moisture.high - moisture.low)
        if weakest == "cn":
            dry_kg = mass_kg * (100.0 - moisture.typical)
            return dry_kg * (it.n_pct_dry.high - it.n_pct_dry.low)
        density = it.bulk_density_kg_m3
        return mass_kg / density.low - mass_kg / density.high

    return max((part for part in parts if not part.ingredient.is_water), key=doubt).ingredient.id


def layer_notes(worked: Worked, units: str) -> Iterator[str]:
    """Yield where base or cap is thinner than it should be for want of material."""
    thickness, known = layer_thickness(), worked.of.by_id()

    def dry_m(layers: Iterable[Layer]) -> float:
        """Return how thick the dry carbon is before the first other layer."""
        dry = takewhile(
            lambda layer: known[layer.material].ingredient.layer_role in DRY_ROLES, layers
        )
        return sum(layer.thickness_m for layer in dry)

    for there_m, wanted_m, text in (
        (
            dry_m(worked.layers),
            thickness.base_m,
            _(
                "The base is %(there)s and %(wanted)s is usual: coarse sticks or chips under a "
                "heap let air in."
            ),
        ),
        (
            dry_m(reversed(worked.layers)),
            thickness.cap_m,
            _(
                "The cap is %(there)s and %(wanted)s is usual: dry leaves or chips on top keep "
                "flies and smell in."
            ),
        ),
    ):
        if there_m < 0.75 * wanted_m:
            yield text % {
                "there": with_unit(100 * there_m, "depth", units),
                "wanted": with_unit(100 * wanted_m, "depth", units),
            }
