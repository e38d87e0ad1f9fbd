"""The site's own records as the file commands take them.

Django is loaded by the functions, not by importing this module.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from heapwright.errors import InputError

if TYPE_CHECKING:
    from heapwright.files.amounts import StockRow
    from heapwright.science.daily import Log
    from heapwright.science.materials import Material


def site_library() -> Mapping[str, Material]:
    """Return the materials that the site knows: the library, its own, what it measured."""
    from heapwright.cli.site import open_records

    open_records()
    from heapwright.yard import materials

    return materials.library()


def site_stock_rows() -> list[StockRow]:
    """Return what is on hand on the site, as ``files.amounts.read_stock`` returns a file's.

    Lots of one material make one row, which waits as long as its oldest lot; a lot of which
    something was measured has a row of its own. What cannot enter a mix for want of figures is
    left out.

    Raises
    ------
    HeapwrightError
        If there is no site, or nothing is on hand.
    """
    from heapwright.cli.site import open_records
    from heapwright.files.amounts import StockRow

    open_records()
    from heapwright.yard import recipe

    on_hand = recipe.supply().on_hand
    if not on_hand:
        raise InputError("nothing is on hand on the site; log a delivery first")
    return [
        StockRow(
            ingredient=one.ingredient,
            available_kg=one.available_kg,
            waiting_days=max(lot.waited_days for lot in one.lots),
            container="" if one.container is None else one.container.name,
            container_l=None if one.container is None else one.container.volume_m3 * 1000.0,
            price_per_tonne=one.material.price_per_tonne,
            row=number,
        )
        for number, one in enumerate(on_hand, start=1)
    ]


def site_log(code: str) -> list[Log]:
    """Return the logs that together prove a lot of the site; it is proven when each of them is.

    One, unless piles past their heat were put together.

    Raises
    ------
    HeapwrightError
        If there is no site, no such lot, or nothing that a proof could be made of.
    """
    from heapwright.cli.site import open_records

    open_records()
    from heapwright.yard import prove
    from heapwright.yard.models import Lot, LotKind

    lot = Lot.objects.filter(code=code).first()
    if lot is None:
        raise InputError(f"--lot: there is no lot {code}")
    if lot.kind not in (LotKind.PILE, LotKind.COMPOST):
        raise InputError(f"--lot: {code} is {lot.get_kind_display()}; a pile or compost is proven")
    strands = prove.strands(lot)
    if not strands:
        raise InputError(f"--lot: what made {code} was struck, so there is nothing to prove")
    return [prove.lot_log(lot, strand) for strand in strands]
