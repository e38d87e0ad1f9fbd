"""What people do to a pile: turn, wet, cover, uncover, add, move, combine, take off."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science import air
from heapwright.science.heap_shape import HeapShape
from heapwright.science.pile_layout import (
    ACTIVE,
    FAST,
    HEAT,
    LOOSE,
    SLOW,
    WATER,
    Forcing,
)
from heapwright.science.pile_parameters import Parameters
from heapwright.science.pile_rates import (
    volume_m3,
)
from heapwright.science.pile_recipe import Recipe
from heapwright.science.pile_state import (
    Booked,
    Cover,
    PileState,
    carbon_to_nitrogen,
    carbon_yield,
    coefficients,
    geometries,
    shell_m,
)

Array = npt.NDArray[np.float64]

LOOSENED: Final = 0.7
"""Looseness that a turning restores at least."""

STEAM_SHARE: Final = 0.6
"""Share of the heat lost in turning that goes as steam."""

STEAM_MOST: Final = 0.05
"""A turning never evaporates more than this share of the water."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something done at ``hour`` since the pile was built."""

    hour: float


@dataclass(frozen=True, slots=True)
class Turned(Event):
    """Turned in place: mixed throughout, loosened, some heat and steam lost."""


@dataclass(frozen=True, slots=True)
class Moved(Event):
    """Turned into another place: a new shape (or None: the same), its height from its volume."""

    shape: HeapShape | None = None


@dataclass(frozen=True, slots=True)
class Wetted(Event):
    """Water poured on, litres, at the temperature of the air unless given."""

    litres: float
    temp_c: float | None = None


@dataclass(frozen=True, slots=True)
class Covered(Event):
    """Covered with (or uncovered to) ``cover``."""

    cover: Cover


@dataclass(frozen=True, slots=True, eq=False)
class Added(Event):
    """Material mixed in, at the temperature of the air unless given."""

    recipe: Recipe
    temp_c: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Combined(Event):
    """Another pile (its state at that moment, as many members) turned into this one."""

    other: PileState


@dataclass(frozen=True, slots=True)
class TakenOff(Event):
    """A share of the heap carried away as it lies, all through; the rest stays as it is."""

    share: float


def apply(event: Event, state: PileState, parameters: Parameters, here: Forcing) -> PileState:
    """Return the pile just after an event.

    Parameters
    ----------
    event : Event
    state : PileState
        The pile just before it.
    parameters : mapping of id to array (members,)
    here : Forcing
        The weather of the moment.
    """
    match event:
        case Turned():
            return turn(state, parameters, here.temp_c)
        case Moved(shape=shape):
            moved = turn(state, parameters, here.temp_c)
            return moved if shape is None else reshape(moved, parameters, shape)
        case Wetted(litres=litres, temp_c=temp_c):
            return wet(state, litres, here.temp_c if temp_c is None else temp_c)
        case Covered(cover=cover):
            return replace(state, cover=cover)
        case Added(recipe=recipe, temp_c=temp_c):
            return add(state, parameters, recipe, here.temp_c if temp_c is None else temp_c)
        case Combined(other=other):
            return combine(state, parameters, other, here.temp_c)
        case TakenOff(share=share):
            return take_off(state, parameters, share)
    raise TypeError(f"{type(event).__name__} is no event of a pile")


def shares(state: PileState, parameters: Parameters) -> Array:
    """Return the zones' shares of the volume, (2, members)."""
    core = geometries(state.shape, shell_m(state.shape, parameters)).core_share
    return np.stack([core, 1.0 - core])


def turn(state: PileState, parameters: Parameters, temp_c: float) -> PileState:
    """Mix both zones, loosen, and lose heat and steam to the air of ``temp_c``.

    Heat lost = share x heat capacity x (mean temperature - air), 60 % of it as steam, at most
    5 % of the water.
    """
    share = shares(state, parameters)
    y = state.y.copy()
    solids = state.solids_kg.sum(axis=0)
    water = y[WATER].sum(axis=0)
    capacity = parameters["cp_solid_kj_kg_k"] * solids + air.CP_WATER * water
    heat = y[HEAT].sum(axis=0)
    ice = parameters["freezing"] * air.FREEZING_KJ_KG * water
    mean = (np.maximum(heat, 0.0) + np.minimum(heat + ice, 0.0)) / capacity
    lost = parameters["turn_loss"] * capacity * np.maximum(mean - temp_c, 0.0)
    steam = np.minimum(STEAM_SHARE * lost / air.latent_heat_kj_kg(mean), STEAM_MOST * water)
    activity = (y[ACTIVE] * (state.solids_kg + y[WATER])).sum(axis=0) / (solids + water)
    y[HEAT] = (heat - lost) * share
    y[WATER] = (water - steam) * share
    for rows in (FAST, SLOW):
        y[rows] = y[rows].sum(axis=0) * share
    y[ACTIVE] = activity
    y[LOOSE] = np.maximum(y[LOOSE], LOOSENED)
    booked = replace(
        state.booked,
        turn_water_kg=state.booked.turn_water_kg + steam,
        turn_heat_kj=state.booked.turn_heat_kj + lost,
    )
    return replace(
        state,
        y=y,
        inert_kg=state.inert_kg.sum(axis=0) * share,
        ash_kg=state.ash_kg.sum(axis=0) * share,
        booked=booked,
    )


