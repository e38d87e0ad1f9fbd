"""From the records to the cut-away of a heap: what was laid, in order, and where it was probed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Final

from django.utils.translation import gettext as _

from heapwright.science.materials import Material
from heapwright.web.drawing.hatch import Category, hatch_of
from heapwright.web.drawing.heap import Layer, Probe, Section, Shape
from heapwright.web.tend.plan import WALLED, drawn_cover, height_m
from heapwright.yard import ledger
from heapwright.yard.heap_shape import shape_in
from heapwright.yard.models import DailySummary, End, Flow, Kind, Lot, PlaceKind
from heapwright.yard.models.readings import NO_DEPTH_CM
from heapwright.yard.state import LotState
from heapwright.yard.today import in_words

SHAPES: Final[dict[str, Shape]] = {
    PlaceKind.BAY: "bay",
    PlaceKind.STOCKPILE: "bay",
    PlaceKind.VESSEL: "vessel",
    PlaceKind.LANE: "windrow",
}
_LAID: Final = (Kind.BUILD, Kind.ADD, Kind.COMBINE)
_TOLD_APART: Final = 8
_USUAL_SHARE: Final = 0.4  # where nobody said how deep, a pin is drawn this far down


@dataclass(frozen=True, slots=True)
class Laid:
    """One line into a heap: what it was, how much, when."""

    name: str
    category: Category
    mass_kg: float
    volume_m3: float | None
    at: datetime


def laid(lot: Lot, materials: Mapping[str, Material]) -> list[Laid]:
    """Return what was laid on a heap, in order; water is no layer. Two queries."""
    lines = list(
        Flow.objects.filter(
            ledger.counts(),
            to_lot=lot,
            from_kind=End.LOT,
            entry__kind__in=_LAID,
            corrects=None,
        )
        .select_related("entry", "from_lot")
        .defer("entry__sent")
        .order_by("entry__happened_at", "entry_id", "id")
    )
    made_of = _materials_of({line.from_lot_id for line in lines if line.from_lot_id})
    return [
        Laid(
            *_named(line, made_of[line.from_lot_id or 0], materials),
            mass_kg=line.mass_kg,
            volume_m3=line.volume_m3,
            at=line.entry.happened_at,
        )
        for line in lines
    ]


def _materials_of(lot_ids: Collection[int]) -> dict[int, set[str]]:
    found: dict[int, set[str]] = defaultdict(set)
    lines = Flow.objects.filter(
        ledger.counts(), to_lot__in=lot_ids, from_kind__in=(End.SOURCE, End.OPENING)
    )
    for lot_id, material_id in lines.order_by().values_list("to_lot_id", "material_id"):
        found[lot_id].add(material_id)
    return found


def _named(
    line: Flow, made_of: set[str], materials: Mapping[str, Material]
) -> tuple[str, Category]:
    known = [materials[name] for name in made_of if name in materials]
    if len(known) == 1:
        cn = known[0].cn
        return in_words(known[0]), hatch_of(
            known[0].category, cn.typical if cn else None, known[0].layer_role
        )
    assert line.from_lot is not None
    if line.from_lot.kind == "overs":
        return _("overs"), "woody"
    return line.from_lot.code, "brown"


def layers(lines: Sequence[Laid], *, all_of_a_kind: bool = False) -> tuple[Layer, ...]:
    """Return the layers of a drawing; what lies on its like is one layer.

    Where that makes more than can be told apart, neighbours of one category are one layer.
    ``all_of_a_kind`` puts all of a material together, for a heap that was mixed.
    """
    filled = [one for one in lines if one.volume_m3]
    if all_of_a_kind:
        volumes: dict[tuple[str, Category], float] = defaultdict(float)
        for one in filled:
            volumes[one.name, one.category] += one.volume_m3 or 0.0
        return tuple(Layer(name, category, m3) for (name, category), m3 in volumes.items())
    alike = [list(group) for _key, group in groupby(filled, lambda one: (one.name, one.category))]
    if len(alike) > _TOLD_APART:
        alike = [list(group) for _key, group in groupby(filled, lambda one: one.category)]
    return tuple(
        Layer(
            _together({one.name for one in group}, group[0].category),
            group[0].category,
            sum(one.volume_m3 or 0.0 for one in group),
        )
        for group in alike
    )


def _together(names: set[str], category: Category) -> str:
    if len(names) == 1:
        return names.pop()
    words = {
        "food": _("%(count)d kinds of food"),
        "green": _("%(count)d kinds of green"),
        "brown": _("%(count)d kinds of brown"),
        "woody": _("%(count)d kinds of wood"),
        "mineral": _("%(count)d minerals"),
    }
    return words[category] % {"count": len(names)}


def probes(summaries: Sequence[DailySummary], high_m: float) -> tuple[Probe, ...]:
    """Return the points of the last day read, spread over the section in their order."""
    if not summaries:
        return ()
    last = max(one.day for one in summaries)
    rows = sorted((one for one in summaries if one.day == last), key=_by_point)
    return tuple(
        Probe(
            number=number,
            across=(index + 1) / (len(rows) + 1),
            depth_m=min(
                one.depth_cm / 100 if one.depth_cm != NO_DEPTH_CM else high_m * _USUAL_SHARE,
                high_m * 0.95,
            ),
            temp_c=one.max_c,
        )
        for index, (number, one) in enumerate(zip(numbers(rows), rows, strict=True))
    )


def point_names(summaries: Sequence[DailySummary]) -> str:
    """Return which pin is which point, ``1 base, 2 core``; blank where their numbers say it."""
    last = max((one.day for one in summaries), default=None)
    rows = sorted((one for one in summaries if one.day == last), key=_by_point)
    if all(one.point.isdecimal() or not one.point for one in rows):
        return ""
    return ", ".join(
        f"{number} {one.point}" for number, one in zip(numbers(rows), rows, strict=True)
    )


def _by_point(one: DailySummary) -> tuple[bool, float, str]:
    digits = one.point.isdecimal()
    return not digits, float(one.point) if digits else 0.0, one.point


def numbers(rows: Sequence[DailySummary]) -> list[int]:
    """Return the number of each point: its own where it is one, else by its place in the row."""
    own = [int(one.point) if one.point.isdecimal() else 0 for one in rows]
    if len(set(own)) == len(own) and all(own):
        return own
    return list(range(1, len(rows) + 1))


def section(
    lot: LotState,
    lines: Sequence[Laid],
    summaries: Sequence[DailySummary],
    turned_at: datetime | None = None,
) -> Section:
    """Return the heap as it is cut open in the drawing.

    ``turned_at`` is when it was turned last: what was laid before is mixed.
    """
    place = lot.place
    kind = place.kind if place else ""
    high_m = max(height_m(lot), 0.05)
    width_m = min(place.width_m, place.depth_m) if place and kind == PlaceKind.LANE else None
    if width_m is None:
        width_m = place.width_m if place and kind in WALLED else max(2.2 * high_m, 0.5)
    if place and lot.volume_m3 and kind not in WALLED and kind != PlaceKind.LANE:
        free = shape_in(place, lot.volume_m3)  # one of several on shared ground
        high_m, width_m = free.height_m, free.width_m
    mixed = turned_at is not None and all(one.at <= turned_at for one in lines)
    return Section(
        code=lot.code,
        shape=SHAPES.get(kind, "cone"),
        width_m=width_m,
        height_m=high_m,
        wall_m=(place.height_m or 0.0) if place and kind in WALLED else 0.0,
        cover=drawn_cover(lot.cover),
        layers=layers(lines, all_of_a_kind=mixed),
        probes=probes(summaries, high_m),
        mixed=mixed,
    )
