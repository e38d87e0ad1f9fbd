"""A hatch for each category of material: told apart by shape, so that they hold in grey."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, Literal
from xml.etree.ElementTree import Element

from heapwright.web.drawing.svg import INK, el, path

Category = Literal["food", "green", "brown", "woody", "mineral"]

CATEGORIES: Final[tuple[Category, ...]] = ("food", "green", "brown", "woody", "mineral")
CATEGORY_WORDS: Final[dict[Category, str]] = {
    "food": "food: rings",
    "green": "green: blades",
    "brown": "brown: waves",
    "woody": "woody: chips",
    "mineral": "mineral: crosses",
}


_ALWAYS: Final[dict[str, Category]] = {
    "food": "food",
    "processing": "food",
    "fish": "food",
    "wood": "woody",
    "mineral": "mineral",
    "paper": "brown",
    "hay_straw": "brown",
}
_GREEN_BELOW_CN: Final = 30.0  # a convention of the drawing only; nothing is computed from it


def hatch_of(library_category: str, cn: float | None, layer_role: str = "") -> Category:
    """Return the hatch for a material of the library, from its category and its C:N.

    What is laid as wood is woody, whatever it counts as. Manure, crops and vegetation are green
    or brown by their C:N; brown when it is not known.
    """
    if layer_role == "woody":
        return "woody"
    if library_category in _ALWAYS:
        return _ALWAYS[library_category]
    return "green" if cn is not None and cn < _GREEN_BELOW_CN else "brown"


def hatch(category: Category, uid: str) -> Element:
    """Return the pattern of a category; its id is ``{uid}-{category}``."""
    width, height, marks = _MARKS[category]
    return el(
        "pattern",
        *(path(mark, stroke=INK, stroke_width=1.1, stroke_linecap="round") for mark in marks),
        id=f"{uid}-{category}",
        width=width,
        height=height,
        pattern_units="userSpaceOnUse",
    )


_CELL, _ACROSS, _DOWN = 12.0, 9, 7  # the tile of a mixed heap, in cells of one mark each
_GOLDEN: Final = (math.sqrt(5) - 1) / 2


def mixed_hatch(shares: Mapping[Category, float], uid: str) -> Element:
    """Return the pattern of a heap that was turned; its id is ``{uid}-mixed``.

    Marks of every category lie scattered, as many of each as its share of the volume. The same
    shares always give the same pattern.
    """
    total = sum(shares.values()) or 1.0
    lines: dict[Category, list[str | float]] = {category: [] for category in CATEGORIES}
    for cell in range(_ACROSS * _DOWN):
        mark = _taken_at((cell * _GOLDEN + 0.31) % 1 * total, shares)
        row, column = divmod(cell, _ACROSS)
        x = (column + 0.5) * _CELL + 5 * ((cell * 0.754877) % 1 - 0.5)
        y = (row + 0.5) * _CELL + 5 * ((cell * 0.569840) % 1 - 0.5)
        lines[mark] += _scattered(mark, x, y, math.tau * ((cell * 0.382) % 1))
    return el(
        "pattern",
        *(
            path(d, stroke=INK, stroke_width=1.1, stroke_linecap="round")
            for d in lines.values()
            if d
        ),
        id=f"{uid}-mixed",
        width=_CELL * _ACROSS,
        height=_CELL * _DOWN,
        pattern_units="userSpaceOnUse",
    )


def _taken_at(at: float, shares: Mapping[Category, float]) -> Category:
    """Return the category that a point on the line of all shares falls on."""
    for category in CATEGORIES:
        at -= shares.get(category, 0.0)
        if at < 0:
            return category
    return max(shares, key=lambda category: shares[category])


def _scattered(category: Category, x: float, y: float, turn: float) -> list[str | float]:
    """Return one mark of a category about a point, turned."""
    if category == "food":
        return _ring(x, y, 1.9)
    along = (math.cos(turn), math.sin(turn))

    def at(forth: float, aside: float) -> tuple[float, float]:
        return x + forth * along[0] - aside * along[1], y + forth * along[1] + aside * along[0]

    if category == "green":
        return ["M", *at(-2.5, 0.8), "Q", *at(-0.5, -1.4), *at(2.5, -0.8)]
    if category == "brown":
        return ["M", *at(-4.2, 0), "Q", *at(-2, -2.6), *at(0, 0), "T", *at(4.2, 0)]
    if category == "woody":
        corners = [*at(-3.4, -1.3), "L", *at(3.4, -1.3), "L", *at(3.4, 1.3), "L", *at(-3.4, 1.3)]
        return ["M", *corners, "Z"]
    return ["M", *at(-2, 0), "L", *at(2, 0), "M", *at(0, -2), "L", *at(0, 2)]


def _ring(x: float, y: float, r: float) -> list[str | float]:
    return ["M", x - r, y, "a", r, r, 0, 1, 0, 2 * r, 0, "a", r, r, 0, 1, 0, -2 * r, 0]


_MARKS: Final[dict[Category, tuple[float, float, list[list[str | float]]]]] = {
    "food": (13, 11, [_ring(3.5, 3, 1.7), _ring(10, 8.5, 1.7)]),
    "green": (
        10,
        9,
        [["M", 1.5, 4.2, "Q", 2, 2, 4.5, 0.8], ["M", 6.5, 8.4, "Q", 7, 6, 9.5, 5]],
    ),
    "brown": (12, 6, [["M", 0, 3, "Q", 3, 0, 6, 3, "T", 12, 3]]),
    "woody": (
        17,
        12,
        [
            ["M", 1, 2, "H", 8.5, "V", 4.6, "H", 1, "Z"],
            ["M", 9.5, 8, "H", 16, "V", 10.4, "H", 9.5, "Z"],
        ],
    ),
    "mineral": (
        10,
        10,
        [["M", 1, 3, "H", 5, "M", 3, 1, "V", 5], ["M", 6, 8, "H", 9, "M", 7.5, 6.5, "V", 9.5]],
    ),
}
