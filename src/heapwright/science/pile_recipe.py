"""What a pile is built of, as the pile model needs it: pools of solids, water and nitrogen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.ingredients import Ingredient
from heapwright.science.materials import Mark, Span
from heapwright.science.mixing import Part
from heapwright.science.pile_parameters import draw_span

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DegradeClass:
    """How a kind of material decays: a row of ``data/pile_classes.csv``.

    Shares are of volatile solids, rates per day at 20 °C. A class is found by material id
    first, then category, then layer role.
    """

    id: str
    name: str
    roles: tuple[str, ...]
    categories: tuple[str, ...]
    materials: tuple[str, ...]
    fast_share: Span
    slow_share: Span
    k_fast_per_day: Span
    k_slow_per_day: Span
    sources: tuple[str, ...]
    mark: Mark
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Recipe:
    """Masses in kg and rates of a mix, each an array of shape (members,).

    ``inert_kg`` are the volatile solids that do not degrade within a season;
    ``available_carbon_kg`` leaves out carbon that is no food (wood, char).
    """

    water_kg: Array
    ash_kg: Array
    inert_kg: Array
    fast_kg: Array
    slow_kg: Array
    k_fast_per_day: Array
    k_slow_per_day: Array
    nitrogen_kg: Array
    available_carbon_kg: Array
    loose_m3: Array

    @property
    def dry_kg(self) -> Array:
        """Dry mass."""
        return self.ash_kg + self.inert_kg + self.fast_kg + self.slow_kg

    @property
    def mass_kg(self) -> Array:
        """Wet mass."""
        return self.water_kg + self.dry_kg

    def times(self, factor: float | Array) -> Recipe:
        """Return the same mix in another amount."""
        return Recipe(
            *(
                value if name.startswith("k_") else value * factor
                for name, value in ((n, getattr(self, n)) for n in self.__slots__)
            )
        )

    def spread(self, members: int) -> Recipe:
        """Return the recipe for ``members`` members, from one for a single member."""
        return Recipe(
            *(np.broadcast_to(getattr(self, n), (members,)).copy() for n in self.__slots__)
        )


def stated_recipe(
    mass_kg: float,
    *,
    moisture: float = 0.60,
    volatile: float = 0.85,
    fast_share: float = 0.25,
    slow_share: float = 0.30,
    k_fast_per_day: float = 0.06,
    k_slow_per_day: float = 0.006,
    cn: float = 28.0,
    density_kg_m3: float = 400.0,
) -> Recipe:
    """Return a recipe for one member from its analysis rather than from its materials.

    Shares are of volatile solids; ``volatile`` of dry mass. Carbon is taken as half of the
    volatile solids.
    """
    dry = mass_kg * (1.0 - moisture)
    organic = dry * volatile
    carbon = 0.5 * organic
    numbers = (
        mass_kg * moisture,
        dry - organic,
        organic * (1.0 - fast_share - slow_share),
        organic * fast_share,
        organic * slow_share,
        k_fast_per_day,
        k_slow_per_day,
        carbon / cn,
        carbon,
        mass_kg / density_kg_m3,
    )
    return Recipe(*(np.full(1, value) for value in numbers))


def class_of(ingredient: Ingredient, classes: Mapping[str, DegradeClass]) -> DegradeClass:
    """Return the class that an ingredient decays as.

    Raises
    ------
    InputError
        If no class names its id, category or layer role.
    """
    for named in ("materials", "categories", "roles"):
        key = {"materials": ingredient.id, "categories": ingredient.category}.get(
            named, ingredient.layer_role
        )
        for one in classes.values():
            if key in getattr(one, named):
                return one
    raise InputError(f"nothing is known of how {ingredient.id} decays")


def recipe_of(
    parts: Sequence[Part],
    classes: Mapping[str, DegradeClass],
    members: int,
    rng: np.random.Generator,
    *,
    spread: bool = True,
    solids_needed: bool = True,
) -> Recipe:
    """Return the recipe of a mix, each member with its own draw of every uncertain figure.

    Moisture, volatile solids, degradable share, nitrogen and rates are drawn over the ranges
    of each material. The degradable share is split into a fast and a slow pool as in the
    material's class.

    Parameters
    ----------
    parts : sequence of Part
    classes : mapping of id to DegradeClass
    members : int
    rng : numpy Generator
    spread : bool
        False gives every member the typical values.
    solids_needed : bool
        False allows water alone.

    Raises
    ------
    InputError
        If the mix holds no solids, or nothing is known of how a material decays.
    """

    def of(span: Span) -> Array:
        if not spread:
            return np.full(members, span.typical)
        return draw_span(span, rng, members)

    total = {name: np.zeros(members) for name in Recipe.__slots__}
    for part in parts:
        it = part.ingredient
        if it.is_water:
            total["water_kg"] += part.mass_kg
            continue
        kind = class_of(it, classes)
        water = part.mass_kg * of(it.moisture_pct) / 100.0
        dry = part.mass_kg - water
        organic = dry * of(it.vs_pct_dry) / 100.0
        degradable = organic * np.clip(of(it.degradability_pct_vs) / 100.0, 0.0, 0.98)
        fast, slow = of(kind.fast_share), of(kind.slow_share)
        fast_kg = degradable * fast / (fast + slow)
        slow_kg = degradable - fast_kg
        carbon = dry * of(it.c_pct_dry) / 100.0
        total["water_kg"] += water
        total["ash_kg"] += dry - organic
        total["inert_kg"] += organic - degradable
        total["fast_kg"] += fast_kg
        total["slow_kg"] += slow_kg
        total["k_fast_per_day"] += fast_kg * of(kind.k_fast_per_day)
        total["k_slow_per_day"] += slow_kg * of(kind.k_slow_per_day)
        total["nitrogen_kg"] += carbon / it.cn.typical if it.cn.typical > 0 else 0.0
        share = np.divide(degradable, organic, out=np.zeros(members), where=organic > 0)
        total["available_carbon_kg"] += carbon * share
        total["loose_m3"] += part.mass_kg / it.bulk_density_kg_m3.typical
    for pool in ("fast", "slow"):
        mass = total[f"{pool}_kg"]
        key = f"k_{pool}_per_day"
        total[key] = np.divide(total[key], mass, out=np.zeros(members), where=mass > 0)
    recipe = Recipe(**total)
    if solids_needed and not np.all(recipe.dry_kg > 0.0):
        raise InputError("a pile needs at least one material with solids in it")
    return recipe
