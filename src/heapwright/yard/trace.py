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
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from itertools import groupby
from operator import attrgetter
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import BooleanField, ExpressionWrapper, Q, Sum

from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import End, Entry, Flow, Lot, Place, Source

WHOLE = 1.0 - 1e-12
"""A line that takes more than this share of a lot takes all: the rest is rounding."""
FEW = 500
"""More lots than this are not named one by one to the database."""


@dataclass(frozen=True, slots=True)
class Share:
    """A share of a lot: so much of one delivery's stock lot (0: water) and material."""

    lot_id: int
    material_id: str
    mass_kg: float
    fraction: float


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

    ``shares`` has the deliveries, the greatest share first, and ``before_ids`` and
    ``after_ids`` the lots between; there may be thousands, so that they are looked up when
    asked for: all by the properties, some by :func:`parts` and :func:`lots`.
    """

    shares: tuple[Share, ...]
    before_ids: tuple[int, ...]
    after_ids: tuple[int, ...]
    forward: tuple[Went, ...]

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


def composition(lot: Lot, at: datetime | None = None) -> tuple[Part, ...]:
    """Return what a lot is made of, back to the deliveries, the greatest share first.

    At the time of its last holding when it is empty by ``at``.
    """
    return parts(shares(lot, at))


def shares(lot: Lot, at: datetime | None = None) -> tuple[Share, ...]:
    """Return :func:`composition` without looking up lots and deliveries."""
    return _behind(_books(at), lot.id)


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
    for line in _books().lines:
        if line.to_place == place.id and line.from_lot is not None:
            fractions = made_of.get(line.from_lot, {})
            greatest = sorted(fractions.items(), key=lambda item: -item[1])
            found[line.entry_id, line.from_lot] = dict(greatest)
        if line.to_lot is None or not line.mixed or line.from_kind == End.AIR:
            continue
        came = {line.material_id: 1.0} if line.from_lot is None else made_of.get(line.from_lot, {})
        if line.mixed < 1.0:
            came = _blend(made_of[line.to_lot], came, line.mixed)
        made_of[line.to_lot] = came
    return found


def _blend(there: Mapping[str, float], came: Mapping[str, float], share: float) -> dict[str, float]:
    blended = {name: fraction * (1.0 - share) for name, fraction in there.items()}
    for name, fraction in came.items():
        blended[name] = blended.get(name, 0.0) + fraction * share
    return blended


def recall(lot: Lot) -> Recall:
    """Trace a lot both ways: to a source that erred, and to every bed and person it reached."""
    books = _books()
    return Recall(
        shares=_behind(books, lot.id),
        before_ids=tuple(sorted(_reach(books, lot.id, forward=False) - {lot.id})),
        after_ids=tuple(sorted(_reach(books, lot.id, forward=True) - {lot.id})),
        forward=_forward(books, lot),
    )


def lots(lot_ids: Collection[int]) -> tuple[Lot, ...]:
    """Return the lots of these ids, in their order."""
    found = Lot.objects.in_bulk(lot_ids)
    return tuple(found[one] for one in lot_ids)


def parts(shares: Collection[Share]) -> tuple[Part, ...]:
    """Return the shares with the lots, and when and whence each delivery came."""
    ids = {share.lot_id for share in shares}
    lines = Flow.objects.filter(ledger.counts(), from_kind__in=(End.SOURCE, End.OPENING))
    if len(ids) <= FEW:
        lots = Lot.objects.in_bulk(ids)
        lines = lines.filter(to_lot__in=ids)
    else:
        lots = {lot.id: lot for lot in Lot.objects.iterator() if lot.id in ids}
    sources = Source.objects.in_bulk()
    came = {
        lot_id: (source_id, happened_at)
        for lot_id, source_id, happened_at in lines.order_by("id").values_list(
            "to_lot_id", "from_source_id", "entry__happened_at"
        )
    }
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


# Playing the books


class _Line(NamedTuple):
    """What an entry moved between two ends, corrections included, and what that did.

    ``from_lot`` held ``there_kg``, of which ``share`` was taken (both 0 from outside); then it
    was the part ``mixed`` of all that ``to_lot`` held, 1 where nothing lay there before.
    """

    entry_id: int
    from_lot: int | None
    to_lot: int | None
    from_kind: str
    to_kind: str
    material_id: str
    to_place: int | None
    to_person: str
    mass_kg: float
    there_kg: float
    share: float
    mixed: float


@dataclass(frozen=True, slots=True)
class _Books:
    """The lines in the order of events, played; and what each lot holds after them."""

    lines: tuple[_Line, ...]
    held: Mapping[int, float]


def _books(at: datetime | None = None) -> _Books:
    """Return the books played until a time; until now they are kept while nothing is written.

    Inside a transaction, which may be taken back, nothing is kept.
    """
    if at is not None or connection.in_atomic_block:
        return _play(at)
    return _kept(ledger.version())


@lru_cache(maxsize=1)
def _kept(_version: ledger.Version) -> _Books:
    return _play()


def _net_lines(at: datetime | None) -> Iterator[tuple[Any, ...]]:
    """Yield the lines in the order of events, each with its corrections added.

    Within an entry, what comes from outside first and what goes to the air last.
    """
    lines = Flow.objects.filter(ledger.counts(), ledger.until(at))
    corrections = dict(
        lines.filter(corrects__isnull=False)
        .order_by()
        .values_list("corrects_id")
        .annotate(Sum("mass_kg"))
    )
    for line_id, *line, mass_kg in (
        lines.filter(corrects=None)
        .order_by(
            "entry__happened_at",
            "entry_id",
            _whether(Q(from_lot__isnull=False)),
            _whether(Q(to_kind=End.AIR)),
            "id",
        )
        .values_list(
            "id",
            "entry_id",
            "from_lot_id",
            "to_lot_id",
            "from_kind",
            "to_kind",
            "material_id",
            "to_place_id",
            "to_person",
            "mass_kg",
        )
    ):
        net_kg = mass_kg + corrections.get(line_id, 0.0)
        if net_kg > EMPTY_KG:
            yield (*line, net_kg)


def _whether(condition: Q) -> ExpressionWrapper:
    return ExpressionWrapper(condition, output_field=BooleanField())


def _play(at: datetime | None = None) -> _Books:
    """Play all lines until a time; within an entry what comes from outside comes first.

    Fair shares need only what each lot holds, so that this is one pass.
    """
    held: dict[int, float] = {}
    lines = []
    for entry_id, from_lot, to_lot, from_kind, to_kind, *goods, mass_kg in _net_lines(at):
        there_kg, share, carried_kg = 0.0, 0.0, mass_kg
        if from_lot is not None:
            there_kg = held.get(from_lot, 0.0)
            share = min(mass_kg / there_kg, 1.0) if there_kg > EMPTY_KG else 0.0
            carried_kg = there_kg * share
            held[from_lot] = 0.0 if share > WHOLE else there_kg - carried_kg
        mixed = 0.0
        if to_lot is not None:
            before_kg = held.get(to_lot, 0.0)
            if from_kind == End.AIR and before_kg <= EMPTY_KG:
                carried_kg = 0.0  # found on weighing where nothing lay: of what, nobody knows
            if carried_kg:
                held[to_lot] = before_kg + carried_kg
                mixed = carried_kg / (before_kg + carried_kg)
        lines.append(
            _Line(entry_id, from_lot, to_lot, from_kind, to_kind, *goods, mass_kg,
                  there_kg, share, mixed)
        )  # fmt: skip
    return _Books(tuple(lines), held)


def _behind(books: _Books, lot_id: int) -> tuple[Share, ...]:
    """Return what a lot is made of at the end of the lines, or was when it held something."""
    end, held_kg = len(books.lines), books.held.get(lot_id, 0.0)
    if held_kg <= EMPTY_KG:
        end, held_kg = _last_holding(books, lot_id)
    of_it: dict[int, float] = {lot_id: 1.0}
    found: dict[tuple[int, str], float] = defaultdict(float)
    for line in reversed(books.lines[:end]):
        if not line.mixed or line.to_lot not in of_it or line.from_kind == End.AIR:
            continue  # what the books were short of is more of the same
        goal = of_it[line.to_lot]
        came = goal * line.mixed
        if line.mixed < 1.0:
            of_it[line.to_lot] = goal * (1.0 - line.mixed)
        else:
            del of_it[line.to_lot]
        if line.from_lot is not None:
            of_it[line.from_lot] = of_it.get(line.from_lot, 0.0) + came
        else:
            stock = 0 if line.from_kind == End.WATER else line.to_lot
            found[stock, line.material_id] += came
    greatest = sorted(found.items(), key=lambda item: -item[1])
    return tuple(
        Share(stock, material_id, fraction * held_kg, fraction)
        for (stock, material_id), fraction in greatest
    )


def _last_holding(books: _Books, lot_id: int) -> tuple[int, float]:
    """Return how many lines came before a lot was emptied last, and what it held then."""
    for number in range(len(books.lines) - 1, -1, -1):
        line = books.lines[number]
        if line.from_lot == lot_id and line.share > 1.0 - 1e-9:
            return number, line.there_kg
    return 0, 0.0


def _reach(books: _Books, lot_id: int, *, forward: bool) -> set[int]:
    """Return a lot and all that lines lead to, in the order of events.

    A line is followed only when it happened after (forward) or before (back) what led there, so
    that a bunker filled again does not accuse what had left it before.
    """
    reached = {lot_id}
    lines = books.lines if forward else reversed(books.lines)
    between = (line for line in lines if line.from_lot is not None and line.to_lot is not None)
    for _entry, together in groupby(between, key=attrgetter("entry_id")):
        leads = [
            (line.from_lot, line.to_lot) if forward else (line.to_lot, line.from_lot)
            for line in together
        ]
        more = True
        while more:  # within an entry all is moved at once
            new = {there for here, there in leads if here in reached} - reached
            reached |= new
            more = bool(new) and len(leads) > 1
    return reached


def _forward(books: _Books, lot: Lot) -> tuple[Went, ...]:
    """Return where the lot's mass went, by following its fraction of all that it came to."""
    of_it: dict[int, float] = {lot.id: 1.0}
    gone: list[tuple[_Line, float]] = []
    for line in books.lines:
        came = 0.0 if line.from_lot is None else of_it.get(line.from_lot, 0.0)
        if line.to_lot is None:
            if came and line.to_kind != End.AIR:
                gone.append((line, came * line.mass_kg))
        elif line.to_lot != lot.id and line.mixed and line.from_kind != End.AIR:
            there = of_it.get(line.to_lot, 0.0)
            if came or there:
                of_it[line.to_lot] = there * (1.0 - line.mixed) + came * line.mixed
    places = Place.objects.in_bulk()
    when = _when(gone)
    went = [
        Went(
            lot=None,
            place=None if line.to_place is None else places[line.to_place],
            person=line.to_person,
            disposal=line.to_kind == End.DISPOSAL,
            at=when[line.entry_id],
            entry_id=line.entry_id,
            mass_kg=mass_kg,
        )
        for line, mass_kg in gone
    ]
    stands = {
        lot_id: mass_kg
        for lot_id, fraction in of_it.items()
        if (mass_kg := fraction * books.held.get(lot_id, 0.0)) > EMPTY_KG
    }
    standing = Lot.objects.in_bulk(stands)
    went += [
        Went(standing[one], None, "", False, None, None, stands[one]) for one in sorted(stands)
    ]
    return tuple(went)


def _when(gone: Collection[tuple[_Line, float]]) -> dict[int, datetime]:
    """Return when the entries of these lines happened."""
    entries = {line.entry_id for line, _mass_kg in gone}
    found = Entry.objects.filter(struck_at=None)
    if len(entries) <= FEW:
        found = found.filter(id__in=entries)
    else:
        found = found.filter(flows__to_kind__in=(End.PLACE, End.PERSON, End.DISPOSAL))
    return dict(found.order_by().values_list("id", "happened_at"))
