"""Where a lot came from and where it went: composition, and recall in both directions.

Every line takes a fair share of all that its lot held at that moment (the lot is taken as
mixed), and what goes to the air takes nothing away from one origin more than from another.
So fractions are of the mass as it came in. Reachability is exact: an origin is named as long
as any of it could be there, however small its share has become.

The books are played once, forward, keeping one number a lot: what it holds. What a lot is made
of is then found backward from it: of all that it is, so much came with its last line, the rest
was there before. That costs one step a line, however many deliveries are behind a lot.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from django.db import connection

from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import End, Entry, Flow, Lot, Place, Source
from heapwright.yard.trace_play import Books, played

FEW = 500
"""More lots than this are not named one by one to the database."""


class Share(NamedTuple):
    """A share of a lot: so much of one delivery's stock lot (0: water) and material."""

    lot_id: int
    material_id: str
    mass_kg: float
    fraction: float


class Ending(NamedTuple):
    """Where something of a lot is (``lot_id``) or went with an entry, by numbers."""

    lot_id: int | None
    place_id: int | None
    person: str
    disposal: bool
    entry_id: int | None
    mass_kg: float


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
    """A lot traced both ways: the deliveries in it, the lots between, all that holds any of it.

    ``shares`` has the deliveries, the greatest share first, ``before_ids`` and ``after_ids``
    the lots between, ``endings`` what left, in the order of events, and then what stands; there
    may be thousands, so that they are looked up when asked for: all by the properties, some by
    :func:`parts`, :func:`lots` and :func:`went`.
    """

    shares: tuple[Share, ...]
    before_ids: tuple[int, ...]
    after_ids: tuple[int, ...]
    endings: tuple[Ending, ...]

    @property
    def back(self) -> tuple[Part, ...]:
        """The deliveries in it."""
        return parts(self.shares)

    @property
    def lots_before(self) -> tuple[Lot, ...]:
        """The lots that lines led from to it."""
        return lots(self.before_ids)

    @property
    def lots_after(self) -> tuple[Lot, ...]:
        """The lots that lines led to from it."""
        return lots(self.after_ids)

    @property
    def forward(self) -> tuple[Went, ...]:
        """Where anything of it is or went."""
        return went(self.endings)


def composition(lot: Lot, at: datetime | None = None) -> tuple[Part, ...]:
    """Return what a lot is made of, back to the deliveries, the greatest share first.

    At the time of its last holding when it is empty by ``at``.
    """
    return parts(shares(lot, at))


def shares(lot: Lot, at: datetime | None = None) -> tuple[Share, ...]:
    """Return :func:`composition` without looking up lots and deliveries."""
    return _behind(played(at), lot.id)


def deliveries() -> Mapping[int, tuple[int | None, datetime]]:
    """Return the source (by id; None: stood when the records began) and time of each delivery.

    By its stock lot's id, as a :class:`Share` names it: to sum up thousands of shares without
    looking up their lots. Kept in memory; what is written later is added.
    """
    global _kept_deliveries  # set as a whole, so that it does not matter which thread does
    if connection.in_atomic_block:
        return _deliveries()
    version, kept = ledger.version(), _kept_deliveries
    if kept is None or kept[0] != version:
        if kept is None or ledger.touched_since(kept[0], version) is None:
            found = _deliveries()
        else:
            found = kept[1] | _deliveries(after=kept[0].last_line or 0)
        kept = _kept_deliveries = version, found
    return kept[1]


_kept_deliveries: tuple[ledger.Version, dict[int, tuple[int | None, datetime]]] | None = None


def materials_of(parts: Iterable[Part | Share]) -> dict[str, float]:
    """Return the fraction of each material, the greatest first."""
    sums: dict[str, float] = defaultdict(float)
    for part in parts:
        sums[part.material_id] += part.fraction
    return dict(sorted(sums.items(), key=lambda item: -item[1]))


