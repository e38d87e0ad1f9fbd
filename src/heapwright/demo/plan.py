"""The story as acts, in the order in which they were recorded, from a seed and a first day.

Nothing here touches the records: the same seed and day give the same acts, and a plan told for
a longer time begins with the acts of the shorter one, so that a told story can be told on. The
planner keeps its own simple books of what lies where, as the people of the yard would.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from heapwright.demo import building, finishing, opening, receiving, site, tending
from heapwright.demo.books import Books, Trouble, Written
from heapwright.demo.climate import closures, weather, wet_month
from heapwright.yard.models import Cover

SOAKING_MM = 12.0
"""Rain of a day that runs into an open heap."""


class Plan:
    """The story from its first day on, without end."""

    def __init__(self, first: date, zone: str = site.ZONE, seed: int = 1) -> None:
        self.first = first
        self._yard = Books(first, zone, seed)

    @property
    def troubles(self) -> dict[str, Trouble]:
        """What has gone wrong so far, by name."""
        return self._yard.troubles

    def acts(self) -> Iterator[Written]:
        """Yield what is recorded, in the order of recording, day by day. To be run once."""
        yard = self._yard
        closed = closures(self.first)
        wet = wet_month(self.first)
        ends = closed[0][1]
        yard.troubles["wet month"] = Trouble("it rained for a month", "", wet[0])
        yard.troubles["holiday gap"] = Trouble(
            f"nobody was there until {ends.day} {ends:%B}", "", closed[0][0]
        )
        while True:
            yard.today = weather(yard.day, yard.sky, wet=wet[0] <= yard.day <= wet[1])
            for heap in yard.heaps:
                soaked = yard.today.rain_mm > SOAKING_MM and heap.cover == Cover.OPEN
                heap.heat.day(yard.today.mean_c, soaked)
            if not any(begins <= yard.day <= ends for begins, ends in closed):
                yield from sorted(_acts_of_day(yard), key=lambda one: one.recorded_at)
            yard.yesterday = yard.today
            yard.day += timedelta(days=1)


def _acts_of_day(yard: Books) -> Iterator[Written]:
    yield from receiving.gauge(yard)
    if yard.day == yard.first:
        yield from receiving.settings(yard)
        yield from opening.what_stood_there(yard)
    yield from receiving.deliveries(yard)
    yield from receiving.spoiled(yard)
    yield from tending.readings(yard)
    yield from tending.late_scraps(yard)
    yield from tending.turnings(yard)
    yield from tending.wrong_pile(yard)
    yield from building.filling(yard)
    yield from building.build(yard)
    yield from finishing.to_pad(yard)
    yield from finishing.cured(yard)
    yield from finishing.screening(yard)
    yield from finishing.results(yard)
    yield from finishing.measured(yard)
    yield from finishing.beds(yard)
    yield from finishing.hours_and_fuel(yard)
