"""Units at the edge: factors from what people type to the SI values that are kept.

The factors are exact by definition (international yard and pound, 1959; US gallon of
231 cubic inches) and are products of those definitions, not rounded figures.
"""

from __future__ import annotations

from typing import Final

KG_PER_LB: Final = 0.45359237
KG_PER_SHORT_TON: Final = 2000 * KG_PER_LB
M_PER_INCH: Final = 0.0254
M_PER_FOOT: Final = 12 * M_PER_INCH
M_PER_YARD: Final = 3 * M_PER_FOOT
M3_PER_YD3: Final = M_PER_YARD**3
M3_PER_FT3: Final = M_PER_FOOT**3
M3_PER_GAL: Final = 231 * M_PER_INCH**3
M3_PER_L: Final = 0.001

MASS_KG: Final = {"kg": 1.0, "lb": KG_PER_LB, "t": 1000.0, "short_ton": KG_PER_SHORT_TON}
VOLUME_M3: Final = {
    "m3": 1.0,
    "yd3": M3_PER_YD3,
    "gal": M3_PER_GAL,
    "l": M3_PER_L,
    "ft3": M3_PER_FT3,
}


def celsius_from_fahrenheit(temp_f: float) -> float:
    """Return degrees Celsius; 131 °F gives 55 °C exactly, and nothing is rounded."""
    return (temp_f - 32.0) * 5.0 / 9.0


def fahrenheit_from_celsius(temp_c: float) -> float:
    """Return degrees Fahrenheit."""
    return temp_c * 9.0 / 5.0 + 32.0
