"""The figures that foreseeing the yard's heaps rests on, and what stands in for unknown ones."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from heapwright.data.library import materials
from heapwright.data.tables import Fact, FactRow, Shape, read_rows

TABLE = "outlook.csv"
SHAPE = Shape(numbers={"value": (0.01, 10_000.0)})


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookFigure(Fact):
    """A number of the table: days, members, metres or a share, as its id says."""

    value: float

    @property
    def count(self) -> int:
        """The number as a count."""
        return round(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class StandIn(Fact):
    """The library's material whose figures stand in for unknown ones of a kind."""

    material: str


@cache
def _rows() -> dict[str, FactRow]:
    return {row.text("id"): row for row in read_rows(TABLE, SHAPE)}


@cache
def outlook_figure(name: str) -> OutlookFigure:
    """Return a figure by its id, such as ``ahead_days``.

    Raises
    ------
    KeyError
        If the table has no such row.
    FactError
        If the row states no number.
    """
    row = _rows()[name]
    return OutlookFigure(**row.provenance(), value=row.need_number("value"))


@cache
def stand_in(kind: str) -> StandIn:
    """Return what stands in for a category of materials, for ``overs`` or for ``compost``.

    Raises
    ------
    FactError
        If the row names a material that the library lacks.
    """
    rows = _rows()
    row = rows.get(f"standin_{kind}", rows["standin_other"])
    name = row.need_text("word")
    if name not in materials():
        raise row.error(f"“{name}” is no material of the library", "word")
    return StandIn(**row.provenance(), material=name)
