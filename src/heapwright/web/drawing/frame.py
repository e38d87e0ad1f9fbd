"""The geometry of a heap cut across: its outline, its levels and its isotherms, in pixels.

Between walls the surface is domed, standing free it is a parabola; both are quadratic curves,
so that areas are exact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

Path = list[str | float]

DOME: Final = 0.1  # a heap between walls stands this share lower at the walls than its height
_RAYS: Final = 72  # directions in which a modelled isotherm is drawn
_SMOOTHED: Final = 24  # times that the innermost isotherm is smoothed


@dataclass(frozen=True, slots=True)
class Frame:
    """Where the section stands on the sheet: left foot, ground line and pixels per metre."""

    x0: float
    base: float
    scale: float
    width_m: float
    height_m: float
    walled: bool

    @property
    def x1(self) -> float:
        """Right foot of the heap."""
        return self.x0 + self.width_m * self.scale

    @property
    def crest(self) -> float:
        """Highest line of the heap."""
        return self.base - self.height_m * self.scale

    def surface(self, across: float) -> float:
        """Return the height of the surface on the sheet at a share of the width."""
        rise = 1 - (2 * across - 1) ** 2
        if self.walled:
            rise = 1 - DOME + DOME * rise
        return self.base - self.height_m * self.scale * rise

    def outline(self) -> Path:
        """Return the outline of the heap."""
        high, middle = self.base - self.crest, (self.x0 + self.x1) / 2
        if not self.walled:
            return ["M", self.x0, self.base, "Q", middle, self.base - 2 * high, self.x1, self.base,
                    "Z"]  # fmt: skip
        edge = self.base - (1 - DOME) * high
        return ["M", self.x0, self.base, "V", edge, "Q", middle, self.base - (1 + DOME) * high,
                self.x1, edge, "V", self.base, "Z"]  # fmt: skip

    @property
    def middle(self) -> tuple[float, float]:
        """Return the point that the heat closes in on, a little below half height."""
        return (self.x0 + self.x1) / 2, self.base - 0.42 * (self.base - self.crest)

    @property
    def area(self) -> float:
        """Area of the section in square pixels; a parabola fills two thirds of its box."""
        box = (self.x1 - self.x0) * (self.base - self.crest)
        return box * (1 - DOME / 3 if self.walled else 2 / 3)

    def isotherm(self, share: float) -> Path:
        """Return a closed line about the middle that holds ``share`` of the section's area.

        The larger the share, the more it follows the outline; the smaller, the rounder it is.
        """
        if share >= 1 - 1e-9:
            return self.outline()
        bent = [self.ray(math.tau * i / _RAYS) ** share for i in range(_RAYS)]
        for _ in range(round(_SMOOTHED * (1 - share))):  # heat has no corners
            bent = [
                (bent[i - 1] + 2 * ray + bent[(i + 1) % _RAYS]) / 4 for i, ray in enumerate(bent)
            ]
        wide, high = self._reach
        k = math.sqrt(share * self.area / (_area(bent) * wide * high))
        d: Path = []
        for i, ray in enumerate(bent):
            d += ["L" if i else "M", *self.at(math.tau * i / _RAYS, k * ray)]
        return [*d, "Z"]

    @property
    def _reach(self) -> tuple[float, float]:
        """Half the width and half the height: the axes that rays are measured along."""
        return (self.x1 - self.x0) / 2, (self.base - self.crest) / 2

    def at(self, angle: float, ray: float) -> tuple[float, float]:
        """Return the point in a direction from the middle, ``ray`` in half widths and heights."""
        (cx, cy), (wide, high) = self.middle, self._reach
        return cx + wide * ray * math.cos(angle), cy + high * ray * math.sin(angle)

    def ray(self, angle: float) -> float:
        """Return how far the outline lies from the middle, in half widths and heights."""
        near, far = 0.0, 4.0
        for _ in range(40):
            half = (near + far) / 2
            x, y = self.at(angle, half)
            across = (x - self.x0) / (self.x1 - self.x0)
            inside = 0 <= across <= 1 and self.surface(across) <= y <= self.base
            near, far = (half, far) if inside else (near, half)
        return near

    def level(self, share: float) -> Path:
        """Return the line below which ``share`` of the section's area lies, left to right."""
        high = self.height_m * self.scale
        if self.walled:
            edge = self.base - (1 - DOME) * high * share
            return ["M", self.x0, edge, "Q", (self.x0 + self.x1) / 2,
                    self.base - (1 + DOME) * high * share, self.x1, edge]  # fmt: skip
        rise = 1 - (1 - share) ** (2 / 3)
        reach = math.sqrt(max(1 - rise, 0.0)) * (self.x1 - self.x0) / 2
        middle = (self.x0 + self.x1) / 2
        return ["M", middle - reach, self.base - rise * high, "H", middle + reach]

    def right_edge(self, share: float) -> tuple[float, float]:
        """Return the right end of a level."""
        d = self.level(share)
        if self.walled:
            return self.x1, float(d[-1])
        return float(d[-1]), float(d[2])


def below(frame: Frame, share: float) -> Path:
    """Return the part of the section under a level."""
    if share >= 1 - 1e-9:
        return frame.outline()
    d = frame.level(share)
    if frame.walled:
        return [*d, "V", frame.base, "H", frame.x0, "Z"]
    # Under a chord the sides are the two ends of the parabola, each again a quadratic curve.
    left, y, right = float(d[1]), float(d[2]), float(d[-1])
    slope = 4 * (frame.base - frame.crest) / (frame.x1 - frame.x0)
    return [
        *("M", frame.x0, frame.base),
        *("Q", (frame.x0 + left) / 2, frame.base - slope * (left - frame.x0) / 2, left, y),
        *("H", right),
        *("Q", (frame.x1 + right) / 2, frame.base - slope * (frame.x1 - right) / 2),
        *(frame.x1, frame.base, "Z"),
    ]


def _area(rays: Sequence[float]) -> float:
    """Return the area of a star-shaped polygon from its evenly turned rays."""
    turned = [*rays[1:], rays[0]]
    return sum(a * b for a, b in zip(rays, turned, strict=True)) * math.sin(math.tau / _RAYS) / 2
