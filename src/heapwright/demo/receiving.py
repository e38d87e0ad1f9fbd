"""What comes in: the rain gauge, deliveries with their slips, and what spoils."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from heapwright.demo import site
from heapwright.demo.books import LEAD, PERISHABLE, Books, Stock, Trouble, Written, density_kg_m3
from heapwright.units import KG_PER_LB
from heapwright.yard import receive, tend, use, yardstick
from heapwright.yard.acts import Act
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Contamination, Method

ENOUGH_STRAW_KG: Final = 150.0


def gauge(yard: Books) -> Iterator[Written]:
    """Log yesterday's rain and temperatures, most mornings."""
    if yard.rng.random() < 0.04:
        return
    yield yard.write(
        tend.LogWeather,
        6.5,
        day=yard.day - timedelta(days=1),
        rain_mm=yard.yesterday.rain_mm,
        temp_min_c=yard.yesterday.low_c,
        temp_max_c=yard.yesterday.high_c,
    )


def settings(yard: Books) -> Iterator[Written]:
    """What proofs are judged by, set before anything else."""
    yield yard.write(
        yardstick.SetYardstick, 6.4, by=LEAD, rule=site.RULE, method=Method.TURNED.value
    )


def deliveries(yard: Books) -> Iterator[Written]:
    """Take in what comes on this day of the week and season."""
    day, rng = yard.day, yard.rng
    weekday, month = day.weekday(), day.month
    if weekday in (0, 3) and month not in (7, 8):
        yield _weighed(yard, "school", ("veg_trimmings", 31), ("food_scraps_mixed", 20))
    if weekday in (1, 4):
        yield _weighed(yard, "hospital", ("food_post_consumer", 44), ("coffee_grounds", 9))
    if weekday == 4:
        yield from _mistaken(yard, "bakery", "bread_bakery", 15)
    if weekday == 2:
        if rng.random() > 0.3:
            loads = rng.choice((0.5, 1, 1))
            if _straw_kg(yard) < ENOUGH_STRAW_KG:  # they are told when there is enough
                yield from _load(yard, "stable", "horse_straw", loads, "S1", 9.0)
        if month in (9, 10, 11) and rng.random() < 0.6:
            yield from _load(yard, "press", "apple_pomace", 0.5, "S1", 9.5)
    if weekday == 0 and (month in (11, 12) or (month == 10 and day.day > 14)):
        yield from _load(yard, "parks", "leaves_shredded", 5, site.LEAF_BUNKER, 9.3)
    if weekday == 0 and 4 <= month <= 9 and rng.random() > 0.3:
        yield from _load(yard, "parks", "grass_clippings", 1, "S1", 9.3)
    if yard.offset % 45 == 20:
        yield from _load(yard, "trees", "wood_chips", 5, site.CHIP_BUNKER, 9.4)


def _straw_kg(yard: Books) -> float:
    return sum(lot.mass_kg for lot in yard.stock if lot.material == "horse_straw")


def _weighed(yard: Books, source: str, *lines: tuple[str, float]) -> Written:
    """Kitchens' carts are hung on the scale, in pounds."""
    contamination, found = Contamination.NONE, ""
    if yard.rng.random() < 0.06:
        contamination = Contamination.LITTLE
        found = yard.rng.choice(("rubber bands", "fruit stickers", "two spoons"))
    if source == "hospital" and yard.due("contaminated delivery", 150):
        contamination, found = Contamination.MUCH, "gloves, foil and a broken cup all through"
        yard.troubles["contaminated delivery"] = Trouble(
            found, f"D-{yard.counts['D'] + 1:03d}", yard.day
        )
    made = []
    for material, typical_kg in lines:
        pounds = max(5, round(typical_kg * yard.rng.uniform(0.75, 1.25) / KG_PER_LB))
        made.append(_line(yard, material, pounds, contamination, found))
        if contamination == Contamination.MUCH:
            contamination, found = Contamination.NONE, ""
    return yard.write(receive.ReceiveDelivery, 6.9, source=source, lines=tuple(made), note="")


