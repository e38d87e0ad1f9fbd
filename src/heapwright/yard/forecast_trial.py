"""What a pile that is not built yet would do: heat, the chance of meeting a rule, the least size.

The readings that a rule asks for are taken from every member of the ensemble and judged by the
same evaluator that judges logs. What comes out is a chance, not a proof: a proof rests on the
readings of the pile that is built.
"""

from __future__ import annotations

import math
import time as clock
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Final

from django.core.cache import caches

from heapwright.data.outlook import outlook_figure
from heapwright.data.sanitation import terms
from heapwright.errors import InputError
from heapwright.science.daily import Act as LogAct
from heapwright.science.daily import Log, Readings
from heapwright.science.decide_proof import read_at
from heapwright.science.mixing import Part, water_to_add_kg
from heapwright.science.periods import Stated
from heapwright.science.rules import Rule
from heapwright.science.sanitation import evaluate
from heapwright.yard import weather as site_weather
from heapwright.yard.forecast import SEED, observe_took
from heapwright.yard.forecast_learned import lessons
from heapwright.yard.forecast_marks import digest_of, model_version
from heapwright.yard.forecast_worker import URGENT, have_done, worker
from heapwright.yard.heap_shape import pile_cover, shape_in
from heapwright.yard.models import Place, Site
from heapwright.yard.proofs import spacing_days
from heapwright.yard.yardstick import in_force

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from heapwright.science.assimilate_prior import SitePrior
    from heapwright.science.pile import Run
    from heapwright.science.pile_forecast import Forecast, PilePlan
    from heapwright.science.pile_weather import Weather

    Array = npt.NDArray[np.float64]

READ_AT: Final = time(9)
"""When the readings of a day are taken, by the site's clock."""

WAIT_S: Final = 0.9
"""A page waits so long for its answer before it is shown as being computed."""

_DAY_S: Final = 86_400


@dataclass(frozen=True, slots=True)
class Trial:
    """A pile to try: what it is made of, how much of it, where, and what is done to it.

    ``turn_days`` count from building; None turns it as often as the rule asks, once it is hot.
    ``rule`` is the one that its chance is told of (None
    where no log can show one).
    """

    place: Place
    parts: tuple[Part, ...]
    volume_m3: float
    cover: str
    begins: datetime
    turn_days: tuple[float, ...] | None
    rule: Rule | None
    stated: Stated

    @property
    def height_m(self) -> float:
        """How high it stands."""
        return shape_in(self.place, self.volume_m3).height_m

    def times(self, factor: float) -> Trial:
        """Return the same mix in another amount."""
        parts = tuple(Part(part.ingredient, part.mass_kg * factor) for part in self.parts)
        return replace(self, parts=parts, volume_m3=self.volume_m3 * factor)

    @property
    def moisture_pct(self) -> float:
        """Moisture at the typical figures of its materials."""
        water = sum(part.mass_kg * part.ingredient.moisture_pct.typical for part in self.parts)
        return water / sum(part.mass_kg for part in self.parts)

    @property
    def driest_pct(self) -> float:
        """Moisture without the water that was to be added."""
        return replace(self, parts=self._solid()).moisture_pct

    def wetted_to(self, moisture_pct: float) -> Trial:
        """Return it with so much water added, or left out, that it has this moisture.

        Raises
        ------
        InputError
            If its materials are wetter than that by themselves, or it is no moisture.
        """
        solid = self._solid()
        dry = replace(self, parts=solid)
        if not 0.0 < moisture_pct < 100.0 or moisture_pct < dry.moisture_pct - 0.05:
            raise InputError(
                f"the materials alone have {dry.moisture_pct:.0f} % of water; drier than that "
                "asks for drier materials"
            )
        mass_kg = sum(part.mass_kg for part in solid)
        more_kg = water_to_add_kg(mass_kg, dry.moisture_pct, moisture_pct)
        from heapwright.data.mixing import water

        return replace(self, parts=(*solid, Part(water(), more_kg)) if more_kg > 0 else solid)

    def _solid(self) -> tuple[Part, ...]:
        return tuple(part for part in self.parts if not part.ingredient.is_water)


