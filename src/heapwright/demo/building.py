"""How piles are built: at once or over a week, bottom layer first, from the oldest stock."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from heapwright.demo import site
from heapwright.demo.books import (
    LEAD,
    PERISHABLE,
    TURN_DAYS,
    Books,
    Heap,
    Stock,
    Trouble,
    Written,
    density_kg_m3,
)
from heapwright.demo.heat import Heat
from heapwright.yard import mix, tend
from heapwright.yard.acts import Take
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Stage

FULL_M3: Final = 1.68
"""What is laid into a bay of 1.73 m³ before it settles."""


def build(yard: Books) -> Iterator[Written]:
    """Build a pile, or begin one, when it is time and there is something to build it from."""
    free = yard.free_bays()
    filling = any(heap.full is None for heap in yard.heaps)
    food_kg = yard.food_kg()
    due = yard.next_build - timedelta(days=3 if food_kg > 340 else 0)
    if yard.day < due or not free or filling or yard.day.weekday() == 6 or food_kg < 60:
        return
    cold = _never_heated(yard)
    at_once = cold is not None or not yard.fills_next
    starved = cold is None and yard.due("never heated", 118)
    code, place = yard.new_code("K"), free[0]
    takes, mass_kg, volume_m3 = _recipe(yard, 1.0 if at_once or starved else 0.4, starved)
    if cold is not None:
        yard.heaps.remove(cold)
        takes = [*takes[:1], Take(lot=cold.code), *takes[1:]]
        mass_kg += cold.mass_kg
        volume_m3 = FULL_M3
    vigour = 0.42 if starved else yard.rng.uniform(0.955, 1.02)
    heat = Heat(yard.today.mean_c + 4.0, vigour)
    heap = Heap(code, place, mass_kg, volume_m3, heat, yard.day, last_add=yard.day)
    dry = yard.day.month in (6, 7, 8, 9)
    water_l = 0.0 if starved else 60.0 if dry else yard.rng.choice((0.0, 10.0, 20.0))
    heap.mass_kg += water_l
    yard.heaps.append(heap)
    if at_once or starved:
        _fill_up(yard, heap, starved)
    yard.hours += 5.0
    yield yard.write(
        mix.BuildPile,
        12.6,
        by=LEAD if at_once else "",
        place=place,
        code=code,
        takes=tuple(takes),
        water_l=water_l,
        full=heap.full is not None,
        note="Chips were all we had to hand; little to eat in it." if starved else "",
    )


def _fill_up(yard: Books, heap: Heap, starved: bool = False) -> None:
    """Call the pile full: say which of the troubles it has, and when the next is begun."""
    heap.full = yard.day
    yard.fills_next = yard.rng.random() < 0.6
    wait = (3, 4, 4, 5) if yard.fills_next else (9, 10, 11, 12)
    yard.next_build = yard.day + timedelta(days=yard.rng.choice(wait))
    if starved:
        heap.trouble = "never heated"
        heap.turns_wanted = (12, 24)
        yard.troubles["never heated"] = Trouble(
            "too woody and too dry to heat", heap.code, yard.day
        )
    elif yard.due("one turning short", 88):
        heap.trouble = "one turning short"
        heap.turns_wanted = TURN_DAYS[:4]
        heap.heat.vigour = 1.02
        yard.troubles["one turning short"] = Trouble(
            "the fifth turning was forgotten", heap.code, yard.day
        )


def _never_heated(yard: Books) -> Heap | None:
    """Return the pile that never heated, when it is time to mix it into a new one."""
    for heap in yard.heaps:
        if heap.trouble == "never heated" and yard.age(heap.built) > 30:
            return heap
    return None


def filling(yard: Books) -> Iterator[Written]:
    """Go on filling the pile that is not full yet, when scraps have come."""
    for heap in yard.heaps:
        if heap.full is not None or heap.last_add == yard.day or yard.day.weekday() == 6:
            continue
        last = yard.age(heap.built) >= 6
        if not last and yard.food_kg() < 40:
            continue
        room = max(1.0 - heap.volume_m3 / FULL_M3, 0.0)
        takes, mass_kg, volume_m3 = _recipe(yard, room * (1.0 if last else 0.4), starved=False)
        if last:
            _fill_up(yard, heap)
        if takes:
            heap.mass_kg += mass_kg
            heap.volume_m3 += volume_m3
            heap.last_add = yard.day
            heap.heat.feed(volume_m3 / heap.volume_m3)
            yield yard.write(mix.AddToPile, 12.3, lot=heap.code, takes=tuple(takes), full=last)
        elif last:
            yield yard.write(tend.DeclareStage, 12.3, lot=heap.code, stage=Stage.HOT.value)


def _recipe(yard: Books, share: float, starved: bool) -> tuple[list[Take], float, float]:
    """Return takes, mass and volume of (this share of) a pile, bottom layer first."""
    left_m3 = FULL_M3 * share
    leaves_kg = sum(lot.mass_kg for lot in yard.stock if lot.material == "leaves_shredded")
    leafy = min(leaves_kg / 120.0, 1.0)  # chips stand in for leaves that have run out
    parts = (
        (("compost_overs",), 0.4 if starved else 0.10),
        (("wood_chips",), 0.5 if starved else 0.10 + 0.24 * (1.0 - leafy)),
        (("leaves_shredded",), 0.05 if starved else 0.24 * leafy),
        (("horse_straw",), 0.0 if starved else 0.15),
        (PERISHABLE, 0.05 if starved else 1.0),
    )
    takes: list[Take] = []
    mass_kg = volume_m3 = 0.0
    for group, part in parts:
        wanted_m3 = min(FULL_M3 * share * part, left_m3 - volume_m3)
        for take, taken_kg, taken_m3 in _take(yard, group, wanted_m3):
            takes.append(take)
            mass_kg += taken_kg
            volume_m3 += taken_m3
    return takes, mass_kg, volume_m3


def _take(
    yard: Books, group: tuple[str, ...], wanted_m3: float
) -> Iterator[tuple[Take, float, float]]:
    """Take from the oldest lots of a group: all of a lot, or barrows of it."""
    for lot in sorted(yard.stock, key=lambda one: (one.arrived, one.code)):
        if lot.material not in group or _set_aside(yard, lot):
            continue
        density = density_kg_m3(lot.material)
        barrows = round(2 * wanted_m3 / site.BARROW_M3) / 2
        there = lot.mass_kg / density / site.BARROW_M3
        if barrows <= 0:
            return
        if there <= barrows + 0.5:
            yard.stock.remove(lot)
            wanted_m3 -= lot.mass_kg / density
            yield Take(lot=lot.code), lot.mass_kg, lot.mass_kg / density
            continue
        quantity = Quantity(container="barrow", count=barrows, as_typed=f"{barrows:g} barrows")
        mass_kg = barrows * site.BARROW_M3 * density
        lot.mass_kg -= mass_kg
        yield Take(lot=lot.code, quantity=quantity), mass_kg, barrows * site.BARROW_M3
        return


def _set_aside(yard: Books, lot: Stock) -> bool:
    trouble = yard.troubles.get("contaminated delivery")
    return trouble is not None and lot.code == trouble.lot