def _line(
    yard: Books,
    material: str,
    pounds: int,
    contamination: str = Contamination.NONE,
    found: str = "",
) -> receive.DeliveryLine:
    code = yard.new_code("D")
    yard.stock.append(Stock(code, material, pounds * KG_PER_LB, yard.day))
    return receive.DeliveryLine(
        material=material,
        code=code,
        place=site.FOOD_BUNKER,
        contamination=contamination,
        found=found,
        quantity=Quantity(mass_kg=pounds * KG_PER_LB, known="weighed", as_typed=f"{pounds} lb"),
    )


def _mistaken(yard: Books, source: str, material: str, typical_kg: float) -> Iterator[Written]:
    """A delivery, which once was entered ten times too heavy and entered again."""
    pounds = round(typical_kg * yard.rng.uniform(0.75, 1.25) / KG_PER_LB)
    line = _line(yard, material, pounds)
    if not yard.due("struck and entered again", 200):
        yield yard.write(receive.ReceiveDelivery, 7.1, source=source, lines=(line,))
        return
    wrong = receive.DeliveryLine(
        material=material,
        code=line.code,
        place=line.place,
        contamination=line.contamination,
        quantity=Quantity(
            mass_kg=10 * pounds * KG_PER_LB, known="weighed", as_typed=f"{pounds}0 lb"
        ),
    )
    first = yard.write(receive.ReceiveDelivery, 7.1, source=source, lines=(wrong,))
    yield first
    assert isinstance(first.act, Act)
    yard.troubles["struck and entered again"] = Trouble("a nought too many", line.code, yard.day)
    yield yard.write(
        receive.ReceiveDelivery,
        7.1,
        by=first.by,
        late_h=0.4,
        source=source,
        lines=(line,),
        replaces=first.act.id,
        reason=f"A nought too many: {pounds} lb, not {pounds}0.",
    )


def _load(
    yard: Books, source: str, material: str, loads: float, place: str, hour: float
) -> Iterator[Written]:
    """Loads of the tractor's front bucket, counted."""
    code = yard.new_code("D")
    mass_kg = loads * site.LOADER_M3 * density_kg_m3(material)
    yard.stock.append(Stock(code, material, mass_kg, yard.day, "loader"))
    line = receive.DeliveryLine(
        material=material,
        code=code,
        place=place,
        quantity=Quantity(
            container="loader", count=loads, as_typed=f"{loads:g} × tractor’s front bucket"
        ),
    )
    yield yard.write(receive.ReceiveDelivery, hour, source=source, lines=(line,))
    if place != site.FOOD_BUNKER:
        yield from heaped(yard, material, hour + 0.2)


def heaped(yard: Books, material: str, hour: float) -> Iterator[Written]:
    """What keeps is tipped on the heap of the same stuff that lies there."""
    heap, *others = (lot for lot in yard.stock if lot.material == material)
    for lot in others:
        yard.stock.remove(lot)
        heap.mass_kg += lot.mass_kg
        yield yard.write(tend.Combine, hour, lots=(lot.code,), into=heap.code)


def spoiled(yard: Books) -> Iterator[Written]:
    """What was too dirty to use goes to the tip; so does what waited far too long."""
    trouble = yard.troubles.get("contaminated delivery")
    for lot in list(yard.stock):
        dirty = trouble is not None and lot.code == trouble.lot and yard.age(lot.arrived) == 1
        why = "Glass and gloves all through it; not worth the picking." if dirty else ""
        if lot.material in PERISHABLE and yard.age(lot.arrived) > 16:
            why = "Slimy and full of flies after the closed days; taken to the tip."
        if why:
            yard.stock.remove(lot)
            yield yard.write(use.Discard, 7.4, by=LEAD, lot=lot.code, why=why)