def materials_of_uses(place: Place) -> dict[tuple[int, int], dict[str, float]]:
    """Return what each use on a bed was made of when it was spread, the greatest share first.

    Fractions of the mass as it came in, water included, by (entry, lot that it was taken from).
    """
    made_of: dict[int, dict[str, float]] = {}
    found: dict[tuple[int, int], dict[str, float]] = {}
    books = played()
    for entry_id, from_lot, to_lot, to_place, from_kind, material_id, mixed in zip(
        books.entry_id,
        books.from_lot,
        books.to_lot,
        books.to_place,
        books.from_kind,
        books.material_id,
        books.mixed,
        strict=True,
    ):
        if to_place == place.id and from_lot is not None:
            fractions = made_of.get(from_lot, {})
            greatest = sorted(fractions.items(), key=lambda item: -item[1])
            found[entry_id, from_lot] = dict(greatest)
        if to_lot is None or not mixed or from_kind == End.AIR:
            continue
        came = {material_id: 1.0} if from_lot is None else made_of.get(from_lot, {})
        if mixed < 1.0:
            came = _blend(made_of[to_lot], came, mixed)
        made_of[to_lot] = came
    return found


def _blend(there: Mapping[str, float], came: Mapping[str, float], share: float) -> dict[str, float]:
    blended = {name: fraction * (1.0 - share) for name, fraction in there.items()}
    for name, fraction in came.items():
        blended[name] = blended.get(name, 0.0) + fraction * share
    return blended


def recall(lot: Lot) -> Recall:
    """Trace a lot both ways: to a source that erred, and to every bed and person it reached."""
    books = played()
    return Recall(
        shares=_behind(books, lot.id),
        before_ids=tuple(sorted(_reach(books, lot.id, forward=False) - {lot.id})),
        after_ids=tuple(sorted(_reach(books, lot.id, forward=True) - {lot.id})),
        endings=_endings(books, lot.id),
    )


def lots(lot_ids: Collection[int]) -> tuple[Lot, ...]:
    """Return the lots of these ids, in their order."""
    found = Lot.objects.in_bulk(lot_ids)
    return tuple(found[one] for one in lot_ids)


def parts(shares: Collection[Share]) -> tuple[Part, ...]:
    """Return the shares with the lots, and when and whence each delivery came."""
    ids = {share.lot_id for share in shares}
    lots = _lots(ids)
    came = _deliveries(ids if len(ids) <= FEW else None)
    sources = Source.objects.in_bulk()
    found = []
    for share in shares:
        source_id, came_at = came.get(share.lot_id, (None, None))
        found.append(
            Part(
                lot=lots.get(share.lot_id),
                source=sources.get(source_id),
                material_id=share.material_id,
                came_at=came_at,
                mass_kg=share.mass_kg,
                fraction=share.fraction,
            )
        )
    return tuple(found)


def went(endings: Collection[Ending]) -> tuple[Went, ...]:
    """Return the endings with the lots, the places, and when each left."""
    lots = _lots({one.lot_id for one in endings if one.lot_id is not None})
    places = Place.objects.in_bulk()
    when = _when({one.entry_id for one in endings if one.entry_id is not None})
    return tuple(
        Went(
            lot=None if one.lot_id is None else lots[one.lot_id],
            place=None if one.place_id is None else places[one.place_id],
            person=one.person,
            disposal=one.disposal,
            at=None if one.entry_id is None else when[one.entry_id],
            entry_id=one.entry_id,
            mass_kg=one.mass_kg,
        )
        for one in endings
    )


def _lots(ids: Collection[int]) -> dict[int, Lot]:
    if len(ids) <= FEW:
        return Lot.objects.in_bulk(ids)
    return {lot.id: lot for lot in Lot.objects.iterator() if lot.id in ids}


def _when(entry_ids: Collection[int]) -> dict[int, datetime]:
    """Return when these entries, with which something left, happened."""
    found = Entry.objects.filter(struck_at=None)
    if len(entry_ids) <= FEW:
        found = found.filter(id__in=entry_ids)
    else:
        found = found.filter(flows__to_kind__in=(End.PLACE, End.PERSON, End.DISPOSAL))
    return dict(found.order_by().values_list("id", "happened_at"))


