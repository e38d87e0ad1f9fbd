"""What an answer about a heap rests on, told without computing it again.

A mark is soon told and differs whenever anything that the answer rests on may have changed; a
digest is exact, and needs all that the model is given.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

from django.db.models import Count, Max

import heapwright
from heapwright.yard import decide, ledger
from heapwright.yard.forecast_learned import Lessons, lessons
from heapwright.yard.models import Entry, Flow, Kind, LotKind, OwnMaterial, Place, Site, WeatherRow
from heapwright.yard.models.weather import WeatherSettings
from heapwright.yard.state import LotState


@dataclass(frozen=True, slots=True)
class Marks:
    """What an answer rests on, soon told: the forecast, and what is advised.

    ``advice`` differs also where dry stock on hand or another small heap has changed.
    """

    forecast: str
    advice: str


@cache
def model_version() -> str:
    """Return a digest of the code and the tables that make a forecast."""
    root = Path(heapwright.__file__).parent
    digest = hashlib.sha256()
    for pattern in (
        "science/pile*.py", "science/lanes.py", "science/assimilate*.py", "science/air.py",
        "science/heap_shape.py", "science/mixing.py", "science/ingredients.py",
        "science/weather_*.py", "data/pile*.csv", "data/outlook.csv",
        "data/materials.csv", "data/climate*.csv", "yard/forecast*.py", "yard/weather.py",
        "yard/heap_shape.py",
        "science/decide*.py", "science/water.py", "data/decisions.csv", "data/water.csv",
        "data/absorbency.csv", "yard/decide.py",
    ):  # fmt: skip
        for path in sorted(root.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def all_marks(
    heaps: Collection[LotState],
    now: datetime,
    taught: Lessons | None = None,
    site: Site | None = None,
    standing: Collection[LotState] | None = None,
) -> dict[int, Marks]:
    """Return for each heap the marks of all that its answer rests on.

    What is advised rests on more than the forecast: on the dry stock on hand, and of a small
    heap on the other small ones.
    """
    elsewhere = decide.elsewhere(heaps, now, standing)
    peers = {one for each in elsewhere.values() for one in each.peers}
    marks = marks_of({one.id for one in heaps} | peers, now, taught, site)
    return {
        one.id: Marks(
            marks[one.id],
            digest_of(
                marks[one.id],
                elsewhere[one.id].dry,
                [(peer, marks[peer]) for peer in elsewhere[one.id].peers],
            ),
        )
        for one in heaps
    }


def marks_of(
    lot_ids: Collection[int],
    now: datetime,
    taught: Lessons | None = None,
    site: Site | None = None,
) -> dict[int, str]:
    """Return for each lot a mark that differs whenever anything that its forecast rests on may.

    It may differ without need (somebody renamed a bed); the digest then spares the run.
    """
    parents = parents_of(lot_ids)
    written = ledger.written_about(parents)
    site = site or Site.load()
    kinds = (Kind.LAB, Kind.WEATHER, Kind.SETTINGS)
    taught = taught or lessons(model_version(), now)
    common = digest_of(
        model_version(),
        taught.mark,
        now.astimezone(site.tz).date(),
        site.zone,
        site.latitude_deg,
        list(
            Entry.objects.filter(kind__in=kinds)
            .order_by()
            .values_list("kind")
            .annotate(
                Count("id"),
                Max("id"),
                Max("recorded_at"),
                Count("struck_at"),
                Max("struck_at"),
            )
            .order_by("kind")
        ),
        tuple(WeatherRow.objects.aggregate(Count("id"), Max("id")).values()),
        WeatherSettings.load().climate,
        list(Place.objects.order_by("id").values_list(*_PLACE)),
        list(OwnMaterial.objects.order_by("id").values_list()),
    )
    return {
        # as one text: there are thousands of figures
        lot_id: digest_of(common, repr([written[one] for one in sorted(_line(lot_id, parents))]))
        for lot_id in lot_ids
    }


_PLACE: Final = ("id", "kind", "width_m", "depth_m", "height_m", "cover")
_TAKEN_AS_SUCH: Final = (LotKind.COMPOST, LotKind.OVERS)


def parents_of(lot_ids: Collection[int]) -> dict[int, set[int]]:
    """Return of each lot, and of all that matters of what went into it, the lots that gave to it.

    Compost and overs are taken as such, whatever they came from: what lies behind them, nearly
    the whole of a site that screens, is not looked at.
    """
    parents: dict[int, set[int]] = {}
    unknown = set(lot_ids)
    while unknown:
        parents.update((one, set()) for one in unknown)
        found: set[int] = set()
        for to_lot, from_lot, kind in Flow.objects.filter(
            to_lot__in=unknown, from_lot__isnull=False
        ).values_list("to_lot_id", "from_lot_id", "from_lot__kind"):
            parents[to_lot].add(from_lot)
            if kind in _TAKEN_AS_SUCH:
                parents.setdefault(from_lot, set())
            else:
                found.add(from_lot)
        unknown = found - parents.keys()
    return parents


def _line(lot_id: int, parents: dict[int, set[int]]) -> set[int]:
    found, waiting = {lot_id}, [lot_id]
    while waiting:
        new = parents[waiting.pop()] - found
        found |= new
        waiting += new
    return found


def digest_of(*values: object) -> str:
    """Return a digest of records, arrays and plain values that differs when any of them does."""
    digest = hashlib.sha256()
    for value in values:
        _feed(digest, value)
    return digest.hexdigest()


def _feed(digest: Any, value: Any) -> None:
    """Add a value to a digest: records field by field, arrays by their bytes."""
    if is_dataclass(value) and not isinstance(value, type):
        digest.update(type(value).__name__.encode())
        for one in fields(value):
            _feed(digest, getattr(value, one.name))
    elif isinstance(value, list | tuple):
        digest.update(f"[{len(value)}".encode())
        for one in value:
            _feed(digest, one)
    elif hasattr(value, "tobytes"):
        digest.update(value.tobytes())
    elif isinstance(value, datetime):
        digest.update(value.astimezone(UTC).isoformat().encode())
    else:
        digest.update(f"{type(value).__name__} {value!r}\0".encode())
