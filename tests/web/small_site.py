"""A small invented site with something of everything in it, made by the use cases alone.

It ends now: the hot pile was read this morning. Every test of pages and browsers may use it
(fixture ``small_site``).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from io import BytesIO

from django.utils import timezone
from PIL import Image

from heapwright.people.models import Role, Units, User
from heapwright.yard import mix, prove, receive, strike, tend, use
from heapwright.yard.acts import Take, first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import (
    Container,
    Entry,
    Lot,
    LotKind,
    OwnMaterial,
    Place,
    Site,
    Source,
)
from heapwright.yard.photos import Picture, picture

PASSWORD = "wheelbarrow-and-fork"

PLACES = (
    # code, name, kind, x, y, width, depth, height
    ("B1", "Bay 1", "bay", 1.0, 8.0, 1.2, 1.2, 1.2),
    ("B2", "Bay 2", "bay", 2.4, 8.0, 1.2, 1.2, 1.2),
    ("B3", "Bay 3", "bay", 3.8, 8.0, 1.2, 1.2, 1.2),
    ("B4", "Bay 4", "bay", 5.2, 8.0, 1.2, 1.2, 1.2),
    ("S1", "Scraps bunker", "stockpile", 1.0, 5.0, 2.0, 2.0, 1.5),
    ("S2", "Leaf bunker", "stockpile", 4.0, 5.0, 2.0, 2.0, 1.5),
    ("CP", "Curing pad", "curing", 8.0, 6.0, 4.0, 3.0, None),
    ("SC", "Screening corner", "screening", 8.0, 2.0, 3.0, 3.0, None),
    ("BED1", "Bean bed", "bed", 1.0, 1.0, 1.2, 3.0, None),
    ("BED2", "Squash bed", "bed", 3.0, 1.0, 1.2, 3.0, None),
)


@dataclass
class SmallSite:
    """The people and the lots of the small site, named for what they are."""

    lead: User
    helper: User
    reader: User
    hot: Lot
    curing: Lot
    compost: Lot
    overs: Lot
    scraps: Lot
    leaves: Lot
    delivery: Entry
    struck: Entry
    helpers_check: Entry


def kg(mass_kg: float) -> Quantity:
    """Return a weighed quantity."""
    return Quantity(mass_kg=mass_kg, known="weighed", as_typed=f"{mass_kg:g} kg")


def photo() -> Picture:
    """Return a small picture as a phone would send it."""
    made = BytesIO()
    Image.new("RGB", (64, 48), (120, 90, 60)).save(made, "JPEG")
    made.seek(0)
    return picture(made, size_bytes=len(made.getvalue()))


def make(now: datetime | None = None) -> SmallSite:
    """Make the site: 90 days that end ``now``."""
    now = now or timezone.now()

    def at(day: float) -> datetime:
        return now - timedelta(days=90 - day)

    Site.objects.create(
        id=1, name="Alder Lane yard", zone="America/Los_Angeles", width_m=13.0, depth_m=10.5
    )
    for code, name, kind, x_m, y_m, width_m, depth_m, height_m in PLACES:
        Place.objects.create(
            code=code,
            name=name,
            kind=kind,
            x_m=x_m,
            y_m=y_m,
            width_m=width_m,
            depth_m=depth_m,
            height_m=height_m,
        )
    tote = Container.objects.create(code="tote", name="32-gallon tote", volume_m3=0.121)
    Container.objects.create(code="barrow", name="wheelbarrow", volume_m3=0.085, tare_kg=14.0)
    kitchen = Source.objects.create(
        code="kitchen",
        name="School kitchen",
        contact="the cook",
        distance_km=2.5,
        material_ids=["food_scraps_mixed"],
        weekdays=[0, 3],
    )
    kitchen.containers.add(tote)
    Source.objects.create(code="stable", name="Riding stable", distance_km=6.0)
    OwnMaterial.objects.create(
        code="mill_chaff",
        name="Mill chaff",
        category="hay_straw",
        moisture_pct=11.0,
        c_pct_dry=44.0,
        cn=70.0,
    )
    people = {
        role: User.objects.create_user(username=role, password=PASSWORD, role=role, units=Units.US)
        for role in Role.values
    }
    lead, helper = people[Role.LEAD], people[Role.HELPER]

    def deliver(
        day: float,
        mass_kg: float,
        material: str,
        place: str,
        source: str = "kitchen",
        **more: str,
    ) -> Entry:
        line = receive.DeliveryLine(material=material, quantity=kg(mass_kg), place=place, **more)
        return receive.receive_delivery(
            receive.ReceiveDelivery(happened_at=at(day), source=source, lines=(line,)),
            helper,
            now=now,
        )

    def build(day: float, place: str, *takes: tuple[Lot, float | None]) -> Lot:
        laid = tuple(
            Take(lot=lot.code, quantity=None if mass_kg is None else kg(mass_kg))
            for lot, mass_kg in takes
        )
        act = mix.BuildPile(happened_at=at(day), place=place, takes=laid, water_l=30.0)
        return first_lot(mix.build_pile(act, lead, now=now))

    def check(day: float, lot: Lot, *temps_c: float, by: User = helper, **more: object) -> Entry:
        read = tuple(
            tend.Temp(point=str(number), temp_c=temp_c, depth_cm=45.0)
            for number, temp_c in enumerate(temps_c, start=1)
        )
        act = tend.CheckLot(happened_at=at(day), lot=lot.code, temps=read, **more)
        return tend.check(act, by, now=now)

    def turn(day: float, lot: Lot, to_place: str = "") -> None:
        act = tend.Turn(happened_at=at(day), lot=lot.code, to_place=to_place)
        tend.turn(act, lead, now=now)

    # the first pile: it went all the way to the bean bed
    leaves = first_lot(deliver(0, 500, "leaves_loose", "S2", "stable"))
    scraps = first_lot(deliver(0, 160, "food_scraps_mixed", "S1"))
    first = build(1, "B1", (leaves, 60), (scraps, None), (leaves, 70))
    for day, temp_c in enumerate((34, 52, 59, 61, 60, 58, 57, 60, 61, 58, 56, 57, 58, 57, 56, 49)):
        check(2 + day, first, temp_c, temp_c - 2, temp_c + 1)
        if day in (3, 6, 8, 10, 12):
            turn(2.2 + day, first)
    turn(20, first, "CP")
    screened = use.screen(
        use.Screen(
            happened_at=at(70),
            lot=first.code,
            compost=use.Output(place="SC", quantity=kg(90)),
            overs=use.Output(place="S2", quantity=kg(30)),
        ),
        lead,
        now=now,
    )
    compost = first_lot(screened, LotKind.COMPOST)
    tend.declare_stage(
        tend.DeclareStage(happened_at=at(71), lot=compost.code, stage="ready"), lead, now=now
    )
    prove.take_sample(
        prove.TakeSample(happened_at=at(71), lot=compost.code, label="AL-1"), lead, now=now
    )
    prove.log_result(
        prove.LogResult(
            happened_at=at(80),
            lot=compost.code,
            sample="AL-1",
            laboratory="county laboratory",
            results=(prove.Result(quantity="moisture_pct", value=41.0),),
        ),
        lead,
        now=now,
    )
    for day, more in ((81, {"bed": "BED1"}), (82, {"person": "Scout group"})):
        use.use_compost(
            use.UseCompost(happened_at=at(day), lot=compost.code, quantity=kg(30), **more),
            lead,
            now=now,
        )

    # the second cures; the third is hot; scraps wait for the fourth
    more_scraps = first_lot(deliver(40, 150, "food_scraps_mixed", "S1"))
    curing = build(41, "B2", (leaves, 60), (more_scraps, None), (leaves, 40))
    for day in range(42, 60):
        check(day, curing, 57.0, 58.5)
        if day in (45, 48, 51, 54, 57):
            turn(day + 0.2, curing)
    turn(62, curing, "CP")
    delivery = deliver(
        79,
        150,
        "food_scraps_mixed",
        "S1",
        contamination="little",
        found="three produce stickers",
    )
    hot = build(80, "B3", (leaves, 60), (first_lot(delivery), 140), (leaves, 50))
    for day, temp_c in enumerate((31, 47, 56, 60, 62, 61, 63, 64)):
        check(81 + day, hot, temp_c, temp_c - 1, squeeze="holds", smell="earthy")
        if day == 5:
            turn(81.3 + day, hot)
    helpers_check = check(
        89.8, hot, 66.0, 64.0, 61.0, by=helper, photo=photo(), photo_alt="steam over bay 3"
    )
    waiting = first_lot(deliver(88, 75, "food_scraps_mixed", "S1"))
    struck = deliver(88.5, 750, "coffee_grounds", "S1")
    strike.strike(struck.uuid, "a nought too many", helper, now=now)
    tend.log_labour(
        tend.LogLabour(happened_at=at(86), hours=2.5, task="turning", lot=hot.code), lead, now=now
    )
    tend.log_fuel(
        tend.LogFuel(happened_at=at(86), fuel="diesel", volume_l=4.0, machine="tractor"),
        lead,
        now=now,
    )
    tend.log_weather(
        tend.LogWeather(
            happened_at=at(89),
            day=at(88).date(),
            rain_mm=6.0,
            temp_min_c=4.0,
            temp_max_c=12.0,
        ),
        helper,
        now=now,
    )
    return SmallSite(
        lead=lead,
        helper=helper,
        reader=people[Role.READER],
        hot=hot,
        curing=curing,
        compost=compost,
        overs=first_lot(screened, LotKind.OVERS),
        scraps=waiting,
        leaves=leaves,
        delivery=delivery,
        struck=struck,
        helpers_check=helpers_check,
    )
