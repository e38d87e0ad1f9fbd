"""Reading a shipped table of facts, refusing one that breaks the rules of facts.

Every row has an id that no other row of its table has, at least one source that
``sources.toml`` knows, one of three marks, and no value that cannot be.
"""

from __future__ import annotations

import csv
import io
import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import TypedDict, get_args

from heapwright.errors import FactError
from heapwright.science.materials import Mark

MARKS: tuple[Mark, ...] = get_args(Mark)
SEEN = ("passage", "abstract", "memory", "derived", "practice")


@dataclass(frozen=True, slots=True)
class Source:
    """A publication, rule or practice that facts are taken from.

    ``seen`` says what was read of it: a passage, the abstract, nothing (``memory``), a
    derivation (``derived``) or that it is what people do (``practice``).
    """

    id: str
    title: str
    author: str = ""
    year: int | None = None
    where: str = ""
    seen: str = "memory"
    note: str = ""

    @property
    def in_short(self) -> str:
        """Author, or title where there is none, and the year where it is known."""
        who = self.author or self.title
        return f"{who} {self.year}" if self.year else who


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """What every fact carries: its id, where it comes from, its mark and a note."""

    id: str
    sources: tuple[str, ...]
    mark: Mark
    note: str = ""


class Provenance(TypedDict):
    """The fields of :class:`Fact`."""

    id: str
    sources: tuple[str, ...]
    mark: Mark
    note: str


@dataclass(frozen=True, slots=True)
class Shape:
    """What the values of a table can be.

    ``numbers`` gives the least and the most of each column of numbers (blank cells are
    allowed), ``ordered`` the columns of which none may be above the next one, ``within`` the
    triples (low, typical, high) whose middle may only lie outside if the note says so.
    """

    numbers: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    ordered: Sequence[tuple[str, ...]] = ()
    within: Sequence[tuple[str, str, str]] = ()


@dataclass(frozen=True, slots=True)
class FactRow:
    """One row of a table: its cells by column, and the place for a message."""

    table: str
    number: int
    cells: Mapping[str, str]

    def error(self, message: str, column: str | None = None) -> FactError:
        """Return the error that says ``message`` with this row's place."""
        place = f"{self.table}, row {self.number} ({self.text('id') or 'no id'})"
        return FactError(f"{place}{f', column {column}' if column else ''}: {message}")

    def text(self, column: str) -> str:
        """Return the cell, empty when blank or absent."""
        return self.cells.get(column, "")

    def need_text(self, column: str) -> str:
        """Return the cell; a blank one is an error."""
        if not self.text(column):
            raise self.error("is blank", column)
        return self.text(column)

    def number_or_none(self, column: str) -> float | None:
        """Return the number, or None when the cell is blank."""
        text = self.text(column)
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            raise self.error(f"“{text}” is not a number", column) from None
        if not math.isfinite(value):
            raise self.error(f"“{text}” is not a number of anything", column)
        return value

    def need_number(self, column: str) -> float:
        """Return the number; a blank cell is an error."""
        value = self.number_or_none(column)
        if value is None:
            raise self.error("is blank", column)
        return value

    def flag(self, column: str) -> bool:
        """Return True for ``yes`` and False for ``no``; anything else is an error."""
        text = self.text(column)
        if text not in ("yes", "no"):
            raise self.error(f"“{text}” is neither yes nor no", column)
        return text == "yes"

    @property
    def sources(self) -> tuple[str, ...]:
        """The ids of the sources."""
        return tuple(self.text("sources").replace(";", " ").split())

    @property
    def mark(self) -> Mark:
        """The mark: published, common practice or from memory."""
        for mark in MARKS:
            if self.text("mark") == mark:
                return mark
        raise self.error(f"“{self.text('mark')}” is none of {', '.join(MARKS)}", "mark")

    def provenance(self) -> Provenance:
        """Return what every fact carries."""
        return {
            "id": self.text("id"),
            "sources": self.sources,
            "mark": self.mark,
            "note": self.text("note"),
        }


def parse_rows(table: str, text: str) -> tuple[FactRow, ...]:
    """Return the rows of a comma-separated table with a header line.

    Raises
    ------
    FactError
        If a column stands twice or a row is longer than the header.
    """
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    columns = next(reader, [])
    if len(set(columns)) != len(columns) or "" in columns:
        raise FactError(f"{table}: a column name is blank or stands twice")
    rows = []
    for cells in reader:
        if len(cells) != len(columns):
            raise FactError(
                f"{table}, row {reader.line_num}: has {len(cells)} cells "
                f"but the header names {len(columns)} columns"
            )
        stripped = (cell.strip() for cell in cells)
        rows.append(FactRow(table, reader.line_num, dict(zip(columns, stripped, strict=True))))
    return tuple(rows)


