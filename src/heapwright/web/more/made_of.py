"""What each spreading on a bed was made of, by material, in one play of the books.

The same fair shares as :mod:`heapwright.yard.trace`, which follows every delivery and so takes
seconds for a lot of a ten-year-old site; by material alone it is a matter of milliseconds.
"""

from __future__ import annotations

from collections import defaultdict

from django.db.models import Sum

from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import End, Flow, Place

Use = tuple[int, int]
"""The entry and the lot that it took from."""


def materials_of_uses(bed: Place) -> dict[Use, dict[str, float]]:
    """Return for each use on a bed the fraction of each material in it, the greatest first.

    Fractions are of the mass as it came in, water included, at the time of the use.
    """
    lines = (
        Flow.objects.filter(ledger.counts())
        .order_by()
        .values_list(
            "entry__happened_at",
            "entry_id",
            "from_lot_id",
            "to_lot_id",
            "from_kind",
            "to_kind",
            "material_id",
            "to_place_id",
        )
        .annotate(Sum("mass_kg"))
    )
    # within an entry, what comes from outside first and what goes to the air last
    in_order = sorted(
        (line for line in lines if line[-1] > EMPTY_KG),
        key=lambda line: (line[0], line[1], line[2] is not None, line[5] == End.AIR),
    )
    held: dict[int, dict[str, float]] = defaultdict(dict)
    found: dict[Use, dict[str, float]] = {}
    for _at, entry_id, giver, taker, from_kind, _to_kind, material, place, mass_kg in in_order:
        if giver is not None:
            carried = _take(held, giver, mass_kg)
        elif from_kind == End.AIR:  # the books were short: the same things, more of each
            total = sum(held[taker].values())
            carried = {name: kg / total * mass_kg for name, kg in held[taker].items() if total}
        else:
            carried = {material: mass_kg}
        if taker is not None:
            goal = held[taker]
            for name, kg in carried.items():
                goal[name] = goal.get(name, 0.0) + kg
        elif place == bed.id:
            total = sum(carried.values())
            greatest_first = sorted(carried.items(), key=lambda item: -item[1])
            found[entry_id, giver] = {name: kg / total for name, kg in greatest_first if total}
    return found


def _take(held: dict[int, dict[str, float]], lot_id: int, mass_kg: float) -> dict[str, float]:
    """Take a fair share of all that a lot holds out of it and return it."""
    there = held[lot_id]
    total = sum(there.values())
    share = min(mass_kg / total, 1.0) if total > EMPTY_KG else 0.0
    if share > 1.0 - 1e-12:
        held[lot_id] = {}
        return there
    held[lot_id] = {name: kg * (1.0 - share) for name, kg in there.items()}
    return {name: kg * share for name, kg in there.items()}