@dataclass(frozen=True, slots=True)
class Tried:
    """What a pile would do.

    ``met_by`` has the chance that the rule is met by the end of each day from building on
    (empty where no log can show the rule), ``hot_by`` that the core has reached 55 °C;
    ``turn_days`` are the turnings reckoned with.
    """

    forecast: Forecast
    met_by: tuple[float, ...]
    hot_by: tuple[float, ...]
    turn_days: tuple[float, ...]
    took_s: float


@dataclass(frozen=True, slots=True)
class Size:
    """A size that was tried, with its chances of heating and of meeting the rule."""

    volume_m3: float
    height_m: float
    hot: float
    met: float | None


def of_mix(
    place: Place,
    parts: tuple[Part, ...],
    volume_m3: float,
    *,
    cover: str = "",
    turn_days: tuple[float, ...] | None = None,
    now: datetime,
) -> Trial:
    """Return the trial of a mix at a place, begun at the full hour before ``now``."""
    yardstick = in_force()
    vessel = place.kind == "vessel"
    rule = yardstick.rule(vessel=vessel)
    return Trial(
        place=place,
        parts=parts,
        volume_m3=volume_m3,
        cover=cover or place.cover,
        begins=now.replace(minute=0, second=0, microsecond=0).astimezone(UTC),
        turn_days=turn_days,
        rule=rule if rule.judged_by != "nothing in a log" else None,
        stated=yardstick.stated(rule, vessel=vessel),
    )


def changed(trial: Trial, *, cover: str, turn_days: tuple[float, ...] | None) -> Trial:
    """Return a trial under another cover and turned on other days."""
    return replace(trial, cover=cover, turn_days=turn_days)


def usual_turns(rule: Rule, first_hot_day: float) -> tuple[float, ...]:
    """Return the days on which a pile is turned as often as a rule asks, the first one hot.

    Parameters
    ----------
    first_hot_day : float
        When it is hot; infinite where it never is, and then it is turned from the start.
    """
    if not rule.turnings:
        return ()
    apart = spacing_days(rule) if rule.days else outlook_figure("turn_days").value
    hot = math.ceil(first_hot_day) if math.isfinite(first_hot_day) else 0
    return tuple(float(hot + apart * (number + 1)) for number in range(rule.turnings))


# Running


def tried(
    trial: Trial,
    *,
    members: int | None = None,
    days: float | None = None,
    seed: int = SEED,
    weather: Weather | None = None,
    prior: SitePrior | None = None,
) -> Tried:
    """Run a trial now.

    Raises
    ------
    InputError
        If it holds no solids or is no pile that can be.
    """
    import numpy as np

    from heapwright.data.pile import decay_classes, pile_parameters
    from heapwright.science.assimilate_prior import with_prior
    from heapwright.science.assimilate_vector import Members
    from heapwright.science.pile import HOT_C, OUTPUT_HOURS, simulate
    from heapwright.science.pile_forecast import begun, drawn, events_of, told

    began = clock.perf_counter()
    members = outlook_figure("members").count if members is None else members
    days = outlook_figure("mix_days").value if days is None else days
    if weather is None:
        weather = site_weather.hourly_for(trial.begins, days * 24.0)[0]
    facts, classes = pile_parameters(), decay_classes()

    def run_of(one: Trial, size: int) -> tuple[Run, PilePlan]:
        plan = plan_of(one, weather, days)
        parameters, recipe, added = drawn(plan, facts, classes, members=size, seed=seed)
        moved = with_prior(Members(parameters, recipe), facts, prior, plan.shape)
        parameters, recipe = moved.parameters, moved.recipe
        events = events_of(
            plan.acts, parameters, added, facts, classes,
            until=days * 24.0, every_h=OUTPUT_HOURS, seed=seed, members=(0, size),
        )  # fmt: skip
        pile = begun(plan, parameters, recipe)
        return simulate(pile, parameters, weather, hours=days * 24.0, events=events), plan

    if trial.turn_days is None:
        unturned, _plan = run_of(replace(trial, turn_days=()), min(members, FEW))
        hot_day = float(np.median(unturned.first_day_at(HOT_C)))
        turns = usual_turns(trial.rule, hot_day) if trial.rule is not None else ()
        trial = replace(trial, turn_days=tuple(day for day in turns if day <= days))
    run, plan = run_of(trial, members)
    first = run.first_day_at(HOT_C)
    whole = range(1, int(days) + 1)
    met = _met_days(trial, run, plan)
    return Tried(
        forecast=told([run], members),
        met_by=tuple(float((met <= day).mean()) for day in whole) if met is not None else (),
        hot_by=tuple(float((first <= day).mean()) for day in whole),
        turn_days=trial.turn_days or (),
        took_s=clock.perf_counter() - began,
    )


