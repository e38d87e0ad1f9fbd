"""Moist air against general libraries, and the worked figures of the trade."""

from __future__ import annotations

import iapws
import numpy as np
import psychrolib
import pytest

from heapwright.science import air

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("temp_c", [0.5, 5, 20, 40, 50, 60, 70, 75])
def test_saturation_pressure_agrees_with_the_steam_tables(temp_c):
    # iapws, IAPWS-IF97 region 4; Magnus is within 1 % up to 75 °C
    exact_kpa = 1000.0 * iapws.iapws97._PSat_T(273.15 + temp_c)
    assert air.saturation_pressure_kpa(temp_c) == pytest.approx(exact_kpa, rel=0.01)


@pytest.mark.parametrize("temp_c", [0.5, 5, 20, 40, 55, 70])
@pytest.mark.parametrize("relative", [0.2, 0.8, 1.0])
def test_humidity_and_enthalpy_agree_with_psychrolib(temp_c, relative):
    # psychrolib follows the ASHRAE Handbook of Fundamentals 2017, chapter 1
    exact = psychrolib.GetHumRatioFromRelHum(temp_c, relative, 101325.0)
    ours = air.humidity_ratio(relative * air.saturation_pressure_kpa(temp_c))
    assert ours == pytest.approx(exact, rel=0.015)
    exact_kj = psychrolib.GetMoistAirEnthalpy(temp_c, exact) / 1000.0
    assert air.enthalpy_kj_kg(temp_c, exact) == pytest.approx(exact_kj, rel=0.002, abs=0.05)


@pytest.mark.parametrize("temp_c", [5, 20, 40, 60, 70])
def test_latent_heat_agrees_with_the_steam_tables(temp_c):
    water = iapws.IAPWS97(T=273.15 + temp_c, x=0).h
    steam = iapws.IAPWS97(T=273.15 + temp_c, x=1).h
    assert air.latent_heat_kj_kg(temp_c) == pytest.approx(steam - water, rel=0.002)


@pytest.mark.parametrize(
    ("temp_c", "pressure", "humidity", "enthalpy"),
    [(5, 0.872, 0.0054, 18.6), (20, 2.333, 0.0147, 57.3), (40, 7.367, 0.0488, 165.8),
     (50, 12.345, 0.0863, 274.2), (55, 15.774, 0.1147, 353.9), (60, 19.993, 0.1529, 459.8),
     (65, 25.147, 0.2053, 603.7), (70, 31.398, 0.2793, 805.3)],
)  # fmt: skip
def test_invariant_15_saturation_values_to_three_digits(temp_c, pressure, humidity, enthalpy):
    # process facts, section 2.3 (derived from the Magnus form)
    assert air.saturation_pressure_kpa(temp_c) == pytest.approx(pressure, abs=6e-4)
    assert air.saturated_humidity(temp_c) == pytest.approx(humidity, abs=6e-5)
    assert air.enthalpy_kj_kg(temp_c, air.saturated_humidity(temp_c)) == pytest.approx(
        enthalpy, abs=0.06
    )


@pytest.mark.parametrize(
    ("intake_c", "relative", "exhaust_c", "rise_w", "rise_h"),
    [(20, 0.5, 55, 0.1074, 315.4), (20, 0.5, 60, 0.1457, 421.3), (20, 0.5, 65, 0.1981, 565.2),
     (5, 0.85, 55, 0.1101, 337.4), (5, 0.85, 60, 0.1483, 443.3), (5, 0.85, 65, 0.2007, 587.2)],
)  # fmt: skip
def test_heat_carried_by_exhaust_air(intake_c, relative, exhaust_c, rise_w, rise_h):
    # process facts, section 2.5 A (derived)
    w_in = air.humidity_ratio(relative * air.saturation_pressure_kpa(intake_c))
    w_out = air.saturated_humidity(exhaust_c)
    assert w_out - w_in == pytest.approx(rise_w, abs=6e-5)
    rise = air.enthalpy_kj_kg(exhaust_c, w_out) - air.enthalpy_kj_kg(intake_c, w_in)
    assert rise == pytest.approx(rise_h, abs=0.06)


def test_saturation_holds_for_arrays_and_is_capped():
    temps = np.array([20.0, 60.0, 150.0])
    assert air.saturation_pressure_kpa(temps)[-1] == air.PRESSURE_CAP_KPA
    assert np.all(np.diff(air.saturated_humidity(temps)) > 0)