def reshape(state: PileState, parameters: Parameters, shape: HeapShape) -> PileState:
    """Put a turned pile into another shape; its volume stays, so its height follows."""
    volume = _volume(state, parameters)
    new = replace(state, shape=shape)
    g = geometries(shape, shell_m(shape, parameters))
    share = np.stack([g.core_share, 1.0 - g.core_share])
    y = new.y.copy()
    for rows in (HEAT, WATER, FAST, SLOW):
        y[rows] = y[rows].sum(axis=0) * share
    return replace(
        new,
        y=y,
        inert_kg=state.inert_kg.sum(axis=0) * share,
        ash_kg=state.ash_kg.sum(axis=0) * share,
        shape_m3=np.broadcast_to(g.volume_m3, volume.shape).copy(),
    )


def wet(state: PileState, litres: float, temp_c: float) -> PileState:
    """Pour water over the pile; it spreads over the zones by their mass."""
    y = state.y.copy()
    mass = state.solids_kg + y[WATER]
    share = mass / mass.sum(axis=0)
    heat = air.CP_WATER * max(temp_c, 0.0) * litres
    y[WATER] += litres * share
    y[HEAT] += heat * share
    return replace(state, y=y, booked=_book(state.booked, water=litres, solids=0.0, heat=heat))


def add(state: PileState, parameters: Parameters, recipe: Recipe, temp_c: float) -> PileState:
    """Mix material in: pools add, rates are the mean by pool, activity the mean by mass.

    The heap grows by the loose volume of what comes; see :func:`resize`.
    """
    share = shares(state, parameters)
    y = state.y.copy()
    volume = _volume(state, parameters) + recipe.loose_m3
    dry = recipe.dry_kg
    heat = (parameters["cp_solid_kj_kg_k"] * dry + air.CP_WATER * recipe.water_kg) * temp_c
    if temp_c < 0.0:
        heat = heat - parameters["freezing"] * air.FREEZING_KJ_KG * recipe.water_kg
    old_mass = state.solids_kg + y[WATER]
    new_mass = recipe.mass_kg * share
    y[ACTIVE] = (y[ACTIVE] * old_mass + parameters["activity_start"] * new_mass) / (
        old_mass + new_mass
    )
    old_fast, old_slow = y[FAST].sum(axis=0), y[SLOW].sum(axis=0)
    k_fast = _mean(state.k_fast_per_day, old_fast, recipe.k_fast_per_day, recipe.fast_kg)
    k_slow = _mean(state.k_slow_per_day, old_slow, recipe.k_slow_per_day, recipe.slow_kg)
    total_before = state.solids_kg.sum(axis=0)
    y[LOOSE] = (y[LOOSE] * total_before + dry) / (total_before + dry)
    y[HEAT] += heat * share
    y[WATER] += recipe.water_kg * share
    y[FAST] += recipe.fast_kg * share
    y[SLOW] += recipe.slow_kg * share
    carbon = 0.5 * (recipe.inert_kg + recipe.fast_kg + recipe.slow_kg)
    rest = carbon - carbon_yield(parameters) * (recipe.fast_kg + recipe.slow_kg)
    cn = carbon_to_nitrogen(recipe)
    old_weight, new_weight = total_before, dry
    added = _refer(
        replace(
            state,
            y=y,
            inert_kg=state.inert_kg + recipe.inert_kg * share,
            ash_kg=state.ash_kg + recipe.ash_kg * share,
            k_fast_per_day=k_fast,
            k_slow_per_day=k_slow,
            carbon_rest_kg=state.carbon_rest_kg + rest,
            nitrogen_kg=state.nitrogen_kg + recipe.nitrogen_kg,
            cn=_mean(state.cn, old_weight, np.minimum(cn, 1e6), new_weight),
            booked=_book(state.booked, water=recipe.water_kg, solids=dry, heat=heat),
        ),
        parameters,
        volume,
    )  # fmt: skip
    return resize(added, parameters, volume)


def take_off(state: PileState, parameters: Parameters, share: float) -> PileState:
    """Carry a share of every zone away; what stays keeps its temperature and gets lower.

    Raises
    ------
    InputError
        If the share is not from 0 to below 1.
    """
    if not 0.0 <= share < 1.0:
        raise InputError(f"a share of {share:g} cannot be taken off a pile")
    keep = 1.0 - share
    y = state.y.copy()
    for rows in (HEAT, WATER, FAST, SLOW):
        y[rows] = y[rows] * keep
    left = replace(
        state,
        y=y,
        inert_kg=state.inert_kg * keep,
        ash_kg=state.ash_kg * keep,
        carbon_rest_kg=state.carbon_rest_kg * keep,
        nitrogen_kg=state.nitrogen_kg * keep,
        reference_kg=state.reference_kg * keep,
        reference_m3=state.reference_m3 * keep,
        booked=_book(
            state.booked,
            water=-share * state.y[WATER].sum(axis=0),
            solids=-share * state.solids_kg.sum(axis=0),
            heat=-share * state.y[HEAT].sum(axis=0),
        ),
    )
    return resize(left, parameters, _volume(left, parameters))


