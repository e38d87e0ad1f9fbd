"""The last days of the copy that is shown, so that on any day of the year there is much to see.

A small heap that a class of the school built and that stays cool, and two heaps on the curing
pad whose fleece was lifted three weeks ago and that nobody has covered since: they are soaked in
a wet season and parched in a dry one. What the yard's forecast makes of it, and whether anything
is to be done, is left to the records and the weather.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from itertools import takewhile
from random import Random
from typing import Any, Final
from uuid import NAMESPACE_OID, UUID, uuid5
from zoneinfo import ZoneInfo

from heapwright.demo import site
from heapwright.demo.climate import Day, closures, told
from heapwright.people.models import User
from heapwright.units import KG_PER_LB
from heapwright.yard import mix, receive, state, tend
from heapwright.yard.acts import Take, first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Contamination, Cover, Entry, Smell, Squeeze, Stage

CLASS_DAYS: Final = 9
"""Days since the class built its heap: long enough to see that it does not heat."""
BROUGHT: Final = (
    ("parks", "leaves_shredded", 88),
    ("stable", "horse_straw", 99),
    ("school", "food_scraps_mixed", 132),
)
HOLIDAY: Final = {"school": ("hospital", "food_post_consumer")}
HOLIDAY_MONTHS: Final = (7, 8)
"""When the school's kitchen is closed the class, at camp then, gets its scraps elsewhere."""

WATER_L: Final = 20.0
POINTS: Final = (("core", 20.0, 0.0), ("edge", 10.0, 1.5))
"""The points that the class reads: name, depth in cm, by how many °C it is below the core."""
WARMER_C: Final = 8.0
READ_ERROR_C: Final = 0.5

LIFTED_DAYS: Final = 21
NOTES: Final = {
    "built": "Built by the class of six. There was no more to put on.",
    "lifted": "Fleece off to sample it; laid beside the heap.",
}


def happened(first: date, end: datetime, zone: str = site.ZONE, seed: int = 1) -> None:
    """Write what the last days bring, each entry as if it had been sent when it happened.

    Parameters
    ----------
    first : date
        The first day of the story.
    end : datetime
        When it ends, with its zone.
    zone : str
        The yard's time zone.
    seed : int
        Of the story, for its weather.
    """
    _Days(first, end, zone, seed).write()


class _Days:
    def __init__(self, first: date, end: datetime, zone: str, seed: int) -> None:
        self.end, self.tz = end, ZoneInfo(zone)
        self.today = end.astimezone(self.tz).date()
        self.closed = closures(first)
        self.sky: dict[date, Day] = dict(
            takewhile(lambda one: one[0] < self.today, told(first, seed))
        )
        self.first = first
        self.people = {one.username: one for one in User.objects.all()}
        self.rng = Random(f"lately/{seed}/{self.today}")
        self.number = 0

    def write(self) -> None:
        self.small_heap()
        self.lifted()

    def is_open(self, day: date) -> bool:
        return not any(begins <= day <= ends for begins, ends in self.closed)

    def last_open(self, days: int) -> date:
        """Return the last day, so many or more ago, on which somebody was there."""
        day = self.today - timedelta(days=days)
        while not self.is_open(day):
            day -= timedelta(days=1)
        return max(day, self.first)

    def act(self, day: date, hour: float) -> dict[str, Any]:
        """Return the id and the time of an act."""
        self.number += 1
        minutes = round(hour * 60)
        wall = datetime.combine(day, time(minutes // 60, minutes % 60), self.tz)
        return {"id": self.new_id(), "happened_at": wall}

    def new_id(self) -> UUID:
        return uuid5(NAMESPACE_OID, f"saltmarsh/lately/{self.number}/{self.end}")

    # The heap of the class

    def small_heap(self) -> None:
        day, helper = self.last_open(CLASS_DAYS), self.people["helper"]
        taken = any(
            one.place is not None and one.place.code == site.CLASS_BAY
            for one in state.state_at(self.end)
        )
        if taken or day not in self.sky:
            return
        takes = []
        for number, (source, material, pounds) in enumerate(BROUGHT):
            if day.month in HOLIDAY_MONTHS:
                source, material = HOLIDAY.get(source, (source, material))
            came = receive.ReceiveDelivery(
                **self.act(day, 10.0 + 0.1 * number),
                source=source,
                lines=(
                    receive.DeliveryLine(
                        material=material,
                        place=site.FOOD_BUNKER,
                        contamination=Contamination.NONE,
                        quantity=Quantity(
                            mass_kg=pounds * KG_PER_LB, known="weighed", as_typed=f"{pounds} lb"
                        ),
                    ),
                ),
            )
            entry = self.sent(receive.receive_delivery, came, helper)
            takes.append(Take(lot=first_lot(entry).code))
        built = self.sent(
            mix.build_pile,
            mix.BuildPile(
                **self.act(day, 11.0),
                place=site.CLASS_BAY,
                takes=tuple(takes),
                water_l=WATER_L,
                note=NOTES["built"],
            ),
            helper,
        )
        self.read(first_lot(built).code, day, helper)

    def read(self, lot: str, built: date, helper: User) -> None:
        """Read it each day that somebody was there: as warm as so small a heap gets."""
        for day in self._open_days(built):
            age = (day - built).days
            rise_c = WARMER_C * min(age / 2.0, 1.0)
            core_c = self.sky[day].mean_c + rise_c
            temps = tuple(
                tend.Temp(
                    point=point,
                    depth_cm=depth_cm,
                    temp_c=core_c - below_c + self.rng.gauss(0.0, READ_ERROR_C),
                )
                for point, depth_cm, below_c in POINTS
            )
            felt = {"squeeze": Squeeze.HOLDS.value, "smell": Smell.EARTHY.value}
            self.sent(
                tend.check,
                tend.CheckLot(
                    **self.act(day, 8.9), lot=lot, temps=temps, **(felt if age == 4 else {})
                ),
                helper,
            )

    def _open_days(self, built: date) -> Iterator[date]:
        day = built + timedelta(days=1)
        while day < self.today:
            if self.is_open(day):
                yield day
            day += timedelta(days=1)

    # The fleece

    def lifted(self) -> None:
        """Lift the fleece off the heap that has cured longest, and off one amid them."""
        day = self.last_open(LIFTED_DAYS)
        before = datetime.combine(day, time(), self.tz)
        curing = sorted(
            (
                one
                for one in state.state_at(self.end)
                if one.stage == Stage.CURING and one.stage_at is not None and one.stage_at < before
            ),
            key=lambda one: one.stage_at or one.begun_at,
        )
        if not curing:
            return
        chosen = dict.fromkeys((curing[0].code, curing[len(curing) // 2].code))
        for number, one in enumerate(chosen):
            off = tend.CoverLot(
                **self.act(day, 15.0 + 0.2 * number),
                lot=one,
                cover=Cover.OPEN.value,
                note=NOTES["lifted"],
            )
            self.sent(tend.cover, off, self.people["lead"])

    def sent(self, use_case: Any, act: Any, by: User) -> Entry:
        """Write an act as if it had been sent two minutes after it happened."""
        entry: Entry = use_case(act, by, now=act.happened_at + timedelta(minutes=2))
        return entry
