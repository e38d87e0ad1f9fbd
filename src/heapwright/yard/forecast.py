"""What the heaps of the yard will do over the coming weeks, kept until something changes.

:func:`look` never waits: it returns the last known answer of each heap, says whether it still
holds, and has the others computed (:mod:`heapwright.yard.forecast_worker`). :func:`refresh`
computes one now. An answer holds while what it rests on is the same: the entries of the heap
and of all that went into it, readings, weather, places, materials, the day and the model itself.
A modelled temperature is never evidence of sanitation: nothing here is read by the proofs.
"""

from __future__ import annotations

import math
import statistics
import time as clock
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from django.core.cache import caches
from django.dispatch import Signal
from django.utils import timezone
from django.utils.translation import gettext_noop

from heapwright.data.outlook import outlook_figure
from heapwright.yard import decide, state
from heapwright.yard import weather as site_weather
from heapwright.yard.forecast_learned import have_learned, lessons
from heapwright.yard.forecast_marks import Marks, all_marks, digest_of, marks_of, model_version
from heapwright.yard.forecast_plan import told
from heapwright.yard.forecast_seen import observations
from heapwright.yard.forecast_told import Told, UntoldError
from heapwright.yard.forecast_worker import ROUTINE, URGENT, have_done
from heapwright.yard.models import (
    Kind,
    Lot,
    LotKind,
    Site,
    Stage,
)
from heapwright.yard.proofs import proofs_of, rule_for, spacing_days
from heapwright.yard.state import LotState
from heapwright.yard.yardstick import in_force

if TYPE_CHECKING:
    from heapwright.science.assimilate import Assimilated
    from heapwright.science.assimilate_prior import SitePrior
    from heapwright.science.assimilate_readings import Observation
    from heapwright.science.decide_asked import Decision
    from heapwright.science.pile_forecast import Forecast
    from heapwright.science.pile_weather import Weather
    from heapwright.yard.models import Origin

foreseen: Final = Signal()
"""Sent with ``lot``, ``outlook`` and ``now`` when an answer is there, before pages find it."""

SEED: Final = 1
FORESEEN: Final = (Stage.FILLING, Stage.HOT, Stage.CURING)
TURN_AT: Final = time(9)
_TOOK: Final = "took"
_TOOK_KEPT: Final = 25
_FIRST_GUESS_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class SetAside:
    """What was read and not used, what was expected in its place, and why."""

    seen: Observation
    expected: float
    spread: float
    why: str

    def in_words(self) -> str:
        """Return it in SI units, as a line for a terminal."""
        what, unit = next(
            (getattr(self.seen, name), unit)
            for name, unit in (("temp_c", "°C"), ("moisture_pct", "%"), ("height_m", "m"))
            if hasattr(self.seen, name)
        )
        point = getattr(self.seen, "point", "")
        where = f" at point {point}" if point else ""
        return (
            f"{what:.3g} {unit}{where} on day {self.seen.hour / 24.0:.1f}, expected "
            f"{self.expected:.3g}: {self.why}"
        )


@dataclass(frozen=True, slots=True)
class WeatherUsed:
    """Where the weather of a forecast came from: shares of the hours, until now and from now."""

    past: tuple[tuple[Origin, float], ...]
    ahead: tuple[tuple[Origin, float], ...]
    climate: str
    climate_assumed: bool


