"""Does it all add up? Mass in = mass standing + mass out + mass lost to air; and the rest.

Nothing here repairs; it says what it finds. The books of each lot are played from its lines
and compared with sums that the database makes on its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.db import connection
from django.db.models import Max, Min, Sum
from django.utils.translation import gettext as _

from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import (
    DailySummary,
    End,
    Entry,
    Flow,
    Kind,
    Lot,
    LotKind,
    PlaceKind,
    Reading,
    Site,
)
from heapwright.yard.readings import fresh_summaries
from heapwright.yard.stages import course
from heapwright.yard.state import state_at

SLACK_KG = 1e-3
"""A gram over all the site: the rounding of sums of millions of lines is far below it."""


@dataclass(frozen=True, slots=True)
class Balance:
    """The books of one lot, or of the site, in kilograms.

    ``in_kg`` came from sources, ``water_kg`` was poured or rained on, ``gained_kg`` was found
    on weighing; ``from_lots_kg`` and ``to_lots_kg`` cancel out over the site. ``residual_kg``
    is what does not add up: zero but for rounding.
    """

    in_kg: float
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
        came = self.in_kg + self.water_kg + self.gained_kg + self.from_lots_kg
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
    """The result of an audit."""

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
        Also make every daily summary anew from the readings and compare, and let the database
        check itself; takes minutes where a logger wrote for years.
    """
    lots = Lot.objects.in_bulk()
    steps = ledger.steps(lots)
    balances: dict[str, Balance] = {}
    findings: list[Finding] = []
    emptied: dict[int, datetime] = {}
    sums = _sums(per_lot=True)
    for lot_id, lot in lots.items():
        held = ledger.holdings(steps[lot_id])
        standing_kg = held[-1].mass_kg if held else 0.0
        if held and standing_kg <= EMPTY_KG:
            emptied[lot_id] = held[-1].moment.happened_at
        balance = _balance(sums.get(lot_id, {}), standing_kg)
        balances[lot.code] = balance
        findings += _of_lot(lot, balance, steps[lot_id], held)
    site = _balance(_sums(per_lot=False)[0], sum(state.mass_kg for state in state_at()))
    if abs(site.residual_kg) > SLACK_KG:
        findings.append(
            Finding(
                _("over the whole site %(residual).3f kg do not add up")
                % {"residual": site.residual_kg}
            )
        )
    findings += _after_the_end(emptied)
    findings += _shared_bays()
    if deep:
        findings += _summaries()
        findings += _database()
    return Audit(site, balances, tuple(findings))


def totals(
    since: datetime | None = None, until: datetime | None = None
) -> dict[str, dict[str, float]]:
    """Return what came and left in a period, in kg: ``{"source": {code: kg}, "place": …}``.

    Keys: ``source``, ``place``, ``person`` by code or name, and ``water``, ``air``,
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


def _sums(*, per_lot: bool) -> dict[int, dict[tuple[str, str], float]]:
    """Return the sums of lines by (side, other end), per lot or (under 0) for the site."""
    found: dict[int, dict[tuple[str, str], float]] = defaultdict(lambda: defaultdict(float))
    lines = Flow.objects.filter(ledger.counts()).order_by()
    for side, other in (("to", "from"), ("from", "to")):
        rows = (
            lines.filter(**{f"{side}_lot__isnull": False})
            .values_list(f"{side}_lot_id", f"{other}_kind")
            .annotate(Sum("mass_kg"))
        )
        for lot_id, kind, mass_kg in rows:
            found[lot_id if per_lot else 0][side, kind] += mass_kg
    return found


def _balance(sums: Mapping[tuple[str, str], float], standing_kg: float) -> Balance:
    def of(side: str, kind: End) -> float:
        return sums.get((side, kind.value), 0.0)

    return Balance(
        in_kg=of("to", End.SOURCE),
        water_kg=of("to", End.WATER),
        gained_kg=of("to", End.AIR),
        from_lots_kg=of("to", End.LOT),
        to_lots_kg=of("from", End.LOT),
        to_beds_kg=of("from", End.PLACE),
        to_people_kg=of("from", End.PERSON),
        disposed_kg=of("from", End.DISPOSAL),
        to_air_kg=of("from", End.AIR),
        standing_kg=standing_kg,
    )


def _of_lot(
    lot: Lot, balance: Balance, steps: list[ledger.Step], held: list[ledger.Holding]
) -> list[Finding]:
    findings = []
    if abs(balance.residual_kg) > SLACK_KG:
        findings.append(
            Finding(
                _("%(residual).3f kg of %(lot)s do not add up")
                % {"residual": balance.residual_kg, "lot": lot.code},
                lot.code,
            )
        )
    begun = course(steps).begun
    if steps and (begun is None or steps[0].moment != begun):
        findings.append(
            Finding(
                _("%(lot)s was used before it was made") % {"lot": lot.code},
                lot.code,
                steps[0].moment.entry_id,
            )
        )
    for step, holding in zip(steps, held, strict=True):
        if holding.mass_kg < -SLACK_KG:
            findings.append(
                Finding(
                    _("%(lot)s held %(mass).3f kg on %(when)s")
                    % {
                        "lot": lot.code,
                        "mass": holding.mass_kg,
                        "when": ledger.local(step.moment.happened_at),
                    },
                    lot.code,
                    step.moment.entry_id,
                )
            )
        said = step.standing
        if said is not None and said.holds_kg is not None:
            off_kg = holding.mass_kg - said.holds_kg
            if abs(off_kg) > SLACK_KG:
                findings.append(
                    Finding(
                        _("the books of %(lot)s differ by %(off).3f kg from what was weighed")
                        % {"lot": lot.code, "off": off_kg},
                        lot.code,
                        step.moment.entry_id,
                    )
                )
    return findings


def _after_the_end(emptied: Mapping[int, datetime]) -> Iterable[Finding]:
    """Return a finding for each lot that was tended when nothing of it was left."""
    seen: set[int] = set()
    touched = Entry.lots.through.objects.filter(
        entry__struck_at=None, entry__kind__in=(Kind.CHECK, Kind.TURN, Kind.COVER)
    ).select_related("entry", "lot")
    for touch in touched.order_by("entry__happened_at", "entry_id"):
        ended = emptied.get(touch.lot_id)
        if ended is None or touch.entry.happened_at <= ended or touch.lot_id in seen:
            continue
        seen.add(touch.lot_id)
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


def _shared_bays() -> Iterable[Finding]:
    """Return a finding for each bay in which more than one pile stands now."""
    there: dict[str, list[str]] = defaultdict(list)
    for state in state_at():
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
