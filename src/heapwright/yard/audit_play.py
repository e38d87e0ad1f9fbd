"""The books of every lot played at once, as columns, for the audit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from django.db import connection
from django.db.models import QuerySet
from numpy.typing import NDArray

from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import Entry, Flow, Standing

SLACK_KG: Final = 1e-3
"""A gram over all the site: the rounding of sums of millions of lines is far below it."""
_BLOCK: Final = 4000
"""Rows read at a time: a hundred thousand at once would set off the garbage collector."""
CLOSE: Final = 0.5
"""A lot that is off by this share of the slack is looked at step by step."""


@dataclass(frozen=True, slots=True)
class Step:
    """What one entry does to the books of a lot, and what it says that the lot held then."""

    entry_id: int
    net_kg: float
    holds_kg: float | None
    begins: bool


@dataclass(frozen=True, slots=True)
class Played:
    """The steps of all lots in the order of lots and events, a column each.

    ``holds_kg`` is NaN where the entry says nothing of it; ``first`` has the number of the
    first step of each lot in ``lots``.
    """

    lots: NDArray[np.int64]
    first: NDArray[np.int64]
    entry_id: NDArray[np.int64]
    net_kg: NDArray[np.float64]
    holds_kg: NDArray[np.float64]
    begins: NDArray[np.bool_]

    def standing(self) -> dict[int, float]:
        """Return what each lot holds after its last step."""
        if not len(self.lots):
            return {}
        sums = np.add.reduceat(self.net_kg, self.first)
        return dict(zip(self.lots.tolist(), sums.tolist(), strict=True))

    def ends(self) -> dict[int, int]:
        """Return the last entry of each lot of which nothing is left."""
        if not len(self.lots):
            return {}
        last = self.entry_id[np.append(self.first[1:], len(self.entry_id)) - 1].tolist()
        standing = self.standing()
        return {
            lot_id: entry_id
            for lot_id, entry_id in zip(self.lots.tolist(), last, strict=True)
            if standing[lot_id] <= EMPTY_KG
        }

    def odd(self) -> set[int]:
        """Return the lots of which a step may be odd: nobody needs to look at the others."""
        if not len(self.lots):
            return set()
        count = np.diff(np.append(self.first, len(self.entry_id)))
        whole = np.cumsum(self.net_kg)
        held_kg = whole - np.repeat((whole - self.net_kg)[self.first], count)
        off_kg = np.nan_to_num(np.abs(held_kg - self.holds_kg))  # NaN: it says nothing
        odd = (held_kg < -CLOSE * SLACK_KG) | (off_kg > CLOSE * SLACK_KG)
        begun = np.add.reduceat(self.begins.astype(int), self.first)
        at_first = self.begins[self.first] & (begun == 1)
        return set(self.lots[np.logical_or.reduceat(odd, self.first) | ~at_first].tolist())

    def steps(self, lot_id: int) -> list[Step]:
        """Return the steps of one lot in the order of events."""
        at = int(np.searchsorted(self.lots, lot_id))
        if at == len(self.lots) or self.lots[at] != lot_id:
            return []
        end = self.first[at + 1] if at + 1 < len(self.first) else len(self.entry_id)
        steps = slice(int(self.first[at]), int(end))
        return [
            Step(entry_id, net_kg, None if holds_kg != holds_kg else holds_kg, begins)
            for entry_id, net_kg, holds_kg, begins in zip(
                *(
                    column[steps].tolist()
                    for column in (self.entry_id, self.net_kg, self.holds_kg, self.begins)
                ),
                strict=True,
            )
        ]


def play() -> Played:
    """Play the books of every lot, read anew from lines and standings."""
    counted = {"entry__in": ledger.struck()}
    moved = _columns(
        Flow.objects.exclude(**counted)
        .order_by()
        .values_list("entry_id", "mass_kg", "to_lot_id", "from_lot_id"),
        "entry", "mass_kg", "to", "from",
    )  # fmt: skip
    said = _columns(
        Standing.objects.exclude(**counted)
        .order_by()
        .values_list("entry_id", "lot_id", "begins", "holds_kg"),
        "entry", "lot", "begins", "holds_kg",
    )  # fmt: skip
    in_order = Entry.objects.order_by("happened_at", "id").values_list("id")
    order = _columns(in_order, "id")["id"].astype(np.int64)
    place = np.zeros(order.max(initial=0) + 1, np.int64)
    place[order] = np.arange(len(order))
    to, away = (np.flatnonzero(~np.isnan(moved[end])) for end in ("to", "from"))
    net_kg = np.concatenate([moved["mass_kg"][to], -moved["mass_kg"][away]])
    # a step is a lot and an entry, numbered in the order of lots and then of events
    lot = np.concatenate([moved["to"][to], moved["from"][away], said["lot"]]).astype(np.int64)
    entry = np.concatenate([moved["entry"][to], moved["entry"][away], said["entry"]])
    keys = lot * (len(order) + 1) + place[entry.astype(np.int64)]
    steps, step_of = np.unique(keys, return_inverse=True)
    of_moved, of_said = step_of[: len(net_kg)], step_of[len(net_kg) :]
    lots, first = np.unique(steps // (len(order) + 1), return_index=True)
    holds_kg, begins = np.full(len(steps), np.nan), np.zeros(len(steps), bool)
    holds_kg[of_said], begins[of_said] = said["holds_kg"], said["begins"]
    return Played(
        lots=lots,
        first=first,
        entry_id=order[steps % (len(order) + 1)],
        net_kg=np.bincount(of_moved, weights=net_kg, minlength=len(steps)),
        holds_kg=holds_kg,
        begins=begins,
    )


def _columns(rows: QuerySet[Any, Any], *names: str) -> dict[str, NDArray[np.float64]]:
    """Return rows of numbers as columns by name; NaN stands for null."""
    sql, params = rows.query.sql_with_params()
    blocks: list[list[NDArray[np.float64]]] = [[np.empty(0)] for _name in names]
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        while some := cursor.fetchmany(_BLOCK):
            for blocks_of, column in zip(blocks, zip(*some, strict=True), strict=True):
                blocks_of.append(np.array(column, dtype=np.float64))
    return {name: np.concatenate(one) for name, one in zip(names, blocks, strict=True)}
