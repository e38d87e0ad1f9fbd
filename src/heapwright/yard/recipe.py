"""The recipe on the site's own records: the goals, the best mix, the lines to write.

What is on hand is :mod:`heapwright.yard.stock`, the science :mod:`heapwright.science.recipe`;
nothing is written here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

from heapwright.data.mixing import (
    acceptable_limits,
    candidates,
    layer_thickness,
    mix_facts,
    preferred_limits,
    water,
)
from heapwright.science.goals import Goals, Stock
from heapwright.science.layers import Layer, plan_layers
from heapwright.science.mixing import Limit, Part, mix_of, spread_of
from heapwright.science.recipe import (
    Addition,
    Blocked,
    Recipe,
    additions,
    judged,
    outside_of,
    range_in_words,
    solve,
)
from heapwright.yard.acts import Take
from heapwright.yard.amounts import EMPTY_KG, Quantity
from heapwright.yard.models import Known, Source
from heapwright.yard.stock import OnHand, Supply, WaitingLot


def goals(
    *,
    limits: Mapping[str, Limit] | None = None,
    volume_m3: float | None = None,
    water_allowed: bool = True,
    chance: float | None = None,
) -> Goals:
    """Return the goals of a mix: the default ranges, with those that a person states instead."""
    hard = acceptable_limits() | dict(limits or {})
    return Goals(
        limits=hard,
        preferred={
            name: _narrowed(limit, hard.get(name)) for name, limit in preferred_limits().items()
        },
        volume_m3=volume_m3,
        water_allowed=water_allowed,
        chance=chance,
    )


def _narrowed(preferred: Limit, hard: Limit | None) -> Limit:
    """Return the part of a preferred range that is acceptable, or all that is acceptable."""
    if hard is None:
        return preferred
    low = max((v for v in (preferred.low, hard.low) if v is not None), default=None)
    high = min((v for v in (preferred.high, hard.high) if v is not None), default=None)
    return hard if low is not None and high is not None and low > high else Limit(low, high)


def propose(of: Supply, wanted: Goals, *, most_m3: float | None = None) -> Recipe:
    """Return the best mix from what is on hand.

    Parameters
    ----------
    of : Supply
        At least one ingredient.
    wanted : Goals
    most_m3 : float, optional
        Where no volume is wanted: what the place holds. The pile fills it where the stock
        allows, and is else as large as the stock makes well.

    Raises
    ------
    InputError
        If nothing is on hand.
    """
    stock = tuple(of.stock())
    if wanted.volume_m3 is None and most_m3 is not None:
        heaped_m3 = sum(s.usable_kg / s.ingredient.bulk_density_kg_m3.typical for s in stock)
        if heaped_m3 >= most_m3:
            filled = _solved(stock, *_key(replace(wanted, volume_m3=most_m3)))
            if filled.feasible:
                return filled
    return _solved(stock, *_key(wanted))


Ranges = tuple[tuple[str, Limit], ...]


def _key(wanted: Goals) -> tuple[Ranges, Ranges, float | None, bool, float | None]:
    return (
        tuple(wanted.limits.items()),
        tuple(wanted.preferred.items()),
        wanted.volume_m3,
        wanted.water_allowed,
        wanted.chance,
    )


@lru_cache(maxsize=128)
def _solved(
    stock: tuple[Stock, ...],
    limits: Ranges,
    preferred: Ranges,
    volume_m3: float | None,
    water_allowed: bool,
    chance: float | None,
) -> Recipe:
    """Solve once for the same stock and wish; the answer rests on nothing else."""
    wanted = Goals(
        limits=dict(limits),
        preferred=dict(preferred),
        volume_m3=volume_m3,
        water_allowed=water_allowed,
        chance=chance,
    )
    return solve(stock, wanted, mix_facts(), water(), thorough=False)


def judge(parts: Sequence[Part], wanted: Goals) -> Recipe:
    """Return the properties of stated amounts, their spread and what is out of range.

    Raises
    ------
    InputError
        If the parts hold no solids.
    """
    facts = mix_facts()
    mix = mix_of(parts, facts, shrink=wanted.shrink, densities=wanted.densities)
    outside = outside_of(mix, wanted.limits)
    return Recipe(
        feasible=not outside,
        parts=tuple(parts),
        mix=mix,
        spread=spread_of(
            parts, judged(wanted.limits), facts, shrink=wanted.shrink, densities=wanted.densities
        ),
        chance_wanted=wanted.chance or 0.0,
        amount_wanted=mix.volume_m3,
        outside=outside,
        blocked_by=tuple(Blocked(one.property, range_in_words(one.limit)) for one in outside),
    )


def would_mend(of: Supply, wanted: Goals) -> list[Addition]:
    """Return the least additions that would make the wish possible.

    First of what the sources give and the site's own materials; of the whole library where
    none of those mends it.
    """
    prices = {
        one.id: one.price_per_tonne
        for one in of.library.values()
        if one.price_per_tonne is not None
    }
    near = {one.material.id for one in of.on_hand} | prices.keys()
    for given in Source.objects.filter(retired_at=None).values_list("material_ids", flat=True):
        near.update(given)
    on_hand = [one.ingredient for one in of.on_hand]
    stock, facts = of.stock(), mix_facts()
    for library in ({name: of.library[name] for name in near & of.library.keys()}, of.library):
        found = additions(
            stock,
            wanted,
            facts,
            water(),
            candidates(library, facts, on_hand),
            prices_per_tonne=prices,
            most=4,
        )
        if found:
            return found
    return []


def layers_of(parts: Sequence[Part], footprint_m2: float, of: Supply) -> list[Layer]:
    """Return the layers of a mix on a footprint, bottom first."""
    limits, known = layer_thickness(), of.by_id()
    own = {
        one.id: limits.material_m[one.material.id]
        for one in of.on_hand
        if one.material.id in limits.material_m
    }
    halves = {
        part.ingredient.id: full_kg / 2
        for part in parts
        if part.ingredient.id in known
        and (full_kg := known[part.ingredient.id].container_kg)
        and part.mass_kg >= full_kg / 2
    }
    return plan_layers(
        parts,
        footprint_m2,
        replace(limits, material_m={**limits.material_m, **own}),
        half_container_kg=halves,
    )


def takes_of(
    layers: Iterable[Layer], of: Supply, *, gone: Collection[str] = ()
) -> tuple[Take, ...]:
    """Return the lines of a build in the order of its layers, oldest lots first.

    A lot that is used up is taken whole, so that the books say nothing is left of it.

    Parameters
    ----------
    layers : iterable of Layer
    of : Supply
        As the layers were planned from.
    gone : collection of lot codes
        Lots of which nothing was left behind, although the books hold a little more.
    """
    cut = _cut(layers, of)
    last = {code: at for at, (_one, code, _mass_kg) in enumerate(cut)}
    held = {lot.code: lot.mass_kg for one in of.on_hand for lot in one.lots}
    takes = []
    for at, (one, code, mass_kg) in enumerate(cut):
        held[code] -= mass_kg
        final = at == last[code]
        if final and held[code] <= EMPTY_KG:
            takes.append(Take(lot=code))
            continue
        takes.append(
            Take(lot=code, quantity=_quantity(one, mass_kg), empties=final and code in gone)
        )
    return tuple(takes)


def _cut(layers: Iterable[Layer], of: Supply) -> list[tuple[OnHand, str, float]]:
    """Return (stock, lot, kg) for each layer, a layer over two lots in two parts."""
    known = of.by_id()
    left = {one.id: [[lot.code, lot.mass_kg] for lot in one.lots] for one in of.on_hand}
    cut: list[tuple[OnHand, str, float]] = []
    for layer in layers:
        wanted_kg = layer.mass_kg
        lots = left[layer.material]
        while wanted_kg > EMPTY_KG:
            code, there_kg = lots[0]
            # the rounding of the sums, and a person who asks for more than the books hold,
            # are the use case's to settle: the last lot takes all that is still asked
            mass_kg = wanted_kg if len(lots) == 1 else min(there_kg, wanted_kg)
            if abs(mass_kg - there_kg) <= EMPTY_KG:
                mass_kg = there_kg
            cut.append((known[layer.material], code, mass_kg))
            wanted_kg -= mass_kg
            lots[0][1] -= mass_kg
            if lots[0][1] <= EMPTY_KG and len(lots) > 1:
                lots.pop(0)
    return cut


def _quantity(one: OnHand, mass_kg: float) -> Quantity:
    volume_m3 = mass_kg / one.ingredient.bulk_density_kg_m3.typical
    if one.container is None:
        return Quantity(mass_kg=mass_kg, volume_m3=volume_m3, known=Known.ESTIMATED)
    count = volume_m3 / one.container.volume_m3
    return Quantity(
        mass_kg=mass_kg,
        volume_m3=volume_m3,
        known=Known.COUNTED,
        as_typed=f"{count:.3g} × {one.container.name}",
    )


def lots_used(masses_kg: Mapping[str, float], of: Supply) -> list[tuple[WaitingLot, float, float]]:
    """Return (lot, kg taken, kg left) of the lots that these amounts draw on."""
    used = []
    for one in of.on_hand:
        wanted_kg = masses_kg.get(one.id, 0.0)
        for lot in one.lots:
            taken_kg = min(lot.mass_kg, wanted_kg)
            if taken_kg > EMPTY_KG:
                used.append((lot, taken_kg, lot.mass_kg - taken_kg))
            wanted_kg -= taken_kg
    return used
