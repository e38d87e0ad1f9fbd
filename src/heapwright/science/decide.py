"""What to do with a standing heap this morning: each act compared with leaving it.

The ensemble that the heap's readings corrected is run on with an act and without it, the same
members with the same draws, so that the difference is the act's. An act is advised where it
gains enough in enough members; below the thresholds of ``data/decisions.csv`` nothing is said.
What is advised never contradicts itself (:func:`settled`).

Nothing here is a verdict of proof. The model makes heat by decay only: a fire, which heats
chemically, cannot be seen in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from heapwright.science.decide_asked import Asked, Decision, DecisionFacts
from heapwright.science.decide_desk import Desk
from heapwright.science.decide_heat import build_up, combine, cure, fire, insulate
from heapwright.science.decide_turn import turn
from heapwright.science.decide_water import add, cover, wet
from heapwright.science.decide_ways import Runner, runner

ASKED: Final[tuple[Callable[[Desk], Decision | None], ...]] = (
    fire, cure, wet, add, cover, combine, build_up, turn, insulate,
)  # fmt: skip
"""What is asked of each heap, in the order in which one answer gives way to another."""

CLASHES: Final[frozenset[frozenset[str]]] = frozenset(
    frozenset(pair)
    for pair in (
        ("fire", "cure"), ("fire", "add"), ("fire", "cover"), ("fire", "combine"),
        ("fire", "build up"), ("fire", "turn"), ("fire", "insulate"),
        ("cure", "wet"), ("cure", "add"), ("cure", "combine"), ("cure", "build up"),
        ("cure", "turn"), ("cure", "insulate"),
        ("wet", "add"), ("wet", "cover"), ("wet", "combine"), ("wet", "build up"), ("wet", "turn"),
        ("add", "combine"), ("add", "build up"), ("add", "turn"),
        ("cover", "insulate"),
        ("combine", "build up"), ("combine", "turn"), ("build up", "turn"),
    )
)  # fmt: skip
"""Two of these are never advised together: they contradict each other, or one contains the other
(wetting, adding, combining and building up turn the heap)."""


def decide(
    asked: Asked, facts: DecisionFacts, *, run: Runner | None = None
) -> tuple[Decision, ...]:
    """Return what to do with a heap today, the most pressing first; often nothing.

    Parameters
    ----------
    asked : Asked
    facts : DecisionFacts
    run : Runner, optional
        What runs the ensemble on; its own when left out.

    Raises
    ------
    InputError
        If nothing of the forecast lies ahead.
    """
    run = run or runner(asked.ensemble, asked.done, asked.now_hour, facts.thresholds.ahead_days)
    desk = Desk(asked, facts, run)
    found = [one for one in (ask(desk) for ask in ASKED) if one is not None]
    return settled(found)


def settled(found: Sequence[Decision]) -> tuple[Decision, ...]:
    """Return the decisions without those that an earlier one contradicts or contains.

    What is only weighed stays out of the way: it asks for nothing.
    """
    kept: list[Decision] = []
    for one in found:
        clash = any(
            other.verdict == "do" and frozenset((one.kind, other.kind)) in CLASHES for other in kept
        )
        if not clash or one.verdict == "weigh":
            kept.append(one)
    return tuple(kept)
