"""Where a lot came from and where it went: composition, and recall in both directions.

Every line takes a fair share of all that its lot held at that moment (the lot is taken as
mixed), and what goes to the air takes nothing away from one origin more than from another.
So fractions are of the mass as it came in. Reachability is exact: an origin is named as long
as any of it could be there, however small its share has become.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q, Sum

from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import End, Flow, Lot, Place, Source

Origin = tuple[int, str]
"""The delivery's stock lot (or the lot that was watered: 0) and the material."""


@dataclass(frozen=True, slots=True)
class Part:
    """A share of a lot: so much of one delivery (``lot`` None for water)."""

    lot: Lot | None
    source: Source | None
    material_id: str
    came_at: datetime | None
    mass_kg: float
    fraction: float


@dataclass(frozen=True, slots=True)
class Went:
    """Where something of a lot is or went: a lot, a bed, a person, disposal."""

    lot: Lot | None
    place: Place | None
    person: str
    disposal: bool
    at: datetime | None
    entry_id: int | None
    mass_kg: float


@dataclass(frozen=True, slots=True)
class Recall:
    """A lot traced both ways: the deliveries in it, the lots between, all that holds any of it."""

    back: tuple[Part, ...]
    lots_before: tuple[Lot, ...]
    lots_after: tuple[Lot, ...]
    forward: tuple[Went, ...]


def composition(lot: Lot, at: datetime | None = None) -> tuple[Part, ...]:
    """Return what a lot is made of, back to the deliveries, the greatest share first.

    At the time of its last holding when it is empty by ``at``.
    """
    before = _reach([lot.id], forward=False)
    lines = _lines(before, at)
    shares = _Shares(watch={lot.id})
    shares.run(lines)
    return _parts(shares.of[lot.id] or shares.before_empty.get(lot.id, {}))


def materials_of(parts: Iterable[Part]) -> dict[str, float]:
    """Return the fraction of each material, the greatest first."""
    sums: dict[str, float] = defaultdict(float)
    for part in parts:
        sums[part.material_id] += part.fraction
    return dict(sorted(sums.items(), key=lambda item: -item[1]))


def recall(lot: Lot) -> Recall:
    """Trace a lot both ways: to a source that erred, and to every bed and person it reached."""
    before = _reach([lot.id], forward=False)
    after = _reach([lot.id], forward=True)
    lots = Lot.objects.in_bulk(before | after)
    return Recall(
        back=composition(lot),
        lots_before=tuple(lots[one] for one in sorted(before - {lot.id})),
        lots_after=tuple(lots[one] for one in sorted(after - {lot.id})),
        forward=_forward(lot, after),
    )


def _reach(lot_ids: Collection[int], *, forward: bool) -> set[int]:
    """Return these lots and all that lines lead to, in the order of events.

    A line is followed only when it happened after (forward) or before (back) what led there, so
    that a bunker filled again does not accuse what had left it before.
    """
    leads: dict[int, list[tuple[int, ledger.Moment]]] = defaultdict(list)
    lines = (
        Flow.objects.filter(ledger.counts(), from_lot__isnull=False, to_lot__isnull=False)
        .order_by()
        .values_list("from_lot_id", "to_lot_id", "entry__happened_at", "entry_id")
        .annotate(net=Sum("mass_kg"))
        .filter(net__gt=EMPTY_KG)
    )
    for from_id, to_id, happened_at, entry_id, _net in lines:
        here, there = (from_id, to_id) if forward else (to_id, from_id)
        leads[here].append((there, ledger.Moment(happened_at, entry_id)))
    reached: dict[int, ledger.Moment | None] = dict.fromkeys(lot_ids)
    waiting = list(lot_ids)
    while waiting:
        here = waiting.pop()
        since = reached[here]
        for there, moment in leads[here]:
            if since is not None and (moment < since if forward else moment > since):
                continue
            if there in reached:
                known = reached[there]
                if known is None or (known <= moment if forward else known >= moment):
                    continue
            reached[there] = moment
            waiting.append(there)
    return set(reached)


@dataclass(frozen=True, slots=True)
class _Line:
    """What an entry moved between two ends, corrections included."""

    moment: ledger.Moment
    from_lot: int | None
    to_lot: int | None
    from_kind: str
    material_id: str
    to_place: int | None
    to_person: str
    to_kind: str
    mass_kg: float


