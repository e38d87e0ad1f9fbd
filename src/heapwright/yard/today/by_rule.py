"""Tasks from the log and the rule: turnings, readings, cooled and proven heaps, curing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.data.sanitation import terms
from heapwright.data.today import figure
from heapwright.yard.models import Kind, Stage
from heapwright.yard.proofs import rule_for, spacing_days
from heapwright.yard.today.tasks import Heap, Rank, Say, Sight, Tap, Task, fresh, turn_tap


def turning_due(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that have been hot long enough for the next turning of the rule."""
    for heap in sight.heaps:
        lot, proof, temps = heap.state, heap.proof, fresh(sight, heap)
        if proof is None or temps is None or lot.stage != Stage.HOT or proof.verdict == "met":
            continue
        rule = proof.rule
        more = proof.turnings_left
        if more <= 0 or temps.lowest_c < rule.min_temp_c:
            continue
        turned = lot.last.get(Kind.TURN)
        since = None if turned is None else sight.day_of(turned)
        hot = [day for day in proof.days if day.counts and (since is None or day.date > since)]
        if len(hot) < spacing_days(rule):
            continue
        counted = ngettext("%(count)d hot day", "%(count)d hot days", len(hot)) % {
            "count": len(hot)
        }
        after = (
            _("%(days)s and not turned yet.") % {"days": counted}
            if turned is None
            else _("%(days)s since it was turned %(when)s.")
            % {"days": counted, "when": sight.said(turned)}
        )
        first = "" if temps.day == sight.today else _("Read it first. ")
        yield Task(
            key=f"turn:{lot.code}",
            rank=Rank.TURN,
            title=_("Turn %(heap)s") % {"heap": sight.called(lot)},
            how_much=first + _("All of it, what was outside into the middle."),
            why=f"{after} "
            + _("The coolest point was %(temp)s %(when)s.")
            % {"temp": say(temps.lowest_c, "temp"), "when": sight.said(temps.last_at)}
            + " "
            + _("%(rule)s counts this as turning %(number)d of %(needed)d.")
            % {
                "rule": rule.id,
                "number": proof.turnings_needed - more + 1,
                "needed": proof.turnings_needed,
            },
            left=_(
                "the proof waits for %(more)d turnings, and one counts only while the pile is hot."
            )
            % {"more": more}
            if more > 1
            else _("the proof waits for this turning, and it counts only while the pile is hot."),
            sources=rule.sources,
            mark=rule.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=turn_tap(lot.code),
            order=-len(hot),
        )


