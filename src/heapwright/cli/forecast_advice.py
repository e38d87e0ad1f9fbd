"""The decisions of the day in the answer of ``heapwright forecast``: as JSON and as lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from heapwright.data.decisions import decision_facts, decision_figures
from heapwright.science.materials import Mark

if TYPE_CHECKING:
    from heapwright.science.assimilate import Assimilated
    from heapwright.science.decide_asked import Decision
    from heapwright.science.decide_ways import Compared, Spread
    from heapwright.science.pile_forecast import PilePlan

_MARKS: Final[tuple[Mark, ...]] = ("published", "common practice", "from memory")
UNITS: Final = {
    "core_c": "°C",
    "peak_c": "°C",
    "hot_days": "d",
    "oxygen_pct": "%",
    "moisture_pct": "%",
    "leachate_l": "L",
}
NAMES: Final = {
    "core_c": "mean core",
    "peak_c": "hottest core",
    "hot_days": "days at 55 °C or more",
    "oxygen_pct": "least oxygen",
    "moisture_pct": "water at the end",
    "leachate_l": "leachate",
}
TITLES: Final[Mapping[str, str]] = {
    "fire": "watch it for fire",
    "cure": "let it cure",
    "wet": "turn it and wet it",
    "add": "turn dry material in",
    "cover": "cover it before the rain",
    "combine": "put another heap onto it",
    "build up": "build it higher with more of the same mix",
    "turn": "turn it",
    "insulate": "keep the cold off it",
}
"""What is to be done; a turning that is only weighed, or a pile that heats again, says more."""
USUAL_DRY: Final = "wood_chips"
DAY_H: Final = 24.0
"""What was read within so many hours before the last row of a log is fresh."""


def of_file(
    ensemble: Assimilated, plan: PilePlan, now_hour: float, last_c: float | None
) -> tuple[Decision, ...] | None:
    """Return what to do with the pile of a PILE.toml at the last row of its log.

    A file states neither rule nor stage: the pile is taken as hot and not proven, and what
    rests on a rule (when to turn for it, whether to let it cure) is not asked.

    Parameters
    ----------
    ensemble : Assimilated
        Corrected by the log.
    plan : PilePlan
        With what was done.
    now_hour : float
        Hours since building at the log's last row.
    last_c : float, optional
        The highest temperature of the last day read.

    Returns
    -------
    tuple of Decision, or None
        None where it cannot be told: a single member, or less foreseen than is looked ahead.
    """
    from heapwright.data.pile import pile_covers
    from heapwright.files.pile import cover_for
    from heapwright.science.decide import decide
    from heapwright.science.decide_asked import Asked

    facts = decision_facts()
    ahead_h = 24.0 * facts.thresholds.ahead_days
    if ensemble.forecast.members < 2 or now_hour + ahead_h > 24.0 * ensemble.days + 1e-6:
        return None
    done = tuple(act for act in plan.acts if act.day * 24.0 <= now_hour)
    planned = tuple(act for act in plan.acts if act.day * 24.0 > now_hour)
    shape, cover = plan.shape, plan.cover
    for act in done:
        shape = act.shape or shape
        cover = act.cover or cover
    tarp = cover_for("tarp", shape, pile_covers()) if cover.id == "open" else None
    return decide(
        Asked(
            ensemble=ensemble,
            now_hour=now_hour,
            done=done,
            planned=planned,
            stage="hot",
            shape=shape,
            cover=cover,
            tarp=tarp,
            read_c=last_c,
            dry=_usual_dry(),
        ),
        facts,
    )


def _usual_dry() -> Any:
    from heapwright.data import materials, water
    from heapwright.data.mixing import mix_facts
    from heapwright.science.decide_asked import DryChoice
    from heapwright.science.ingredients import complete
    from heapwright.science.water import DryMaterial

    material = materials()[USUAL_DRY]
    assert material.moisture_pct is not None
    ingredient = complete(material, mix_facts())
    return DryChoice(
        DryMaterial(
            material.name,
            material.moisture_pct.typical,
            ingredient.bulk_density_kg_m3.typical,
            water.absorbencies()[USUAL_DRY].kg_kg_dry,
        ),
        ingredient,
        0.0,
    )


def as_json(decisions: Sequence[Decision]) -> list[dict[str, Any]]:
    """Return the decisions as objects, the most pressing first."""
    return [_object(one) for one in decisions]


def _object(one: Decision) -> dict[str, Any]:
    amount, unit = _amount(one)
    facts = [decision_figures()[name] for name in one.rests_on]
    told: dict[str, Any] = {
        "do": one.kind,
        "verdict": one.verdict,
        "amount": amount,
        "unit": unit,
        "reason": reason(one),
        "why": list(one.why),
        "sure": round(one.sure, 3),
        "gain": {each.figure: _gain(each) for each in one.compared},
        "chances": [
            {"of": each.of, "left": round(each.left, 3), "done": round(each.done, 3)}
            | ({"in_days": each.day} if each.of == "proven" else {})
            for each in one.chances
        ],
        "rests_on": list(one.rests_on),
        "sources": list(dict.fromkeys(name for fact in facts for name in fact.sources)),
        "mark": max((fact.mark for fact in facts), key=_MARKS.index),
    }
    more = one.amount
    if more.rounds:
        told["rounds"] = more.rounds
    if more.material:
        told["material"] = more.material
        told["on_hand_kg"] = round(more.on_hand_kg, 1)
    if more.height_m:
        told["height_m"] = round(more.height_m, 2)
        told["mass_kg"] = round(more.mass_kg, 1)
    if more.other:
        told["with"] = more.other
    if one.proof_days_lost:
        told["proof_days_lost"] = one.proof_days_lost
    return told


def _amount(one: Decision) -> tuple[float | None, str | None]:
    """Return how much and its unit; None of what has no amount."""
    amount = one.amount
    if amount.litres:
        return round(amount.litres, 1), "L"
    if one.kind == "add":
        return round(amount.mass_kg, 1), "kg"
    if amount.volume_m3:
        return round(amount.volume_m3, 3), "m3"
    if amount.wait_days and one.verdict == "wait":
        return amount.wait_days, "d"
    return None, None


def _gain(one: Compared) -> dict[str, Any]:
    return {
        "unit": UNITS[one.figure],
        "days": one.days,
        "left": _figures(one.left),
        "done": _figures(one.done),
        "difference": _figures(one.gain),
        "more_in": round(one.better, 3),
    }


def _figures(spread: Spread) -> dict[str, float]:
    return {
        "p5": round(spread.low, 2), "p50": round(spread.middle, 2), "p95": round(spread.high, 2)
    }  # fmt: skip


def reason(one: Decision) -> str:
    """Return in one sentence why, with the figures that decided."""
    facts = decision_facts()
    t, moisture = facts.thresholds, facts.moisture
    said = {
        "dry": f"below {moisture.dry_pct:g} % of water now and in {t.soon_days:g} days",
        "too wet": f"above {moisture.wet_pct:g} % of water",
        "air lacks": f"oxygen falls below {t.oxygen_low_pct:g} % within {t.soon_days:g} days",
        "rain": f"{one.rain_mm:.0f} mm of rain within {t.rain_days:g} days",
        "leaches": "water would run out of it",
        "small": "too small to heat as it is",
        "cold outside": f"the air of the coming days is below {t.cold_c:g} °C on average",
        "heats no more": "turned, it stays cold",
        "heats again": "turned, it would heat again",
        "very hot": f"more than {facts.too_hot_c:g} °C was read",
        "on the way": f"it likely passes {facts.too_hot_c:g} °C within {t.soon_days:g} days",
        "hot and dry": f"hot, and below {moisture.dry_pct:g} % of water",
        "stalled": "cold, and it does not heat by itself",
        "proof sooner": "the rule is met sooner, or more surely, than as planned",
        "proof later": f"the rule is met sooner when it is turned {t.wait_days:g} days later",
        "loses its heat": f"turned, it is likely not back at 55 °C in {t.reheat_days:g} days",
        "for the rule": "weighed for when the rule asks for a turning; nothing asks for it today",
    }
    return "; ".join(said[why] for why in one.why)


def as_lines(decisions: Sequence[Decision] | None) -> list[str]:
    """Return the decisions for a person; nothing where none could be told."""
    if decisions is None:
        return []
    if not decisions:
        return ["", "Today: nothing that is worth the work."]
    lines = ["", "Today, doing it against leaving it (medians of the same members):"]
    for one in decisions:
        amount, unit = _amount(one)
        much = "" if amount is None else f", {amount:g} {unit}"
        if one.amount.material:
            much += f" of {one.amount.material}"
        if one.amount.other:
            much += f", with {one.amount.other}"
        lines.append(f"  {_title(one)}{much}: {reason(one)} ({100.0 * one.sure:.0f} of 100)")
        lines += [
            f"    {NAMES[each.figure]}, {each.days:g} days: {each.left.middle:.1f} left, "
            f"{each.done.middle:.1f} done {UNITS[each.figure]}"
            for each in one.compared
        ]
    return lines


def _title(one: Decision) -> str:
    if one.verdict == "wait":
        return "let it finish heating" if one.kind == "cure" else "wait with turning"
    if one.verdict == "weigh":
        return "turning, weighed"
    return TITLES[one.kind]
