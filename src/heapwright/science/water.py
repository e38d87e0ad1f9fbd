"""Water of a heap by closed formulas: rain and cover, soaked and dry heaps, sheets and roofs.

These are the quick answers for when no run of the pile model is wanted. What both need (how
much of the rain a heap takes in, from which moisture on water drains) comes from the model's own
parameters. 1 mm of rain on 1 m² is 1 litre, and a litre of water is taken for a kilogram.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from heapwright.errors import InputError
from heapwright.science import air
from heapwright.science.heap_shape import HeapShape, geometry, parabola_arc_m
from heapwright.science.materials import Span
from heapwright.science.mixing import second_mass_for_moisture_kg, water_to_add_kg
from heapwright.science.pile_events import STEAM_MOST, STEAM_SHARE
from heapwright.science.pile_state import Cover

Top = Literal["peaked", "level", "hollow"]
Phase = Literal["hot", "curing", "cold"]
Advice = Literal["cover", "leave open", "no matter"]
Why = Literal[
    "dry now",
    "would dry out covered",
    "dries out anyway",
    "too wet now",
    "would get too wet",
    "dries better open",
    "would leach",
    "little rain",
    "takes it up",
]

PEAKED: Final[tuple[str, ...]] = ("windrow", "cone")


@dataclass(frozen=True, slots=True)
class MoistureLimits:
    """Moisture, % of wet mass: below ``dry_pct`` decay is slow, above ``wet_pct`` air lacks."""

    dry_pct: float
    target_pct: float
    wet_pct: float


@dataclass(frozen=True, slots=True)
class WaterFacts:
    """The figures of the water answers, from ``data/water.csv`` and the pile model's own.

    Shares are of 1; ``decay_per_day`` is the share of the organic matter lost a day by phase.
    """

    rain_share: Span
    rain_bypass: float
    water_cap: float
    surface_wetness: float
    wet_from: float
    wet_full: float
    dried_kg_kg: Span
    decay_per_day: Mapping[str, Span]
    water_made_kg_kg: float
    little_rain_mm: float
    little_leachate_mm: float


@dataclass(frozen=True, slots=True)
class Heap:
    """A heap as the water answers see it.

    ``organic_kg`` is its volatile solids. ``top`` None takes a windrow or cone for peaked, a
    bay for level.
    """

    shape: HeapShape
    dry_kg: float
    water_kg: float
    organic_kg: float
    phase: Phase = "hot"
    top: Top | None = None

    def __post_init__(self) -> None:
        for name in ("dry_kg", "water_kg", "organic_kg"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise InputError(f"{name} {value:g} is not a mass from zero on")
        if self.dry_kg <= 0.0:
            raise InputError("a heap without dry matter has no moisture")
        if self.organic_kg > self.dry_kg:
            raise InputError("organic_kg is above dry_kg")

    @property
    def moisture_pct(self) -> float:
        """Moisture, % of wet mass."""
        return moisture_pct(self.water_kg, self.dry_kg)

    @property
    def plan_area_m2(self) -> float:
        """The ground that the heap covers, on which rain falls."""
        return geometry(self.shape, 0.0).plan_area_m2

    def rain_share(self, facts: WaterFacts) -> float:
        """Return the share of the rain that its top takes in: a peak sheds, a hollow gathers."""
        top = self.top or ("peaked" if self.shape.shape in PEAKED else "level")
        share = facts.rain_share
        return {"peaked": share.low, "level": share.typical, "hollow": share.high}[top]


@dataclass(frozen=True, slots=True)
class RainDay:
    """A coming day: rain, and what open water or short grass would evaporate."""

    rain_mm: float
    reference_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class WaterDay:
    """What becomes of a day's rain, litres, and the heap at its end."""

    fallen_l: float
    kept_off_l: float
    shed_l: float
    through_l: float
    soaked_l: float
    made_l: float
    evaporated_l: float
    drained_l: float
    water_kg: float
    dry_kg: float
    moisture_pct: float

    @property
    def leachate_l(self) -> float:
        """What ran through the heap or drained out of it; it must be caught."""
        return self.through_l + self.drained_l


