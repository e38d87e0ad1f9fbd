"""From the entries of a heap to what the pile model takes: how it was built, what was done to it,
and what was read off it since.

The plan is the one that a PILE.toml of the same facts would give. What nobody measured or
published is filled in from :mod:`heapwright.data.outlook` and named in :attr:`Told.assumed`.
A heap that was combined or divided off goes on with the history of the heap that most of it
came from.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from django.db.models import Min, Sum
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from heapwright.data import materials as library_table
from heapwright.data.mixing import mix_facts, water
from heapwright.data.outlook import outlook_figure, stand_in
from heapwright.data.pile import pile_covers
from heapwright.errors import HeapwrightError, NotMeasuredError
from heapwright.files.pile import DENSITY_KG_M3
from heapwright.science.heap_shape import HeapShape
from heapwright.science.ingredients import Ingredient, complete
from heapwright.science.materials import Material, Span
from heapwright.science.mixing import Part
from heapwright.yard import ledger, materials
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.ledger import Moment
from heapwright.yard.models import (
    Check,
    Cover,
    DailySummary,
    End,
    Flow,
    Kind,
    Lot,
    LotKind,
    Measurement,
    Opening,
    Place,
    PlaceKind,
)
from heapwright.yard.models.readings import NO_DEPTH_CM
from heapwright.yard.recipe import height_limit_m

if TYPE_CHECKING:
    from heapwright.science.pile_forecast import Act, PilePlan
    from heapwright.science.pile_state import Cover as PileCover
    from heapwright.science.pile_weather import Weather

WALLED: Final = (PlaceKind.BAY, PlaceKind.VESSEL, PlaceKind.STOCKPILE, PlaceKind.TRENCH)
LOWEST_M: Final = 0.05
_FILLED_IN: Final = ("moisture_pct", "vs_pct_dry", "bulk_density_kg_m3", "degradability_pct_vs")

WeatherFor = Callable[[datetime, float], "Weather"]
"""The hourly weather of the site from a moment on, for so many hours."""


class UntoldError(HeapwrightError):
    """The records say too little of a heap (or what cannot be) for the model to run.

    ``reason`` is to be translated and filled with ``values``.
    """

    def __init__(self, reason: str, **values: object) -> None:
        self.reason, self.values = reason, values
        super().__init__(self.said())

    def said(self) -> str:
        """Return the reason in the reader's language."""
        return _(self.reason) % self.values

    def __reduce__(self) -> tuple[object, ...]:
        return _again, (self.reason, self.values)


def _again(reason: str, values: dict[str, object]) -> UntoldError:
    return UntoldError(reason, **values)


@dataclass(frozen=True, slots=True)
class Assumed:
    """Something that was filled in; ``what`` is to be translated and filled with ``values``."""

    what: str
    values: tuple[tuple[str, str], ...] = ()

    def said(self) -> str:
        """Return it as a sentence in the reader's language."""
        return _(self.what) % dict(self.values)


@dataclass(frozen=True, slots=True)
class SeenTemp:
    """A temperature as read (or the mean of a day's readings of one point), hours since building.

    ``depth_cm`` is None where nobody said how deep; ``count`` readings made it.
    """

    hour: float
    point: str
    depth_cm: float | None
    temp_c: float
    count: int = 1


@dataclass(frozen=True, slots=True)
class SeenMoisture:
    """A squeeze test (its class) or a measured moisture, % of wet mass."""

    hour: float
    squeeze: str = ""
    moisture_pct: float | None = None


@dataclass(frozen=True, slots=True)
class SeenHeight:
    """The height of the heap as measured."""

    hour: float
    height_m: float


@dataclass(frozen=True, slots=True)
class Told:
    """What the records tell of a heap, as the model takes it.

    ``shapes`` are the shapes that it had, each from an hour since building on.
    """

    built: datetime
    plan: PilePlan
    shapes: tuple[tuple[float, HeapShape], ...]
    temps: tuple[SeenTemp, ...] = ()
    moistures: tuple[SeenMoisture, ...] = ()
    heights: tuple[SeenHeight, ...] = ()
    assumed: tuple[Assumed, ...] = ()

    def hour(self, when: datetime) -> float:
        """Return the hours since it was built."""
        return (when - self.built).total_seconds() / 3600.0

    def shape_at(self, hour: float) -> HeapShape:
        """Return the shape that it had at an hour since building."""
        found = self.plan.shape
        for since, shape in self.shapes:
            if since <= hour:
                found = shape
        return found


