"""What a recipe is made from and what is wanted of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from heapwright.errors import InputError
from heapwright.science.ingredients import Ingredient
from heapwright.science.mixing import Array, Limit

AMOUNT_TOLERANCE: Final = 0.05
"""A pile within 5 % of the wanted amount is the wanted pile; whole containers need the room."""

DRY_ROLES: Final = ("brown", "woody")
"""Layer roles of the dry carbon that makes base, cover and cap."""


@dataclass(frozen=True, slots=True)
class Stock:
    """What is on hand of one ingredient.

    Attributes
    ----------
    ingredient : Ingredient
    available_kg : float
    unit_kg : float or None
        Mass of half a container; amounts are whole multiples of it. None: any amount.
    urgency : float
        0 (keeps for months) to 1 (must go in today).
    """

    ingredient: Ingredient
    available_kg: float
    unit_kg: float | None = None
    urgency: float = 0.0

    @property
    def is_brown(self) -> bool:
        """Dry carbon stock, to be spared when it is scarce."""
        return self.ingredient.layer_role in DRY_ROLES

    @property
    def usable_kg(self) -> float:
        """What can be taken: all of it, or its whole half containers."""
        if not self.unit_kg:
            return self.available_kg
        return math.floor(self.available_kg / self.unit_kg + 1e-9) * self.unit_kg


@dataclass(frozen=True, slots=True)
class Goals:
    """What is wanted of the pile.

    Attributes
    ----------
    limits, preferred : mapping of property to Limit
        The acceptable and the preferred range of ``moisture_pct``, ``cn``,
        ``bulk_density_kg_m3``, ``free_air_space_pct``, ``food_volume_pct`` and
        ``dry_volume_pct`` (shares of the volume that are food, and dry cover).
    volume_m3, mass_kg : float or None
        The wanted amount, one of the two; neither: as much as the stock makes.
    water_allowed : bool
    water_kg : float
        Most water to add, where it is allowed.
    chance : float or None
        Least chance that all properties lie in their limits. None: 0.9 where it can be had,
        otherwise as near as the stock allows.
    shrink : float
        Volume of the heap over the summed volumes of its parts.
    densities : str or None
        Pair of particle densities for free air space.
    caps : mapping of material or category id to the largest share of the volume, 0 to 1
        All of a category's materials together, and all lots of a material.
    """

    limits: Mapping[str, Limit]
    preferred: Mapping[str, Limit]
    volume_m3: float | None = None
    mass_kg: float | None = None
    water_allowed: bool = True
    chance: float | None = None
    shrink: float = 1.0
    densities: str | None = None
    water_kg: float = math.inf
    caps: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.volume_m3 is not None and self.mass_kg is not None:
            raise InputError("a volume and a mass are both asked for; give one of the two")
        for name in ("volume_m3", "mass_kg"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise InputError(f"{name} of {value:g} is not above zero")
        if self.chance is not None and not 0.5 <= self.chance < 1.0:
            raise InputError(f"a chance of {self.chance:g} is not from 0.5 to below 1")

    @property
    def most_water_kg(self) -> float:
        """The most water that can be added."""
        return self.water_kg if self.water_allowed else 0.0


@dataclass(frozen=True, slots=True)
class Weights:
    """What each concern costs, in points.

    ``perishable``, ``scarce_brown`` and ``water`` are per unit share of the pile's mass;
    ``outside`` is for one unit beyond the acceptable range, in a compromise only.
    """

    perishable: float = 10.0
    scarce_brown: float = 5.0
    ingredient: float = 0.3
    water: float = 2.0
    density_per_kg_m3: float = 0.05
    air_per_pct: float = 0.5
    food_per_pct: float = 0.3
    dry_per_pct: float = 0.3
    amount_per_pct: float = 1.5
    outside: float = 8.0

    def per_unit(self, name: str) -> float:
        """Return the points for one unit of a property beyond its preferred range."""
        return {
            "bulk_density_kg_m3": self.density_per_kg_m3,
            "free_air_space_pct": self.air_per_pct,
            "food_volume_pct": self.food_per_pct,
            "dry_volume_pct": self.dry_per_pct,
        }.get(name, 1.0)


def volumes_m3_kg(stock: Sequence[Stock], goals: Goals) -> Array:
    """Return heap volume per kg of each stock, water (which adds none) last."""
    volumes = [1.0 / s.ingredient.bulk_density_kg_m3.typical for s in stock]
    return goals.shrink * np.array([*volumes, 0.0])


def quantities(stock: Sequence[Stock], goals: Goals) -> Array:
    """Return what a kg of each stock adds to the wanted quantity, water last: kg or m³."""
    if goals.mass_kg is not None:
        return np.ones(len(stock) + 1)
    return volumes_m3_kg(stock, goals)


def cap_rows(stock: Sequence[Stock], goals: Goals) -> list[Array]:
    """Return each cap as a row over the masses, water last, that is at most 0: in m³ a kg."""
    volume = volumes_m3_kg(stock, goals)
    rows = []
    for name, share in goals.caps.items():
        counts = [name in (s.ingredient.id, s.ingredient.category) for s in stock]
        if share < 1.0 and any(counts):
            rows.append(np.where([*counts, False], volume, 0.0) - share * volume)
    return rows
