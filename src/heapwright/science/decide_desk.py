"""The desk on which ways of one heap are laid side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from heapwright.science.decide_asked import Asked, DecisionFacts, Thresholds
from heapwright.science.decide_ways import Compared, Figure, Runner, Seen, act_hour, compared
from heapwright.science.pile import HOT_C
from heapwright.science.pile_forecast import Act


@dataclass(eq=False)
class Desk:
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
        """The thresholds."""
        return self.facts.thresholds

    @property
    def day(self) -> float:
        """Days since building, now."""
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
        """Return the share of the members that a mask, (members,), holds for."""
        return float(np.mean(which))

    def likely(self, share: float) -> bool:
        """Tell whether what holds for so many members is likely."""
        return 100.0 * share >= self.t.likely_pct

    def sure(self, share: float) -> bool:
        """Tell whether what holds for so many members is sure enough to advise it."""
        return 100.0 * share >= self.t.sure_pct

    def heats(self, seen: Seen) -> float:
        """Return the chance that the core reaches 55 °C in the time ahead."""
        return self.share(seen.core_c.max(axis=0) >= HOT_C)

    def side_by_side(
        self, figures: Sequence[tuple[Figure, float]], left: Seen, done: Seen
    ) -> tuple[Compared, ...]:
        """Return figures, each over its days, of two ways."""
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

    @property
    def airless(self) -> bool:
        """Whether the heap soon likely lacks air if it is left."""
        lowest = self.left.figure("oxygen_pct", self.t.soon_days)
        return self.likely(self.share(lowest < self.t.oxygen_low_pct))

    def warmer(self, core: Compared) -> bool:
        """Tell whether the core gains enough warmth, and surely."""
        return core.gain.middle >= self.t.heat_gain_c and self.sure(core.better)

    def airier(self, oxygen: Compared, core: Compared) -> bool:
        """Tell whether a heap gains enough air, and surely, at no such loss of warmth."""
        gains = oxygen.gain.middle >= self.t.oxygen_gain_pct and self.sure(oxygen.better)
        return gains and core.gain.middle > -self.t.heat_gain_c

    def figures(self, *more: tuple[Figure, float]) -> tuple[tuple[Figure, float], ...]:
        """Return the figures of heat with the days they count over, and more."""
        heat = self.t.heat_days
        return (("core_c", heat), ("hot_days", heat), *more)
