"""A programme that changes a little each time gives at each step what one from nothing gives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from heapwright.science.relaxation import Infeasible, Relaxation


@given(seed=st.integers(0, 2**32 - 1), steps=st.integers(1, 8))
def test_each_step_is_as_if_solved_from_nothing(seed, steps):
    rng = np.random.default_rng(seed)
    count, columns = int(rng.integers(1, 6)), int(rng.integers(2, 9))
    rows = rng.normal(size=(count, columns)).round(2)
    rhs = rng.normal(0.5, 1.0, count).round(2)
    ours = Relaxation(rows, rhs, np.zeros(columns))
    cuts: list[np.ndarray] = []
    for _ in range(steps):
        del cuts[int(rng.integers(0, len(cuts) + 1)) :]
        cuts += list(rng.normal(size=(int(rng.integers(0, 3)), columns)).round(2))
        upper = rng.uniform(0.0, 3.0, columns) * (rng.random(columns) < 0.8)
        cost = rng.normal(size=columns).round(2)
        peer = linprog(
            cost,
            A_ub=np.vstack([rows, *cuts]),
            b_ub=np.append(rhs, np.zeros(len(cuts))),
            bounds=np.column_stack([np.zeros(columns), upper]),
            method="highs",
        )
        if peer.status == 2:
            with pytest.raises(Infeasible):
                ours.solve(cost, upper, cuts)
            continue
        found = ours.solve(cost, upper, cuts)
        assert found.cost == pytest.approx(peer.fun, abs=1e-6)
        assert found.cost == pytest.approx(float(cost @ found.x), abs=1e-9)
        assert np.all(found.x >= -1e-7)
        assert np.all(found.x <= upper + 1e-7)
        assert np.all(rows @ found.x <= rhs + 1e-6)
        assert all(cut @ found.x <= 1e-6 for cut in cuts)


def test_a_column_costs_its_reduced_cost_to_bring_in():
    ours = Relaxation(np.array([[-1.0, -1.0]]), np.array([-1.0]), np.zeros(2))
    found = ours.solve(np.array([2.0, 3.0]), np.array([5.0, 5.0]), [])
    assert found.x == pytest.approx([1.0, 0.0])
    assert found.reduced_cost == pytest.approx([0.0, 1.0])


def test_the_solver_says_nothing_on_standard_output(capfd):
    Relaxation(np.eye(2), np.ones(2), np.zeros(2)).solve(-np.ones(2), np.ones(2), [])
    assert capfd.readouterr().out == ""