@dataclass
class _Draft:
    """A plan in the making; ``volume_m3``, ``place`` and ``cover`` as they are at its end."""

    built: datetime
    shape: HeapShape
    place: Place
    parts: list[Part]
    first_cover: str
    cover: str
    volume_m3: float
    acts: list[Act] = field(default_factory=list)
    temps: list[SeenTemp] = field(default_factory=list)
    moistures: list[SeenMoisture] = field(default_factory=list)
    heights: list[SeenHeight] = field(default_factory=list)
    shapes: list[tuple[float, HeapShape]] = field(default_factory=list)
    assumed: dict[Assumed, None] = field(default_factory=dict)

    def day(self, when: datetime) -> float:
        return (when - self.built).total_seconds() / 86_400.0

    def note_shape(self, when: datetime) -> None:
        """Note the shape that the heap has from now on, where it is another."""
        shape = shape_in(self.place, self.volume_m3)
        if not self.shapes or self.shapes[-1][1] != shape:
            self.shapes.append((self.day(when) * 24.0, shape))


def told(lot: Lot, weather_for: WeatherFor, *, until: Moment | None = None) -> Told:
    """Return what the records tell of a pile.

    Parameters
    ----------
    lot : Lot
    weather_for : callable
        The weather, for the air at building and for piles that were combined into this one.
    until : Moment, optional
        Only what happened before it.

    Raises
    ------
    UntoldError
        If it cannot be said how the pile was built or of what.
    """
    from heapwright.science.pile_forecast import PilePlan

    draft = _drafted(lot, until, weather_for, frozenset())
    start_temp_c = float(weather_for(draft.built, 24.0).temp_c[:24].mean())
    draft.assumed[
        Assumed(
            gettext_noop("It was as warm as the air on the day it was built, %(temp_c)s °C."),
            (("temp_c", f"{start_temp_c:.0f}"),),
        )
    ] = None
    plan = PilePlan(
        shape=draft.shape,
        parts=tuple(draft.parts),
        cover=pile_cover(draft.first_cover, draft.shape),
        start_temp_c=start_temp_c,
        acts=tuple(draft.acts),
    )
    return Told(
        draft.built,
        plan,
        tuple(draft.shapes),
        tuple(sorted(draft.temps, key=lambda one: one.hour)),
        tuple(sorted(draft.moistures, key=lambda one: one.hour)),
        tuple(sorted(draft.heights, key=lambda one: one.hour)),
        tuple(draft.assumed),
    )


def pile_cover(cover: str, shape: HeapShape) -> PileCover:
    """Return a cover as the model knows it; fleece sheds more rain from a slope."""
    if cover == Cover.BREATHABLE:
        sloped = shape.shape in ("windrow", "cone")
        return pile_covers()["breathable_sloped" if sloped else "breathable_flat"]
    return pile_covers()[cover or Cover.OPEN]


def shape_in(place: Place, volume_m3: float) -> HeapShape:
    """Return the shape of a heap of this volume at a place.

    Between walls it fills its ground; in a lane it is a windrow as long as it must be to stay
    within the height limit; elsewhere a cone. Heaps that stand free are as steep as such do.
    """
    steep = outlook_figure("steepness").value
    if place.kind in WALLED:
        height = max(volume_m3 / (place.width_m * place.depth_m), LOWEST_M)
        name = "vessel" if place.kind == PlaceKind.VESSEL else "bay"
        return HeapShape(name, place.width_m, place.depth_m, height)  # type: ignore[arg-type]
    if place.kind == PlaceKind.LANE:
        base, longest = sorted((place.width_m, place.depth_m))
        height = min(height_limit_m(place), steep * base)
        length = max(volume_m3 / (2.0 / 3.0 * base * height), base)
        length = min(length, longest)
        return HeapShape("windrow", base, length, volume_m3 / (2.0 / 3.0 * base * length))
    width = (12.0 * volume_m3 / (math.pi * steep)) ** (1.0 / 3.0)
    return HeapShape("cone", width, width, steep * width)


