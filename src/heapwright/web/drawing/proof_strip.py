"""The days of a proof as numbered boxes: what counted, what did not, what is still to come.

The state of a day is told by its shape and by the words of the key; the colour in the foot of
a box is that day's lowest reading on the heat scale, with its number.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal
from xml.etree.ElementTree import Element

from heapwright.web.drawing.key import SWATCH_PX, Swatch, flow
from heapwright.web.drawing.labels import Box
from heapwright.web.drawing.svg import (
    INK,
    PAPER,
    SOFT,
    Drawing,
    Lettering,
    heat_plate,
    hot_pattern,
    path,
    rect,
    sheet,
)
from heapwright.web.heat import TempUnit, degrees, step_of, with_unit

State = Literal["counts", "does not count", "no reading", "to come"]

STATES: Final[tuple[State, ...]] = ("counts", "does not count", "no reading", "to come")
_BOX_PX, _HEAD_PX, _FOOT_PX = 40.0, 28.0, 22.0
_GAP_PX = 4.0
_TURN_PX = 24.0


@dataclass(frozen=True, slots=True)
class ProofDay:
    """One day of a proof. ``turning`` is the number of the turning done on it, if any."""

    number: int
    day: date
    state: State
    lowest_temp_c: float | None = None
    turning: int | None = None


def proof_strip(
    rule: str,
    days: Sequence[ProofDay],
    *,
    uid: str,
    width_px: float = 328,
    temp_unit: TempUnit = "C",
) -> Drawing:
    """Draw the days of a proof, wrapped to ``width_px``.

    Raises
    ------
    ValueError
        When there is no day to draw.
    """
    if not days:
        raise ValueError("a proof without days cannot be drawn")
    lettering = Lettering()
    body: list[Element] = []
    across = max(int((width_px - 2 + _GAP_PX) // (_BOX_PX + _GAP_PX)), 1)
    y = 1.0
    if across >= 7:
        across -= across % 7  # whole weeks, so that the eye can count
    for start in range(0, len(days), across):
        row = days[start : start + across]
        for column, day in enumerate(row):
            body += _box(day, 1 + column * (_BOX_PX + _GAP_PX), y, lettering, temp_unit)
        turned = any(day.turning is not None for day in row)
        y += _HEAD_PX + _FOOT_PX + (_TURN_PX if turned else 0) + 8
    seen = [state for state in STATES if any(day.state == state for day in days)]
    items: list[tuple[Swatch, str]] = [(_swatch(state), state) for state in seen]
    if any(day.turning is not None for day in days):
        items.append((_turn_swatch, "turned, with its number"))
    key, foot = flow(items, 1, y, width_px - 2, lettering)
    told = Counter(day.state for day in days)
    summary = ", ".join(f"{told[state]} {state}" for state in STATES if told[state])
    lines = " ".join(_describe(day, temp_unit) for day in days if day.state != "to come")
    return sheet(
        uid, width_px, foot + 2, f"Days of the proof by {rule}", f"{summary}. {lines}",
        [*body, *key], lettering, defs=[hot_pattern(uid)],
    )  # fmt: skip


def _describe(day: ProofDay, unit: TempUnit) -> str:
    heat = "" if day.lowest_temp_c is None else f", lowest {with_unit(day.lowest_temp_c, unit)}"
    turned = "" if day.turning is None else f", turning {day.turning}"
    return f"Day {day.number}, {day.day.isoformat()}: {day.state}{heat}{turned}."


def _box(day: ProofDay, x: float, y: float, lettering: Lettering, unit: TempUnit) -> list[Element]:
    parts = _head(day.state, x, y, _BOX_PX, _HEAD_PX)
    middle = x + _BOX_PX / 2
    text = str(day.number)
    fill = {"counts": PAPER, "to come": SOFT}.get(day.state, INK)
    lettering.boxes.append(Box(x, y, x + _BOX_PX, y + _HEAD_PX, text))
    lettering.write(middle, y + 19.5, text, size=15, bold=day.state != "to come",
                    anchor="middle", fill=fill, halo=day.state == "does not count",
                    label=False)  # fmt: skip
    foot = y + _HEAD_PX
    step = None if day.lowest_temp_c is None else step_of(day.lowest_temp_c)
    if day.lowest_temp_c is not None and step is not None:
        parts += heat_plate(x, foot, _BOX_PX, _FOOT_PX, step)
        words = degrees(day.lowest_temp_c, unit)
    else:
        dash = "2 3" if day.state == "no reading" else None
        parts.append(rect(x, foot, _BOX_PX, _FOOT_PX, stroke_width=1, stroke_dasharray=dash))
        words = "none" if day.state == "no reading" else ""
    if words:
        lettering.boxes.append(Box(x, foot, x + _BOX_PX, foot + _FOOT_PX, words))
        lettering.write(middle, foot + 15.5, words, size=13, bold=step is not None,
                        anchor="middle", on=step, label=False)  # fmt: skip
    if day.turning is not None:
        parts += _turn(x + 3, foot + _FOOT_PX + 4)
        lettering.write(x + 25, foot + _FOOT_PX + 18, str(day.turning), size=13, bold=True)
    return parts


def _head(state: State, x: float, y: float, width: float, height: float) -> list[Element]:
    """Return the shape that tells a state: filled, struck by lines, dashed, or plain."""
    if state == "counts":
        return [rect(x, y, width, height, fill=INK)]
    if state == "does not count":
        strokes: list[str | float] = []
        for offset in range(8, int(width + height), 8):
            x0, x1 = x + max(offset - height, 0.0), x + min(float(offset), width)
            strokes += ["M", x0, y + min(float(offset), height)]
            strokes += ["L", x1, y + max(offset - width, 0.0)]
        return [
            rect(x, y, width, height, fill=PAPER),
            path(strokes, stroke_width=1),
        ]
    if state == "no reading":
        return [rect(x, y, width, height, fill=PAPER, stroke_dasharray="2 3")]
    return [rect(x, y, width, height, fill=PAPER, stroke_width=1)]


def _turn(x: float, y: float) -> list[Element]:
    """Return the mark of a turning: an arrow that lifts and lays over."""
    return [
        path(["M", x, y + 13, "C", x, y - 1, x + 16, y - 1, x + 16, y + 9], stroke_width=1.8),
        path(["M", x + 12, y + 7, "L", x + 16, y + 13, "L", x + 20, y + 7, "Z"], fill=INK,
             stroke_width=0.5),
    ]  # fmt: skip


def _swatch(state: State) -> Swatch:
    return lambda x, y: _head(state, x, y, SWATCH_PX, 14)


def _turn_swatch(x: float, y: float) -> list[Element]:
    return _turn(x, y)
