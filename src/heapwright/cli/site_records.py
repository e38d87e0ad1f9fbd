"""The site's own records as the file commands take them.

Django is loaded by the functions, not by importing this module.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from heapwright.errors import InputError

if TYPE_CHECKING:
    from heapwright.files.amounts import StockRow
    from heapwright.science.materials import Material
    from heapwright.yard.prove import LotLog
    from heapwright.yard.yardstick import InForce


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
    from heapwright.yard import stock

    on_hand = stock.supply().on_hand
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


def site_log(code: str, as_of: datetime | None = None) -> tuple[LotLog, ...]:
    """Return the logs that together prove a lot of the site; it is proven when each of them is.

    One, unless piles past their heat were put together. ``as_of`` leaves out what happened
    after it.

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
    logs = prove.lot_logs(lot, as_of)
    if not logs and as_of is not None and prove.strands(lot):
        raise InputError(f"--as-of: {code} was not there yet")
    if not logs:
        raise InputError(f"--lot: what made {code} was struck, so there is nothing to prove")
    return logs


def site_notes(code: str, as_of: datetime | None = None) -> tuple[str, ...]:
    """Return under which settings a lot is judged, and of a past day how it differs from then."""
    from heapwright.yard import ledger, prove
    from heapwright.yard.models import Lot
    from heapwright.yard.yardstick import in_force, in_words

    notes = [in_words(in_force(as_of))]
    if as_of is not None:
        later = prove.written_later(Lot.objects.get(code=code), as_of)
        notes.append(
            f"As of {ledger.local(as_of)}, as it is known now: of the entries up to then, "
            f"{later.written} were written later and {later.struck} that stood then were struck "
            "since."
        )
    return tuple(notes)


def site_yardstick(code: str, as_of: datetime | None = None) -> tuple[InForce, bool]:
    """Return what the site's proofs are judged by, and whether the lot stands in a vessel."""
    from heapwright.yard.state import lot_state
    from heapwright.yard.today import in_vessel
    from heapwright.yard.yardstick import in_force

    state = lot_state(code, as_of)
    return in_force(as_of), state is not None and in_vessel(state)


def day_end(text: str) -> datetime | None:
    """Return the end of a past day by the site's clock; None for today.

    Raises
    ------
    InputError
        If it is no day, or one to come.
    """
    from heapwright.cli.site import open_records

    open_records()
    from django.utils import timezone

    from heapwright.yard.models import Site

    tz, now = Site.load().tz, timezone.now()
    day = past_day("--as-of", text, now.astimezone(tz).date())
    end = datetime.combine(day + timedelta(days=1), time(), tz) - timedelta(seconds=1)
    return None if end >= now else end


def past_day(option: str, text: str, today: date) -> date:
    """Return the day that an option names, today at the latest.

    Raises
    ------
    InputError
        If it is no day, or one to come.
    """
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option}: “{text}” is no date; write it as 2026-03-01") from None
    if day > today:
        raise InputError(f"{option}: {text} has not come yet")
    return day