@dataclass(frozen=True, slots=True)
class WaterBalance:
    """A heap's water over some days under one cover.

    fallen = kept off + shed + through + soaked; water at the end = at the start + soaked +
    made − evaporated − drained.
    """

    cover: Cover
    rain_share: float
    start_water_kg: float
    days: tuple[WaterDay, ...]

    def total(self, name: str) -> float:
        """Return the sum of a day's figure, such as ``leachate_l``."""
        found: float = sum(getattr(day, name) for day in self.days)
        return found

    @property
    def moisture_pct(self) -> float:
        """Moisture at the end."""
        return self.days[-1].moisture_pct

    @property
    def gained_l(self) -> float:
        """Water at the end over that at the start; below zero it dried."""
        return self.days[-1].water_kg - self.start_water_kg


@dataclass(frozen=True, slots=True)
class TarpDecision:
    """What the coming days do to a heap as it lies and covered, and what follows.

    ``open_range_pct`` is the moisture at the end, open, for the least and the most of the rain
    that such a heap takes in. ``why`` gives the reasons, the deciding one first.
    """

    advice: Advice
    why: tuple[Why, ...]
    limits: MoistureLimits
    moisture_pct: float
    rain_mm: float
    open: WaterBalance
    covered: WaterBalance
    open_range_pct: tuple[float, float]
    open_leachate_range_l: tuple[float, float]


@dataclass(frozen=True, slots=True)
class DryMaterial:
    """A material to soak up water: moisture and bulk density as it lies.

    ``absorbs_kg_kg`` is the water that its dry matter holds when soaked; None is not known.
    """

    name: str
    moisture_pct: float
    bulk_density_kg_m3: float | None = None
    absorbs_kg_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Drying:
    """How much dry material brings a heap to a moisture.

    ``takes_kg_kg`` is the water that each kilogram takes up, limited by ``limited_by``: the
    ``moisture`` aimed at, or what the material can ``absorb``, which then leaves the heap drier
    than aimed at.
    """

    material: DryMaterial
    target_pct: float
    excess_water_kg: float
    takes_kg_kg: float
    limited_by: Literal["moisture", "absorb"]
    mass_kg: float
    volume_m3: float | None
    end_moisture_pct: float


@dataclass(frozen=True, slots=True)
class Wetting:
    """How many litres bring a heap to a moisture, poured and turned in.

    ``missing_l`` has to stay in the heap; turning steams off ``steam_l`` and ``lost_share`` of
    what is poured runs out, so ``pour_l`` is poured, in ``rounds`` where one would run through.
    """

    target_pct: float
    missing_l: float
    steam_l: float
    lost_share: float
    pour_l: float
    rounds: int


@dataclass(frozen=True, slots=True)
class SheetSize:
    """A sheet over a heap, metres; ``fall_m`` is the least fall of a bay's lid across it."""

    length_m: float
    width_m: float
    overlap_m: float
    fall_m: float = 0.0

    @property
    def area_m2(self) -> float:
        """Area of the sheet."""
        return self.length_m * self.width_m


@dataclass(frozen=True, slots=True)
class RoofSize:
    """A single-pitch roof: its plan, its slope's length, how much higher one side stands."""

    plan_length_m: float
    plan_width_m: float
    slope_length_m: float
    rise_m: float
    pitch_deg: float

    @property
    def plan_area_m2(self) -> float:
        """The area on which rain falls."""
        return self.plan_length_m * self.plan_width_m

    @property
    def sheet_area_m2(self) -> float:
        """The area of the roofing."""
        return self.plan_length_m * self.slope_length_m


def moisture_pct(water_kg: float, dry_kg: float) -> float:
    """Return moisture, % of wet mass."""
    return 100.0 * water_kg / (water_kg + dry_kg)