@dataclass(frozen=True, slots=True)
class Modelled:
    """What the model made of the records; ``ensemble`` is what doing and not doing go on from."""

    forecast: Forecast
    used: int = 0
    set_aside: tuple[SetAside, ...] = ()
    ensemble: Assimilated | None = None


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a heap will do, as foreseen at ``now``.

    ``turns`` are the turnings reckoned with, ``piles`` how many past piles of the site set the
    starting guess, ``decisions`` what to do with it that day.
    """

    lot: str
    now: datetime
    told: Told
    forecast: Forecast
    used: int
    set_aside: tuple[SetAside, ...]
    turns: tuple[datetime, ...]
    piles: int
    weather: WeatherUsed
    took_s: float
    decisions: tuple[Decision, ...] = ()

    @property
    def built(self) -> datetime:
        """When the heap was built."""
        return self.told.built

    @property
    def hour_now(self) -> float:
        """Hours from building until it was foreseen."""
        return self.told.hour(self.now)

    def at(self, when: datetime) -> int:
        """Return the index of the output nearest to a moment."""
        import numpy as np

        return int(np.abs(self.forecast.hours - self.told.hour(when)).argmin())

    def moment(self, hour: float) -> datetime:
        """Return the moment of an hour since building."""
        return self.built + timedelta(hours=float(hour))


@dataclass(frozen=True, slots=True)
class Kept:
    """An answer in the cache: what it rests on (``marks`` soon told, ``digest`` exactly)."""

    marks: Marks
    digest: str
    made_at: datetime
    answer: Outlook | UntoldError


@dataclass(frozen=True, slots=True)
class KeptEnsemble:
    """The ensemble behind an answer, to decide anew what to do without running it again."""

    digest: str
    ensemble: Assimilated


@dataclass(frozen=True, slots=True)
class KeptAdvice:
    """The decisions of an answer without their curves, small enough to be read for every page."""

    marks: Marks
    made_at: datetime
    decisions: tuple[Decision, ...]
    told: bool


@dataclass(frozen=True, slots=True)
class Advised:
    """What the forecast advises for a heap now.

    Where it is not ``fresh``, something has changed since (or there never was an answer): what
    it advised then is not told. ``made_at`` is the moment that it speaks of. Where the heap is
    ``told``, no decision means that none is worth the work; else nobody has looked.
    """

    decisions: tuple[Decision, ...]
    fresh: bool
    made_at: datetime | None = None
    told: bool = False


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a heap's future now.

    ``outlook`` is the last answer (None where there never was one), ``untold`` why there cannot
    be one; ``fresh``: nothing has changed since; ``usual_s`` how long a run usually takes.
    ``advice_fresh``: nor has anything that only the decisions rest on.
    """

    outlook: Outlook | None
    untold: UntoldError | None
    fresh: bool
    made_at: datetime | None
    usual_s: float
    advice_fresh: bool = True

    @property
    def pending(self) -> bool:
        """Whether a newer answer is to come."""
        return not self.fresh

    @property
    def advised(self) -> Advised:
        """What it advises, as :func:`advice` tells it."""
        fresh = self.fresh and self.advice_fresh
        told = fresh and self.outlook is not None
        decisions = self.outlook.decisions if told and self.outlook is not None else ()
        return Advised(decisions, fresh, self.made_at, told)


def look(
    lots: Collection[LotState], *, now: datetime | None = None, site: Site | None = None
) -> dict[int, Known]:
    """Return what is known of the heaps' future by lot, and have computed what is not.

    A dozen queries however many heaps stand, and none of the readings.

    Parameters
    ----------
    lots : collection of LotState
        Heaps that stand; those of other kinds are left out.
    now : datetime, optional
    site : Site, optional
        The site, where it was loaded already.
    """
    usual_s = usual()
    found = {}
    for one, there, unseen, fresh, sound in _looked(lots, _name, now, site):
        answer = unseen or (None if there is None else there.answer)
        found[one.id] = Known(
            outlook=answer if isinstance(answer, Outlook) else None,
            untold=answer if isinstance(answer, UntoldError) else None,
            fresh=fresh,
            made_at=None if there is None or unseen else there.made_at,
            usual_s=usual_s,
            advice_fresh=sound,
        )
    return found


def advice(
    lots: Collection[LotState],
    *,
    now: datetime | None = None,
    site: Site | None = None,
    standing: Collection[LotState] | None = None,
) -> dict[int, Advised]:
    """Return what the forecast advises for heaps by lot, and have computed what is not known.

    As :func:`look`, without the curves, so that it costs little however many heaps stand.
    ``standing`` is all that stands, where it was asked already.
    """
    return {
        one.id: Advised(
            there.decisions if there is not None and sound and unseen is None else (),
            sound,
            None if there is None else there.made_at,
            there is not None and sound and unseen is None and there.told,
        )
        for one, there, unseen, _fresh, sound in _looked(lots, _advice_name, now, site, standing)
    }


