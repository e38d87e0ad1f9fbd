"""The limits of a recipe as linear rows over its masses, with the mean and variance of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np

from heapwright.errors import InputError
from heapwright.science.goals import DRY_ROLES, Goals
from heapwright.science.ingredients import Ingredient, MixFacts, draws_of
from heapwright.science.mixing import Array, Limit


@dataclass(frozen=True, slots=True, eq=False)
class LimitRow:
    """One side of one limit as ``sum(f_i x_i) <= 0`` over wet masses x in kg.

    ``typical`` holds f at the typical values, ``mean`` and ``sd`` its moments over the draws;
    each of shape (materials + 1,), water last. ``unit`` is the size of f for one unit of the
    property (1 %, 1 of C:N, 1 kg/m³) per kg of an ordinary mix; it scales points only.
    """

    property: str
    side: Literal["low", "high"]
    bound: float
    typical: Array
    mean: Array
    sd: Array
    unit: float

    def at(self, columns: Sequence[int]) -> LimitRow:
        """Return the row over some of the materials only."""
        index = list(columns)
        return LimitRow(
            self.property, self.side, self.bound,
            self.typical[index], self.mean[index], self.sd[index], self.unit,
        )  # fmt: skip

    def excess(self, masses_kg: Array, k: float) -> float:
        """Return by how many units a mix falls short of the cone at ``k`` deviations."""
        norm = math.sqrt(float(((self.sd * masses_kg) ** 2).sum()))
        total = max(float(masses_kg.sum()), 1e-12)
        return float((self.mean @ masses_kg + k * norm) / (self.unit * total))

    def tangent(self, masses_kg: Array, k: float) -> Array:
        """Return the coefficients of the cone's tangent at ``masses_kg``."""
        norm = math.sqrt(float(((self.sd * masses_kg) ** 2).sum()))
        return self.mean + (k / max(norm, 1e-12)) * self.sd**2 * masses_kg


# An ordinary pile for scaling points: half water, dry matter of 45 % carbon, 500 kg/m³.
_DRY_SHARE: Final = 0.5
_CARBON_SHARE: Final = 0.45
ORDINARY_DENSITY_KG_M3: Final = 500.0


def limit_rows(
    ingredients: Sequence[Ingredient], limits: Mapping[str, Limit], goals: Goals, facts: MixFacts
) -> list[LimitRow]:
    """Return each side of each limit as a linear row over the masses, with its moments.

    What a kilogram brings to a limit is linear in its :data:`FIGURES`, so its mean and variance
    follow exactly from theirs.

    Raises
    ------
    InputError
        If a limit is on something that is not a property of a mix.
    """
    moments = [moments_of(i) for i in ingredients]
    typical = np.array([m.typical for m in moments])
    mean = np.array([m.mean for m in moments])
    covariance = np.array([m.covariance for m in moments])
    roles = [i.layer_role for i in ingredients]
    rows = []
    for name, limit in limits.items():
        sides: tuple[tuple[Literal["low", "high"], float | None, float], ...] = (
            ("low", limit.low, -1.0),
            ("high", limit.high, 1.0),
        )
        for side, bound, sign in sides:
            if bound is None:
                continue
            brought = _brought(name, bound, roles, goals, facts)
            weights = sign * brought.weights
            constant = sign * brought.constant
            variance = np.einsum("ij,ijk,ik->i", weights, covariance, weights)
            rows.append(
                LimitRow(
                    property=name,
                    side=side,
                    bound=bound,
                    typical=np.append(
                        (weights * typical).sum(axis=1) + constant, sign * brought.water
                    ),
                    mean=np.append((weights * mean).sum(axis=1) + constant, sign * brought.water),
                    sd=np.append(np.sqrt(np.maximum(variance, 0.0)), 0.0),
                    unit=brought.unit,
                )
            )
    return rows


FIGURES: Final = ("water", "carbon", "nitrogen", "volatile", "volume")
"""Per kg of wet mass: kg of water, carbon, nitrogen and volatile solids, and m³."""


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Typical values, means and covariances of an ingredient's :data:`FIGURES`."""

    typical: Array
    mean: Array
    covariance: Array


@lru_cache(maxsize=512)
def moments_of(it: Ingredient) -> Moments:
    """Return the moments of an ingredient's figures over its draws."""
    d = draws_of(it)
    dry = 1.0 - d.water
    drawn = np.array([d.water, dry * d.carbon, dry * d.nitrogen, dry * d.volatile, d.volume_m3_kg])
    water = it.moisture_pct.typical / 100.0
    shares = (it.c_pct_dry.typical, it.n_pct_dry.typical, it.vs_pct_dry.typical)
    typical = [water, *((1.0 - water) * share / 100.0 for share in shares)]
    return Moments(
        typical=np.array([*typical, 1.0 / it.bulk_density_kg_m3.typical]),
        mean=drawn.mean(axis=1),
        covariance=np.cov(drawn),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Brought:
    """What a kg brings to a limit: ``weights`` (materials, figures) x figures + ``constant``.

    ``water`` is what a kg of water brings, ``unit`` one unit of the property per kg of mix.
    """

    weights: Array
    constant: float
    water: float
    unit: float


def _brought(
    name: str, bound: float, roles: Sequence[str], goals: Goals, facts: MixFacts
) -> _Brought:
    weights = np.zeros((len(roles), len(FIGURES)))
    water, carbon, nitrogen, volatile, volume = range(len(FIGURES))
    if name == "moisture_pct":
        weights[:, water] = 1.0
        return _Brought(weights, -bound / 100.0, 1.0 - bound / 100.0, 0.01)
    if name == "cn":
        weights[:, carbon], weights[:, nitrogen] = 1.0, -bound
        return _Brought(weights, 0.0, 0.0, _DRY_SHARE * _CARBON_SHARE / max(bound, 1.0))
    if name == "bulk_density_kg_m3":
        weights[:, volume] = -bound * goals.shrink
        return _Brought(weights, 1.0, 1.0, 1.0 / max(bound, 1.0))
    if name == "free_air_space_pct":
        pair = facts.densities[goals.densities or facts.default_densities]
        weights[:, volume] = (1.0 - bound / 100.0) * goals.shrink
        weights[:, water] = 1.0 / pair.ash_kg_m3 - 1.0 / facts.water_density_kg_m3
        weights[:, volatile] = 1.0 / pair.ash_kg_m3 - 1.0 / pair.organic_kg_m3
        of_water = -1.0 / facts.water_density_kg_m3
        return _Brought(weights, -1.0 / pair.ash_kg_m3, of_water, 0.01 / ORDINARY_DENSITY_KG_M3)
    counted = {"food_volume_pct": ("food",), "dry_volume_pct": DRY_ROLES}.get(name)
    if counted is None:
        raise InputError(f"there is no limit on {name}")
    inside = np.array([role in counted for role in roles])
    weights[:, volume] = goals.shrink * (inside - bound / 100.0)
    return _Brought(weights, 0.0, 0.0, 0.01 / ORDINARY_DENSITY_KG_M3)
