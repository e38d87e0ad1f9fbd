"""``heapwright --help`` against a bare Python that does nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from typing import Any

ROUNDS = 7


def _median_s(*args: str) -> float:
    taken = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        subprocess.run([sys.executable, *args], check=True, stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def run() -> list[dict[str, Any]]:
    """Return one row: the median start of the command and of bare Python."""
    ours_s, peer_s = _median_s("-m", "heapwright", "--help"), _median_s("-c", "pass")
    return [
        {
            "name": "heapwright --help, against python -c pass",
            "ours_s": ours_s,
            "peer_s": peer_s,
            "ratio": ours_s / peer_s,
            "bar": "ours at most 0.3 s",
            "met": ours_s <= 0.3,
        }
    ]
