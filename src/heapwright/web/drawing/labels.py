"""Where labels go: how wide text is, and how to keep labels from running into each other.

Widths are the advance widths of DejaVu Sans, one of the widest faces of our font stack, so a
box measured here holds the same text in any of them. The placing is small and deterministic:
the same yard always gives the same sheet.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

# Advance widths in thousandths of the type size, measured from the face's own tables.
_REGULAR: Final = {
    letter: width
    for width, letters in {
        280: "'ijl",
        296: "IJ",
        320: " \u00a0,.·",
        340: "/:;\\|",
        364: "f-",
        395: "()[]trt",
        412: "r!²³",
        500: '"*_`°–',
        525: "sz",
        560: "cL?",
        580: "kF",
        604: "vxyP",
        616: "TYoae",
        636: "Ehnubdgpqs0123456789${}S",
        686: "KAVX",
        700: "ZBRC",
        752: "UNH",
        787: "DGO&Q",
        840: "w#+<=>^~×",
        866: "M",
        1000: "%mW@…",
    }.items()
    for letter in letters
}
_BOLD_FACTOR: Final = 1.15
_BOLD_WIDE: Final = frozenset("iljftr'\"-.,:;I·JFTPY()[]L")  # grow most in the bold face
_ASCENT, _DESCENT = 0.78, 0.24  # of the type size: capitals and figures, and tails


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle that a label takes, in the drawing's pixels, with its text."""

    x0: float
    y0: float
    x1: float
    y1: float
    text: str = ""

    def overlaps(self, other: Box, gap: float = 0.0) -> bool:
        """Tell whether two boxes share area when each keeps ``gap`` pixels around it."""
        return (
            self.x0 < other.x1 + gap
            and other.x0 < self.x1 + gap
            and self.y0 < other.y1 + gap
            and other.y0 < self.y1 + gap
        )

    def within(self, other: Box) -> bool:
        """Tell whether this box lies inside another."""
        return (
            self.x0 >= other.x0
            and self.x1 <= other.x1
            and self.y0 >= other.y0
            and self.y1 <= other.y1
        )


@lru_cache(maxsize=4096)  # a drawing asks for the same words again and again
def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return a width in pixels that the text does not exceed in any face of the stack."""
    total = 0.0
    for letter in unicodedata.normalize("NFC", text):
        plain = unicodedata.normalize("NFD", letter)[0]
        width: float | None = _REGULAR.get(letter) or _REGULAR.get(plain)
        if width is None:
            if unicodedata.combining(letter):
                continue
            width = 1050 if unicodedata.east_asian_width(letter) in "WF" else 1000
        if bold:
            width *= 1.26 if letter in _BOLD_WIDE else _BOLD_FACTOR
        total += width
    return total * size / 1000


def text_box(
    x: float, y: float, text: str, size: float, *, bold: bool = False, anchor: str = "start"
) -> Box:
    """Return the box of one line of text whose baseline stands at ``y``."""
    width = text_width(text, size, bold=bold)
    left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
    return Box(left, y - _ASCENT * size, left + width, y + _DESCENT * size, text)


def fit(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """Return the text, cut with an ellipsis where it would exceed ``width`` pixels."""
    if text_width(text, size, bold=bold) <= width:
        return text
    kept = text
    while kept and text_width(kept.rstrip() + "…", size, bold=bold) > width:
        kept = kept[:-1]
    return kept.rstrip() + "…" if kept else ""


def words(text: str) -> list[str]:
    """Return the words of a text; a no-break space does not part them."""
    return [word for word in re.split(r"[ \t\r\n]+", text) if word]


def wrap(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """Break text into lines of at most ``width`` pixels; a longer word is cut with ….

    A no-break space keeps a number and its unit on one line.
    """
    lines: list[str] = []
    current = ""
    for word in words(text):
        joined = f"{current} {word}" if current else word
        if text_width(joined, size, bold=bold) <= width:
            current = joined
            continue
        if current:
            lines.append(current)
        current = fit(word, width, size, bold=bold)
    if current:
        lines.append(current)
    return lines


def free(box: Box, sheet: Box, taken: Iterable[Box], gap: float = 1.5) -> bool:
    """Tell whether a box lies on the sheet and clear of every box that is taken."""
    return box.within(sheet) and not any(box.overlaps(other, gap) for other in taken)


def spread(
    wanted: Sequence[float], sizes: Sequence[float], low: float, high: float, gap: float = 2.0
) -> list[float]:
    """Return centres near the wanted ones so that intervals do not overlap.

    Intervals keep their order by wanted centre and stay between ``low`` and ``high``. The sum
    of squared moves is the least possible (pooling of neighbours that touch).

    Parameters
    ----------
    wanted, sizes : sequence of float
        Wanted centre and size of each interval, in pixels.
    low, high : float
        Limits of the line.

    Raises
    ------
    ValueError
        When the intervals do not fit between the limits.
    """
    if sum(sizes) + gap * max(len(sizes) - 1, 0) > high - low + 1e-9:
        raise ValueError("the labels do not fit on the line")
    order = sorted(range(len(wanted)), key=lambda i: (wanted[i], i))
    blocks: list[list[float]] = []  # each: sum of wanted starts, count, length, first index
    for position, i in enumerate(order):
        blocks.append([wanted[i] - sizes[i] / 2, 1.0, sizes[i] + gap, float(position)])
        while len(blocks) > 1 and _start(blocks[-2]) + blocks[-2][2] > _start(blocks[-1]):
            later = blocks.pop()
            earlier = blocks[-1]
            earlier[0] += later[0] - later[1] * earlier[2]
            earlier[1] += later[1]
            earlier[2] += later[2]
    centres = [0.0] * len(wanted)
    starts: list[float] = []
    edge = low
    for block in blocks:
        starts.append(max(_start(block), edge))
        edge = starts[-1] + block[2]
    edge = high + gap
    for index in range(len(blocks) - 1, -1, -1):
        starts[index] = min(starts[index], edge - blocks[index][2])
        edge = starts[index]
    for index, block in enumerate(blocks):
        first = int(block[3])
        last = int(blocks[index + 1][3]) if index + 1 < len(blocks) else len(order)
        at = starts[index]
        for i in order[first:last]:
            centres[i] = at + sizes[i] / 2
            at += sizes[i] + gap
    return centres


def _start(block: Sequence[float]) -> float:
    return block[0] / block[1]
