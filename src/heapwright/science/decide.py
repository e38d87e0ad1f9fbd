"""What to do with a standing heap this morning: each act compared with leaving it.

The ensemble that the heap's readings corrected is run on with an act and without it, the same
members with the same draws, so that the difference is the act's. An act is advised where it
gains enough in enough members; below the thresholds of ``data/decisions.csv`` nothing is said.
What is advised never contradicts itself (:func:`settled`).

Nothing here is a verdict of proof. The model makes heat by decay only: a fire, which heats
chemically, cannot be seen in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal, cast

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.assimilate import Assimilated
from heapwright.science.decide_proof import Proving, chance_by_day, days_between, met_days
from heapwright.science.decide_ways import (
    Compared,
    Figure,
    Runner,
    Seen,
    Way,
    WayName,
    act_hour,
    compared,
    paired,
    runner,
    spread,
    way,
)
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.ingredients import Ingredient
from heapwright.science.mixing import Part
from heapwright.science.pile import HOT_C
from heapwright.science.pile_events import Added, Combined, Event
from heapwright.science.pile_forecast import Act
from heapwright.science.pile_state import Cover, PileState
from heapwright.science.water import (
    DryMaterial,
    Heap,
    MoistureLimits,
    Phase,
    RainDay,
    WaterFacts,
    dry_material_for,
    steam_of_turning,
    tarp_decision,
    water_for,
)

Array = npt.NDArray[np.float64]
DecisionKind = Literal[
    "fire", "cure", "wet", "add", "cover", "combine", "build up", "turn", "insulate"
]
Verdict = Literal["do", "wait", "weigh"]
Why = Literal[
    "air lacks", "proof sooner", "stalled", "proof later", "loses its heat", "for the rule",
    "dry", "too wet", "rain", "leaches", "cold outside", "small", "heats no more", "heats again",
    "very hot", "on the way", "hot and dry",
]  # fmt: skip
Stage = Literal["filling", "hot", "curing"]
PHASES: Final[dict[Stage, Phase]] = {"filling": "hot", "hot": "hot", "curing": "curing"}


@dataclass(frozen=True, slots=True)
class Thresholds:
    """From what on something is said: the rows of ``data/decisions.csv`` by their ids."""

    ahead_days: float
    heat_days: float
    soon_days: float
    wait_days: float
    reheat_days: float
    likely_pct: float
    sure_pct: float
    proof_gain_pct: float
    proof_gain_days: float
    heat_gain_c: float
    hot_gain_days: float
    oxygen_low_pct: float
    oxygen_gain_pct: float
    moisture_gain_pct: float
    rain_mm: float
    rain_days: float
    least_water_l: float
    least_dry_kg: float
    most_dry_pct: float
    cold_c: float
    blanket_r_m2k_w: float
    blanket_rain: float
    small_m3: float
    chance_gain_pct: float
    near_air_c: float
    filling_days: float


@dataclass(frozen=True, slots=True)
class DecisionFacts:
    """The thresholds, and the limits of other tables that decide too.

    ``warm_c``, ``too_hot_c`` and ``fire_c`` are the alarms of ``pile_alarms.csv``; below
    ``cooled_c`` a pile is no longer hot; a heap below ``least_pile_m3`` holds no heat.
    """

    thresholds: Thresholds
    moisture: MoistureLimits
    water: WaterFacts
    pour_lost: float
    round_l_m3: float
    turn_loss: float
    cp_solid_kj_kg_k: float
    warm_c: float
    too_hot_c: float
    fire_c: float
    cooled_c: float
    least_pile_m3: float


@dataclass(frozen=True, slots=True)
class DryChoice:
    """A dry material to turn in: what it soaks up, and how it decays."""

    material: DryMaterial
    ingredient: Ingredient
    on_hand_kg: float


@dataclass(frozen=True, slots=True, eq=False)
class Other:
    """Another small, cold heap as it stands now, with as many members.

    ``chance_hot`` is its own chance to heat as it is.
    """

    name: str
    state: PileState
    chance_hot: float


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """A standing heap of which it is asked what to do.

    Attributes
    ----------
    ensemble : Assimilated
        Corrected by the readings, or plain where nothing was read.
    now_hour : float
        Hours since building.
    done, planned : tuple of Act
        What was done until now; the turnings that the rule still asks, as reckoned with.
    stage
    cover : Cover
        As it lies; ``tarp`` what would be put over it (None where it is covered or roofed).
    turns_needed : int
        Turnings that the rule still asks; ``apart_days`` the days between them.
    proof_met, proof_days
        Whether the log meets the rule, and the days it credits.
    proving : Proving, optional
        For the chance of proof by date; None where it cannot be told.
    read_c : float, optional
        The highest temperature of the last round, where it is fresh.
    dry : DryChoice, optional
        What would be turned in if it is too wet.
    others : tuple of Other
    holds_m3 : float, optional
        What its place holds.
    """

    ensemble: Assimilated
    now_hour: float
    done: tuple[Act, ...]
    planned: tuple[Act, ...]
    stage: Stage
    shape: HeapShape
    cover: Cover
    tarp: Cover | None
    turns_needed: int = 0
    apart_days: float = 1.0
    proof_met: bool = False
    proof_days: int = 0
    proving: Proving | None = None
    read_c: float | None = None
    dry: DryChoice | None = None
    others: tuple[Other, ...] = ()
    holds_m3: float | None = None


@dataclass(frozen=True, slots=True)
class Amount:
    """How much: litres poured in rounds, dry material, what a heap is built up to, how long."""

    litres: float = 0.0
    rounds: int = 0
    mass_kg: float = 0.0
    volume_m3: float = 0.0
    material: str = ""
    on_hand_kg: float = 0.0
    height_m: float = 0.0
    wait_days: float = 0.0
    other: str = ""


@dataclass(frozen=True, slots=True)
class Chance:
    """The chance of something if it is left and if it is done: to be ``proven`` ``day`` days
    from today (0 is today), to reach 55 °C (``heats``), to pass the limit (``too hot``), or to be
    back at 55 °C soon after turning (``back``)."""

    of: Literal["proven", "heats", "too hot", "back"]
    left: float
    done: float
    day: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """Something to do with a heap, or to wait with, or to weigh when a rule asks for it.

    ``why`` gives the reasons, the deciding one first; ``sure`` is the share of members that
    bear it out. ``ways`` are what happens if it is left (or done later) and if it is done.
    ``rests_on`` names rows of ``decisions.csv``; ``proof_days_lost`` are credited days that
    raw material puts back to nothing, ``proof_days_gained`` by how many days the rule is met
    sooner on average.
    """

    kind: DecisionKind
    verdict: Verdict
    why: tuple[Why, ...]
    sure: float
    amount: Amount = field(default_factory=Amount)
    compared: tuple[Compared, ...] = ()
    chances: tuple[Chance, ...] = ()
    ways: tuple[Way, ...] = ()
    rain_mm: float = 0.0
    proof_days_lost: int = 0
    proof_days_gained: float = 0.0
    rests_on: tuple[str, ...] = ()


def decide(
    asked: Asked, facts: DecisionFacts, *, run: Runner | None = None
) -> tuple[Decision, ...]:
    """Return what to do with a heap today, the most pressing first; often nothing.

    Parameters
    ----------
    asked : Asked
    facts : DecisionFacts
    run : Runner, optional
        What runs the ensemble on; its own when left out.

    Raises
    ------
    InputError
        If nothing of the forecast lies ahead.
    """
    run = run or runner(asked.ensemble, asked.done, asked.now_hour, facts.thresholds.ahead_days)
    desk = _Desk(asked, facts, run)
    found = [one for one in (ask(desk) for ask in ASKED) if one is not None]
    return settled(found)


CLASHES: Final[frozenset[frozenset[str]]] = frozenset(
    frozenset(pair)
    for pair in (
        ("fire", "cure"), ("fire", "add"), ("fire", "cover"), ("fire", "combine"),
        ("fire", "build up"), ("fire", "turn"), ("fire", "insulate"),
        ("cure", "wet"), ("cure", "add"), ("cure", "combine"), ("cure", "build up"),
        ("cure", "turn"), ("cure", "insulate"),
        ("wet", "add"), ("wet", "cover"), ("wet", "combine"), ("wet", "build up"), ("wet", "turn"),
        ("add", "combine"), ("add", "build up"), ("add", "turn"),
        ("cover", "insulate"),
        ("combine", "build up"), ("combine", "turn"), ("build up", "turn"),
    )
)  # fmt: skip
"""Two of these are never advised together: they contradict each other, or one contains the other
(wetting, adding, combining and building up turn the heap)."""


def settled(found: Sequence[Decision]) -> tuple[Decision, ...]:
    """Return the decisions without those that an earlier one contradicts or contains.

    What is only weighed stays out of the way: it asks for nothing.
    """
    kept: list[Decision] = []
    for one in found:
        clash = any(
            other.verdict == "do" and frozenset((one.kind, other.kind)) in CLASHES for other in kept
        )
        if not clash or one.verdict == "weigh":
            kept.append(one)
    return tuple(kept)


# The desk on which ways of one heap are laid side by side


@dataclass(eq=False)
class _Desk:
    """A heap, the figures that decide, and what happens if it is left as planned."""

    asked: Asked
    facts: DecisionFacts
    run: Runner
    left: Seen = field(init=False)
    hour: float = field(init=False)
    planned: tuple[Act, ...] = field(init=False)
    _turned: Seen | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self.hour = act_hour(self.asked.ensemble, self.asked.now_hour)
        self.planned = self.asked.planned
        self.left = self.run(self.asked.planned, ())
        if self.asked.planned and self.cool:
            # no rule counts a turning of a cold heap, so none is reckoned with
            self.planned = ()
            self.left = self.run((), ())

    @property
    def t(self) -> Thresholds:
        return self.facts.thresholds

    @property
    def day(self) -> float:
        return self.hour / 24.0

    def turns(self, from_hour: float) -> tuple[Act, ...]:
        """Return the turnings from an hour on: that one and those that the rule still asks."""
        apart = 24.0 * self.asked.apart_days
        last = self.hour + 24.0 * self.t.ahead_days
        count = 1 if self.cool else max(self.asked.turns_needed, 1)
        hours = [from_hour + number * apart for number in range(count)]
        return tuple(Act(hour / 24.0, "turned") for hour in hours if hour < last)

    @property
    def turned(self) -> Seen:
        """What happens if it is turned now, and on as the rule asks."""
        if self._turned is None:
            self._turned = self.run(self.turns(self.hour), ())
        return self._turned

    def now(self, name: Literal["core_c", "moisture_pct", "volume_m3"]) -> float:
        """Return the median of something now."""
        return float(np.median(getattr(self.left, name)[0]))

    def share(self, which: npt.NDArray[np.bool_]) -> float:
        return float(np.mean(which))

    def likely(self, share: float) -> bool:
        return 100.0 * share >= self.t.likely_pct

    def sure(self, share: float) -> bool:
        return 100.0 * share >= self.t.sure_pct

    def heats(self, seen: Seen) -> float:
        """Return the chance that the core reaches 55 °C in the time ahead."""
        return self.share(seen.core_c.max(axis=0) >= HOT_C)

    def side_by_side(self, figures: Sequence[tuple[Figure, float]], left: Seen, done: Seen) -> (
        tuple[Compared, ...]
    ):  # fmt: skip
        return tuple(compared(name, days, left, done) for name, days in figures)

    def rain_mm(self, days: float) -> float:
        """Return the rain of the coming days."""
        weather = self.asked.ensemble.weather
        return weather.rain_between(self.hour, self.hour + 24.0 * days) * 24.0 * days

    def air_c(self, days: float) -> float:
        """Return the mean of the air in the coming days."""
        weather = self.asked.ensemble.weather
        hours = np.arange(self.hour, self.hour + 24.0 * days, 3.0)
        return float(np.mean([weather.at(float(hour), 0.0).temp_c for hour in hours]))

    @property
    def cool(self) -> bool:
        """Whether the heap is no longer, or not yet, warm now."""
        return self.now("core_c") < self.facts.cooled_c

    @property
    def cold(self) -> bool:
        """Whether the heap is cool and likely does not heat if it is left."""
        return self.cool and not self.likely(self.heats(self.left))

    def figures(self, *more: tuple[Figure, float]) -> tuple[tuple[Figure, float], ...]:
        heat = self.t.heat_days
        return (("core_c", heat), ("hot_days", heat), *more)


def _ways(left: Seen, done: Seen, name: WayName = "left") -> tuple[Way, ...]:
    return way(name, left), way("done", done)


# Fire


def _fire(desk: _Desk) -> Decision | None:
    """Watch a heap that is very hot, likely will be, or is hot and dry."""
    left, facts, days = desk.left, desk.facts, desk.t.soon_days
    # what a probe will show: the last reading and by how much the core rises from now on, no
    # further than decay can heat
    read = left.core_c[0] if desk.asked.read_c is None else desk.asked.read_c
    most = np.maximum(read, desk.asked.ensemble.members.parameters["t_max_c"])

    def too_hot(seen: Seen) -> float:
        shown = np.minimum(read + seen.figure("peak_c", days) - left.core_c[0], most)
        return desk.share(shown > facts.too_hot_c)

    passes = too_hot(left)
    dry = desk.share(
        (left.core_c[0] > facts.warm_c) & (left.moisture_pct[0] < facts.moisture.dry_pct)
    )
    why: list[Why] = []
    if desk.asked.read_c is not None and desk.asked.read_c > facts.too_hot_c:
        why.append("very hot")
    if desk.likely(dry):
        why.append("hot and dry")
    if desk.likely(passes):
        why.append("on the way")
    if not why:
        return None
    wetted = desk.run((*desk.turns(desk.hour), *_water(desk)), ())
    return Decision(
        "fire", "do", tuple(why), max(passes, dry, float("very hot" in why)),
        compared=desk.side_by_side(
            (("peak_c", days), ("moisture_pct", days)), left, wetted
        ),
        chances=(Chance("too hot", passes, too_hot(wetted)),),
        ways=_ways(left, wetted),
        rests_on=("soon_days", "likely_pct"),
    )  # fmt: skip


# Curing


def _cure(desk: _Desk) -> Decision | None:
    """Let a proven pile cure that neither is warm nor would heat again; weigh one that would."""
    asked, facts = desk.asked, desk.facts
    if asked.stage != "hot" or not asked.proof_met:
        return None
    turned = desk.run((Act(desk.day, "turned"),), ())
    # the heat that it holds now is gone by then: what is left is made anew
    settled_in = slice(turned.at(desk.t.reheat_days), None)
    again, alone = (seen.core_c[settled_in].max(axis=0) for seen in (turned, desk.left))
    limit = max(facts.cooled_c, desk.air_c(desk.t.ahead_days) + desk.t.near_air_c)
    cold = desk.share(again < limit)
    read = asked.read_c
    if read is not None and read < HOT_C and desk.sure(cold):
        verdict, why, sure = "do", "heats no more", cold
    elif read is not None and read >= facts.cooled_c and desk.likely(1.0 - cold):
        verdict, why, sure = "wait", "heats again", 1.0 - cold
    else:
        return None  # log and forecast do not agree, or neither is sure
    return Decision(
        "cure", cast("Verdict", verdict), (cast("Why", why),), sure,
        compared=(paired("peak_c", desk.t.ahead_days, alone, again),),
        ways=_ways(desk.left, turned),
        rests_on=("near_air_c", "sure_pct", "reheat_days"),
    )  # fmt: skip


# Water


@dataclass(frozen=True, slots=True)
class _Pour:
    litres_in: float
    pour_l: float
    rounds: int


def _pour(desk: _Desk) -> _Pour:
    """Return the water that brings a dry heap to its aim while it is turned."""
    facts, left = desk.facts, desk.left
    dry, water = float(np.median(left.dry_kg[0])), float(np.median(left.water_kg[0]))
    steam = steam_of_turning(
        dry, water, desk.now("core_c"), desk.air_c(1.0), facts.turn_loss, facts.cp_solid_kj_kg_k
    )
    found = water_for(
        dry + water,
        100.0 * water / (dry + water),
        max(facts.moisture.target_pct, 100.0 * water / (dry + water)),
        lost_share=facts.pour_lost,
        steam_l=steam,
        volume_m3=desk.now("volume_m3"),
        round_l_m3=facts.round_l_m3,
    )
    return _Pour(found.missing_l + found.steam_l, found.pour_l, found.rounds)


def _water(desk: _Desk) -> tuple[Act, ...]:
    litres = _pour(desk).litres_in
    return (Act(desk.day, "wetted", litres=litres),) if litres > 0.0 else ()


def _wet(desk: _Desk) -> Decision | None:
    """Wet a heap that is dry now and stays dry, by what brings it to its aim."""
    left, facts, t = desk.left, desk.facts, desk.t
    if desk.asked.read_c is not None and desk.asked.read_c > facts.fire_c:
        return None
    limit = facts.moisture.dry_pct
    dry = desk.share((left.moisture_pct[0] < limit) & (left.moisture_pct[left.at(t.soon_days)]
                                                       < limit))  # fmt: skip
    if not desk.sure(dry):
        return None
    pour = _pour(desk)
    if pour.pour_l < t.least_water_l:
        return None
    wetted = desk.run((*desk.turns(desk.hour), *_water(desk)), ())
    return Decision(
        "wet", "do", ("dry",), dry,
        Amount(litres=pour.pour_l, rounds=pour.rounds),
        desk.side_by_side(desk.figures(("moisture_pct", t.soon_days)), left, wetted),
        ways=_ways(left, wetted),
        rests_on=("sure_pct", "soon_days", "least_water_l"),
    )  # fmt: skip


def _add(desk: _Desk) -> Decision | None:
    """Turn dry material into a heap that is too wet to heat or to breathe.

    More air is a gain only where air lacks (a cold heap that breathes and stays cold with chips
    in it wants something else) and where no credited day of proof is lost for it.
    """
    asked, left, facts, t = desk.asked, desk.left, desk.facts, desk.t
    if asked.dry is None or asked.stage == "curing" or asked.proof_met:
        return None
    wet = desk.share(left.moisture_pct[0] > facts.moisture.wet_pct)
    airless = desk.share(left.figure("oxygen_pct", t.soon_days) < t.oxygen_low_pct)
    if not desk.likely(wet) or not (desk.likely(airless) or desk.cold):
        return None
    wet_kg = float(np.median(left.dry_kg[0] + left.water_kg[0]))
    moisture = desk.now("moisture_pct")
    try:
        drying = dry_material_for(wet_kg, moisture, facts.moisture.target_pct, asked.dry.material)
    except InputError:
        return None  # it is as wet as the heap should be: it dries nothing
    mass = min(drying.mass_kg, wet_kg * t.most_dry_pct / 100.0)
    density = asked.dry.ingredient.bulk_density_kg_m3.typical
    if asked.holds_m3 is not None:
        mass = min(mass, max(asked.holds_m3 - desk.now("volume_m3"), 0.0) * density)
    if mass < t.least_dry_kg:
        return None
    part = Part(asked.dry.ingredient, mass)
    done = desk.run((*desk.turns(desk.hour), Act(desk.day, "added", parts=(part,))), ())
    figures = desk.side_by_side(
        desk.figures(("oxygen_pct", t.heat_days), ("moisture_pct", t.soon_days)), left, done
    )
    by_turning = desk.side_by_side(desk.figures(("oxygen_pct", t.heat_days)), desk.turned, done)
    core, oxygen = by_turning[0], by_turning[2]
    warmer = core.gain.middle >= t.heat_gain_c and desk.sure(core.better)
    airier = oxygen.gain.middle >= t.oxygen_gain_pct and desk.sure(oxygen.better)
    breathes = desk.likely(airless) and airier and core.gain.middle > -t.heat_gain_c
    if not warmer and (not breathes or asked.proof_days):
        return None
    reasons: tuple[Why, ...] = ("too wet", "air lacks") if desk.likely(airless) else ("too wet",)
    return Decision(
        "add", "do", reasons, max(core.better if warmer else 0.0, oxygen.better),
        Amount(mass_kg=mass, volume_m3=mass / density, material=asked.dry.ingredient.id,
               on_hand_kg=asked.dry.on_hand_kg),
        figures,
        chances=(Chance("heats", desk.heats(left), desk.heats(done)),),
        ways=_ways(left, done),
        proof_days_lost=asked.proof_days,
        rests_on=("sure_pct", "oxygen_low_pct", "heat_gain_c", "most_dry_pct", "least_dry_kg"),
    )  # fmt: skip


def _cover(desk: _Desk) -> Decision | None:
    """Cover an open heap before rain that it should not take in."""
    asked, left, facts, t = desk.asked, desk.left, desk.facts, desk.t
    rain = desk.rain_mm(t.rain_days)
    if asked.tarp is None or rain < t.rain_mm or desk.now("moisture_pct") < facts.moisture.dry_pct:
        return None
    if _quick(desk) != "cover":
        return None
    covered = desk.run((*desk.planned, Act(desk.day, "covered", cover=asked.tarp)), ())
    figures = desk.side_by_side(
        desk.figures(("moisture_pct", t.ahead_days), ("leachate_l", t.ahead_days)), left, covered
    )
    core, _hot, moisture, leachate = figures
    if moisture.done.middle < facts.moisture.dry_pct or core.gain.middle < -t.heat_gain_c:
        return None
    spares = -moisture.gain.middle >= t.moisture_gain_pct
    least_l = facts.water.little_leachate_mm * geometry(asked.shape, 0.0).plan_area_m2
    leaches = -leachate.gain.middle > least_l
    drier = 1.0 - moisture.better
    if not (spares or leaches) or not desk.sure(drier):
        return None
    why: tuple[Why, ...] = ("rain", "leaches") if leaches else ("rain",)
    return Decision(
        "cover", "do", why, drier,
        compared=figures,
        ways=_ways(left, covered),
        rain_mm=rain,
        rests_on=("rain_mm", "rain_days", "moisture_gain_pct", "sure_pct"),
    )  # fmt: skip


def _quick(desk: _Desk) -> str:
    """Return what the closed formulas of water say of covering, so that the two never differ."""
    asked, facts, t = desk.asked, desk.facts, desk.t
    assert asked.tarp is not None
    dry, water = (float(np.median(one[0])) for one in (desk.left.dry_kg, desk.left.water_kg))
    pools = asked.ensemble.end
    ash = float(np.median(pools.ash_kg.sum(axis=0)))
    heap = Heap(asked.shape, dry, water, max(dry - ash, 0.0), PHASES[asked.stage])
    weather = asked.ensemble.weather
    days = [
        RainDay(24.0 * weather.rain_between(start, start + 24.0))
        for start in desk.hour + 24.0 * np.arange(round(t.rain_days))
    ]
    found = tarp_decision(heap, days, asked.cover, asked.tarp, facts.moisture, facts.water)
    return found.advice


# Size and cold


def _combine(desk: _Desk) -> Decision | None:
    """Turn another small, cold heap into this one where together they heat."""
    asked, t = desk.asked, desk.t
    if not _may_grow(desk) or not asked.others:
        return None
    alone = desk.heats(desk.left)
    best: Decision | None = None
    for other in asked.others:
        if other.state.members != desk.left.core_c.shape[1]:
            continue
        done = desk.run((), (Combined(desk.hour, other.state),))
        if asked.holds_m3 is not None and np.median(done.volume_m3[0]) > asked.holds_m3:
            continue
        chance = desk.heats(done)
        gain = chance - max(alone, other.chance_hot)
        if 100.0 * gain < t.chance_gain_pct or not desk.likely(chance):
            continue
        if best is not None and chance <= best.sure:
            continue
        best = Decision(
            "combine", "do", ("small",), chance,
            Amount(other=other.name, volume_m3=float(np.median(done.volume_m3[0]))),
            desk.side_by_side(desk.figures(), desk.left, done),
            (Chance("heats", alone, chance),),
            _ways(desk.left, done),
            proof_days_lost=asked.proof_days,
            rests_on=("small_m3", "chance_gain_pct", "likely_pct"),
        )  # fmt: skip
    return best


def _may_grow(desk: _Desk) -> bool:
    asked = desk.asked
    raw = asked.stage in ("filling", "hot") and not asked.proof_met
    if asked.stage == "filling" and desk.day - _last_fed(asked) < desk.t.filling_days:
        return False  # it grows by itself
    return raw and desk.cold and desk.now("volume_m3") < desk.t.small_m3


def _last_fed(asked: Asked) -> float:
    """Return the day on which something was last put on a heap: when it was built, or later."""
    return max((act.day for act in asked.done if act.name == "added"), default=0.0)


def _build_up(desk: _Desk) -> Decision | None:
    """Add more of the same mix to a small, cold heap, as little as makes it heat."""
    asked, t = desk.asked, desk.t
    if not _may_grow(desk):
        return None
    recipe = asked.ensemble.members.recipe
    volume, loose = desk.now("volume_m3"), float(np.median(recipe.loose_m3))
    if loose <= 0.0:
        return None
    alone = desk.heats(desk.left)
    for aim in (desk.facts.least_pile_m3, t.small_m3, 1.5 * t.small_m3):
        if aim <= volume or (asked.holds_m3 is not None and aim > asked.holds_m3):
            continue
        more = recipe.times((aim - volume) / loose)
        events: list[Event] = [Added(desk.hour, more)]
        done = desk.run((Act(desk.day, "turned"),), events)
        chance = desk.heats(done)
        if desk.likely(chance) and 100.0 * (chance - alone) >= t.chance_gain_pct:
            height = asked.shape.height_m * aim / volume
            return Decision(
                "build up", "do", ("small",), chance,
                Amount(volume_m3=aim - volume, height_m=height,
                       mass_kg=float(np.median(more.mass_kg))),
                desk.side_by_side(desk.figures(), desk.left, done),
                (Chance("heats", alone, chance),),
                _ways(desk.left, done),
                proof_days_lost=asked.proof_days,
                rests_on=("small_m3", "chance_gain_pct", "likely_pct"),
            )  # fmt: skip
    return None


def _insulate(desk: _Desk) -> Decision | None:
    """Lay leaves or straw over an unproven heap that cold weather cools."""
    asked, left, t = desk.asked, desk.left, desk.t
    if asked.stage == "curing" or asked.proof_met or desk.air_c(t.ahead_days) >= t.cold_c:
        return None
    blanket = replace(
        asked.cover,
        id="blanket",
        rain=min(asked.cover.rain, t.blanket_rain),
        r_m2k_w=asked.cover.r_m2k_w + t.blanket_r_m2k_w,
    )
    done = desk.run((*desk.planned, Act(desk.day, "covered", cover=blanket)), ())
    figures = desk.side_by_side((("core_c", t.heat_days), ("hot_days", t.ahead_days)), left, done)
    hot = figures[1]
    if hot.gain.middle < t.hot_gain_days or not desk.sure(hot.better):
        return None
    return Decision(
        "insulate", "do", ("cold outside",), hot.better,
        compared=figures,
        chances=(Chance("heats", desk.heats(left), desk.heats(done)),),
        ways=_ways(left, done),
        rests_on=("cold_c", "blanket_r_m2k_w", "hot_gain_days", "sure_pct"),
    )  # fmt: skip


# Turning


def _turn(desk: _Desk) -> Decision | None:
    """Turn now, wait some days, or only weigh both for when the rule asks for a turning."""
    asked, t = desk.asked, desk.t
    if asked.stage == "filling" or asked.proof_met:
        return None
    now = desk.turned
    was_hot = desk.share(desk.left.core_c[0] >= HOT_C)
    hot_now = desk.likely(was_hot) or (asked.read_c is not None and asked.read_c >= HOT_C)
    needed = asked.turns_needed > 0 and hot_now  # no rule counts the turning of a cool heap
    later_turns = desk.turns(desk.hour + 24.0 * t.wait_days) if needed else ()
    later = desk.run(later_turns, ()) if needed else desk.left
    proof = _proof(desk, later, later_turns) if needed else _Proof()
    figures = desk.side_by_side(desk.figures(("oxygen_pct", t.heat_days)), later, now)
    core, _hot, oxygen = figures
    back = desk.share(now.core_c[now.until(t.reheat_days)].max(axis=0) >= HOT_C)
    airless = desk.likely(
        desk.share(desk.left.figure("oxygen_pct", t.soon_days) < t.oxygen_low_pct)
    )
    warmer = core.gain.middle >= t.heat_gain_c and desk.sure(core.better)
    airier = oxygen.gain.middle >= t.oxygen_gain_pct and desk.sure(oxygen.better)
    verdict: Verdict = "weigh"
    why: Why = "for the rule"
    sure = core.better
    if needed and proof.sooner_than_planned(t):
        verdict, why, sure = "do", "proof sooner", proof.done
    elif desk.cold and warmer:
        verdict, why = "do", "stalled"
    elif airless and airier and (warmer or core.gain.middle > -t.heat_gain_c):
        verdict, why, sure = "do", "air lacks", oxygen.better
    elif needed and proof.sooner_later(t):
        verdict, why, sure = "wait", "proof later", proof.later
    elif needed and not desk.likely(back) and not proof.later_than_now(t):
        verdict, why, sure = "wait", "loses its heat", 1.0 - back
    if verdict == "weigh" and not needed:
        return None
    planned = verdict == "do" and needed
    against, met_against = (desk.left, proof.met_planned) if planned else (later, proof.met_later)
    return Decision(
        "turn", verdict, (why,), sure,
        Amount(wait_days=0.0 if planned or not needed else t.wait_days),
        desk.side_by_side(desk.figures(("oxygen_pct", t.heat_days)), against, now),
        (*_proven(met_against, proof.met_now, t), Chance("back", was_hot, back)),
        (way("left" if planned or not needed else "later", against, met_against),
         way("done", now, proof.met_now)),
        proof_days_gained=float(np.sum(proof.met_now) - np.sum(met_against)),
        rests_on=("wait_days", "proof_gain_days", "proof_gain_pct", "heat_gain_c", "reheat_days",
                  "oxygen_low_pct"),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Proof:
    """When the rule is met, turned now, some days later and as planned: by the end of each day."""

    met_now: tuple[float, ...] = ()
    met_later: tuple[float, ...] = ()
    met_planned: tuple[float, ...] = ()

    @property
    def done(self) -> float:
        """The chance turned now at the end of the time ahead."""
        return self.met_now[-1] if self.met_now else 0.0

    @property
    def later(self) -> float:
        """The chance turned later at the end of the time ahead."""
        return self.met_later[-1] if self.met_later else 0.0

    def sooner_than_planned(self, t: Thresholds) -> bool:
        """Tell whether turning now brings the proof sooner, or more surely, than as planned."""
        return _better(self.met_now, self.met_planned, t)

    def sooner_later(self, t: Thresholds) -> bool:
        return _better(self.met_later, self.met_now, t)

    def later_than_now(self, t: Thresholds) -> bool:
        return _better(self.met_now, self.met_later, t)


def _proven(left: Sequence[float], done: Sequence[float], t: Thresholds) -> tuple[Chance, ...]:
    """Return the chances of proof by the day on which two ways differ most; of several the last.

    Nothing where there is hardly a chance in the time ahead, whatever is done.
    """
    if not left or not done or 100.0 * max(*left, *done) < t.proof_gain_pct:
        return ()
    apart = [abs(one - other) for one, other in zip(left, done, strict=True)]
    day = len(apart) - 1 - int(np.argmax(apart[::-1]))
    return (Chance("proven", left[day], done[day], day),)


def _better(one: Sequence[float], other: Sequence[float], t: Thresholds) -> bool:
    """Tell whether a rule is met enough days sooner on average, or enough more surely in the end.

    The sum of the chances day by day is the mean number of days on which the rule is met.
    """
    if not one or not other:
        return False
    days = float(np.sum(one) - np.sum(other))
    surer = 100.0 * (one[-1] - other[-1])
    if abs(surer) >= t.proof_gain_pct:
        return surer > 0.0
    return days >= t.proof_gain_days


def _proof(desk: _Desk, later: Seen, later_turns: Sequence[Act]) -> _Proof:
    proving = desk.asked.proving
    if proving is None or not proving.hours:
        return _Proof()
    return _Proof(
        _met(desk, proving, desk.turned, desk.turns(desk.hour)),
        _met(desk, proving, later, later_turns),
        _met(desk, proving, desk.left, desk.planned),
    )


def _met(desk: _Desk, proving: Proving, seen: Seen, turns: Sequence[Act]) -> tuple[float, ...]:
    """Return the chance that the rule is met by the end of each day ahead."""
    hours = [act.day * 24.0 for act in turns]
    met = met_days(proving, seen.hours, seen.core_c, seen.shell_c, hours)
    first = days_between(proving, desk.hour, proving.hours[0])
    return chance_by_day(met + first, round(desk.t.ahead_days) + 1)


ASKED: Final[tuple[Callable[[_Desk], Decision | None], ...]] = (
    _fire, _cure, _wet, _add, _cover, _combine, _build_up, _turn, _insulate,
)  # fmt: skip
"""What is asked of each heap, in the order in which one answer gives way to another."""

__all__ = [
    "CLASHES", "Amount", "Asked", "Chance", "Compared", "Decision", "DecisionFacts",
    "DecisionKind", "DryChoice", "Other", "Proving", "Seen", "Thresholds", "Verdict", "Way", "Why",
    "decide", "settled", "spread",
]  # fmt: skip