def _looked(
    lots: Collection[LotState],
    name: Callable[[int], str],
    now: datetime | None,
    site: Site | None,
    standing: Collection[LotState] | None = None,
) -> list[tuple[LotState, Any, UntoldError | None, bool, bool]]:
    """Return of each heap what is kept under a name, why it is not foreseen, whether it holds.

    The last two: whether the forecast holds, and whether what it advises does.
    """
    asked, now = now, now or timezone.now()
    heaps = [one for one in lots if one.kind == LotKind.PILE]
    if not heaps:
        return []
    taught = lessons(model_version(), now)
    marks = all_marks(heaps, now, taught, site, standing)
    kept: dict[str, Any] = caches["forecasts"].get_many([name(one.id) for one in heaps])
    found = []
    for one in heaps:
        there = kept.get(name(one.id))
        unseen = _unseen(one, now)
        if unseen is None and (there is None or there.marks != marks[one.id]):
            rank = URGENT if len(heaps) == 1 else ROUTINE
            have_done(_name(one.id), _refreshing(one.id, asked), rank=rank)
            there = caches["forecasts"].get(name(one.id)) or there
        holds = None if there is None else there.marks
        fresh = unseen is not None or (
            holds is not None and holds.forecast == marks[one.id].forecast
        )
        found.append((one, there, unseen, fresh, unseen is not None or holds == marks[one.id]))
    have_learned(taught, model_version())
    return found


def _refreshing(lot_id: int, now: datetime | None) -> Callable[[], None]:
    def work() -> None:
        refresh(lot_id, now=now)

    return work


def refresh(lot_id: int, *, now: datetime | None = None, anew: bool = False) -> Kept:
    """Return the answer of one heap that holds now, computed if what it rests on has changed.

    Where only what the decisions rest on has changed, only they are made anew.

    Parameters
    ----------
    lot_id : int
    now : datetime, optional
    anew : bool
        Compute it even if nothing has changed.
    """
    now = now or timezone.now()
    marks = all_marks(state.state_at(now, lot_ids=[lot_id]), now).get(lot_id)
    if marks is None:  # nothing of it is left
        mark = marks_of([lot_id], now)[lot_id]
        marks = Marks(mark, mark)
    there: Kept | None = caches["forecasts"].get(_name(lot_id))
    if there is not None and there.marks == marks and not anew:
        if not caches["forecasts"].has_key(_advice_name(lot_id)):
            _keep(lot_id, there)
        return there
    lot = Lot.objects.get(id=lot_id)
    made = _foreseen(lot, now, known=None if anew else there)
    digest, answer = made.digest, made.answer
    kept = Kept(marks, digest, now, answer)
    if made.ensemble is not None:
        caches["forecasts"].set(_ensemble_name(lot_id), made.ensemble, timeout=None)
    if isinstance(answer, Outlook):
        foreseen.send_robust(sender=Outlook, lot=lot, outlook=answer, now=now)
    _keep(lot_id, kept)
    return kept


def _keep(lot_id: int, kept: Kept) -> None:
    """Keep an answer, and apart from it what it advises."""
    told = isinstance(kept.answer, Outlook)
    decisions = kept.answer.decisions if isinstance(kept.answer, Outlook) else ()
    bare = tuple(replace(one, ways=()) for one in decisions)
    caches["forecasts"].set_many(
        {
            _name(lot_id): kept,
            _advice_name(lot_id): KeptAdvice(kept.marks, kept.made_at, bare, told),
        },
        timeout=None,
    )


def foresee(
    lot: Lot,
    *,
    now: datetime | None = None,
    known: Kept | None = None,
    days: float | None = None,
    members: int | None = None,
    seed: int = SEED,
    progress: Callable[[float], None] | None = None,
) -> tuple[str, Outlook | UntoldError]:
    """Return what a heap will do, with the digest of all that this rests on.

    Parameters
    ----------
    known : Kept, optional
        An answer that is taken again where it rests on just the same.
    days : float, optional
        How far ahead of now; the table's figure when left out.
    members : int, optional
        Size of the ensemble; the table's figure when left out.
    """
    made = _foreseen(
        lot, now or timezone.now(), known=known, days=days, members=members, seed=seed,
        progress=progress,
    )  # fmt: skip
    return made.digest, made.answer


@dataclass(frozen=True, slots=True)
class _Made:
    """An answer with its digest; the ``ensemble`` behind it where it was run."""

    digest: str
    answer: Outlook | UntoldError
    ensemble: KeptEnsemble | None = None


