"""Moist air: vapour pressure, humidity ratio, enthalpy and latent heat.

Enthalpy counts dry air and liquid water at 0 °C as zero, so that the latent heat is inside the
enthalpy of the vapour. Temperatures are °C, pressures kPa, humidity kg of vapour per kg of dry
air, enthalpies kJ per kg of dry air.

Sources: Magnus form with the coefficients of Sonntag 1990 (Z. Meteorol. 70:340), 1.0 % of the
steam tables from 0 to 75 °C; specific heats and the latent heat at 0 °C after the ASHRAE
Handbook of Fundamentals, psychrometrics chapter.
"""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Value = TypeVar("Value", float, Array)

PRESSURE_KPA: Final = 101.325
MAGNUS_KPA: Final = 0.6112
MAGNUS_A: Final = 17.62
MAGNUS_B: Final = 243.12
VAPOUR_RATIO: Final = 0.622
"""Molar mass of water over that of dry air."""

PRESSURE_CAP_KPA: Final = 95.0
"""Above about 98 °C the humidity ratio has no bound; no pile gets there and stays alive."""

CP_AIR: Final = 1.006
CP_VAPOUR: Final = 1.86
CP_WATER: Final = 4.19
LATENT_0: Final = 2501.0
"""Specific heats in kJ/(kg K); latent heat of water at 0 °C in kJ/kg."""

FREEZING_KJ_KG: Final = 334.0
"""Latent heat of melting of ice."""

STEFAN_BOLTZMANN: Final = 5.670374419e-8


def saturation_pressure_kpa(temp_c: Value) -> Value:
    """Return the vapour pressure over water, kPa, held below :data:`PRESSURE_CAP_KPA`."""
    pressure: Value = np.minimum(
        MAGNUS_KPA * np.exp(MAGNUS_A * temp_c / (MAGNUS_B + temp_c)), PRESSURE_CAP_KPA
    )
    return pressure


def humidity_ratio(vapour_kpa: Value, pressure_kpa: float = PRESSURE_KPA) -> Value:
    """Return kg of vapour per kg of dry air at a vapour pressure."""
    return VAPOUR_RATIO * vapour_kpa / (pressure_kpa - vapour_kpa)


def saturated_humidity(temp_c: Value) -> Value:
    """Return the humidity ratio of saturated air, kg/kg."""
    return humidity_ratio(saturation_pressure_kpa(temp_c))


def enthalpy_kj_kg(temp_c: Value, humidity: Value) -> Value:
    """Return the enthalpy of moist air, kJ per kg of dry air."""
    return CP_AIR * temp_c + humidity * (LATENT_0 + CP_VAPOUR * temp_c)


def latent_heat_kj_kg(temp_c: Value) -> Value:
    """Return the heat that a kilogram of water takes to evaporate at ``temp_c``."""
    return LATENT_0 - 2.361 * temp_c
