"""A small invented yard, and short ways to act on it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from heapwright.people.models import Role, User
from heapwright.yard import mix, receive, tend, use
from heapwright.yard.acts import Take, first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Container, Entry, Lot, Place, Site, Source

START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
NOW = START + timedelta(days=400)


def at(day: float) -> datetime:
    """Return the moment so many days after the story starts."""
    return START + timedelta(days=day)


def kg(mass_kg: float, **more: str) -> Quantity:
    """Return a weighed quantity."""
    return Quantity(mass_kg=mass_kg, known="weighed", **more)


@dataclass
class Yard:
    """Places, a source, a container, three people; acts default to the lead's."""

    zone: str = "America/Los_Angeles"
    lead: User = field(init=False)
    helper: User = field(init=False)
    reader: User = field(init=False)

    def __post_init__(self) -> None:
        Site.objects.create(id=1, name="Alder Lane yard", zone=self.zone)
        for kind, codes in (
            ("bay", ("B1", "B2", "B3")),
            ("stockpile", ("S1", "S2")),
            ("curing", ("CP",)),
            ("screening", ("SC",)),
            ("bed", ("BED1", "BED2")),
        ):
            for code in codes:
                Place.objects.create(
                    code=code, name=code, kind=kind, width_m=1.2, depth_m=1.2, height_m=1.2
                )
        Source.objects.create(code="kitchen", name="School kitchen")
        Source.objects.create(code="stable", name="Riding stable")
        Container.objects.create(code="tote", name="tote", volume_m3=0.1)
        for role in Role.values:
            person = User.objects.create_user(username=role, password="x", role=role)
            setattr(self, role, person)

    def deliver(
        self, day: float, mass_kg: float, material: str = "food_scraps_mixed", **more: object
    ) -> Lot:
        entry = receive.receive_delivery(
            receive.ReceiveDelivery(
                happened_at=at(day),
                source="kitchen",
                lines=(receive.DeliveryLine(material=material, quantity=kg(mass_kg), place="S1"),),
                **more,
            ),
            self.lead,
            now=NOW,
        )
        return first_lot(entry)

    def build(
        self, day: float, *takes: tuple[Lot, float | None], place: str = "B1", **more: object
    ) -> Lot:
        act = mix.BuildPile(happened_at=at(day), place=place, takes=as_takes(takes), **more)
        return first_lot(mix.build_pile(act, self.lead, now=NOW))

    def add(self, day: float, pile: Lot, *takes: tuple[Lot, float | None], **more: object) -> Entry:
        act = mix.AddToPile(happened_at=at(day), lot=pile.code, takes=as_takes(takes), **more)
        return mix.add_to_pile(act, self.lead, now=NOW)

    def read(self, day: float, lot: Lot, temp_c: float, point: str = "1") -> Entry:
        act = tend.CheckLot(
            happened_at=at(day), lot=lot.code, temps=(tend.Temp(point=point, temp_c=temp_c),)
        )
        return tend.check(act, self.lead, now=NOW)

    def turn(self, day: float, lot: Lot, to_place: str = "") -> Entry:
        act = tend.Turn(happened_at=at(day), lot=lot.code, to_place=to_place)
        return tend.turn(act, self.lead, now=NOW)

    def weigh(self, day: float, lot: Lot, mass_kg: float) -> Entry:
        act = tend.WeighOrMeasure(happened_at=at(day), lot=lot.code, mass_kg=mass_kg)
        return tend.weigh_or_measure(act, self.lead, now=NOW)

    def declare(self, day: float, lot: Lot, stage: str) -> Entry:
        act = tend.DeclareStage(happened_at=at(day), lot=lot.code, stage=stage)
        return tend.declare_stage(act, self.lead, now=NOW)

    def to_bed(self, day: float, lot: Lot, mass_kg: float | None, bed: str = "BED1") -> Entry:
        quantity = None if mass_kg is None else kg(mass_kg)
        act = use.UseCompost(happened_at=at(day), lot=lot.code, bed=bed, quantity=quantity)
        return use.use_compost(act, self.lead, now=NOW)


def as_takes(takes: tuple[tuple[Lot, float | None], ...]) -> tuple[Take, ...]:
    """Return takes of (lot, kg or None for all)."""
    return tuple(
        Take(lot=lot.code, quantity=None if mass_kg is None else kg(mass_kg))
        for lot, mass_kg in takes
    )
