"""The bays row by row, seen from the front: the yard at a glance on a phone.

Each line is an elevation to scale, as many places side by side as fit with their words; rows
follow the plan from north to south and from west to east.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median
from xml.etree.ElementTree import Element

from heapwright.web.drawing.blocks import Block, Run, pile_blocks
from heapwright.web.drawing.labels import Box, text_width, wrap
from heapwright.web.drawing.places import (
    LengthUnit,
    Pile,
    Place,
    Yard,
    describe,
    length,
)
from heapwright.web.drawing.solids import Face, core, heap, lid, reading, walls
from heapwright.web.drawing.svg import (
    INK,
    PAPER,
    Drawing,
    Lettering,
    el,
    hot_pattern,
    line,
    rect,
    sheet,
)
from heapwright.web.heat import TempUnit

_GAP_PX = 12.0
_TYPE_PX = 13.0
_ABREAST = 4  # bays of usual width side by side


@dataclass(frozen=True, slots=True)
class _Slot:
    place: Place
    pile: Pile | None
    face_px: float
    block: Block

    @property
    def width(self) -> float:
        return max(self.face_px + 4, self.block.width - _GAP_PX + 6, 48.0)


def yard_rows(
    yard: Yard,
    *,
    uid: str,
    width_px: float = 328,
    temp_unit: TempUnit = "C",
    length_unit: LengthUnit = "m",
) -> Drawing:
    """Draw every place that holds piles, from the front, row by row.

    A windrow is shown by its cross-section. Every slot is at least 48 px wide and is a link
    when its place has an ``href``.

    Raises
    ------
    ValueError
        When no place of the yard can hold a pile.
    """
    places = [place for place in yard.places if place.piles or place.kind in ("bay", "vessel")]
    if not places:
        raise ValueError("no place of this yard holds a pile; add a bay or a windrow first")
    usual = median(_face_m(place) for place in places)
    room = width_px - 8 - _GAP_PX * (_ABREAST - 1)
    scale = max(14.0, min(room / _ABREAST / usual - 4 / usual, 60.0))
    slots = [
        [_slot(place, pile, scale, width_px) for place in row for pile in (place.piles or (None,))]
        for row in _rows(places)
    ]
    lettering = Lettering()
    body: list[Element] = []
    plates: list[Element] = []
    y = 2.0
    linked = False
    for abreast in (part for row in slots for part in _broken(row, width_px - 8)):
        high = max(
            max(slot.place.height_m, slot.pile.height_m if slot.pile else 0.0) for slot in abreast
        )
        base = y + (48 if any(_crowded(slot, scale) for slot in abreast) else 26) + high * scale
        foot = base + 5 + max(slot.block.height for slot in abreast)
        x = 4.0
        for slot in abreast:
            parts, more = _draw(slot, x, base, scale, uid, lettering, width_px, temp_unit)
            plates += more
            if slot.place.href:
                linked = True
                parts.append(
                    rect(x, y + 2, slot.width, foot - y - 2, stroke="none", pointer_events="all")
                )
                words = describe(slot.place, temp_unit, length_unit)
                parts = [el("a", *parts, href=slot.place.href, aria_label=words)]
            body += parts
            x += slot.width + _GAP_PX
        body.insert(0, line(0, base, width_px, base, stroke_width=1))
        y = foot + 2
    tallest = max((place.height_m for place in places), default=0.0)
    words = " ".join(describe(place, temp_unit, length_unit) for place in places)
    if tallest:
        words += f" Walls are up to {length(tallest, length_unit)} high."
    return sheet(
        uid, width_px, y + 4, f"Piles of {yard.name}, row by row", words, [*body, *plates],
        lettering, defs=[hot_pattern(uid)], linked=linked,
    )  # fmt: skip


def _face_m(place: Place) -> float:
    """Return how wide a place looks from the front; a windrow shows its cross-section."""
    if place.kind in ("windrow", "trench"):
        return min(place.width_m, place.depth_m)
    return place.width_m / max(len(place.piles), 1)


def _slot(place: Place, pile: Pile | None, scale: float, width_px: float) -> _Slot:
    face_px = min(_face_m(place) * scale, width_px - 12)
    room = max(face_px + _GAP_PX - 4, 56.0)
    lines = list(pile_blocks(place, pile, _TYPE_PX, flagged=False)[0].lines)
    if pile is not None and Block(((*lines[0], *lines[1]),), _TYPE_PX).width <= room:
        lines[:2] = [(*lines[0], *lines[1])]
    whole: list[tuple[Run, ...]] = []
    for runs in lines:
        if len(runs) > 1:
            whole.append(runs)
            continue
        whole += [
            (Run(text, runs[0].bold),)
            for text in wrap(runs[0].text, room, _TYPE_PX, bold=runs[0].bold)
        ]
    return _Slot(place, pile, face_px, Block(tuple(whole), _TYPE_PX))


def _rows(places: Iterable[Place]) -> list[list[Place]]:
    """Group places whose footprints share a band from west to east."""
    rows: list[list[Place]] = []
    for place in sorted(places, key=lambda p: (p.y_m + p.depth_m / 2, p.x_m)):
        middle = place.y_m + place.depth_m / 2
        if rows and any(p.y_m <= middle <= p.y_m + p.depth_m for p in rows[-1][:1]):
            rows[-1].append(place)
        else:
            rows.append([place])
    return [sorted(row, key=lambda p: (p.x_m, p.y_m)) for row in rows]


def _broken(row: list[_Slot], width: float) -> list[list[_Slot]]:
    """Break a row into lines that fit the width, as text is broken."""
    lines: list[list[_Slot]] = []
    used = 0.0
    for slot in row:
        if lines and used + _GAP_PX + slot.width <= width:
            lines[-1].append(slot)
            used += _GAP_PX + slot.width
        else:
            lines.append([slot])
            used = slot.width
    return lines


def _draw(
    slot: _Slot,
    x: float,
    base: float,
    scale: float,
    uid: str,
    lettering: Lettering,
    width_px: float,
    unit: TempUnit,
) -> tuple[list[Element], list[Element]]:
    place, pile = slot.place, slot.pile
    left = x + (slot.width - slot.face_px) / 2
    walled = place.height_m > 0
    height_m = place.height_m or (pile.height_m if pile else 0.0)
    face = Face(left, left + slot.face_px, base, height_m * scale)
    parts = walls(face, place.kind) if walled else []
    plates: list[Element] = []
    if pile is not None:
        body = Face(face.x0, face.x1, base, pile.height_m * scale)
        parts += heap(body, walled)
        parts += core(body, walled, pile, uid)
        parts += lid(body, pile.cover)
        sheet_box = Box(0, 0, width_px, base)
        plates += reading(body, walled, pile, lettering, sheet_box, unit, 17) or []
        if pile.task is not None:
            top = base - max(face.height, body.height)
            plates += _flag(str(pile.task), face, top, lettering)
    plates += slot.block.write(
        x + (slot.width - slot.block.width) / 2, base + 5, lettering, halo=False
    )
    return parts, plates


def _crowded(slot: _Slot, scale: float) -> bool:
    """Tell whether a reading may stand above the heap where a task's tab would hang."""
    pile = slot.pile
    if pile is None or pile.task is None or pile.temp_c is None:
        return False
    walled = slot.place.height_m > 0
    wide, high = (56, 34) if walled else (90, 44)
    if slot.face_px >= wide and pile.height_m * scale >= high:
        return False
    return not walled or (slot.place.height_m - pile.height_m) * scale < 30


def _flag(text: str, face: Face, top: float, lettering: Lettering) -> list[Element]:
    """Return the number of a task on a filled tab that hangs from a post, or above it."""
    width = max(text_width(text, _TYPE_PX, bold=True) + 8, 18)
    left, right = face.x0 - 4, face.x1 + 4 - width
    spots = [(left, top - 20), (right, top - 20), (left, top - 46)]
    x, y = next(
        (x, y)
        for x, y in spots
        if not any(Box(x, y, x + width, y + 20).overlaps(box) for box in lettering.boxes)
    )
    lettering.boxes.append(Box(x, y, x + width, y + 20, text))
    lettering.write(
        x + width / 2, y + 14.8, text, size=_TYPE_PX, bold=True, anchor="middle", fill=PAPER,
        label=False,
    )  # fmt: skip
    return [rect(x, y, width, 20, fill=INK, stroke=PAPER, stroke_width=1.5)]
