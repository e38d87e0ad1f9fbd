"""What went into a heap, as the pile model takes it.

What nobody measured or published is filled in from :mod:`heapwright.data.outlook` and told.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Final

from django.db.models import Min, Sum
from django.utils.translation import gettext_noop

from heapwright.data import materials as library_table
from heapwright.data.mixing import mix_facts, water
from heapwright.data.outlook import stand_in
from heapwright.errors import NotMeasuredError
from heapwright.science.ingredients import Ingredient, complete
from heapwright.science.materials import Material, Span
from heapwright.science.mixing import Part
from heapwright.yard import ledger, materials
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.forecast_told import Assumed, UntoldError
from heapwright.yard.ledger import Moment
from heapwright.yard.models import End, Flow, Lot, LotKind, Measurement

_FILLED_IN: Final = ("moisture_pct", "vs_pct_dry", "bulk_density_kg_m3", "degradability_pct_vs")

Line = tuple[str, int | None, str, float]
"""From which kind of end, which lot, which material, and how much, kg."""


def lines_into(lot: Lot, until: Moment | None) -> dict[int, list[Line]]:
    """Return what went into a lot, by entry, in the order written."""
    found: dict[int, list[Line]] = defaultdict(list)
    for entry_id, *line in (
        Flow.objects.filter(ledger.counts(), ledger.until(until), to_lot=lot)
        .values_list("entry_id", "from_kind", "from_lot_id", "material_id")
        .annotate(Sum("mass_kg"), first=Min("id"))
        .order_by("entry_id", "first")
    ):
        if line[3] > EMPTY_KG:
            found[entry_id].append((line[0], line[1], line[2], line[3]))
    return found


def parts_of(lines: list[Line], when: datetime) -> tuple[list[Part], list[Assumed]]:
    """Return what a build or an addition put in, one part a line, and what was filled in."""
    lots = Lot.objects.in_bulk([one for _kind, one, _material, _kg in lines if one is not None])
    named = _materials_of(lots)
    known = materials.library(when)
    own = set(
        Measurement.objects.filter(
            entry__struck_at=None, lot__in=lots, quantity__in=materials.FIGURES
        ).values_list("lot_id", flat=True)
    )
    parts: list[Part] = []
    assumed: list[Assumed] = []
    for kind, lot_id, material_id, mass_kg in lines:
        if kind == End.WATER:
            parts.append(Part(water(), mass_kg))
            continue
        if kind == End.AIR:
            continue  # the books were short: no more of anything came
        lot = None if lot_id is None else lots[lot_id]
        name, guessed = _name_of(lot, material_id, named)
        material = known.get(name)
        if material is None:
            raise UntoldError(
                gettext_noop("nobody knows what %(lot)s was made of"),
                lot=lot.code if lot else material_id,
            )
        if lot is not None and lot.id in own and not guessed:
            material = materials.of_lot(lot, name)
        try:
            ingredient, filled = completed(material)
        except NotMeasuredError:
            raise UntoldError(
                gettext_noop("nobody knows the moisture and nitrogen of %(name)s; measure it"),
                name=material.name,
            ) from None
        if filled is not None:
            assumed.append(filled)
        if guessed and lot is not None:
            values = (("lot", lot.code), ("like", material.name))
            assumed.append(Assumed(gettext_noop("%(lot)s was taken like %(like)s."), values))
        parts.append(Part(ingredient, mass_kg))
    return parts, assumed


def completed(material: Material) -> tuple[Ingredient, Assumed | None]:
    """Return a material as an ingredient, unknown figures filled in from one of its kind.

    What is filled in takes the whole range of the material that stands in.
    """
    facts = mix_facts()
    try:
        return complete(material, facts), None
    except NotMeasuredError:
        pass
    kind = "overs" if material.id == materials.OVERS else material.category
    like = library_table()[stand_in(kind).material]
    filled = {
        name: replace(span, origin="assumed")
        for name in _FILLED_IN
        if getattr(material, name) is None and (span := getattr(like, name)) is not None
    }
    known = [material.n_pct_dry, material.c_pct_dry, material.cn]
    for name in ("cn", "n_pct_dry", "c_pct_dry"):
        if sum(one is not None for one in known) >= 2:
            break
        span: Span | None = getattr(like, name)
        if getattr(material, name) is None and span is not None:
            filled[name] = replace(span, origin="assumed")
            known.append(span)
    values = (("name", material.name), ("like", like.name))
    return (
        complete(replace(material, **filled), facts),
        Assumed(gettext_noop("Nobody published all of %(name)s: taken like %(like)s."), values),
    )


def _name_of(lot: Lot | None, material_id: str, named: Mapping[int, set[str]]) -> tuple[str, bool]:
    """Return the material of a line, and whether it is only what stands in for it."""
    if material_id:
        return material_id, False
    if lot is None:
        raise UntoldError(gettext_noop("nobody wrote down all that it is made of"))
    if lot.kind == LotKind.OVERS:
        return materials.OVERS, False
    if lot.kind in (LotKind.COMPOST, LotKind.PILE):
        return stand_in("compost").material, True
    names = named.get(lot.id, set())
    return (next(iter(names)), False) if len(names) == 1 else ("", False)


def _materials_of(lots: Mapping[int, Lot]) -> dict[int, set[str]]:
    """Return of which materials stock lots are, those that were combined or divided included."""
    found: dict[int, set[str]] = defaultdict(set)
    roots = {lot_id: {lot_id} for lot_id, lot in lots.items() if lot.kind == LotKind.STOCK}
    asked: set[int] = set()
    while roots:
        asked |= roots.keys()
        rows = Flow.objects.filter(ledger.counts(), to_lot__in=roots).values_list(
            "to_lot_id", "from_lot_id", "from_kind", "material_id"
        )
        before: dict[int, set[int]] = defaultdict(set)
        for to_lot, from_lot, from_kind, material_id in rows:
            if material_id and from_kind != End.WATER:
                for root in roots[to_lot]:
                    found[root].add(material_id)
            elif from_lot is not None and from_lot not in asked:
                before[from_lot] |= roots[to_lot]
        roots = before
    return found
