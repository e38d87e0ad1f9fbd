"""Turning: now, some days later, or weighed for when the rule asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from heapwright.science.decide_asked import Amount, Chance, Decision, Thresholds, Verdict, Why
from heapwright.science.decide_desk import Desk
from heapwright.science.decide_proof import Proving, chance_by_day, days_between, met_days
from heapwright.science.decide_ways import Seen, way
from heapwright.science.pile import HOT_C
from heapwright.science.pile_forecast import Act


def turn(desk: Desk) -> Decision | None:
    """Turn now, wait some days, or only weigh both for when the rule asks for a turning."""
    asked, t = desk.asked, desk.t
    if asked.stage == "filling" or asked.proof_met:
        return None
    now = desk.turned
    was_hot = desk.share(desk.left.core_c[0] >= HOT_C)
    hot_now = desk.likely(was_hot) or (asked.read_c is not None and asked.read_c >= HOT_C)
    needed = asked.turns_needed > 0 and hot_now  # no rule counts the turning of a cool heap
    later_turns = desk.turns(desk.hour + 24.0 * t.wait_days) if needed else ()
    later = desk.run(later_turns, ()) if needed else desk.left
    proof = _proof(desk, later, later_turns) if needed else _Proof()
    figures = desk.side_by_side(desk.figures(("oxygen_pct", t.heat_days)), later, now)
    core, _hot, oxygen = figures
    back = desk.share(now.core_c[now.until(t.reheat_days)].max(axis=0) >= HOT_C)
    verdict: Verdict = "weigh"
    why: Why = "for the rule"
    sure = core.better
    if needed and proof.sooner_than_planned(t):
        verdict, why, sure = "do", "proof sooner", proof.done
    elif desk.cold and desk.warmer(core):
        verdict, why = "do", "stalled"
    elif desk.airless and desk.airier(oxygen, core):
        verdict, why, sure = "do", "air lacks", oxygen.better
    elif needed and proof.sooner_later(t):
        verdict, why, sure = "wait", "proof later", proof.later
    elif needed and not desk.likely(back) and not proof.later_than_now(t):
        verdict, why, sure = "wait", "loses its heat", 1.0 - back
    if verdict == "weigh" and not needed:
        return None
    planned = verdict == "do" and needed
    against, met_against = (desk.left, proof.met_planned) if planned else (later, proof.met_later)
    return Decision(
        "turn", verdict, (why,), sure,
        Amount(wait_days=0.0 if planned or not needed else t.wait_days),
        desk.side_by_side(desk.figures(("oxygen_pct", t.heat_days)), against, now),
        (*_proven(met_against, proof.met_now, t), Chance("back", was_hot, back)),
        (way("left" if planned or not needed else "later", against, met_against),
         way("done", now, proof.met_now)),
        proof_days_gained=float(np.sum(proof.met_now) - np.sum(met_against)),
        rests_on=("wait_days", "proof_gain_days", "proof_gain_pct", "heat_gain_c", "reheat_days",
                  "oxygen_low_pct"),
    )  # fmt: skip


# When the rule is met


@dataclass(frozen=True, slots=True)
class _Proof:
    """When the rule is met, turned now, some days later and as planned: by the end of each day."""

    met_now: tuple[float, ...] = ()
    met_later: tuple[float, ...] = ()
    met_planned: tuple[float, ...] = ()

    @property
    def done(self) -> float:
        """The chance turned now at the end of the time ahead."""
        return self.met_now[-1] if self.met_now else 0.0

    @property
    def later(self) -> float:
        """The chance turned later at the end of the time ahead."""
        return self.met_later[-1] if self.met_later else 0.0

    def sooner_than_planned(self, t: Thresholds) -> bool:
        """Tell whether turning now brings the proof sooner, or more surely, than as planned."""
        return _better(self.met_now, self.met_planned, t)

    def sooner_later(self, t: Thresholds) -> bool:
        return _better(self.met_later, self.met_now, t)

    def later_than_now(self, t: Thresholds) -> bool:
        return _better(self.met_now, self.met_later, t)


def _better(one: Sequence[float], other: Sequence[float], t: Thresholds) -> bool:
    """Tell whether a rule is met enough days sooner on average, or enough more surely in the end.

    The sum of the chances day by day is the mean number of days on which the rule is met.
    """
    if not one or not other:
        return False
    days = float(np.sum(one) - np.sum(other))
    surer = 100.0 * (one[-1] - other[-1])
    if abs(surer) >= t.proof_gain_pct:
        return surer > 0.0
    return days >= t.proof_gain_days


def _proof(desk: Desk, later: Seen, later_turns: Sequence[Act]) -> _Proof:
    proving = desk.asked.proving
    if proving is None or not proving.hours:
        return _Proof()
    return _Proof(
        _met(desk, proving, desk.turned, desk.turns(desk.hour)),
        _met(desk, proving, later, later_turns),
        _met(desk, proving, desk.left, desk.planned),
    )


def _met(desk: Desk, proving: Proving, seen: Seen, turns: Sequence[Act]) -> tuple[float, ...]:
    """Return the chance that the rule is met by the end of each day ahead."""
    hours = [act.day * 24.0 for act in turns]
    met = met_days(proving, seen.hours, seen.core_c, seen.shell_c, hours)
    first = days_between(proving, desk.hour, proving.hours[0])
    return chance_by_day(met + first, round(desk.t.ahead_days) + 1)


def _proven(left: Sequence[float], done: Sequence[float], t: Thresholds) -> tuple[Chance, ...]:
    """Return the chances of proof by the day on which two ways differ most; of several the last.

    Nothing where there is hardly a chance in the time ahead, whatever is done.
    """
    if not left or not done or 100.0 * max(*left, *done) < t.proof_gain_pct:
        return ()
    apart = [abs(one - other) for one, other in zip(left, done, strict=True)]
    day = len(apart) - 1 - int(np.argmax(apart[::-1]))
    return (Chance("proven", left[day], done[day], day),)
