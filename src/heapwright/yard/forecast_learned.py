"""What the site's past piles taught, as the starting guess for the next one.

Each of the last piles is corrected by its own readings once, on its own; what that says of the
model's figures is kept until its entries change. The guess is used once all of them are in, so
that it changes once and not with each.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.core.cache import caches
from django.utils import timezone

from heapwright.data.outlook import outlook_figure
from heapwright.errors import InputError
from heapwright.yard import ledger
from heapwright.yard import weather as site_weather
from heapwright.yard.forecast_plan import told
from heapwright.yard.forecast_seen import observations
from heapwright.yard.forecast_told import UntoldError
from heapwright.yard.forecast_worker import have_done
from heapwright.yard.models import Kind, Lot, LotKind, Standing

if TYPE_CHECKING:
    from heapwright.science.assimilate_prior import Learned, SitePrior

LATER: Final = 20
"""Rank of this work: after whatever a page waits for."""

SEED: Final = 1


@dataclass(frozen=True, slots=True)
class Taught:
    """What one past pile taught; ``learned`` is None where nothing was read or it is untold."""

    mark: str
    built: datetime
    learned: Learned | None


@dataclass(frozen=True, slots=True)
class Lessons:
    """What is known of the site's past piles; ``missing`` are those yet to be looked at."""

    taught: tuple[tuple[int, Taught], ...]
    missing: tuple[int, ...]

    @property
    def mark(self) -> str:
        """What changes when the guess does; blank while some are missing."""
        return "" if self.missing else repr([(one, each.mark) for one, each in self.taught])

    def prior(self, before: datetime) -> SitePrior | None:
        """Return the guess for a pile built at a time, from the piles built before it."""
        learned = [one.learned for _lot, one in self.taught if one.learned and one.built < before]
        if self.missing or not learned:
            return None
        from heapwright.science.assimilate_prior import site_prior

        return site_prior(learned)


def lessons(version: str, now: datetime | None = None) -> Lessons:
    """Return what the last piles taught, as far as it is known.

    Parameters
    ----------
    version : str
        Of the model; what another one learned does not count.
    now : datetime, optional
    """
    now = now or timezone.now()
    lots = _past(now)
    marks = _marks(lots, version)
    kept: dict[int, Taught] = caches["forecasts"].get(_key(version), {})
    there = {one: kept[one] for one in lots if one in kept and kept[one].mark == marks[one]}
    missing = tuple(one for one in lots if one not in there)
    return Lessons(tuple(sorted(there.items())), missing)


def have_learned(found: Lessons, version: str) -> None:
    """Have the missing piles looked at, after all that pages wait for."""
    for lot_id in found.missing:
        have_done(f"learn-{lot_id}", lambda one=lot_id: learn(one, version), rank=LATER)


def learn(lot_id: int, version: str) -> None:
    """Look at one past pile now and keep what it taught."""
    from heapwright.data.pile import decay_classes, pile_parameters
    from heapwright.science.assimilate import assimilate
    from heapwright.science.pile_forecast import shortened

    mark = _marks([lot_id], version)[lot_id]
    lot = Lot.objects.get(id=lot_id)
    built, learned = timezone.now(), None
    try:
        heap = told(lot, lambda start, hours: site_weather.hourly_for(start, hours)[0])
        built = heap.built
        seen = [one for one in observations(heap) if one.hour <= 24.0 * _days()]
        if seen:
            days = max(one.hour for one in seen) / 24.0 + 0.5
            learned = assimilate(
                shortened(heap.plan, days),
                site_weather.hourly_for(built, days * 24.0)[0],
                pile_parameters(),
                decay_classes(),
                seen,
                days=days,
                members=outlook_figure("members").count,
                seed=SEED,
            ).learned
    except (UntoldError, InputError):
        learned = None  # what the records do not tell teaches nothing
    kept: dict[int, Taught] = caches["forecasts"].get(_key(version), {})
    caches["forecasts"].set(
        _key(version), {**kept, lot_id: Taught(mark, built, learned)}, timeout=None
    )


def _key(version: str) -> str:
    return f"learned-{version}"


def _days() -> float:
    return outlook_figure("learn_days").value


def _past(now: datetime) -> list[int]:
    """Return the last piles that were built long enough ago to have shown what they do."""
    built = Standing.objects.filter(
        ledger.counts(),
        begins=True,
        lot__kind=LotKind.PILE,
        entry__kind=Kind.BUILD,
        entry__happened_at__lte=now - timedelta(days=_days()),
    ).order_by("-entry__happened_at", "-entry_id")
    return list(built.values_list("lot_id", flat=True)[: outlook_figure("learn_piles").count])


def _marks(lots: list[int], version: str) -> dict[int, str]:
    return {one: f"{version} {said}" for one, said in ledger.written_about(lots).items()}
