"""What the piles get: readings, turnings, water, covers, and two slips of their people."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from heapwright.demo.books import (
    HELPERS,
    LEAD,
    Books,
    Heap,
    Strike,
    Trouble,
    Written,
    density_kg_m3,
)
from heapwright.yard import mix, tend
from heapwright.yard.acts import Act, Take
from heapwright.yard.models import Cover, Smell, Squeeze


def readings(yard: Books) -> Iterator[Written]:
    """Read the piles that are due, three points each."""
    for number, heap in enumerate(yard.heaps):
        if not _read_today(yard, heap, number):
            continue
        mixed = heap.turned == yard.day - timedelta(days=1)
        temps = tuple(
            tend.Temp(point=point, depth_cm=depth_cm, temp_c=temp_c)
            for point, depth_cm, temp_c in heap.heat.read(yard.today.mean_c, mixed, yard.rng)
        )
        seen: dict[str, Any] = {}
        if yard.rng.random() < 0.3:
            seen = _felt(yard, heap)
        offline = yard.rng.random() < 0.08
        yield yard.write(
            tend.CheckLot,
            8.0 + 0.1 * number,
            late_h=yard.rng.uniform(0.5, 1.0) if offline else 0.0,
            note="Written at the pile, sent from the gate." if offline else "",
            lot=heap.code,
            temps=temps,
            **seen,
        )


def _read_today(yard: Books, heap: Heap, number: int) -> bool:
    if heap.on_pad is not None:
        return (yard.day.toordinal() + number) % 4 == 0
    age = yard.age(heap.last_add or heap.built)
    if age == 0:
        return False
    if age <= 20:
        return yard.rng.random() > 0.012
    return yard.rng.random() > (0.3 if age <= 32 else 0.05)


def _felt(yard: Books, heap: Heap) -> dict[str, Any]:
    wet = yard.yesterday.rain_mm > 12 and heap.cover == Cover.OPEN
    dry = yard.day.month in (6, 7, 8, 9) and yard.age(heap.built) > 8
    squeeze = Squeeze.DRIPS if wet else Squeeze.CRUMBLES if dry else Squeeze.HOLDS
    smell = Smell.SOUR if wet and heap.heat.air < 0.6 else Smell.EARTHY
    if heap.heat.core_c > 64 and yard.rng.random() < 0.2:
        smell = Smell.AMMONIA
    if heap.trouble == "never heated":
        squeeze, smell = Squeeze.DUSTY, Smell.NONE
    height_m = round(1.15 * max(0.45, 1.0 - 0.012 * yard.age(heap.built)), 2)
    return {"squeeze": squeeze.value, "smell": smell.value, "height_m": height_m}


def late_scraps(yard: Books) -> Iterator[Written]:
    """Once somebody tips the morning's scraps on a pile that had its heat behind it."""
    if not yard.due("late scraps", 62):
        return
    fresh = [lot for lot in yard.stock if lot.material == "food_post_consumer"]
    for heap in yard.heaps:
        old = heap.full and heap.on_pad is None and 20 <= yard.age(heap.full) <= 27
        if old and fresh and not heap.trouble:
            lot = fresh[-1]
            yard.stock.remove(lot)
            heap.heat.feed(lot.mass_kg / heap.mass_kg)
            heap.mass_kg += lot.mass_kg
            heap.volume_m3 += lot.mass_kg / density_kg_m3(lot.material)
            heap.full = heap.last_add = yard.day
            heap.turns_done = 0
            heap.trouble = "late scraps"
            yard.troubles["late scraps"] = Trouble(
                "raw scraps on a finished proof", heap.code, yard.day
            )
            yield yard.write(
                mix.AddToPile,
                9.2,
                by=HELPERS[1],
                lot=heap.code,
                takes=(Take(lot=lot.code),),
                note="No room in the bunker, so I put them here.",
            )
            return


def turnings(yard: Books) -> Iterator[Written]:
    """Turn the piles that are due, and cover those that got wet."""
    hour = 9.5
    for heap in yard.heaps:
        if heap.full is None or heap.on_pad is not None:
            continue
        wanted = heap.turns_wanted[heap.turns_done : heap.turns_done + 1]
        if not wanted or yard.age(heap.full) < wanted[0]:
            if _cover_due(yard, heap):
                heap.cover = Cover.TARP
                yield yard.write(tend.CoverLot, hour, lot=heap.code, cover=Cover.TARP.value)
                hour += 0.1
            continue
        heap.turns_done += 1
        to_place = _next_door(yard, heap)
        if to_place:
            heap.place, heap.cover = to_place, Cover.OPEN
        heap.heat.turn(yard.today.mean_c)
        heap.turned = yard.day
        yard.hours += 1.2
        yield yard.write(tend.Turn, hour, lot=heap.code, to_place=to_place, method="by fork")
        hour += 0.4
        if 6 <= yard.day.month <= 9 and yard.rng.random() < 0.7:
            litres = yard.rng.choice((20.0, 30.0, 40.0))
            heap.mass_kg += litres
            yield yard.write(tend.Water, hour, lot=heap.code, litres=litres)
            hour += 0.1


def wrong_pile(yard: Books) -> Iterator[Written]:
    """Once a turning is logged at the wrong pile; the lead strikes it the same day."""
    curing = [heap for heap in yard.heaps if heap.on_pad is not None and heap.ready is None]
    if not curing or not yard.due("struck turning", 230):
        return
    heap = curing[0]
    wrong = yard.write(tend.Turn, 11.8, lot=heap.code, method="by fork")
    yard.troubles["struck turning"] = Trouble(
        "logged at the wrong pile and struck", heap.code, yard.day
    )
    yield wrong
    assert isinstance(wrong.act, Act)
    reason = "Logged at the wrong pile: this one was not turned."
    yield Written(Strike(wrong.act.id, reason), LEAD, yard.at(17.0))


def _cover_due(yard: Books, heap: Heap) -> bool:
    return heap.cover == Cover.OPEN and yard.yesterday.rain_mm > 9 and yard.rng.random() < 0.6


def _next_door(yard: Books, heap: Heap) -> str:
    """Return the free bay beside the heap's, when two bays stay free; blank otherwise."""
    free = yard.free_bays()
    number = int(heap.place[1:])
    beside = [bay for bay in free if abs(int(bay[1:]) - number) == 1]
    return beside[0] if beside and len(free) > 2 and yard.rng.random() < 0.6 else ""
