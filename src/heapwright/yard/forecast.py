"""What the heaps of the yard will do over the coming weeks, kept until something changes.

:func:`look` never waits: it returns the last known answer of each heap, says whether it still
holds, and has the others computed (:mod:`heapwright.yard.forecast_worker`). :func:`refresh`
computes one now. An answer holds while what it rests on is the same: the entries of the heap
and of all that went into it, readings, weather, places, materials, the day and the model itself.
A modelled temperature is never evidence of sanitation: nothing here is read by the proofs.
"""

from __future__ import annotations

import hashlib
import math
import statistics
import time as clock
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from django.core.cache import caches
from django.db.models import Count, Max
from django.dispatch import Signal
from django.utils import timezone
from django.utils.translation import gettext_noop

import heapwright
from heapwright.data.outlook import outlook_figure
from heapwright.yard import decide, ledger, state
from heapwright.yard import weather as site_weather
from heapwright.yard.forecast_learned import Lessons, have_learned, lessons
from heapwright.yard.forecast_plan import Told, UntoldError, told
from heapwright.yard.forecast_seen import observations
from heapwright.yard.forecast_worker import ROUTINE, URGENT, have_done
from heapwright.yard.models import (
    Entry,
    Flow,
    Kind,
    Lot,
    LotKind,
    OwnMaterial,
    Place,
    Site,
    Stage,
    WeatherRow,
)
from heapwright.yard.models.weather import WeatherSettings
from heapwright.yard.proofs import proofs_of, rule_for, spacing_days
from heapwright.yard.state import LotState
from heapwright.yard.yardstick import in_force

if TYPE_CHECKING:
    from heapwright.science.assimilate import Assimilated
    from heapwright.science.assimilate_prior import SitePrior
    from heapwright.science.assimilate_readings import Observation
    from heapwright.science.decide import Decision
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
    """An answer in the cache: what it rests on (``mark`` soon told, ``digest`` exactly)."""

    mark: str
    digest: str
    made_at: datetime
    answer: Outlook | UntoldError


@dataclass(frozen=True, slots=True)
class KeptAdvice:
    """The decisions of an answer without their curves, small enough to be read for every page."""

    mark: str
    made_at: datetime
    decisions: tuple[Decision, ...]


