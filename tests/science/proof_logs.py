"""Small logs for the tests of proof: one reading of each point a day, and what was done."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from heapwright.data.sanitation import rules, terms
from heapwright.science.daily import Act, Clock, Event, Log, Readings
from heapwright.science.sanitation import Proof, Stated, evaluate

START = datetime(2026, 3, 1)
POINTS = ("core", "edge", "base")


def seconds(day: int, hour: float) -> int:
    """Return the time at an hour of a day; day 1 is 1 March 2026."""
    moment = START + timedelta(days=day - 1, hours=hour)
    return int((moment - datetime(1970, 1, 1)).total_seconds())


def make_log(
    temps: Mapping[int, float | None] | Sequence[float | None],
    *,
    turned: Iterable[int] = (),
    points: Sequence[str] = POINTS,
    depth_cm: float | None = 45.0,
    read_hour: float = 8.0,
    turn_hour: float = 10.0,
    acts: Iterable[tuple[int, float, Event]] = (),
    built: bool = True,
    more: Iterable[tuple[int, float, str, float]] = (),
) -> Log:
    """Return a log: ``temps`` by day from 1 (None: not read), turnings after the reading."""
    by_day = temps if isinstance(temps, Mapping) else dict(enumerate(temps, start=1))
    rows = [
        (seconds(day, read_hour), point, temp)
        for day, temp in by_day.items()
        if temp is not None
        for point in points
    ]
    rows += [(seconds(day, hour), point, temp) for day, hour, point, temp in more]
    names = tuple(dict.fromkeys(point for _, point, _ in rows))
    rows.sort()
    done: list[tuple[int, float, Event]] = [(day, turn_hour, "turned") for day in turned]
    done += list(acts)
    if built:
        done.append((1, 7.0, "built"))
    return Log(
        Readings(
            np.array([row[0] for row in rows], dtype=np.int64),
            np.array([names.index(row[1]) for row in rows], dtype=np.int16),
            np.array([row[2] for row in rows], dtype=float),
            None if depth_cm is None else np.full(len(rows), depth_cm),
            names,
        ),
        tuple(Act(seconds(day, hour), kind) for day, hour, kind in done),
        Clock(),
    )


def judge(log: Log, rule: str, **stated: object) -> Proof:
    """Return the proof of a log by one shipped rule."""
    return evaluate(log, [rules()[rule]], Stated(**stated), terms())[0]  # type: ignore[arg-type]
