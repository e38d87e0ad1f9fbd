"""The log of a lot against rules, worked out anew each time it is asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from heapwright.data.sanitation import terms
from heapwright.science.daily import Act, Log
from heapwright.science.periods import day_text
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Proof, Stated, Verdict, evaluate
from heapwright.yard import prove
from heapwright.yard.models import Lot, Stage

WEAKEST: Final[tuple[Verdict, ...]] = ("not met", "cannot be shown", "not yet", "met")
"""Verdicts, the one furthest from met first."""

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


def judge_lot(
    lot: Lot, stage: str, rules: Sequence[Rule], stated: Stated, now: datetime, zone: ZoneInfo
) -> tuple[Judged, ...]:
    """Judge a lot by each rule; see :func:`logs_of` and :func:`judge`."""
    return judge(logs_of(lot), rules, stated, until_s=open_until_s(stage, now, zone))


def logs_of(lot: Lot) -> tuple[Log, ...]:
    """Return the logs that together prove a lot."""
    return tuple(prove.lot_log(lot, strand) for strand in prove.strands(lot))


def open_until_s(stage: str, now: datetime, zone: ZoneInfo) -> int | None:
    """Return yesterday's end for a heap that should be hot, None for one past its heat."""
    if stage not in HEATING:
        return None
    midnight = datetime.combine(now.astimezone(zone).date(), time(), tzinfo=zone)
    return int(midnight.timestamp()) - 1


def judge(
    logs: Sequence[Log], rules: Sequence[Rule], stated: Stated, *, until_s: int | None
) -> tuple[Judged, ...]:
    """Judge the logs of a lot by each rule.

    Parameters
    ----------
    until_s : int or None
        Where a rule is not met yet, its log runs until then even if nobody read it since: days
        that have passed unread are gaps, and the earliest date lies ahead.
    """
    judged = []
    for log in logs:
        proofs = evaluate(log, rules, stated, terms())
        if until_s is not None and _last_s(log) < until_s:
            open_ones = [one.rule for one in proofs if one.verdict != "met"]
            later = {one.rule.id: one for one in _until(log, until_s, open_ones, stated)}
            proofs = tuple(later.get(one.rule.id, one) for one in proofs)
        judged.append(proofs)
    return tuple(
        Judged(rule, tuple(proofs[at] for proofs in judged)) for at, rule in enumerate(rules)
    )


def _last_s(log: Log) -> int:
    times = [act.time_s for act in log.acts]
    if len(log.readings.time_s):
        times.append(int(log.readings.time_s[-1]))
    return max(times, default=0)


def _until(log: Log, until_s: int, rules: Sequence[Rule], stated: Stated) -> tuple[Proof, ...]:
    """Judge a log as it stands at ``until_s``, later than its last row.

    A move, which is neither a turning nor a new start, marks the end; what is said of it is
    left out.
    """
    log = replace(log, acts=(*log.acts, Act(until_s, "moved")))
    said = f"Moved on {day_text(log.clock.wall(until_s).date())}:"
    return tuple(
        replace(one, notes=tuple(note for note in one.notes if not note.startswith(said)))
        for one in evaluate(log, rules, stated, terms())
    )
