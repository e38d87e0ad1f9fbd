"""What the records tell of a heap as the pile model takes it, or why they say too little."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from heapwright.errors import HeapwrightError
from heapwright.science.heap_shape import HeapShape

if TYPE_CHECKING:
    from heapwright.science.pile_forecast import PilePlan


class UntoldError(HeapwrightError):
    """The records say too little of a heap (or what cannot be) for the model to run.

    ``reason`` is to be translated and filled with ``values``.
    """

    def __init__(self, reason: str, **values: object) -> None:
        self.reason, self.values = reason, values
        super().__init__(self.said())

    def said(self) -> str:
        """Return the reason in the reader's language."""
        return _(self.reason) % self.values

    def __reduce__(self) -> tuple[object, ...]:
        return _again, (self.reason, self.values)


def _again(reason: str, values: dict[str, object]) -> UntoldError:
    return UntoldError(reason, **values)


@dataclass(frozen=True, slots=True)
class Assumed:
    """Something that was filled in; ``what`` is to be translated and filled with ``values``."""

    what: str
    values: tuple[tuple[str, str], ...] = ()

    def said(self) -> str:
        """Return it as a sentence in the reader's language."""
        return _(self.what) % dict(self.values)


@dataclass(frozen=True, slots=True)
class SeenTemp:
    """A temperature as read (or the mean of a day's readings of one point), hours since building.

    ``depth_cm`` is None where nobody said how deep; ``count`` readings made it.
    """

    hour: float
    point: str
    depth_cm: float | None
    temp_c: float
    count: int = 1


@dataclass(frozen=True, slots=True)
class SeenMoisture:
    """A squeeze test (its class) or a measured moisture, % of wet mass."""

    hour: float
    squeeze: str = ""
    moisture_pct: float | None = None


@dataclass(frozen=True, slots=True)
class SeenHeight:
    """The height of the heap as measured."""

    hour: float
    height_m: float


@dataclass(frozen=True, slots=True)
class Told:
    """What the records tell of a heap, as the model takes it.

    ``shapes`` are the shapes that it had, each from an hour since building on.
    """

    built: datetime
    plan: PilePlan
    shapes: tuple[tuple[float, HeapShape], ...]
    temps: tuple[SeenTemp, ...] = ()
    moistures: tuple[SeenMoisture, ...] = ()
    heights: tuple[SeenHeight, ...] = ()
    assumed: tuple[Assumed, ...] = ()

    def hour(self, when: datetime) -> float:
        """Return the hours since it was built."""
        return (when - self.built).total_seconds() / 3600.0

    def shape_at(self, hour: float) -> HeapShape:
        """Return the shape that it had at an hour since building."""
        found = self.plan.shape
        for since, shape in self.shapes:
            if since <= hour:
                found = shape
        return found
