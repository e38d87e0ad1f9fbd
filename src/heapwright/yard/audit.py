"""Does it all add up? Mass in = mass standing + mass out + mass lost to air; and the rest.

Nothing here repairs; it says what it finds. The books of each lot are played from its lines
and compared with sums that the database makes on its own, and the whole site's with what the
pages say that stands. All lots are played at once, anew each time, as columns; the steps of a
lot where something is odd are then told one by one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import connection
from django.db.models import Max, Min, QuerySet, Sum
from django.utils.translation import gettext as _

from heapwright.yard import ledger
from heapwright.yard.audit_play import CLOSE, SLACK_KG, Step, play
from heapwright.yard.models import (
    DailySummary,
    End,
    Entry,
    Flow,
    Kind,
    Lot,
    LotKind,
    Photo,
    PlaceKind,
    Reading,
    Site,
    Standing,
)
from heapwright.yard.photos import path_of
from heapwright.yard.readings import fresh_summaries
from heapwright.yard.state import LotState, state_at


@dataclass(frozen=True, slots=True)
class Balance:
    """The books of one lot, or of the site, in kilograms.

    ``in_kg`` came from sources, ``opening_kg`` stood when the records began, ``water_kg`` was
    poured or rained on, ``gained_kg`` was found on weighing; ``from_lots_kg`` and
    ``to_lots_kg`` cancel out over the site. ``residual_kg`` is what does not add up: zero but
    for rounding.
    """

    in_kg: float
    opening_kg: float
    water_kg: float
    gained_kg: float
    from_lots_kg: float
    to_lots_kg: float
    to_beds_kg: float
    to_people_kg: float
    disposed_kg: float
    to_air_kg: float
    standing_kg: float

    @property
    def out_kg(self) -> float:
        """What left for beds, people and disposal."""
        return self.to_beds_kg + self.to_people_kg + self.disposed_kg

    @property
    def residual_kg(self) -> float:
        """What came in less what stands, left, or was lost to the air."""
        came = self.in_kg + self.opening_kg + self.water_kg + self.gained_kg + self.from_lots_kg
        return came - self.to_lots_kg - self.out_kg - self.to_air_kg - self.standing_kg


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that does not add up, in a sentence, and the lot or entry it is about.

    ``grave`` findings are faults of the books; the others are things that a person should look
    at (two piles in one bay).
    """

    what: str
    lot: str = ""
    entry_id: int | None = None
    grave: bool = True


@dataclass(frozen=True, slots=True)
class Audit:
    """The result of an audit; ``lots`` by code, all or those that were asked for."""

    site: Balance
    lots: dict[str, Balance]
    findings: tuple[Finding, ...]

    @property
    def adds_up(self) -> bool:
        """Whether there is no grave finding."""
        return not any(finding.grave for finding in self.findings)


def audit(*, deep: bool = False) -> Audit:
    """Audit the whole site.

    Parameters
    ----------
    deep : bool
        Also make every daily summary anew from the readings and compare, let the database check
        itself, and look for the file of every photo; takes minutes where a logger wrote for years.
    """
    found = books()
    findings = [*found.findings, *oddities()]
    if deep:
        findings += _summaries()
        findings += _database()
        findings += _photos()
    return Audit(found.site, found.lots, tuple(findings))


def books(*, every: bool = True) -> Audit:
    """Audit the books of the site and of each lot; see :func:`oddities` for the rest.

    Parameters
    ----------
    every : bool
        Whether to give the balance of every lot, or only of those that hold something or are
        off. Every lot is audited either way.
    """
    played, standing = play(), state_at()
    stands = played.standing()
    said = {state.id: state.mass_kg for state in standing}
    odd = played.odd() | {
        lot_id
        for lot_id, mass_kg in stands.items()
        if abs(mass_kg - said.get(lot_id, 0.0)) > CLOSE * SLACK_KG
    }
    sums = _sums(None if every else odd | said.keys())
    lots = Lot.objects.order_by("id")
    balances: dict[str, Balance] = {}
    findings: list[Finding] = []
    for lot_id, code in (lots if every else lots.filter(id__in=sums)).values_list("id", "code"):
        balance = _balance(sums.get(lot_id, {}), stands.get(lot_id, 0.0))
        balances[code] = balance
        if lot_id in odd or abs(balance.residual_kg) > SLACK_KG:
            findings += _of_lot(code, balance, played.steps(lot_id))
    site = _balance(_over_all(), sum(said.values()))
    if abs(site.residual_kg) > SLACK_KG:
        findings.append(
            Finding(
                _("over the whole site %(residual).3f kg do not add up")
                % {"residual": site.residual_kg}
            )
        )
    return Audit(site, balances, tuple(findings))


def oddities() -> tuple[Finding, ...]:
    """Return what a person should look at though the books add up."""
    return (*_after_the_end(), *_shared_bays(state_at()))


