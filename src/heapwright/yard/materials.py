"""The materials that this site knows: library, own, and what was measured of either.

A library row is named by its id; a site's own material by its code; both in one dictionary. A
dated measurement overrides the figure from its date on, and a measurement of one lot only for
that lot.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Final

from django.utils.translation import gettext as _

from heapwright.data import category_defaults, find_material, materials
from heapwright.data.library import POSSIBLE
from heapwright.data.mixing import mix_facts
from heapwright.errors import InputError
from heapwright.science.ingredients import WATER
from heapwright.science.ingredients import measured as measured_span
from heapwright.science.materials import Material, Span
from heapwright.yard.errors import NotFoundError
from heapwright.yard.models import Lot, Measurement, OwnMaterial

OVERS: Final = "compost_overs"
"""The library's row for what is screened out of compost and goes round again."""

FIGURES = ("moisture_pct", "n_pct_dry", "c_pct_dry", "cn", "vs_pct_dry", "bulk_density_kg_m3")
"""What a measurement can override; other quantities are kept as results of the lot."""


def library(at: datetime | None = None) -> dict[str, Material]:
    """Return all materials by id as they were known at a time (now when left out)."""
    known = dict(materials())
    for own in OwnMaterial.objects.all():
        known[own.code] = _own(own)
    measured = Measurement.objects.filter(
        entry__struck_at=None, lot=None, quantity__in=FIGURES, comparator="="
    )
    if at is not None:
        measured = measured.filter(entry__happened_at__lte=at)
    for one in measured.order_by("entry__happened_at", "entry_id"):
        if one.material_id in known:
            known[one.material_id] = _overridden(known[one.material_id], [one])
    return known


def material(name: str, at: datetime | None = None, *, field: str = "material") -> Material:
    """Return one material by its id or name.

    Raises
    ------
    NotFoundError
        With near matches.
    """
    try:
        return find_material(name, library(at))
    except InputError as error:
        raise NotFoundError(error.message, field=field) from None


def of_lot(lot: Lot, material_id: str, at: datetime | None = None) -> Material:
    """Return a stock lot's material with what was measured of this very lot."""
    measured = lot.measurements.filter(
        entry__struck_at=None, quantity__in=FIGURES, comparator="="
    ).order_by("entry__happened_at", "entry_id")
    if at is not None:
        measured = measured.filter(entry__happened_at__lte=at)
    return _overridden(material(material_id, at), measured)


def bulk_density_kg_m3(material_id: str, at: datetime | None = None) -> float | None:
    """Return the wet bulk density: measured here, published, or else usual for its category."""
    facts = mix_facts()
    if material_id == WATER:
        return facts.water_density_kg_m3
    found = library(at).get(material_id)
    if found is None:
        return None
    if found.bulk_density_kg_m3 is not None:
        return found.bulk_density_kg_m3.typical
    category = facts.categories.get(found.category)
    return category.bulk_density_kg_m3.typical if category else None


def check_id(material_id: str, field: str) -> str:
    """Return the id of the material named, or raise NotFoundError with near matches."""
    return material(material_id, field=field).id


def role(material: Material) -> str:
    """Return what a material is in a heap: food, green, brown, woody or mineral."""
    return material.layer_role or category_defaults()[material.category].layer_role


def _own(own: OwnMaterial) -> Material:
    spans = {
        name: Span(value, value, value, "measured")
        for name in FIGURES
        if (value := getattr(own, name)) is not None
    }
    return Material(
        id=own.code,
        name=own.name,
        category=own.category,
        layer_role=own.layer_role,
        price_per_tonne=own.price_per_tonne,
        mark="common practice",
        note=own.note or _("this site's own material"),
        **spans,
    )


def _overridden(known: Material, measured: Iterable[Measurement]) -> Material:
    spreads = mix_facts().measured
    for one in measured:
        highest = POSSIBLE[one.quantity][1]
        span = measured_span(one.value, spreads[one.quantity], highest=highest)
        known = replace(known, **{one.quantity: span})
    return known