def check_rows(
    rows: Iterable[FactRow], source_ids: Iterable[str], shape: Shape | None = None
) -> None:
    """Refuse a table that breaks the rules of facts.

    Parameters
    ----------
    rows : iterable of FactRow
        The table.
    source_ids : iterable of str
        The sources that exist.
    shape : Shape, optional
        What its values can be.

    Raises
    ------
    FactError
        For a blank or duplicate id, no source or an unknown one, a mark that is none of the
        three, a value that cannot be.
    """
    known = frozenset(source_ids)
    seen: set[str] = set()
    for row in rows:
        name = row.need_text("id")
        if name in seen:
            raise row.error("this id stands twice", "id")
        seen.add(name)
        if not row.sources:
            raise row.error("names no source", "sources")
        for source in row.sources:
            if source not in known:
                raise row.error(f"the source {source} is not in sources.toml", "sources")
        _ = row.mark
        if shape is not None:
            _check_values(row, shape)


def _check_values(row: FactRow, shape: Shape) -> None:
    for column, (low, high) in shape.numbers.items():
        value = row.number_or_none(column)
        if value is not None and not low <= value <= high:
            raise row.error(f"{value:g} is impossible; it lies in {low:g} to {high:g}", column)
    for columns in shape.ordered:
        present = [
            (column, value)
            for column in columns
            if (value := row.number_or_none(column)) is not None
        ]
        for (lower, a), (upper, b) in pairwise(present):
            if a > b:
                raise row.error(f"{a:g} is above {b:g} in {upper}", lower)
    for low_column, middle, high_column in shape.within:
        value = row.number_or_none(middle)
        if value is None or "outside" in row.text("note"):
            continue
        low_value, high_value = row.number_or_none(low_column), row.number_or_none(high_column)
        below = low_value is not None and value < low_value
        above = high_value is not None and value > high_value
        if below or above:
            raise row.error(
                f"{value:g} lies outside its range and the note does not say so", middle
            )


def check_cited(source_ids: Iterable[str], tables: Iterable[Iterable[FactRow]]) -> None:
    """Refuse a source that no row of any table cites.

    Raises
    ------
    FactError
        Naming the sources that nobody cites.
    """
    cited = {source for rows in tables for row in rows for source in row.sources}
    idle = sorted(set(source_ids) - cited)
    if idle:
        raise FactError(f"sources.toml: no row cites {', '.join(idle)}")


def parse_sources(text: str) -> dict[str, Source]:
    """Return the sources of a TOML text, one table a source.

    Raises
    ------
    FactError
        If the text is not TOML, or an entry lacks a title, has an unknown key or says of
        what was seen none of the five words.
    """
    try:
        entries = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FactError(f"sources.toml: is not well-formed ({error})") from None
    found = {}
    for name, entry in entries.items():
        unknown = set(entry) - {"title", "author", "year", "where", "seen", "note"}
        if unknown:
            raise FactError(f"sources.toml, {name}: unknown key {', '.join(sorted(unknown))}")
        if not entry.get("title"):
            raise FactError(f"sources.toml, {name}: has no title")
        if entry.get("seen") not in SEEN:
            raise FactError(f"sources.toml, {name}: seen is none of {', '.join(SEEN)}")
        if not isinstance(entry.get("year", 0), int):
            raise FactError(f"sources.toml, {name}: year is not a whole number")
        found[name] = Source(id=name, **entry)
    return found


def read_text(name: str) -> str:
    """Return the text of a file that ships beside this module."""
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


@cache
def sources() -> dict[str, Source]:
    """Return every source by id."""
    return parse_sources(read_text("sources.toml"))


def read_rows(table: str, shape: Shape | None = None) -> tuple[FactRow, ...]:
    """Return the rows of a shipped table, such as ``materials.csv``, checked.

    Raises
    ------
    FactError
        As :func:`check_rows`.
    """
    rows = parse_rows(table, read_text(table))
    check_rows(rows, sources(), shape)
    return rows


def row_named(name: str, table: str, shape: Shape) -> FactRow:
    """Return the row of a table with an id.

    Raises
    ------
    KeyError
        If the table has no such row.
    """
    for row in read_rows(table, shape):
        if row.text("id") == name:
            return row
    raise KeyError(name)