def _foreseen(
    lot: Lot,
    now: datetime,
    *,
    known: Kept | None = None,
    days: float | None = None,
    members: int | None = None,
    seed: int = SEED,
    progress: Callable[[float], None] | None = None,
) -> _Made:
    begun = clock.perf_counter()
    days = outlook_figure("ahead_days").value if days is None else days
    members = outlook_figure("members").count if members is None else members
    site = Site.load()
    try:
        standing = state.lot_state(lot.code, now)
        if standing is None:
            raise UntoldError(gettext_noop("nothing of it is left"))
        if (unseen := _unseen(standing, now)) is not None:
            raise unseen
        heap = told(lot, _weather())
        if (now - heap.built).days > outlook_figure("oldest_days").value:
            raise _too_old()
        turns = planned_turns(standing, now, days)
        length = math.ceil(heap.hour(now) / 24.0 + days)  # the same question for a day
        weather, origins = site_weather.hourly_for(heap.built, length * 24.0)
    except UntoldError as why:
        return _Made(digest_of(why.reason, sorted(why.values.items())), why)
    prior = lessons(model_version(), now).prior(heap.built)
    asked = decide.question(standing, now, site)
    run = digest_of(model_version(), heap, turns, weather, length, members, seed, prior)
    peers = [] if asked is None else _ids(asked.peers)
    digest = digest_of(run, asked, sorted(marks_of(peers, now, site=site).items()) if peers else [])
    if known is not None and known.digest == digest:
        return _Made(digest, known.answer)

    def decisions_of(ensemble: Assimilated | None) -> tuple[Decision, ...]:
        if asked is None or ensemble is None or days < decide.ahead_days():
            return ()
        return decide.decided(asked, standing, heap, ensemble, turns, now, site, _ensemble_of)

    ran: KeptEnsemble | None = None
    if known is not None and isinstance(known.answer, Outlook):
        ran = caches["forecasts"].get(_ensemble_name(lot.id))
    if ran is not None and ran.digest == run and isinstance(known.answer, Outlook):
        return _Made(digest, replace(known.answer, decisions=decisions_of(ran.ensemble)))
    made = model(
        heap, turns, weather,
        days=length, members=members, seed=seed, prior=prior, progress=progress,
    )  # fmt: skip
    decisions = decisions_of(made.ensemble)
    took_s = clock.perf_counter() - begun
    observe_took(took_s)
    past, ahead = _shares(origins, heap.hour(now))
    answer = Outlook(
        lot=lot.code,
        now=now,
        told=heap,
        forecast=made.forecast,
        used=made.used,
        set_aside=made.set_aside,
        turns=turns,
        piles=0 if prior is None else prior.piles,
        weather=WeatherUsed(past, ahead, origins.typical.climate.name, origins.typical.assumed),
        took_s=took_s,
        decisions=decisions,
    )
    kept = None if made.ensemble is None else KeptEnsemble(run, made.ensemble)
    return _Made(digest, answer, kept)


def _ids(codes: Collection[str]) -> list[int]:
    return list(Lot.objects.filter(code__in=codes).order_by("id").values_list("id", flat=True))


def _ensemble_of(lot: Lot, now: datetime) -> tuple[Told, Assimilated]:
    """Return another heap's records and its ensemble, without turnings to come."""
    heap = told(lot, _weather())
    days = heap.hour(now) / 24.0 + outlook_figure("ahead_days").value
    weather, _origins = site_weather.hourly_for(heap.built, days * 24.0)
    members = outlook_figure("members").count
    prior = lessons(model_version(), now).prior(heap.built)
    made = model(heap, (), weather, days=days, members=members, seed=SEED, prior=prior)
    assert made.ensemble is not None
    return heap, made.ensemble


