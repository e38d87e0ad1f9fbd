"""The books: what lots hold at a time, and keeping them possible over the whole timeline.

Order of events is ``(happened_at, entry id)``: of two entries that happened at the same moment
the one recorded first comes first. Struck entries do not count anywhere here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, NamedTuple, NoReturn

from django.db import connection
from django.db.models import Count, F, Max, Q, QuerySet
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from heapwright.science.ingredients import WATER
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.errors import StockError, TimelineError
from heapwright.yard.models import End, Entry, Flow, Kind, Known, Lot, Site, Standing


class Version(NamedTuple):
    """Differs whenever an entry or a line has been written, or an entry struck.

    What the database says, as it says it: it is only compared.
    """

    database: str
    lines: int
    last_line: int | None
    entries: int
    last_entry: int | None
    last_uuid: object
    struck: int
    struck_at: object


class Moment(NamedTuple):
    """A place in the order of events."""

    happened_at: datetime
    entry_id: int


@dataclass(slots=True)
class Step:
    """What one entry does to the books of one lot; ``gained_kg`` of ``in_kg`` came from the air."""

    moment: Moment
    kind: str
    in_kg: float = 0.0
    in_m3: float | None = 0.0
    gained_kg: float = 0.0
    out_kg: float = 0.0
    standing: Standing | None = None
    sources: list[tuple[str, float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Holding:
    """What a lot holds after a step; ``volume_m3`` is None when nobody knows it."""

    moment: Moment
    mass_kg: float
    volume_m3: float | None


def counts() -> Q:
    """Return the condition that a line's entry is not struck."""
    return Q(entry__struck_at=None)


def until(moment: Moment | datetime | None) -> Q:
    """Return the condition that a line's entry comes at or before ``moment``."""
    if moment is None:
        return Q()
    if isinstance(moment, Moment):
        return Q(entry__happened_at__lt=moment.happened_at) | Q(
            entry__happened_at=moment.happened_at, entry_id__lte=moment.entry_id
        )
    return Q(entry__happened_at__lte=moment)


def struck() -> QuerySet[Entry]:
    """Return the entries that do not count.

    Over all lines it is quicker to leave out those of the few struck entries than to look up
    each line's entry. (Of "is not null" SQLite would not use the index.)
    """
    return Entry.objects.filter(struck_by__gt=0)


def after(moment: Moment | datetime) -> QuerySet[Entry]:
    """Return the entries that come after ``moment``, struck ones too."""
    if isinstance(moment, Moment):
        return Entry.objects.filter(
            Q(happened_at__gt=moment.happened_at)
            | Q(happened_at=moment.happened_at, id__gt=moment.entry_id)
        )
    return Entry.objects.filter(happened_at__gt=moment)


def version() -> Version:
    """Return a mark of the books as they are committed, in one quick query.

    Entries and lines are only ever added and entries only ever struck, so that what was worked
    out of the books stays right while this is the same. The last entry's own id tells a
    restored copy that has gone on differently. (Counted apart from all else, rows need not be
    looked at.)
    """
    with connection.cursor() as cursor:
        cursor.execute(_VERSION)
        return Version(str(connection.settings_dict["NAME"]), *cursor.fetchone())


_VERSION: Final = """
    SELECT (SELECT COUNT(*) FROM yard_flow), (SELECT MAX(id) FROM yard_flow),
           (SELECT COUNT(*) FROM yard_entry), (SELECT MAX(id) FROM yard_entry),
           (SELECT uuid FROM yard_entry ORDER BY id DESC LIMIT 1),
           (SELECT COUNT(*) FROM yard_entry WHERE struck_by_id > 0),
           (SELECT MAX(struck_at) FROM yard_entry WHERE struck_by_id > 0)
"""