FEW: Final = 40
"""Members that tell when a pile is hot, for planning its turnings."""


def plan_of(trial: Trial, weather: Weather, days: float) -> PilePlan:
    """Return a trial as the model takes it."""
    from heapwright.science.pile_forecast import Act, PilePlan

    shape = shape_in(trial.place, trial.volume_m3)
    return PilePlan(
        shape=shape,
        parts=trial.parts,
        cover=pile_cover(trial.cover, shape),
        start_temp_c=float(weather.temp_c[:24].mean()),
        acts=tuple(Act(day, "turned") for day in trial.turn_days or () if day <= days),
    )


def _met_days(trial: Trial, run: Run, plan: PilePlan) -> Array | None:
    """Return the day on which each member's readings meet the rule, infinite where they never do.

    A reading a day at nine (for a rule that asks for an unbroken time, as often as it asks), in
    the core, at the depth that the rule names where it names one; where it asks for all of the
    material, at the edge and at the base too, for which the outer zone stands.
    """
    import numpy as np

    rule = trial.rule
    if rule is None:
        return None
    site = Site.load()
    begins_s = int(trial.begins.timestamp())
    hours = _reading_hours(rule, trial.begins, float(run.hours[-1]), site)
    core_share = _core_share(rule, plan)
    names = ("core", "edge", "base") if rule.all_zones else ("core",)
    time_s = begins_s + np.round(hours * 3600.0).astype(np.int64)
    acts = (
        LogAct(begins_s, "built"),
        *(LogAct(begins_s + round(day * _DAY_S), "turned") for day in trial.turn_days or ()),
    )
    from heapwright.files.log import zone_clock

    log_clock = zone_clock(site.zone, begins_s, int(time_s[-1]))
    built_day = log_clock.day(begins_s)
    met = np.full(run.core_temp_c.shape[1], np.inf)
    turns = [day * 24.0 for day in trial.turn_days or ()]
    core, shell = (
        read_at(hours, run.hours, zone, turns) for zone in (run.core_temp_c, run.shell_temp_c)
    )
    inner = core_share * core + (1.0 - core_share) * shell
    for member in range(len(met)):
        columns = [zone[:, member] for zone in (inner, shell, shell)[: len(names)]]
        log = Log(
            readings=Readings(
                time_s=np.repeat(time_s, len(names)),
                point=np.tile(np.arange(len(names)), len(time_s)),
                temp_c=np.stack(columns, axis=1).ravel(),
                depth_cm=_depths(rule, len(time_s) * len(names)),
                points=names,
            ),
            acts=tuple(sorted(acts, key=lambda act: act.time_s)),
            clock=log_clock,
        )
        proof = evaluate(log, (rule,), trial.stated, terms())[0]
        if proof.verdict == "met" and proof.met_at is not None:
            met[member] = proof.met_at.toordinal() - _EPOCH_ORDINAL - built_day
    return met


_EPOCH_ORDINAL: Final = datetime(1970, 1, 1).toordinal()


def _reading_hours(rule: Rule, begins: datetime, last_h: float, site: Site) -> Array:
    import numpy as np

    if rule.judged_by == "hold":
        return np.arange(0.5, last_h, max(rule.max_gap_min, 5.0) / 60.0)
    day = begins.astimezone(site.tz).date()
    hours = []
    while True:
        day += timedelta(days=1)
        when = datetime.combine(day, READ_AT, tzinfo=site.tz)
        hour = (when - begins).total_seconds() / 3600.0
        if hour > last_h:
            return np.array(hours)
        hours.append(hour)


def _depth_cm(rule: Rule) -> float | None:
    if rule.depth_low_cm is None or rule.depth_high_cm is None:
        return None
    return (rule.depth_low_cm + rule.depth_high_cm) / 2.0


def _depths(rule: Rule, count: int) -> Array | None:
    import numpy as np

    depth_cm = _depth_cm(rule)
    return None if depth_cm is None else np.full(count, depth_cm)