def completed(material: Material) -> tuple[Ingredient, Assumed | None]:
    """Return a material as an ingredient, unknown figures filled in from one of its kind.

    What is filled in takes the whole range of the material that stands in.
    """
    facts = mix_facts()
    try:
        return complete(material, facts), None
    except NotMeasuredError:
        pass
    kind = "overs" if material.id == "compost_overs" else material.category
    like = library_table()[stand_in(kind).material]
    filled = {
        name: replace(span, origin="assumed")
        for name in _FILLED_IN
        if getattr(material, name) is None and (span := getattr(like, name)) is not None
    }
    known = [material.n_pct_dry, material.c_pct_dry, material.cn]
    for name in ("cn", "n_pct_dry", "c_pct_dry"):
        if sum(one is not None for one in known) >= 2:
            break
        span: Span | None = getattr(like, name)
        if getattr(material, name) is None and span is not None:
            filled[name] = replace(span, origin="assumed")
            known.append(span)
    values = (("name", material.name), ("like", like.name))
    return (
        complete(replace(material, **filled), facts),
        Assumed(gettext_noop("Nobody published all of %(name)s: taken like %(like)s."), values),
    )


# How it was built


def _drafted(
    lot: Lot, until: Moment | None, weather_for: WeatherFor, seen: frozenset[int]
) -> _Draft:
    if lot.id in seen:
        raise UntoldError(gettext_noop("it was put into a heap that it came from"))
    steps = [
        step
        for step in ledger.steps([lot.id], at=until)[lot.id]
        if until is None or step.moment < until
    ]
    begun = next((step for step in steps if step.standing and step.standing.begins), None)
    if begun is None:
        raise UntoldError(gettext_noop("the entry that made it was struck"))
    held = dict(zip((step.moment for step in steps), ledger.holdings(steps), strict=True))
    flows = _flows_into(lot, until)
    within = seen | {lot.id}
    opened = begun.kind == Kind.OPENING and _start_known(begun)
    if begun.kind == Kind.BUILD or opened:
        draft = _built(begun, held[begun.moment].volume_m3, flows[begun.moment.entry_id])
    elif begun.kind in (Kind.COMBINE, Kind.DIVIDE):
        draft = _inherited(begun, flows[begun.moment.entry_id], weather_for, within)
    else:
        raise UntoldError(gettext_noop("nobody wrote down how it was built"))
    draft.note_shape(begun.moment.happened_at)
    left = _left(lot, until)
    checks = {
        one.entry_id: one
        for one in Check.objects.filter(ledger.counts(), ledger.until(until), lot=lot)
        .select_related("entry")
        .order_by("entry__happened_at", "entry_id")
    }
    happened = [(step.moment, step) for step in steps if step is not begun]
    noted = {step.moment for step in steps}
    for check in checks.values():
        moment = Moment(check.entry.happened_at, check.entry_id)
        if moment not in noted and (until is None or moment < until):
            happened.append((moment, ledger.Step(moment, Kind.CHECK)))
    for moment in _turned(lot, until):
        if moment not in noted:
            happened.append((moment, ledger.Step(moment, Kind.TURN)))
    before_kg = held[begun.moment].mass_kg
    for moment, step in sorted(happened, key=lambda pair: pair[0]):
        _play(draft, step, flows.get(moment.entry_id, []), weather_for, within)
        share = left.get(moment.entry_id, 0.0) / max(before_kg + step.in_kg, EMPTY_KG)
        if share > 1e-6:
            _take_off(draft, moment.happened_at, share)
        if moment in held:
            before_kg = held[moment].mass_kg
        if (check := checks.get(moment.entry_id)) is not None:
            _look(draft, check)
        draft.note_shape(moment.happened_at)
    _read(draft, lot, until)
    return draft


Line = tuple[str, int | None, str, float]
"""From which kind of end, which lot, which material, and how much, kg."""


def _flows_into(lot: Lot, until: Moment | None) -> dict[int, list[Line]]:
    found: dict[int, list[Line]] = defaultdict(list)
    for entry_id, *line in (
        Flow.objects.filter(ledger.counts(), ledger.until(until), to_lot=lot)
        .values_list("entry_id", "from_kind", "from_lot_id", "material_id")
        .annotate(Sum("mass_kg"), first=Min("id"))
        .order_by("entry_id", "first")
    ):
        if line[3] > EMPTY_KG:
            found[entry_id].append((line[0], line[1], line[2], line[3]))
    return found


