"""Tasks from the log: what was squeezed, and heaps that stand open in a wet week."""

from __future__ import annotations

from collections.abc import Iterator

from django.utils.translation import gettext as _

from heapwright.data import field_tests
from heapwright.data.today import figure
from heapwright.yard.models import Cover, Kind, Squeeze, Stage
from heapwright.yard.today.tasks import Rank, Say, Sight, Tap, Task


def squeezed(sight: Sight, _say: Say) -> Iterator[Task]:
    """See heaps whose last squeeze was too dry or too wet, nothing done about it since."""
    fact = field_tests()["squeeze"]
    for heap in sight.heaps:
        lot, check = heap.state, heap.check
        if check is None or lot.stage not in (Stage.FILLING, Stage.HOT, Stage.CURING):
            continue
        when = check.entry.happened_at
        dry = check.squeeze == Squeeze.DUSTY
        wet = check.squeeze in (Squeeze.DRIPS, Squeeze.RUNS)
        answers = (Kind.WATER,) if dry else (Kind.TURN, Kind.ADD)
        if not (dry or wet) or any(lot.last.get(kind, when) > when for kind in answers):
            continue
        named = {"heap": sight.called(lot)}
        felt = _("The squeeze test said “%(felt)s” %(when)s.") % {
            "felt": str(Squeeze(check.squeeze).label).partition(":")[0],
            "when": sight.said(when),
        }
        yield Task(
            key=f"{'dry' if dry else 'wet'}:{lot.code}",
            rank=Rank.WATER,
            title=(_("Wet %(heap)s") if dry else _("Turn dry browns into %(heap)s")) % named,
            how_much=_("A little at a time while turning, until a squeezed handful just holds.")
            if dry
            else _("Chips or dry leaves until no drop comes; then keep the rain off."),
            why=felt,
            left=_("it stops heating, and a big dry heap can catch fire.")
            if dry
            else _("it goes airless, smells, and leaches."),
            sources=fact.sources,
            mark=fact.mark,
            lot=lot.code,
            place=sight.called(lot),
            form="wet" if dry else "mix",
            does="wet" if dry else "add",
        )


def rain_cover(sight: Sight, _say: Say) -> Iterator[Task]:
    """See open heaps in a wet week, where the rain gauge is logged.

    A heap that is freshly foreseen is left to the forecast, which knows what of the rain stays in
    it and what is still to come.
    """
    days, limit = figure("wet_week_days"), figure("wet_week_mm")
    read = [one.rain_mm for one in sight.weather if one.rain_mm is not None]
    if sum(read) < limit.value:
        return
    first = (Stage.CURING, Stage.READY, Stage.HOT, Stage.FILLING)
    for heap in sight.heaps:
        lot = heap.state
        advised = sight.ahead.get(lot.id)
        if lot.cover not in ("", Cover.OPEN) or (advised is not None and advised.told):
            continue
        yield Task(
            key=f"cover:{lot.code}",
            rank=Rank.RAIN,
            title=_("Cover %(heap)s") % {"heap": sight.called(lot)},
            how_much=_("The whole top, with a fall so that water runs off."),
            why=_("%(rain).0f mm of rain in the last %(days).0f days (%(read)d logged).")
            % {"rain": sum(read), "days": days.value, "read": len(read)},
            left=_("it soaks, cools and leaches."),
            sources=limit.sources,
            mark=limit.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=Tap(
                Kind.COVER,
                (("lot", lot.code), ("cover", Cover.TARP.value)),
                _("Log it: under a tarp"),
            ),
            order=first.index(Stage(lot.stage)) if lot.stage else len(first),
        )
