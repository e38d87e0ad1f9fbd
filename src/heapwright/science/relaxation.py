"""A linear programme that is solved again and again while it changes a little each time.

HiGHS keeps the basis of its last answer, so that after a new row or a column shut it goes on from
there: a few pivots of the dual simplex in the place of a programme from nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from heapwright.science.mixing import Array


class Infeasible(Exception):  # noqa: N818 - an outcome of the search, not an error a person sees
    """No amounts satisfy the limits."""


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """The columns of least cost, that cost, and what a unit more of each column would cost."""

    x: Array
    cost: float
    reduced_cost: Array


class Relaxation:
    """The rows ``rows @ x <= rhs`` over columns from ``lower`` up, ready to be solved.

    Parameters
    ----------
    rows : array (rows, columns)
    rhs : array (rows,)
    lower : array (columns,)
    """

    def __init__(self, rows: Array, rhs: Array, lower: Array) -> None:
        import highspy

        count, columns = rows.shape
        model = highspy.HighsLp()
        model.num_col_, model.num_row_ = columns, count
        model.col_cost_, model.col_lower_, model.col_upper_ = np.zeros(columns), lower, lower
        model.row_lower_, model.row_upper_ = np.full(count, -np.inf), rhs
        held = rows != 0.0
        matrix = model.a_matrix_
        matrix.format_ = highspy.MatrixFormat.kRowwise
        matrix.start_ = np.concatenate([[0], np.cumsum(held.sum(axis=1))])
        matrix.index_, matrix.value_ = np.nonzero(held)[1], rows[held]
        self._optimal: Final = highspy.HighsModelStatus.kOptimal
        self._solver: Final = highspy.Highs()  # type: ignore[no-untyped-call]
        self._solver.silent()
        self._solver.setOptionValue("presolve", "off")  # it would throw the kept basis away
        self._solver.passModel(model)
        self._all: Final = np.arange(columns, dtype=np.int32)
        self._lower: Final = lower
        self._first_cut: Final = count
        self._cuts: list[Array] = []

    def solve(self, cost: Array, upper: Array, cuts: Sequence[Array]) -> Answer:
        """Return the least of ``cost @ x``, with ``x <= upper`` and each ``cut @ x <= 0`` as well.

        Raises
        ------
        Infeasible
            If no columns satisfy the rows.
        """
        solver, columns = self._solver, self._all
        solver.changeColsCost(len(columns), columns, cost)
        solver.changeColsBounds(len(columns), columns, self._lower, upper)
        self._have(cuts)
        solver.run()
        if solver.getModelStatus() != self._optimal:
            raise Infeasible
        found = solver.getSolution()
        return Answer(
            np.array(found.col_value),
            float(solver.getInfo().objective_function_value),
            np.array(found.col_dual),
        )

    def _have(self, cuts: Sequence[Array]) -> None:
        """Hold these cuts and no others; those that stood already, and first, stay."""
        same = 0
        while same < min(len(cuts), len(self._cuts)) and cuts[same] is self._cuts[same]:
            same += 1
        stale = np.arange(same, len(self._cuts), dtype=np.int32) + self._first_cut
        if len(stale):
            self._solver.deleteRows(len(stale), stale)
        for cut in cuts[same:]:
            held = np.flatnonzero(cut).astype(np.int32)
            self._solver.addRow(-np.inf, 0.0, len(held), held, cut[held])
        self._cuts = list(cuts)