def _lines(lot_ids: Collection[int], at: datetime | None = None) -> list[_Line]:
    """Return the net lines that touch these lots, in the order of events.

    Within an entry, what comes from outside first and what goes to the air last.
    """
    rows = (
        Flow.objects.filter(ledger.counts(), ledger.until(at))
        .filter(Q(from_lot__in=lot_ids) | Q(to_lot__in=lot_ids))
        .order_by()
        .values_list(
            "entry__happened_at",
            "entry_id",
            "from_lot_id",
            "to_lot_id",
            "from_kind",
            "material_id",
            "to_place_id",
            "to_person",
            "to_kind",
        )
        .annotate(Sum("mass_kg"))
    )
    lines = [_Line(ledger.Moment(row[0], row[1]), *row[2:]) for row in rows]
    return sorted(
        (line for line in lines if line.mass_kg > EMPTY_KG),
        key=lambda line: (line.moment, line.from_lot is not None, line.to_kind == End.AIR),
    )


class _Shares:
    """Plays lines and keeps how much of each origin every lot holds."""

    def __init__(self, watch: Collection[int] = ()) -> None:
        self.of: dict[int, dict[Origin, float]] = defaultdict(dict)
        self.before_empty: dict[int, dict[Origin, float]] = {}
        self._watch = watch

    def run(self, lines: Iterable[_Line]) -> None:
        for line in lines:
            self.play(line)

    def play(self, line: _Line) -> dict[Origin, float]:
        """Move the line's mass; return what it carried by origin."""
        if line.from_lot is None:
            carried = self._from_outside(line)
        else:
            held = self.of[line.from_lot]
            total = sum(held.values())
            share = min(line.mass_kg / total, 1.0) if total > EMPTY_KG else 0.0
            carried = {origin: mass_kg * share for origin, mass_kg in held.items()}
            if line.from_lot in self._watch and share > 1.0 - 1e-9:
                self.before_empty[line.from_lot] = dict(held)
            self.of[line.from_lot] = (
                {}
                if share > 1.0 - 1e-12
                else {origin: mass_kg * (1.0 - share) for origin, mass_kg in held.items()}
            )
        if line.to_lot is not None:
            goal = self.of[line.to_lot]
            for origin, mass_kg in carried.items():
                goal[origin] = goal.get(origin, 0.0) + mass_kg
        return carried

    def _from_outside(self, line: _Line) -> dict[Origin, float]:
        assert line.to_lot is not None
        if line.from_kind == End.AIR:  # the books were short: the same things, more of each
            held = self.of[line.to_lot]
            total = sum(held.values())
            return (
                {origin: mass_kg / total * line.mass_kg for origin, mass_kg in held.items()}
                if total > EMPTY_KG
                else {}
            )
        lot_id = 0 if line.from_kind == End.WATER else line.to_lot
        return {(lot_id, line.material_id): line.mass_kg}


def _parts(shares: dict[Origin, float]) -> tuple[Part, ...]:
    total = sum(shares.values())
    if total <= EMPTY_KG:
        return ()
    lots = Lot.objects.in_bulk([lot_id for lot_id, _material in shares])
    came = {
        line.to_lot_id: line
        for line in Flow.objects.filter(
            ledger.counts(), to_lot__in=lots, from_source__isnull=False
        ).select_related("from_source", "entry")
    }
    parts = []
    for (lot_id, material_id), mass_kg in sorted(shares.items(), key=lambda item: -item[1]):
        line = came.get(lot_id)
        parts.append(
            Part(
                lot=lots.get(lot_id),
                source=line.from_source if line else None,
                material_id=material_id,
                came_at=line.entry.happened_at if line else None,
                mass_kg=mass_kg,
                fraction=mass_kg / total,
            )
        )
    return tuple(parts)


def _forward(lot: Lot, after: set[int]) -> tuple[Went, ...]:
    """Return where the lot's mass went, by following it through the lines."""
    tracked: dict[int, float] = defaultdict(float)
    totals: dict[int, float] = defaultdict(float)
    went: list[Went] = []
    places = Place.objects.in_bulk()
    for line in _lines(after):
        carried, share = line.mass_kg, 0.0
        giver = line.to_lot if line.from_kind == End.AIR else line.from_lot
        if giver in after and totals[giver] > EMPTY_KG:
            share = tracked[giver] / totals[giver]
        if line.from_lot in after:
            totals[line.from_lot] -= carried
            tracked[line.from_lot] -= carried * share
        if line.to_lot == lot.id:
            share = 1.0
        if line.to_lot in after:
            totals[line.to_lot] += carried
            tracked[line.to_lot] += carried * share
        elif line.to_kind in (End.PLACE, End.PERSON, End.DISPOSAL) and share > 0:
            went.append(
                Went(
                    lot=None,
                    place=places.get(line.to_place),
                    person=line.to_person,
                    disposal=line.to_kind == End.DISPOSAL,
                    at=line.moment.happened_at,
                    entry_id=line.moment.entry_id,
                    mass_kg=carried * share,
                )
            )
    standing = Lot.objects.in_bulk([one for one in after if tracked[one] > EMPTY_KG])
    went += [
        Went(standing[one], None, "", False, None, None, tracked[one]) for one in sorted(standing)
    ]
    return tuple(went)
