"""Write the example logs of Saltmarsh Lane yard, an invented site.

Piles of the yard: a school kitchen's and a hospital kitchen's scraps, a bakery's bread, a cider
press's pomace, a riding stable's bedding, leaves and clippings of a parks crew, a tree
surgeon's chips. All readings are invented, drawn from a plain curve with a fixed seed:

    python examples/make_logs.py
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

HERE = Path(__file__).parent
COLUMNS = "time,event,point,depth_cm,temp_c,note"
OFFSET = {"core": 0.0, "edge": -4.0, "base": -2.5}
DEPTH_CM = {"core": 50, "edge": 35, "base": 45}

Row = tuple[datetime, str]


def pile_temp(day: float, turned: Iterable[float], *, peak: float = 66.0) -> float:
    """Return the core's temperature some days after building, with a dip after each turning."""
    rise = peak - (peak - 14.0) * math.exp(-day / 0.75)
    age = max(0.0, day - 14.0) * 0.25
    dip = sum(5.0 * math.exp(-(day - t) / 0.35) for t in turned if 0.0 <= day - t < 3.0)
    return rise - age - dip


def daily(
    built: datetime,
    days: int,
    turned: Iterable[int],
    rng: random.Random,
    *,
    peak: float = 66.0,
    skip: Iterable[int] = (),
) -> list[Row]:
    """Return rows of one round of readings a day, each turning an hour after its round."""
    turned, skip = tuple(turned), frozenset(skip)
    moments = [day + 2.5 / 24 for day in turned]
    rows: list[Row] = []
    for day in range(days):
        date = built.replace(hour=8, minute=0) + timedelta(days=day)
        if day == 0:
            continue
        if day not in skip:
            for point, lower in OFFSET.items():
                when = date + timedelta(minutes=rng.randint(0, 40))
                since = (when - built).total_seconds() / 86_400
                temp = pile_temp(since, moments, peak=peak) + lower + rng.gauss(0.0, 0.6)
                rows.append((when, f"read,{point},{DEPTH_CM[point]},{temp:.1f},"))
        if day in turned:
            rows.append((date + timedelta(hours=1, minutes=30), "turned,,,,"))
    return rows


def act(when: datetime, event: str, note: str = "") -> Row:
    """Return the row of something done."""
    return when, f"{event},,,,{note}"


def write(name: str, rows: list[Row], columns: str = COLUMNS) -> None:
    """Write rows in order of time."""
    lines = [columns]
    lines += [
        f"{when.isoformat(timespec='minutes')},{rest}"
        for when, rest in sorted(rows, key=lambda row: row[0])
    ]
    (HERE / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def fahrenheit(rows: list[Row]) -> list[Row]:
    """Return the rows with depths in inches and temperatures in °F."""
    found = []
    for when, rest in rows:
        event, point, depth, temp, note = rest.split(",", 4)
        if event == "read":
            depth, temp = f"{float(depth) / 2.54:.1f}", f"{float(temp) * 9 / 5 + 32:.1f}"
        found.append((when, f"{event},{point},{depth},{temp},{note}"))
    return found


def logger(built: datetime, days: int, rng: random.Random) -> list[Row]:
    """Return 10-minute rows of two probes in an aerated pile, with an outage of five hours."""
    standard, summer = timezone(timedelta(hours=-8)), timezone(timedelta(hours=-7))
    change = datetime(2026, 3, 8, 10, tzinfo=UTC)
    start = built.replace(tzinfo=standard) + timedelta(minutes=20)
    outage = start + timedelta(days=9, hours=2)
    rows: list[Row] = []
    for step in range(days * 144):
        when = start + timedelta(minutes=10 * step)
        if outage <= when < outage + timedelta(hours=5):
            continue
        local = when.astimezone(summer if when >= change else standard)
        since = (when - start).total_seconds() / 86_400
        swing = 0.8 * math.sin(2 * math.pi * since)
        for point, lower in (("core", 0.0), ("edge", -4.0)):
            temp = pile_temp(since, (), peak=64.0) + lower + swing + rng.gauss(0.0, 0.2)
            rows.append((local, f"read,{point},40,{temp:.1f},"))
    return rows


def main() -> None:
    """Write every example log."""
    built = datetime(2026, 3, 2, 10, 0)
    five = (4, 7, 10, 13, 16)

    rng = random.Random(1)
    rows = [act(built, "built", "bay 1: school kitchen scraps with stable bedding and chips")]
    write("log_clean_pass.csv", rows + daily(built, 20, five, rng))

    rng = random.Random(2)
    rows = [act(built, "built", "bay 2: hospital kitchen scraps with leaves and chips")]
    write("log_one_turning_short.csv", rows + daily(built, 20, five[:4], rng))

    rng = random.Random(3)
    rows = [act(built, "built", "bay 3: cider pomace with leaves and stable bedding")]
    write("log_holiday_gap.csv", rows + daily(built, 20, five, rng, skip=(11, 12, 14)))

    rng = random.Random(4)
    rows = [
        act(built, "built", "bay 4: bakery bread with clippings and chips"),
        act(built.replace(hour=15) + timedelta(days=11), "added", "two tubs from the school"),
    ]
    write("log_late_scraps.csv", rows + daily(built, 20, five, rng))

    rng = random.Random(5)
    rows = [act(built, "built", "bay 5: hospital kitchen scraps with straw and chips")]
    rows += daily(built, 20, five, rng)
    low = built.replace(hour=8, minute=50) + timedelta(days=9)
    rows = [*fahrenheit(rows), (low, "read,edge,13.8,130.9,north side after a cold night")]
    write("log_fahrenheit.csv", rows, "time,event,point,depth_in,temp_f,note")

    rng = random.Random(6)
    standard = built.replace(tzinfo=timezone(timedelta(hours=-8)))
    rows = [
        act(standard, "built", "aerated pile: clippings with bread and chips"),
        act(standard + timedelta(minutes=10), "covered", "20 cm of chips"),
    ]
    write("log_logger_10min.csv", rows + logger(built, 15, rng))


if __name__ == "__main__":
    main()
