"""The library of materials, read from ``materials.csv``."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from functools import cache

from heapwright.data.tables import FactRow, Shape, read_rows
from heapwright.errors import InputError
from heapwright.science.materials import Material, Origin, Span

PROPERTIES = (
    "moisture_pct",
    "n_pct_dry",
    "c_pct_dry",
    "cn",
    "bulk_density_kg_m3",
    "vs_pct_dry",
    "degradability_pct_vs",
)
LAYER_ROLES = ("food", "green", "brown", "woody", "mineral", "water")

POSSIBLE: dict[str, tuple[float, float]] = {
    "moisture_pct": (0, 100),
    "n_pct_dry": (0, 20),
    "c_pct_dry": (0, 60),
    "cn": (1, 2000),
    "bulk_density_kg_m3": (1, 2500),
    "vs_pct_dry": (0, 100),
    "degradability_pct_vs": (0, 100),
}
"""What a figure of a material can be at all; outside of it something was mistyped."""

SHAPE = Shape(
    numbers={
        **{
            f"{name}_{side}": limits
            for name, limits in POSSIBLE.items()
            for side in ("min", "typ", "max")
        },
        "ph_typ": (0, 14),
    },
    ordered=[(f"{name}_min", f"{name}_max") for name in PROPERTIES],
    within=[(f"{name}_min", f"{name}_typ", f"{name}_max") for name in PROPERTIES],
)


def span_of(
    low: float | None,
    typical: float | None,
    high: float | None,
    origin: Origin = "published",
) -> Span | None:
    """Return the span of a published row, or None when all three are blank.

    A typical value without a range stands alone (low = high = typical, meaning that no range
    was published); a range without a typical value takes its midpoint; a typical value
    outside its range widens it.
    """
    if typical is None:
        if low is None or high is None:
            one = low if low is not None else high
            return None if one is None else Span(one, one, one, origin, "no published range")
        midpoint = (low + high) / 2
        return Span(midpoint, low, high, "derived", "midpoint of the published range")
    if low is None and high is None:
        return Span(typical, typical, typical, origin, "no published range")
    low = typical if low is None else low
    high = typical if high is None else high
    if low <= typical <= high:
        return Span(typical, low, high, origin)
    note = "typical value outside the published range, which was widened to hold it"
    return Span(typical, min(low, typical), max(high, typical), origin, note)


def _origins(row: FactRow) -> dict[str, Origin]:
    """Return the origin of each figure; ``all:assumed`` marks a proxy row."""
    origins: dict[str, Origin] = dict.fromkeys(PROPERTIES, "published")
    for part in row.text("origin").split():
        name, _, word = part.partition(":")
        names = PROPERTIES if name == "all" else (name,)
        if word not in ("derived", "assumed") or any(n not in PROPERTIES for n in names):
            raise row.error(f"“{part}” is not a figure and its origin", "origin")
        origin: Origin = "derived" if word == "derived" else "assumed"
        origins.update(dict.fromkeys(names, origin))
    return origins


def material_of(row: FactRow) -> Material:
    """Return the material that a row of the library states.

    Raises
    ------
    FactError
        If a cell is not what its column holds.
    """
    if row.need_text("layer_role") not in LAYER_ROLES:
        raise row.error(f"is none of {', '.join(LAYER_ROLES)}", "layer_role")
    if row.flag("confirmed") != (row.mark == "published"):
        raise row.error("a row is marked published exactly when it is confirmed", "mark")
    origins = _origins(row)

    def span(name: str) -> Span | None:
        return span_of(
            row.number_or_none(f"{name}_min"),
            row.number_or_none(f"{name}_typ"),
            row.number_or_none(f"{name}_max"),
            origins[name],
        )

    return Material(
        id=row.text("id"),
        name=row.need_text("name"),
        category=row.need_text("category"),
        moisture_pct=span("moisture_pct"),
        n_pct_dry=span("n_pct_dry"),
        c_pct_dry=span("c_pct_dry"),
        cn=span("cn"),
        bulk_density_kg_m3=span("bulk_density_kg_m3"),
        vs_pct_dry=span("vs_pct_dry"),
        degradability_pct_vs=span("degradability_pct_vs"),
        ph=row.number_or_none("ph_typ"),
        carbon_available=row.flag("carbon_available"),
        sources=row.sources,
        mark=row.mark,
        note=row.text("note"),
        layer_role=row.text("layer_role"),
    )


@cache
def materials() -> dict[str, Material]:
    """Return the library by id, in the order of the table, ``water`` among it."""
    rows = read_rows("materials.csv", SHAPE)
    return {row.text("id"): material_of(row) for row in rows}


def find_material(name: str, among: Mapping[str, Material]) -> Material:
    """Return the material that ``name`` means: its id or its full name, whatever the case.

    Raises
    ------
    InputError
        If there is none; the message offers up to three that look alike.
    """
    wanted = name.strip().casefold()
    for material in among.values():
        if wanted in (material.id.casefold(), material.name.casefold()):
            return material
    near = near_ids(wanted, among)
    hint = (
        f"did you mean {' or '.join([', '.join(near[:-1]), near[-1]] if near[1:] else near)}?"
        if near
        else "“heapwright materials” lists those that are known"
    )
    raise InputError(f"there is no material “{name.strip()}”; {hint}")


def near_ids(wanted: str, among: Mapping[str, Material]) -> list[str]:
    """Return the ids of up to three materials that look like ``wanted``, likeliest first.

    First those whose id or name holds its words, then those spelled much like it.
    """
    wanted = wanted.casefold().replace("_", " ")
    words = [word for word in wanted.split() if len(word) > 2]
    forms: dict[str, str] = {}
    hits: list[str] = []
    for material in among.values():
        text = f"{material.id} {material.name}".casefold()
        if words and all(word in text for word in words):
            hits.append(material.id)
        for form in (material.id.replace("_", " "), material.name.partition(",")[0]):
            forms.setdefault(form.casefold(), material.id)
    near = difflib.get_close_matches(wanted, forms, n=3, cutoff=0.65)
    return list(dict.fromkeys([*hits, *(forms[form] for form in near)]))[:3]
