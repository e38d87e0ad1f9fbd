"""The yard drawn to scale from its places: a plan on squared paper whose heaps stand up.

The ground is a true plan; heights rise straight up the sheet at the same scale. So one sheet
shows where everything is, how full each bay stands and, by the core's colour and number, how
hot it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from xml.etree.ElementTree import Element

from heapwright.units import M_PER_FOOT
from heapwright.web.drawing.blocks import (
    Block,
    name_blocks,
    pile_blocks,
    store_blocks,
)
from heapwright.web.drawing.hatch import hatch
from heapwright.web.drawing.labels import Box, free, wrap
from heapwright.web.drawing.places import (
    OPEN_GROUND,
    LengthUnit,
    Pile,
    Place,
    Yard,
    describe,
    describe_pile,
)
from heapwright.web.drawing.solids import Face, core, heap, lid, profile, reading, walls
from heapwright.web.drawing.svg import (
    INK,
    LINE,
    PAPER,
    SOFT,
    WASH,
    Drawing,
    Lettering,
    el,
    hot_pattern,
    line,
    path,
    rect,
    sheet,
)
from heapwright.web.heat import TempUnit

_EDGE_PX = 12.0  # paper around the drawing
_AROUND_M = 0.7  # ground drawn around the outermost places
_TARGET_PX = 48.0  # a place smaller than a thumb is drawn, but is no link
_FLAT = ("bed", *OPEN_GROUND)
_SLOT_SHAPE = 1.25  # a heap's words are a little wider than high
_LARGEST_PX_M = 120.0  # a yard of one bay fills no screen
_NUMBERED_PX_M = 22.0  # a drawing of smaller scale has no room for a reading in a bay


@dataclass(frozen=True, slots=True)
class _Stand:
    """A place, or one pile on it: its front face, and the face of the heap inside."""

    owner: int
    place: Place
    pile: Pile | None
    face: Face
    body: Face

    @property
    def solid(self) -> Box:
        top = min(self.face.top, self.body.top)
        return Box(self.face.x0, top, self.face.x1, self.face.base, self.place.code)

    @property
    def flat(self) -> bool:
        return self.pile is None and self.place.kind in _FLAT


@dataclass(frozen=True, slots=True)
class _Label:
    """What may be written of a stand, and where: inside it, or at its foot."""

    stand: _Stand
    blocks: list[Block]


def yard_plan(
    yard: Yard,
    *,
    uid: str,
    width_px: float = 900,
    temp_unit: TempUnit = "C",
    length_unit: LengthUnit = "m",
) -> Drawing:
    """Draw the yard to scale, ``width_px`` wide.

    Labels never cover each other: each family of places (piles, bunkers, grounds, beds) is
    lettered as fully as all its members allow, and what finds no spot at all is named in a
    line under the plan. Places at least 48 px high and wide that have an ``href`` are links.

    Raises
    ------
    ValueError
        When the yard has no places.
    """
    if not yard.places:
        raise ValueError("a yard without places cannot be drawn; add a place first")
    west = min(place.x_m for place in yard.places) - _AROUND_M
    east = max(place.x_m + place.width_m for place in yard.places) + _AROUND_M
    north = min(place.y_m - _tallest_m(place) for place in yard.places) - _AROUND_M
    south = max(place.y_m + place.depth_m for place in yard.places) + _AROUND_M
    tall_px = max(width_px * (1.5 if width_px < 500 else 0.8), 420)
    scale = min((width_px - 2 * _EDGE_PX) / (east - west), tall_px / (south - north), _LARGEST_PX_M)
    numbered = scale >= _NUMBERED_PX_M
    type_px = 12.0 if width_px < 500 else 13.5
    left = (width_px - (east - west) * scale) / 2
    ground = Box(
        left, _EDGE_PX, left + (east - west) * scale,
        _EDGE_PX + (south - north) * scale + (2.6 * type_px),
    )  # fmt: skip

    def at(x_m: float, y_m: float) -> tuple[float, float]:
        return left + (x_m - west) * scale, _EDGE_PX + (y_m - north) * scale

    stands = [
        stand for i, place in enumerate(yard.places) for stand in _stands(i, place, at, scale)
    ]
    stands.sort(key=lambda stand: (not stand.flat, stand.face.base, stand.face.x0))
    lettering = Lettering()
    left_out: list[str] = []
    plates: list[Element] = []
    numbers_px = type_px + 2.5
    for stand in stands:
        if stand.pile is not None and numbered:
            plate = reading(
                stand.body, stand.place.height_m > 0, stand.pile, lettering, ground, temp_unit,
                numbers_px,
            )  # fmt: skip
            if plate is None:
                left_out.append(f"reading of {stand.place.stake(stand.pile)}")
            plates += plate or []
    families = _labels(stands, type_px, each_heap=numbered)
    flags = _letter(families, stands, ground, lettering, left_out)
    linked = False
    drawn: list[Element] = []
    for stand in stands:
        parts = _draw(stand, uid, numbered)
        if _is_link(stand):
            linked = True
            words = (
                describe(stand.place, temp_unit, length_unit)
                if stand.pile is None
                else describe_pile(stand.place, stand.pile, temp_unit, length_unit)
            )
            box = stand.solid
            target = rect(
                box.x0, box.y0, box.x1 - box.x0, box.y1 - box.y0, fill="none", stroke="none",
                pointer_events="all",
            )  # fmt: skip
            drawn.append(el("a", *parts, target, href=_href(stand), aria_label=words))
        else:
            drawn += parts
    foot = ground.y1
    furniture, foot = _furniture(yard, width_px, scale, length_unit, lettering, foot)
    if left_out:
        note = "No room on the plan for: " + ", ".join(left_out) + "."
        for text in wrap(note, width_px - 2 * _EDGE_PX, type_px):
            foot += type_px * 1.3
            lettering.write(_EDGE_PX, foot, text, size=type_px, fill=SOFT)
        foot += 6
    body = [*_squares(ground, scale, length_unit), *drawn, *plates, *flags, *furniture]
    categories = sorted({place.stock.category for place in yard.places if place.stock is not None})
    return sheet(
        uid,
        width_px,
        foot + 4,
        f"Plan of {yard.name}",
        " ".join(
            describe(place, temp_unit, length_unit) for place in yard.places if place.kind != "bed"
        )
        + _beds_words(yard),
        body,
        lettering,
        defs=[hot_pattern(uid), *(hatch(category, uid) for category in categories)],
        linked=linked,
    )


def _beds_words(yard: Yard) -> str:
    beds = sum(place.kind == "bed" for place in yard.places)
    return f" {beds} beds." if beds else ""


def _tallest_m(place: Place) -> float:
    return max([place.height_m, *(pile.height_m for pile in place.piles)])


def _href(stand: _Stand) -> str:
    return (stand.pile.href if stand.pile is not None else "") or stand.place.href


def _is_link(stand: _Stand) -> bool:
    box = stand.solid
    return bool(_href(stand)) and min(box.x1 - box.x0, box.y1 - box.y0) >= _TARGET_PX


def _stands(
    owner: int, place: Place, at: Callable[[float, float], tuple[float, float]], scale: float
) -> Iterator[_Stand]:
    """Yield the flat ground of a place, then what stands in it, side by side."""
    x0, y0 = at(place.x_m, place.y_m)
    x1, y1 = at(place.x_m + place.width_m, place.y_m + place.depth_m)
    flat = place.kind in _FLAT
    if flat or not place.piles:
        face = Face(x0, x1, y1, 0.0 if flat else place.height_m * scale, y1 - y0)
        stock = place.stock.height_m * scale if place.stock is not None else 0.0
        yield _Stand(owner, place, None, face, replace(face, height=min(stock, face.height)))
    slots = _ground_slots if flat else _side_by_side
    for (left, right, base, back), pile in zip(
        slots(x0, y0, x1, y1, len(place.piles)), place.piles, strict=True
    ):
        height = pile.height_m * scale
        face = Face(
            left, right, base,
            max(place.height_m * scale, 0.0 if place.height_m else height), back,
        )  # fmt: skip
        ridge = place.kind == "windrow" and face.width > 4 * height
        yield _Stand(owner, place, pile, face, replace(face, height=height, ridge=ridge))


_Slot = tuple[float, float, float, float]  # left, right, foot and depth of one heap


def _side_by_side(x0: float, y0: float, x1: float, y1: float, count: int) -> Iterator[_Slot]:
    """Yield the slots of heaps that stand wall to wall."""
    wide = (x1 - x0) / max(count, 1)
    for index in range(count):
        yield x0 + index * wide, x0 + (index + 1) * wide, y1, y1 - y0


def _ground_slots(x0: float, y0: float, x1: float, y1: float, count: int) -> Iterator[_Slot]:
    """Yield the slots of heaps on open ground: ranks of mounds, none of them a sliver.

    Each mound stands in the upper part of its slot, so that its words find room at its foot.
    """
    if not count:
        return
    wide, deep = x1 - x0, y1 - y0
    abreast = max(
        range(1, count + 1),
        key=lambda n: (min(wide / n / _SLOT_SHAPE, deep / math.ceil(count / n)), -n),
    )
    slot_x, slot_y = wide / abreast, deep / math.ceil(count / abreast)
    mound = min(slot_x * 0.84, slot_y * _SLOT_SHAPE)
    for index in range(count):
        row, column = divmod(index, abreast)
        middle = x0 + (column + 0.5) * slot_x
        foot = y0 + (row + 0.47) * slot_y
        yield middle - mound / 2, middle + mound / 2, foot, min(slot_y * 0.14, mound * 0.2)


def _draw(stand: _Stand, uid: str, numbered: bool) -> list[Element]:
    place, face, body, pile = stand.place, stand.face, stand.body, stand.pile
    if stand.flat:
        return _flat(place, face)
    walled = place.height_m > 0
    parts = walls(face, place.kind) if walled else []
    if not walled and pile is None:
        parts.append(
            rect(face.x0, face.base - face.back, face.width, face.back, stroke_dasharray="5 4")
        )
    if place.stock is not None and body.height > 1:
        hatched = f"url(#{uid}-{place.stock.category})"
        parts += heap(body, walled, PAPER)
        if body.back > 3:  # the same stuff seen from above, fainter
            parts.append(
                rect(body.x0, body.base - body.height - body.back, body.width, body.back,
                     fill=hatched, stroke="none", opacity=0.3)
            )  # fmt: skip
        parts.append(path(profile(body, walled), fill=hatched))
    if pile is not None:
        parts += heap(body, walled)
        if numbered:  # the colour of heat never stands without its number
            parts += core(body, walled, pile, uid)
        parts += lid(body, pile.cover)
    return parts


def _flat(place: Place, face: Face) -> list[Element]:
    x0, y0, width, depth = face.x0, face.base - face.back, face.width, face.back
    if place.kind == "bed":
        parts: list[Element] = [rect(x0, y0, width, depth, fill=PAPER, stroke_width=1.2)]
        along = width >= depth
        rows = max(int((depth if along else width) // 7), 1)
        for row in range(1, rows):
            if along:
                y = y0 + depth * row / rows
                parts.append(line(x0 + 3, y, x0 + width - 3, y, stroke=LINE, stroke_width=1))
            else:
                x = x0 + width * row / rows
                parts.append(line(x, y0 + 3, x, y0 + depth - 3, stroke=LINE, stroke_width=1))
        return parts
    if place.kind == "screen" and not place.piles:
        frame: list[str | float] = ["M", x0 + width * 0.2, y0 + depth * 0.42, "L", x0 + width * 0.8,
                                    y0 + depth * 0.12]  # fmt: skip
        legs: list[str | float] = ["M", x0 + width * 0.72, y0 + depth * 0.16, "V",
                                   y0 + depth * 0.42]  # fmt: skip
        return [
            rect(x0, y0, width, depth, fill=PAPER, stroke_width=1.2, stroke_dasharray="1.5 3"),
            path(frame, stroke_width=3.4),
            path(frame, stroke=PAPER, stroke_width=1.6, stroke_dasharray="2 2"),
            path(legs, stroke_width=1.4),
        ]
    dash = "1.5 3" if place.kind == "screen" else "7 4"
    return [rect(x0, y0, width, depth, fill=WASH if place.kind == "trench" else PAPER,
                 stroke_width=1.2, stroke_dasharray=dash)]  # fmt: skip


def _labels(stands: list[_Stand], size: float, *, each_heap: bool) -> list[list[_Label]]:
    """Return the labels by family, the most important family first.

    Members of a family are lettered alike; each ground stands for itself. Heaps that share a
    ground are named each on its own only when asked for.
    """
    bays: list[_Label] = []
    stores: list[_Label] = []
    piles: list[_Label] = []
    grounds: list[_Label] = []
    beds: list[_Label] = []
    for stand in stands:
        place = stand.place
        if stand.pile is not None and place.kind in _FLAT:
            if not each_heap:
                continue
            piles.append(_Label(stand, pile_blocks(place, stand.pile, size)))
        elif place.kind in ("bay", "windrow", "vessel"):
            bays.append(_Label(stand, pile_blocks(place, stand.pile, size)))
        elif place.kind == "bunker":
            stores.append(_Label(stand, store_blocks(place, size)))
        else:
            family = beds if place.kind == "bed" else grounds
            count = 0 if each_heap else len(place.piles)
            family.append(_Label(stand, name_blocks(place, size, stand.face.width, count)))
    return [bays, stores, piles, *([label] for label in grounds), beds]


def _letter(
    families: list[list[_Label]],
    stands: list[_Stand],
    ground: Box,
    lettering: Lettering,
    left_out: list[str],
) -> list[Element]:
    """Letter every family as fully as all its members allow; return the flags and leads."""
    flags: list[Element] = []
    for family in families:
        if not family:
            continue
        depth = max(len(label.blocks) for label in family)
        for level in range(depth):
            last = level == depth - 1
            spots = _place(family, level, stands, ground, lettering.boxes, strict=not last)
            if last or all(spot is not None for spot in spots):
                break
        for label, spot in zip(family, spots, strict=True):
            block = label.blocks[min(level, len(label.blocks) - 1)]
            if spot is None:
                left_out.append(block.text())
            else:
                flags += [*_lead(label.stand, spot), *block.write(spot.x0, spot.y0, lettering)]
    return flags


def _place(
    family: list[_Label],
    level: int,
    stands: list[_Stand],
    ground: Box,
    taken: list[Box],
    *,
    strict: bool,
) -> list[Box | None]:
    """Find a spot for each label; a label may cover other things only when not strict."""
    boxes = list(taken)
    there = [(stand, stand.solid) for stand in stands]
    edges = [edge for stand, solid in there if stand.flat for edge in _edges(solid)]
    spots: list[Box | None] = []
    for label in family:
        block = label.blocks[min(level, len(label.blocks) - 1)]
        solids = [
            solid
            for stand, solid in there
            if stand is not label.stand and not (stand.flat and stand.owner == label.stand.owner)
        ]
        proper = list(_candidates(label.stand, block))
        spot = _first_free(proper, block, ground, boxes, [*solids, *edges])
        anywhere = [*proper, *_further(label.stand, block)]
        if spot is None and (not strict or len(family) == 1):
            spot = _first_free(anywhere, block, ground, boxes, solids)
        if spot is None and not strict:
            spot = _first_free(anywhere, block, ground, boxes, [])
        if spot is not None:
            boxes.append(spot)
        spots.append(spot)
    return spots


def _edges(box: Box) -> list[Box]:
    """Return the drawn edges of flat ground, which lettering should not cross."""
    return [
        Box(box.x0, box.y0 - 1, box.x1, box.y0 + 1),
        Box(box.x0, box.y1 - 1, box.x1, box.y1 + 1),
        Box(box.x0 - 1, box.y0, box.x0 + 1, box.y1),
        Box(box.x1 - 1, box.y0, box.x1 + 1, box.y1),
    ]


def _first_free(
    corners: Iterable[tuple[float, float]],
    block: Block,
    ground: Box,
    taken: list[Box],
    solids: list[Box],
) -> Box | None:
    for x, y in corners:
        box = block.box(x, y)
        if free(box, ground, taken) and free(box, ground, solids, gap=-0.5):
            return box
    return None


def _candidates(stand: _Stand, block: Block) -> Iterator[tuple[float, float]]:
    """Yield the proper spots of a label: inside flat ground, at the foot of what stands."""
    box, width, height = stand.solid, block.width, block.height
    middle = (box.x0 + box.x1 - width) / 2
    inside = block.width <= box.x1 - box.x0 - 4
    if not stand.flat:
        yield middle, box.y1 + 4
        if inside and stand.body.back > height + 6:  # on the heap's top, as on a long windrow
            yield middle, box.y1 - stand.body.height - (stand.body.back + height) / 2
        return
    if stand.place.kind == "bed":
        if inside:
            yield middle, (box.y0 + box.y1 - height) / 2
            yield middle, box.y1 - height - 3
            yield middle, box.y0 + 3
        return
    if inside:
        yield middle, box.y1 - height - 3
    if stand.place.piles:  # its ground is taken: the name stands beside it
        yield middle, box.y1 + 4
        yield middle, box.y0 - height - 3
    if inside:
        yield middle, box.y0 + 3
        yield box.x0 + 4, box.y0 + 3
        yield middle, (box.y0 + box.y1 - height) / 2
    yield middle, box.y1 + 4
    yield middle, box.y0 - height - 3


def _further(stand: _Stand, block: Block) -> Iterator[tuple[float, float]]:
    """Yield the spots around a thing, taken when none of its proper ones is free."""
    box, width, height = stand.solid, block.width, block.height
    middle = (box.x0 + box.x1 - width) / 2
    yield middle, box.y1 + 4
    yield middle, box.y1 + 6 + height
    yield middle, box.y0 - height - 3
    for x in (box.x0, box.x1 - width):
        yield x, box.y1 + 4
        yield x, box.y0 - height - 3
    for x in (box.x1 + 6, box.x0 - width - 6):
        yield x, box.y1 - height
        yield x, box.y0


def _lead(stand: _Stand, spot: Box) -> list[Element]:
    """Return a thin line from a thing to its label where the label stands aside."""
    box = stand.solid
    x, y = (box.x0 + box.x1) / 2, min(max(spot.y0, stand.face.base - 4), stand.face.base)
    if stand.flat or (spot.x0 <= x <= spot.x1 and spot.y0 - box.y1 < 24 and spot.y1 > box.y0 - 8):
        return []
    to_x = min(max(x, spot.x0), spot.x1)
    to_y = min(max(y, spot.y0), spot.y1)
    return [line(x, y, to_x, to_y, stroke=INK, stroke_width=0.9)]


def _squares(ground: Box, scale: float, unit: LengthUnit) -> list[Element]:
    """Return the squared paper: a metre (or five feet) a square, or five times that."""
    step = (1.0 if unit == "m" else 5 * M_PER_FOOT) * scale
    if step < 12:
        step *= 5
    lines: list[str | float] = []
    for i in range(1, math.ceil((ground.x1 - ground.x0) / step)):
        lines += ["M", ground.x0 + i * step, ground.y0, "V", ground.y1]
    for i in range(1, math.ceil((ground.y1 - ground.y0) / step)):
        lines += ["M", ground.x0, ground.y0 + i * step, "H", ground.x1]
    frame = rect(
        ground.x0, ground.y0, ground.x1 - ground.x0, ground.y1 - ground.y0, stroke_width=1.6
    )
    return [path(lines, stroke=LINE, stroke_width=0.6), frame]


def _furniture(
    yard: Yard,
    width_px: float,
    scale: float,
    unit: LengthUnit,
    lettering: Lettering,
    foot: float,
) -> tuple[list[Element], float]:
    """Return the scale bar and the north arrow under the plan, and where they end."""
    per_unit = scale if unit == "m" else scale * M_PER_FOOT
    fitting = [n for n in (1, 2, 5, 10, 20, 50, 100) if n * per_unit <= width_px / 3.4]
    length = fitting[-1] if fitting else 1
    y = foot + 16
    x0, x1 = _EDGE_PX, _EDGE_PX + length * per_unit
    half = (x0 + x1) / 2
    parts = [
        rect(x0, y - 4, half - x0, 5, fill=INK, stroke_width=1),
        rect(half, y - 4, x1 - half, 5, fill=PAPER, stroke_width=1),
    ]
    square = "a square is 1 m" if unit == "m" else "a square is 5 ft"
    if (1.0 if unit == "m" else 5 * M_PER_FOOT) * scale < 12:
        square = "a square is 5 m" if unit == "m" else "a square is 25 ft"
    lettering.write(x1 + 8, y + 2, f"{length} {unit}; {square}", size=12, fill=SOFT)
    turn = math.radians(yard.north_deg)
    cx, cy = width_px - _EDGE_PX - 26, foot + 13
    dx, dy = math.sin(turn) * 9, -math.cos(turn) * 9
    nx, ny = -dy * 0.45, dx * 0.45
    needle: list[str | float] = [
        *("M", cx + dx, cy + dy, "L", cx - dx + nx, cy - dy + ny),
        *("L", cx - dx * 0.5, cy - dy * 0.5, "L", cx - dx - nx, cy - dy - ny, "Z"),
    ]
    parts.append(path(needle, fill=INK, stroke_width=0.8))
    lettering.write(width_px - _EDGE_PX, foot + 18, "N", size=13, bold=True, anchor="end")
    return parts, foot + 26
