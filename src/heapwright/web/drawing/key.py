"""Keys: what the heat colours, hatches and marks of a drawing mean, in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from xml.etree.ElementTree import Element

from heapwright.web.drawing.labels import text_width
from heapwright.web.drawing.svg import (
    SOFT,
    Drawing,
    Lettering,
    heat_plate,
    hot_pattern,
    rect,
    sheet,
)
from heapwright.web.heat import STEPS, Step, TempUnit, range_words

Swatch = Callable[[float, float], list[Element]]
SWATCH_PX = 22.0
_ROW_PX = 20.0
_TYPE_PX = 12.5


def flow(
    items: Iterable[tuple[Swatch, str]], x: float, y: float, width: float, lettering: Lettering
) -> tuple[list[Element], float]:
    """Set swatches with their words in lines that fit ``width``; return them and the foot.

    A swatch draws itself 22 px wide and 14 px high at the corner that it is given.
    """
    parts: list[Element] = []
    at, top = x, y
    for swatch, words in items:
        needed = SWATCH_PX + 6 + text_width(words, _TYPE_PX) + 14
        if at > x and at + needed - 14 > x + width:
            at, top = x, top + _ROW_PX
        parts += swatch(at, top + 2)
        lettering.write(at + SWATCH_PX + 6, top + 13.5, words, size=_TYPE_PX, fill=SOFT)
        at += needed
    return parts, top + _ROW_PX


def heat_key(*, uid: str, width_px: float = 328, temp_unit: TempUnit = "C") -> Drawing:
    """Draw the key of the heat scale, its ranges in the unit asked for."""
    lettering = Lettering()
    words = [range_words(step, temp_unit) for step in STEPS]
    words[-1] += f" °{temp_unit}"
    parts, foot = flow(
        [(_heat_swatch(step), text) for step, text in zip(STEPS, words, strict=True)],
        1, 1, width_px - 2, lettering,
    )  # fmt: skip
    told = "; ".join(f"{step.name} {text}" for step, text in zip(STEPS, words, strict=True))
    return sheet(
        uid, width_px, foot, "Key to temperatures", f"{told}.", parts, lettering,
        defs=[hot_pattern(uid)],
    )  # fmt: skip


def _heat_swatch(step: Step) -> Swatch:
    return lambda x, y: heat_plate(x, y, SWATCH_PX, 14, step)


def hatch_swatch(category: str, uid: str) -> Swatch:
    """Return a swatch filled with a category's hatch."""
    return lambda x, y: [rect(x, y, SWATCH_PX, 14, fill=f"url(#{uid}-{category})", stroke_width=1)]
