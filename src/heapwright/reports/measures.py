"""Figures as a sheet shows them: rounded to what is known, in the units that a person reads."""

from __future__ import annotations

import math
import re
from datetime import date, datetime
from typing import Final, Literal

from heapwright.science.rule_words import in_fahrenheit
from heapwright.units import (
    KG_PER_LB,
    M3_PER_GAL,
    M3_PER_L,
    M3_PER_YD3,
    M_PER_FOOT,
    M_PER_INCH,
    fahrenheit_from_celsius,
)

Units = Literal["us", "metric"]
Quantity = Literal["mass", "volume", "water", "depth", "length", "temp", "density"]

UNIT: Final[dict[Units, dict[Quantity, str]]] = {
    "us": {
        "mass": "lb",
        "volume": "yd³",
        "water": "gal",
        "depth": "in",
        "length": "ft",
        "temp": "°F",
        "density": "lb/yd³",
    },
    "metric": {
        "mass": "kg",
        "volume": "m³",
        "water": "L",
        "depth": "cm",
        "length": "m",
        "temp": "°C",
        "density": "kg/m³",
    },
}
"""The unit of each quantity, for the head of a column."""

NBSP: Final = "\u00a0"
_ISO_DAY: Final = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")
_BOTH: Final = re.compile(r"(-?\d+(?:\.\d+)?)\s°C \(-?\d+(?:\.\d+)?\s°F\)")
"""A temperature told in both units already, °C first."""


def mass(mass_kg: float, units: Units) -> str:
    """Return kilograms or pounds, whole from ten upwards."""
    return _rounded(mass_kg if units == "metric" else mass_kg / KG_PER_LB)


def part(mass_kg: float, units: Units) -> str:
    """Return whole kilograms or pounds; what is there but rounds to nothing is under one."""
    shown = mass_kg if units == "metric" else mass_kg / KG_PER_LB
    return "under 1" if 0 < shown < 0.5 else f"{shown:.0f}"


def volume(volume_m3: float, units: Units) -> str:
    """Return cubic metres or cubic yards with two decimals."""
    return f"{volume_m3 if units == 'metric' else volume_m3 / M3_PER_YD3:.2f}"


def water(litres: float, units: Units) -> str:
    """Return litres or gallons, whole from ten upwards."""
    return _rounded(litres if units == "metric" else litres * M3_PER_L / M3_PER_GAL)


def density(density_kg_m3: float, units: Units) -> str:
    """Return kg/m³ or lb/yd³, whole."""
    return f"{density_kg_m3 if units == 'metric' else density_kg_m3 * M3_PER_YD3 / KG_PER_LB:.0f}"


def depth(depth_m: float, units: Units) -> str:
    """Return centimetres, or inches to the half: nobody forks finer."""
    if units == "metric":
        return f"{100 * depth_m:.0f}" if depth_m >= 0.0195 else f"{100 * depth_m:.2g}"
    return halves(depth_m / M_PER_INCH) if depth_m > 0 else "0"


def length(length_m: float, units: Units) -> str:
    """Return metres with two decimals or feet with one."""
    return f"{length_m:.2f}" if units == "metric" else f"{length_m / M_PER_FOOT:.1f}"


def temp(temp_c: float, units: Units) -> str:
    """Return one decimal, never rounded up past a limit: 54.96 °C shows as 54.9."""
    value = temp_c if units == "metric" else fahrenheit_from_celsius(temp_c)
    return f"{math.floor(value * 10 + 1e-4) / 10:.1f}"


def temp_and_unit(temp_c: float, units: Units) -> str:
    """Return a limit in the units of the reader, with the other in brackets."""
    in_c = f"{temp_c:.4g}{NBSP}°C"
    in_f = f"{fahrenheit_from_celsius(temp_c):.4g}{NBSP}°F"
    return f"{in_c} ({in_f})" if units == "metric" else f"{in_f} ({in_c})"


def in_units(text: str, units: Units) -> str:
    """Return a sentence with days as they are printed, °F before each °C for who reads °F."""
    text = _ISO_DAY.sub(_printed_day, text)
    if units == "metric":
        return text
    return in_fahrenheit(_BOTH.sub(lambda found: f"{found[1]}{NBSP}°C", text))


def _printed_day(found: re.Match[str]) -> str:
    try:
        return day(date.fromisoformat(found[0]))
    except ValueError:  # a point that somebody called so
        return found[0]


def with_unit(figure: str, quantity: Quantity, units: Units) -> str:
    """Return a figure and its unit, held together."""
    return f"{figure}{NBSP}{UNIT[units][quantity]}"


def halves(count: float) -> str:
    """Return a count to the half, as 2½; what is more than nothing is at least ½."""
    whole, half = divmod(max(round(2 * count), 1 if count > 0 else 0), 2)
    return f"{whole or ''}{'½' if half else ''}" or "0"


def day(when: date | datetime) -> str:
    """Return a date that reads alike on both sides of an ocean: 3 Mar 2026."""
    return f"{when.day} {when:%b %Y}"


def moment(when: datetime) -> str:
    """Return a date and time: 3 Mar 2026, 14:05."""
    return f"{day(when)}, {when:%H:%M}"


def _rounded(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}"