def totals(
    since: datetime | None = None, until: datetime | None = None
) -> dict[str, dict[str, float]]:
    """Return what came and left in a period, in kg: ``{"source": {code: kg}, "place": …}``.

    Keys: ``source``, ``place``, ``person`` by code or name, and ``opening``, ``water``, ``air``,
    ``disposal`` under the empty name. Air is net of what was found on weighing.
    """
    lines = Flow.objects.filter(ledger.counts()).order_by()
    if since is not None:
        lines = lines.filter(entry__happened_at__gte=since)
    if until is not None:
        lines = lines.filter(entry__happened_at__lt=until)
    found: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for kind, code, mass_kg in (
        lines.exclude(from_kind=End.LOT)
        .values_list("from_kind", "from_source__code")
        .annotate(Sum("mass_kg"))
    ):
        found[kind][code or ""] += -mass_kg if kind == End.AIR else mass_kg
    for kind, code, person, mass_kg in (
        lines.exclude(to_kind=End.LOT)
        .values_list("to_kind", "to_place__code", "to_person")
        .annotate(Sum("mass_kg"))
    ):
        found[kind][code or person] += mass_kg
    return {kind: dict(by_name) for kind, by_name in found.items()}


Sums = dict[tuple[str, str], float]
"""The mass of lines by (side, other end)."""


def _lines() -> QuerySet[Flow]:
    return Flow.objects.exclude(entry__in=ledger.struck()).order_by()


def _sums(lot_ids: Collection[int] | None) -> dict[int, Sums]:
    """Return the sums of the lines of these lots (all: None) as the database makes them."""
    found: dict[int, Sums] = defaultdict(lambda: defaultdict(float))
    for side, other in (("to", "from"), ("from", "to")):
        lines = _lines().filter(**{f"{side}_lot__isnull": False})
        if lot_ids is not None:
            lines = lines.filter(**{f"{side}_lot__in": lot_ids})
        for lot_id, kind, mass_kg in lines.values_list(f"{side}_lot_id", f"{other}_kind").annotate(
            Sum("mass_kg")
        ):
            found[lot_id][side, kind] = mass_kg
    return found


def _over_all() -> Sums:
    """Return the sums over all lots; lines between lots are in both sides of it."""
    found: Sums = defaultdict(float)
    for from_kind, to_kind, mass_kg in (
        _lines().values_list("from_kind", "to_kind").annotate(Sum("mass_kg"))
    ):
        if to_kind == End.LOT:
            found["to", from_kind] += mass_kg
        if from_kind == End.LOT:
            found["from", to_kind] += mass_kg
    return found


def _balance(sums: Mapping[tuple[str, str], float], standing_kg: float) -> Balance:
    return Balance(
        **{name: sums.get(ends, 0.0) for name, ends in _COLUMNS.items()}, standing_kg=standing_kg
    )


_COLUMNS: Final = {
    "in_kg": ("to", End.SOURCE.value),
    "opening_kg": ("to", End.OPENING.value),
    "water_kg": ("to", End.WATER.value),
    "gained_kg": ("to", End.AIR.value),
    "from_lots_kg": ("to", End.LOT.value),
    "to_lots_kg": ("from", End.LOT.value),
    "to_beds_kg": ("from", End.PLACE.value),
    "to_people_kg": ("from", End.PERSON.value),
    "disposed_kg": ("from", End.DISPOSAL.value),
    "to_air_kg": ("from", End.AIR.value),
}
"""The columns of a balance, each the sum of the lines with this side and other end."""


def _of_lot(code: str, balance: Balance, steps: Sequence[Step]) -> Iterator[Finding]:
    if abs(balance.residual_kg) > SLACK_KG:
        yield Finding(
            _("%(residual).3f kg of %(lot)s do not add up")
            % {"residual": balance.residual_kg, "lot": code},
            code,
        )
    begun = [step.entry_id for step in steps if step.begins]
    if steps and (not begun or steps[0].entry_id != begun[-1]):
        yield Finding(
            _("%(lot)s was used before it was made") % {"lot": code},
            code,
            steps[0].entry_id,
        )
    mass_kg = 0.0
    for step in steps:
        mass_kg += step.net_kg
        if mass_kg < -SLACK_KG:
            yield Finding(
                _("%(lot)s held %(mass).3f kg on %(when)s")
                % {
                    "lot": code,
                    "mass": mass_kg,
                    "when": ledger.local(Entry.objects.get(id=step.entry_id).happened_at),
                },
                code,
                step.entry_id,
            )
        off_kg = 0.0 if step.holds_kg is None else mass_kg - step.holds_kg
        if abs(off_kg) > SLACK_KG:
            yield Finding(
                _("the books of %(lot)s differ by %(off).3f kg from what was weighed")
                % {"lot": code, "off": off_kg},
                code,
                step.entry_id,
            )


_AT_ONCE: Final = 500
"""Lots named to the database in one query."""


