"""Tend: turn, move, combine, divide, water, cover, check, weigh, declare; weather, hours, fuel."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from uuid import NAMESPACE_OID, uuid5

import numpy as np
from django.utils.translation import gettext as _

from heapwright.yard import photos, readings
from heapwright.yard.acts import Act, Draft, Take, use_case
from heapwright.yard.amounts import (
    MASS_MAX_KG,
    VOLUME_MAX_M3,
    Quantity,
    between,
    positive,
)
from heapwright.yard.errors import FieldError, RoleError
from heapwright.yard.ledger import local
from heapwright.yard.mix import pour
from heapwright.yard.models import (
    Check,
    Cover,
    Entry,
    Fuel,
    Kind,
    Labour,
    Lot,
    LotKind,
    Site,
    Smell,
    Squeeze,
    Stage,
    Weather,
)
from heapwright.yard.photos import Picture
from heapwright.yard.readings import Columns

ADVANCE = (Stage.FILLING, Stage.HOT, Stage.CURING, Stage.READY)
"""The stages in their order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn(Act):
    """A pile turned, where it stands or into another place."""

    lot: str
    to_place: str = ""
    method: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move(Act):
    """A lot put somewhere else, whole."""

    lot: str
    to_place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Combine(Act):
    """All of some lots put into one: an existing one (``into``) or a new one at ``place``."""

    lots: tuple[str, ...]
    into: str = ""
    place: str = ""
    code: str = ""
    volume_m3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part that is divided off: it becomes a lot of its own at its place."""

    place: str
    quantity: Quantity
    code: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Divide(Act):
    """Parts taken off a lot; what is left keeps its code and place."""

    lot: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Water(Act):
    """Water put on a lot."""

    lot: str
    litres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverLot(Act):
    """A lot covered, or uncovered (``open``)."""

    lot: str
    cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Temp:
    """A temperature at a point and depth; ``at`` when it was not read at the act's own time.

    ``as_typed`` is what the person wrote, with its unit: ``131 °F``.
    """

    point: str
    temp_c: float
    depth_cm: float | None = None
    at: datetime | None = None
    as_typed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLot(Act):
    """What was read and seen at a lot; any of it may be left out, not all.

    ``photo`` is one that :func:`heapwright.yard.photos.picture` made; the entry keeps its
    digest, not its bytes. ``photo_alt`` says what it shows, for those who cannot see it.
    """

    lot: str
    temps: tuple[Temp, ...] = ()
    squeeze: str = ""
    smell: str = ""
    pests: str = ""
    height_m: float | None = None
    oxygen_pct: float | None = None
    photo: Picture | None = None
    photo_alt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogReadings(Act):
    """The readings of a logger for one lot; make it with :func:`logger_act`."""

    lot: str
    file: str
    count: int
    digest: str
    columns: Columns = field(metadata={"sent": False}, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighOrMeasure(Act):
    """What a lot weighs or measures now; what the books hold beyond it goes to the air.

    A weight counts as it is. A volume alone makes a weight with ``bulk_density_kg_m3`` (weigh
    a bucket of it) or, without that, the density of the books; with ``settled`` the heap only
    sank together and keeps its mass.
    """

    lot: str
    mass_kg: float | None = None
    volume_m3: float | None = None
    bulk_density_kg_m3: float | None = None
    settled: bool = False
    as_typed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclareStage(Act):
    """A stage that the lead (or, for *full*, a helper) declares: hot means full now."""

    lot: str
    stage: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLabour(Act):
    """Hours of work, on a lot or for the site."""

    hours: float
    task: str
    who: str = ""
    paid: bool = False
    lot: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFuel(Act):
    """Fuel in litres, or electricity in kilowatt-hours."""

    fuel: str
    volume_l: float | None = None
    energy_kwh: float | None = None
    machine: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogWeather(Act):
    """The rain gauge and the thermometer of one day."""

    day: date
    rain_mm: float | None = None
    temp_min_c: float | None = None
    temp_max_c: float | None = None
    wind_m_s: float | None = None


@use_case(Kind.TURN)
def turn(draft: Draft[Turn], act: Turn) -> None:
    """Turn a pile, in place or into another place."""
    lot = draft.lot(act.lot, "lot", LotKind.PILE, LotKind.COMPOST)
    if act.to_place:
        _put(draft, lot, act.to_place)


@use_case(Kind.MOVE)
def move(draft: Draft[Move], act: Move) -> None:
    """Move a whole lot to another place."""
    _put(draft, draft.lot(act.lot, "lot"), act.to_place)


def _put(draft: Draft[Turn] | Draft[Move], lot: Lot, code: str) -> None:
    place = draft.place(code, "to_place")
    if place == draft.course(lot).place:
        raise FieldError(_("%(lot)s stands there already") % {"lot": lot.code}, field="to_place")
    draft.stand(lot, place=place, cover=place.cover)


@use_case(Kind.COMBINE)
def combine(draft: Draft[Combine], act: Combine) -> None:
    """Put all of some lots into one; contact with raw material starts the proof again."""
    if act.into and (act.place or act.code):
        raise FieldError(_("into an existing lot or a new one, not both"), field="into")
    if len(set(act.lots)) < len(act.lots) or act.into in act.lots:
        raise FieldError(_("a lot is named twice"), field="lots")
    if len(act.lots) + bool(act.into) < 2:
        raise FieldError(_("it takes two lots to combine"), field="lots")
    lots = [draft.lot(code, f"lots.{number}") for number, code in enumerate(act.lots)]
    joined = list(lots)
    if act.into:
        goal = draft.lot(act.into, "into")
        joined.append(goal)
    kinds = {lot.kind for lot in joined}
    if len(kinds) > 1:
        raise FieldError(
            _("only lots of one kind can be combined; to put stock on a pile, add it"),
            field="lots",
        )
    if kinds == {LotKind.STOCK} and len({_material(draft, lot) for lot in joined}) > 1:
        raise FieldError(_("only stock of one material can be combined"), field="lots")
    courses = [draft.course(lot) for lot in joined]
    if not act.into:
        if not act.place:
            raise FieldError(_("where does it stand?"), field="place")
        place = draft.place(act.place, "place")
        goal = draft.new_lot(LotKind(joined[0].kind), act.code)
        draft.stand(goal, place=place, cover=place.cover)
    stages = [Stage(one.stage) for one in courses if one.stage]
    if stages:
        least = min(stages, key=ADVANCE.index)
        raw = least in (Stage.FILLING, Stage.HOT)
        draft.stand(goal, stage=least, raw_added=raw)
    for number, lot in enumerate(lots):
        draft.take(Take(lot=lot.code), lot, goal, f"lots.{number}")
    if act.volume_m3 is not None:
        draft.stand(goal, volume_m3=positive(act.volume_m3, "volume_m3", most=VOLUME_MAX_M3))


def _material(draft: Draft[Combine], lot: Lot) -> frozenset[str]:
    return frozenset(name for step in draft.steps(lot) for name, _kg in step.sources)


@use_case(Kind.DIVIDE)
def divide(draft: Draft[Divide], act: Divide) -> None:
    """Divide parts off a lot; each becomes a lot of the same kind and stage."""
    lot = draft.lot(act.lot, "lot")
    if not act.parts:
        raise FieldError(_("into which parts?"), field="parts")
    stage = draft.course(lot).stage
    for number, part in enumerate(act.parts):
        field = f"parts.{number}"
        place = draft.place(part.place, f"{field}.place")
        new = draft.new_lot(LotKind(lot.kind), part.code, f"{field}.code")
        draft.stand(new, place=place, cover=place.cover, stage=stage)
        draft.take(Take(lot=lot.code, quantity=part.quantity), lot, new, field)


@use_case(Kind.WATER)
def water(draft: Draft[Water], act: Water) -> None:
    """Put water on a lot."""
    lot = draft.lot(act.lot, "lot")
    positive(act.litres, "litres")
    pour(draft, lot, act.litres, "litres")


@use_case(Kind.COVER)
def cover(draft: Draft[CoverLot], act: CoverLot) -> None:
    """Cover or uncover a lot."""
    lot = draft.lot(act.lot, "lot")
    if act.cover not in Cover.values:
        raise FieldError(_("with what?"), field="cover")
    draft.stand(lot, cover=act.cover)


@use_case(Kind.CHECK)
def check(draft: Draft[CheckLot], act: CheckLot) -> None:
    """Log temperatures by point and depth, moisture by squeeze, smell, pests, height."""
    lot = draft.lot(act.lot, "lot")
    seen = (act.squeeze, act.smell, act.pests.strip(), act.height_m, act.oxygen_pct, act.photo)
    if not act.temps and not any(one is not None and one != "" for one in seen):
        raise FieldError(_("nothing was read or seen"), field="temps")
    if act.squeeze and act.squeeze not in Squeeze.values:
        raise FieldError(_("this is no result of a squeeze test"), field="squeeze")
    if act.smell and act.smell not in Smell.values:
        raise FieldError(_("this is none of the smells to choose from"), field="smell")
    if act.height_m is not None:
        positive(act.height_m, "height_m", most=20.0)
    if act.oxygen_pct is not None:
        between(act.oxygen_pct, 0.0, 21.0, "oxygen_pct")
    Check(
        entry=draft.entry,
        lot=lot,
        squeeze=act.squeeze,
        smell=act.smell,
        pests=act.pests.strip(),
        height_m=act.height_m,
        oxygen_pct=act.oxygen_pct,
    ).save()
    if act.photo is not None:
        photos.keep(draft.entry, act.photo, act.photo_alt.strip())
    elif act.photo_alt.strip():
        raise FieldError(_("there is no photo to say this of"), field="photo_alt")
    if act.temps:
        columns = Columns.of_rows(
            (
                int((one.at or act.happened_at).timestamp()),
                one.point.strip(),
                one.depth_cm,
                between(one.temp_c, -1e9, 1e9, f"temps.{number}.temp_c"),
            )
            for number, one in enumerate(act.temps)
        )
        _check_span(draft, lot, columns, "temps")
        readings.keep(draft.entry, lot, columns, "temps")


def logger_act(lot: str, file: str, columns: Columns, happened_at: datetime) -> LogReadings:
    """Return the act of logging a file of readings; the same readings make the same id.

    Sending a file again therefore changes nothing. After its entry was struck the file may be
    sent once more.
    """
    digest = hashlib.sha256(lot.encode())
    for part in (columns.time_s, columns.point, columns.depth_cm, columns.temp_c):
        digest.update(np.ascontiguousarray(part).data)
    digest.update("\0".join(columns.points).encode())
    name = digest.hexdigest()
    struck = Entry.objects.filter(
        kind=Kind.READINGS, struck_at__isnull=False, sent__digest=name
    ).count()
    return LogReadings(
        id=uuid5(NAMESPACE_OID, f"{name}/{struck}"),
        happened_at=happened_at,
        lot=lot,
        file=file,
        count=len(columns),
        digest=name,
        columns=columns,
    )


@use_case(Kind.READINGS)
def log_readings(draft: Draft[LogReadings], act: LogReadings) -> None:
    """Log the readings of a logger; those that are there already change nothing."""
    lot = draft.lot(act.lot, "lot")
    _check_span(draft, lot, act.columns, "columns")
    kept = readings.keep(draft.entry, lot, act.columns, "columns")
    if not kept.new:
        raise FieldError(
            _("all %(count)d readings are there already") % {"count": kept.there_already},
            field="columns",
        )


def _check_span(
    draft: Draft[CheckLot] | Draft[LogReadings], lot: Lot, columns: Columns, field: str
) -> None:
    """Refuse readings from before the lot was made or after the entry was recorded."""
    if not len(columns):
        return
    first, last = (
        datetime.fromtimestamp(int(time_s), UTC)
        for time_s in (columns.time_s.min(), columns.time_s.max())
    )
    begun = draft.course(lot).begun
    if begun is not None and first < begun.happened_at.replace(microsecond=0):
        raise FieldError(
            _("the first reading is of %(first)s, before %(lot)s was made on %(begun)s")
            % {"first": local(first), "lot": lot.code, "begun": local(begun.happened_at)},
            field=field,
        )
    if last > draft.latest:
        raise FieldError(_("%(when)s has not come yet") % {"when": local(last)}, field=field)


@use_case(Kind.MEASURE)
def weigh_or_measure(draft: Draft[WeighOrMeasure], act: WeighOrMeasure) -> None:
    """Weigh a lot or measure its volume; the difference to the books goes to (from) the air."""
    lot = draft.lot(act.lot, "lot")
    if act.mass_kg is None and act.volume_m3 is None:
        raise FieldError(_("state a weight or a volume"), field="mass_kg")
    if act.volume_m3 is not None:
        draft.stand(lot, volume_m3=positive(act.volume_m3, "volume_m3", most=VOLUME_MAX_M3))
    if act.mass_kg is not None:
        draft.stand(lot, holds_kg=positive(act.mass_kg, "mass_kg", most=MASS_MAX_KG))
    elif act.volume_m3 is not None and not act.settled:
        density = draft.density(lot)
        if act.bulk_density_kg_m3 is not None:
            density = between(act.bulk_density_kg_m3, 10.0, 2500.0, "bulk_density_kg_m3")
        if density is None:
            raise FieldError(
                _("nobody knows how heavy this is; weigh a bucket of it"),
                field="bulk_density_kg_m3",
            )
        draft.stand(lot, holds_kg=act.volume_m3 * density)


@use_case(Kind.STAGE)
def declare_stage(draft: Draft[DeclareStage], act: DeclareStage) -> None:
    """Declare a pile full (hot), curing or ready."""
    lot = draft.lot(act.lot, "lot", LotKind.PILE, LotKind.COMPOST)
    if act.stage not in (Stage.HOT, Stage.CURING, Stage.READY):
        raise FieldError(_("a pile is declared full (hot), curing or ready"), field="stage")
    if act.stage == draft.course(lot).stage:
        raise FieldError(
            _("%(lot)s is %(stage)s already") % {"lot": lot.code, "stage": Stage(act.stage).label},
            field="stage",
        )
    if act.stage != Stage.HOT and not draft.by.may_lead:
        raise RoleError(_("only a lead declares a pile curing or ready"))
    draft.stand(lot, stage=act.stage)


@use_case(Kind.LABOUR)
def log_labour(draft: Draft[LogLabour], act: LogLabour) -> None:
    """Log hours of work."""
    if act.lot:
        draft.lot(act.lot, "lot", may_be_empty=True)
    if not act.task.strip():
        raise FieldError(_("what was done?"), field="task")
    Labour(
        entry=draft.entry,
        hours=positive(act.hours, "hours", most=1000.0),
        task=act.task.strip(),
        who=act.who.strip(),
        paid=act.paid,
    ).save()


@use_case(Kind.FUEL)
def log_fuel(draft: Draft[LogFuel], act: LogFuel) -> None:
    """Log fuel or power."""
    if (act.volume_l is None) == (act.energy_kwh is None):
        raise FieldError(_("state litres or kilowatt-hours"), field="volume_l")
    if not act.fuel.strip():
        raise FieldError(_("which fuel?"), field="fuel")
    Fuel(
        entry=draft.entry,
        fuel=act.fuel.strip(),
        volume_l=None if act.volume_l is None else positive(act.volume_l, "volume_l", most=1e5),
        energy_kwh=None
        if act.energy_kwh is None
        else positive(act.energy_kwh, "energy_kwh", most=1e6),
        machine=act.machine.strip(),
    ).save()


@use_case(Kind.WEATHER)
def log_weather(draft: Draft[LogWeather], act: LogWeather) -> None:
    """Log the weather of a day."""
    limits = {
        "rain_mm": (0.0, 2000.0),
        "temp_min_c": (-60.0, 60.0),
        "temp_max_c": (-60.0, 60.0),
        "wind_m_s": (0.0, 120.0),
    }
    said = {name: getattr(act, name) for name in limits if getattr(act, name) is not None}
    if not said:
        raise FieldError(_("state the rain or a temperature"), field="rain_mm")
    for name, value in said.items():
        between(value, *limits[name], name)
    if said.get("temp_min_c", -99.0) > said.get("temp_max_c", 99.0):
        raise FieldError(_("the lowest is above the highest"), field="temp_min_c")
    if act.day > draft.latest.astimezone(Site.load().tz).date():
        raise FieldError(_("that day has not come yet"), field="day")
    Weather(entry=draft.entry, day=act.day, **said).save()