def resize(state: PileState, parameters: Parameters, volume: Array) -> PileState:
    """Give a heap that grew or shrank by hand the height of its volume on the same ground.

    Its core is then another share of it: what passes from one zone to the other goes with its
    heat and water. A cone keeps its slope. All members get the height of the median one.
    """
    factor = float(np.median(volume / state.shape_m3))
    old = state.shape
    if old.shape == "cone":
        size = factor ** (1.0 / 3.0)
        shape = replace(
            old,
            width_m=old.width_m * size,
            length_m=old.length_m * size,
            height_m=old.height_m * size,
        )
    else:
        shape = replace(old, height_m=old.height_m * factor)
    before = shares(state, parameters)[0]
    grown = replace(state, shape=shape)
    after = shares(grown, parameters)[0]
    inward = np.maximum(after - before, 0.0) / (1.0 - before)
    outward = np.maximum(before - after, 0.0) / before

    def passed(zones: Array) -> Array:
        core, shell = zones
        to_core = inward * shell - outward * core
        return np.stack([core + to_core, shell - to_core])

    y = state.y.copy()
    mass = state.solids_kg + y[WATER]
    alive = passed(y[ACTIVE] * mass)
    for rows in (HEAT, WATER, FAST, SLOW):
        y[rows] = passed(y[rows])
    y[ACTIVE] = alive / passed(mass)
    g = geometries(shape, shell_m(shape, parameters))
    return replace(
        grown,
        y=y,
        inert_kg=passed(state.inert_kg),
        ash_kg=passed(state.ash_kg),
        shape_m3=np.broadcast_to(g.volume_m3, volume.shape).copy(),
    )


def combine(state: PileState, parameters: Parameters, other: PileState, temp_c: float) -> PileState:
    """Turn another pile into this one, with the heat that it holds, then mix both."""
    share = shares(state, parameters)
    volume = _volume(state, parameters) + _volume(other, parameters)
    y = state.y.copy()
    mass = (state.solids_kg + y[WATER]).sum(axis=0)
    other_mass = (other.solids_kg + other.y[WATER]).sum(axis=0)
    y[ACTIVE] = _mean(
        y[ACTIVE], mass, (other.y[ACTIVE] * (other.solids_kg + other.y[WATER])).sum(axis=0)
        / other_mass, other_mass,
    )  # fmt: skip
    dry, other_dry = state.solids_kg.sum(axis=0), other.solids_kg.sum(axis=0)
    y[LOOSE] = _mean(y[LOOSE], dry, other.y[LOOSE], other_dry)
    fast, slow = y[FAST].sum(axis=0), y[SLOW].sum(axis=0)
    other_fast, other_slow = other.y[FAST].sum(axis=0), other.y[SLOW].sum(axis=0)
    for rows in (HEAT, WATER, FAST, SLOW):
        y[rows] += other.y[rows].sum(axis=0) * share
    joined = replace(
        state,
        y=y,
        inert_kg=state.inert_kg + other.inert_kg.sum(axis=0) * share,
        ash_kg=state.ash_kg + other.ash_kg.sum(axis=0) * share,
        k_fast_per_day=_mean(state.k_fast_per_day, fast, other.k_fast_per_day, other_fast),
        k_slow_per_day=_mean(state.k_slow_per_day, slow, other.k_slow_per_day, other_slow),
        carbon_rest_kg=state.carbon_rest_kg + other.carbon_rest_kg,
        nitrogen_kg=state.nitrogen_kg + other.nitrogen_kg,
        cn=_mean(state.cn, dry, other.cn, other_dry),
        booked=_book(
            state.booked,
            water=other.y[WATER].sum(axis=0),
            solids=other_dry,
            heat=other.y[HEAT].sum(axis=0),
        ),
    )
    joined = resize(_refer(joined, parameters, volume), parameters, volume)
    return turn(joined, parameters, temp_c)


def _mean(a: Array, weight_a: Array, b: Array, weight_b: Array) -> Array:
    total = weight_a + weight_b
    return np.divide(a * weight_a + b * weight_b, total, out=np.zeros_like(a), where=total > 0)


def _book(
    booked: Booked, *, water: float | Array, solids: float | Array, heat: float | Array
) -> Booked:
    return replace(
        booked,
        water_kg=booked.water_kg + water,
        solids_kg=booked.solids_kg + solids,
        heat_kj=booked.heat_kj + heat,
    )


def _volume(state: PileState, parameters: Parameters) -> Array:
    return volume_m3(coefficients(state, parameters), state.solids_kg, state.y[LOOSE])


def _refer(state: PileState, parameters: Parameters, volume: Array) -> PileState:
    """Shrink from here on: the dry mass of now has the ``volume`` of now."""
    packing = parameters["loose_min"] + (1.0 - parameters["loose_min"]) * state.y[LOOSE]
    return replace(state, reference_kg=state.solids_kg.sum(axis=0), reference_m3=volume / packing)
