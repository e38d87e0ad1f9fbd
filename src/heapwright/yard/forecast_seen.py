"""What was read and seen of a heap, as the model takes it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from heapwright.data.outlook import outlook_figure
from heapwright.yard.forecast_told import Told

if TYPE_CHECKING:
    from heapwright.science.assimilate_readings import Observation
    from heapwright.science.heap_shape import HeapShape


def observations(heap: Told) -> list[Observation]:
    """Return what was read and seen of a heap as the model takes it.

    A depth counts from the surface that the heap had then. Where that is not the shape it was
    built with (filled over days, moved, lower by half), the zone in which the reading lay is
    told in place of the depth.
    """
    from heapwright.data.pile import pile_parameters, squeeze_classes
    from heapwright.science.assimilate_readings import (
        Height,
        Moisture,
        Temperature,
        squeezed,
        weights,
    )

    facts = pile_parameters()
    found: list[Observation] = []
    for one in heap.temps:
        seen = Temperature(one.hour, one.temp_c, one.point, depth_cm=one.depth_cm)
        shape = heap.shape_at(one.hour)
        if one.depth_cm is not None and not _alike(shape, heap.plan.shape):
            boxed = shape.shape in ("bay", "vessel")
            shell_m = facts["shell_box_m" if boxed else "shell_free_m"].typical
            core = weights(seen, shape, shell_m)[0]
            seen = replace(seen, depth_cm=None, zone="core" if core >= 0.5 else "shell")
        found.append(seen)
    for felt in heap.moistures:
        if felt.moisture_pct is not None:
            error_pct = outlook_figure("moisture_error_pct").value
            found.append(Moisture(felt.hour, felt.moisture_pct, error_pct))
        elif felt.squeeze in squeeze_classes():
            found.append(squeezed(felt.hour, squeeze_classes()[felt.squeeze], facts))
    found += [Height(one.hour, one.height_m) for one in heap.heights]
    return [one for one in found if one.hour >= 0.0]


def _alike(one: HeapShape, other: HeapShape) -> bool:
    sides = ((one.width_m, other.width_m), (one.height_m, other.height_m))
    return one.shape == other.shape and all(abs(a - b) <= _ALIKE * max(a, b) for a, b in sides)


_ALIKE: Final = 0.25