def _left(lot: Lot, until: Moment | None) -> dict[int, float]:
    """Return what was carried off the heap by entry; what went to the air was not."""
    return dict(
        Flow.objects.filter(ledger.counts(), ledger.until(until), from_lot=lot)
        .exclude(to_kind=End.AIR)
        .order_by()
        .values_list("entry_id")
        .annotate(Sum("mass_kg"))
    )


def _turned(lot: Lot, until: Moment | None) -> list[Moment]:
    turned = lot.entries.filter(struck_at=None, kind=Kind.TURN)
    moments = [Moment(*row) for row in turned.values_list("happened_at", "id")]
    return [one for one in moments if until is None or one < until]


def _start_known(begun: ledger.Step) -> bool:
    """Tell whether a heap that stood when the records began was built at the entry's time."""
    return Opening.objects.filter(entry=begun.moment.entry_id, start_known=True).exists()


def _built(begun: ledger.Step, volume_m3: float | None, lines: list[Line]) -> _Draft:
    assert begun.standing is not None
    place = begun.standing.place
    if place is None:
        raise UntoldError(gettext_noop("nobody wrote down where it stands"))
    parts, assumed = _parts(lines, begun.moment.happened_at)
    solid = [part for part in parts if not part.ingredient.is_water]
    if not solid:
        raise UntoldError(gettext_noop("nobody wrote down what it is made of"))
    if volume_m3 is None:
        volume_m3 = sum(part.mass_kg / part.ingredient.bulk_density_kg_m3.typical for part in solid)
        assumed.append(Assumed(gettext_noop("Nobody measured it: its volume is the summed one.")))
    density = sum(part.mass_kg for part in parts) / volume_m3
    if not DENSITY_KG_M3[0] <= density <= DENSITY_KG_M3[1]:
        raise UntoldError(
            gettext_noop(
                "its books make %(density)s kg in a cubic metre, which no heap weighs; check its "
                "weights and its volume"
            ),
            density=f"{density:.0f}",
        )
    cover = begun.standing.cover or Cover.OPEN
    return _Draft(
        built=begun.moment.happened_at,
        shape=shape_in(place, volume_m3),
        place=place,
        parts=parts,
        first_cover=cover,
        cover=cover,
        volume_m3=volume_m3,
        assumed=dict.fromkeys(assumed),
    )


def _inherited(
    begun: ledger.Step,
    lines: list[Line],
    weather_for: WeatherFor,
    within: frozenset[int],
) -> _Draft:
    """Return the draft of the heap that most of it came from, gone on with here."""
    from heapwright.science.pile_forecast import Act

    assert begun.standing is not None
    moment = begun.moment
    gave: dict[int, float] = defaultdict(float)
    for _kind, from_lot, _material, mass_kg in lines:
        if from_lot is not None:
            gave[from_lot] += mass_kg
    givers = Lot.objects.in_bulk(gave)
    heaps = {one: kg for one, kg in gave.items() if givers[one].kind == LotKind.PILE}
    if not heaps:
        raise UntoldError(gettext_noop("nobody wrote down how it was built"))
    main = max(heaps, key=lambda one: heaps[one])
    draft = _drafted(givers[main], moment, weather_for, within)
    day = draft.day(moment.happened_at)
    if begun.kind == Kind.DIVIDE:
        there = ledger.held_kg(_just_before(moment), [main]).get(main, 0.0)
        share = 1.0 - min(heaps[main] / there, 1.0) if there > EMPTY_KG else 0.0
        if share > 1e-6:
            _take_off(draft, moment.happened_at, share)
    else:
        for other in heaps:
            if other != main:
                _combine(draft, givers[other], moment, weather_for, within)
    place = begun.standing.place
    if place is None:
        raise UntoldError(gettext_noop("nobody wrote down where it stands"))
    if begun.standing.volume_m3 is not None:
        draft.volume_m3 = begun.standing.volume_m3
    draft.place = place
    draft.acts.append(Act(day, "moved", shape=shape_in(place, draft.volume_m3)))
    _cover(draft, day, begun.standing.cover)
    return draft


def _just_before(moment: Moment) -> Moment:
    return Moment(moment.happened_at, moment.entry_id - 1)


# What was done to it


