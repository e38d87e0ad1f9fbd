"""How warm an invented heap is: a compact curve of fuel, air, season and turnings.

Not the pile model: what the forecasts are shown by should not be made by them. The curve has the
course that gardens log (heating in two or three days, weeks of heat that sinks, a dip after each
turning and a rise that gets weaker), within what the model gives such heaps from winter to
summer, and is used for nothing but this story.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

from heapwright.units import celsius_from_fahrenheit, fahrenheit_from_celsius

POINTS = (("core", 50.0), ("edge", 30.0), ("base", 45.0))
"""The points that are read, and how deep, cm."""

HIGHEST_C = 70.5
ENOUGH_FUEL = 0.5
"""With less left a heap makes less heat than it loses, and cools."""


@dataclass(slots=True)
class Heat:
    """The heat of one heap; ``vigour`` is 1 for a good mix."""

    core_c: float
    vigour: float = 1.0
    fuel: float = 1.0
    air: float = 1.0

    def day(self, mean_c: float, soaked: bool) -> None:
        """Let a day go by at this mean temperature; ``soaked``: rain ran into it."""
        self.air *= 0.88 if soaked else 0.94
        self.fuel -= 0.021 * max(self.core_c - mean_c, 0.0) / 50.0 * self.fuel**0.5
        self.fuel = max(self.fuel, 0.02)
        strength = min(1.0, 1.2 * self.fuel) ** 0.5 * (0.75 + 0.25 * self.air)
        strength *= min(1.0, self.fuel / ENOUGH_FUEL) ** 2
        goal_c = mean_c + self.vigour * (70.0 - mean_c) * strength
        # life has to grow first: three days from the cold, one from a warm day
        kindling_d = 0.5 + (max(45.0 - self.core_c, 0.0) / 20.0) ** 2
        pace_d = kindling_d if goal_c > self.core_c else 2.5
        self.core_c += (min(goal_c, HIGHEST_C) - self.core_c) * (1.0 - math.exp(-0.9 / pace_d))

    def turn(self, mean_c: float) -> None:
        """Turn it: it cools, gets air, and is alike throughout for a day."""
        self.core_c = mean_c + 0.55 * (self.core_c - mean_c)
        self.air = 1.0

    def lay_out(self, mean_c: float) -> None:
        """Lay it out to cure, lower and without walls: it cools as turned and keeps less heat."""
        self.turn(mean_c)
        self.vigour *= 0.5

    def feed(self, share: float) -> None:
        """Add raw material, as a share of what is there."""
        self.fuel = min(1.0, self.fuel + 1.5 * share)

    def read(self, mean_c: float, mixed: bool, rng: Random) -> list[tuple[str, float, float]]:
        """Return point, depth and °C as a dial in whole °F shows them."""
        over_c = self.core_c - mean_c
        lag = 0.5 if mixed else 1.0
        below = {"core": 0.0, "edge": 1.5 + 0.05 * over_c, "base": 0.8 + 0.025 * over_c}
        found = []
        for point, depth_cm in POINTS:
            temp_c = self.core_c - lag * below[point] + rng.gauss(0.0, 0.7)
            whole_f = round(fahrenheit_from_celsius(min(temp_c, HIGHEST_C + 1.0)))
            found.append((point, depth_cm, celsius_from_fahrenheit(whole_f)))
        return found
