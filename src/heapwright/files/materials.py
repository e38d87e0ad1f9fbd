"""Reading a site's own materials: measurements of known ones, and new ones.

Columns: ``material``, ``name``, ``category``, ``moisture_pct``, ``n_pct_dry``,
``c_pct_dry``, ``cn``, ``vs_pct_dry``, ``bulk_density_kg_m3``, ``method``,
``price_per_tonne``; all but ``material`` optional for a material of the library. The shipped
table is never edited: what is stated here replaces single figures of a copy.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from heapwright.data import category_defaults, constant, measured_spread, near_ids, spreads
from heapwright.data.library import POSSIBLE
from heapwright.data.mixing import mix_facts
from heapwright.files.table import Row, read_table
from heapwright.science.ingredients import with_measured
from heapwright.science.materials import Material, Span

MEASURED: Final = (
    "moisture_pct",
    "n_pct_dry",
    "c_pct_dry",
    "cn",
    "vs_pct_dry",
    "bulk_density_kg_m3",
)
COLUMNS: Final = ("material", "name", "category", *MEASURED, "method", "price_per_tonne")

_ID = re.compile(r"[a-z][a-z0-9_]*")
_PRICE_MAX: Final = 1_000_000.0
_DISAGREE: Final = 0.15  # rounding of three stated figures reaches a few percent, a slip far more


def read_materials(path: Path, library: Mapping[str, Material]) -> dict[str, Material]:
    """Return the library with a site's own figures and materials in it.

    Parameters
    ----------
    path : Path
        The site's table.
    library : mapping of str to Material
        The materials it adds to, by id.

    Returns
    -------
    dict of str to Material
        A new dictionary; figures that the file states have the origin ``measured`` and the
        spread of the method named in the row.

    Raises
    ------
    InputError
        For an unknown column, category or method, an impossible figure, a material that
        stands twice, a new one without name and category: with file, row and column.
    """
    table = read_table(path, known=COLUMNS, required=["material"])
    found = dict(library)
    seen: dict[str, int] = {}
    for row in table:
        material = _material(row, library)
        if material.id in seen:
            raise row.error(
                f"{material.id} stands in row {seen[material.id]} already", column="material"
            )
        seen[material.id] = row.number
        found[material.id] = material
    _refuse_same_names(found, seen, {row.number: row for row in table})
    return found


def _refuse_same_names(
    found: Mapping[str, Material], own: Mapping[str, int], rows: Mapping[int, Row]
) -> None:
    """A name that means two materials would be looked up as the first of them."""
    names: dict[str, str] = {}
    for material in found.values():
        for form in {material.id.casefold(), material.name.casefold()}:
            other = names.setdefault(form, material.id)
            if other != material.id:
                number = own.get(material.id) or own[other]
                raise rows[number].error(
                    f"{material.id} and {other} have the same name or id", column="name"
                )


def _known(name: str, library: Mapping[str, Material]) -> Material | None:
    wanted = name.casefold()
    for material in library.values():
        if wanted in (material.id.casefold(), material.name.casefold()):
            return material
    return None


def _material(row: Row, library: Mapping[str, Material]) -> Material:
    name = row.text("material")
    if not name:
        raise row.error("is blank; every row names its material", "material")
    known = _known(name, library)
    base = known if known is not None else _new(row, name, library)
    figures = _figures(row)
    price = row.number_or_none("price_per_tonne", low=0.0, high=_PRICE_MAX)
    if not figures and price is None and known is not None and not row.text("name"):
        raise row.error("states no figure, so it changes nothing; remove it or fill a cell")
    changes: dict[str, Any] = {
        "name": row.text("name") or base.name,
        "category": _category(row) or base.category,
        "price_per_tonne": base.price_per_tonne if price is None else price,
    }
    return with_measured(replace(base, **changes), figures, mix_facts())


def _new(row: Row, name: str, library: Mapping[str, Material]) -> Material:
    if not (row.text("name") and row.text("category")):
        near = near_ids(name, library)
        hint = f"did you mean {' or '.join(near)}? " if near else ""
        raise row.error(
            f"there is no material “{name}” in the library; {hint}"
            "A new material needs a name and a category",
            "material",
        )
    if not _ID.fullmatch(name):
        raise row.error(
            f"“{name}” cannot be the id of a new material; use small letters, digits and "
            "underscores, such as brewery_mash",
            "material",
        )
    category = _category(row)
    return Material(
        id=name,
        name=row.text("name"),
        category=category,
        note="A material of this site, as measured or stated here.",
        layer_role=category_defaults()[category].layer_role,
    )


def _category(row: Row) -> str:
    category = row.text("category").lower()
    if category and category not in category_defaults():
        raise row.error(
            f"“{category}” is not a category; take one of {', '.join(category_defaults())}",
            "category",
        )
    return category


def _methods(row: Row) -> tuple[str, ...]:
    known = sorted({kind for _, kind in spreads()} - {"assumed", "measured"})
    methods = tuple(row.text("method").lower().replace(";", " ").split())
    for method in methods:
        if method not in known:
            raise row.error(
                f"“{method}” is not a method; take one or more of {', '.join(known)}", "method"
            )
    return methods


def _figures(row: Row) -> dict[str, Span]:
    methods = _methods(row)
    figures: dict[str, Span] = {}
    for name in MEASURED:
        low, high = POSSIBLE[name]
        value = row.number_or_none(name, low=low, high=high)
        if value is not None:
            figures[name] = _span(name, value, methods)
    _refuse_impossible_carbon(row, figures)
    return figures


def _span(name: str, value: float, methods: tuple[str, ...]) -> Span:
    method = next((method for method in methods if (name, method) in spreads()), "")
    spread = measured_spread(name, method)
    half = spread.half_range * (value if spread.scale == "relative" else 1.0)
    low, high = POSSIBLE[name]
    note = f"measured here ({', '.join(methods)})" if methods else "measured here"
    return Span(value, max(value - half, low), min(value + half, high), "measured", note)


def _refuse_impossible_carbon(row: Row, figures: Mapping[str, Span]) -> None:
    nitrogen, carbon, ratio = (figures.get(name) for name in ("n_pct_dry", "c_pct_dry", "cn"))
    if nitrogen is None or ratio is None:
        return
    implied = nitrogen.typical * ratio.typical
    most = constant("carbon_max_pct_dry").value
    if implied > most:
        raise row.error(
            f"nitrogen {nitrogen.typical:g} % and C:N {ratio.typical:g} make {implied:.0f} % "
            f"carbon, but dry matter holds at most {most:g} %; check both",
            "cn",
        )
    if carbon is not None and abs(implied - carbon.typical) > _DISAGREE * carbon.typical:
        raise row.error(
            f"carbon {carbon.typical:g} % disagrees with nitrogen x C:N = {implied:.1f} %; "
            "state two of the three",
            "c_pct_dry",
        )