def _play(
    draft: _Draft,
    step: ledger.Step,
    lines: list[Line],
    weather_for: WeatherFor,
    within: frozenset[int],
) -> None:
    """Add what one entry did to a heap."""
    from heapwright.science.pile_forecast import Act

    when, said = step.moment.happened_at, step.standing
    day = draft.day(when)
    if step.kind == Kind.ADD:
        parts, assumed = _parts(lines, when)
        draft.assumed |= dict.fromkeys(assumed)
        draft.acts += [Act(day, "added", parts=(part,)) for part in parts]
        draft.volume_m3 += sum(
            part.mass_kg / part.ingredient.bulk_density_kg_m3.typical
            for part in parts
            if not part.ingredient.is_water
        )
    elif step.kind == Kind.COMBINE and lines:
        givers = Lot.objects.in_bulk([one for _k, one, _m, _kg in lines if one is not None])
        for giver in givers.values():
            if giver.kind == LotKind.PILE:
                _combine(draft, giver, step.moment, weather_for, within)
    elif step.kind == Kind.WATER:
        litres = sum(kg for kind, _one, _m, kg in lines if kind == End.WATER)
        if litres > EMPTY_KG:
            draft.acts.append(Act(day, "wetted", litres=litres))
    if said is not None and said.volume_m3 is not None:
        draft.volume_m3 = said.volume_m3
        if step.kind == Kind.MEASURE and draft.place.kind in WALLED:
            ground_m2 = draft.place.width_m * draft.place.depth_m
            draft.heights.append(SeenHeight(day * 24.0, said.volume_m3 / ground_m2))
    if step.kind in (Kind.TURN, Kind.MOVE):
        place = said.place if said is not None else None
        if place is None:
            draft.acts.append(Act(day, "turned"))
        else:
            draft.place = place
            draft.acts.append(Act(day, "moved", shape=shape_in(place, draft.volume_m3)))
    if said is not None and said.cover and step.kind != Kind.COMBINE:
        _cover(draft, day, said.cover)


def _cover(draft: _Draft, day: float, cover: str) -> None:
    from heapwright.science.pile_forecast import Act

    if not cover or cover == draft.cover:
        return
    draft.cover = cover
    shape = next((act.shape for act in reversed(draft.acts) if act.shape), draft.shape)
    name = "uncovered" if cover == Cover.OPEN else "covered"
    draft.acts.append(Act(day, name, cover=pile_cover(cover, shape)))  # type: ignore[arg-type]


def _take_off(draft: _Draft, when: datetime, share: float) -> None:
    from heapwright.science.pile_forecast import Act

    share = min(share, 0.99)
    draft.acts.append(Act(draft.day(when), "taken off", share=share))
    draft.volume_m3 *= 1.0 - share


def _combine(
    draft: _Draft, other: Lot, moment: Moment, weather_for: WeatherFor, within: frozenset[int]
) -> None:
    """Put another heap, as it stood just before, into this one."""
    from heapwright.science.pile_forecast import Act

    found = _drafted(other, moment, weather_for, within)
    hours = found.day(moment.happened_at) * 24.0
    if hours <= 0.0:
        raise UntoldError(
            gettext_noop("%(other)s was put into it at the moment it was built"), other=other.code
        )
    draft.acts.append(
        Act(
            draft.day(moment.happened_at),
            "combined",
            other=_plan_of(found, weather_for),
            other_hours=hours,
            other_weather=weather_for(found.built, hours),
        )
    )
    draft.volume_m3 += found.volume_m3
    draft.assumed |= found.assumed


def _plan_of(draft: _Draft, weather_for: WeatherFor) -> PilePlan:
    from heapwright.science.pile_forecast import PilePlan

    return PilePlan(
        draft.shape,
        tuple(draft.parts),
        pile_cover(draft.first_cover, draft.shape),
        float(weather_for(draft.built, 24.0).temp_c[:24].mean()),
        acts=tuple(draft.acts),
    )


# What went into it


