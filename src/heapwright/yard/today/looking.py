"""Gathering what is known at a moment, in a few queries however much stands."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from django.utils import timezone

from heapwright.data.today import figure
from heapwright.yard import forecast, materials, state
from heapwright.yard.forecast import Advised
from heapwright.yard.models import Container, LotKind, Place, PlaceKind, Site, Stage, Weather
from heapwright.yard.proofs import proofs_of
from heapwright.yard.today.tasks import DayWeather, Heap, Sight, Waiting
from heapwright.yard.yardstick import in_force


def look(
    now: datetime | None = None,
    *,
    judge: bool = True,
    lot_ids: Collection[int] | None = None,
    foresee: bool = True,
) -> Sight:
    """Gather what is known now (or was at a time), in a few queries however much stands.

    Parameters
    ----------
    now : datetime, optional
        The time.
    judge : bool
        Whether to judge the proofs. They rest on the log as it is, so for a past time they
        are left out.
    lot_ids : collection of int, optional
        Only these lots, for the page of one; all that stand when left out.
    foresee : bool
        Whether to look for what the forecast advises, and have computed what is not known.
        For a past time it is left out too.
    """
    asked, now = now, now or timezone.now()
    site = Site.load()
    standing = state.state_at(now, lot_ids=lot_ids)
    ids = [one.id for one in standing if one.kind in (LotKind.PILE, LotKind.COMPOST)]
    temps = state.day_temps(ids, now)
    checks = state.last_checks(ids, now)
    proving = [one for one in standing if judge and one.stage in (Stage.HOT, Stage.CURING)]
    yardstick = in_force(now)
    proofs = proofs_of(proving, site, yardstick)
    library = materials.library(now)
    days = figure("wet_week_days").value
    today = now.astimezone(site.tz).date()
    gauge = {
        one.day: DayWeather(one.day, one.rain_mm, one.temp_min_c, one.temp_max_c)
        for one in Weather.objects.filter(
            entry__struck_at=None, day__gt=today - timedelta(days=days), day__lte=today
        ).order_by("entry_id")
    }
    sight = Sight(
        now=now,
        tz=site.tz,
        heaps=tuple(
            Heap(one, temps.get(one.id), checks.get(one.id), proofs.get(one.id))
            for one in standing
            if one.kind in (LotKind.PILE, LotKind.COMPOST)
        ),
        waiting=tuple(
            Waiting(one, library.get(one.material_id))
            for one in standing
            if one.kind in (LotKind.STOCK, LotKind.OVERS)
        ),
        weather=tuple(gauge[day] for day in sorted(gauge)),
        pads=tuple(Place.objects.filter(kind=PlaceKind.CURING, retired_at=None)),
        yardstick=yardstick,
    )
    if not (judge and foresee):
        return sight
    whole = standing if lot_ids is None else None
    return with_advice(sight, forecast.advice(standing, now=asked, site=site, standing=whole))


def with_advice(sight: Sight, ahead: Mapping[int, Advised]) -> Sight:
    """Return what is known with what the forecast advises, and what that needs to be told.

    Dry material that is to be turned in is told in the site's containers, from the lots on hand.
    """
    wanted = {
        one.amount.material
        for each in ahead.values()
        for one in each.decisions
        if one.kind == "add"
    }
    if not wanted:
        return replace(sight, ahead=ahead)
    there = {one.state.id for one in sight.waiting}
    more = tuple(
        Waiting(one)
        for one in state.stock(sight.now)
        if one.id not in there and (one.material_id or "compost_overs") in wanted
    )
    containers = tuple(Container.objects.filter(retired_at=None))
    return replace(sight, ahead=ahead, on_hand=(*sight.waiting, *more), containers=containers)
