"""The story as acts, in the order in which they were recorded, from a seed and a first day.

Nothing here touches the records: the same seed and day give the same acts, and a plan told for
a longer time begins with the acts of the shorter one, so that a told story can be told on. The
planner keeps its own simple books of what lies where, as the people of the yard would.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from typing import Any, Final
from uuid import NAMESPACE_OID, UUID, uuid5
from zoneinfo import ZoneInfo

from heapwright.data import materials
from heapwright.data.mixing import mix_facts
from heapwright.demo import site
from heapwright.demo.climate import Day, closures, weather, wet_month
from heapwright.demo.heat import Heat
from heapwright.units import KG_PER_LB
from heapwright.yard import mix, prove, receive, tend, use
from heapwright.yard.acts import Act, Take
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Contamination, Cover, Smell, Squeeze, Stage

FULL_M3: Final = 1.68
"""What is laid into a bay of 1.73 m³ before it settles."""

TURN_DAYS: Final = (4, 7, 10, 13, 16, 23, 31)
"""Turnings after the filling, in days: five within the fifteen hot days, two more."""

LEAD, HELPERS = "lead", ("helper", "helper2")

PERISHABLE: Final = ("veg_trimmings", "food_scraps_mixed", "food_post_consumer", "coffee_grounds",
                     "bread_bakery", "apple_pomace", "grass_clippings")  # fmt: skip

TAKERS: Final = ("Plot holders' share day", "Heron Row School garden", "Fen Street orchard group")


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
    """Screened compost waiting to be used; a result comes back from the laboratory later."""

    code: str
    mass_kg: float
    made: date
    result_due: date | None = None


@dataclass(slots=True)
class Plan:
    """The story from ``first`` on; :meth:`acts` yields it day by day, without end."""

    first: date
    zone: str = site.ZONE
    seed: int = 1
    troubles: dict[str, Trouble] = field(default_factory=dict)
    _rng: Random = field(init=False)
    _sky: Random = field(init=False)
    _number: int = 0
    _counts: dict[str, int] = field(default_factory=dict)
    _stock: list[Stock] = field(default_factory=list)
    _heaps: list[Heap] = field(default_factory=list)
    _compost: list[Compost] = field(default_factory=list)
    _day: date = field(init=False)
    _today: Day = field(init=False)
    _yesterday: Day = field(init=False)
    _next_build: date = field(init=False)
    _last_bay: int = -1
    _bed: int = 0
    _hours: float = 0.0
    _fills_next: bool = False

    def __post_init__(self) -> None:
        self._rng = Random(f"saltmarsh/{self.seed}/{self.first}")
        self._sky = Random(f"sky/{self.seed}/{self.first}")
        self._day = self.first
        self._next_build = self.first + timedelta(days=2)
        self._yesterday = weather(self.first, self._sky, wet=False)

    # the run of days

    def acts(self) -> Iterator[Written]:
        """Yield what is recorded, in the order of recording, from the first day on."""
        closed = closures(self.first)
        wet = wet_month(self.first)
        self.troubles["wet month"] = Trouble("it rained for a month", "", wet[0])
        self.troubles["holiday gap"] = Trouble(
            f"nobody was there until {closed[0][1]:%-d %B}", "", closed[0][0]
        )
        while True:
            in_wet = wet[0] <= self._day <= wet[1]
            self._today = weather(self._day, self._sky, wet=in_wet)
            for heap in self._heaps:
                soaked = self._today.rain_mm > 12 and heap.cover == Cover.OPEN
                heap.heat.day(self._today.mean_c, soaked)
            if not any(begins <= self._day <= ends for begins, ends in closed):
                written = sorted(self._acts_of_day(), key=lambda one: one.recorded_at)
                yield from written
            self._yesterday = self._today
            self._day += timedelta(days=1)

    def _acts_of_day(self) -> Iterator[Written]:
        yield from self._gauge()
        if self._day == self.first:
            yield from self._opening()
        yield from self._deliveries()
        yield from self._spoiled()
        yield from self._readings()
        yield from self._late_scraps()
        yield from self._turnings()
        yield from self._wrong_pile()
        yield from self._filling()
        yield from self._build()
        yield from self._to_pad()
        yield from self._cured()
        yield from self._screening()
        yield from self._results()
        yield from self._beds()
        yield from self._hours_and_fuel()

    # what every act is written with

    def _at(self, hour: float) -> datetime:
        minutes = round(hour * 60)
        wall = datetime.combine(self._day, time(minutes // 60, minutes % 60), ZoneInfo(self.zone))
        return wall.astimezone(UTC)

    def _id(self) -> UUID:
        self._number += 1
        return uuid5(NAMESPACE_OID, f"saltmarsh/{self.seed}/{self.first}/{self._number}")

    def _code(self, letter: str) -> str:
        self._counts[letter] = self._counts.get(letter, 0) + 1
        return f"{letter}-{self._counts[letter]:03d}"

    def _write(
        self, kind: type[Act], hour: float, by: str = "", late_h: float = 0.0, **said: Any
    ) -> Written:
        happened_at = self._at(hour)
        act = kind(id=self._id(), happened_at=happened_at, **said)
        recorded_at = happened_at + timedelta(minutes=2 + 60 * late_h)
        return Written(act, by or self._helper(), recorded_at)

    def _helper(self) -> str:
        return HELPERS[self._day.toordinal() // 2 % 2]

    def _age(self, day: date) -> int:
        return (self._day - day).days

    @property
    def _offset(self) -> int:
        return (self._day - self.first).days

    def _due(self, trouble: str, offset: int) -> bool:
        """Return whether a trouble is to happen now, once, with no closure in its way."""
        in_the_way = any(
            -3 <= (begins - self._day).days <= 26 or begins <= self._day <= ends
            for begins, ends in closures(self.first)
        )
        return trouble not in self.troubles and self._offset >= offset and not in_the_way

    # receive

    def _gauge(self) -> Iterator[Written]:
        if self._rng.random() < 0.04:
            return
        yield self._write(
            tend.LogWeather,
            6.5,
            day=self._day - timedelta(days=1),
            rain_mm=self._yesterday.rain_mm,
            temp_min_c=self._yesterday.low_c,
            temp_max_c=self._yesterday.high_c,
        )

    def _opening(self) -> Iterator[Written]:
        """What lay there when the records began."""
        for source, material, loads, place in (
            ("parks", "leaves_shredded", 14, site.LEAF_BUNKER),
            ("trees", "wood_chips", 10, site.CHIP_BUNKER),
        ):
            yield from self._load(source, material, loads, place, 6.6, note="There when we began.")

    def _deliveries(self) -> Iterator[Written]:
        day, rng = self._day, self._rng
        weekday, month = day.weekday(), day.month
        if weekday in (0, 3) and month not in (7, 8):
            yield self._weighed("school", ("veg_trimmings", 31), ("food_scraps_mixed", 20))
        if weekday in (1, 4):
            yield self._weighed("hospital", ("food_post_consumer", 44), ("coffee_grounds", 9))
        if weekday == 4:
            yield from self._mistaken("bakery", "bread_bakery", 15)
        if weekday == 2:
            if rng.random() > 0.3:
                yield from self._load("stable", "horse_straw", rng.choice((0.5, 1, 1)), "S1", 9.0)
            if month in (9, 10, 11) and rng.random() < 0.6:
                yield from self._load("press", "apple_pomace", 0.5, "S1", 9.5)
        if weekday == 0 and (month in (11, 12) or (month == 10 and day.day > 14)):
            yield from self._load("parks", "leaves_shredded", 5, site.LEAF_BUNKER, 9.3)
        if weekday == 0 and 4 <= month <= 9 and rng.random() > 0.3:
            yield from self._load("parks", "grass_clippings", 1, "S1", 9.3)
        if self._offset % 60 == 20:
            yield from self._load("trees", "wood_chips", 3, site.CHIP_BUNKER, 9.4)

    def _weighed(self, source: str, *lines: tuple[str, float]) -> Written:
        """Kitchens' carts are hung on the scale, in pounds."""
        contamination, found = Contamination.NONE, ""
        if self._rng.random() < 0.06:
            contamination = Contamination.LITTLE
            found = self._rng.choice(("rubber bands", "fruit stickers", "two spoons"))
        if source == "hospital" and self._due("contaminated delivery", 150):
            contamination, found = Contamination.MUCH, "gloves, foil and a broken cup all through"
            self.troubles["contaminated delivery"] = Trouble(
                found, f"D-{self._counts['D'] + 1:03d}", self._day
            )
        made = []
        for material, typical_kg in lines:
            pounds = max(5, round(typical_kg * self._rng.uniform(0.75, 1.25) / KG_PER_LB))
            made.append(self._line(material, pounds, contamination, found))
            if contamination == Contamination.MUCH:
                contamination, found = Contamination.NONE, ""
        return self._write(receive.ReceiveDelivery, 6.9, source=source, lines=tuple(made), note="")

    def _line(
        self, material: str, pounds: int, contamination: str = Contamination.NONE, found: str = ""
    ) -> receive.DeliveryLine:
        code = self._code("D")
        self._stock.append(Stock(code, material, pounds * KG_PER_LB, self._day))
        return receive.DeliveryLine(
            material=material,
            code=code,
            place=site.FOOD_BUNKER,
            contamination=contamination,
            found=found,
            quantity=Quantity(mass_kg=pounds * KG_PER_LB, known="weighed", as_typed=f"{pounds} lb"),
        )

    def _mistaken(self, source: str, material: str, typical_kg: float) -> Iterator[Written]:
        """A delivery, which once was entered ten times too heavy and entered again."""
        pounds = round(typical_kg * self._rng.uniform(0.75, 1.25) / KG_PER_LB)
        line = self._line(material, pounds)
        if not self._due("struck and entered again", 200):
            yield self._write(receive.ReceiveDelivery, 7.1, source=source, lines=(line,))
            return
        wrong = receive.DeliveryLine(
            material=material,
            code=line.code,
            place=line.place,
            contamination=line.contamination,
            quantity=Quantity(
                mass_kg=10 * pounds * KG_PER_LB, known="weighed", as_typed=f"{pounds}0 lb"
            ),
        )
        first = self._write(receive.ReceiveDelivery, 7.1, source=source, lines=(wrong,))
        yield first
        assert isinstance(first.act, Act)
        self.troubles["struck and entered again"] = Trouble(
            "a nought too many", line.code, self._day
        )
        yield self._write(
            receive.ReceiveDelivery,
            7.1,
            by=first.by,
            late_h=0.4,
            source=source,
            lines=(line,),
            replaces=first.act.id,
            reason=f"A nought too many: {pounds} lb, not {pounds}0.",
        )

    def _load(
        self, source: str, material: str, loads: float, place: str, hour: float, note: str = ""
    ) -> Iterator[Written]:
        """Loads of the tractor's front bucket, counted."""
        code = self._code("D")
        mass_kg = loads * site.LOADER_M3 * density_kg_m3(material)
        self._stock.append(Stock(code, material, mass_kg, self._day, "loader"))
        line = receive.DeliveryLine(
            material=material,
            code=code,
            place=place,
            quantity=Quantity(container="loader", count=loads, as_typed=f"{loads:g} buckets"),
        )
        yield self._write(receive.ReceiveDelivery, hour, source=source, lines=(line,), note=note)
        if place != site.FOOD_BUNKER:
            yield from self._heaped(material, hour + 0.2)

    def _heaped(self, material: str, hour: float) -> Iterator[Written]:
        """What keeps is tipped on the heap of the same stuff that lies there."""
        heap, *others = (lot for lot in self._stock if lot.material == material)
        for lot in others:
            self._stock.remove(lot)
            heap.mass_kg += lot.mass_kg
            yield self._write(tend.Combine, hour, lots=(lot.code,), into=heap.code)

    def _spoiled(self) -> Iterator[Written]:
        """What was too dirty to use goes to the tip; so does what waited far too long."""
        trouble = self.troubles.get("contaminated delivery")
        for lot in list(self._stock):
            dirty = trouble is not None and lot.code == trouble.lot and self._age(lot.arrived) == 1
            why = "Glass and gloves all through it; not worth the picking." if dirty else ""
            if lot.material in PERISHABLE and self._age(lot.arrived) > 16:
                why = "Slimy and full of flies after the closed days; taken to the tip."
            if why:
                self._stock.remove(lot)
                yield self._write(use.Discard, 7.4, by=LEAD, lot=lot.code, why=why)

    # tend

    def _readings(self) -> Iterator[Written]:
        for number, heap in enumerate(self._heaps):
            if not self._read_today(heap, number):
                continue
            mixed = heap.turned == self._day - timedelta(days=1)
            temps = tuple(
                tend.Temp(point=point, depth_cm=depth_cm, temp_c=temp_c)
                for point, depth_cm, temp_c in heap.heat.read(self._today.mean_c, mixed, self._rng)
            )
            seen: dict[str, Any] = {}
            if self._rng.random() < 0.3:
                seen = self._felt(heap)
            offline = self._rng.random() < 0.08
            yield self._write(
                tend.CheckLot,
                8.0 + 0.1 * number,
                late_h=self._rng.uniform(0.5, 1.0) if offline else 0.0,
                note="Written at the pile, sent from the gate." if offline else "",
                lot=heap.code,
                temps=temps,
                **seen,
            )

    def _read_today(self, heap: Heap, number: int) -> bool:
        if heap.on_pad is not None:
            return (self._day.toordinal() + number) % 7 == 0
        age = self._age(heap.last_add or heap.built)
        if age == 0:
            return False
        if age <= 20:
            return self._rng.random() > 0.012
        if age <= 32:
            return self._rng.random() > 0.3
        return (self._day.toordinal() + number) % 3 == 0

    def _felt(self, heap: Heap) -> dict[str, Any]:
        wet = self._yesterday.rain_mm > 12 and heap.cover == Cover.OPEN
        dry = self._day.month in (6, 7, 8, 9) and self._age(heap.built) > 8
        squeeze = Squeeze.DRIPS if wet else Squeeze.CRUMBLES if dry else Squeeze.HOLDS
        smell = Smell.SOUR if wet and heap.heat.air < 0.6 else Smell.EARTHY
        if heap.heat.core_c > 64 and self._rng.random() < 0.2:
            smell = Smell.AMMONIA
        if heap.trouble == "never heated":
            squeeze, smell = Squeeze.DUSTY, Smell.NONE
        height_m = round(1.15 * max(0.45, 1.0 - 0.012 * self._age(heap.built)), 2)
        return {"squeeze": squeeze.value, "smell": smell.value, "height_m": height_m}

    def _late_scraps(self) -> Iterator[Written]:
        """Once somebody tips the morning's scraps on a pile that had its heat behind it."""
        if not self._due("late scraps", 62):
            return
        fresh = [lot for lot in self._stock if lot.material == "food_post_consumer"]
        for heap in self._heaps:
            old = heap.full and heap.on_pad is None and 20 <= self._age(heap.full) <= 27
            if old and fresh and not heap.trouble:
                lot = fresh[-1]
                self._stock.remove(lot)
                heap.heat.feed(lot.mass_kg / heap.mass_kg)
                heap.mass_kg += lot.mass_kg
                heap.volume_m3 += lot.mass_kg / density_kg_m3(lot.material)
                heap.full = heap.last_add = self._day
                heap.turns_done = 0
                heap.trouble = "late scraps"
                self.troubles["late scraps"] = Trouble(
                    "raw scraps on a finished proof", heap.code, self._day
                )
                yield self._write(
                    mix.AddToPile,
                    9.2,
                    by=HELPERS[1],
                    lot=heap.code,
                    takes=(Take(lot=lot.code),),
                    note="No room in the bunker, so I put them here.",
                )
                return

    def _turnings(self) -> Iterator[Written]:
        hour = 9.5
        for heap in self._heaps:
            if heap.full is None or heap.on_pad is not None:
                continue
            wanted = heap.turns_wanted[heap.turns_done : heap.turns_done + 1]
            if not wanted or self._age(heap.full) < wanted[0]:
                if self._cover_due(heap):
                    heap.cover = Cover.TARP
                    yield self._write(tend.CoverLot, hour, lot=heap.code, cover=Cover.TARP.value)
                    hour += 0.1
                continue
            heap.turns_done += 1
            to_place = self._next_door(heap)
            if to_place:
                heap.place, heap.cover = to_place, Cover.OPEN
            heap.heat.turn(self._today.mean_c)
            heap.turned = self._day
            self._hours += 1.2
            yield self._write(tend.Turn, hour, lot=heap.code, to_place=to_place, method="by fork")
            hour += 0.4
            if 6 <= self._day.month <= 9 and self._rng.random() < 0.7:
                litres = self._rng.choice((20.0, 30.0, 40.0))
                heap.mass_kg += litres
                yield self._write(tend.Water, hour, lot=heap.code, litres=litres)
                hour += 0.1

    def _wrong_pile(self) -> Iterator[Written]:
        """Once a turning is logged at the wrong pile; the lead strikes it the same day."""
        curing = [heap for heap in self._heaps if heap.on_pad is not None]
        if not curing or not self._due("struck turning", 230):
            return
        heap = curing[0]
        wrong = self._write(tend.Turn, 11.8, lot=heap.code, method="by fork")
        self.troubles["struck turning"] = Trouble(
            "logged at the wrong pile and struck", heap.code, self._day
        )
        yield wrong
        assert isinstance(wrong.act, Act)
        reason = "Logged at the wrong pile: this one was not turned."
        yield Written(Strike(wrong.act.id, reason), LEAD, self._at(17.0))

    def _cover_due(self, heap: Heap) -> bool:
        return heap.cover == Cover.OPEN and self._yesterday.rain_mm > 9 and self._rng.random() < 0.6

    def _free_bays(self) -> list[str]:
        taken = {heap.place for heap in self._heaps}
        return [bay for bay in site.BAYS if bay not in taken]

    def _next_door(self, heap: Heap) -> str:
        """Return the free bay beside the heap's, when two bays stay free; blank otherwise."""
        free = self._free_bays()
        number = int(heap.place[1:])
        beside = [bay for bay in free if abs(int(bay[1:]) - number) == 1]
        return beside[0] if beside and len(free) > 2 and self._rng.random() < 0.6 else ""

    # mix

    def _build(self) -> Iterator[Written]:
        free = self._free_bays()
        filling = any(heap.full is None for heap in self._heaps)
        food_kg = self._food_kg()
        due = self._next_build - timedelta(days=3 if food_kg > 340 else 0)
        if self._day < due or not free or filling or self._day.weekday() == 6 or food_kg < 60:
            return
        cold = self._never_heated()
        at_once = cold is not None or not self._fills_next
        starved = cold is None and self._due("never heated", 118)
        code, place = self._code("K"), free[0]
        takes, mass_kg, volume_m3 = self._recipe(1.0 if at_once or starved else 0.4, starved)
        if cold is not None:
            self._heaps.remove(cold)
            takes = [*takes[:1], Take(lot=cold.code), *takes[1:]]
            mass_kg += cold.mass_kg
            volume_m3 = FULL_M3
        vigour = 0.42 if starved else self._rng.uniform(0.955, 1.02)
        heat = Heat(self._today.mean_c + 4.0, vigour)
        heap = Heap(code, place, mass_kg, volume_m3, heat, self._day, last_add=self._day)
        dry = self._day.month in (6, 7, 8, 9)
        water_l = 0.0 if starved else 60.0 if dry else self._rng.choice((0.0, 10.0, 20.0))
        heap.mass_kg += water_l
        self._heaps.append(heap)
        if at_once or starved:
            self._fill_up(heap, starved)
        self._hours += 5.0
        yield self._write(
            mix.BuildPile,
            12.6,
            by=LEAD if at_once else "",
            place=place,
            code=code,
            takes=tuple(takes),
            water_l=water_l,
            full=heap.full is not None,
            note="Chips were all we had to hand; little to eat in it." if starved else "",
        )

    def _food_kg(self) -> float:
        return sum(lot.mass_kg for lot in self._stock if lot.material in PERISHABLE)

    def _fill_up(self, heap: Heap, starved: bool = False) -> None:
        """Call the pile full: say which of the troubles it has, and when the next is begun."""
        heap.full = self._day
        self._fills_next = self._rng.random() < 0.6
        wait = (3, 4, 4, 5) if self._fills_next else (9, 10, 11, 12)
        self._next_build = self._day + timedelta(days=self._rng.choice(wait))
        if starved:
            heap.trouble = "never heated"
            heap.turns_wanted = (12, 24)
            self.troubles["never heated"] = Trouble(
                "too woody and too dry to heat", heap.code, self._day
            )
        elif self._due("one turning short", 88):
            heap.trouble = "one turning short"
            heap.turns_wanted = TURN_DAYS[:4]
            heap.heat.vigour = 1.02
            self.troubles["one turning short"] = Trouble(
                "the fifth turning was forgotten", heap.code, self._day
            )

    def _never_heated(self) -> Heap | None:
        """Return the pile that never heated, when it is time to mix it into a new one."""
        for heap in self._heaps:
            if heap.trouble == "never heated" and self._age(heap.built) > 30:
                return heap
        return None

    def _filling(self) -> Iterator[Written]:
        """Go on filling the pile that is not full yet, when scraps have come."""
        for heap in self._heaps:
            if heap.full is not None or heap.last_add == self._day or self._day.weekday() == 6:
                continue
            last = self._age(heap.built) >= 6
            if not last and self._food_kg() < 40:
                continue
            room = max(1.0 - heap.volume_m3 / FULL_M3, 0.0)
            takes, mass_kg, volume_m3 = self._recipe(room * (1.0 if last else 0.4), starved=False)
            if last:
                self._fill_up(heap)
            if takes:
                heap.mass_kg += mass_kg
                heap.volume_m3 += volume_m3
                heap.last_add = self._day
                heap.heat.feed(volume_m3 / heap.volume_m3)
                yield self._write(mix.AddToPile, 12.3, lot=heap.code, takes=tuple(takes), full=last)
            elif last:
                yield self._write(tend.DeclareStage, 12.3, lot=heap.code, stage=Stage.HOT.value)

    def _recipe(self, share: float, starved: bool) -> tuple[list[Take], float, float]:
        """Return takes, mass and volume of (this share of) a pile, bottom layer first."""
        left_m3 = FULL_M3 * share
        leaves_kg = sum(lot.mass_kg for lot in self._stock if lot.material == "leaves_shredded")
        leafy = min(leaves_kg / 120.0, 1.0)  # chips stand in for leaves that have run out
        parts = (
            (("compost_overs",), 0.4 if starved else 0.10),
            (("wood_chips",), 0.5 if starved else 0.10 + 0.24 * (1.0 - leafy)),
            (("leaves_shredded",), 0.05 if starved else 0.24 * leafy),
            (("horse_straw",), 0.0 if starved else 0.15),
            (PERISHABLE, 0.05 if starved else 1.0),
        )
        takes: list[Take] = []
        mass_kg = volume_m3 = 0.0
        for group, part in parts:
            wanted_m3 = min(FULL_M3 * share * part, left_m3 - volume_m3)
            for take, taken_kg, taken_m3 in self._take(group, wanted_m3):
                takes.append(take)
                mass_kg += taken_kg
                volume_m3 += taken_m3
        return takes, mass_kg, volume_m3

    def _take(
        self, group: tuple[str, ...], wanted_m3: float
    ) -> Iterator[tuple[Take, float, float]]:
        """Take from the oldest lots of a group: all of a lot, or barrows of it."""
        for lot in sorted(self._stock, key=lambda one: (one.arrived, one.code)):
            if lot.material not in group or self._set_aside(lot):
                continue
            density = density_kg_m3(lot.material)
            barrows = round(2 * wanted_m3 / site.BARROW_M3) / 2
            there = lot.mass_kg / density / site.BARROW_M3
            if barrows <= 0:
                return
            if there <= barrows + 0.5:
                self._stock.remove(lot)
                wanted_m3 -= lot.mass_kg / density
                yield Take(lot=lot.code), lot.mass_kg, lot.mass_kg / density
                continue
            quantity = Quantity(container="barrow", count=barrows, as_typed=f"{barrows:g} barrows")
            mass_kg = barrows * site.BARROW_M3 * density
            lot.mass_kg -= mass_kg
            yield Take(lot=lot.code, quantity=quantity), mass_kg, barrows * site.BARROW_M3
            return

    def _set_aside(self, lot: Stock) -> bool:
        trouble = self.troubles.get("contaminated delivery")
        return trouble is not None and lot.code == trouble.lot

    # cure, prove

    def _to_pad(self) -> Iterator[Written]:
        hour = 13.5
        for heap in self._heaps:
            if heap.on_pad is not None or heap.full is None or heap.trouble == "never heated":
                continue
            cool = heap.heat.core_c < 45.0 and self._age(heap.full) >= 36
            crowded = not self._free_bays() and self._age(heap.full) >= 36
            if self._day.weekday() != 5 or not (cool or crowded):
                continue
            heap.on_pad, heap.place, heap.cover = self._day, site.PAD, Cover.BREATHABLE
            heap.heat.turn(self._today.mean_c)
            heap.volume_m3 = round(heap.volume_m3 * self._rng.uniform(0.55, 0.62), 2)
            density = round(self._rng.uniform(430.0, 520.0))
            heap.mass_kg = heap.volume_m3 * density
            self._hours += 2.0
            yield self._write(tend.Move, hour, by=LEAD, lot=heap.code, to_place=site.PAD)
            yield self._write(
                tend.WeighOrMeasure,
                hour + 0.3,
                by=LEAD,
                lot=heap.code,
                volume_m3=heap.volume_m3,
                bulk_density_kg_m3=float(density),
                note="Measured with the tape; a bucket weighed.",
            )
            hour += 0.7

    def _cured(self) -> Iterator[Written]:
        for heap in self._heaps:
            if heap.on_pad is None or heap.ready is not None or self._day.weekday() != 2:
                continue
            if self._age(heap.on_pad) >= 56:
                heap.ready = self._day
                yield self._write(
                    tend.DeclareStage,
                    15.0,
                    by=LEAD,
                    lot=heap.code,
                    stage=Stage.READY.value,
                    note="Bag test sweet after five days.",
                )

    def _screening(self) -> Iterator[Written]:
        if self._day.weekday() != 5:
            return
        done = [heap for heap in self._heaps if heap.ready and self._age(heap.ready) >= 10]
        for heap in done[:1]:
            self._heaps.remove(heap)
            compost, overs = self._code("C"), self._code("V")
            kept_kg = round(heap.mass_kg * self._rng.uniform(0.62, 0.7))
            over_kg = round(heap.mass_kg * self._rng.uniform(0.16, 0.22))
            made = Compost(compost, float(kept_kg), self._day)
            self._compost.append(made)
            self._stock.append(Stock(overs, "compost_overs", float(over_kg), self._day))
            self._hours += 4.0
            yield self._write(
                use.Screen,
                10.0,
                by=LEAD,
                lot=heap.code,
                compost=use.Output(
                    place=site.SCREENING,
                    code=compost,
                    quantity=Quantity(
                        mass_kg=float(kept_kg), volume_m3=round(kept_kg / 560, 2), known="measured"
                    ),
                ),
                overs=use.Output(
                    place=site.CHIP_BUNKER,
                    code=overs,
                    quantity=Quantity(
                        mass_kg=float(over_kg),
                        volume_m3=round(over_kg / density_kg_m3("compost_overs"), 2),
                        known="measured",
                    ),
                ),
            )
            yield from self._heaped("compost_overs", 11.2)
            if self._counts["C"] % 3 == 1:
                made.result_due = self._day + timedelta(days=11)
                yield self._write(
                    prove.TakeSample,
                    11.5,
                    by=LEAD,
                    lot=compost,
                    label=f"{compost} {self._day:%d %b}",
                    purpose="release: pathogens, salt, maturity",
                )

    def _results(self) -> Iterator[Written]:
        for compost in self._compost:
            if compost.result_due is None or self._day < compost.result_due:
                continue
            compost.result_due = None
            rng = self._rng
            figures = (
                ("faecal coliform", "<", float(rng.choice((3, 10, 90))), "MPN/g dry"),
                ("Salmonella", "<", 3.0, "MPN/4 g dry"),
                ("moisture_pct", "=", round(rng.uniform(38.0, 48.0), 1), "% wet"),
                ("cn", "=", round(rng.uniform(13.0, 19.0), 1), ""),
                ("pH", "=", round(rng.uniform(6.9, 7.8), 1), ""),
                ("electrical conductivity", "=", round(rng.uniform(1.8, 3.9), 1), "dS/m"),
            )
            yield self._write(
                prove.LogResult,
                14.0,
                by=LEAD,
                lot=compost.code,
                laboratory="Brackwater soil laboratory",
                results=tuple(
                    prove.Result(quantity=name, comparator=sign, value=value, unit=unit)
                    for name, sign, value, unit in figures
                ),
            )

    # use, account

    def _beds(self) -> Iterator[Written]:
        growing = self._day.month in (3, 4, 5, 6, 9, 10)
        heap = next((one for one in self._compost if self._age(one.made) >= 2), None)
        busy = self._day.weekday() in (1, 3, 5) and (growing or len(self._compost) > 3)
        if heap is None or not busy or heap.result_due is not None:
            return
        to_bed = self._rng.random() < (0.7 if growing else 0.2)
        wanted_kg = self._rng.choice((60.0, 80.0, 100.0) if to_bed else (90.0, 120.0, 150.0))
        said: dict[str, Any] = {}
        if heap.mass_kg >= wanted_kg + 25.0:
            heap.mass_kg -= wanted_kg
            said["quantity"] = Quantity(mass_kg=wanted_kg, known="estimated")
        else:
            self._compost.remove(heap)
        if to_bed:
            said["bed"] = site.BEDS[self._bed % len(site.BEDS)]
            self._bed += 1
        else:
            said["person"] = self._rng.choice(TAKERS)
        yield self._write(use.UseCompost, 14.5, lot=heap.code, **said)

    def _hours_and_fuel(self) -> Iterator[Written]:
        self._hours += 0.5
        if self._day.weekday() == 5 and self._hours > 0:
            hours, self._hours = round(self._hours, 1), 0.0
            yield self._write(
                tend.LogLabour,
                16.0,
                by=LEAD,
                hours=hours,
                task="the week's heaps",
                who="volunteers",
            )
            yield self._write(
                tend.LogLabour, 16.1, by=LEAD, hours=12.0, task="leading", who="lead", paid=True
            )
        if self._day.day in (7, 21):
            yield self._write(
                tend.LogFuel,
                16.3,
                by=LEAD,
                fuel="diesel",
                volume_l=float(self._rng.choice((9, 12, 15))),
                machine="small tractor",
            )


def density_kg_m3(material: str) -> float:
    """Return the bulk density with which the books turn containers of a material into kg."""
    found = materials()[material]
    if found.bulk_density_kg_m3 is not None:
        return found.bulk_density_kg_m3.typical
    return mix_facts().categories[found.category].bulk_density_kg_m3.typical
