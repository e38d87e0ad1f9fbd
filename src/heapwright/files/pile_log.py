"""A pile's log beside its PILE.toml: readings as hours since building, and what was done."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from heapwright.errors import InputError
from heapwright.science.daily import Clock

if TYPE_CHECKING:
    from heapwright.files.log import LogFile
    from heapwright.science.assimilate_readings import Temperature
    from heapwright.science.pile_forecast import PilePlan

UNSTATED: Final = {"added": "what was added", "combined": "what it was combined with"}
"""Acts that a log names and only a PILE.toml can state."""

SAME_ACT_DAYS: Final = 1.0
EARLY_HOURS: Final = 24.0
EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class PileLog:
    """What a log says of one pile: its readings, the plan with what was done, and remarks.

    ``last_hour`` is that of its last row.
    """

    readings: tuple[Temperature, ...]
    plan: PilePlan
    notes: tuple[str, ...]
    last_hour: float


def of_pile(read: LogFile, name: str, built: datetime, plan: PilePlan, days: float) -> PileLog:
    """Return what a log says of a pile.

    Turnings in the log take the place of those planned up to its last row.

    Parameters
    ----------
    read : LogFile
    name : str
        The log's file, for messages.
    built : datetime
        The moment of building as PILE.toml states it; with or without an offset as the log.
    plan : PilePlan
    days : float
        Length of the forecast.

    Raises
    ------
    InputError
        If a row lies before building or after the forecast, or only one of both files states
        offsets from UTC.
    """
    hour_of = _hours(read.log.clock, built, name)
    readings = read.log.readings
    told = [
        _temperature(
            hour_of(int(readings.time_s[i])),
            float(readings.temp_c[i]),
            readings.points[int(readings.point[i])],
            None if readings.depth_cm is None else float(readings.depth_cm[i]),
        )
        for i in range(len(readings.time_s))
    ]
    acts = [(hour_of(act.time_s), act.kind) for act in read.log.acts]
    hours = [one.hour for one in told] + [hour for hour, kind in acts if kind != "built"]
    if hours and min(hours) < 0.0:
        raise InputError(
            f"the row of {_moment(built, min(hours))} is {-min(hours) / 24.0:.1f} days before the "
            f"pile was built ({built:%Y-%m-%d %H:%M} in PILE.toml)",
            file=name,
            column="time",
        )
    if hours and max(hours) > days * 24.0:
        raise InputError(
            f"the row of {_moment(built, max(hours))} is on day {max(hours) / 24.0:.1f}, after the "
            f"forecast's end (day {days:g}); give more --days",
            file=name,
            column="time",
        )
    notes = list(read.notes)
    for hour, kind in acts:
        if kind == "built" and abs(hour) > EARLY_HOURS:
            notes.append(
                f"{name} says built {abs(hour) / 24.0:.1f} days "
                f"{'after' if hour > 0 else 'before'} PILE.toml does; PILE.toml counts."
            )
    last = max(hours, default=0.0)
    done = _done(plan, acts, last, notes, name)
    return PileLog(tuple(told), done, tuple(notes), last)


def _moment(built: datetime, hour: float) -> str:
    return f"{built + timedelta(hours=hour):%Y-%m-%d %H:%M}"


def _temperature(hour: float, temp_c: float, point: str, depth_cm: float | None) -> Temperature:
    from heapwright.science.assimilate_readings import Temperature

    known = None if depth_cm is None or math.isnan(depth_cm) else depth_cm
    return Temperature(hour, temp_c, point, depth_cm=known)


def _hours(clock: Clock, built: datetime, name: str) -> Callable[[int], float]:
    """Return what turns a log's time into hours since building."""
    by_wall = built.tzinfo is None
    if not by_wall and clock == Clock():
        raise InputError(
            "its times state no offset from UTC but the pile's building does; write both one way",
            file=name,
        )
    start = built.replace(tzinfo=UTC) if by_wall else built

    def hour(time_s: int) -> float:
        shown = (
            clock.wall(time_s).replace(tzinfo=UTC) if by_wall else EPOCH + timedelta(seconds=time_s)
        )
        return (shown - start).total_seconds() / 3600.0

    return hour


def _done(
    plan: PilePlan, acts: list[tuple[float, str]], last: float, notes: list[str], name: str
) -> PilePlan:
    """Return the plan with the log's turnings for those planned so far."""
    from heapwright.science.pile_forecast import Act

    turned = sorted({hour / 24.0 for hour, kind in acts if kind == "turned"})
    kept = list(plan.acts)
    if turned:
        kept = [act for act in kept if act.name != "turned" or act.day * 24.0 > last]
        kept += [Act(day, "turned") for day in turned]
    for hour, kind in acts:
        what = UNSTATED.get(kind)
        stated = any(
            act.name == kind and abs(act.day - hour / 24.0) <= SAME_ACT_DAYS for act in plan.acts
        )
        if what is not None and not stated:
            notes.append(
                f"{name} says “{kind}” on day {hour / 24.0:.1f}; PILE.toml does not state {what}, "
                "so the forecast leaves it out."
            )
    return replace(plan, acts=tuple(sorted(kept, key=lambda act: act.day)))
