"""How far a lot has come with the rule that the list follows, as its page shows it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, Final

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from heapwright.data.today import chosen_rule
from heapwright.science.sanitation import Proof
from heapwright.web.drawing.proof_strip import ProofDay, State, proof_strip
from heapwright.web.prove.words import plain
from heapwright.web.telling import yardstick_words
from heapwright.web.tend import plan
from heapwright.web.tend.rooms import say_in, way
from heapwright.yard.models import Lot
from heapwright.yard.yardstick import InForce

_DAYS_DRAWN: Final = 28


def progress(
    lot: Lot, proof: Proof | None, system: str, today: date, yardstick: InForce
) -> dict[str, Any]:
    """Return the strip of days, the verdict in words, and its working."""
    if proof is None:
        return {"proof": None}
    rule = proof.rule
    goes_on = proof.earliest_possible is not None and proof.earliest_possible >= today
    days = _proof_days(proof, goes_on)
    return {
        "proof": proof,
        "proof_says": _verdict(proof, goes_on),
        "proof_to_do": [plain(text, system) for text in proof.to_do]
        if goes_on or proof.verdict == "not met"
        else (),
        "proof_strip": proof_strip(rule.id, days, uid="proof", temp_unit=plan.temp_unit(system))
        if days
        else "",
        "proof_gaps": [plain(text, system) for text in proof.gaps[:3]]
        if proof.verdict != "met"
        else (),
        "proof_in_part": len(proof.days) > sum(day.state != "to come" for day in days),
        "proof_href": way("prove-lot", lot.code) or way("prove"),
        "chosen_note": ""
        if yardstick.is_own(rule)
        else chosen_rule(vessel=rule.id == chosen_rule(vessel=True).rule).note,
        "settings_say": yardstick_words(yardstick, system),
        "proof_working": {
            "summary": _("What counts, and from where"),
            "formula": _(
                "a day counts when every point read on two days or more was read, each at "
                "%(limit)s or above"
            )
            % {"limit": say_in(system)(rule.min_temp_c, "temp")},
            "inputs": [
                {
                    "name": _("days that count"),
                    "value": f"{proof.days_credited} / {rule.days}",
                    "unit": _("days"),
                    "origin": _("readings logged here"),
                },
                {
                    "name": _("longest unbroken run"),
                    "value": proof.longest_run_days,
                    "unit": _("days"),
                    "origin": _("readings logged here"),
                },
                {
                    "name": _("turnings that count"),
                    "value": f"{proof.turnings_credited} / {proof.turnings_needed}",
                    "unit": "",
                    "origin": _("turnings logged here, while hot"),
                },
            ],
            "source": f"{rule.document} ({rule.jurisdiction}), {rule.mark}",
        },
    }


def _proof_days(proof: Proof, goes_on: bool) -> list[ProofDay]:
    """Return the days of the strip: four weeks at most, and those that are still to come.

    They end with the day on which the rule was met, or on which the last day counted when
    none is to come, so that a long cure does not push the proof out of sight.
    """
    turned: dict[Any, int] = {}
    number = 0
    for turn in proof.turns:
        if turn.credited:
            number += 1
            turned[turn.at.date()] = number
    shown = []
    for index, day in enumerate(proof.days, 1):
        state_of: State = "counts" if day.counts else "does not count"
        if day.lowest_temp_c is None:
            state_of = "no reading"
        shown.append(ProofDay(index, day.date, state_of, day.lowest_temp_c, turned.get(day.date)))
    ends = [day.number for day in shown if day.state == "counts"]
    if proof.met_at is not None:
        ends = [day.number for day in shown if day.day <= proof.met_at]
    if ends and not (proof.verdict == "not yet" and goes_on):
        shown = shown[: ends[-1]]
    shown = shown[-_DAYS_DRAWN:]
    if proof.verdict == "not yet" and goes_on and shown:
        more = min(max(proof.rule.days - proof.days_credited, 0), 15)
        last = shown[-1]
        shown += [
            ProofDay(last.number + step, last.day + timedelta(days=step), "to come")
            for step in range(1, more + 1)
        ]
    return shown


def _verdict(proof: Proof, goes_on: bool) -> str:
    """Return how far a proof has come, as one says it."""
    named = {"rule": proof.rule.id}
    if proof.verdict == "met":
        assert proof.met_at is not None
        return _("%(rule)s was met on %(day)s.") % {
            **named,
            "day": date_format(proof.met_at, "j F Y"),
        }
    so_far = _(
        "%(days)d of %(needed)d days and %(turnings)d of %(turns)d turnings count for %(rule)s."
    ) % {
        **named,
        "days": proof.days_credited,
        "needed": proof.rule.days,
        "turnings": proof.turnings_credited,
        "turns": proof.turnings_needed,
    }
    if proof.verdict == "not met":
        return _("%(rule)s is not met.") % named + " " + so_far
    if proof.verdict == "cannot be shown":
        return _("The log cannot show that %(rule)s is met.") % named + " " + so_far
    if not goes_on and proof.days:
        so_far += " " + _("The log stops on %(day)s.") % {
            "day": date_format(proof.days[-1].date, "j F Y")
        }
    elif proof.earliest_possible is not None:
        so_far += " " + _("Earliest possible: %(day)s.") % {
            "day": date_format(proof.earliest_possible, "l j F")
        }
    return so_far