def reading_missing(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that nobody has read today, and resting ones that nobody read for a week."""
    weekly = figure("curing_read_days")
    for heap in sight.heaps:
        lot, temps, proof = heap.state, heap.temps, heap.proof
        idle = sight.days_since(lot.begun_at) if temps is None else (sight.today - temps.day).days
        proving = lot.stage == Stage.HOT and (proof is None or proof.verdict != "met")
        if proving and temps is not None and idle == 0:
            yield from _rest_of_the_points(sight, heap, say)
        if idle < 1 or lot.stage not in (Stage.HOT, Stage.CURING):
            continue
        if not proving and idle <= weekly.value:
            continue
        why = (
            _("Nobody has read it since it was made on %(when)s.")
            % {"when": sight.said(lot.begun_at)}
            if temps is None
            else _("Nothing since %(when)s, when it was %(temp)s.")
            % {"when": sight.said(temps.last_at), "temp": say(temps.highest_c, "temp")}
        )
        rule = rule_for(lot, sight.yardstick)
        yield Task(
            key=f"read:{lot.code}",
            rank=Rank.READ if proving else Rank.WATCH,
            title=_("Read %(heap)s") % {"heap": sight.called(lot)},
            how_much=_("Every point that was read before, at the same depth."),
            why=why,
            left=_("today does not count for %(rule)s; a gap never does.") % {"rule": rule.id}
            if proving
            else _("heat deep inside goes unseen."),
            sources=rule.sources if proving else weekly.sources,
            mark=rule.mark if proving else weekly.mark,
            lot=lot.code,
            place=sight.called(lot),
            form="log",
            order=-idle,
        )


def _rest_of_the_points(sight: Sight, heap: Heap, say: Say) -> Iterator[Task]:
    """See what of a pile was not read today, though the proof needs it and the rest was."""
    lot, temps, proof = heap.state, heap.temps, heap.proof
    if proof is None or temps is None or not proof.days or proof.days[-1].date != sight.today:
        return
    points = [point for point in proof.days[-1].not_read if point]
    if not points:
        return
    yield Task(
        key=f"read:{lot.code}",
        rank=Rank.READ,
        title=_("Read the rest of %(heap)s") % {"heap": sight.called(lot)},
        how_much=ngettext(
            "This point: %(points)s.", "These %(count)d points: %(points)s.", len(points)
        )
        % {"count": len(points), "points": ", ".join(points)},
        why=_("It was read today, at most %(temp)s, but not there.")
        % {"temp": say(temps.highest_c, "temp")},
        left=_("today does not count for %(rule)s; a gap never does.") % {"rule": proof.rule.id},
        sources=proof.rule.sources,
        mark=proof.rule.mark,
        lot=lot.code,
        place=sight.called(lot),
        form="log",
    )


def cooled(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that have cooled before their proof, or that never heated."""
    bounds = terms()
    for heap in sight.heaps:
        lot, proof, temps = heap.state, heap.proof, fresh(sight, heap)
        if lot.stage != Stage.HOT or proof is None or temps is None or proof.verdict == "met":
            continue
        if temps.highest_c >= bounds.cooled_temp_c:
            continue
        turned = lot.last.get(Kind.TURN)
        if turned is not None and sight.day_of(turned) >= temps.day - timedelta(days=1):
            continue  # it may yet come back
        limit = proof.rule.min_temp_c
        was_hot = any(
            day.lowest_temp_c is not None and day.lowest_temp_c >= limit for day in proof.days
        )
        named = {"heap": sight.called(lot)}
        read = _("At most %(temp)s was read %(when)s.") % {
            "temp": say(temps.highest_c, "temp"),
            "when": sight.said(temps.last_at),
        }
        common = {
            "rank": Rank.COOLED,
            "sources": proof.rule.sources,
            "mark": proof.rule.mark,
            "lot": lot.code,
            "place": sight.called(lot),
        }
        credit = _("%(rule)s has %(days)d of %(needed)d days.") % {
            "rule": proof.rule.id,
            "days": proof.days_credited,
            "needed": proof.rule.days,
        }
        if was_hot and proof.verdict != "not met":
            yield Task(
                key=f"cooled:{lot.code}",
                title=_("Turn %(heap)s and see whether it heats again") % named,
                how_much=_("All of it, wetted where it is dry."),
                why=f"{read} {credit}",
                left=_("it cools out, and the days that are missing cannot be made up."),
                tap=turn_tap(lot.code),
                **common,
            )
        elif was_hot:
            yield Task(
                key=f"cooled:{lot.code}",
                title=_("Mix fresh material into %(heap)s") % named,
                how_much=_("As the mix proposes; the proof starts again from there."),
                why=f"{read} {credit} " + _("It has cooled out."),
                left=_("it cannot be shown to be sanitised; keep it off food beds."),
                form="mix",
                does="mix in",
                **common,
            )
        elif sight.days_since(lot.begun_at) >= bounds.young_days:
            yield Task(
                key=f"cold:{lot.code}",
                title=_("Build %(heap)s again") % named,
                how_much=_("Squeeze and smell it first: too dry, too wet, or too little food?"),
                why=f"{read} "
                + _("It is %(days)d days old and never reached %(limit)s.")
                % {"days": sight.days_since(lot.begun_at), "limit": say(limit, "temp")},
                left=_("it stays as raw as it came in."),
                form="log",
                does="rebuild",
                **common,
            )


def proof_reached(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that have met the rule and may be moved to cure."""
    for heap in sight.heaps:
        lot, proof = heap.state, heap.proof
        if lot.stage != Stage.HOT or proof is None or proof.verdict != "met":
            continue
        assert proof.met_at is not None
        if len(sight.pads) == 1 and lot.place != sight.pads[0]:
            pad = sight.pads[0]
            tap = Tap(
                Kind.MOVE,
                (("lot", lot.code), ("to_place", pad.code)),
                _("Log it: moved to %(pad)s") % {"pad": pad.name},
            )
        else:
            tap = Tap(
                Kind.STAGE,
                (("lot", lot.code), ("stage", Stage.CURING.value)),
                _("Declare it curing"),
                lead_only=True,
            )
        yield Task(
            key=f"proven:{lot.code}",
            rank=Rank.PROVEN,
            title=_("Let %(heap)s cure") % {"heap": sight.called(lot)},
            how_much=_("All of it, once it no longer heats, onto ground where nothing raw lay."),
            why=_(
                "%(rule)s was met on %(day)s: %(days)d days at %(limit)s or more, "
                "%(turnings)d turnings."
            )
            % {
                "rule": proof.rule.id,
                "limit": say(proof.rule.min_temp_c, "temp"),
                "day": date_format(proof.met_at, "j F"),
                "days": proof.days_credited,
                "turnings": proof.turnings_credited,
            },
            left=_("the bay stays taken, and any scrap that falls in starts the proof again."),
            sources=proof.rule.sources,
            mark=proof.rule.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=tap,
            form="move" if len(sight.pads) > 1 else "",
            does="cure",
        )


def cure_end(sight: Sight, say: Say) -> Iterator[Task]:
    """See heaps that have cured long enough to be tested and declared ready."""
    least, cool = figure("cure_days"), terms().cooled_temp_c
    for heap in sight.heaps:
        lot, temps, proof = heap.state, heap.temps, heap.proof
        if lot.stage != Stage.CURING or lot.stage_at is None:
            continue
        days = sight.days_since(lot.stage_at)
        if days < least.value or (temps is not None and temps.highest_c >= cool):
            continue
        proven = proof is not None and proof.verdict == "met"
        since = _("It has cured for %(days)d days; %(least)g are the least.") % {
            "days": days,
            "least": least.value,
        }
        if temps is not None:
            since += " " + _("It was %(temp)s %(when)s.") % {
                "temp": say(temps.highest_c, "temp"),
                "when": sight.said(temps.last_at),
            }
        yield Task(
            key=f"cured:{lot.code}",
            rank=Rank.CURED,
            title=_("Test %(heap)s and declare it ready") % {"heap": sight.called(lot)}
            if proven
            else _("Judge %(heap)s: cured, and not proven") % {"heap": sight.called(lot)},
            how_much=_("One sample mixed from ten places; smell it after a few days in a bag.")
            if proven
            else _("Open its proof and decide: heat it again, or keep it off food beds."),
            why=since
            if proven
            else f"{since} "
            + _("Its log does not show that %(rule)s was met.")
            % {"rule": rule_for(lot, sight.yardstick).id},
            left=_("nothing spoils; the pad stays taken.")
            if proven
            else _("somebody may take it for finished."),
            sources=least.sources,
            mark=least.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=Tap(
                Kind.STAGE,
                (("lot", lot.code), ("stage", Stage.READY.value)),
                _("Declare it ready"),
                lead_only=True,
            )
            if proven
            else None,
            form="" if proven else "prove",
            order=-days,
        )
