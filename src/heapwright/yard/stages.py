"""How far a pile has come: filling → hot → curing → ready, computed from its steps.

A build or a declaration says a stage; a move to a curing pad makes a hot pile a curing one.
Raw material that comes to a pile after its filling makes it hot again, whatever was declared,
and starts the proof again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from heapwright.yard.ledger import Moment, Step
from heapwright.yard.models import Place, PlaceKind, Stage


@dataclass(slots=True)
class Course:
    """What the steps of a lot say of it besides what it holds.

    ``stage`` is blank for stock and overs. ``filled_at`` is when the filling ended (None while
    it goes on); ``proof_from`` the last time that raw material came to it, from which a proof
    counts; ``restarts`` are the times when that happened after the filling.
    """

    begun: Moment | None = None
    place: Place | None = None
    cover: str = ""
    stage: str = ""
    stage_at: datetime | None = None
    filled_at: datetime | None = None
    proof_from: datetime | None = None
    restarts: list[Moment] = field(default_factory=list)


def course(steps: Iterable[Step]) -> Course:
    """Return what a lot has come to after these steps, given in order."""
    now = Course()
    for step in steps:
        said = step.standing
        if said is None:
            continue
        happened_at = step.moment.happened_at
        stage = said.stage
        if said.begins:
            now.begun = step.moment
        if said.place is not None:
            now.place = said.place
            if said.place.kind == PlaceKind.CURING and now.stage == Stage.HOT and not stage:
                stage = Stage.CURING
        if said.cover:
            now.cover = said.cover
        if said.raw_added:
            now.proof_from = happened_at
            if not said.begins and now.stage not in ("", Stage.FILLING):
                now.restarts.append(step.moment)
                stage = stage or Stage.HOT
        if stage and stage != now.stage:
            now.stage, now.stage_at = stage, happened_at
        if now.stage == Stage.FILLING:
            now.filled_at = None
        elif now.stage and now.filled_at is None:
            now.filled_at = happened_at
    return now
