"""``mix solve`` at 60 materials against the bare solver on the same programme.

Ours: everything between a read stock and the answer with its spread (limits' moments, the search
for the wanted chance, tangent cuts, whole containers). Peer: one call of SciPy's ``milp`` on the
final programme, cuts included.
"""

from __future__ import annotations

import statistics
import time
from typing import Any

import numpy as np

from heapwright.data import materials
from heapwright.data.mixing import (
    acceptable_limits,
    candidates,
    mix_facts,
    preferred_limits,
    urgency,
    water,
)
from heapwright.science.goals import Goals, Stock
from heapwright.science.programme import Programme
from heapwright.science.recipe import solve

ROUNDS = 15


def stocks(count: int, seed: int) -> list[Stock]:
    """Return a random stock of ``count`` materials, most of them in containers."""
    rng = np.random.default_rng(seed)
    pool = [c for c in candidates(materials(), mix_facts(), []) if c.c_pct_dry.typical > 0]
    chosen = rng.choice(len(pool), size=count, replace=False)
    found = []
    for i in chosen:
        it = pool[i]
        half_kg = it.bulk_density_kg_m3.typical * float(rng.choice([20, 60, 85, 150])) / 2000
        found.append(
            Stock(
                it,
                float(rng.uniform(40, 900)),
                half_kg if rng.random() < 0.8 else None,
                urgency(it, float(rng.integers(0, 4))),
            )
        )
    return found


def run() -> list[dict[str, Any]]:
    """Return one row: the medians of both over random stocks, and their ratio."""
    facts = mix_facts()
    goals = Goals(acceptable_limits(), preferred_limits(), volume_m3=1.5, chance=0.9)
    solve(stocks(60, 0), goals, facts, water())  # imports and caches of the draws
    ours, peer = [], []
    for seed in range(1, ROUNDS + 1):
        stock = stocks(60, seed)
        start = time.perf_counter()
        recipe = solve(stock, goals, facts, water(), thorough=False)
        ours.append(time.perf_counter() - start)
        assert recipe.feasible
        programme = Programme(stock, goals, facts, 1.5)
        _, cuts = programme.relaxed(1.3)
        start = time.perf_counter()
        programme.integral(0.0, cuts)
        peer.append(time.perf_counter() - start)
    ours_s, peer_s = statistics.median(ours), statistics.median(peer)
    return [
        {
            "name": "mix solve, 60 materials, against scipy.optimize.milp on its programme",
            "ours_s": ours_s,
            "peer_s": peer_s,
            "ratio": ours_s / peer_s,
            "bar": "ratio at most 3, ours at most 0.05 s",
            "met": ours_s / peer_s <= 3.0 and ours_s <= 0.05,
        }
    ]
