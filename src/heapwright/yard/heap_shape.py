"""How a heap stands at a place of the site: its shape and cover, the ground and room it has.

The geometry is :mod:`heapwright.science.heap_shape`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from heapwright.data import constant
from heapwright.data.outlook import outlook_figure
from heapwright.data.pile import pile_covers
from heapwright.science.heap_shape import HeapShape
from heapwright.yard.models import Cover, Place, PlaceKind

if TYPE_CHECKING:
    from heapwright.science.pile_state import Cover as PileCover

WALLED: Final = (PlaceKind.BAY, PlaceKind.VESSEL, PlaceKind.STOCKPILE, PlaceKind.TRENCH)
LOWEST_M: Final = 0.05


def shape_in(place: Place, volume_m3: float) -> HeapShape:
    """Return the shape of a heap of this volume at a place.

    Between walls it fills its ground; in a lane it is a windrow as long as it must be to stay
    within the height limit; elsewhere a cone. Heaps that stand free are as steep as such do.
    """
    steep = outlook_figure("steepness").value
    if place.kind in WALLED:
        height = max(volume_m3 / (place.width_m * place.depth_m), LOWEST_M)
        name = "vessel" if place.kind == PlaceKind.VESSEL else "bay"
        return HeapShape(name, place.width_m, place.depth_m, height)  # type: ignore[arg-type]
    if place.kind == PlaceKind.LANE:
        base, longest = sorted((place.width_m, place.depth_m))
        height = min(height_limit_m(place), steep * base)
        length = max(volume_m3 / (2.0 / 3.0 * base * height), base)
        length = min(length, longest)
        return HeapShape("windrow", base, length, volume_m3 / (2.0 / 3.0 * base * length))
    width = (12.0 * volume_m3 / (math.pi * steep)) ** (1.0 / 3.0)
    return HeapShape("cone", width, width, steep * width)


def pile_cover(cover: str, shape: HeapShape) -> PileCover:
    """Return a cover as the model knows it; fleece sheds more rain from a slope."""
    if cover == Cover.BREATHABLE:
        sloped = shape.shape in ("windrow", "cone")
        return pile_covers()["breathable_sloped" if sloped else "breathable_flat"]
    return pile_covers()[cover or Cover.OPEN]


def height_limit_m(place: Place) -> float:
    """Return how high a heap may stand there: the place's height, and what hands can turn."""
    most_m = constant("max_height_m").value
    return most_m if place.height_m is None else min(place.height_m, most_m)


def room_m3(place: Place) -> float | None:
    """Return the volume that a place holds within the height limit; None for a lane."""
    if place.kind == PlaceKind.LANE:
        return None
    return place.width_m * place.depth_m * height_limit_m(place)


def footprint_m2(place: Place, volume_m3: float) -> float:
    """Return the ground that a heap stands on: the whole place, or of a lane what it needs.

    A heap in a lane is made as long as it must be to stay within the height limit.
    """
    if place.kind != PlaceKind.LANE:
        return place.width_m * place.depth_m
    return min(volume_m3 / height_limit_m(place), place.width_m * place.depth_m)