def touched_since(old: Version, new: Version) -> set[int] | None:
    """Return the lots that entries and lines written since are about, in two queries.

    None where more has happened than that some were added: one was struck, the records are
    another copy, or what was added cannot be told by its numbers (of two that are written at
    once the later one may be committed first).
    """
    same = old.database == new.database and old[-2:] == new[-2:]
    if not same or not Entry.objects.filter(id=old.last_entry, uuid=old.last_uuid).exists():
        return None
    lines = Flow.objects.filter(id__gt=old.last_line or 0, id__lte=new.last_line or 0)
    entries = Entry.objects.filter(id__gt=old.last_entry, id__lte=new.last_entry)
    added = lines.values_list("from_lot_id", "to_lot_id")
    about = entries.values_list("id", "lots")
    if len(added) != new.lines - old.lines:
        return None
    if len({entry_id for entry_id, _lot in about}) != new.entries - old.entries:
        return None
    return ({end for line in added for end in line} | {lot for _entry, lot in about}) - {None}


class Written(NamedTuple):
    """What has been written about a lot; differs whenever an entry about it is made or struck.

    Times are as the database has them: they are only compared.
    """

    lot_id: int
    entries: int = 0
    last_entry: int | None = None
    recorded_at: object = None
    struck: int = 0
    struck_at: object = None


def written_about(lot_ids: Collection[int]) -> dict[int, Written]:
    """Return a mark of what has been written about each lot, in one query.

    The last one's time tells a restored copy of the records that has gone on differently.
    """
    if not lot_ids:
        return {}
    rows = (
        Entry.lots.through.objects.filter(lot__in=lot_ids)
        .order_by()
        .values_list("lot_id")
        .annotate(
            Count("entry"),
            Max("entry"),
            Max("entry__recorded_at"),
            Count("entry__struck_at"),
            Max("entry__struck_at"),
        )
    )
    sql, params = rows.query.sql_with_params()
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        found = {row[0]: Written(*row) for row in cursor.fetchall()}
    return {one: Written(one) for one in lot_ids} | found


def held_kg(
    at: Moment | datetime | None = None, lot_ids: Collection[int] | None = None
) -> dict[int, float]:
    """Return the mass that each lot holds at a time, lots that hold nothing left out.

    Parameters
    ----------
    at : Moment or datetime, optional
        The end of the time, included; now when left out.
    lot_ids : collection of int, optional
        Only these lots.
    """
    if lot_ids is not None and not lot_ids:
        return {}
    lines = Flow.objects.exclude(entry__in=struck())
    if at is not None:
        lines = lines.exclude(entry__in=after(at).values("id"))
    if lot_ids is not None:
        lines = lines.filter(Q(from_lot__in=lot_ids) | Q(to_lot__in=lot_ids))
    counted = lines.order_by().values_list("from_lot_id", "to_lot_id", "mass_kg")
    sql, params = counted.query.sql_with_params()
    with connection.cursor() as cursor:
        # summed where the lines are: nearly all lots that ever were hold nothing
        cursor.execute(
            f"WITH counted (giver, taker, kg) AS ({sql}), ends (lot, kg) AS ("
            "SELECT taker, kg FROM counted WHERE taker IS NOT NULL UNION ALL "
            "SELECT giver, -kg FROM counted WHERE giver IS NOT NULL) "
            "SELECT lot, SUM(kg) FROM ends GROUP BY lot HAVING SUM(kg) > %s",
            [*params, EMPTY_KG],
        )
        held = dict(cursor.fetchall())
    return held if lot_ids is None else {lot: held[lot] for lot in lot_ids if lot in held}


