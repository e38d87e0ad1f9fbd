"""The mathematical programme behind the recipe.

Limits on C:N, moisture, bulk density and free air space are linear in the wet masses. The chance
that a limit holds is a second-order cone,

    sum(mu_i x_i) + k sqrt(sum(sigma_i^2 x_i^2)) <= 0,

with the exact mean and variance of what each kilogram brings to the limit. The cone is approached
by tangent cuts (Kelley 1960, J. SIAM 8:703) until the answer satisfies it. The solver is HiGHS,
through SciPy.

The objective is counted in points: one point is C:N or moisture one unit outside its preferred
range, and :class:`Weights` sets the other concerns against that.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from heapwright.science.goals import (
    AMOUNT_TOLERANCE,
    Goals,
    Stock,
    Weights,
    cap_rows,
    quantities,
    volumes_m3_kg,
)
from heapwright.science.ingredients import MixFacts
from heapwright.science.limits import ORDINARY_DENSITY_KG_M3, LimitRow, limit_rows
from heapwright.science.mixing import Array
from heapwright.science.relaxation import Answer, Infeasible, Relaxation

_SPARE: Final = 1e-5  # hard limits hold with this much of a unit to spare, against rounding
_CUT_ROUNDS: Final = 15
# A cone is satisfied when it is this near, in units of its property. Whole containers move in
# larger steps than that, and the chance itself is drawn in the end.
_UNITS_OFF: Final = 0.05
_UNITS_OFF_WHOLE: Final = 0.5


class Programme:
    """The matrices of one recipe problem: built once, solved at varying sureness.

    Columns: stock (half containers or kg), water kg, chosen yes/no, a deviation for each
    preferred limit, one for each hard limit (used in a compromise only), the amount's two
    deviations, and a constant that keeps the solver's relative gap meaningful.
    """

    def __init__(
        self,
        stock: Sequence[Stock],
        goals: Goals,
        facts: MixFacts,
        amount: float,
        *,
        weights: Weights | None = None,
        rows: tuple[list[LimitRow], list[LimitRow]] | None = None,
    ) -> None:
        self.stock, self.goals, self.facts, self.amount = stock, goals, facts, amount
        self.weights = weights or Weights()
        ingredients = [s.ingredient for s in stock]
        self.hard, self.soft = rows or (
            limit_rows(ingredients, goals.limits, goals, facts),
            limit_rows(ingredients, goals.preferred, goals, facts),
        )
        n = self.count = len(stock)
        self.usable_kg = np.array([s.usable_kg for s in stock])
        self.volume_m3_kg = volumes_m3_kg(stock, goals)
        self.quantity = quantities(stock, goals)
        self.reference_kg = amount if goals.mass_kg is not None else amount * ORDINARY_DENSITY_KG_M3
        self.scale = np.array([s.unit_kg or 1.0 for s in stock] + [1.0])
        room_kg = amount * (1.0 + AMOUNT_TOLERANCE) / self.quantity[:-1]
        self.most_kg = np.maximum(np.minimum(room_kg, self.usable_kg), 1e-9)
        self.chosen_at = n + 1
        self.soft_at = 2 * n + 1
        self.hard_at = self.soft_at + len(self.soft)
        self.amount_at = self.hard_at + len(self.hard)
        self.columns = self.amount_at + 3
        self.cost = self._cost()
        self.lower = np.zeros(self.columns)
        self.lower[-1] = 1.0
        self.upper = self._upper()
        self.rows, self.rhs = self._base_rows()
        self.whole = np.zeros(self.columns)
        self.whole[:n] = [1.0 if s.unit_kg else 0.0 for s in stock]
        self.whole[self.chosen_at : self.soft_at] = 1.0
        self.relaxation = Relaxation(self.rows[~self.links], self.rhs[~self.links], self.lower)

    def _cost(self) -> Array:
        w, n = self.weights, self.count
        share = self.scale / self.reference_kg
        cost = np.zeros(self.columns)
        for i, s in enumerate(self.stock):
            cost[i] = -w.perishable * s.urgency * share[i]
            if s.is_brown:
                scarce = min(1.0, self.reference_kg / max(s.available_kg, 1e-9))
                cost[i] += w.scarce_brown * scarce * share[i]
        cost[n] = w.water * share[n]
        cost[self.chosen_at : self.soft_at] = w.ingredient
        for j, row in enumerate(self.soft):
            cost[self.soft_at + j] = w.per_unit(row.property)
        for j, row in enumerate(self.hard):
            cost[self.hard_at + j] = w.outside * w.per_unit(row.property)
        cost[self.amount_at : self.amount_at + 2] = w.amount_per_pct
        cost[-1] = 2.0 * w.perishable
        return cost

    def _upper(self) -> Array:
        n = self.count
        upper = np.full(self.columns, np.inf)
        upper[:n] = self.usable_kg / self.scale[:n]
        upper[:n] = np.where([bool(s.unit_kg) for s in self.stock], np.round(upper[:n]), upper[:n])
        upper[n] = self.goals.most_water_kg
        upper[self.chosen_at : self.soft_at] = 1.0
        upper[self.hard_at : self.amount_at] = 0.0
        upper[-1] = 1.0
        return upper

    def _base_rows(self) -> tuple[Array, Array]:
        n = self.count
        rows: list[Array] = []
        rhs: list[float] = []

        def add(
            values: Array, bound: float, column: int | None = None, value: float = -1.0
        ) -> None:
            row = np.zeros(self.columns)
            row[: n + 1] = values * self.scale
            if column is not None:
                row[column] = value
            rows.append(row)
            rhs.append(bound)

        # rows are in units of their property and per cent of the amount, so that the solver's
        # tolerances mean the same in each
        for j, hard in enumerate(self.hard):
            add(self._in_units(hard, hard.typical), -_SPARE, self.hard_at + j)
        for j, soft in enumerate(self.soft):
            add(self._in_units(soft, soft.typical), 0.0, self.soft_at + j)
        percent = 100.0 * self.quantity / self.amount
        add(percent, 100.0, self.amount_at)
        add(-percent, -100.0, self.amount_at + 1)
        room_pct = 100.0 * AMOUNT_TOLERANCE
        add(percent, 100.0 + room_pct)
        self.least_amount_row = len(rows)
        add(-percent, room_pct - 100.0)
        first_link = len(rows)
        for i in range(n):
            one = np.eye(1, n + 1, i)[0]
            add(one / self.most_kg[i], 0.0, self.chosen_at + i)
        self.links = np.zeros(len(rows), dtype=bool)
        self.links[first_link:] = True
        for row in cap_rows(self.stock, self.goals):
            add(row * ORDINARY_DENSITY_KG_M3 / self.reference_kg, 0.0)
        self.links = np.append(self.links, np.zeros(len(rows) - len(self.links), dtype=bool))
        return np.array(rows), np.array(rhs)

    def _in_units(self, row: LimitRow, coefficients: Array) -> Array:
        return coefficients / (row.unit * self.reference_kg)

    def masses_kg(self, x: Array) -> Array:
        """Return the masses (water last) of a solver's answer, specks taken as nothing."""
        masses: Array = x[: self.count + 1] * self.scale
        masses[masses < 1e-6 * self.reference_kg] = 0.0
        return masses

    def cut(self, row: LimitRow, masses_kg: Array, k: float) -> Array:
        """Return the tangent of a chance cone at ``masses_kg`` in the solver's columns."""
        values = np.zeros(self.columns)
        values[: self.count + 1] = self._in_units(row, row.tangent(masses_kg, k)) * self.scale
        return values

    def relaxed(
        self, k: float, cuts: Sequence[Array] = (), *, units_off: float = _UNITS_OFF
    ) -> tuple[Array, list[Array]]:
        """Solve without whole containers; return masses (water last) and the cuts found.

        ``cuts`` may hold those of a smaller ``k``: they hold for a larger one too.
        ``units_off`` is how near a cone must be met, in units of its property.

        Raises
        ------
        Infeasible
            If no amounts satisfy the limits with ``k`` deviations to spare.
        """
        found = list(cuts)
        for _ in range(_CUT_ROUNDS):
            masses = self.masses_kg(self._continuous(found).x)
            if not self._add_cuts(found, masses, k, units_off):
                break
        return masses, found

    def promising(self, cuts: Sequence[Array], most: int) -> list[int]:
        """Return the stock that the relaxation uses, and what would cost least to bring in."""
        answer = self._continuous(cuts)
        used = answer.x[: self.count] > 0
        to_bring_in = answer.reduced_cost[: self.count] * self.upper[: self.count]
        order = np.argsort(np.where(used, -1.0, to_bring_in), kind="stable")
        return [int(i) for i in order[: max(most, int(used.sum()))]]

    def lean(self, cuts: Sequence[Array]) -> list[int]:
        """Return few stocks that make a good mix, by leaving out one at a time while it pays.

        Starts from what the relaxation uses; each step solves the continuous programme without
        one of the smallest parts and counts the fixed cost of those that remain.
        """

        def best_of(kept: Sequence[int]) -> tuple[float, list[int], Array]:
            answer = self._continuous(cuts, kept, fixed_costs=False)
            share = answer.x[: self.count] * self.scale[:-1] / self.reference_kg
            used = [i for i in kept if share[i] > 1e-6]
            return answer.cost + self.weights.ingredient * len(used), used, share

        points, kept, share = best_of(self.promising(cuts, 0))
        while len(kept) > 1:
            for least in sorted(kept, key=lambda i: share[i])[:3]:
                try:
                    fewer = best_of([i for i in kept if i != least])
                except Infeasible:
                    continue
                if fewer[0] < points:
                    points, kept, share = fewer
                    break
            else:
                break
        return kept

    def _only(self, kept: Sequence[int]) -> Array:
        """Return the upper bounds with every other stock left out."""
        upper = self.upper.copy()
        left_out = np.ones(self.count, dtype=bool)
        left_out[list(kept)] = False
        upper[: self.count][left_out] = 0.0
        upper[self.chosen_at : self.soft_at][left_out] = 0.0
        return upper

    def integral(
        self,
        k: float,
        cuts: Sequence[Array],
        *,
        among: Sequence[int] | None = None,
        time_limit_s: float = 5.0,
        gap: float = 0.01,
        rounds: int = _CUT_ROUNDS,
    ) -> tuple[Array, float]:
        """Solve in whole half containers; return masses (water last) and the points.

        Parameters
        ----------
        k, cuts
            As for :meth:`relaxed`.
        among : sequence of int, optional
            The stocks to choose from; all of them by default.
        time_limit_s, gap
            For the solver.
        rounds : int
            How often to solve again with new cuts at most.

        Raises
        ------
        Infeasible
            If no whole containers satisfy the limits with ``k`` deviations to spare.
        """
        upper = self.upper if among is None else self._only(among)
        found = list(cuts)
        for _ in range(rounds):
            x = self._whole(found, self.rhs, upper, time_limit_s=time_limit_s, gap=gap)
            masses = self.masses_kg(x)
            if not self._add_cuts(found, masses, k, _UNITS_OFF_WHOLE):
                break
        return masses, float(self.cost @ x) - float(self.cost[-1])

    def compromise(self) -> Array:
        """Return the masses nearest to the limits, which may lie outside and fall short.

        Raises
        ------
        Infeasible
            If the stock makes nothing at all.
        """
        upper, rhs = self.upper.copy(), self.rhs.copy()
        upper[self.hard_at : self.amount_at] = np.inf
        everything = float(self.quantity[:-1] @ self.usable_kg)
        rhs[self.least_amount_row] = -min(2.0, 50.0 * everything / self.amount)
        return self.masses_kg(self._whole([], rhs, upper, time_limit_s=2.0, gap=0.02))

    def _add_cuts(self, cuts: list[Array], masses: Array, k: float, units_off: float) -> bool:
        broken = [row for row in self.hard if k > 0 and row.excess(masses, k) > units_off]
        cuts += [self.cut(row, masses, k) for row in broken]
        return bool(broken)

    def _continuous(
        self, cuts: Sequence[Array], kept: Sequence[int] | None = None, *, fixed_costs: bool = True
    ) -> Answer:
        """Solve without whole containers and without the yes-or-no columns.

        A choice costs as much of :attr:`Weights.ingredient` as it takes of the most it could,
        which is what the yes-or-no columns come to when they need not be whole; or nothing,
        with ``fixed_costs`` false.
        """
        n = self.count
        cost = self.cost.copy()
        if fixed_costs:
            cost[:n] += self.weights.ingredient * self.scale[:n] / self.most_kg
        upper = self._only(range(n) if kept is None else kept)
        upper[self.chosen_at : self.soft_at] = 0.0
        return self.relaxation.solve(cost, upper, cuts)

    def _whole(
        self, cuts: Sequence[Array], rhs: Array, upper: Array, *, time_limit_s: float, gap: float
    ) -> Array:
        from scipy.optimize import Bounds, LinearConstraint, milp

        open_columns = upper > 0  # a stock left out is left out of the solver's matrices as well
        matrix = np.vstack([self.rows, *cuts])[:, open_columns]
        answer = milp(
            self.cost[open_columns],
            constraints=LinearConstraint(matrix, ub=np.append(rhs, np.zeros(len(cuts)))),
            bounds=Bounds(self.lower[open_columns], upper[open_columns]),
            integrality=self.whole[open_columns],
            options={"time_limit": time_limit_s, "mip_rel_gap": gap},
        )
        if answer.x is None:
            raise Infeasible
        x = np.zeros(self.columns)
        x[open_columns] = answer.x
        x[self.whole > 0] = np.round(x[self.whole > 0])
        return x


