"""The tables that mixing and recipes rest on, as the records that the science takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

from heapwright.data.library import materials
from heapwright.data.recipe import (
    category_defaults,
    constant,
    default_ranges,
    how_to_measure,
    layer_limits,
    particle_densities,
    spreads,
    storage_life,
)
from heapwright.errors import NotMeasuredError
from heapwright.science.ingredients import (
    WATER,
    CategoryDefault,
    Ingredient,
    MixFacts,
    ParticleDensities,
    Spread,
    complete,
)
from heapwright.science.layers import LayerLimits
from heapwright.science.materials import Material
from heapwright.science.mixing import Limit

_MEASURABLE = ("moisture_pct", "n_pct_dry", "c_pct_dry", "cn", "bulk_density_kg_m3")


@cache
def mix_facts() -> MixFacts:
    """Return the constants, spreads and defaults that mixing rests on."""
    densities = particle_densities()
    return MixFacts(
        carbon_cap_pct_dry=constant("carbon_cap_pct_dry").value,
        carbon_max_pct_dry=constant("carbon_max_pct_dry").value,
        vs_per_carbon=constant("vs_per_carbon").value,
        water_density_kg_m3=constant("water_density_kg_m3").value,
        densities={
            key: ParticleDensities(key, pair.organic_kg_m3, pair.ash_kg_m3)
            for key, pair in densities.items()
        },
        default_densities=next(key for key, pair in densities.items() if pair.default),
        assumed=_spreads("assumed"),
        measured=_spreads("measured"),
        categories={
            key: CategoryDefault(default.bulk_density_kg_m3, default.degradability_pct_vs)
            for key, default in category_defaults().items()
        },
        how_to_measure={name: how_to_measure(name) for name in _MEASURABLE},
    )


def _spreads(kind: str) -> dict[str, Spread]:
    return {
        name: Spread(fact.half_range, fact.scale)
        for (name, of_kind), fact in spreads().items()
        if of_kind == kind
    }


def acceptable_limits() -> dict[str, Limit]:
    """Return the acceptable range of each property of a mix.

    Density is bounded above and free air space below only: a light, airy mix is no fault.
    """
    ranges = default_ranges()
    return {
        "moisture_pct": Limit(
            ranges["moisture_pct"].reasonable_low, ranges["moisture_pct"].reasonable_high
        ),
        "cn": Limit(ranges["cn"].reasonable_low, ranges["cn"].reasonable_high),
        "bulk_density_kg_m3": Limit(None, ranges["bulk_density_kg_m3"].reasonable_high),
        "free_air_space_pct": Limit(ranges["free_air_space_pct"].reasonable_low, None),
    }


def preferred_limits() -> dict[str, Limit]:
    """Return the preferred range of each property of a mix."""
    ranges = default_ranges()
    return {
        "moisture_pct": Limit(
            ranges["moisture_pct"].preferred_low, ranges["moisture_pct"].preferred_high
        ),
        "cn": Limit(ranges["cn"].preferred_low, ranges["cn"].preferred_high),
        "bulk_density_kg_m3": Limit(None, ranges["bulk_density_kg_m3"].preferred_high),
        "free_air_space_pct": Limit(ranges["free_air_space_pct"].preferred_low, None),
        "food_volume_pct": Limit(None, ranges["food_volume_pct"].preferred_high),
        "dry_volume_pct": Limit(ranges["dry_volume_pct"].preferred_low, None),
    }


def urgency(ingredient: Ingredient, waited_days: float) -> float:
    """Return how pressing it is to use a material, 0 (keeps for months) to 1 (today).

    The share of its storage life in warm weather that will have passed by tomorrow.
    """
    material = Material(ingredient.id, ingredient.name, ingredient.category)
    return min(1.0, (waited_days + 1.0) / storage_life(material).days_warm)


@cache
def water() -> Ingredient:
    """Return water as an ingredient."""
    return complete(materials()["water"], mix_facts())


@cache
def layer_thickness() -> LayerLimits:
    """Return how thick layers are laid: the thinner end where a range is published."""
    limits = {key: limit for key, limit in layer_limits().items() if limit.default}
    base, cap = limits["base"].thickness_min_m, limits["cap"].thickness_min_m
    most = limits["any"].thickness_max_m
    assert base is not None
    assert cap is not None
    assert most is not None
    return LayerLimits(
        base_m=base,
        cap_m=cap,
        any_m=most,
        material_m={
            limit.applies_to: limit.thickness_max_m
            for limit in limits.values()
            if limit.thickness_max_m is not None and limit.applies_to in materials()
        },
    )


def candidates(
    library: Mapping[str, Material], facts: MixFacts, on_hand: Sequence[Ingredient]
) -> list[Ingredient]:
    """Return every material that could be brought in; what is on hand as measured there."""
    found = {ingredient.id: ingredient for ingredient in on_hand}
    for material in library.values():
        if material.id in found or material.id == WATER:
            continue
        try:
            found[material.id] = complete(material, facts)
        except NotMeasuredError:
            continue
    return [ingredient for ingredient in found.values() if not ingredient.is_water]
