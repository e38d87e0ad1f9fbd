"""The uncertain figures of a pile as one vector of numbers about zero and one wide.

Figures that act alike are merged (Hamelers 2004: basic parameters of compost models cannot be
told apart and must be merged into fewer): the rate of the fast pool is one figure, whatever
part of it belongs to the material and what to the model. Each coordinate is a transform that
keeps its figure within bounds; 0 is its middle and 1 one standard deviation of what is known
before any reading.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.science.heap_shape import HeapShape
from heapwright.science.pile_parameters import Z95, ParameterFact
from heapwright.science.pile_recipe import Recipe

Array = npt.NDArray[np.float64]

FAST_RATE, SLOW_RATE = "fast_rate", "slow_rate"
FAST_POOL, DEGRADABLE, MOISTURE = "fast_pool", "degradable", "moisture"
MIX_LEVERS: Final = (FAST_RATE, SLOW_RATE, FAST_POOL, DEGRADABLE, MOISTURE)
MERGED: Final = frozenset({"k_fast_scale", "k_slow_scale", "fast_share_scale"})
UNSEEN: Final = frozenset({"loss_cn"})
"""Nothing that is read at a pile tells of these."""

CARRIED: Final = (
    FAST_RATE,
    SLOW_RATE,
    FAST_POOL,
    DEGRADABLE,
    MOISTURE,
    "permeability_m2",
    "conductivity_w_m_k",
    "t_max_c",
    "t_min_c",
    "activity_start",
    "growth_per_day",
    "rain_share",
    "surface_wetness",
    "floor_w_m2_k",
)
"""What one pile teaches about the next one on the same site."""

FURTHEST: Final = 2.2
"""How far readings may push a figure: a third beyond its calibration range."""

SHARE_ROOM: Final = 0.01
NARROW: Final = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Members:
    """The draws of an ensemble: parameters by id, and the recipe as built."""

    parameters: dict[str, Array]
    recipe: Recipe

    def take(self, chosen: slice) -> Members:
        """Return some of the members."""
        return Members(
            {key: value[chosen] for key, value in self.parameters.items()},
            Recipe(*(getattr(self.recipe, name)[chosen] for name in Recipe.__slots__)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """How members become vectors and back.

    ``names`` are the coordinates; ``middle`` and ``width`` standardise those of the mix.
    ``facts`` gives the ranges of the others.
    """

    names: tuple[str, ...]
    middle: Array
    width: Array
    facts: Mapping[str, ParameterFact]

    def at(self, names: tuple[str, ...]) -> npt.NDArray[np.intp]:
        """Return where the coordinates of these names stand."""
        return np.array([self.names.index(name) for name in names], dtype=np.intp)


def frame_of(members: Members, facts: Mapping[str, ParameterFact], shape: HeapShape) -> Frame:
    """Return the frame of an ensemble drawn from what is known before any reading."""
    boxed = shape.shape in ("bay", "vessel")
    idle = {*MERGED, *UNSEEN, "shell_free_m" if boxed else "shell_box_m"}
    ranged = tuple(key for key, fact in facts.items() if fact.low is not None and key not in idle)
    mix = np.stack([_MIX[name](members) for name in MIX_LEVERS])
    count = len(ranged)
    return Frame(
        names=(*MIX_LEVERS, *ranged),
        middle=np.concatenate([mix.mean(axis=1), np.zeros(count)]),
        width=np.concatenate([np.maximum(mix.std(axis=1), NARROW), np.ones(count)]),
        facts=facts,
    )


def vectors(frame: Frame, members: Members) -> Array:
    """Return the vectors of members, (coordinates, members)."""
    rows = []
    for name, middle, width in zip(frame.names, frame.middle, frame.width, strict=True):
        if name in _MIX:
            rows.append((_MIX[name](members) - middle) / width)
        else:
            rows.append(_score(frame.facts[name], members.parameters[name]))
    return np.stack(rows)


def members_at(frame: Frame, base: Members, x: Array) -> Members:
    """Return members with the figures of ``x``; what no coordinate holds stays as in ``base``.

    Parameters
    ----------
    frame : Frame
    base : Members
        As many members as ``x`` has columns.
    x : array (coordinates, members)
        Held within :data:`FURTHEST` of the middle.

    A wetter mix of the same mass has less dry mass, and a larger degradable share less inert.
    """
    held = np.clip(x, -FURTHEST, FURTHEST)
    value = dict(zip(frame.names, held * frame.width[:, None] + frame.middle[:, None], strict=True))
    parameters = dict(base.parameters)
    for name, row in zip(frame.names, held, strict=True):
        if name not in _MIX:
            parameters[name] = _figure(frame.facts[name], row)
    r = base.recipe
    parameters["k_fast_scale"] = np.exp(value[FAST_RATE]) / _or_one(r.k_fast_per_day)
    parameters["k_slow_scale"] = np.exp(value[SLOW_RATE]) / _or_one(r.k_slow_per_day)
    parameters["fast_share_scale"] = np.ones_like(r.fast_kg)
    water = r.mass_kg * _sigmoid(value[MOISTURE])
    dry = (r.mass_kg - water) / r.dry_kg
    organic = (r.inert_kg + r.fast_kg + r.slow_kg) * dry
    degradable = organic * _sigmoid(value[DEGRADABLE])
    fast = degradable * _sigmoid(value[FAST_POOL])
    old = (r.fast_kg + r.slow_kg) * dry
    more = np.divide(degradable, old, out=np.ones_like(old), where=old > 0.0)
    recipe = replace(
        r,
        water_kg=water,
        ash_kg=r.ash_kg * dry,
        inert_kg=organic - degradable,
        fast_kg=fast,
        slow_kg=degradable - fast,
        nitrogen_kg=r.nitrogen_kg * dry,
        available_carbon_kg=r.available_carbon_kg * dry * more,
    )
    return Members(parameters, recipe)


def _or_one(rate: Array) -> Array:
    return np.where(rate > 0.0, rate, 1.0)


def _score(fact: ParameterFact, value: Array) -> Array:
    """Return standard scores of a figure with a median and two half ranges."""
    assert fact.low is not None
    assert fact.high is not None
    below, above = max(fact.typical - fact.low, 1e-300), max(fact.high - fact.typical, 1e-300)
    away = value - fact.typical
    score: Array = Z95 * np.where(away < 0.0, away / below, away / above)
    return score


def _figure(fact: ParameterFact, score: Array) -> Array:
    assert fact.low is not None
    assert fact.high is not None
    half = np.where(score < 0.0, fact.typical - fact.low, fact.high - fact.typical)
    value: Array = fact.typical + half * score / Z95
    return value


def _logit(share: Array) -> Array:
    held = np.clip(share, SHARE_ROOM, 1.0 - SHARE_ROOM)
    odds: Array = np.log(held / (1.0 - held))
    return odds


def _sigmoid(odds: Array) -> Array:
    share: Array = 1.0 / (1.0 + np.exp(-odds))
    return share


def _rate(members: Members, pool: str) -> Array:
    rate = getattr(members.recipe, f"k_{pool}_per_day")
    log: Array = np.log(members.parameters[f"k_{pool}_scale"] * _or_one(rate))
    return log


def _fast_pool(members: Members) -> Array:
    r = members.recipe
    degradable = np.maximum(r.fast_kg + r.slow_kg, 1e-12)
    return _logit(r.fast_kg * members.parameters["fast_share_scale"] / degradable)


def _degradable(members: Members) -> Array:
    r = members.recipe
    pools = r.fast_kg + r.slow_kg
    return _logit(pools / np.maximum(pools + r.inert_kg, 1e-12))


_MIX: Final[Mapping[str, Callable[[Members], Array]]] = {
    FAST_RATE: lambda m: _rate(m, "fast"),
    SLOW_RATE: lambda m: _rate(m, "slow"),
    FAST_POOL: _fast_pool,
    DEGRADABLE: _degradable,
    MOISTURE: lambda m: _logit(m.recipe.water_kg / m.recipe.mass_kg),
}
