"""What today's tasks are made of: what is known, a task, and what one tap writes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Final, Protocol
from zoneinfo import ZoneInfo

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from heapwright.science.materials import Mark, Material
from heapwright.science.sanitation import Proof
from heapwright.yard.models import Check, Container, Kind, Place, PlaceKind
from heapwright.yard.state import DayTemp, LotState
from heapwright.yard.yardstick import NOT_SET, InForce

if TYPE_CHECKING:
    from heapwright.yard.forecast import Advised

Say = Callable[[float, str], str]
"""Shows an SI value of a measure (``temp``, ``mass``, …; ``warmth`` is a difference of
temperatures, ``liquid`` in litres, ``rain`` in millimetres) with its unit."""

_SI: Final = {
    "temp": "°C",
    "warmth": "°C",
    "mass": "kg",
    "volume": "m³",
    "liquid": "L",
    "length": "m",
    "rain": "mm",
}
FRESH_DAYS: Final = 1
"""A reading of today or yesterday tells how the pile is; an older one only how it was."""


def plain(value: float, measure: str) -> str:
    """Show a value in SI units."""
    digits = 2 if measure in ("volume", "length") else 0
    return f"{value:.{digits}f}\u00a0{_SI[measure]}"


class Rank(IntEnum):
    """How pressing a task is: danger, then what is lost today, then what can wait."""

    ALARM = 0
    HEAT = 10
    TURN = 20
    SPOILING = 30
    DIRTY = 40
    WATER = 50
    RAIN = 60
    READ = 70
    COOLED = 80
    BROWN = 90
    PROVEN = 100
    CURED = 110
    WATCH = 120


@dataclass(frozen=True, slots=True)
class Tap:
    """What one tap writes: the kind of entry, its fields, and the word on the button.

    ``turned`` writes that the lot was turned too, as an entry of its own.
    """

    kind: Kind
    fields: tuple[tuple[str, str], ...]
    word: str
    lead_only: bool = False
    turned: bool = False


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do today.

    ``key`` names the task from one look to the next. ``form`` says which form serves when
    one tap cannot: ``log``, ``wet``, ``cover``, ``combine``, ``move``, ``discard``, ``stage`` of
    the lot, or the room ``mix``, ``receive`` or ``prove``. ``alarm`` is danger to people.

    ``does`` is the act that settles it, where there is no tap or the tap says it otherwise: two
    tasks of one lot that one act settles are one. ``takes_in`` are acts that this one contains
    or puts out of question at its lot. A task with ``remarks_on`` says more about those of the
    same act whose keys begin so, and nothing by itself. One that ``sharpens`` knows how much, where
    another of the same act does not. ``compares`` names the decision that the forecast compares
    with leaving it.
    """

    key: str
    rank: Rank
    title: str
    why: str
    how_much: str = ""
    left: str = ""
    sources: tuple[str, ...] = ()
    mark: Mark = "published"
    lot: str = ""
    place: str = ""
    tap: Tap | None = None
    form: str = ""
    order: float = 0.0
    alarm: bool = False
    does: str = ""
    takes_in: tuple[str, ...] = ()
    remarks_on: tuple[str, ...] = ()
    sharpens: bool = False
    compares: str = ""

    @property
    def act(self) -> str:
        """What settles it: the act, else the kind of entry that its tap writes."""
        return self.does or (self.tap.kind if self.tap else "")

    @property
    def can_wait(self) -> bool:
        """Whether nothing is lost when it is done another day."""
        return self.rank >= Rank.PROVEN


@dataclass(frozen=True, slots=True)
class Heap:
    """A standing pile or compost with what was last read and seen of it."""

    state: LotState
    temps: DayTemp | None = None
    check: Check | None = None
    proof: Proof | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """Stock or overs on hand, with what it is (None where it was mixed)."""

    state: LotState
    material: Material | None = None


@dataclass(frozen=True, slots=True)
class DayWeather:
    """The rain gauge and thermometer of a day."""

    day: date
    rain_mm: float | None = None
    temp_min_c: float | None = None
    temp_max_c: float | None = None


@dataclass(frozen=True)
class Sight:
    """All that today's tasks are made from.

    ``pads`` are the curing pads in use, ``yardstick`` what the site's proofs are judged by.
    ``ahead`` is what the forecast advises by lot; where that asks for dry material, ``on_hand``
    has its lots and ``containers`` what things are carried in.
    """

    now: datetime
    tz: ZoneInfo
    heaps: tuple[Heap, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    weather: tuple[DayWeather, ...] = ()
    pads: tuple[Place, ...] = ()
    yardstick: InForce = NOT_SET
    ahead: Mapping[int, Advised] = field(default_factory=dict)
    on_hand: tuple[Waiting, ...] = ()
    containers: tuple[Container, ...] = ()

    @cached_property
    def today(self) -> date:
        """The site's calendar day."""
        return self.now.astimezone(self.tz).date()

    def day_of(self, when: datetime) -> date:
        """Return the site's calendar day of a moment."""
        return when.astimezone(self.tz).date()

    def days_since(self, when: datetime) -> int:
        """Return the calendar days since a moment."""
        return (self.today - self.day_of(when)).days

    def said(self, when: datetime) -> str:
        """Return a moment as a colleague says it: today 08:40, Sunday 08:40, 3 March."""
        days = self.days_since(when)
        local = when.astimezone(self.tz)
        if days == 0:
            return _("today %(time)s") % {"time": date_format(local, "H:i")}
        if days == 1:
            return _("yesterday %(time)s") % {"time": date_format(local, "H:i")}
        return date_format(local, "l H:i" if days < 7 else "j F")

    def called(self, lot: LotState) -> str:
        """Return what people call a lot: its place, with its code where others stand there."""
        if lot.place is None:
            return lot.code
        here = sum(heap.state.place == lot.place for heap in self.heaps)
        own = lot.place.kind in (PlaceKind.BAY, PlaceKind.VESSEL, PlaceKind.LANE)
        if own and here == 1:
            return lot.place.name
        return f"{lot.code} ({lot.place.name})"


class Maker(Protocol):
    """Something that sees tasks: a rule of thumb here, a forecast elsewhere."""

    def __call__(self, sight: Sight, say: Say, /) -> Iterable[Task]:
        """Return the tasks seen, in any order."""
        ...


def fresh(sight: Sight, heap: Heap) -> DayTemp | None:
    """Return the temperatures when they are of today or yesterday."""
    temps = heap.temps
    if temps is None or (sight.today - temps.day).days > FRESH_DAYS:
        return None
    return temps


def turn_tap(lot: str) -> Tap:
    """Return the tap that writes that a lot was turned."""
    return Tap(Kind.TURN, (("lot", lot),), _("Log it: turned"))


def in_words(material: Material) -> str:
    """Return the name of a material as it stands within a sentence: food scraps."""
    head = material.name.partition(" (")[0].partition(", ")[0]
    return head[:1].lower() + head[1:]
