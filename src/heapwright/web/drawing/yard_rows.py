"""The heaps row by row, seen from the front: the yard at a glance.

Each line is an elevation to scale, as many heaps side by side as fit with their words. Bays come
first, row by row as on the plan, then windrows, then the ground that several lots share under
its name. On a phone each row begins a line; on a wide sheet rows stand side by side.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from xml.etree.ElementTree import Element

from heapwright.web.drawing.blocks import Block, Run, act_runs
from heapwright.web.drawing.labels import Box, fit, wrap
from heapwright.web.drawing.places import (
    OPEN_GROUND,
    LengthUnit,
    Pile,
    Place,
    Yard,
    describe,
    describe_pile,
    length,
)
from heapwright.web.drawing.solids import Face, core, heap, lid, reading, walls
from heapwright.web.drawing.svg import (
    SOFT,
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
_APART_PX = 34.0  # between two rows of the plan that stand on one line
_TYPE_PX = 13.0
_HEADING_PX = 22.0
_ABREAST = 4  # bays of usual width side by side on a phone
_WIDE_PX = 500.0
_LEAST_FACE_M = 0.9  # a heap on shared ground is not drawn narrower, however many there are
_SLUMPED = 1.8  # nor narrower than this many times its height


@dataclass(frozen=True, slots=True)
class _Slot:
    place: Place
    pile: Pile | None
    face_px: float
    block: Block

    @property
    def width(self) -> float:
        return max(self.face_px + 4, self.block.width - _GAP_PX + 6, 48.0)

    @property
    def href(self) -> str:
        return (self.pile.href if self.pile is not None else "") or self.place.href


@dataclass(frozen=True, slots=True)
class _Run:
    """Slots that stand in a row, under a heading where the ground has a name."""

    heading: str
    slots: tuple[_Slot, ...]

    @property
    def width(self) -> float:
        return sum(slot.width for slot in self.slots) + _GAP_PX * (len(self.slots) - 1)


def yard_rows(
    yard: Yard,
    *,
    uid: str,
    width_px: float = 328,
    temp_unit: TempUnit = "C",
    length_unit: LengthUnit = "m",
) -> Drawing:
    """Draw every place that holds heaps, from the front, row by row.

    A windrow is shown by its cross-section. Every slot is at least 48 px wide and is a link
    when its pile or its place has an ``href``.

    Raises
    ------
    ValueError
        When no place of the yard can hold a pile.
    """
    places = [place for place in yard.places if place.piles or place.kind in ("bay", "vessel")]
    if not places:
        raise ValueError("no place of this yard holds a pile; add a bay or a windrow first")
    usual = median(_face_m(place) for place in places)
    room = min(width_px, _WIDE_PX) - 8 - _GAP_PX * (_ABREAST - 1)
    scale = max(14.0, min(room / _ABREAST / usual - 4 / usual, 60.0))
    runs = [
        _Run(
            heading,
            tuple(
                _slot(place, pile, scale, width_px)
                for place in row
                for pile in (place.piles or (None,))
            ),
        )
        for heading, row in _grouped(places)
    ]
    lettering = Lettering()
    body: list[Element] = []
    plates: list[Element] = []
    y = 2.0
    linked = False
    for abreast in _lines(runs, width_px - 8, wide=width_px >= _WIDE_PX):
        slots = [slot for run in abreast for slot in run.slots]
        top = y + (_HEADING_PX if any(run.heading for run in abreast) else 0)
        high = max(
            max(slot.place.height_m, slot.pile.height_m if slot.pile else 0.0) for slot in slots
        )
        base = top + 26 + high * scale
        foot = base + 5 + max(slot.block.height for slot in slots)
        x = 4.0
        for run in abreast:
            if run.heading:
                text = fit(run.heading, max(run.width, 90) - 4, _TYPE_PX, bold=True)
                lettering.write(x, y + 17, text, size=_TYPE_PX, bold=True, fill=SOFT)
            ground = line(x - 4, base, x + run.width + 4, base, stroke_width=1)
            body.append(ground)
            for slot in run.slots:
                parts, more = _draw(slot, x, base, scale, uid, lettering, width_px, temp_unit)
                plates += more
                if slot.href:
                    linked = True
                    parts.append(
                        rect(x, top + 2, slot.width, foot - top - 2, stroke="none",
                             pointer_events="all")
                    )  # fmt: skip
                    words = _words(slot, temp_unit, length_unit)
                    parts = [el("a", *parts, href=slot.href, aria_label=words)]
                body += parts
                x += slot.width + _GAP_PX
            x += _APART_PX - _GAP_PX
        y = foot + 6
    tallest = max((place.height_m for place in places), default=0.0)
    words = " ".join(describe(place, temp_unit, length_unit) for place in places)
    if tallest:
        words += f" Walls are up to {length(tallest, length_unit)} high."
    return sheet(
        uid, width_px, y + 4, f"Heaps of {yard.name}, row by row", words, [*body, *plates],
        lettering, defs=[hot_pattern(uid)], linked=linked,
    )  # fmt: skip


def _words(slot: _Slot, temp_unit: TempUnit, length_unit: LengthUnit) -> str:
    if slot.pile is None:
        return describe(slot.place, temp_unit, length_unit)
    return describe_pile(slot.place, slot.pile, temp_unit, length_unit)


def _face_m(place: Place) -> float:
    """Return how wide a place looks from the front; a windrow shows its cross-section."""
    if place.kind in ("windrow", "trench"):
        return min(place.width_m, place.depth_m)
    share = place.width_m / max(len(place.piles), 1)
    if place.kind not in OPEN_GROUND:
        return share
    tallest = max((pile.height_m for pile in place.piles), default=0.0)
    return max(share, _LEAST_FACE_M, min(_SLUMPED * tallest, 2.0))


def _slot(place: Place, pile: Pile | None, scale: float, width_px: float) -> _Slot:
    face_px = min(_face_m(place) * scale, width_px - 12)
    room = max(face_px + _GAP_PX - 4, 60.0)
    lines: list[tuple[Run, ...]] = [(Run(place.stake(pile), bold=True),)]
    if pile is None:
        lines.append((Run("empty"),))
    else:
        stage = (Run(pile.stage),)
        if Block(((*lines[0], *stage),), _TYPE_PX).width <= room:
            lines[0] = (*lines[0], *stage)
        else:
            lines.append(stage)
        lines.append((Run(f"day {pile.day}"),))
        act = act_runs(pile)
        if act or pile.task is not None:
            lines.append(act or (Run(str(pile.task), bold=True, flag=True),))
        if pile.age_of_reading:
            lines.append((Run(pile.age_of_reading),))
    whole: list[tuple[Run, ...]] = []
    for runs in lines:
        if len(runs) > 1 or runs[0].flag:
            whole.append(runs)
            continue
        whole += [
            (Run(text, runs[0].bold),)
            for text in wrap(runs[0].text, room, _TYPE_PX, bold=runs[0].bold)
        ]
    return _Slot(place, pile, face_px, Block(tuple(whole), _TYPE_PX))


def _grouped(places: Sequence[Place]) -> Iterator[tuple[str, list[Place]]]:
    """Yield the rows of bays, the rows of windrows, and each shared ground under its name."""
    open_ground = [place for place in places if place.kind in OPEN_GROUND]
    walled = [place for place in places if place.kind in ("bay", "vessel", "bunker")]
    lanes = [place for place in places if place not in open_ground and place not in walled]
    for row in _rows(walled):
        yield "", row
    if lanes:
        yield "", sorted(lanes, key=lambda p: (p.y_m, p.x_m))
    for place in sorted(open_ground, key=lambda p: (p.y_m, p.x_m)):
        yield place.name, [place]


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


def _lines(runs: Iterable[_Run], width: float, *, wide: bool) -> list[list[_Run]]:
    """Set runs in lines: side by side on a wide sheet, and broken where one is too long."""
    lines: list[list[_Run]] = []
    used = 0.0
    for run in runs:
        if wide and lines and used + _APART_PX + run.width <= width:
            lines[-1].append(run)
            used += _APART_PX + run.width
            continue
        parts = _broken(run.slots, width)
        lines += [[_Run(run.heading if i == 0 else "", part)] for i, part in enumerate(parts)]
        used = lines[-1][0].width
    return lines


def _broken(row: Sequence[_Slot], width: float) -> list[tuple[_Slot, ...]]:
    """Break a row into as few lines as fit the width, of even length where that fits too."""
    lines = _filled(row, width, len(row))
    even = _filled(row, width, math.ceil(len(row) / len(lines)))
    return even if len(even) == len(lines) else lines


def _filled(row: Sequence[_Slot], width: float, most: int) -> list[tuple[_Slot, ...]]:
    """Break a row into lines that fit the width, at most so many slots in each."""
    lines: list[list[_Slot]] = []
    used = 0.0
    for slot in row:
        if lines and len(lines[-1]) < most and used + _GAP_PX + slot.width <= width:
            lines[-1].append(slot)
            used += _GAP_PX + slot.width
        else:
            lines.append([slot])
            used = slot.width
    return [tuple(line) for line in lines]


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
    plates += slot.block.write(
        x + (slot.width - slot.block.width) / 2, base + 5, lettering, halo=False
    )
    return parts, plates
