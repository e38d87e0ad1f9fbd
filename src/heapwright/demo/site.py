"""Saltmarsh Lane, an invented yard: its plan, who gives, in what, and its people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from heapwright.people.models import Role, Units, User
from heapwright.units import M3_PER_FT3, M3_PER_GAL
from heapwright.yard.models import Container, Cover, Place, PlaceKind, Site, Source

ZONE: Final = "America/Los_Angeles"
BAYS: Final = tuple(f"B{number}" for number in range(1, 9))
CLASS_BAY: Final = BAYS[-1]
"""The bay of the school's classes: no pile of the yard's own is built there."""

BEDS: Final = tuple(f"BED{number}" for number in range(1, 13))
FOOD_BUNKER: Final = "S1"
LEAF_BUNKER: Final = "S2"
CHIP_BUNKER: Final = "S3"
RULE: Final = "US-FDA-T"
"""The rule of the yard: its compost goes on beds of food, and its bays are turned."""

PAD: Final = "CP"
SCREENING: Final = "SC"

BARROW_M3: Final = 6 * M3_PER_FT3
CART_M3: Final = 64 * M3_PER_GAL
BUCKET_M3: Final = 5 * M3_PER_GAL
LOADER_M3: Final = 0.3


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody invented, with an account of the demo."""

    username: str
    first_name: str
    last_name: str
    role: Role


PEOPLE: Final = (
    Person("lead", "Marisol", "Venn", Role.LEAD),
    Person("helper", "Tobias", "Quillon", Role.HELPER),
    Person("helper2", "Inge", "Farrowby", Role.HELPER),
    Person("reader", "Pell", "Ashdown", Role.READER),
)


def set_up(zone: str = ZONE) -> None:
    """Write the site, its places, containers, sources and people into an empty database."""
    Site.objects.create(
        id=1, name="Saltmarsh Lane yard", zone=zone, currency="USD", width_m=30.0, depth_m=22.0
    )
    _places()
    _sources(_containers())
    for person in PEOPLE:
        user = User(
            username=person.username,
            first_name=person.first_name,
            last_name=person.last_name,
            role=person.role,
            units=Units.US,
        )
        user.set_unusable_password()
        user.save()


def _places() -> None:
    """Write the places: metres east and north of the yard's south-west corner."""
    bay_m, wall_m = 1.2, 0.15
    for number, code in enumerate(BAYS):
        row, column = divmod(number, 4)
        _place(
            code,
            f"Bay {number + 1}",
            PlaceKind.BAY,
            (12.0 + column * (bay_m + wall_m), 15.0 - row * 4.2),
            (bay_m, bay_m, bay_m),
        )
    for number, (code, name, cover) in enumerate(
        (
            (FOOD_BUNKER, "Scraps bunker", Cover.ROOF),
            (LEAF_BUNKER, "Leaf bunker", Cover.TARP),
            (CHIP_BUNKER, "Chip bunker", Cover.OPEN),
        )
    ):
        _place(code, name, PlaceKind.STOCKPILE, (1.5 + number * 3.2, 17.5), (3.0, 2.6, 1.5), cover)
    _place(PAD, "Curing pad", PlaceKind.CURING, (19.0, 14.0), (9.5, 5.0, 1.4), Cover.BREATHABLE)
    _place(
        SCREENING, "Screening corner", PlaceKind.SCREENING, (20.5, 9.8), (4.5, 3.2, 1.2), Cover.TARP
    )
    for number, code in enumerate(BEDS):
        row, column = divmod(number, 6)
        _place(
            code,
            f"Bed {number + 1}",
            PlaceKind.BED,
            (1.5 + column * 4.6, 4.6 - row * 2.9),
            (3.8, 1.4, 0.3),
        )


def _place(
    code: str,
    name: str,
    kind: PlaceKind,
    corner_m: tuple[float, float],
    size_m: tuple[float, float, float],
    cover: Cover = Cover.OPEN,
) -> None:
    Place.objects.create(
        code=code,
        name=name,
        kind=kind,
        x_m=round(corner_m[0], 2),
        y_m=round(corner_m[1], 2),
        width_m=size_m[0],
        depth_m=size_m[1],
        height_m=size_m[2],
        cover=cover,
    )


def _containers() -> dict[str, Container]:
    made = (
        ("cart64", "64-gallon cart", CART_M3, 18.0),
        ("bucket", "5-gallon bucket", BUCKET_M3, 0.9),
        ("barrow", "6 ft³ wheelbarrow", BARROW_M3, None),
        ("loader", "tractor's front bucket", LOADER_M3, None),
    )
    return {
        code: Container.objects.create(code=code, name=name, volume_m3=volume_m3, tare_kg=tare_kg)
        for code, name, volume_m3, tare_kg in made
    }


def _sources(containers: dict[str, Container]) -> None:
    made: tuple[tuple[str, str, str, float, tuple[str, ...], tuple[int, ...], str, str], ...] = (
        ("school", "Heron Row School kitchen", "Odile Marchbank, cook", 1.8,
         ("veg_trimmings", "food_scraps_mixed"), (0, 3), "cart64", "Closed in high summer."),
        ("hospital", "Cranesbill Hospital kitchen", "kitchen desk", 4.2,
         ("food_post_consumer", "coffee_grounds"), (1, 4), "cart64", ""),
        ("bakery", "Three Ovens bakery", "Joss Peverell", 2.6,
         ("bread_bakery",), (4,), "bucket", "Yesterday's bread and trimmings."),
        ("press", "Windfall Hollow cider press", "Runa Applegarth", 9.5,
         ("apple_pomace",), (2,), "loader", "September to November."),
        ("stable", "Marsh Gate riding stable", "yard office", 6.1,
         ("horse_straw",), (2,), "loader", "Asked each spring which weed killers the hay had."),
        ("parks", "Saltmarsh parks crew", "depot", 3.3,
         ("leaves_shredded", "grass_clippings"), (0,), "loader",
         "Leaves in autumn, clippings from April to September."),
        ("trees", "High Fork tree surgeons", "Bram Tolliver", 12.0,
         ("wood_chips",), (), "loader", "Comes when a job ends."),
    )  # fmt: skip
    for code, name, contact, distance_km, materials, weekdays, container, note in made:
        source = Source.objects.create(
            code=code,
            name=name,
            contact=contact,
            distance_km=distance_km,
            material_ids=list(materials),
            weekdays=list(weekdays),
            note=note,
        )
        source.containers.add(containers[container])
