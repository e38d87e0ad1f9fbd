"""How far standing lots are with the rule that the site follows, judged from their logs alone."""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache
from typing import Final

from heapwright.data.sanitation import rules
from heapwright.science.periods import Stated
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Proof
from heapwright.yard import ledger, prove
from heapwright.yard.models import Flow, Kind, Lot, PlaceKind, Site
from heapwright.yard.state import LotState
from heapwright.yard.yardstick import InForce, in_force


def in_vessel(lot: LotState) -> bool:
    """Tell whether a lot stands in a vessel."""
    return lot.place is not None and lot.place.kind == PlaceKind.VESSEL


def rule_for(lot: LotState, yardstick: InForce) -> Rule:
    """Return the rule that the list follows for a lot: the site's, by where it stands."""
    return yardstick.rule(vessel=in_vessel(lot))


def spacing_days(rule: Rule) -> int:
    """Return how many hot days come before a turning: as the rule says, or evenly spread."""
    said = max(rule.turn_spacing_days, rule.hot_days_before_turn)
    return said or max(rule.days // rule.turnings, 1)


_VERDICTS: Final = ("not met", "cannot be shown", "not yet", "met")


def proofs_of(
    lots: Collection[LotState], site: Site, yardstick: InForce | None = None
) -> dict[int, Proof]:
    """Return how far each lot is with the rule that the list follows.

    Where piles past their heat were put together each log has to meet the rule, so the one
    that is furthest from it stands for all. A judgement is kept until something is written
    about the lot or about one that it came from.
    """
    marks = _marks([one.id for one in lots])
    yardstick = yardstick or in_force()
    found: dict[int, Proof] = {}
    for one in lots:
        rule = rule_for(one, yardstick)
        if rule.judged_by != "nothing in a log":
            stated = yardstick.stated(rule, vessel=in_vessel(one), assume=True)
            found[one.id] = _judged(one.id, rule.id, stated, site.zone, marks[one.id])
    return found


@lru_cache(maxsize=1024)
def _judged(lot_id: int, rule_id: str, stated: Stated, _zone: str, _mark: object) -> Proof:
    lot, rule = Lot.objects.get(id=lot_id), rules()[rule_id]
    judged = [log.judged((rule,), stated)[0] for log in prove.lot_logs(lot)]
    return min(judged, key=lambda proof: (_VERDICTS.index(proof.verdict), proof.days_credited))


def _marks(lot_ids: Collection[int]) -> dict[int, object]:
    """Return for each lot a mark that changes when its log or a forebear's does."""
    forebears: dict[int, set[int]] = {one: {one} for one in lot_ids}
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
        unknown = {one for of_lot in parents.values() for one in of_lot} - parents.keys()
    for line in forebears.values():
        waiting = list(line)
        while waiting:
            new = parents[waiting.pop()] - line
            line |= new
            waiting += new
    last = ledger.written_about(parents)
    return {lot_id: tuple(last[one] for one in sorted(line)) for lot_id, line in forebears.items()}