def _parts(lines: list[Line], when: datetime) -> tuple[list[Part], list[Assumed]]:
    """Return what a build or an addition put in, one part a line, and what was filled in."""
    lots = Lot.objects.in_bulk([one for _kind, one, _material, _kg in lines if one is not None])
    named = _materials_of(lots)
    known = materials.library(when)
    own = set(
        Measurement.objects.filter(
            entry__struck_at=None, lot__in=lots, quantity__in=materials.FIGURES
        ).values_list("lot_id", flat=True)
    )
    parts: list[Part] = []
    assumed: list[Assumed] = []
    for kind, lot_id, material_id, mass_kg in lines:
        if kind == End.WATER:
            parts.append(Part(water(), mass_kg))
            continue
        if kind == End.AIR:
            continue  # the books were short: no more of anything came
        lot = None if lot_id is None else lots[lot_id]
        name, guessed = _name_of(lot, material_id, named)
        material = known.get(name)
        if material is None:
            raise UntoldError(
                gettext_noop("nobody knows what %(lot)s was made of"),
                lot=lot.code if lot else material_id,
            )
        if lot is not None and lot.id in own and not guessed:
            material = materials.of_lot(lot, name)
        try:
            ingredient, filled = completed(material)
        except NotMeasuredError:
            raise UntoldError(
                gettext_noop("nobody knows the moisture and nitrogen of %(name)s; measure it"),
                name=material.name,
            ) from None
        if filled is not None:
            assumed.append(filled)
        if guessed and lot is not None:
            values = (("lot", lot.code), ("like", material.name))
            assumed.append(Assumed(gettext_noop("%(lot)s was taken like %(like)s."), values))
        parts.append(Part(ingredient, mass_kg))
    return parts, assumed


def _name_of(lot: Lot | None, material_id: str, named: Mapping[int, set[str]]) -> tuple[str, bool]:
    """Return the material of a line, and whether it is only what stands in for it."""
    if material_id:
        return material_id, False
    if lot is None:
        raise UntoldError(gettext_noop("nobody wrote down all that it is made of"))
    if lot.kind == LotKind.OVERS:
        return "compost_overs", False
    if lot.kind in (LotKind.COMPOST, LotKind.PILE):
        return stand_in("compost").material, True
    names = named.get(lot.id, set())
    return (next(iter(names)), False) if len(names) == 1 else ("", False)


def _materials_of(lots: Mapping[int, Lot]) -> dict[int, set[str]]:
    """Return of which materials stock lots are, those that were combined or divided included."""
    found: dict[int, set[str]] = defaultdict(set)
    roots = {lot_id: {lot_id} for lot_id, lot in lots.items() if lot.kind == LotKind.STOCK}
    asked: set[int] = set()
    while roots:
        asked |= roots.keys()
        rows = Flow.objects.filter(ledger.counts(), to_lot__in=roots).values_list(
            "to_lot_id", "from_lot_id", "from_kind", "material_id"
        )
        before: dict[int, set[int]] = defaultdict(set)
        for to_lot, from_lot, from_kind, material_id in rows:
            if material_id and from_kind != End.WATER:
                for root in roots[to_lot]:
                    found[root].add(material_id)
            elif from_lot is not None and from_lot not in asked:
                before[from_lot] |= roots[to_lot]
        roots = before
    return found


# What was read and seen


def _look(draft: _Draft, check: Check) -> None:
    """Note what a check saw of moisture and height."""
    hour = draft.day(check.entry.happened_at) * 24.0
    if check.squeeze:
        draft.moistures.append(SeenMoisture(hour, squeeze=check.squeeze))
    if check.height_m is not None:
        draft.heights.append(SeenHeight(hour, check.height_m))
        if draft.place.kind in WALLED:
            draft.volume_m3 = check.height_m * draft.place.width_m * draft.place.depth_m


def _read(draft: _Draft, lot: Lot, until: Moment | None) -> None:
    """Note the temperatures of a lot, one a day, point and depth, and measured moistures."""
    end_s = None if until is None else until.happened_at.timestamp()
    for one in DailySummary.objects.filter(lot=lot).order_by("first_s", "point", "depth_cm"):
        if end_s is not None and one.last_s > end_s:
            continue
        middle = datetime.fromtimestamp((one.first_s + one.last_s) / 2.0, UTC)
        draft.temps.append(
            SeenTemp(
                draft.day(middle) * 24.0,
                one.point,
                None if one.depth_cm == NO_DEPTH_CM else one.depth_cm,
                one.mean_c,
                one.count,
            )
        )
    measured = Measurement.objects.filter(
        ledger.counts(),
        ledger.until(until),
        lot=lot,
        quantity="moisture_pct",
        comparator="=",
    ).values_list("entry__happened_at", "value")
    for when, moisture_pct in measured:
        draft.moistures.append(SeenMoisture(draft.day(when) * 24.0, moisture_pct=moisture_pct))
