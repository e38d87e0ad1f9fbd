"""What a heap's own records ask of the decisions of the day, and their answer.

:func:`question` gathers it in plain records, so that an answer is known to hold while they stay
the same; :func:`decided` runs it (:mod:`heapwright.science.decide`) in the same background run as
the forecast. Chances of proof come from readings that the model makes up: they help to choose,
and no verdict sees them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Final

from heapwright.data import water
from heapwright.data.decisions import decision_facts
from heapwright.data.sanitation import rules, terms
from heapwright.errors import InputError, NotMeasuredError
from heapwright.files.log import zone_clock
from heapwright.science.daily import Log
from heapwright.science.periods import Stated
from heapwright.science.rules import Rule
from heapwright.yard import materials, prove, state
from heapwright.yard.forecast_parts import completed
from heapwright.yard.forecast_told import Told, UntoldError
from heapwright.yard.heap_shape import WALLED, height_limit_m, pile_cover
from heapwright.yard.models import Cover, Lot, LotKind, Site, Stage
from heapwright.yard.proofs import in_vessel, proofs_of, spacing_days
from heapwright.yard.state import DayTemp, LotState
from heapwright.yard.yardstick import in_force

if TYPE_CHECKING:
    from heapwright.science.assimilate import Assimilated
    from heapwright.science.decide_asked import Decision, DryChoice, Other
    from heapwright.science.decide_proof import Proving
    from heapwright.science.heap_shape import HeapShape

ASKED: Final = (Stage.FILLING, Stage.HOT, Stage.CURING)
RAW: Final = (Stage.FILLING, Stage.HOT)
READ_AT: Final = time(8)
"""When the readings to come are taken, by the site's clock: before anything is turned."""

SOON: Final = timedelta(minutes=30)
"""When a heap that was not read today may yet be read."""

FRESH_DAYS: Final = 1
PEERS: Final = 2
"""So many other heaps are tried with this one; more rarely stand small and cold."""

USUAL_DRY: Final = "wood_chips"
ROUND_KG: Final = 10.0
_ROLES: Final = ("woody", "brown")

EnsembleOf = Callable[[Lot, datetime], tuple[Told, "Assimilated"]]
"""A heap's records and its corrected ensemble, foreseen a little beyond a moment."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a heap, beside its own records that the forecast rests on.

    ``read_c`` is the highest of the last round where it is fresh. ``dry`` is what would be
    turned in, with what is on hand of it; ``peers`` are other heaps as small and as cold.
    """

    lot: str
    stage: str
    cover: str
    turns_needed: int
    apart_days: float
    proof_met: bool
    proof_days: int
    rule: str
    stated: Stated
    read_c: float | None
    read_today: bool
    dry: str
    dry_kg: float
    peers: tuple[str, ...]
    holds_m3: float | None


def ahead_days() -> float:
    """Return how many days have to be foreseen for anything to be decided."""
    return decision_facts().thresholds.ahead_days


