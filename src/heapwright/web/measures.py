"""Units as a person reads and types them; the records stay in SI.

A :class:`Measure` knows one kind of figure in the two systems. Pages show through it and forms
parse through it, so that a unit is chosen in one place only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from django.utils.translation import gettext as _

from heapwright import units
from heapwright.people.models import Units


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: ``shown = si * scale + shift``."""

    sign: str
    scale: float = 1.0
    shift: float = 0.0
    digits: int = 0

    def from_si(self, value: float) -> float:
        """Return an SI value in this unit."""
        return value * self.scale + self.shift

    def to_si(self, value: float) -> float:
        """Return a value in this unit in SI; 131 °F gives 55 °C exactly."""
        return (value - self.shift) / self.scale


@dataclass(frozen=True, slots=True)
class _Fahrenheit(Unit):
    def from_si(self, value: float) -> float:
        return units.fahrenheit_from_celsius(value)

    def to_si(self, value: float) -> float:
        return units.celsius_from_fahrenheit(value)


Measure = dict[str, Unit]

TEMP: Final[Measure] = {Units.METRIC: Unit("°C"), Units.US: _Fahrenheit("°F")}
WARMTH: Final[Measure] = {
    # a difference of temperatures
    Units.METRIC: Unit("°C"),
    Units.US: Unit("°F", 9.0 / 5.0),
}
MASS: Final[Measure] = {Units.METRIC: Unit("kg"), Units.US: Unit("lb", 1.0 / units.KG_PER_LB)}
VOLUME: Final[Measure] = {
    Units.METRIC: Unit("m³", digits=2),
    Units.US: Unit("yd³", 1.0 / units.M3_PER_YD3, digits=2),
}
LIQUID: Final[Measure] = {
    # kept in litres, as water is logged
    Units.METRIC: Unit("L"),
    Units.US: Unit("gal", units.M3_PER_L / units.M3_PER_GAL),
}
LENGTH: Final[Measure] = {
    Units.METRIC: Unit("m", digits=2),
    Units.US: Unit("ft", 1.0 / units.M_PER_FOOT, digits=1),
}
DEPTH: Final[Measure] = {
    # kept in centimetres, as probes are read
    Units.METRIC: Unit("cm"),
    Units.US: Unit("in", 0.01 / units.M_PER_INCH),
}
DENSITY: Final[Measure] = {
    Units.METRIC: Unit("kg/m³"),
    Units.US: Unit("lb/yd³", units.M3_PER_YD3 / units.KG_PER_LB),
}
CAPACITY: Final[Measure] = {
    # of containers, kept in cubic metres
    Units.METRIC: Unit("L", 1.0 / units.M3_PER_L),
    Units.US: Unit("gal", 1.0 / units.M3_PER_GAL, digits=1),
}
DISTANCE: Final[Measure] = {
    # kept in kilometres
    Units.METRIC: Unit("km", digits=1),
    Units.US: Unit("mi", 1000.0 / (5280 * units.M_PER_FOOT), digits=1),
}
RAIN: Final[Measure] = {
    # kept in millimetres
    Units.METRIC: Unit("mm"),
    Units.US: Unit("in", 0.001 / units.M_PER_INCH, digits=2),
}
WIND: Final[Measure] = {
    Units.METRIC: Unit("m/s"),
    Units.US: Unit("mph", 3600.0 / (5280 * units.M_PER_FOOT)),
}

MEASURES: Final[dict[str, Measure]] = {
    "temp": TEMP,
    "warmth": WARMTH,
    "mass": MASS,
    "volume": VOLUME,
    "liquid": LIQUID,
    "length": LENGTH,
    "depth": DEPTH,
    "density": DENSITY,
    "capacity": CAPACITY,
    "distance": DISTANCE,
    "rain": RAIN,
    "wind": WIND,
}

NBSP: Final = "\u00a0"
NARROW_NBSP: Final = "\u202f"
"""Stands between thousands of what is shown, from five digits on."""


def grouped(number: str) -> str:
    """Return a plain decimal number with its thousands set apart: 19626 is 19 626, 4295 stays."""
    whole, mark, decimals = number.partition(".")
    if len(whole.lstrip("-")) < 5:
        return number
    return f"{int(whole):,}".replace(",", NARROW_NBSP) + mark + decimals


def ungrouped(text: str) -> str:
    """Return a text for a file or another program: the numbers in it plain again."""
    return text.replace(NARROW_NBSP, "")


def plain(value_si: float, measure: str, system: str) -> str:
    """Return the number in a person's units as it is typed into a field, never grouped."""
    unit = MEASURES[measure][system]
    return f"{unit.from_si(value_si):.{unit.digits}f}"


def figure(value_si: float | None, measure: str, system: str) -> str:
    """Return the number alone in a person's units, to be read; a dash where nothing is known."""
    return "–" if value_si is None else grouped(plain(value_si, measure, system))


def or_under(value_si: float, measure: str, system: str) -> str:
    """Return a figure with its unit; what is there but rounds to nothing is “under” one step."""
    shown = with_unit(value_si, measure, system)
    if value_si <= 0 or float(plain(value_si, measure, system)) > 0:
        return shown
    unit = MEASURES[measure][system]
    return _("under %(least)s") % {"least": f"{10**-unit.digits:g}{NBSP}{unit.sign}"}


def three_digits(value: float) -> str:
    """Return a number to three significant digits, written out: 1440, 39.1, 0.85."""
    shown = float(f"{value:.3g}")
    return grouped(f"{value:.0f}") if abs(shown) >= 100 else f"{shown:g}"


def to_three_digits(value_si: float | None, measure: str, system: str) -> str:
    """Return a figure to three significant digits with its unit: 5 gal, 44.9 gal."""
    if value_si is None:
        return "–"
    unit = MEASURES[measure][system]
    return f"{three_digits(unit.from_si(value_si))}{NBSP}{unit.sign}"


def with_unit(value_si: float | None, measure: str, system: str) -> str:
    """Return the number and its unit with a no-break space between."""
    if value_si is None:
        return "–"
    return f"{figure(value_si, measure, system)}{NBSP}{MEASURES[measure][system].sign}"
