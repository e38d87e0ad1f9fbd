"""The planner's own simple books: what lies where, whose turn it is, how an act is written down."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from typing import Any, Final
from uuid import NAMESPACE_OID, UUID, uuid5
from zoneinfo import ZoneInfo

from heapwright.data import materials
from heapwright.data.mixing import mix_facts
from heapwright.demo import site
from heapwright.demo.climate import Day, closures, weather
from heapwright.demo.heat import Heat
from heapwright.yard.acts import Act
from heapwright.yard.models import Cover

TURN_DAYS: Final = (4, 7, 10, 13, 16, 23, 31)
"""Turnings after the filling, in days: five within the fifteen hot days, two more."""

LEAD, HELPERS = "lead", ("helper", "helper2")

PERISHABLE: Final = ("veg_trimmings", "food_scraps_mixed", "food_post_consumer", "coffee_grounds",
                     "bread_bakery", "apple_pomace", "grass_clippings")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Strike:
    """An entry taken back."""

    entry_id: UUID
    reason: str


@dataclass(frozen=True, slots=True)
class Written:
    """An act (or a strike), who recorded it and when."""

    act: Act | Strike
    by: str
    recorded_at: datetime


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that went wrong: what, on which lot (blank: on the site), from when."""

    what: str
    lot: str
    day: date


@dataclass(slots=True)
class Stock:
    """A lot on hand, as the planner keeps it."""

    code: str
    material: str
    mass_kg: float
    arrived: date
    container: str = ""


@dataclass(slots=True)
class Heap:
    """A pile, as the planner keeps it."""

    code: str
    place: str
    mass_kg: float
    volume_m3: float
    heat: Heat
    built: date
    full: date | None = None
    last_add: date | None = None
    turned: date | None = None
    turns_done: int = 0
    turns_wanted: tuple[int, ...] = TURN_DAYS
    cover: str = Cover.OPEN
    on_pad: date | None = None
    ready: date | None = None
    trouble: str = ""


@dataclass(slots=True)
class Compost:
    """Screened compost waiting to be used; a result comes back from the laboratory later.

    It is ``proven`` where the log of its pile shows it.
    """

    code: str
    mass_kg: float
    made: date
    proven: bool = True
    result_due: date | None = None


@dataclass(slots=True)
class Books:
    """Where the story stands: its day, its weather, what the yard holds, what is due.

    ``troubles`` grows as they happen. ``rng`` draws what people do, ``sky`` the weather, so that
    neither disturbs the other.
    """

    first: date
    zone: str = site.ZONE
    seed: int = 1
    troubles: dict[str, Trouble] = field(default_factory=dict)
    rng: Random = field(init=False)
    sky: Random = field(init=False)
    number: int = 0
    counts: dict[str, int] = field(default_factory=dict)
    stock: list[Stock] = field(default_factory=list)
    heaps: list[Heap] = field(default_factory=list)
    compost: list[Compost] = field(default_factory=list)
    day: date = field(init=False)
    today: Day = field(init=False)
    yesterday: Day = field(init=False)
    next_build: date = field(init=False)
    fills_next: bool = False
    bed: int = 0
    hours: float = 0.0
    scraps_dried: bool = False
    leaves_dried: bool = False
    overs_analysed: bool = False

    def __post_init__(self) -> None:
        self.rng = Random(f"saltmarsh/{self.seed}/{self.first}")
        self.sky = Random(f"sky/{self.seed}/{self.first}")
        self.day = self.first
        self.next_build = self.first + timedelta(days=2)
        self.yesterday = weather(self.first, self.sky, wet=False)

    def at(self, hour: float) -> datetime:
        """Return the moment of an hour of the day on the yard's clock."""
        minutes = round(hour * 60)
        wall = datetime.combine(self.day, time(minutes // 60, minutes % 60), ZoneInfo(self.zone))
        return wall.astimezone(UTC)

    def new_id(self) -> UUID:
        """Return the next id, the same in every telling."""
        self.number += 1
        return uuid5(NAMESPACE_OID, f"saltmarsh/{self.seed}/{self.first}/{self.number}")

    def new_code(self, letter: str) -> str:
        """Return the next code of a kind of lot."""
        self.counts[letter] = self.counts.get(letter, 0) + 1
        return f"{letter}-{self.counts[letter]:03d}"

    def write(
        self, kind: type[Act], hour: float, /, by: str = "", late_h: float = 0.0, **said: Any
    ) -> Written:
        """Return an act done at an hour of the day, sent at once or ``late_h`` hours later."""
        happened_at = self.at(hour)
        act = kind(id=self.new_id(), happened_at=happened_at, **said)
        recorded_at = happened_at + timedelta(minutes=2 + 60 * late_h)
        return Written(act, by or self.helper(), recorded_at)

    def helper(self) -> str:
        """Return which helper is there today."""
        return HELPERS[self.day.toordinal() // 2 % 2]

    def age(self, day: date) -> int:
        """Return the days since ``day``."""
        return (self.day - day).days

    @property
    def offset(self) -> int:
        """Days since the story began."""
        return (self.day - self.first).days

    def due(self, trouble: str, offset: int) -> bool:
        """Return whether a trouble is to happen now, once, with no closure in its way."""
        in_the_way = any(
            -3 <= (begins - self.day).days <= 26 or begins <= self.day <= ends
            for begins, ends in closures(self.first)
        )
        return trouble not in self.troubles and self.offset >= offset and not in_the_way

    def free_bays(self) -> list[str]:
        """Return the bays for the yard's own piles that nothing stands in."""
        taken = {heap.place for heap in self.heaps} | {site.CLASS_BAY}
        return [bay for bay in site.BAYS if bay not in taken]

    def food_kg(self) -> float:
        """Return how much waits that will not keep."""
        return sum(lot.mass_kg for lot in self.stock if lot.material in PERISHABLE)


def density_kg_m3(material: str) -> float:
    """Return the bulk density with which the books turn containers of a material into kg."""
    found = materials()[material]
    if found.bulk_density_kg_m3 is not None:
        return found.bulk_density_kg_m3.typical
    return mix_facts().categories[found.category].bulk_density_kg_m3.typical
