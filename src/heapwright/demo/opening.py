"""What stood in the yard when its book was opened: a pile of nobody knows when, leaves, chips."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from heapwright.demo import site
from heapwright.demo.books import LEAD, Books, Heap, Stock, Written, density_kg_m3
from heapwright.demo.heat import Heat
from heapwright.yard import receive
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import LotKind, Stage

LOADS: Final = (
    ("leaves_shredded", 14, site.LEAF_BUNKER),
    ("wood_chips", 10, site.CHIP_BUNKER),
)
PILE_KG, PILE_M3 = 610.0, 1.25
MADE_OF: Final = (("leaves_shredded", 30.0), ("horse_straw", 20.0), ("food_scraps_mixed", 25.0))
"""As far as anybody remembered, per cent; of the rest nobody knows."""

TROUBLE: Final = "opening"
COOLING_C, FUEL_LEFT = 44.0, 0.1
THOUGHT_DAYS: Final = 30
"""How long ago it may have been built: long enough to go to the curing pad before long."""


def what_stood_there(yard: Books) -> Iterator[Written]:
    """Enter it as the opening of the book: no source, no delivery, nothing of before."""
    code = yard.new_code("K")
    heat = Heat(COOLING_C, 0.9, FUEL_LEFT)
    began = yard.day - timedelta(days=THOUGHT_DAYS)
    yard.heaps.append(
        Heap(code, site.CLASS_BAY, PILE_KG, PILE_M3, heat, began, began, began,
             turns_wanted=(), trouble=TROUBLE)
    )  # fmt: skip
    yield yard.write(
        receive.OpenLot,
        6.5,
        by=LEAD,
        kind=LotKind.PILE.value,
        code=code,
        place=site.CLASS_BAY,
        quantity=Quantity(
            mass_kg=PILE_KG, volume_m3=PILE_M3, known="estimated", as_typed="about 1345 lb"
        ),
        materials=tuple(
            receive.OpeningPart(material=material, share_pct=share) for material, share in MADE_OF
        ),
        stage=Stage.HOT.value,
        note="Stood here when this book was opened; nobody wrote down when it was built.",
    )
    for material, loads, place in LOADS:
        code = yard.new_code("D")
        mass_kg = loads * site.LOADER_M3 * density_kg_m3(material)
        yard.stock.append(Stock(code, material, mass_kg, yard.day, "loader"))
        yield yard.write(
            receive.OpenLot,
            6.6,
            by=LEAD,
            kind=LotKind.STOCK.value,
            code=code,
            place=place,
            quantity=Quantity(
                container="loader", count=loads, as_typed=f"{loads:g} × tractor’s front bucket"
            ),
            materials=(receive.OpeningPart(material=material),),
            note="Lay here when this book was opened.",
        )