def model(
    heap: Told,
    turns: Sequence[datetime],
    weather: Weather,
    *,
    days: float,
    members: int,
    seed: int,
    prior: SitePrior | None = None,
    progress: Callable[[float], None] | None = None,
) -> Modelled:
    """Run the model on what the records tell; the one place that chooses which."""
    from heapwright.data.pile import decay_classes, pile_parameters
    from heapwright.science.assimilate import assimilate
    from heapwright.science.pile_forecast import Act

    ahead = tuple(Act(heap.hour(when) / 24.0, "turned") for when in turns)
    plan = replace(heap.plan, acts=(*heap.plan.acts, *ahead))
    found = assimilate(
        plan,
        weather,
        pile_parameters(),
        decay_classes(),
        observations(heap),
        days=days,
        members=members,
        seed=seed,
        prior=prior,
        progress=progress,
    )
    return Modelled(
        found.forecast,
        len(found.used),
        tuple(
            SetAside(one.observation, one.expected, one.spread, one.reason)
            for one in found.set_aside
        ),
        found,
    )


def _weather() -> Callable[[datetime, float], Weather]:
    """Return the site's weather, each stretch asked for once."""

    @cache
    def weather_for(start: datetime, hours: float) -> Weather:
        return site_weather.hourly_for(start, hours)[0]

    return weather_for


def _shares(
    origins: site_weather.WeatherOrigins, hour_now: float
) -> tuple[tuple[tuple[Origin, float], ...], tuple[tuple[Origin, float], ...]]:
    """Return the shares of the weather's origins before and after now, by the temperatures."""
    hours: tuple[dict[Origin, float], dict[Origin, float]] = ({}, {})
    for span in origins.spans():
        first, last = (
            (moment - origins.starts_at).total_seconds() / 3600.0
            for moment in (span.starts_at, span.ends_at)
        )
        for side, length in (
            (0, min(last, hour_now) - first),
            (1, last - max(first, hour_now)),
        ):
            if length > 0.0:
                hours[side][span.origin] = hours[side].get(span.origin, 0.0) + length
    past, ahead = (
        tuple((origin, length / sum(one.values())) for origin, length in one.items())
        for one in hours
    )
    return past, ahead


def planned_turns(standing: LotState, now: datetime, days: float) -> tuple[datetime, ...]:
    """Return the turnings that the rule still asks of a hot heap, evenly spread from now on."""
    if standing.stage not in (Stage.HOT, Stage.FILLING):
        return ()
    site = Site.load()
    rule = rule_for(standing, in_force(now))
    needed = rule.turnings
    if standing.stage == Stage.HOT:
        proof = proofs_of([standing], site).get(standing.id)
        if proof is None or proof.verdict == "met":
            return ()
        needed = proof.turnings_left
    if needed <= 0 or not rule.turnings:
        return ()
    apart = timedelta(days=spacing_days(rule))
    turned = standing.last.get(Kind.TURN, standing.begun_at).astimezone(site.tz).date()
    day = max(turned + apart, now.astimezone(site.tz).date())
    found = []
    while len(found) < needed:
        when = datetime.combine(day, TURN_AT, tzinfo=site.tz)
        if when <= now:
            day += timedelta(days=1)
            continue
        if when > now + timedelta(days=days):
            break
        found.append(when)
        day += apart
    return tuple(found)


# What is not foreseen


def _unseen(one: LotState, now: datetime) -> UntoldError | None:
    if one.stage not in FORESEEN:
        return UntoldError(gettext_noop("a heap that is ready is not foreseen"))
    if (now - one.begun_at).days > outlook_figure("oldest_days").value:
        return _too_old()
    return None


def _too_old() -> UntoldError:
    return UntoldError(
        gettext_noop("it is older than %(days)s days, too old for the model to tell"),
        days=f"{outlook_figure('oldest_days').value:.0f}",
    )


# Where an answer is kept


def _name(lot_id: int) -> str:
    # by version: an answer of another one may not even be readable by this one
    return f"outlook-{model_version()}-{lot_id}"


def _advice_name(lot_id: int) -> str:
    return f"advice-{model_version()}-{lot_id}"


def _ensemble_name(lot_id: int) -> str:
    return f"ensemble-{model_version()}-{lot_id}"


# How long it takes


def usual() -> float:
    """Return how many seconds a run usually takes, by the last ones on this machine."""
    took: list[float] = caches["forecasts"].get(_TOOK, [])
    return statistics.median(took) if took else _FIRST_GUESS_S


def observe_took(seconds: float) -> None:
    """Note how long a run took, for :func:`usual`."""
    took: list[float] = caches["forecasts"].get(_TOOK, [])
    caches["forecasts"].set(_TOOK, [*took, seconds][-_TOOK_KEPT:], timeout=None)
