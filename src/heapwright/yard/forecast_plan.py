"""From the entries of a heap to what the pile model takes: how it was built, what was done to it,
and what was read off it since.

The plan is the one that a PILE.toml of the same facts would give. What nobody measured or
published is filled in from :mod:`heapwright.data.outlook` and named in :attr:`Told.assumed`.
A heap that was combined or divided off goes on with the history of the heap that most of it
came from.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from django.db.models import Sum
from django.utils.translation import gettext_noop

from heapwright.files.pile import DENSITY_KG_M3
from heapwright.science.heap_shape import HeapShape
from heapwright.science.mixing import Part
from heapwright.yard import ledger
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.forecast_parts import Line, lines_into, parts_of
from heapwright.yard.forecast_told import (
    Assumed,
    SeenHeight,
    SeenMoisture,
    SeenTemp,
    Told,
    UntoldError,
)
from heapwright.yard.heap_shape import WALLED, pile_cover, shape_in
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
)
from heapwright.yard.models.readings import NO_DEPTH_CM

if TYPE_CHECKING:
    from heapwright.science.pile_forecast import Act, ActName, PilePlan
    from heapwright.science.pile_weather import Weather

WeatherFor = Callable[[datetime, float], "Weather"]
"""The hourly weather of the site from a moment on, for so many hours."""


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

    def hour(self, when: datetime) -> float:
        return self.day(when) * 24.0

    def act(self, when: datetime, name: ActName, **what: Any) -> None:
        """Add an act of the plan."""
        from heapwright.science.pile_forecast import Act

        self.acts.append(Act(self.day(when), name, **what))

    def note_shape(self, when: datetime) -> None:
        """Note the shape that the heap has from now on, where it is another."""
        shape = shape_in(self.place, self.volume_m3)
        if not self.shapes or self.shapes[-1][1] != shape:
            self.shapes.append((self.hour(when), shape))


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
    draft = _drafted(lot, until, weather_for, frozenset())
    plan = _plan_of(draft, weather_for)
    draft.assumed[
        Assumed(
            gettext_noop("It was as warm as the air on the day it was built, %(temp_c)s °C."),
            (("temp_c", f"{plan.start_temp_c:.0f}"),),
        )
    ] = None
    return Told(
        draft.built,
        plan,
        tuple(draft.shapes),
        tuple(sorted(draft.temps, key=lambda one: one.hour)),
        tuple(sorted(draft.moistures, key=lambda one: one.hour)),
        tuple(sorted(draft.heights, key=lambda one: one.hour)),
        tuple(draft.assumed),
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
    flows = lines_into(lot, until)
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
    parts, assumed = parts_of(lines, begun.moment.happened_at)
    if all(part.ingredient.is_water for part in parts):
        raise UntoldError(gettext_noop("nobody wrote down what it is made of"))
    if volume_m3 is None:
        volume_m3 = _summed_m3(parts)
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


def _summed_m3(parts: list[Part]) -> float:
    """Return the summed volumes of what was put in; water fills pores and adds none."""
    return sum(
        part.mass_kg / part.ingredient.bulk_density_kg_m3.typical
        for part in parts
        if not part.ingredient.is_water
    )


def _inherited(
    begun: ledger.Step,
    lines: list[Line],
    weather_for: WeatherFor,
    within: frozenset[int],
) -> _Draft:
    """Return the draft of the heap that most of it came from, gone on with here."""
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
    draft.act(moment.happened_at, "moved", shape=shape_in(place, draft.volume_m3))
    _cover(draft, moment.happened_at, begun.standing.cover)
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
    when, said = step.moment.happened_at, step.standing
    if step.kind == Kind.ADD:
        parts, assumed = parts_of(lines, when)
        draft.assumed |= dict.fromkeys(assumed)
        for part in parts:
            draft.act(when, "added", parts=(part,))
        draft.volume_m3 += _summed_m3(parts)
    elif step.kind == Kind.COMBINE and lines:
        givers = Lot.objects.in_bulk([one for _k, one, _m, _kg in lines if one is not None])
        for giver in givers.values():
            if giver.kind == LotKind.PILE:
                _combine(draft, giver, step.moment, weather_for, within)
    elif step.kind == Kind.WATER:
        litres = sum(kg for kind, _one, _m, kg in lines if kind == End.WATER)
        if litres > EMPTY_KG:
            draft.act(when, "wetted", litres=litres)
    if said is not None and said.volume_m3 is not None:
        draft.volume_m3 = said.volume_m3
        if step.kind == Kind.MEASURE and draft.place.kind in WALLED:
            ground_m2 = draft.place.width_m * draft.place.depth_m
            draft.heights.append(SeenHeight(draft.hour(when), said.volume_m3 / ground_m2))
    if step.kind in (Kind.TURN, Kind.MOVE):
        place = said.place if said is not None else None
        if place is None:
            draft.act(when, "turned")
        else:
            draft.place = place
            draft.act(when, "moved", shape=shape_in(place, draft.volume_m3))
    if said is not None and said.cover and step.kind != Kind.COMBINE:
        _cover(draft, when, said.cover)


def _cover(draft: _Draft, when: datetime, cover: str) -> None:
    if not cover or cover == draft.cover:
        return
    draft.cover = cover
    shape = next((act.shape for act in reversed(draft.acts) if act.shape), draft.shape)
    name: ActName = "uncovered" if cover == Cover.OPEN else "covered"
    draft.act(when, name, cover=pile_cover(cover, shape))


def _take_off(draft: _Draft, when: datetime, share: float) -> None:
    share = min(share, 0.99)
    draft.act(when, "taken off", share=share)
    draft.volume_m3 *= 1.0 - share


def _combine(
    draft: _Draft, other: Lot, moment: Moment, weather_for: WeatherFor, within: frozenset[int]
) -> None:
    """Put another heap, as it stood just before, into this one."""
    found = _drafted(other, moment, weather_for, within)
    hours = found.hour(moment.happened_at)
    if hours <= 0.0:
        raise UntoldError(
            gettext_noop("%(other)s was put into it at the moment it was built"), other=other.code
        )
    draft.act(
        moment.happened_at,
        "combined",
        other=_plan_of(found, weather_for),
        other_hours=hours,
        other_weather=weather_for(found.built, hours),
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


# What was read and seen


def _look(draft: _Draft, check: Check) -> None:
    """Note what a check saw of moisture and height."""
    hour = draft.hour(check.entry.happened_at)
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
                draft.hour(middle),
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
        draft.moistures.append(SeenMoisture(draft.hour(when), moisture_pct=moisture_pct))