def water_balance(
    heap: Heap,
    days: Sequence[RainDay],
    cover: Cover,
    facts: WaterFacts,
    *,
    rain_share: float | None = None,
) -> WaterBalance:
    """Follow a heap's water through some days, a step a day.

    Rain that the cover lets by either runs off the outside, is taken in, or (the nearer the
    heap is to its capacity, to the fourth power as in the pile model) runs through. A hot heap
    evaporates with its organic matter lost and with its outer surface; what exceeds its
    capacity drains.

    Parameters
    ----------
    heap : Heap
    days : sequence of RainDay
    cover : Cover
        Its shares of rain, draught and vapour.
    facts : WaterFacts
    rain_share : float, optional
        The share of the rain taken in; without it the one of the heap's top.

    Raises
    ------
    InputError
        If there is no day, or rain is below zero.
    """
    if not days:
        raise InputError("there is no day to look at")
    share = heap.rain_share(facts) if rain_share is None else rain_share
    area = heap.plan_area_m2
    capacity = facts.water_cap / (1.0 - facts.water_cap)
    decay = facts.decay_per_day[heap.phase].typical if heap.phase in facts.decay_per_day else 0.0
    dry, water, organic = heap.dry_kg, heap.water_kg, heap.organic_kg
    found = []
    for day in days:
        if day.rain_mm < 0.0 or day.reference_mm < 0.0:
            raise InputError("rain and evaporation are not below zero")
        fallen = day.rain_mm * area
        reaching = fallen * cover.rain
        entering = reaching * share
        full = min(water / dry / capacity, 1.0)
        through = entering * facts.rain_bypass * full**4
        soaked = entering - through
        lost = organic * decay
        made = facts.water_made_kg_kg * lost
        water += soaked + made
        fraction = water / (water + dry)
        wet = (fraction - facts.wet_from) / (facts.wet_full - facts.wet_from)
        surface = day.reference_mm * area * facts.surface_wetness * min(max(wet, 0.0), 1.0)
        wanted = lost * facts.dried_kg_kg.typical * cover.draught + surface * cover.vapour
        evaporated = min(wanted, water)
        water -= evaporated
        dry -= lost
        organic -= lost
        drained = max(water - capacity * dry, 0.0)
        water -= drained
        found.append(
            WaterDay(
                fallen_l=fallen,
                kept_off_l=fallen - reaching,
                shed_l=reaching - entering,
                through_l=through,
                soaked_l=soaked,
                made_l=made,
                evaporated_l=evaporated,
                drained_l=drained,
                water_kg=water,
                dry_kg=dry,
                moisture_pct=moisture_pct(water, dry),
            )
        )
    return WaterBalance(cover, share, heap.water_kg, tuple(found))


def tarp_decision(
    heap: Heap,
    days: Sequence[RainDay],
    now: Cover,
    cover: Cover,
    limits: MoistureLimits,
    facts: WaterFacts,
) -> TarpDecision:
    """Decide whether to cover a heap for the coming days.

    Covering is wrong for a dry heap that the rain would wet, and for a wet one that loses more
    by its own heat than the rain brings: it says ``leave open``. The risk of too much water is
    judged with the most of the rain that such a heap takes in, what a cover would withhold from
    a dry one with the typical share.

    Parameters
    ----------
    heap : Heap
    days : sequence of RainDay
        The coming days, the next first.
    now : Cover
        As it lies (nothing, or what lies over it).
    cover : Cover
        What would be put over it.
    limits : MoistureLimits
    facts : WaterFacts

    Raises
    ------
    InputError
        As :func:`water_balance`.
    """
    as_it_lies = water_balance(heap, days, now, facts)
    covered = water_balance(heap, days, cover, facts)
    least, most = (
        water_balance(heap, days, now, facts, rain_share=share)
        for share in (facts.rain_share.low, facts.rain_share.high)
    )
    rain_mm = sum(day.rain_mm for day in days)
    moist = heap.moisture_pct
    why: list[Why] = []
    advice: Advice
    dry_now = moist < limits.dry_pct
    if rain_mm < facts.little_rain_mm:
        advice, why = "no matter", ["little rain"]
        if dry_now:
            why.append("dry now")
        elif moist > limits.wet_pct:
            why.append("too wet now")
    elif dry_now and as_it_lies.moisture_pct <= limits.wet_pct:
        advice, why = "leave open", ["dry now"]
    elif most.moisture_pct > limits.wet_pct or moist > limits.wet_pct:
        why = ["too wet now" if moist > limits.wet_pct else "would get too wet"]
        if covered.moisture_pct < most.moisture_pct:
            advice = "cover"
        else:
            advice = "leave open"
            why.append("dries better open")
    elif covered.moisture_pct < limits.dry_pct:
        advice, why = "leave open", ["would dry out covered"]
        if as_it_lies.moisture_pct < limits.dry_pct:
            why.append("dries out anyway")
    elif _leaches(as_it_lies, heap, facts) and not _leaches(covered, heap, facts):
        advice, why = "cover", ["would leach"]
    else:
        advice, why = "no matter", ["takes it up"]
    if _leaches(as_it_lies, heap, facts) and "would leach" not in why:
        why.append("would leach")
    return TarpDecision(
        advice=advice,
        why=tuple(why),
        limits=limits,
        moisture_pct=moist,
        rain_mm=rain_mm,
        open=as_it_lies,
        covered=covered,
        open_range_pct=(least.moisture_pct, most.moisture_pct),
        open_leachate_range_l=(least.total("leachate_l"), most.total("leachate_l")),
    )


