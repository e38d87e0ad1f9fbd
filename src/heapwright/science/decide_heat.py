"""Heat in a heap: watch one that is too hot, let one cure that is done, help one that is cold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from heapwright.science.decide_asked import (
    Amount,
    Asked,
    Chance,
    Decision,
    DecisionKind,
    Verdict,
    Why,
)
from heapwright.science.decide_desk import Desk
from heapwright.science.decide_water import wetted
from heapwright.science.decide_ways import Seen, paired, two_ways
from heapwright.science.pile import HOT_C
from heapwright.science.pile_events import Added, Combined, Event
from heapwright.science.pile_forecast import Act


def fire(desk: Desk) -> Decision | None:
    """Watch a heap that is very hot, likely will be, or is hot and dry."""
    left, facts, days = desk.left, desk.facts, desk.t.soon_days
    # what a probe will show: the last reading and by how much the core rises from now on, no
    # further than decay can heat
    read = left.core_c[0] if desk.asked.read_c is None else desk.asked.read_c
    most = np.maximum(read, desk.asked.ensemble.members.parameters["t_max_c"])

    def too_hot(seen: Seen) -> float:
        shown = np.minimum(read + seen.figure("peak_c", days) - left.core_c[0], most)
        return desk.share(shown > facts.too_hot_c)

    passes = too_hot(left)
    dry = desk.share(
        (left.core_c[0] > facts.warm_c) & (left.moisture_pct[0] < facts.moisture.dry_pct)
    )
    why: list[Why] = []
    if desk.asked.read_c is not None and desk.asked.read_c > facts.too_hot_c:
        why.append("very hot")
    if desk.likely(dry):
        why.append("hot and dry")
    if desk.likely(passes):
        why.append("on the way")
    if not why:
        return None
    done = wetted(desk)
    return Decision(
        "fire", "do", tuple(why), max(passes, dry, float("very hot" in why)),
        compared=desk.side_by_side((("peak_c", days), ("moisture_pct", days)), left, done),
        chances=(Chance("too hot", passes, too_hot(done)),),
        ways=two_ways(left, done),
        rests_on=("soon_days", "likely_pct"),
    )  # fmt: skip


def cure(desk: Desk) -> Decision | None:
    """Let a proven pile cure that neither is warm nor would heat again; weigh one that would."""
    asked, facts = desk.asked, desk.facts
    if asked.stage != "hot" or not asked.proof_met:
        return None
    turned = desk.run((Act(desk.day, "turned"),), ())
    # the heat that it holds now is gone by then: what is left is made anew
    settled_in = slice(turned.at(desk.t.reheat_days), None)
    again, alone = (seen.core_c[settled_in].max(axis=0) for seen in (turned, desk.left))
    limit = max(facts.cooled_c, desk.air_c(desk.t.ahead_days) + desk.t.near_air_c)
    cold = desk.share(again < limit)
    read = asked.read_c
    verdict: Verdict
    why: Why
    if read is not None and read < HOT_C and desk.sure(cold):
        verdict, why, sure = "do", "heats no more", cold
    elif read is not None and read >= facts.cooled_c and desk.likely(1.0 - cold):
        verdict, why, sure = "wait", "heats again", 1.0 - cold
    else:
        return None  # log and forecast do not agree, or neither is sure
    return Decision(
        "cure", verdict, (why,), sure,
        compared=(paired("peak_c", desk.t.ahead_days, alone, again),),
        ways=two_ways(desk.left, turned),
        rests_on=("near_air_c", "sure_pct", "reheat_days"),
    )  # fmt: skip


# Small or cold heaps


def combine(desk: Desk) -> Decision | None:
    """Turn another small, cold heap into this one where together they heat."""
    asked, t = desk.asked, desk.t
    if not _may_grow(desk) or not asked.others:
        return None
    alone = desk.heats(desk.left)
    best: Decision | None = None
    for other in asked.others:
        if other.state.members != desk.left.core_c.shape[1]:
            continue
        done = desk.run((), (Combined(desk.hour, other.state),))
        if asked.holds_m3 is not None and np.median(done.volume_m3[0]) > asked.holds_m3:
            continue
        chance = desk.heats(done)
        gain = chance - max(alone, other.chance_hot)
        if 100.0 * gain < t.chance_gain_pct or not desk.likely(chance):
            continue
        if best is not None and chance <= best.sure:
            continue
        amount = Amount(other=other.name, volume_m3=float(np.median(done.volume_m3[0])))
        best = _grown(desk, "combine", amount, done, alone, chance)
    return best


def build_up(desk: Desk) -> Decision | None:
    """Add more of the same mix to a small, cold heap, as little as makes it heat."""
    asked, t = desk.asked, desk.t
    if not _may_grow(desk):
        return None
    recipe = asked.ensemble.members.recipe
    volume, loose = desk.now("volume_m3"), float(np.median(recipe.loose_m3))
    if loose <= 0.0:
        return None
    alone = desk.heats(desk.left)
    for aim in (desk.facts.least_pile_m3, t.small_m3, 1.5 * t.small_m3):
        if aim <= volume or (asked.holds_m3 is not None and aim > asked.holds_m3):
            continue
        more = recipe.times((aim - volume) / loose)
        events: list[Event] = [Added(desk.hour, more)]
        done = desk.run((Act(desk.day, "turned"),), events)
        chance = desk.heats(done)
        if desk.likely(chance) and 100.0 * (chance - alone) >= t.chance_gain_pct:
            amount = Amount(
                volume_m3=aim - volume,
                height_m=asked.shape.height_m * aim / volume,
                mass_kg=float(np.median(more.mass_kg)),
            )
            return _grown(desk, "build up", amount, done, alone, chance)
    return None


def _grown(
    desk: Desk, kind: DecisionKind, amount: Amount, done: Seen, alone: float, chance: float
) -> Decision:
    """Return that a small heap is made larger, with its chance to heat as it is and then."""
    return Decision(
        kind, "do", ("small",), chance,
        amount,
        desk.side_by_side(desk.figures(), desk.left, done),
        (Chance("heats", alone, chance),),
        two_ways(desk.left, done),
        proof_days_lost=desk.asked.proof_days,
        rests_on=("small_m3", "chance_gain_pct", "likely_pct"),
    )  # fmt: skip


def _may_grow(desk: Desk) -> bool:
    asked = desk.asked
    raw = asked.stage in ("filling", "hot") and not asked.proof_met
    if asked.stage == "filling" and desk.day - _last_fed(asked) < desk.t.filling_days:
        return False  # it grows by itself
    return raw and desk.cold and desk.now("volume_m3") < desk.t.small_m3


def _last_fed(asked: Asked) -> float:
    """Return the day on which something was last put on a heap: when it was built, or later."""
    return max((act.day for act in asked.done if act.name == "added"), default=0.0)


def insulate(desk: Desk) -> Decision | None:
    """Lay leaves or straw over an unproven heap that cold weather cools."""
    asked, left, t = desk.asked, desk.left, desk.t
    if asked.stage == "curing" or asked.proof_met or desk.air_c(t.ahead_days) >= t.cold_c:
        return None
    blanket = replace(
        asked.cover,
        id="blanket",
        rain=min(asked.cover.rain, t.blanket_rain),
        r_m2k_w=asked.cover.r_m2k_w + t.blanket_r_m2k_w,
    )
    done = desk.run((*desk.planned, Act(desk.day, "covered", cover=blanket)), ())
    figures = desk.side_by_side((("core_c", t.heat_days), ("hot_days", t.ahead_days)), left, done)
    hot = figures[1]
    if hot.gain.middle < t.hot_gain_days or not desk.sure(hot.better):
        return None
    return Decision(
        "insulate", "do", ("cold outside",), hot.better,
        compared=figures,
        chances=(Chance("heats", desk.heats(left), desk.heats(done)),),
        ways=two_ways(left, done),
        rests_on=("cold_c", "blanket_r_m2k_w", "hot_gain_days", "sure_pct"),
    )  # fmt: skip
