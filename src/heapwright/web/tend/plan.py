"""From the records to the drawing of the yard: places to scale, and what stands in them."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Final

from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.people.models import Units
from heapwright.web.drawing import places as drawn
from heapwright.web.drawing.hatch import Category, hatch_of
from heapwright.web.drawing.places import LengthUnit
from heapwright.web.heat import TempUnit
from heapwright.yard.models import Cover, LotKind, Place, PlaceKind, Stage
from heapwright.yard.state import LotState
from heapwright.yard.today import Heap, Rank, Say, Sight, Task, Waiting, in_words

KINDS: Final[dict[str, drawn.Kind]] = {
    PlaceKind.BAY: "bay",
    PlaceKind.STOCKPILE: "bunker",
    PlaceKind.LANE: "windrow",
    PlaceKind.CURING: "pad",
    PlaceKind.VESSEL: "vessel",
    PlaceKind.TRENCH: "trench",
    PlaceKind.SCREENING: "screen",
    PlaceKind.BED: "bed",
}
WALLED: Final = (PlaceKind.BAY, PlaceKind.VESSEL, PlaceKind.STOCKPILE)
_HIGHEST_M: Final = 3.0  # a drawing is no survey: a low guess of a footprint draws no tower
_UNKNOWN_M: Final = 0.3


def temp_unit(system: str) -> TempUnit:
    """Return the degree that a person reads."""
    return "F" if system == Units.US else "C"


def length_unit(system: str) -> LengthUnit:
    """Return the length that a person reads."""
    return "ft" if system == Units.US else "m"


def height_m(lot: LotState, shares: int = 1, seen_m: float | None = None) -> float:
    """Return how high a lot stands: from its volume and ground, or as it was seen.

    A walled heap fills its box; a free one is a ridge over its share of the ground.
    """
    place = lot.place
    if lot.volume_m3 and place is not None:
        ground_m2 = place.width_m * place.depth_m / shares
        shape = 1.0 if place.kind in WALLED else 2.0
        return min(shape * lot.volume_m3 / ground_m2, _HIGHEST_M)
    return seen_m or _UNKNOWN_M


def drawn_yard(
    name: str,
    places: Iterable[Place],
    sight: Sight,
    tasks: Mapping[str, tuple[int, Task]],
    say: Say,
) -> drawn.Yard:
    """Return the yard as it is drawn.

    Parameters
    ----------
    tasks : mapping
        The first task of a lot with its number, by the lot's code.
    """
    here = list(places)
    boxes = {place.id: _box(place) for place in here}
    north = max((box[3] for box in boxes.values()), default=0.0)
    heaps: dict[int, list[Heap]] = defaultdict(list)
    stocks: dict[int, list[Waiting]] = defaultdict(list)
    for heap in sight.heaps:
        if heap.state.place is not None:
            heaps[heap.state.place.id].append(heap)
    for one in sight.waiting:
        if one.state.place is not None:
            stocks[one.state.place.id].append(one)
    found = []
    for place in here:
        west, south, east, top = boxes[place.id]
        found.append(
            drawn.Place(
                code=place.code,
                name=place.name,
                kind=KINDS[place.kind],
                x_m=west,
                y_m=north - top,
                width_m=east - west,
                depth_m=top - south,
                height_m=place.height_m or 0.0 if place.kind in WALLED else 0.0,
                piles=tuple(_pile(one, heaps[place.id], sight, tasks) for one in heaps[place.id]),
                stock=_stock(stocks[place.id], say),
                href=_href(heaps[place.id], stocks[place.id]),
            )
        )
    return drawn.Yard(name, tuple(found))


def _box(place: Place) -> tuple[float, float, float, float]:
    """Return west, south, east, north of the box around a place turned about its corner."""
    turn = math.radians(place.angle_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    corners = [
        (place.x_m + x * cos - y * sin, place.y_m + x * sin + y * cos)
        for x in (0.0, place.width_m)
        for y in (0.0, place.depth_m)
    ]
    xs, ys = zip(*corners, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def _pile(
    heap: Heap, beside: list[Heap], sight: Sight, tasks: Mapping[str, tuple[int, Task]]
) -> drawn.Pile:
    lot, temps = heap.state, heap.temps
    seen_m = heap.check.height_m if heap.check else None
    number, task = tasks.get(lot.code, (None, None))
    return drawn.Pile(
        code=lot.code,
        stage=str(Stage(lot.stage).label) if lot.stage else _("compost"),
        day=sight.days_since(lot.begun_at),
        height_m=height_m(lot, len(beside), seen_m),
        temp_c=temps.highest_c if temps else None,
        temp_is_old=temps is not None and sight.now - temps.last_at > timedelta(days=1),
        cover=drawn_cover(lot.cover),
        task=number,
        next_act=_verb(task) if task else "",
        task_waits=task is not None and task.can_wait,
        read_on=_day(temps.day, sight.today) if temps else "",
        to_be_read=lot.kind == LotKind.PILE,
        href=reverse("pile", args=[lot.code]),
    )


def _day(day: date, today: date) -> str:
    """Return a past day in a word: a weekday of the last six days, else day and month."""
    if day == today:
        return _("today")
    return date_format(day, "D" if (today - day).days < 7 else "j M")


def _verb(task: Task) -> str:
    """Return what a task asks for in a word or two, as it is written under the heap."""
    acts = {
        "wet": _("wet"),
        "add": _("dry it"),
        "combine": _("combine"),
        "build up": _("build up"),
        "insulate": _("wrap up"),
    }
    if task.act in acts:
        return acts[task.act]
    words = {
        Rank.ALARM: _("get help"),
        Rank.HEAT: _("watch") if task.act == "watch" else _("turn, wet"),
        Rank.TURN: _("turn"),
        Rank.SPOILING: _("use up"),
        Rank.DIRTY: _("sort"),
        Rank.RAIN: _("cover"),
        Rank.READ: _("read"),
        Rank.COOLED: _("turn") if task.tap else _("mix in") if task.form == "mix" else _("rebuild"),
        Rank.PROVEN: _("let cure"),
        Rank.CURED: _("test"),
        Rank.WATCH: _("read"),
    }
    return words.get(task.rank, "")


def drawn_cover(cover: str) -> drawn.Cover:
    """Return a cover as drawings know it; what is not said lies open."""
    covers: dict[str, drawn.Cover] = {
        Cover.BREATHABLE: "breathable",
        Cover.TARP: "tarp",
        Cover.ROOF: "roof",
    }
    return covers.get(cover, "open")


def _stock(waiting: list[Waiting], say: Say) -> drawn.Stock | None:
    if not waiting:
        return None
    names = list(dict.fromkeys(name_of(one) for one in waiting))
    most = max(waiting, key=lambda one: one.state.volume_m3 or 0.0)
    volumes = [one.state.volume_m3 for one in waiting]
    amount = (
        say(sum(one.state.mass_kg for one in waiting), "mass")
        if None in volumes
        else say(sum(volume or 0.0 for volume in volumes), "volume")
    )
    return drawn.Stock(
        name=names[0]
        if len(names) == 1
        else ngettext("%(count)d material", "%(count)d materials", len(names))
        % {"count": len(names)},
        amount=amount,
        height_m=sum(height_m(one.state) for one in waiting),
        category=category_of(most),
    )


def name_of(one: Waiting) -> str:
    """Return what waiting stock is, as it stands within a sentence."""
    return in_words(one.material) if one.material else _("screened overs")


def category_of(one: Waiting) -> Category:
    """Return the hatch of waiting stock."""
    if one.material is None:
        return "woody"
    cn = one.material.cn
    return hatch_of(one.material.category, cn.typical if cn else None, one.material.layer_role)


def _href(heaps: list[Heap], waiting: list[Waiting]) -> str:
    """Return where a place leads: to the one lot in it, or to the list of what stands."""
    lots = [one.state.code for one in (*heaps, *waiting)]
    if len(lots) == 1:
        return reverse("pile", args=lots)
    return "#standing" if lots else ""
