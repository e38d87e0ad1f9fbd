"""How a place and its pile look from the front: walls, slats, heaps and covers in ink.

Every function takes the front face in pixels: ``x0`` to ``x1`` wide, standing on ``base``
(y grows downwards), and ``back`` pixels deep (0 in a plain elevation). Verticals rise straight
up the sheet, so plan and height are both to scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from xml.etree.ElementTree import Element

from heapwright.web.drawing.labels import Box, free, text_width
from heapwright.web.drawing.places import Cover, Kind, Pile
from heapwright.web.drawing.svg import (
    EARTH,
    INK,
    PAPER,
    SOFT,
    WASH,
    Lettering,
    heat_area,
    heat_plate,
    line,
    path,
    rect,
)
from heapwright.web.heat import TempUnit, degrees, step_of

Path = list[str | float]


@dataclass(frozen=True, slots=True)
class Face:
    """The front face of something that stands, in pixels, and how deep it reaches back.

    ``ridge`` is a windrow seen from its long side: level along its crest, with sloping ends.
    """

    x0: float
    x1: float
    base: float
    height: float
    back: float = 0.0
    ridge: bool = False

    @property
    def width(self) -> float:
        """Width of the face."""
        return self.x1 - self.x0

    @property
    def top(self) -> float:
        """Highest point on the sheet, back wall included."""
        return self.base - self.height - self.back

    def inset(self, by: float) -> Face:
        """Return a face that lies ``by`` pixels inside at the sides and the top."""
        return replace(
            self, x0=self.x0 + by, x1=self.x1 - by, base=self.base - by * 0.6,
            height=self.height - by * 1.6,
        )  # fmt: skip


def profile(face: Face, walled: bool, shift: float = 0.0) -> Path:
    """Return the closed outline of a heap: domed between walls, else a mound or a long ridge."""
    x0, x1, base, height = face.x0, face.x1, face.base - shift, face.height
    middle = (x0 + x1) / 2
    if walled:
        edge = base - 0.9 * height
        return [
            "M",
            x0,
            base,
            "V",
            edge,
            "Q",
            middle,
            base - 1.1 * height,
            x1,
            edge,
            "V",
            base,
            "Z",
        ]
    if face.ridge:
        end, crest = min(1.3 * height, face.width / 4), base - height
        return [
            *("M", x0, base, "Q", x0 + 0.35 * end, crest, x0 + end, crest, "H", x1 - end),
            *("Q", x1 - 0.35 * end, crest, x1, base, "Z"),
        ]
    return ["M", x0, base, "Q", middle, base - 2 * height, x1, base, "Z"]


def walls(face: Face, kind: Kind) -> list[Element]:
    """Return the walls behind and beside a heap: slats of a bay, boards of a bunker."""
    x0, x1, base = face.x0, face.x1, face.base
    crest = base - face.height
    if face.height <= 0:
        return []
    if kind == "vessel":
        return [
            rect(x0, face.top, face.width, face.height + face.back, rx=min(8, face.width / 4)),
            line(x0, base, x1, base, stroke_width=2),
        ]
    parts: list[Element] = [
        rect(x0, face.top, face.width, face.height + face.back, fill=PAPER, stroke="none")
    ]
    boards = 5 if face.height >= 30 else 3
    for board in range(boards):
        y = face.top + face.height * (board + 0.15) / boards
        parts.append(
            rect(
                x0,
                y,
                face.width,
                face.height * 0.55 / boards,
                stroke=SOFT,
                stroke_width=0.8,
                fill=PAPER,
            )
        )
    post = 2.4 if kind == "bay" else 3.6
    for x in (x0, x1):
        parts.append(line(x, base, x, face.top, stroke_width=post))
        if face.back > 3:
            parts.append(line(x - 2, crest, x + 2, crest, stroke_width=1.2))
    parts.append(line(x0, face.top, x1, face.top, stroke_width=1.2))
    parts.append(line(x0 - 3, base, x1 + 3, base, stroke_width=1.4))
    return parts


def heap(face: Face, walled: bool, fill: str = EARTH) -> list[Element]:
    """Return a heap: its top as far as it reaches back, then its front face."""
    parts = []
    if face.back > 3:
        outline = profile(face, walled, face.back)
        parts.append(path(outline, fill=WASH, stroke="none"))
        parts.append(
            rect(face.x0, face.base - face.back, face.width, face.back, fill=WASH, stroke="none")
        )
        parts.append(path(outline[:-1], stroke_width=1))
        if not walled:
            for x in (face.x0, face.x1):
                parts.append(line(x, face.base, x, face.base - face.back, stroke_width=1))
    parts.append(path(profile(face, walled), fill=fill, stroke_width=1.3))
    return parts


def _core_of(face: Face) -> Face:
    return face.inset(min(6.0, face.height * 0.16, face.width * 0.06))


def core(face: Face, walled: bool, pile: Pile, uid: str) -> list[Element]:
    """Return the core of a heap in the colour of its latest reading; empty when not read."""
    if pile.temp_c is None or face.height < 5:
        return []
    inner = _core_of(face)
    return heat_area(
        profile(inner, walled),
        step_of(pile.temp_c),
        uid,
        stroke_dasharray="2 2" if pile.temp_is_old else None,
    )


def reading(
    face: Face,
    walled: bool,
    pile: Pile,
    lettering: Lettering,
    sheet: Box,
    unit: TempUnit,
    size: float,
) -> list[Element] | None:
    """Print the reading in the core, or on a plate just above a heap too low to hold it.

    Returns the plate's elements (the text goes to the lettering); ``None`` when there is no
    free spot for it.
    """
    if pile.temp_c is None:
        return []
    text, step = degrees(pile.temp_c, unit), step_of(pile.temp_c)
    inner = _core_of(face)
    share = 0.96 if walled else 0.54  # how much of the face is wide enough for the number
    middle = (face.x0 + face.x1) / 2
    spots: list[tuple[float, float, bool]] = []
    for smaller in (size, size * 0.9, size * 0.8):
        wide = text_width(text, smaller, bold=True) + 2
        if inner.height * 0.95 >= smaller * 0.8 + 3 and inner.width * share >= wide:
            spots.append((inner.base - inner.height * (0.47 if walled else 0.4), smaller, True))
            break
    above = size * 0.9
    spots.append((face.base - face.height - 4 - (above + 5) / 2, above, False))
    spots.append((face.top - 4 - (above + 5) / 2, above, False))
    for centre, type_px, inside in spots:
        width = text_width(text, type_px, bold=True) + (2 if inside else 6)
        height = type_px + (3 if inside else 5)
        plate = Box(
            middle - width / 2, centre - height / 2, middle + width / 2, centre + height / 2, text
        )
        if not free(plate, sheet, lettering.boxes):
            continue
        lettering.boxes.append(plate)
        lettering.write(
            middle, centre + type_px * 0.36, text, size=type_px, bold=True, anchor="middle",
            on=step, label=False,
        )  # fmt: skip
        if inside and not step.patterned:
            return []
        if inside:
            return [rect(plate.x0, plate.y0, width, height, fill=step.fill, stroke="none")]
        return heat_plate(plate.x0, plate.y0, width, height, step)
    return None


def lid(face: Face, cover: Cover) -> list[Element]:
    """Return the cover over a heap: dashed tarp, dotted breathable cover, drawn roof."""
    crest = face.base - face.height
    middle = (face.x0 + face.x1) / 2
    if cover == "open":
        return []
    if cover == "roof":
        eave = face.top - 4
        d: Path = ["M", face.x0 - 5, eave, "L", middle, eave - 6, "L", face.x1 + 5, eave]
        return [path(d, stroke_width=1.8)]
    drop = min(7.0, face.height * 0.4 + 2)
    d = [
        *("M", face.x0 - 4, crest + drop - 3, "L", face.x0 - 1, crest - 1),
        *("Q", middle, crest - 7, face.x1 + 1, crest - 1, "L", face.x1 + 4, crest + drop - 3),
    ]
    dash = "6 3" if cover == "tarp" else "1.5 3"
    return [
        path(d, stroke=PAPER, stroke_width=4.5),
        path(d, stroke=INK, stroke_width=2, stroke_dasharray=dash, stroke_linecap="round"),
    ]