def _deliveries(
    lot_ids: Collection[int] | None = None, after: int = 0
) -> dict[int, tuple[int | None, datetime]]:
    """Return whence and when each of these lots (all: None) came that was not made of others.

    Only by lines of a higher number than ``after``.
    """
    lines = Flow.objects.filter(
        ledger.counts(), from_kind__in=(End.SOURCE, End.OPENING), id__gt=after
    )
    if lot_ids is not None:
        lines = lines.filter(to_lot__in=lot_ids)
    return {
        lot_id: (source_id, happened_at)
        for lot_id, source_id, happened_at in lines.order_by("id").values_list(
            "to_lot_id", "from_source_id", "entry__happened_at"
        )
    }


# In the played books


def _behind(books: Books, lot_id: int) -> tuple[Share, ...]:
    """Return what a lot is made of at the end of the lines, or was when it held something."""
    end, held_kg = len(books.to_lot), books.held.get(lot_id, 0.0)
    if held_kg <= EMPTY_KG:
        end, held_kg = _last_holding(books, lot_id)
    of_it: dict[int, float] = {lot_id: 1.0}
    found: dict[tuple[int, str], float] = defaultdict(float)
    columns = books.to_lot, books.mixed, books.from_lot, books.from_kind, books.material_id
    for to_lot, mixed, from_lot, from_kind, material_id in zip(
        *(reversed(column[:end]) for column in columns), strict=True
    ):
        if to_lot not in of_it or not mixed or from_kind == End.AIR:
            continue  # what the books were short of is more of the same
        goal = of_it[to_lot]
        came = goal * mixed
        if mixed < 1.0:
            of_it[to_lot] = goal * (1.0 - mixed)
        else:
            del of_it[to_lot]
        if from_lot is not None:
            of_it[from_lot] = of_it.get(from_lot, 0.0) + came
        else:
            stock = 0 if from_kind == End.WATER else to_lot
            found[stock, material_id] += came
    greatest = sorted(found.items(), key=lambda item: -item[1])
    return tuple(
        Share(stock, material_id, fraction * held_kg, fraction)
        for (stock, material_id), fraction in greatest
    )


def _last_holding(books: Books, lot_id: int) -> tuple[int, float]:
    """Return how many lines came before a lot was emptied last, and what it held then."""
    for number in range(len(books.from_lot) - 1, -1, -1):
        if books.from_lot[number] == lot_id and books.share[number] > 1.0 - 1e-9:
            return number, books.there_kg[number]
    return 0, 0.0


def _reach(books: Books, lot_id: int, *, forward: bool) -> set[int]:
    """Return a lot and all that lines lead to, in the order of events.

    A line is followed only when it happened after (forward) or before (back) what led there, so
    that a bunker filled again does not accuse what had left it before.
    """
    reached = {lot_id}
    for together in books.moves if forward else reversed(books.moves):
        leads = together if forward else [(to_lot, from_lot) for from_lot, to_lot in together]
        more = True
        while more:  # within an entry all is moved at once
            new = {there for here, there in leads if here in reached} - reached
            reached |= new
            more = bool(new) and len(leads) > 1
    return reached


def _endings(books: Books, lot_id: int) -> tuple[Ending, ...]:
    """Return where a lot's mass went, by following its fraction of all that it came to."""
    of_it: dict[int, float] = {lot_id: 1.0}
    gone = []
    for number, (from_lot, to_lot, mixed) in enumerate(
        zip(books.from_lot, books.to_lot, books.mixed, strict=True)
    ):
        came = 0.0 if from_lot is None else of_it.get(from_lot, 0.0)
        if to_lot is None:
            if came and books.to_kind[number] != End.AIR:
                gone.append(
                    Ending(
                        lot_id=None,
                        place_id=books.to_place[number],
                        person=books.to_person[number],
                        disposal=books.to_kind[number] == End.DISPOSAL,
                        entry_id=books.entry_id[number],
                        mass_kg=came * books.mass_kg[number],
                    )
                )
        elif to_lot != lot_id and mixed and books.from_kind[number] != End.AIR:
            there = of_it.get(to_lot, 0.0)
            if came or there:
                of_it[to_lot] = there * (1.0 - mixed) + came * mixed
    stands = [
        Ending(one, None, "", False, None, mass_kg)
        for one, fraction in sorted(of_it.items())
        if (mass_kg := fraction * books.held.get(one, 0.0)) > EMPTY_KG
    ]
    return (*gone, *stands)
