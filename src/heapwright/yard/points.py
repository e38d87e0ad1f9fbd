"""Where a heap is usually read: the points of its last checks, with their depths."""

from __future__ import annotations

from typing import Final

from heapwright.yard.models import Entry, Kind

LOOKED_BACK: Final = 3
"""Checks that tell where a heap is usually read."""


def usual_points(lot_id: int, most: int) -> dict[str, float | None]:
    """Return the points of the last checks, in the order read, with how deep each was read last.

    So they are said once and not each day; a proof asks for each of them every day. Depths are in
    centimetres, None where nobody said.
    """
    checks = (
        Entry.objects.filter(lots__id=lot_id, kind=Kind.CHECK, struck_at=None)
        .order_by("-happened_at", "-id")
        .values_list("sent", flat=True)[:LOOKED_BACK]
    )
    usual: dict[str, float | None] = {}
    for sent in checks:
        for one in sent.get("temps") or ():
            if one.get("point") and len(usual) < most:
                deep = one.get("depth_cm")
                usual.setdefault(one["point"], None if deep is None else float(deep))
    return usual
