"""The lines of the ledger played forward, as columns, for tracing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from operator import itemgetter
from typing import Any, Final, NamedTuple

from django.db import connection
from django.db.models import BooleanField, ExpressionWrapper, Q, Sum

from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import End, Entry, Flow

WHOLE = 1.0 - 1e-12
"""A line that takes more than this share of a lot takes all: the rest is rounding."""


class Books(NamedTuple):
    """The lines in the order of events, played, a column each; and what came of them.

    A line is what an entry moved between two ends, corrections included. ``from_lot`` held
    ``there_kg``, of which ``share`` was taken (both 0 from outside); then it was the part
    ``mixed`` of all that ``to_lot`` held, 1 where nothing lay there before. ``held`` is what
    each lot holds after all lines. ``moves`` has for each entry that led from lot to lot all
    its pairs of them.

    They are columns, and not a record a line, so that there is nothing in them for the garbage
    collector to look through.
    """

    entry_id: tuple[int, ...]
    from_lot: tuple[int | None, ...]
    to_lot: tuple[int | None, ...]
    from_kind: tuple[str, ...]
    to_kind: tuple[str, ...]
    material_id: tuple[str, ...]
    to_place: tuple[int | None, ...]
    to_person: tuple[str, ...]
    mass_kg: tuple[float, ...]
    there_kg: tuple[float, ...]
    share: tuple[float, ...]
    mixed: tuple[float, ...]
    held: Mapping[int, float]
    moves: tuple[tuple[tuple[int, int], ...], ...]


_COLUMNS: Final = 12
_BLANK: Final = Books(*[()] * _COLUMNS, held={}, moves=())
_kept: tuple[ledger.Version, Books] | None = None


def played(at: datetime | None = None) -> Books:
    """Return the books played until a time; until now they are kept, and played on when written.

    Inside a transaction, which may be taken back, nothing is kept.
    """
    global _kept  # set as a whole, so that it does not matter which thread does
    if at is not None or connection.in_atomic_block:
        return play_anew(at)
    version, kept = ledger.version(), _kept
    if kept is None or kept[0] != version:
        books = None if kept is None else _played_on(*kept, version)
        if books is None:
            books = _play(_net_lines(Q(id__lte=version.last_line or 0)))
        kept = _kept = version, books
    return kept[1]


def play_anew(at: datetime | None = None) -> Books:
    """Play all lines until a time, whatever is kept."""
    return _play(_net_lines(ledger.until(at)))


def _played_on(old: ledger.Version, books: Books, new: ledger.Version) -> Books | None:
    """Return the books with the lines written since; None where not all come after the others."""
    if ledger.touched_since(old, new) is None:
        return None
    known = old.last_line or 0
    since = Q(id__gt=known, id__lte=new.last_line or 0)
    if Flow.objects.filter(since, corrects__lte=known).exists():
        return None
    if books.entry_id:
        last = Entry.objects.get(id=books.entry_id[-1])
        later = Flow.objects.filter(
            entry__in=ledger.after(ledger.Moment(last.happened_at, last.id))
        )
        if Flow.objects.filter(since).count() != later.filter(since).count():
            return None
    return _play(_net_lines(since), books)


def _net_lines(those: Q) -> Iterator[tuple[Any, ...]]:
    """Yield these lines in the order of events, each with its corrections added.

    Within an entry, what comes from outside first and what goes to the air last.
    """
    lines = Flow.objects.filter(ledger.counts(), those)
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


def _play(net_lines: Iterable[tuple[Any, ...]], books: Books = _BLANK) -> Books:
    """Play lines on from the books of those before them.

    Fair shares need only what each lot holds, so that this is one pass.
    """
    held = dict(books.held)
    lines = []
    for line in net_lines:
        _entry_id, from_lot, to_lot, from_kind, *_goods, mass_kg = line
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
        lines.append((*line, there_kg, share, mixed))
    columns = zip(*lines, strict=True) if lines else [()] * _COLUMNS
    whole = (old + new for old, new in zip(books[:_COLUMNS], columns, strict=True))
    return Books(*whole, held=held, moves=books.moves + _moves(lines))


def _moves(lines: Sequence[tuple[Any, ...]]) -> tuple[tuple[tuple[int, int], ...], ...]:
    """Return from which lot to which the lines of each entry led."""
    between = (line for line in lines if line[1] is not None and line[2] is not None)
    return tuple(
        tuple((line[1], line[2]) for line in together)
        for _entry, together in groupby(between, key=itemgetter(0))
    )
