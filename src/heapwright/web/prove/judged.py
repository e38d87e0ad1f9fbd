"""The log of a lot against rules, worked out anew each time it is asked."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from heapwright.science.daily import Act, Log
from heapwright.science.periods import day_text
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Proof, Stated, Verdict
from heapwright.yard import ledger, prove
from heapwright.yard.models import Flow, Kind, Lot, Site, Stage
from heapwright.yard.prove import LotLog

WEAKEST: Final[tuple[Verdict, ...]] = ("not met", "cannot be shown", "not yet", "met")
"""Verdicts, the one furthest from met first."""

Mark = tuple[ledger.Written, ...]

HEATING: Final = (Stage.FILLING, Stage.HOT)


@dataclass(frozen=True, slots=True)
class Judged:
    """A lot against one rule: one proof for each of its logs, every one of which must be met."""

    rule: Rule
    proofs: tuple[Proof, ...]

    @property
    def weakest(self) -> Proof:
        """The proof that is furthest from met."""
        return min(self.proofs, key=lambda one: (WEAKEST.index(one.verdict), one.days_credited))

    @property
    def verdict(self) -> Verdict:
        """The verdict on the lot."""
        return self.weakest.verdict

    @property
    def met_at(self) -> date | None:
        """When the last of its logs met the rule; None unless all did."""
        met = [one.met_at for one in self.proofs if one.met_at is not None]
        return max(met) if len(met) == len(self.proofs) else None

    @property
    def earliest(self) -> date | None:
        """The earliest date on which all of its logs can meet the rule."""
        days = [one.earliest_possible for one in self.proofs]
        return None if None in days else max(day for day in days if day is not None)


@dataclass(frozen=True, slots=True)
class Evidence:
    """A lot's logs as they stand: the same until something is written about it, or struck.

    ``mark`` differs when the log of the lot or of one that it came from does, so that what is
    worked out from it may be kept in memory. ``as_of`` leaves out what happened after it.
    """

    lot_id: int
    zone: str
    mark: Mark
    as_of: datetime | None = None

    def logs(self) -> tuple[LotLog, ...]:
        """Return the logs that together prove the lot."""
        return _logs(self)

    def judged(
        self, rules: Sequence[Rule], stated: Stated, *, until_s: int | None
    ) -> tuple[Judged, ...]:
        """Judge the lot by each rule; see :func:`judge`."""
        return _judged(self, tuple(rules), stated, until_s)


def evidence_of(lots: Collection[Lot], as_of: datetime | None = None) -> dict[int, Evidence]:
    """Return the evidence of each lot by its id, in a few queries however many there are."""
    zone = Site.load().zone
    marks = _marks([lot.id for lot in lots])
    return {lot.id: Evidence(lot.id, zone, marks[lot.id], as_of) for lot in lots}


@lru_cache(maxsize=64)
def _logs(evidence: Evidence) -> tuple[LotLog, ...]:
    return prove.lot_logs(Lot.objects.get(id=evidence.lot_id), evidence.as_of)


@lru_cache(maxsize=128)
def _judged(
    evidence: Evidence, rules: tuple[Rule, ...], stated: Stated, until_s: int | None
) -> tuple[Judged, ...]:
    return judge(evidence.logs(), rules, stated, until_s=until_s)


def _marks(lot_ids: Collection[int]) -> dict[int, Mark]:
    """Return for each lot a mark that differs when its log or a forebear's does."""
    parents: dict[int, set[int]] = {}
    unknown = set(lot_ids)
    while unknown:
        parents.update((one, set()) for one in unknown)
        for to_lot, from_lot in Flow.objects.filter(
            to_lot__in=unknown,
            from_lot__isnull=False,
            entry__kind__in=(Kind.DIVIDE, Kind.SCREEN, Kind.COMBINE),
        ).values_list("to_lot_id", "from_lot_id"):
            parents[to_lot].add(from_lot)
        unknown = {one for line in parents.values() for one in line} - parents.keys()
    written = ledger.written_about(parents)

    def line(lot_id: int) -> set[int]:
        found, waiting = {lot_id}, [lot_id]
        while waiting:
            new = parents[waiting.pop()] - found
            found |= new
            waiting += new
        return found

    return {lot_id: tuple(written[one] for one in sorted(line(lot_id))) for lot_id in lot_ids}


def open_until_s(stage: str, now: datetime, zone: ZoneInfo) -> int | None:
    """Return when today began for a heap that should be hot, None for one past its heat."""
    if stage not in HEATING:
        return None
    return int(datetime.combine(now.astimezone(zone).date(), time(), tzinfo=zone).timestamp())


def judge(
    logs: Sequence[LotLog], rules: Sequence[Rule], stated: Stated, *, until_s: int | None
) -> tuple[Judged, ...]:
    """Judge the logs of a lot by each rule.

    Parameters
    ----------
    until_s : int or None
        When today began. Where a rule is not met yet, its log runs until then even if nobody
        read it since: days that have passed unread are gaps, and the earliest date lies ahead.
        Today may still be read.
    """
    judged = []
    for one in logs:
        log = one.log
        proofs = one.judged(rules, stated)
        if until_s is not None and log.clock.day(_last_s(log)) < log.clock.day(until_s) - 1:
            open_ones = [proof.rule for proof in proofs if proof.verdict != "met"]
            later = {proof.rule.id: proof for proof in _until(one, until_s, open_ones, stated)}
            proofs = tuple(later.get(proof.rule.id, proof) for proof in proofs)
        judged.append(proofs)
    return tuple(
        Judged(rule, tuple(proofs[at] for proofs in judged)) for at, rule in enumerate(rules)
    )


def _last_s(log: Log) -> int:
    times = [act.time_s for act in log.acts]
    if len(log.readings.time_s):
        times.append(int(log.readings.time_s[-1]))
    return max(times, default=0)


def _until(one: LotLog, until_s: int, rules: Sequence[Rule], stated: Stated) -> tuple[Proof, ...]:
    """Judge a log as it stands at ``until_s``, later than its last row.

    A move, which is neither a turning nor a new start, marks the end; what is said of it is
    left out.
    """
    log = replace(one.log, acts=(*one.log.acts, Act(until_s, "moved")))
    said = f"Moved on {day_text(log.clock.wall(until_s).date())}:"
    return tuple(
        replace(proof, notes=tuple(note for note in proof.notes if not note.startswith(said)))
        for proof in one.judged(rules, stated, log)
    )
