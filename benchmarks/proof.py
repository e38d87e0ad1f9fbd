"""Proof over many readings in memory, and reading a large log.

The peer of the proof is the plain way: one pass in Python that keeps the lowest reading of
each point and day in a dictionary, timed on a part of the same readings and scaled up. The
peer of the reader is the bare ``csv`` module with ``float`` and ``fromisoformat``, unchecked.
"""

from __future__ import annotations

import csv
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np

from heapwright.data.sanitation import rules, terms
from heapwright.files.log import read_log
from heapwright.science.daily import Act, Clock, Log, Readings
from heapwright.science.sanitation import Stated, evaluate

POINTS = ("core", "edge", "base", "north", "south")
START_S = int(datetime(2016, 1, 1).timestamp() // 86_400 * 86_400)


def make_log(readings: int, step_s: int) -> Log:
    """Return readings at five points every ``step_s``, hot for weeks and cool for weeks."""
    points = len(POINTS)
    moments = readings // points
    day = 86_400 // step_s
    rng = np.random.default_rng(1)
    time_s = np.repeat(START_S + step_s * np.arange(moments, dtype=np.int64), points)
    wave = 52.0 + 12.0 * np.sin(np.arange(moments) / (day * 20))
    temp = np.repeat(wave, points) + rng.normal(0.0, 0.5, moments * points)
    point = np.tile(np.arange(points, dtype=np.int16), moments)
    acts = [Act(START_S, "built")]
    acts += [Act(START_S + day * 86_400 + 36_000, "turned") for day in range(3, moments // day, 3)]
    return Log(Readings(time_s, point, temp, None, POINTS), tuple(acts), Clock())


def naive_lowest(log: Log, count: int) -> dict[tuple[int, int], float]:
    """Return the lowest of the first ``count`` readings by day and point, one by one."""
    lowest: dict[tuple[int, int], float] = {}
    readings = log.readings
    rows = zip(
        readings.time_s[:count].tolist(),
        readings.point[:count].tolist(),
        readings.temp_c[:count].tolist(),
        strict=True,
    )
    for moment, point, temp in rows:
        key = (moment // 86_400, point)
        if temp < lowest.get(key, 1e9):
            lowest[key] = temp
    return lowest


def naive_read(path: Path) -> int:
    """Return the rows of a log read with the standard library alone."""
    rows = []
    with path.open(newline="", encoding="utf-8") as file:
        reader = csv.reader(file)
        next(reader)
        for moment, event, point, _, temp in reader:
            rows.append((datetime.fromisoformat(moment), event, point, float(temp)))
    return len(rows)


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that ``work`` takes."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def peak_memory_mb(log: Log, work: Callable[[], object]) -> float:
    """Return the readings in memory and the most that ``work`` needs beside them, in MB."""
    readings = log.readings
    held = readings.time_s.nbytes + readings.point.nbytes + readings.temp_c.nbytes
    tracemalloc.start()
    work()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return (held + peak) / 1e6


def write_log(path: Path, rows: int) -> None:
    """Write a logger's file of 10-minute readings."""
    log = make_log(rows, 600)
    stamps = np.datetime_as_string(log.readings.time_s.astype("datetime64[s]"), unit="m")
    with path.open("w", encoding="utf-8") as file:
        file.write("time,event,point,depth_cm,temp_c\n")
        for stamp, point, temp in zip(
            stamps.tolist(), log.readings.point.tolist(), log.readings.temp_c.tolist(), strict=True
        ):
            file.write(f"{stamp},read,{POINTS[point]},45,{temp:.1f}\n")


def run() -> list[dict[str, object]]:
    """Return for each measurement its name, both times, ours as a ratio of the peer's, its bar."""
    found: list[dict[str, object]] = []

    def note(name: str, ours: float, peer: float, *, met: bool, bar: str) -> None:
        found.append(
            {
                "name": name,
                "ours_s": ours,
                "peer_s": peer,
                "ratio": ours / peer,
                "met": met,
                "bar": bar,
            }
        )

    one, every = [rules()["NY-W"]], list(rules().values())
    # Ten years of five probes: 2.6 million readings every 10 minutes, 26 million every minute.
    for count, step_s in ((1_000_000, 600), (2_600_000, 600), (26_000_000, 60)):
        log = make_log(count, step_s)
        part = 500_000
        peer = timed(lambda log=log, part=part: naive_lowest(log, part)) * count / part
        size = f"{count / 1e6:g} million readings"
        ours = timed(lambda log=log: evaluate(log, one, Stated(), terms()))
        peak_mb = peak_memory_mb(log, lambda log=log: evaluate(log, one, Stated(), terms()))
        note(
            f"proof by one rule, {size}, peak {peak_mb:.0f} MB / plain Python daily minimum",
            ours,
            peer,
            met=ours < 3.0 and peak_mb < 1000.0 and peer > 2.0 * ours,
            bar="under 3 s and 1 GB, ratio at most 0.5",
        )
        ours = timed(lambda log=log: evaluate(log, every, Stated(), terms()))
        note(
            f"proof by all {len(every)} rules, {size} / one plain Python daily minimum",
            ours,
            peer,
            met=ours < 8.0 * peer,
            bar="ratio at most 8",
        )
        del log
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path, 1_000_000)
        peer = timed(lambda: naive_read(path))
        ours = timed(lambda: read_log(path))
        note(
            "read and check a log of 1 million rows / bare csv, unchecked",
            ours,
            peer,
            met=ours < 5.0 * peer,
            bar="ratio at most 5",
        )
    return found


if __name__ == "__main__":
    for row in run():
        print(row)
