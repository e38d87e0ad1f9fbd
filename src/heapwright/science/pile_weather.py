"""Weather as the pile model needs it: an hourly grid, read at any moment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.science import air
from heapwright.science.pile_layout import (
    Forcing,
)
from heapwright.science.pile_rates import Sky, between_hours, forcing
from heapwright.science.weather_spread import WeatherSpread

Array = npt.NDArray[np.float64]

HUMIDITY_TYPICAL_PCT: Final = 80.0
WIND_TYPICAL_M_S: Final = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Weather:
    """Hourly weather from the moment that the pile was built.

    Temperature, humidity and wind are straight between the hours ``0, 1, …``; rain (mm/h) is
    even within each hour; the last values hold beyond the end. ``humidity`` is kg of vapour per
    kg of dry air. ``shelter`` is the wind at the heap over ``wind_m_s``. With a
    ``spread`` these are means, and each member of an ensemble has weather of its own about them.
    """

    temp_c: Array
    humidity: Array
    wind_m_s: Array
    rain_mm_h: Array
    ground_c: float
    shelter: float = 0.6
    spread: WeatherSpread | None = None

    def at(self, hour: float, rain_mm_h: float) -> Forcing:
        """Return the weather at ``hour``, of all members' the mean, with the rain given."""
        none = np.empty((0, 0))
        temp_c, humidity, wind_m_s = between_hours(self._sky(none, none), hour)
        return forcing(temp_c, humidity, wind_m_s, self.ground_c, self.shelter, rain_mm_h)

    def sky(self, members: int) -> Sky:
        """Return the weather of so many members as the compiled rates take it."""
        if self.spread is not None:
            return self._sky(*self.spread.drawn(members))
        return self._sky(np.empty((members, 0)), np.empty((members, 0)))

    def _sky(self, warmer_c: Array, rain_factor: Array) -> Sky:
        return Sky(
            np.ascontiguousarray(self.temp_c, dtype=float),
            np.ascontiguousarray(self.humidity, dtype=float),
            np.ascontiguousarray(self.wind_m_s, dtype=float),
            float(self.ground_c),
            float(self.shelter),
            warmer_c,
            rain_factor,
        )

    def rain_between(self, start: float, end: float) -> float:
        """Return the mean rain of a stretch of hours, mm/h; no drop is lost or doubled."""
        total = 0.0
        hour = start
        last = len(self.rain_mm_h) - 1
        while hour < end - 1e-9:
            upto = min(math.floor(hour + 1e-9) + 1.0, end)
            total += float(self.rain_mm_h[min(int(hour + 1e-9), last)]) * (upto - hour)
            hour = upto
        return total / (end - start)


def typical_weather(
    hours: float,
    *,
    temp_mean_c: float,
    temp_swing_c: float = 0.0,
    rain_mm_day: float = 0.0,
    soil_temp_c: float,
    humidity_pct: float = HUMIDITY_TYPICAL_PCT,
    wind_m_s: float = WIND_TYPICAL_M_S,
    start_hour: float = 0.0,
    shelter: float = 0.6,
) -> Weather:
    """Return weather whose days are all alike: warmest at 15 h, coldest at 3 h, even rain.

    Parameters
    ----------
    hours : float
        How long.
    start_hour : float
        The hour of the day at which the pile was built.
    """
    count = math.ceil(hours) + 2
    clock = np.arange(count) + start_hour
    temp = temp_mean_c + temp_swing_c * np.sin(2.0 * np.pi * (clock - 9.0) / 24.0)
    return Weather(
        temp_c=temp,
        humidity=humidity_from_percent(temp, humidity_pct),
        wind_m_s=np.full(count, wind_m_s),
        rain_mm_h=np.full(count, rain_mm_day / 24.0),
        ground_c=soil_temp_c,
        shelter=shelter,
    )


def humidity_from_percent(temp_c: Array, humidity_pct: float | Array) -> Array:
    """Return the humidity ratio, kg/kg: relative humidity times that of saturated air."""
    return np.asarray(humidity_pct, dtype=float) / 100.0 * air.saturated_humidity(temp_c)