def _core_share(rule: Rule, plan: PilePlan) -> float:
    """Return how much of a reading at the rule's depth is the core's."""
    from heapwright.data.pile import pile_parameters
    from heapwright.science.assimilate_readings import Temperature, weights

    depth_cm = _depth_cm(rule)
    if depth_cm is None:
        return 1.0
    boxed = plan.shape.shape in ("bay", "vessel")
    shell_m = pile_parameters()["shell_box_m" if boxed else "shell_free_m"].typical
    return weights(Temperature(0.0, 0.0, depth_cm=depth_cm), plan.shape, shell_m)[0]


def sizes(
    trial: Trial, most_m3: float | None, *, prior: SitePrior | None = None
) -> tuple[Size, ...]:
    """Try smaller and larger amounts of the same mix at the same place, the smallest first.

    Parameters
    ----------
    most_m3 : float or None
        What the place holds.
    """
    import numpy as np

    days = outlook_figure("mix_days").value
    weather = site_weather.hourly_for(trial.begins, days * 24.0)[0]
    ground_m2 = trial.volume_m3 / trial.height_m
    least = min(outlook_figure("trial_low_m").value * ground_m2, trial.volume_m3)
    most = max(most_m3 or trial.volume_m3, trial.volume_m3)
    found = []
    for volume_m3 in np.linspace(least, most, outlook_figure("trial_steps").count):
        one = trial.times(float(volume_m3) / trial.volume_m3)
        members = outlook_figure("trial_members").count
        answer = tried(one, members=members, weather=weather, prior=prior)
        found.append(
            Size(
                one.volume_m3,
                one.height_m,
                answer.hot_by[-1],
                answer.met_by[-1] if answer.met_by else None,
            )
        )
    return tuple(found)


def smallest(found: Sequence[Size], chance: Callable[[Size], float | None]) -> Size | None:
    """Return the smallest size from which on all larger ones likely do it, None where none does.

    Parameters
    ----------
    found : sequence of Size
        The smallest first.
    chance : callable
        What a size's chance is of; the table's figure says what is enough.
    """
    enough = outlook_figure("trial_chance_pct").value / 100.0
    best = None
    for one in reversed(found):
        if (chance(one) or 0.0) < enough:
            break
        best = one
    return best


# Asking, from a page


@dataclass(frozen=True, slots=True)
class Asked:
    """An answer to a page's question: None while it is being computed."""

    tried: Tried | None
    sizes: tuple[Size, ...] | None
    fault: str = ""

    @property
    def pending(self) -> bool:
        """Whether something is still to come."""
        return not self.fault and (self.tried is None or self.sizes is None)


def ask(trial: Trial, *, members: int | None = None, most_m3: float | None = None) -> Asked:
    """Return what is known of a trial; the rest is computed, and waited for a moment only."""
    days = outlook_figure("mix_days").value
    weather, _origins = site_weather.hourly_for(trial.begins, days * 24.0)
    place, prior = trial.place, lessons(model_version()).prior(trial.begins)
    about = (
        model_version(),
        (place.kind, place.width_m, place.depth_m, place.height_m, place.cover),
        trial.parts, trial.volume_m3, trial.cover, trial.begins, trial.turn_days,
        trial.rule, trial.stated, weather, prior,
    )  # fmt: skip
    first = f"trial-{digest_of(about, members)}"
    second = f"sizes-{digest_of(about, most_m3)}"
    curve = _have(
        first, lambda: tried(trial, members=members, weather=weather, prior=prior), wait_s=WAIT_S
    )
    if isinstance(curve, str):
        return Asked(None, None, curve)
    found = (
        None
        if curve is None
        else _have(second, lambda: sizes(trial, most_m3, prior=prior), wait_s=0.0)
    )
    if isinstance(found, str):
        return Asked(curve, None, found)
    return Asked(curve, found)


KEPT_S: Final = 2 * 60 * 60


def _have(name: str, work: Callable[[], Any], *, wait_s: float) -> Any:
    """Return a kept answer or have it computed; None while it is not there yet.

    What the model refuses is kept as its message.
    """
    cache = caches["forecasts"]
    there = cache.get(name)
    if there is not None:
        return there

    def compute() -> None:
        try:
            answer = work()
        except InputError as error:
            answer = error.message
        if isinstance(answer, Tried):
            observe_took(answer.took_s)
        cache.set(name, answer, timeout=KEPT_S)

    have_done(name, compute, rank=URGENT)
    if wait_s:
        worker.wait(name, wait_s)
    return cache.get(name)
