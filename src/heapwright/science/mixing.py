"""Mixing: the properties of a stated mix and how sure they are.

The equations are those of recipe.md's sources: moisture and C:N as mass-weighted sums
(Richard & Trautmann 1996, Cornell Waste Management Institute), free air space after
Haug 1993 or Richard et al. 2004, carbon from volatile solids after Adams et al. 1951. All
masses are as-is (wet) kilograms; moisture is a percentage of wet mass.

How sure each figure of a material is, :mod:`heapwright.science.ingredients` tells.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.ingredients import DRAWS, Ingredient, MixFacts, ParticleDensities, draws_of

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Part:
    """So much of one ingredient: wet mass in kg."""

    ingredient: Ingredient
    mass_kg: float


@dataclass(frozen=True, slots=True)
class PartWorking:
    """What one part brings to the mix, kg and m³ (before any shrink)."""

    id: str
    mass_kg: float
    water_kg: float
    dry_kg: float
    carbon_kg: float
    nitrogen_kg: float
    volatile_kg: float
    degradable_kg: float
    volume_m3: float


@dataclass(frozen=True, slots=True)
class Mix:
    """The properties of a mix at the typical values, with what they were computed from.

    ``cn`` and ``cn_biodegradable`` are None when the mix holds no nitrogen.
    ``free_air_space_pct`` is by the pair of particle densities named in ``densities``;
    ``free_air_space_by_pair`` has every pair.
    """

    mass_kg: float
    volume_m3: float
    dry_kg: float
    water_kg: float
    moisture_pct: float
    c_pct_dry: float
    n_pct_dry: float
    cn: float | None
    cn_biodegradable: float | None
    vs_pct_dry: float
    bulk_density_kg_m3: float
    free_air_space_pct: float
    free_air_space_by_pair: Mapping[str, float]
    densities: str
    shrink: float
    ph_known: tuple[tuple[str, float], ...]
    parts: tuple[PartWorking, ...]


def free_air_space_pct(
    *,
    water_kg: float | Array,
    dry_kg: float | Array,
    volume_m3: float | Array,
    vs_fraction: float | Array,
    densities: ParticleDensities,
    water_density_kg_m3: float,
) -> Array:
    """Return free air space, per cent of the volume, held at 0 when the mix is over-full.

    FAS = 1 - g S / Gs - g (1 - S), 1 / Gs = V / Gv + (1 - V) / Gf with g the wet bulk density,
    S the solids fraction and V the volatile fraction of solids (Haug 1993; with 1600 and
    2500 kg/m³ Richard, Veeken, de Wilde & Hamelers 2004, Biotechnol. Prog. 20:1372).
    """
    solids_m3 = dry_kg * (
        vs_fraction / densities.organic_kg_m3 + (1.0 - vs_fraction) / densities.ash_kg_m3
    )
    filled_m3 = water_kg / water_density_kg_m3 + solids_m3
    return np.maximum(100.0 * (1.0 - filled_m3 / volume_m3), 0.0)


def _working(part: Part) -> PartWorking:
    it, mass = part.ingredient, part.mass_kg
    water = mass * it.moisture_pct.typical / 100.0
    dry = mass - water
    volatile = dry * it.vs_pct_dry.typical / 100.0
    return PartWorking(
        id=it.id,
        mass_kg=mass,
        water_kg=water,
        dry_kg=dry,
        carbon_kg=dry * it.c_pct_dry.typical / 100.0,
        nitrogen_kg=dry * it.n_pct_dry.typical / 100.0,
        volatile_kg=volatile,
        degradable_kg=volatile * it.degradability_pct_vs.typical / 100.0,
        volume_m3=0.0 if it.is_water else mass / it.bulk_density_kg_m3.typical,
    )


def mix_of(
    parts: Sequence[Part],
    facts: MixFacts,
    *,
    shrink: float = 1.0,
    densities: str | None = None,
) -> Mix:
    """Return the properties of a mix at the typical values of its ingredients.

    Moisture G = sum(Q M) / sum(Q) and C:N R = sum(Q C (100 - M)) / sum(Q N (100 - M)) (Richard &
    Trautmann 1996). Bulk density is mass over ``shrink`` times the summed volumes; water fills
    pores and adds no volume. The biodegradable C:N counts each material's carbon by the
    degradable share of its volatile solids (Chandler et al. 1980 for lignin).

    Parameters
    ----------
    parts : sequence of Part
        At least one with solids.
    facts : MixFacts
    shrink : float
        Volume of the mixed heap over the sum of the volumes, 0.5 to 1.
    densities : str, optional
        Id of the pair of particle densities for the one figure of free air space.

    Raises
    ------
    InputError
        If the mix holds no solids, or the shrink is not between 0.5 and 1.
    """
    if not 0.5 <= shrink <= 1.0:
        raise InputError(f"a volume shrink of {shrink:g} is not between 0.5 and 1")
    rows = tuple(_working(part) for part in parts)
    mass = sum(row.mass_kg for row in rows)
    dry = sum(row.dry_kg for row in rows)
    water = sum(row.water_kg for row in rows)
    volume = shrink * sum(row.volume_m3 for row in rows)
    if dry <= 0.0 or volume <= 0.0:
        raise InputError("a mix needs at least one material with solids in it")
    carbon = sum(row.carbon_kg for row in rows)
    nitrogen = sum(row.nitrogen_kg for row in rows)
    volatile = sum(row.volatile_kg for row in rows)
    degradable_carbon = sum(
        row.carbon_kg * row.degradable_kg / row.volatile_kg for row in rows if row.volatile_kg
    )
    by_pair = {
        key: float(
            free_air_space_pct(
                water_kg=water,
                dry_kg=dry,
                volume_m3=volume,
                vs_fraction=volatile / dry,
                densities=pair,
                water_density_kg_m3=facts.water_density_kg_m3,
            )
        )
        for key, pair in facts.densities.items()
    }
    chosen = densities or facts.default_densities
    return Mix(
        mass_kg=mass,
        volume_m3=volume,
        dry_kg=dry,
        water_kg=water,
        moisture_pct=100.0 * water / mass,
        c_pct_dry=100.0 * carbon / dry,
        n_pct_dry=100.0 * nitrogen / dry,
        cn=carbon / nitrogen if nitrogen > 0 else None,
        cn_biodegradable=degradable_carbon / nitrogen if nitrogen > 0 else None,
        vs_pct_dry=100.0 * volatile / dry,
        bulk_density_kg_m3=mass / volume,
        free_air_space_pct=by_pair[chosen],
        free_air_space_by_pair=by_pair,
        densities=chosen,
        shrink=shrink,
        ph_known=tuple((p.ingredient.id, p.ingredient.ph) for p in parts if p.ingredient.ph),
        parts=rows,
    )


@dataclass(frozen=True, slots=True)
class Limit:
    """A range that one property must lie in; an open side is None."""

    low: float | None = None
    high: float | None = None

    def holds(self, value: float | None, *, slack: float = 1e-9) -> bool:
        """Tell whether ``value`` lies in the range; no value never does."""
        if value is None:
            return False
        return (self.low is None or value >= self.low - slack) and (
            self.high is None or value <= self.high + slack
        )


PROPERTIES = ("moisture_pct", "cn", "bulk_density_kg_m3", "free_air_space_pct")


@dataclass(frozen=True, slots=True)
class MixSpread:
    """p5, p50 and p95 of each property, and the chance that all lie within their limits."""

    quantiles: Mapping[str, tuple[float, float, float]]
    chance_in_range: float
    chance_by_property: Mapping[str, float]


def drawn_properties(
    parts: Sequence[Part], facts: MixFacts, *, shrink: float = 1.0, densities: str | None = None
) -> dict[str, Array]:
    """Return draws of each of :data:`PROPERTIES`, arrays of shape (draws,).

    C:N is infinite where a mix holds no nitrogen.
    """
    mass = sum(part.mass_kg for part in parts)
    water, dry, carbon, nitrogen, volatile, volume = (np.zeros(DRAWS) for _ in range(6))
    for part in parts:
        it = draws_of(part.ingredient)
        part_dry = part.mass_kg * (1.0 - it.water)
        water += part.mass_kg * it.water
        dry += part_dry
        carbon += part_dry * it.carbon
        nitrogen += part_dry * it.nitrogen
        volatile += part_dry * it.volatile
        volume += part.mass_kg * it.volume_m3_kg
    volume *= shrink
    with np.errstate(divide="ignore", invalid="ignore"):
        cn = np.where(nitrogen > 0, carbon / nitrogen, np.inf)
    return {
        "moisture_pct": 100.0 * water / mass,
        "cn": cn,
        "bulk_density_kg_m3": mass / volume,
        "free_air_space_pct": free_air_space_pct(
            water_kg=water,
            dry_kg=dry,
            volume_m3=volume,
            vs_fraction=volatile / dry,
            densities=facts.densities[densities or facts.default_densities],
            water_density_kg_m3=facts.water_density_kg_m3,
        ),
    }


def spread_of(
    parts: Sequence[Part],
    limits: Mapping[str, Limit],
    facts: MixFacts,
    *,
    shrink: float = 1.0,
    densities: str | None = None,
) -> MixSpread:
    """Return how sure the properties of a mix are, given how well its materials are known.

    Parameters
    ----------
    parts, facts, shrink, densities
        As for :func:`mix_of`.
    limits : mapping of property to Limit
        The ranges for the chance; properties not named have none.
    """
    values = drawn_properties(parts, facts, shrink=shrink, densities=densities)
    inside = {key: within(values[key], limit) for key, limit in limits.items()}
    together = np.logical_and.reduce(list(inside.values())) if inside else np.ones(1, dtype=bool)
    return MixSpread(
        quantiles={key: _quantiles(value) for key, value in values.items()},
        chance_in_range=float(together.mean()),
        chance_by_property={key: float(value.mean()) for key, value in inside.items()},
    )


def within(values: Array, limit: Limit) -> npt.NDArray[np.bool_]:
    """Return where ``values`` lie in the range."""
    low = -np.inf if limit.low is None else limit.low
    high = np.inf if limit.high is None else limit.high
    return (values >= low) & (values <= high)


def _quantiles(values: Array) -> tuple[float, float, float]:
    with np.errstate(invalid="ignore"):  # between infinities there is none
        p5, p50, p95 = np.quantile(values, (0.05, 0.5, 0.95))
    return float(p5), float(p50), float(p95)


def second_mass_for_moisture_kg(
    mass_kg: float, moisture_pct: float, other_moisture_pct: float, goal_pct: float
) -> float:
    """Return the mass of a second material that brings a first to a moisture goal.

    Q2 = Q1 (G - M1) / (M2 - G) (Richard & Trautmann 1996).

    Raises
    ------
    InputError
        If the goal does not lie between the two moistures: no amount reaches it.
    """
    if (goal_pct - moisture_pct) * (other_moisture_pct - goal_pct) <= 0:
        raise InputError(
            f"a moisture of {goal_pct:g} % does not lie between {moisture_pct:g} and "
            f"{other_moisture_pct:g} %, so no amount reaches it"
        )
    return mass_kg * (goal_pct - moisture_pct) / (other_moisture_pct - goal_pct)


def water_to_add_kg(mass_kg: float, moisture_pct: float, goal_pct: float) -> float:
    """Return the water that brings a mass to a moisture goal: Q (G - M) / (100 - G).

    Zero when it is wet enough already.
    """
    if not 0 <= goal_pct < 100:
        raise InputError(f"a moisture goal of {goal_pct:g} % is not below 100")
    return max(0.0, mass_kg * (goal_pct - moisture_pct) / (100.0 - goal_pct))


def degradable_fraction_from_lignin(
    lignin_pct_vs: float, *, intercept: float, slope_per_pct: float
) -> float:
    """Return the biodegradable share of volatile solids, B = intercept - slope L, within 0 to 1.

    Chandler et al. 1980; the coefficients stand in ``data/constants.csv`` (from memory). An
    anaerobic-digestion fit, so a lower bound for wood.
    """
    return min(1.0, max(0.0, intercept - slope_per_pct * lignin_pct_vs))
