"""A heap of which it is asked what to do, the figures that decide, and what is answered."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from heapwright.science.assimilate import Assimilated
from heapwright.science.decide_proof import Proving
from heapwright.science.decide_ways import Compared, Way
from heapwright.science.heap_shape import HeapShape
from heapwright.science.ingredients import Ingredient
from heapwright.science.pile_forecast import Act
from heapwright.science.pile_state import Cover, PileState
from heapwright.science.water import DryMaterial, MoistureLimits, WaterFacts

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