def steps(lot_ids: Collection[int], at: Moment | datetime | None = None) -> dict[int, list[Step]]:
    """Return what each lot went through in order, in two queries however many lots."""
    found: dict[int, dict[int, Step]] = {lot_id: {} for lot_id in lot_ids}

    def step(lot_id: int, entry_id: int, happened_at: datetime, kind: str) -> Step:
        of_lot = found[lot_id]
        one = of_lot.get(entry_id)
        if one is None:
            one = of_lot[entry_id] = Step(Moment(happened_at, entry_id), kind)
        return one

    lines = (
        Flow.objects.filter(counts(), until(at))
        .filter(Q(from_lot__in=lot_ids) | Q(to_lot__in=lot_ids))
        .order_by("entry__happened_at", "entry_id", "id")
        .values_list(
            "from_lot_id",
            "from_kind",
            "to_lot_id",
            "mass_kg",
            "volume_m3",
            "material_id",
            "entry_id",
            "entry__happened_at",
            "entry__kind",
        )
    )
    for from_lot, from_kind, to_lot, mass_kg, volume_m3, material_id, *act in lines:
        if to_lot in found:
            of = step(to_lot, *act)
            of.in_kg += mass_kg
            if from_kind == End.AIR:
                of.gained_kg += mass_kg
            if material_id == WATER:
                volume_m3 = 0.0  # it fills pores
            if volume_m3 is None or of.in_m3 is None:
                of.in_m3 = None
            else:
                of.in_m3 += volume_m3
            if material_id:
                of.sources.append((material_id, mass_kg))
        if from_lot in found:
            step(from_lot, *act).out_kg += mass_kg
    standings = (
        Standing.objects.filter(counts(), until(at), lot__in=lot_ids)
        .select_related("place")
        .annotate(happened_at=F("entry__happened_at"), kind=F("entry__kind"))
        .order_by("entry__happened_at", "entry_id")
    )
    for standing in standings:
        act = (standing.entry_id, standing.happened_at, standing.kind)
        step(standing.lot_id, *act).standing = standing
    return {
        lot_id: sorted(of_lot.values(), key=lambda one: one.moment)
        for lot_id, of_lot in found.items()
    }


def _volume_after(volume_m3: float | None, mass_kg: float, step: Step) -> float | None:
    """Return the volume after a step: what came adds its volume, what left takes its share.

    Where the volume of what came is unknown it is taken to be as dense as what lay there.
    """
    if step.standing is not None and step.standing.volume_m3 is not None:
        return step.standing.volume_m3
    if step.in_kg:
        if mass_kg <= EMPTY_KG:
            volume_m3 = step.in_m3
        elif volume_m3 is not None:
            volume_m3 += volume_m3 / mass_kg * step.in_kg if step.in_m3 is None else step.in_m3
    there_kg = mass_kg + step.in_kg
    if volume_m3 is None or there_kg <= EMPTY_KG:
        return None
    return max(volume_m3 * (1.0 - step.out_kg / there_kg), 0.0)


def holdings(of_lot: Iterable[Step]) -> list[Holding]:
    """Return what a lot holds after each of its steps."""
    mass_kg, volume_m3 = 0.0, None
    held = []
    for step in of_lot:
        volume_m3 = _volume_after(volume_m3, mass_kg, step)
        mass_kg += step.in_kg - step.out_kg
        if mass_kg <= EMPTY_KG:
            volume_m3 = None
        held.append(Holding(step.moment, mass_kg, volume_m3))
    return held


def local(moment: datetime) -> str:
    """Return a moment as a person of the site would say it."""
    return date_format(moment.astimezone(Site.load().tz), "j M Y H:i")


def _correction(standing: Standing, over_kg: float) -> Flow:
    """Return the line that takes up what the books hold beyond what the lot held."""
    line = standing.taken_up_by
    entry_id = standing.entry_id
    if line is not None:
        return Flow(
            entry_id=entry_id,
            from_kind=line.from_kind,
            from_lot_id=line.from_lot_id,
            to_kind=line.to_kind,
            to_lot_id=line.to_lot_id,
            to_place_id=line.to_place_id,
            to_person=line.to_person,
            mass_kg=over_kg,
            known=Known.COMPUTED,
            corrects=line,
        )
    if over_kg > 0:
        return Flow(
            entry_id=entry_id,
            from_kind=End.LOT,
            from_lot_id=standing.lot_id,
            to_kind=End.AIR,
            mass_kg=over_kg,
            known=Known.COMPUTED,
        )
    return Flow(
        entry_id=entry_id,
        from_kind=End.AIR,
        to_kind=End.LOT,
        to_lot_id=standing.lot_id,
        mass_kg=-over_kg,
        known=Known.COMPUTED,
    )