@dataclass(frozen=True, slots=True)
class Advised:
    """What the forecast advises for a heap now.

    Where it is not ``fresh``, something has changed since (or there never was an answer): what
    it advised then is not told. ``made_at`` is the moment that it speaks of.
    """

    decisions: tuple[Decision, ...]
    fresh: bool
    made_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a heap's future now.

    ``outlook`` is the last answer (None where there never was one), ``untold`` why there cannot
    be one; ``fresh``: nothing has changed since; ``usual_s`` how long a run usually takes.
    """

    outlook: Outlook | None
    untold: UntoldError | None
    fresh: bool
    made_at: datetime | None
    usual_s: float

    @property
    def pending(self) -> bool:
        """Whether a newer answer is to come."""
        return not self.fresh

    @property
    def advised(self) -> Advised:
        """What it advises, as :func:`advice` tells it."""
        there = self.fresh and self.outlook is not None
        decisions = self.outlook.decisions if there and self.outlook is not None else ()
        return Advised(decisions, self.fresh, self.made_at)


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
    for one, there, unseen, fresh in _looked(lots, _name, now, site):
        answer = unseen or (None if there is None else there.answer)
        found[one.id] = Known(
            outlook=answer if isinstance(answer, Outlook) else None,
            untold=answer if isinstance(answer, UntoldError) else None,
            fresh=fresh,
            made_at=None if there is None or unseen else there.made_at,
            usual_s=usual_s,
        )
    return found


def advice(
    lots: Collection[LotState], *, now: datetime | None = None, site: Site | None = None
) -> dict[int, Advised]:
    """Return what the forecast advises for heaps by lot, and have computed what is not known.

    As :func:`look`, without the curves, so that it costs little however many heaps stand.
    """
    return {
        one.id: Advised(
            there.decisions if there is not None and fresh and unseen is None else (),
            fresh,
            None if there is None else there.made_at,
        )
        for one, there, unseen, fresh in _looked(lots, _advice_name, now, site)
    }


def _looked(
    lots: Collection[LotState],
    name: Callable[[int], str],
    now: datetime | None,
    site: Site | None,
) -> list[tuple[LotState, Any, UntoldError | None, bool]]:
    """Return of each heap what is kept under a name, why it is not foreseen, whether it holds."""
    asked, now = now, now or timezone.now()
    heaps = [one for one in lots if one.kind == LotKind.PILE]
    if not heaps:
        return []
    taught = lessons(model_version(), now)
    marks = _marks([one.id for one in heaps], now, taught, site)
    kept: dict[str, Any] = caches["forecasts"].get_many([name(one.id) for one in heaps])
    found = []
    for one in heaps:
        there = kept.get(name(one.id))
        unseen = _unseen(one, now)
        fresh = unseen is not None or (there is not None and there.mark == marks[one.id])
        if not fresh:
            rank = URGENT if len(heaps) == 1 else ROUTINE
            have_done(_name(one.id), _refreshing(one.id, asked), rank=rank)
            again = caches["forecasts"].get(name(one.id))
            if again is not None and again.mark == marks[one.id]:
                there, fresh = again, True
        found.append((one, there, unseen, fresh))
    have_learned(taught, model_version())
    return found


def _refreshing(lot_id: int, now: datetime | None) -> Callable[[], None]:
    def work() -> None:
        refresh(lot_id, now=now)

    return work


def refresh(lot_id: int, *, now: datetime | None = None, anew: bool = False) -> Kept:
    """Return the answer of one heap that holds now, computed if what it rests on has changed.

    Parameters
    ----------
    lot_id : int
    now : datetime, optional
    anew : bool
        Compute it even if nothing has changed.
    """
    now = now or timezone.now()
    mark = _marks([lot_id], now)[lot_id]
    there: Kept | None = caches["forecasts"].get(_name(lot_id))
    if there is not None and there.mark == mark and not anew:
        if not caches["forecasts"].has_key(_advice_name(lot_id)):
            _keep(lot_id, there)
        return there
    lot = Lot.objects.get(id=lot_id)
    digest, answer = foresee(lot, now=now, known=None if anew else there)
    kept = Kept(mark, digest, now, answer)
    if isinstance(answer, Outlook):
        foreseen.send_robust(sender=Outlook, lot=lot, outlook=answer, now=now)
    _keep(lot_id, kept)
    return kept


def _keep(lot_id: int, kept: Kept) -> None:
    """Keep an answer, and apart from it what it advises."""
    decisions = kept.answer.decisions if isinstance(kept.answer, Outlook) else ()
    bare = tuple(replace(one, ways=()) for one in decisions)
    caches["forecasts"].set_many(
        {
            _name(lot_id): kept,
            _advice_name(lot_id): KeptAdvice(kept.mark, kept.made_at, bare),
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
    now = now or timezone.now()
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
        return digest_of(why.reason, sorted(why.values.items())), why
    prior = lessons(model_version(), now).prior(heap.built)
    asked = decide.question(standing, now, site)
    digest = digest_of(model_version(), heap, turns, weather, length, members, seed, prior, asked)
    if known is not None and known.digest == digest:
        return digest, known.answer
    made = model(
        heap, turns, weather,
        days=length, members=members, seed=seed, prior=prior, progress=progress,
    )  # fmt: skip
    decisions: tuple[Decision, ...] = ()
    if asked is not None and made.ensemble is not None and days >= decide.ahead_days():
        decisions = decide.decided(
            asked, standing, heap, made.ensemble, turns, now, site, _ensemble_of
        )
    took_s = clock.perf_counter() - begun
    observe_took(took_s)
    past, ahead = _shares(origins, heap.hour(now))
    return digest, Outlook(
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
        needed = proof.turnings_needed - proof.turnings_credited
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


# What an answer rests on


def _name(lot_id: int) -> str:
    # by version: an answer of another one may not even be readable by this one
    return f"outlook-{model_version()}-{lot_id}"


def _advice_name(lot_id: int) -> str:
    return f"advice-{model_version()}-{lot_id}"


@cache
def model_version() -> str:
    """Return a digest of the code and the tables that make a forecast."""
    root = Path(heapwright.__file__).parent
    digest = hashlib.sha256()
    for pattern in (
        "science/pile*.py", "science/assimilate*.py", "science/air.py", "science/heap_shape.py",
        "science/mixing.py", "science/weather_series.py", "data/pile*.csv", "data/outlook.csv",
        "data/materials.csv", "data/climate*.csv", "yard/forecast*.py", "yard/weather.py",
        "science/decide*.py", "science/water.py", "data/decisions.csv", "data/water.csv",
        "data/absorbency.csv", "yard/decide.py",
    ):  # fmt: skip
        for path in sorted(root.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _marks(
    lot_ids: Collection[int],
    now: datetime,
    taught: Lessons | None = None,
    site: Site | None = None,
) -> dict[int, str]:
    """Return for each lot a mark that differs whenever anything that its forecast rests on may.

    It may differ without need (somebody renamed a bed); the digest then spares the run.
    """
    parents = _parents(lot_ids)
    written = ledger.written_about(parents)
    site = site or Site.load()
    kinds = (Kind.LAB, Kind.WEATHER, Kind.SETTINGS)
    taught = taught or lessons(model_version(), now)
    common = digest_of(
        model_version(),
        taught.mark,
        now.astimezone(site.tz).date(),
        site.zone,
        site.latitude_deg,
        list(
            Entry.objects.filter(kind__in=kinds)
            .order_by()
            .values_list("kind")
            .annotate(
                Count("id"),
                Max("id"),
                Max("recorded_at"),
                Count("struck_at"),
                Max("struck_at"),
            )
            .order_by("kind")
        ),
        tuple(WeatherRow.objects.aggregate(Count("id"), Max("id")).values()),
        WeatherSettings.load().climate,
        list(Place.objects.order_by("id").values_list(*_PLACE)),
        list(OwnMaterial.objects.order_by("id").values_list()),
    )
    return {
        # as one text: there are thousands of figures
        lot_id: digest_of(common, repr([written[one] for one in sorted(_line(lot_id, parents))]))
        for lot_id in lot_ids
    }


_PLACE: Final = ("id", "kind", "width_m", "depth_m", "height_m", "cover")
_TAKEN_AS_SUCH: Final = (LotKind.COMPOST, LotKind.OVERS)


def _parents(lot_ids: Collection[int]) -> dict[int, set[int]]:
    """Return of each lot, and of all that matters of what went into it, the lots that gave to it.

    Compost and overs are taken as such, whatever they came from: what lies behind them, nearly
    the whole of a site that screens, is not looked at.
    """
    parents: dict[int, set[int]] = {}
    unknown = set(lot_ids)
    while unknown:
        parents.update((one, set()) for one in unknown)
        found: set[int] = set()
        for to_lot, from_lot, kind in Flow.objects.filter(
            to_lot__in=unknown, from_lot__isnull=False
        ).values_list("to_lot_id", "from_lot_id", "from_lot__kind"):
            parents[to_lot].add(from_lot)
            if kind in _TAKEN_AS_SUCH:
                parents.setdefault(from_lot, set())
            else:
                found.add(from_lot)
        unknown = found - parents.keys()
    return parents


def _line(lot_id: int, parents: dict[int, set[int]]) -> set[int]:
    found, waiting = {lot_id}, [lot_id]
    while waiting:
        new = parents[waiting.pop()] - found
        found |= new
        waiting += new
    return found


def digest_of(*values: object) -> str:
    """Return a digest of records, arrays and plain values that differs when any of them does."""
    digest = hashlib.sha256()
    for value in values:
        _feed(digest, value)
    return digest.hexdigest()


def _feed(digest: Any, value: Any) -> None:
    """Add a value to a digest: records field by field, arrays by their bytes."""
    if is_dataclass(value) and not isinstance(value, type):
        digest.update(type(value).__name__.encode())
        for one in fields(value):
            _feed(digest, getattr(value, one.name))
    elif isinstance(value, list | tuple):
        digest.update(f"[{len(value)}".encode())
        for one in value:
            _feed(digest, one)
    elif hasattr(value, "tobytes"):
        digest.update(value.tobytes())
    elif isinstance(value, datetime):
        digest.update(value.astimezone(UTC).isoformat().encode())
    else:
        digest.update(f"{type(value).__name__} {value!r}\0".encode())


# How long it takes


def usual() -> float:
    """Return how many seconds a run usually takes, by the last ones on this machine."""
    took: list[float] = caches["forecasts"].get(_TOOK, [])
    return statistics.median(took) if took else _FIRST_GUESS_S


def observe_took(seconds: float) -> None:
    """Note how long a run took, for :func:`usual`."""
    took: list[float] = caches["forecasts"].get(_TOOK, [])
    caches["forecasts"].set(_TOOK, [*took, seconds][-_TOOK_KEPT:], timeout=None)
