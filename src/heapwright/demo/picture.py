"""A picture drawn by code, for the photo of a check: a heap between slats, a dial in its top."""

from __future__ import annotations

import math
from io import BytesIO
from random import Random
from typing import Final

from PIL import Image, ImageDraw

SHOWS: Final = "Drawing: a heap between slatted walls, a dial thermometer stuck in its top."
WIDE, HIGH = 960, 720
_PAPER, _INK, _SLAT, _SOIL = "#efe7d6", "#26211b", "#b79b72", "#6b5138"
_FLECKS: Final = ("#4f3b28", "#8a6d47", "#a98b5d", "#5f6b3a", "#7d5a36", "#c9b083")


def drawn() -> bytes:
    """Return the picture as PNG, the same each time."""
    image = Image.new("RGB", (WIDE, HIGH), _PAPER)
    pen = ImageDraw.Draw(image)
    for number in range(7):
        top = 200 + 68 * number
        pen.rectangle((70, top, 890, top + 46), fill=_SLAT, outline=_INK, width=3)
    pen.rectangle((0, 660, WIDE, HIGH), fill="#8c8069")
    pen.polygon([(120, 660), *map(_ridge, range(120, 841, 10)), (840, 660)], fill=_SOIL)
    rng = Random("saltmarsh")
    for _fleck in range(2600):
        x, y = rng.uniform(125, 835), rng.uniform(250, 655)
        if y < _ridge(x)[1] + 6:
            continue
        turn, long = rng.uniform(0.0, math.pi), rng.uniform(5.0, 20.0)
        across, down = long * math.cos(turn), long * math.sin(turn)
        pen.line((x, y, x + across, min(y + down, 656)), fill=rng.choice(_FLECKS), width=4)
    pen.line((500, 130, 520, 420), fill=_INK, width=8)
    pen.ellipse((430, 40, 570, 180), fill="#fbfaf4", outline=_INK, width=7)
    for degree in range(-120, 121, 30):
        pen.line((*_dial(degree, 50), *_dial(degree, 60)), fill=_INK, width=4)
    pen.line((500, 110, *_dial(55, 52)), fill="#8f2d1f", width=6)
    made = BytesIO()
    image.save(made, "PNG")
    return made.getvalue()


def _ridge(x: float) -> tuple[float, float]:
    """Return the point of the heap's back above ``x``."""
    return x, 660.0 - 390.0 * math.sin(math.pi * (x - 120.0) / 720.0) ** 0.6


def _dial(degree: float, radius: float) -> tuple[float, float]:
    """Return a point on the dial, degrees clockwise from its top."""
    turn = math.radians(degree)
    return 500.0 + radius * math.sin(turn), 110.0 - radius * math.cos(turn)
