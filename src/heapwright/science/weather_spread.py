"""How far the weather of a day may lie from what is taken for it, drawn for every member.

A typical year gives each day its month's mean, and a forecast is wrong by more the further ahead
it looks. Here each member of an ensemble gets weather of its own: days that are warmer or colder
than the mean for a while, and the mean's rain gathered into wet days with dry ones between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DayVariation:
    """How days of one time of year vary.

    ``temp_sd_c`` is the standard deviation of a day's mean temperature about that of its time of
    year, ``temp_keeps`` its correlation from one day to the next; ``wet_share`` the share of days
    with rain, ``rain_keeps`` the correlation of the normal variable behind wet and dry days.
    """

    temp_sd_c: float
    temp_keeps: float
    wet_share: float
    rain_keeps: float


@dataclass(frozen=True, slots=True, eq=False)
class WeatherSpread:
    """How much of the variation of days is left in each day after the start.

    ``temp_share`` and ``rain_share`` (days,) go from 0 (the day is known) to 1 (nothing but its
    typical mean is). ``noise`` (2, members, days) are the standard normals behind temperature
    and rain, where readings of the pile have told something of them; else they are drawn.
    """

    days: DayVariation
    temp_share: Array
    rain_share: Array
    seed: int = 0
    noise: Array | None = None

    def noise_of(self, members: int) -> Array:
        """Return the standard normals of so many members, the same each time."""
        if self.noise is not None:
            return self.noise
        rng = np.random.default_rng([self.seed, members])
        return rng.standard_normal((2, members, len(self.temp_share)))

    def drawn(self, members: int) -> tuple[Array, Array]:
        """Return °C to add to and factors of the rain of each day, (members, days) each.

        The same for as many members each time. Factors are zero or more with a mean of 1 over
        many members; the rain of a wet day is spread exponentially.
        """
        from scipy.special import ndtr

        of_temp, of_rain = self.noise_of(members)
        warm = _lasting(of_temp, self.days.temp_keeps)
        wet = _lasting(of_rain, self.days.rain_keeps)
        # where among the wet days of that kind: 0 the wettest, 1 and more dry
        place = ndtr(-wet) / self.days.wet_share
        rain = np.where(place < 1.0, -np.log(np.minimum(place, 1.0)) / self.days.wet_share, 0.0)
        return (
            self.days.temp_sd_c * self.temp_share * warm,
            1.0 + self.rain_share * (rain - 1.0),
        )


def _lasting(noise: Array, keeps: float) -> Array:
    """Return standard normals of which each keeps a share of the one before, (members, days)."""
    found = noise.copy()
    fresh = np.sqrt(1.0 - keeps**2)
    for day in range(1, noise.shape[1]):
        found[:, day] = keeps * found[:, day - 1] + fresh * noise[:, day]
    return found


def lead_share(lead_days: Array, first_share: float, skill_days: float) -> Array:
    """Return how much of the variation of days a forecast leaves, by how far ahead it looked.

    From ``first_share`` at once straight up to 1 after ``skill_days``.
    """
    share: Array = np.clip(
        first_share + (1.0 - first_share) * lead_days / skill_days, first_share, 1.0
    )
    return share
