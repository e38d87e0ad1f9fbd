"""The check of all tables at once: what a reader of one table cannot see."""

from __future__ import annotations

from importlib.resources import files

from heapwright.data import decisions, library, limits, recipe, sanitation, water, weather
from heapwright.data.tables import FactRow, Shape, check_cited, read_rows, sources

SHAPES: dict[str, Shape] = {
    **recipe.SHAPES,
    **sanitation.SHAPES,
    **water.SHAPES,
    **weather.SHAPES,
    decisions.TABLE: decisions.SHAPE,
    "materials.csv": library.SHAPE,
    "product_limits.csv": limits.SHAPE,
}


def table_names() -> list[str]:
    """Return the names of the tables that ship in this folder."""
    folder = files(__package__)
    return sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".csv"))


def citing(source: str) -> dict[str, list[str]]:
    """Return the ids of the rows that cite a source, by table."""
    found = {
        name: [row.text("id") for row in read_rows(name) if source in row.sources]
        for name in table_names()
    }
    return {name: ids for name, ids in found.items() if ids}


def check_tables() -> dict[str, tuple[FactRow, ...]]:
    """Return the rows of every shipped table after checking each and their sources.

    Raises
    ------
    FactError
        If a row breaks the rules of facts or a source is cited by no row of any table.
    """
    tables = {name: read_rows(name, SHAPES.get(name)) for name in table_names()}
    check_cited(sources(), tables.values())
    return tables