def _after_the_end() -> Iterator[Finding]:
    """Return a finding for each lot that was tended when nothing of it was left."""
    tended = Entry.lots.through.objects.filter(
        entry__kind__in=(Kind.CHECK, Kind.TURN, Kind.COVER)
    ).exclude(entry__in=ledger.struck())
    last = dict(tended.order_by().values_list("lot_id").annotate(Max("entry__happened_at")))
    gone = sorted(last.keys() - {state.id for state in state_at()})
    late = {lot_id: at for lot_id, at in _last_steps(gone).items() if last[lot_id] > at}
    for lot_id in ledger.held_kg(lot_ids=late):  # not standing because nothing made it
        del late[lot_id]
    for lot_id, at in late.items():
        touch = (
            tended.filter(lot=lot_id, entry__happened_at__gt=at)
            .select_related("entry", "lot")
            .earliest("entry__happened_at", "entry_id")
        )
        yield Finding(
            _("%(lot)s was empty already when it was %(kind)s on %(when)s")
            % {
                "lot": touch.lot.code,
                "kind": touch.entry.get_kind_display(),
                "when": ledger.local(touch.entry.happened_at),
            },
            touch.lot.code,
            touch.entry_id,
            grave=False,
        )


def _last_steps(lot_ids: Sequence[int]) -> dict[int, datetime]:
    """Return when something was taken from each of these lots last, or said of where it stood."""
    found: dict[int, datetime] = {}
    for start in range(0, len(lot_ids), _AT_ONCE):
        those = lot_ids[start : start + _AT_ONCE]
        for rows, lot in ((Flow.objects, "from_lot"), (Standing.objects, "lot")):
            last = (
                rows.filter(ledger.counts(), **{f"{lot}__in": those})
                .order_by()
                .values_list(lot)
                .annotate(Max("entry__happened_at"))
            )
            for lot_id, at in last:
                found[lot_id] = max(found.get(lot_id, at), at)
    return found


def _shared_bays(standing: Iterable[LotState]) -> Iterator[Finding]:
    """Return a finding for each bay in which more than one pile stands now."""
    there: dict[str, list[str]] = defaultdict(list)
    for state in standing:
        place = state.place
        one_pile = place is not None and place.kind in (PlaceKind.BAY, PlaceKind.VESSEL)
        if one_pile and state.kind == LotKind.PILE:
            there[place.name].append(state.code)
    for name, codes in there.items():
        if len(codes) > 1:
            yield Finding(
                _("%(place)s holds %(lots)s; combine them, or log where each stands")
                % {"place": name, "lots": ", ".join(codes)},
                codes[0],
                grave=False,
            )


def _summaries() -> Iterable[Finding]:
    """Make every daily summary anew from the readings and compare."""
    tz = Site.load().tz
    for lot in Lot.objects.filter(id__in=Reading.objects.order_by().values("lot").distinct()):
        kept = {
            (one.day, one.point, one.depth_cm): one
            for one in DailySummary.objects.filter(lot=lot).order_by("day")
        }
        span = lot.readings.aggregate(first=Min("time_s"), last=Max("time_s"))
        first, last = (datetime.fromtimestamp(span[end], tz).date() for end in ("first", "last"))
        fresh = {
            (one.day, one.point, one.depth_cm): one for one in fresh_summaries(lot, first, last, tz)
        }
        if kept.keys() != fresh.keys() or any(_differ(kept[key], fresh[key]) for key in kept):
            yield Finding(
                _("the daily summaries of %(lot)s are not those of its readings")
                % {"lot": lot.code},
                lot.code,
            )


def _differ(one: DailySummary, other: DailySummary) -> bool:
    same = all(
        getattr(one, name) == getattr(other, name)
        for name in ("min_c", "max_c", "count", "first_s", "last_s")
    )
    return not same or abs(one.sum_c - other.sum_c) > 1e-6 * max(abs(one.sum_c), 1.0)


def _database() -> Iterable[Finding]:
    """Let the database look at itself."""
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA integrity_check")
        for (message,) in cursor.fetchall():
            if message != "ok":
                yield Finding(_("the database file is damaged: %(what)s") % {"what": message})
        cursor.execute("PRAGMA foreign_key_check")
        for row in cursor.fetchall():
            yield Finding(
                _("a row of %(table)s names another that is not there") % {"table": row[0]}
            )


def _photos() -> Iterable[Finding]:
    """Look whether the file of every photo is there."""
    for photo in Photo.objects.select_related("entry").prefetch_related("entry__lots"):
        if not path_of(photo.digest).exists():
            lots = ", ".join(lot.code for lot in photo.entry.lots.all())
            yield Finding(
                _("the photo of %(lots)s of %(when)s has lost its file")
                % {"lots": lots, "when": ledger.local(photo.entry.happened_at)},
                lots,
                photo.entry_id,
            )
