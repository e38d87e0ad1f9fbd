"""A hatch for each category of material: told apart by shape, so that they hold in grey."""

from __future__ import annotations

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


def hatch_of(library_category: str, cn: float | None) -> Category:
    """Return the hatch for a material of the library, from its category and its C:N.

    Manure, crops and vegetation are green or brown by their C:N; brown when it is not known.
    """
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