def _leaches(balance: WaterBalance, heap: Heap, facts: WaterFacts) -> bool:
    return balance.total("leachate_l") > facts.little_leachate_mm * heap.plan_area_m2


def rain_to_limit_mm(heap: Heap, limit_pct: float) -> float:
    """Return the rain, mm taken in over the footprint, that brings a heap to a moisture.

    BD (1 − m) t / (1 − t) − BD m over the mean depth; nothing when it is there already.
    """
    limit = _fraction(limit_pct, "limit_pct")
    room = heap.dry_kg * limit / (1.0 - limit) - heap.water_kg
    return max(room, 0.0) / heap.plan_area_m2


def dry_material_for(
    wet_kg: float, moisture_pct: float, target_pct: float, material: DryMaterial
) -> Drying:
    """Return how much dry material brings a soaked heap to a moisture.

    By moisture alone as :func:`~heapwright.science.mixing.second_mass_for_moisture_kg`; where a
    kilogram of the material cannot hold that much water, by what it holds.

    Raises
    ------
    InputError
        If the material is not drier than the aim, or is soaked already.
    """
    m, g = _fraction(moisture_pct, "moisture_pct"), _fraction(target_pct, "target_pct")
    m2 = _fraction(material.moisture_pct, "moisture_pct of the dry material")
    if wet_kg <= 0.0:
        raise InputError(f"wet_kg {wet_kg:g} is not a mass above zero")
    if m2 >= g:
        raise InputError(
            f"{material.name} of {material.moisture_pct:g} % moisture cannot dry anything to "
            f"{target_pct:g} %"
        )
    takes = (g - m2) / (1.0 - g)
    limited_by: Literal["moisture", "absorb"] = "moisture"
    if material.absorbs_kg_kg is not None:
        room = material.absorbs_kg_kg * (1.0 - m2) - m2
        if room <= 0.0:
            raise InputError(f"{material.name} of {material.moisture_pct:g} % moisture is soaked")
        if room < takes:
            takes, limited_by = room, "absorb"
    excess = max(wet_kg * (m - g) / (1.0 - g), 0.0)
    if excess == 0.0:
        mass = 0.0
    elif limited_by == "absorb":
        mass = excess / takes
    else:
        mass = second_mass_for_moisture_kg(wet_kg, moisture_pct, material.moisture_pct, target_pct)
    end = (wet_kg * m + mass * m2) / (wet_kg + mass)
    density = material.bulk_density_kg_m3
    return Drying(
        material=material,
        target_pct=target_pct,
        excess_water_kg=excess,
        takes_kg_kg=takes,
        limited_by=limited_by,
        mass_kg=mass,
        volume_m3=None if density is None else mass / density,
        end_moisture_pct=100.0 * end,
    )


