"""Reference evapotranspiration: what short, well-watered grass evaporates, mm a day.

FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes, Smith 1998); equations by their
numbers there. Scalars; temperatures °C, pressures kPa, radiation MJ/(m² d), latitudes degrees
north. Open water and wet compost evaporate about as much where the air gets at them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from heapwright.errors import InputError

MJ_TO_MM: Final = 0.408
"""Water that a MJ/m² evaporates, mm (equation 20)."""

SOLAR: Final = 0.0820  # MJ/(m² min)
STEFAN_BOLTZMANN_DAY: Final = 4.903e-9  # MJ/(K⁴ m² d)
ALBEDO: Final = 0.23


@dataclass(frozen=True, slots=True)
class ReferenceDay:
    """A day's reference evapotranspiration and what it was computed from."""

    mm: float
    slope_kpa_c: float
    psychrometric_kpa_c: float
    deficit_kpa: float
    extraterrestrial_mj: float
    solar_mj: float
    net_mj: float
    wind_m_s: float


def saturation_kpa(temp_c: float) -> float:
    """Return the saturation vapour pressure (equation 11)."""
    return 0.6108 * math.exp(17.27 * temp_c / (temp_c + 237.3))


def pressure_kpa(elevation_m: float) -> float:
    """Return the pressure of the air at an elevation (equation 7)."""
    return 101.3 * math.pow((293.0 - 0.0065 * elevation_m) / 293.0, 5.26)


def wind_at_2_m(wind_m_s: float, height_m: float) -> float:
    """Return the wind 2 m above ground from that at a height (equation 47)."""
    return wind_m_s * 4.87 / math.log(67.8 * height_m - 5.42)


def sunset_angle(latitude_deg: float, day_of_year: int) -> float:
    """Return the sunset hour angle, radians (equation 25); 0 in polar night, π in polar day."""
    product = -math.tan(math.radians(latitude_deg)) * math.tan(_declination(day_of_year))
    return math.acos(min(max(product, -1.0), 1.0))


def daylight_h(latitude_deg: float, day_of_year: int) -> float:
    """Return the hours of daylight (equation 34)."""
    return 24.0 / math.pi * sunset_angle(latitude_deg, day_of_year)


def extraterrestrial_mj(latitude_deg: float, day_of_year: int) -> float:
    """Return the sun's radiation above the air (equation 21).

    Raises
    ------
    InputError
        If the latitude or the day cannot be.
    """
    if not -90.0 <= latitude_deg <= 90.0:
        raise InputError(f"latitude {latitude_deg:g} is not from -90 to 90")
    if not 1 <= day_of_year <= 366:
        raise InputError(f"{day_of_year} is no day of a year")
    phi, delta = math.radians(latitude_deg), _declination(day_of_year)
    omega = sunset_angle(latitude_deg, day_of_year)
    near = 1.0 + 0.033 * math.cos(2.0 * math.pi * day_of_year / 365.0)
    height = omega * math.sin(phi) * math.sin(delta)
    height += math.cos(phi) * math.cos(delta) * math.sin(omega)
    return max(24.0 * 60.0 / math.pi * SOLAR * near * height, 0.0)


def _declination(day_of_year: int) -> float:
    return 0.409 * math.sin(2.0 * math.pi * day_of_year / 365.0 - 1.39)


def hargreaves_mm(
    temp_min_c: float, temp_max_c: float, latitude_deg: float, day_of_year: int
) -> float:
    """Return reference evapotranspiration from temperatures alone (equation 52).

    Raises
    ------
    InputError
        If the lowest is above the highest, or the latitude cannot be.
    """
    if temp_min_c > temp_max_c:
        raise InputError(f"lowest {temp_min_c:g} °C is above highest {temp_max_c:g} °C")
    mean = (temp_min_c + temp_max_c) / 2.0
    energy = MJ_TO_MM * extraterrestrial_mj(latitude_deg, day_of_year)
    return max(0.0023 * (mean + 17.8) * math.sqrt(temp_max_c - temp_min_c) * energy, 0.0)


def penman_monteith(
    temp_min_c: float,
    temp_max_c: float,
    latitude_deg: float,
    day_of_year: int,
    *,
    wind_2m_m_s: float,
    elevation_m: float = 0.0,
    vapour_kpa: float | None = None,
    solar_mj: float | None = None,
    krs: float,
    ground_mj: float = 0.0,
) -> ReferenceDay:
    """Return reference evapotranspiration after Penman and Monteith (equation 6).

    Parameters
    ----------
    temp_min_c, temp_max_c, latitude_deg, day_of_year
    wind_2m_m_s : float
        Wind 2 m above ground.
    vapour_kpa : float, optional
        Actual vapour pressure; without it that at which dew forms at the night's lowest
        temperature (equation 48).
    solar_mj : float, optional
        Solar radiation at the ground; without it from the span of temperature (equation 50).
    krs : float
        Of that estimate, 0.16 inland to 0.19 at a coast.
    ground_mj : float
        Heat that goes into the ground, 0 for a day.

    Raises
    ------
    InputError
        If a figure cannot be.
    """
    if temp_min_c > temp_max_c:
        raise InputError(f"lowest {temp_min_c:g} °C is above highest {temp_max_c:g} °C")
    if wind_2m_m_s < 0.0:
        raise InputError(f"wind {wind_2m_m_s:g} m/s is below zero")
    mean = (temp_min_c + temp_max_c) / 2.0
    slope = 4098.0 * saturation_kpa(mean) / (mean + 237.3) ** 2
    gamma = 0.665e-3 * pressure_kpa(elevation_m)
    saturated = (saturation_kpa(temp_max_c) + saturation_kpa(temp_min_c)) / 2.0
    actual = saturation_kpa(temp_min_c) if vapour_kpa is None else vapour_kpa
    above = extraterrestrial_mj(latitude_deg, day_of_year)
    clear = (0.75 + 2e-5 * elevation_m) * above
    solar = krs * math.sqrt(temp_max_c - temp_min_c) * above if solar_mj is None else solar_mj
    solar = min(solar, clear) if solar_mj is None else solar
    share = min(solar / clear, 1.0) if clear > 0.0 else 1.0
    kelvin = ((temp_max_c + 273.16) ** 4 + (temp_min_c + 273.16) ** 4) / 2.0
    long_wave = STEFAN_BOLTZMANN_DAY * kelvin * (0.34 - 0.14 * math.sqrt(max(actual, 0.0)))
    net = (1.0 - ALBEDO) * solar - long_wave * (1.35 * share - 0.35)
    deficit = max(saturated - actual, 0.0)
    wind = wind_2m_m_s
    mm = MJ_TO_MM * slope * (net - ground_mj)
    mm += gamma * 900.0 / (mean + 273.0) * wind * deficit
    mm /= slope + gamma * (1.0 + 0.34 * wind)
    return ReferenceDay(max(mm, 0.0), slope, gamma, deficit, above, solar, net, wind)