def _continuous(
    stock: Sequence[Stock],
    goals: Goals,
    rows: Sequence[LimitRow],
    cost: Array,
    extra: Sequence[tuple[Array, float]] = (),
) -> tuple[Array, Array]:
    """Minimise ``cost`` over masses (water last) within ``rows``; return masses, row prices.

    Raises
    ------
    Infeasible
        If no masses satisfy the rows, the shares and ``extra``.
    """
    from scipy.optimize import linprog

    matrix = [row.typical / row.unit for row in rows]
    matrix += cap_rows(stock, goals)
    matrix += [values for values, _ in extra]
    rhs = [0.0] * (len(matrix) - len(extra)) + [bound for _, bound in extra]
    answer = linprog(
        cost,
        A_ub=np.array(matrix) if matrix else None,
        b_ub=np.array(rhs) if matrix else None,
        bounds=[(0.0, s.usable_kg) for s in stock] + [(0.0, goals.most_water_kg)],
        method="highs",
    )
    if answer.status != 0:
        raise Infeasible
    prices = answer.ineqlin.marginals if matrix else np.zeros(0)
    return answer.x, prices[: len(rows)]


def largest_amount(
    stock: Sequence[Stock], goals: Goals, rows: Sequence[LimitRow]
) -> tuple[float, tuple[LimitRow, ...]]:
    """Return the most that the stock makes within ``rows``, and the rows that stop it growing.

    The quantity is kg or m³ as the goals ask. Binding rows are those with a dual price.
    """
    quantity = quantities(stock, goals)
    try:
        masses, prices = _continuous(stock, goals, rows, -quantity)
    except Infeasible:
        return 0.0, ()
    binding = tuple(row for row, price in zip(rows, prices, strict=True) if price < -1e-12)
    return float(quantity @ masses), binding


def least_cost(
    stock: Sequence[Stock],
    rows: Sequence[LimitRow],
    goals: Goals,
    amount: float,
    cost: Array,
    k: float,
) -> Array:
    """Return the masses (water last) of least ``cost`` that make ``amount`` within ``rows``.

    Raises
    ------
    Infeasible
        If no masses do, with ``k`` deviations to spare.
    """
    quantity = quantities(stock, goals)
    extra = [
        (quantity, amount * (1.0 + AMOUNT_TOLERANCE)),
        (-quantity, -amount * (1.0 - AMOUNT_TOLERANCE)),
    ]
    for _ in range(_CUT_ROUNDS):
        masses, _prices = _continuous(stock, goals, rows, cost, extra)
        broken = [row for row in rows if k > 0 and row.excess(masses, k) > _UNITS_OFF]
        if not broken:
            break
        extra += [(row.tangent(masses, k) / row.unit, 0.0) for row in broken]
    return masses