def water_for(
    wet_kg: float,
    moisture_pct: float,
    target_pct: float,
    *,
    lost_share: float = 0.0,
    steam_l: float = 0.0,
    volume_m3: float | None = None,
    round_l_m3: float | None = None,
) -> Wetting:
    """Return the litres that bring a dry heap to a moisture, and what to pour for it.

    Parameters
    ----------
    wet_kg, moisture_pct, target_pct : float
    lost_share : float
        Of what is poured, how much runs out again, 0 to below 1.
    steam_l : float
        What turning it in steams off, from :func:`steam_of_turning`.
    volume_m3, round_l_m3 : float, optional
        Of the heap, and what a cubic metre takes up in one round; they give the rounds.

    Raises
    ------
    InputError
        If a figure cannot be.
    """
    _fraction(moisture_pct, "moisture_pct")
    _fraction(target_pct, "target_pct")
    if wet_kg <= 0.0:
        raise InputError(f"wet_kg {wet_kg:g} is not a mass above zero")
    if not 0.0 <= lost_share < 1.0:
        raise InputError(f"lost_share {lost_share:g} is not from 0 to below 1")
    missing = water_to_add_kg(wet_kg, moisture_pct, target_pct)
    pour = (missing + steam_l) / (1.0 - lost_share) if missing > 0.0 else 0.0
    rounds = 1 if pour > 0.0 else 0
    if pour > 0.0 and volume_m3 is not None and round_l_m3 is not None:
        rounds = max(1, math.ceil(pour / (volume_m3 * round_l_m3)))
    return Wetting(target_pct, missing, steam_l if missing > 0.0 else 0.0, lost_share, pour, rounds)


def steam_of_turning(
    dry_kg: float, water_kg: float, temp_c: float, outside_c: float, turn_loss: float,
    cp_solid_kj_kg_k: float,
) -> float:  # fmt: skip
    """Return the water that turning a hot heap steams off, litres, as the pile model has it.

    A share ``turn_loss`` of the heat above the air is lost, a part of it as steam.
    """
    capacity = dry_kg * cp_solid_kj_kg_k + water_kg * air.CP_WATER
    heat = turn_loss * capacity * max(temp_c - outside_c, 0.0)
    return min(STEAM_SHARE * heat / air.latent_heat_kj_kg(temp_c), STEAM_MOST * water_kg)


def sheet_size(shape: HeapShape, overlap_m: float, fall_pct: float = 0.0) -> SheetSize:
    """Return the sheet that covers a heap with an overlap on each side.

    A windrow's sheet follows its arch; its ends slope as its sides do. A cone takes a square as
    wide as twice its slant. A bay's lid lies flat with a fall.

    Raises
    ------
    InputError
        If the overlap is below zero.
    """
    if overlap_m < 0.0:
        raise InputError(f"overlap_m {overlap_m:g} is below zero")
    w, length, h = shape.width_m, shape.length_m, shape.height_m
    if shape.shape == "windrow":
        arch = parabola_arc_m(w, h)
        return SheetSize(max(length - w, 0.0) + arch + 2 * overlap_m, arch + 2 * overlap_m,
                         overlap_m)  # fmt: skip
    if shape.shape == "cone":
        side = 2.0 * math.hypot(w / 2.0, h) + 2 * overlap_m
        return SheetSize(side, side, overlap_m)
    long, short = max(length, w) + 2 * overlap_m, min(length, w) + 2 * overlap_m
    return SheetSize(long, short, overlap_m, fall_m=short * fall_pct / 100.0)


def roof_size(length_m: float, width_m: float, overhang_m: float, pitch_deg: float) -> RoofSize:
    """Return a single-pitch roof over a stretch of ground, sloping across its width.

    Raises
    ------
    InputError
        If a length is not above zero or the pitch not from 0 to below 60 degrees.
    """
    if length_m <= 0.0 or width_m <= 0.0 or overhang_m < 0.0:
        raise InputError("length and width are above zero, the overhang not below")
    if not 0.0 <= pitch_deg < 60.0:
        raise InputError(f"pitch_deg {pitch_deg:g} is not from 0 to below 60")
    across = width_m + 2 * overhang_m
    angle = math.radians(pitch_deg)
    return RoofSize(
        length_m + 2 * overhang_m, across, across / math.cos(angle), across * math.tan(angle),
        pitch_deg,
    )  # fmt: skip


def roof_water_l(plan_area_m2: float, rain_mm: float, runoff: float) -> float:
    """Return the litres that run off a roof (or a pad): area × rain × coefficient."""
    return plan_area_m2 * rain_mm * runoff


def _fraction(pct: float, name: str) -> float:
    if not 0.0 <= pct < 100.0:
        raise InputError(f"{name} {pct:g} is not a moisture from 0 to below 100 %")
    return pct / 100.0