def settle(lot_ids: Iterable[int], *, by: Entry, fields: Mapping[int, str] | None = None) -> None:
    """Make the books of these lots, and of all that follow from them, add up again.

    Walks each lot through time. Where an entry says what the lot held afterwards (weighed, or
    all of it taken) and the books say otherwise, a correcting line is added to that entry;
    where the books go below zero the whole transaction is refused.

    Parameters
    ----------
    lot_ids : iterable of int
        The lots whose lines have just changed.
    by : Entry
        The entry just written or struck, to tell a plain shortage from one it causes later.
    fields : mapping, optional
        The field of the act for each lot, for the error.

    Raises
    ------
    StockError
        If ``by`` takes more than a lot holds then.
    TimelineError
        If an entry that happened later would become impossible.
    """
    waiting = set(lot_ids)
    while waiting:
        lot_id = waiting.pop()
        mass_kg = 0.0
        for step in steps([lot_id])[lot_id]:
            there_kg = mass_kg + step.in_kg - step.gained_kg
            mass_kg += step.in_kg - step.out_kg
            standing = step.standing
            holds_kg = None if standing is None else standing.holds_kg
            if there_kg <= EMPTY_KG and (step.out_kg > EMPTY_KG or holds_kg):
                _refuse(lot_id, step, there_kg, by, (fields or {}).get(lot_id, ""))
            if standing is not None and holds_kg is not None:
                over_kg = mass_kg - holds_kg
                if abs(over_kg) > EMPTY_KG:
                    line = _correction(standing, over_kg)
                    line.save()
                    if line.to_lot_id not in (None, lot_id):
                        waiting.add(line.to_lot_id)
                mass_kg = holds_kg
            elif mass_kg < -EMPTY_KG:
                _refuse(lot_id, step, there_kg, by, (fields or {}).get(lot_id, ""))


def _refuse(lot_id: int, step: Step, there_kg: float, by: Entry, field: str) -> NoReturn:
    lot = Lot.objects.get(id=lot_id)
    there_kg = max(there_kg, 0.0)
    if step.moment.entry_id == by.id:
        raise not_enough(lot, there_kg, step.out_kg, step.moment.happened_at, field)
    raise TimelineError(
        _(
            "%(lot)s would then hold only %(there).4g kg on %(when)s, too little for what was "
            "entered as “%(kind)s”; strike that entry first or change this one"
        )
        % {
            "lot": lot.code,
            "there": there_kg,
            "when": local(step.moment.happened_at),
            "kind": Kind(step.kind).label,
        },
        field=field,
    )


def not_enough(
    lot: Lot, there_kg: float, asked_kg: float, when: datetime, field: str
) -> StockError:
    """Return the error that says how much of a lot there was."""
    return StockError(
        _("%(lot)s held %(there).4g kg on %(when)s; %(asked).4g kg cannot be taken from it")
        % {"lot": lot.code, "there": there_kg, "asked": asked_kg, "when": local(when)},
        field=field,
        lot=lot.code,
        there_kg=there_kg,
        asked_kg=asked_kg,
    )


def check_begun(lot_ids: Collection[int]) -> None:
    """Refuse when something happened to one of these lots before it was made.

    Raises
    ------
    TimelineError
        Naming the lot and the first such entry.
    """
    begun = {
        lot_id: Moment(happened_at, entry_id)
        for lot_id, happened_at, entry_id in Standing.objects.filter(
            counts(), begins=True, lot__in=lot_ids
        ).values_list("lot_id", "entry__happened_at", "entry_id")
    }
    touches = Entry.lots.through.objects.filter(entry__struck_at=None, lot__in=lot_ids)
    for lot_id, code, happened_at, entry_id, kind in touches.order_by(
        "entry__happened_at", "entry_id"
    ).values_list("lot_id", "lot__code", "entry__happened_at", "entry_id", "entry__kind"):
        if lot_id not in begun or Moment(happened_at, entry_id) < begun[lot_id]:
            raise TimelineError(
                _(
                    "%(lot)s would then not exist yet on %(when)s, when it was entered as "
                    "“%(kind)s”; strike that entry first, or enter this act again in place of "
                    "the old one"
                )
                % {"lot": code, "when": local(happened_at), "kind": Kind(kind).label}
            )
