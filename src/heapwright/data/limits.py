"""What codes and standards demand of finished compost."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args

from heapwright.data.tables import Fact, Shape, read_rows

Comparison = Literal["at most", "below", "above", "between", "not detected"]

SHAPE = Shape(
    numbers={"low": (0, 10_000), "limit": (0, 10_000)},
    ordered=[("low", "limit")],
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductLimit(Fact):
    """One limit on finished compost, or one band of a test of stability or maturity.

    ``at most``, ``below`` and ``not detected`` compare with ``limit`` (for the last the
    level that the method must be able to see), ``above`` with ``low``, ``between`` with both.
    ``group`` is pathogens, metals, contaminants, stability, maturity or chemistry; ``grade``
    names the band.
    """

    jurisdiction: str
    document: str
    group: str
    parameter: str
    grade: str
    comparison: Comparison
    low: float | None
    limit: float | None
    unit: str
    basis: str


@cache
def product_limits() -> tuple[ProductLimit, ...]:
    """Return every limit, in the order of the table.

    Raises
    ------
    FactError
        If a row lacks the number that its comparison needs.
    """
    found = []
    for row in read_rows("product_limits.csv", SHAPE):
        word = row.text("comparison")
        comparison = next((known for known in get_args(Comparison) if known == word), None)
        if comparison is None:
            raise row.error(f"is none of {', '.join(get_args(Comparison))}", "comparison")
        low, limit = row.number_or_none("low"), row.number_or_none("limit")
        if word in ("above", "between") and low is None:
            raise row.error("is blank", "low")
        if word != "above" and limit is None:
            raise row.error("is blank", "limit")
        found.append(
            ProductLimit(
                **row.provenance(),
                jurisdiction=row.need_text("jurisdiction"),
                document=row.need_text("document"),
                group=row.need_text("group"),
                parameter=row.need_text("parameter"),
                grade=row.text("grade"),
                comparison=comparison,
                low=low,
                limit=limit,
                unit=row.need_text("unit"),
                basis=row.text("basis"),
            )
        )
    return tuple(found)
