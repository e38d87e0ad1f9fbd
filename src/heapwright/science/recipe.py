"""The recipe: the best mix from what is on hand, or what is in the way and would mend it.

:mod:`heapwright.science.programme` holds the mathematical programme. Here the sureness is
settled by drawing the mix itself, an impossible wish is explained, and the least additions that
would make it possible are found.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Final

import numpy as np

from heapwright.errors import InputError
from heapwright.science.goals import AMOUNT_TOLERANCE, Goals, Stock, cap_rows
from heapwright.science.ingredients import WATER, Ingredient, MixFacts
from heapwright.science.limits import LimitRow, limit_rows
from heapwright.science.mixing import (
    PROPERTIES,
    Array,
    Limit,
    Mix,
    MixSpread,
    Part,
    mix_of,
    spread_of,
)
from heapwright.science.programme import Programme, largest_amount, least_cost
from heapwright.science.relaxation import Infeasible

DEFAULT_CHANCE: Final = 0.9
"""The sureness aimed at when none is asked for."""

_FIRST_K: Final = 1.3  # deviations to spare at first; one limit in play then holds in 90 %
_MOST_K: Final = 3.0
_COARSE: Final = 0.3  # units of a property, near enough while looking for k
_PROMISING: Final = 16  # stocks that a thorough search chooses from
_SPECK: Final = 1e-6  # a smaller share of a pile is nothing
_SMALLEST_SHARE: Final = 0.5  # a compromise smaller than this share of the wish is no help
# How much more than the bare least of an addition is tried: whole containers need room.
_MORE: Final = (1.01, 1.05, 1.15, 1.4, 2.0)
_TRIED: Final = 2  # times as many additions as are wanted are looked at

# How far outside the acceptable range a compromise may lie to be worth offering.
_NEAR: Final = {
    "moisture_pct": 5.0,
    "cn": 5.0,
    "bulk_density_kg_m3": 60.0,
    "free_air_space_pct": 6.0,
}


@dataclass(frozen=True, slots=True)
class Outside:
    """A property of a mix that lies outside its acceptable range, and by how much."""

    property: str
    value: float | None
    limit: Limit
    by: float

    def shown(self) -> str:
        """Return the value in three figures, or in as many as tell it from its range."""
        if self.value is None:
            return "none"
        texts = [_in_figures(self.value, digits) for digits in range(3, 10)]
        return next((text for text in texts if not self.limit.holds(float(text))), texts[-1])


@dataclass(frozen=True, slots=True)
class Blocked:
    """A limit in the way: the property (or ``amount`` or ``chance``) and why, in words."""

    limit: str
    why: str


@dataclass(frozen=True, slots=True)
class Recipe:
    """The answer: a mix, or why there is none.

    Attributes
    ----------
    feasible : bool
        Every limit holds at the typical values, the amount is reached and so is the chance
        that was asked for.
    parts : tuple of Part
        What goes in, water included. When ``feasible`` is false, the nearest compromise, or
        nothing when none is near.
    mix, spread : Mix, MixSpread or None
        Recomputed from ``parts``, not taken from the programme.
    outside : tuple of Outside
        The limits that a compromise breaks; always empty when ``feasible``.
    blocked_by : tuple of Blocked
    points : float or None
        The programme's objective; lower is better.
    """

    feasible: bool
    parts: tuple[Part, ...]
    mix: Mix | None
    spread: MixSpread | None
    chance_wanted: float
    amount_wanted: float
    outside: tuple[Outside, ...] = ()
    blocked_by: tuple[Blocked, ...] = ()
    points: float | None = None


@dataclass(frozen=True, slots=True)
class Addition:
    """The least of one material that would make the wish possible.

    ``together`` marks a set of materials of which every one is needed.
    """

    ingredient: Ingredient
    mass_kg: float
    cost: float | None = None
    together: bool = False


def solve(
    stock: Sequence[Stock],
    goals: Goals,
    facts: MixFacts,
    water: Ingredient,
    *,
    thorough: bool = True,
) -> Recipe:
    """Return the best mix from ``stock`` for ``goals``.

    Parameters
    ----------
    stock : sequence of Stock
        What is on hand; at least one material.
    goals : Goals
    facts : MixFacts
    water : Ingredient
        Water, for the parts of the answer.
    thorough : bool
        Search a second. False: the first good answer, for a page that follows a finger.

    Raises
    ------
    InputError
        If the stock is empty.
    """
    if not any(s.usable_kg > 0 for s in stock):
        raise InputError("nothing is on hand; a mix needs at least one material")
    goals, amount = _with_amount(stock, goals, facts)
    wanted = goals.chance or DEFAULT_CHANCE
    programme = Programme(stock, goals, facts, amount)

    try:
        masses, points = _surest(programme, wanted, water, thorough=thorough)
        if thorough and _chance(programme, masses, water) < (goals.chance or 0.0):
            # the first good answer may be surer than the one of fewest points
            quick = _surest(programme, wanted, water, thorough=False)
            masses, points = max(
                (masses, points), quick, key=lambda found: _chance(programme, found[0], water)
            )
    except Infeasible:
        return _explain(programme, water, wanted)
    parts = _parts_of(programme, masses, water)
    spread = _spread(parts, goals, facts)
    blocked: tuple[Blocked, ...] = ()
    if goals.chance is not None and spread.chance_in_range < goals.chance:
        blocked = (_blocked_by_chance(spread, goals.chance),)
    return Recipe(
        feasible=not blocked,
        parts=parts,
        mix=mix_of(parts, facts, shrink=goals.shrink, densities=goals.densities),
        spread=spread,
        chance_wanted=wanted,
        amount_wanted=amount,
        blocked_by=blocked,
        points=points,
    )


def judged(limits: Mapping[str, Limit]) -> dict[str, Limit]:
    """Return the limits on properties that have a spread."""
    return {key: limit for key, limit in limits.items() if key in PROPERTIES}


def _parts_of(programme: Programme, masses: Array, water: Ingredient) -> tuple[Part, ...]:
    listed = [(s.ingredient, m) for s, m in zip(programme.stock, masses, strict=False)]
    return tuple(Part(i, float(m)) for i, m in [*listed, (water, masses[-1])] if m > 0)


def _chance(programme: Programme, masses: Array, water: Ingredient) -> float:
    parts = _parts_of(programme, masses, water)
    return _spread(parts, programme.goals, programme.facts).chance_in_range


def _spread(parts: Sequence[Part], goals: Goals, facts: MixFacts) -> MixSpread:
    return spread_of(
        parts, judged(goals.limits), facts, shrink=goals.shrink, densities=goals.densities
    )


def _with_amount(stock: Sequence[Stock], goals: Goals, facts: MixFacts) -> tuple[Goals, float]:
    """Return the goals and the wanted amount; without a wish, the most that heats well.

    That is the largest pile within the preferred ranges, or within the acceptable ones when the
    preferred allow none.
    """
    amount = goals.mass_kg or goals.volume_m3
    if amount is not None:
        return goals, amount
    trial = Programme(stock, goals, facts, 1.0)
    for rows in (trial.hard + trial.soft, trial.hard):
        largest, _ = largest_amount(stock, goals, rows)
        if largest > 1e-6:
            # a little less than the most, so that whole containers and margins find room
            return replace(goals, volume_m3=0.9 * largest), 0.9 * largest
    everything = float(trial.volume_m3_kg[:-1] @ trial.usable_kg)
    return replace(goals, volume_m3=everything), everything


def _surest(
    programme: Programme,
    wanted: float,
    water: Ingredient,
    *,
    thorough: bool,
) -> tuple[Array, float]:
    """Return masses (water last) and points of the answer that is as sure as wanted.

    Where the stock cannot give it, of the answer that is as sure as it can be.

    Raises
    ------
    Infeasible
        If no whole containers meet the limits even at the typical values.
    """
    k, cuts = _surest_k(programme, wanted, water)
    while True:
        try:
            masses, points = _in_containers(programme, k, cuts, thorough=thorough)
            break
        except Infeasible:
            if k == 0.0:
                raise
            # whole containers leave less room than the relaxation found
            k = k - 0.25 if k > 0.25 else 0.0
            _, cuts = programme.relaxed(k)
    for _ in range(6):
        # more to spare than the cone's normal shape says: the draws are skewed
        chance = _chance(programme, masses, water)
        if chance >= wanted:
            break
        k += 0.05 + 2.0 * (wanted - chance)
        try:
            _, cuts = programme.relaxed(k, cuts)
            surer, surer_points = _in_containers(programme, k, cuts, thorough=thorough)
        except Infeasible:
            break
        if _chance(programme, surer, water) > chance:
            masses, points = surer, surer_points
    return masses, points


def _in_containers(
    programme: Programme, k: float, cuts: Sequence[Array], *, thorough: bool
) -> tuple[Array, float]:
    """Return the best answer found in whole half containers.

    Quick: among a lean choice of stocks. Thorough: also among all that look promising.
    """
    found: list[tuple[Array, float]] = []
    choices = [programme.lean(cuts)]
    if thorough:
        choices.append(programme.promising(cuts, _PROMISING))
    choices.append(list(range(programme.count)))
    for at, among in enumerate(choices):
        if found and at == len(choices) - 1:
            break  # all of the stock is searched only when nothing else gave an answer
        try:
            found.append(
                programme.integral(k, cuts, among=among, time_limit_s=2.0)
                if thorough
                else programme.integral(k, cuts, among=among, time_limit_s=0.2, gap=0.05, rounds=1)
            )
        except Infeasible:
            continue
    if not found:
        raise Infeasible
    return min(found, key=lambda answer: answer[1])


def _surest_k(programme: Programme, wanted: float, water: Ingredient) -> tuple[float, list[Array]]:
    """Return the deviations to spare that give the wanted chance, and the cuts found there.

    Where the stock cannot give it, the most deviations that it can.

    Raises
    ------
    Infeasible
        If the limits cannot be met even at the typical values.
    """
    feasible_k, impossible_k = 0.0, _MOST_K
    cuts: list[Array] = []
    k = _FIRST_K
    for _ in range(7):
        try:
            masses, found = programme.relaxed(k, cuts, units_off=_COARSE)
        except Infeasible:
            if feasible_k == 0.0 and k == _FIRST_K:
                programme.relaxed(0.0)  # raises when nothing works at all
            impossible_k = k
        else:
            feasible_k, cuts = k, found
            if _chance(programme, masses, water) >= wanted:
                break
        k = k + 0.25 if impossible_k == _MOST_K else (feasible_k + impossible_k) / 2
        if impossible_k - feasible_k < 0.05 or k >= _MOST_K:
            break
    return feasible_k, cuts


def _blocked_by_chance(spread: MixSpread, wanted: float) -> Blocked:
    weakest = min(spread.chance_by_property, key=lambda key: spread.chance_by_property[key])
    return Blocked(
        "chance",
        f"at best {100 * spread.chance_in_range:.0f} % sure to lie in range and "
        f"{100 * wanted:.0f} % is asked; {weakest} is the least sure "
        f"({100 * spread.chance_by_property[weakest]:.0f} %)",
    )


def outside_of(mix: Mix, limits: Mapping[str, Limit]) -> tuple[Outside, ...]:
    """Return the limits that a mix breaks at its typical values, farthest first."""
    found = []
    for name, limit in judged(limits).items():
        value: float | None = getattr(mix, name)
        if limit.holds(value):
            continue
        by = float("inf")
        if value is not None:
            below = (limit.low - value) if limit.low is not None else 0.0
            above = (value - limit.high) if limit.high is not None else 0.0
            by = max(below, above)
        found.append(Outside(name, value, limit, by))
    return tuple(sorted(found, key=lambda o: -o.by / _NEAR[o.property]))


def _explain(programme: Programme, water: Ingredient, wanted: float) -> Recipe:
    """Return why there is no mix, and the nearest compromise if one is near."""
    goals, facts = programme.goals, programme.facts
    blocked = _blocked_by_amount(programme)
    try:
        parts = _parts_of(programme, programme.compromise(), water)
    except Infeasible:
        parts = ()
    if all(part.ingredient.is_water for part in parts):
        nothing = tuple(blocked) or (_blocked_otherwise(programme),)
        return Recipe(False, (), None, None, wanted, programme.amount, blocked_by=nothing)
    mix = mix_of(parts, facts, shrink=goals.shrink, densities=goals.densities)
    outside = outside_of(mix, goals.limits)
    quantity = mix.mass_kg if goals.mass_kg is not None else mix.volume_m3
    spread = _spread(parts, goals, facts)
    if (
        not outside
        and abs(quantity / programme.amount - 1.0) <= AMOUNT_TOLERANCE
        and spread.chance_in_range >= (goals.chance or 0.0)
    ):
        # on the very edge of a limit, where the programme leaves room for rounding
        return Recipe(True, parts, mix, spread, wanted, programme.amount)
    for out in outside:
        why = f"at best {out.shown()}, and {range_in_words(out.limit)}"
        blocked.append(Blocked(out.property, why))
    blocked_by = _merged(blocked) or (_blocked_otherwise(programme),)
    near = all(out.by <= _NEAR[out.property] for out in outside)
    if not near or quantity < _SMALLEST_SHARE * programme.amount:
        return Recipe(False, (), None, None, wanted, programme.amount, blocked_by=blocked_by)
    return Recipe(
        feasible=False,
        parts=parts,
        mix=mix,
        spread=spread,
        chance_wanted=wanted,
        amount_wanted=programme.amount,
        outside=outside,
        blocked_by=blocked_by,
    )


def _blocked_otherwise(programme: Programme) -> Blocked:
    """Return what is in the way when neither a limit nor the amount is: caps or containers."""
    if cap_rows(programme.stock, programme.goals):
        return Blocked("cap", f"the caps on {', '.join(programme.goals.caps)} leave no mix")
    return Blocked("containers", "no whole or half containers make the wanted amount in range")


def _blocked_by_amount(programme: Programme) -> list[Blocked]:
    """Return why the wanted amount cannot be made, as far as it is the amount."""
    goals, wanted = programme.goals, programme.amount
    unit = "kg" if goals.mass_kg is not None else "m³"
    everything = float(programme.quantity[:-1] @ [s.available_kg for s in programme.stock])
    if everything < wanted * (1.0 - AMOUNT_TOLERANCE):
        return [
            Blocked(
                "amount",
                f"all that is on hand makes {_in_figures(everything)} {unit} and "
                f"{_in_figures(wanted)} {unit} is asked",
            )
        ]
    largest, binding = largest_amount(programme.stock, goals, programme.hard)
    if largest < _SPECK * wanted:
        return []
    if largest >= wanted:
        why = "no whole or half containers make the wanted amount in range"
        return [Blocked("containers", why)]
    return [
        Blocked(
            "amount",
            f"what is on hand makes at most {_in_figures(largest)} {unit} within the limits and "
            f"{_in_figures(wanted)} {unit} is asked",
        ),
        *(
            Blocked(row.property, f"stops it growing: {range_in_words(goals.limits[row.property])}")
            for row in binding
        ),
    ]


def _merged(blocked: Sequence[Blocked]) -> tuple[Blocked, ...]:
    """Return one entry a limit, the first said of it."""
    return tuple({b.limit: b for b in reversed(blocked)}.values())[::-1]


def _in_figures(value: float, digits: int = 3) -> str:
    """Return a number in so many figures, never as a power of ten where it is large."""
    return f"{value:.{digits}g}" if abs(value) < 10**digits else f"{value:.0f}"


def range_in_words(limit: Limit) -> str:
    """Return a range as a person says it."""
    if limit.low is None:
        return f"at most {limit.high:g} is acceptable"
    if limit.high is None:
        return f"at least {limit.low:g} is acceptable"
    return f"{limit.low:g} to {limit.high:g} is acceptable"


def additions(
    stock: Sequence[Stock],
    goals: Goals,
    facts: MixFacts,
    water: Ingredient,
    candidates: Sequence[Ingredient],
    *,
    prices_per_tonne: Mapping[str, float] | None = None,
    most: int = 6,
) -> list[Addition]:
    """Return the least of each candidate that would make the wish possible, cheapest first.

    Each candidate alone is tried with all of the stock, at the sureness asked for. When no
    single one mends it, the least set of them together is returned. The least is found without
    whole containers; each answer is then solved with what it adds, and grows until that works.

    Parameters
    ----------
    candidates : sequence of Ingredient
        Materials that could be brought in.
    prices_per_tonne : mapping of material id to price, optional
        Where all found additions have a price they are ordered by cost, otherwise by mass.
    most : int
        How many to return.
    """
    asked = goals
    goals, amount = _with_amount(stock, goals, facts)
    everything = [*stock, *(Stock(c, np.inf) for c in candidates if c.id != WATER)]
    rows = limit_rows([s.ingredient for s in everything], goals.limits, goals, facts)
    prices = prices_per_tonne or {}
    n = len(stock)
    found: list[Addition] = []
    for at in range(n, len(everything)):
        masses = _least_addition(everything, rows, goals, amount, [*range(n), at], n)
        if masses is not None and masses[n] > _SPECK * masses.sum():
            found.append(_addition(everything[at].ingredient, float(masses[n]), prices))
    mending: list[Addition] = []
    for addition in _cheapest_first(found)[: _TRIED * most]:
        mending += _mending(stock, asked, facts, water, [addition])
        if len(mending) == most:
            break
    if mending:
        return _cheapest_first(mending)
    masses = _least_addition(everything, rows, goals, amount, list(range(len(everything))), n)
    if masses is None:
        return []
    together = [
        replace(_addition(s.ingredient, float(m), prices), together=True)
        for s, m in zip(everything[n:], masses[n:], strict=False)
        if m > _SPECK * masses.sum()
    ]
    return _mending(stock, asked, facts, water, together)


def _cheapest_first(found: Sequence[Addition]) -> list[Addition]:
    """Return additions by cost where all have one, otherwise by mass."""
    priced = all(a.cost is not None for a in found)
    return sorted(found, key=lambda a: (a.cost or 0.0) if priced else a.mass_kg)


def _mending(
    stock: Sequence[Stock],
    goals: Goals,
    facts: MixFacts,
    water: Ingredient,
    bare: Sequence[Addition],
) -> list[Addition]:
    """Return the additions, grown until the wish is met with them; none when it never is."""

    def mended(more: float) -> list[Addition]:
        grown = [_grown(stock, addition, more) for addition in bare]
        return grown if _possible(_with(stock, grown), goals, facts, water) else []

    least, *middle, most = _MORE
    if found := mended(least):
        return found
    if not (enough := mended(most)):
        return []
    return next((found for more in middle if (found := mended(more))), enough)


def _grown(stock: Sequence[Stock], addition: Addition, more: float) -> Addition:
    """Return so many times the addition, in whole half containers of what there is of it."""
    mass_kg = more * addition.mass_kg
    unit = next((s.unit_kg for s in stock if s.ingredient.id == addition.ingredient.id), None)
    if unit:
        mass_kg = math.ceil(mass_kg / unit) * unit
    cost = None if addition.cost is None else addition.cost * mass_kg / addition.mass_kg
    return replace(addition, mass_kg=mass_kg, cost=cost)


def _with(stock: Sequence[Stock], additions: Sequence[Addition]) -> list[Stock]:
    """Return the stock with the additions, each laid to what there is of it."""
    more = {a.ingredient.id: a for a in additions}
    found = []
    for one in stock:
        added = more.pop(one.ingredient.id, None)
        found.append(
            one if added is None else replace(one, available_kg=one.available_kg + added.mass_kg)
        )
    return found + [Stock(a.ingredient, a.mass_kg) for a in more.values()]


def _possible(stock: Sequence[Stock], goals: Goals, facts: MixFacts, water: Ingredient) -> bool:
    """Return whether whole containers of the stock meet the wish."""
    goals, amount = _with_amount(stock, goals, facts)
    programme = Programme(stock, goals, facts, amount)
    try:
        if goals.chance is None:
            _in_containers(programme, 0.0, [], thorough=False)
            return True
        masses, _ = _surest(programme, goals.chance, water, thorough=False)
    except Infeasible:
        return False
    return _chance(programme, masses, water) >= goals.chance


def _addition(ingredient: Ingredient, mass_kg: float, prices: Mapping[str, float]) -> Addition:
    price = prices.get(ingredient.id)
    return Addition(ingredient, mass_kg, None if price is None else mass_kg * price / 1000.0)


def _least_addition(
    everything: Sequence[Stock],
    rows: Sequence[LimitRow],
    goals: Goals,
    amount: float,
    columns: Sequence[int],
    on_hand: int,
) -> Array | None:
    """Return masses of ``columns`` with the least mass added to the first ``on_hand`` of them.

    At the sureness asked for; when none is asked for, at :data:`DEFAULT_CHANCE` where that can
    be had, else at the typical values. None when no amount does it. Shape (columns,), water
    left out.
    """
    stock = [everything[i] for i in columns]
    water_at = len(everything)
    chosen = [row.at([*columns, water_at]) for row in rows]
    cost = np.array([0.0] * on_hand + [1.0] * (len(stock) - on_hand) + [0.0])
    wished = NormalDist().inv_cdf(goals.chance or DEFAULT_CHANCE)
    for k in (wished,) if goals.chance is not None else (wished, 0.0):
        try:
            return least_cost(stock, chosen, goals, amount, cost, k)[:-1]
        except Infeasible:
            continue
    return None