def question(standing: LotState, now: datetime, site: Site) -> Question | None:
    """Return what is asked of a heap that stands; None where there is nothing to decide."""
    if standing.stage not in ASKED or standing.kind != LotKind.PILE:
        return None
    yardstick = in_force(now)
    rule = yardstick.rule(vessel=in_vessel(standing))
    stated = yardstick.stated(rule, vessel=in_vessel(standing), assume=True)
    proof = proofs_of([standing], site, yardstick).get(standing.id)
    met = proof is not None and proof.verdict == "met"
    temps = state.day_temps([standing.id], now).get(standing.id)
    today = now.astimezone(site.tz).date()
    fresh = temps is not None and (today - temps.day).days <= FRESH_DAYS
    needed = 0
    if proof is not None and not met and standing.stage == Stage.HOT and rule.turnings:
        needed = proof.turnings_left
    dry, dry_kg = ("", 0.0)
    if standing.stage in RAW:
        dry, dry_kg = _dry_on_hand(state.state_at(now), now)
    return Question(
        lot=standing.code,
        stage=standing.stage,
        cover=standing.cover or Cover.OPEN,
        turns_needed=needed,
        apart_days=float(spacing_days(rule)) if rule.turnings else 1.0,
        proof_met=met,
        proof_days=0 if proof is None or met else proof.days_credited,
        rule=rule.id,
        stated=stated,
        read_c=temps.highest_c if temps is not None and fresh else None,
        read_today=temps is not None and temps.day == today,
        dry=dry,
        dry_kg=dry_kg,
        peers=_peers(standing, temps, now, site),
        holds_m3=_holds_m3(standing),
    )


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What the question of a heap takes from the rest of the yard, soon told.

    ``dry`` is the dry material on hand, ``peers`` the lots of other heaps that may be put
    together with this one: what is written about those counts too.
    """

    dry: tuple[str, float] = ("", 0.0)
    peers: tuple[int, ...] = ()


def elsewhere(
    heaps: Collection[LotState], now: datetime, standing: Collection[LotState] | None = None
) -> dict[int, Elsewhere]:
    """Return for each heap what its question takes from elsewhere: nothing where it cures.

    As quick as the state of what stands. :func:`question` is the same while this is, and the
    records of the heap and of its peers are.

    Parameters
    ----------
    heaps : collection of LotState
    now : datetime
    standing : collection of LotState, optional
        All that stands, where it was asked already.
    """
    found = {one.id: Elsewhere() for one in heaps}
    raw = [one for one in heaps if one.kind == LotKind.PILE and one.stage in RAW]
    if not raw:
        return found
    standing = state.state_at(now) if standing is None else standing
    dry = _dry_on_hand(standing, now)
    small = [one.id for one in standing if _is_small_and_raw(one)]
    for one in raw:
        peers = [each for each in small if each != one.id] if _is_small_and_raw(one) else []
        found[one.id] = Elsewhere(dry, tuple(peers))
    return found


def decided(
    asked: Question,
    standing: LotState,
    heap: Told,
    ensemble: Assimilated,
    turns: tuple[datetime, ...],
    now: datetime,
    site: Site,
    ensemble_of: EnsembleOf,
) -> tuple[Decision, ...]:
    """Return what to do with a heap today.

    Parameters
    ----------
    asked : Question
    standing : LotState
    heap : Told
        Its records as the model takes them.
    ensemble : Assimilated
        Foreseen from them.
    turns : tuple of datetime
        The turnings reckoned with.
    now : datetime
    site : Site
    ensemble_of : callable
        Gives another heap's ensemble.
    """
    from heapwright.science.decide import decide
    from heapwright.science.decide_asked import Asked
    from heapwright.science.pile_forecast import Act

    hour = heap.hour(now)
    shape = heap.shape_at(hour)
    return decide(
        Asked(
            ensemble=ensemble,
            now_hour=hour,
            done=heap.plan.acts,
            planned=tuple(Act(heap.hour(when) / 24.0, "turned") for when in turns),
            stage=asked.stage,  # type: ignore[arg-type]  # one of ASKED
            shape=shape,
            cover=pile_cover(asked.cover, shape),
            tarp=pile_cover(Cover.TARP, shape) if asked.cover == Cover.OPEN else None,
            turns_needed=asked.turns_needed,
            apart_days=asked.apart_days,
            proof_met=asked.proof_met,
            proof_days=asked.proof_days,
            proving=_proving(asked, standing, heap, shape, now, site),
            read_c=asked.read_c,
            dry=_dry_choice(asked, now),
            others=_others(asked, now, ensemble_of),
            holds_m3=asked.holds_m3,
        ),
        decision_facts(),
    )


# What it would be worth to turn in


def _dry_on_hand(standing: Collection[LotState], now: datetime) -> tuple[str, float]:
    """Return the dry material on hand that gives most room for air, and about how much there is.

    Chips before leaves and straw; of these the one of which most is there.
    """
    library = materials.library(now)
    there: dict[str, float] = defaultdict(float)
    for lot in standing:
        if lot.kind not in (LotKind.STOCK, LotKind.OVERS):
            continue
        material_id = "compost_overs" if lot.kind == LotKind.OVERS else lot.material_id
        there[material_id] += lot.mass_kg
    least_kg = decision_facts().thresholds.least_dry_kg
    found = [
        (_ROLES.index(role), -kg, one)
        for one, kg in there.items()
        if one in water.absorbencies()
        and kg >= least_kg
        and (material := library.get(one)) is not None
        and material.moisture_pct is not None
        and (role := materials.role(material)) in _ROLES
    ]
    if not found:
        return USUAL_DRY, 0.0
    _role, less_kg, name = min(found)
    return name, round(-less_kg / ROUND_KG) * ROUND_KG


def _dry_choice(asked: Question, now: datetime) -> DryChoice | None:
    from heapwright.science.decide_asked import DryChoice
    from heapwright.science.water import DryMaterial

    if not asked.dry:
        return None
    material = materials.library(now)[asked.dry]
    assert material.moisture_pct is not None
    try:
        ingredient, _assumed = completed(material)
    except NotMeasuredError:
        return None
    return DryChoice(
        DryMaterial(
            material.name,
            material.moisture_pct.typical,
            ingredient.bulk_density_kg_m3.typical,
            water.absorbencies()[asked.dry].kg_kg_dry,
        ),
        ingredient,
        asked.dry_kg,
    )


# Heaps too small to heat


def _is_small_and_cold(one: LotState, temps: DayTemp | None, proof_days: int) -> bool:
    cold = temps is not None and temps.highest_c < decision_facts().cooled_c
    return _is_small_and_raw(one) and cold and not proof_days


def _is_small_and_raw(one: LotState) -> bool:
    small = one.volume_m3 is not None and one.volume_m3 < decision_facts().thresholds.small_m3
    return small and one.kind == LotKind.PILE and one.stage in RAW


def _peers(standing: LotState, temps: DayTemp | None, now: datetime, site: Site) -> tuple[str, ...]:
    """Return other heaps that are small and cold too, where this one is."""
    if not _is_small_and_cold(standing, temps, 0):
        return ()
    others = [
        one for one in state.state_at(now) if _is_small_and_raw(one) and one.id != standing.id
    ]
    read = state.day_temps([one.id for one in others], now)
    others = [one for one in others if _is_small_and_cold(one, read.get(one.id), 0)]
    proofs = proofs_of([standing, *others], site)

    def days(one: LotState) -> int:
        return proofs[one.id].days_credited if one.id in proofs else 0

    if days(standing):
        return ()
    return tuple([one.code for one in others if not days(one)][:PEERS])


def _others(asked: Question, now: datetime, ensemble_of: EnsembleOf) -> tuple[Other, ...]:
    import numpy as np

    from heapwright.science.decide_asked import Other
    from heapwright.science.decide_ways import runner, standing
    from heapwright.science.pile import HOT_C

    found = []
    for code in asked.peers:
        try:
            heap, ensemble = ensemble_of(Lot.objects.get(code=code), now)
        except (UntoldError, InputError):
            continue  # what its records do not tell cannot be put together with anything
        done, hour = heap.plan.acts, heap.hour(now)
        alone = runner(ensemble, done, hour, ahead_days())((), ())
        hot = np.mean(alone.core_c.max(axis=0) >= HOT_C)
        found.append(Other(code, standing(ensemble, done, hour).end, float(hot)))
    return tuple(found)


def _holds_m3(standing: LotState) -> float | None:
    place = standing.place
    if place is None or place.kind not in WALLED:
        return None
    return float(place.width_m * place.depth_m * height_limit_m(place))


# The rule


def _proving(
    asked: Question,
    standing: LotState,
    heap: Told,
    shape: HeapShape,
    now: datetime,
    site: Site,
) -> Proving | None:
    """Return the log so far and how it goes on; None where no chance can be told from it."""
    from heapwright.science.decide_proof import Proving, can_be_told, in_short

    rule = rules()[asked.rule]
    if standing.stage != Stage.HOT or asked.proof_met or not can_be_told(rule):
        return None
    logs = prove.lot_logs(Lot.objects.get(id=standing.id), now)
    if len(logs) != 1 or logs[0].opened is not None:
        return None  # several logs, or one that began before the records, are not one run
    hours = _read_hours(asked, heap, now, site)
    built_s = int(heap.built.timestamp())
    log = in_short(logs[0].log)
    clock = zone_clock(site.zone, built_s, built_s + round(hours[-1] * 3600.0))
    log = Log(log.readings, log.acts, clock)
    return Proving(
        log, rule, asked.stated, terms(), built_s, _points(log, rule, shape), hours
    )  # fmt: skip


def _read_hours(asked: Question, heap: Told, now: datetime, site: Site) -> tuple[float, ...]:
    """Return the hours since building at which it is read in the days ahead."""
    local = now.astimezone(site.tz)
    days = round(ahead_days())
    found = []
    for ahead in range(days + 1):
        when = datetime.combine(local.date() + timedelta(days=ahead), READ_AT, tzinfo=site.tz)
        if ahead == 0 and when <= now + SOON:
            if asked.read_today:
                continue
            when = now + SOON
        found.append(heap.hour(when))
    return tuple(found)


def _points(log: Log, rule: Rule, shape: HeapShape) -> tuple[object, ...]:
    """Return the points that the log goes on reading, with the core's share in each."""
    from heapwright.data.pile import pile_parameters
    from heapwright.science.assimilate_readings import Temperature, weights
    from heapwright.science.decide_proof import ReadPoint, points_of

    boxed = shape.shape in ("bay", "vessel")
    shell_m = pile_parameters()["shell_box_m" if boxed else "shell_free_m"].typical
    named = points_of(log)
    if not named:
        depth = None
        if rule.depth_low_cm is not None and rule.depth_high_cm is not None:
            depth = (rule.depth_low_cm + rule.depth_high_cm) / 2.0
        named = (("core", depth),)
    found = []
    for name, depth in named:
        core, shell, _air, _steep = weights(
            Temperature(0.0, 0.0, name, depth_cm=depth), shape, shell_m
        )
        found.append(ReadPoint(name, core / (core + shell), depth))
    return tuple(found)
