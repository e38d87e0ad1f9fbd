"""What stands where, now or at any past time; computed from the ledger in a few queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, NamedTuple

from django.db import connection
from django.db.models import Max, Q

from heapwright.science.ingredients import WATER
from heapwright.yard import ledger
from heapwright.yard.models import (
    Check,
    DailySummary,
    Entry,
    Flow,
    Inspection,
    Kind,
    Lot,
    LotKind,
    Place,
    Site,
    Source,
)
from heapwright.yard.stages import course


@dataclass(frozen=True, slots=True)
class LotState:
    """What is known of a lot at a time.

    ``material_id`` (stock and overs), ``source`` and ``contamination`` (stock) are blank when it
    came from several. ``last`` gives the last time of each kind of entry about the lot.
    ``density_kg_m3`` is what the books make of mass and volume.
    """

    id: int
    code: str
    kind: str
    mass_kg: float
    volume_m3: float | None
    begun_at: datetime
    place: Place | None
    cover: str
    stage: str
    stage_at: datetime | None
    filled_at: datetime | None
    proof_from: datetime | None
    restarts: tuple[datetime, ...]
    material_id: str
    source: str
    contamination: str
    last: dict[str, datetime]

    @property
    def density_kg_m3(self) -> float | None:
        """Bulk density from the books."""
        return self.mass_kg / self.volume_m3 if self.volume_m3 else None


@dataclass(frozen=True, slots=True)
class DayTemp:
    """The temperatures of a lot on the last day that it was read (until then)."""

    day: date
    lowest_c: float
    highest_c: float
    count: int
    last_at: datetime


_AT_ONCE: Final = 200
"""Conditions in one query: SQLite takes no more than a thousand."""


def state_at(
    when: datetime | None = None, *, lot_ids: Collection[int] | None = None
) -> tuple[LotState, ...]:
    """Return the lots that hold something at a time (now when left out), in order of making.

    Eight queries at most, however many lots stand. What stands now is kept in memory: once
    something is written, only the lots that it is about are worked out anew.

    Parameters
    ----------
    when : datetime, optional
        With its zone. Entries that happened at that very time count.
    lot_ids : collection of int, optional
        Only these lots.
    """
    if when is not None and not ledger.after(when).exists():
        when = None  # nothing is later: to ask for now is quicker
    if when is None and not connection.in_atomic_block:
        found = _now(ledger.version(), _described())
        return found if lot_ids is None else tuple(one for one in found if one.id in lot_ids)
    return _standing(when, lot_ids)


class _Kept(NamedTuple):
    """What stood, and what that holds for."""

    version: ledger.Version
    described: object
    standing: tuple[LotState, ...]


_kept: _Kept | None = None


def _now(version: ledger.Version, described: object) -> tuple[LotState, ...]:
    """Return what stands now; lots that nothing was written about since are as they were."""
    global _kept  # set as a whole, so that it does not matter which thread does
    kept = _kept
    if kept is None or kept.described != described:
        _kept = _Kept(version, described, _standing(None, None))
    elif kept.version != version:
        touched = ledger.touched_since(kept.version, version)
        if touched is None:
            standing = _standing(None, None)
        else:
            same = [one for one in kept.standing if one.id not in touched]
            anew = (*same, *_standing(None, touched))
            standing = tuple(sorted(anew, key=lambda one: one.id))
        _kept = _Kept(version, described, standing)
    else:
        return kept.standing
    return _kept.standing


def _described() -> object:
    """Return what states show of rows that may be edited: the places, and names of sources."""
    places = Place.objects.order_by("id").values_list()
    return (*places, *Source.objects.order_by("id").values_list("id", "code"))


def _standing(when: datetime | None, lot_ids: Collection[int] | None) -> tuple[LotState, ...]:
    held = ledger.held_kg(when, lot_ids)
    lots = Lot.objects.in_bulk(held)
    steps = ledger.steps(held, when)
    gave = _givers(held, when)
    last = _last(held, when)
    dirty = dict(
        Inspection.objects.filter(ledger.counts(), ledger.until(when), lot__in=held)
        .order_by("entry__happened_at", "entry_id")
        .values_list("lot_id", "contamination")
    )
    states = []
    for lot_id in sorted(held):
        come = course(steps[lot_id])
        if come.begun is None:
            continue  # without an entry that makes it; the audit finds it
        states.append(
            LotState(
                id=lot_id,
                code=lots[lot_id].code,
                kind=lots[lot_id].kind,
                mass_kg=held[lot_id],
                volume_m3=ledger.holdings(steps[lot_id])[-1].volume_m3,
                begun_at=come.begun.happened_at,
                place=come.place,
                cover=come.cover,
                stage=come.stage,
                stage_at=come.stage_at,
                filled_at=come.filled_at,
                proof_from=come.proof_from,
                restarts=tuple(moment.happened_at for moment in come.restarts),
                material_id=_material(lots[lot_id], steps[lot_id]),
                source=_one(gave[lot_id]),
                contamination=dirty.get(lot_id, ""),
                last=last[lot_id],
            )
        )
    return tuple(states)


def lot_state(code: str, when: datetime | None = None) -> LotState | None:
    """Return the state of one lot; None when it holds nothing then."""
    lot_ids = list(Lot.objects.filter(code=code).values_list("id", flat=True))
    found = state_at(when, lot_ids=lot_ids)
    return found[0] if found else None


def stock(when: datetime | None = None) -> tuple[LotState, ...]:
    """Return what is on hand for the next mix: stock and overs."""
    return tuple(one for one in state_at(when) if one.kind in ("stock", "overs"))


def day_temps(lot_ids: Collection[int], when: datetime | None = None) -> dict[int, DayTemp]:
    """Return for each lot the temperatures of the last day it was read.

    In three queries for up to two hundred lots that were read.
    """
    summaries = DailySummary.objects.filter(lot__in=lot_ids)
    if when is not None:
        summaries = summaries.filter(day__lte=when.astimezone(Site.load().tz).date())
    days = list(summaries.order_by().values_list("lot_id").annotate(Max("day")))
    found: dict[int, list[DailySummary]] = defaultdict(list)
    for at in range(0, len(days), _AT_ONCE):
        wanted = Q(pk__in=[])
        for lot_id, day in days[at : at + _AT_ONCE]:
            wanted |= Q(lot_id=lot_id, day=day)
        for summary in DailySummary.objects.filter(wanted):
            found[summary.lot_id].append(summary)
    tz = Site.load().tz
    return {
        lot_id: DayTemp(
            day=rows[0].day,
            lowest_c=min(row.min_c for row in rows),
            highest_c=max(row.max_c for row in rows),
            count=sum(row.count for row in rows),
            last_at=datetime.fromtimestamp(max(row.last_s for row in rows), tz),
        )
        for lot_id, rows in found.items()
    }


def last_checks(lot_ids: Collection[int], when: datetime | None = None) -> dict[int, Check]:
    """Return the last check of each lot that was not struck, in two queries."""
    last = dict(
        Check.objects.filter(ledger.counts(), ledger.until(when), lot__in=lot_ids)
        .order_by("entry__happened_at", "entry_id")
        .values_list("lot_id", "pk")
    )
    found = Check.objects.filter(pk__in=last.values()).select_related("entry")
    return {one.lot_id: one for one in found}


def _material(lot: Lot, steps: list[ledger.Step]) -> str:
    """Return of what waiting stock is; what went into a pile is no longer that."""
    if lot.kind not in (LotKind.STOCK, LotKind.OVERS):
        return ""
    named = {name for step in steps for name, _kg in step.sources}
    return "" if named == {WATER} else _one(named)


def _one(names: set[str]) -> str:
    return next(iter(names)) if len(names) == 1 else ""


def _givers(lot_ids: Collection[int], when: datetime | None) -> dict[int, set[str]]:
    gave: dict[int, set[str]] = defaultdict(set)
    lines = Flow.objects.filter(
        ledger.counts(), ledger.until(when), to_lot__in=lot_ids, from_source__isnull=False
    )
    for lot_id, code in lines.values_list("to_lot_id", "from_source__code"):
        gave[lot_id].add(code)
    return gave


def _last(lot_ids: Collection[int], when: datetime | None) -> dict[int, dict[str, datetime]]:
    last: dict[int, dict[str, datetime]] = defaultdict(dict)
    entries = Entry.objects.filter(lots__in=lot_ids, struck_at=None)
    if when is not None:
        entries = entries.filter(happened_at__lte=when)
    for lot_id, kind, happened_at in (
        entries.order_by().values_list("lots", "kind").annotate(Max("happened_at"))
    ):
        last[lot_id][Kind(kind).value] = happened_at
    return last
