"""The rates of change of a pile: two zones of heat, water, oxygen and solids, for an ensemble.

Zone 0 is the core, zone 1 the shell. Arrays have the ensemble as last axis: ``(members,)`` for
what a pile has once, ``(2, members)`` for what each zone has. Time is in hours, energy in kJ,
mass in kg. Enthalpy is counted from liquid water and dry matter at 0 °C.

The equations follow a two-zone form of the lumped composting models reviewed by Mason 2006
(Waste Management 26:3): first-order loss of a fast and a slow pool, corrected for temperature
(cardinal temperatures, Rosso and others 1993), water, free air space and oxygen (Haug 1993);
air driven by buoyancy through the pores; conduction through the shell; evaporation from the
outer surface limited by its wetness. What each figure rests on is in ``data/pile.csv``.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.science import air
from heapwright.science.pile_layout import (
    ACTIVE,
    FAST,
    HEAT,
    LOOSE,
    POOLS,
    SLOW,
    TOTALS,
    WATER,
    Coefficients,
    Diagnosis,
    Forcing,
)

Array = npt.NDArray[np.float64]

AIR_DENSITY: Final = 1.1  # kg/m³, moist air of 30 to 40 °C
AIR_VISCOSITY: Final = 1.9e-5  # Pa s
GRAVITY: Final = 9.81
KELVIN: Final = 273.15
O2_PER_AIR_PCT: Final = 0.01 * 32.0 / 28.96  # kg of oxygen per kg of air and % v/v
OXYGEN_AMBIENT_PCT: Final = 21.0
O2_DIFFUSION_M2_H: Final = 0.075
CARBON_OF_CO2: Final = 12.0 / 44.0
SOLID_M3_PER_KG: Final = 1.0 / 1550.0
LEAST_PORES: Final = 0.02
NEAR_C: Final = 1e-3
ENOUGH_OXYGEN_PCT: Final = 5.0
MAGNUS_AB: Final = air.MAGNUS_A * air.MAGNUS_B


def solids_and_capacity(c: Coefficients, y: Array) -> tuple[Array, Array]:
    """Return dry mass (kg) and heat capacity (kJ/K) of each zone."""
    solids = c.inert_kg + y[FAST] + y[SLOW]
    return solids, c.cp_solid * solids + air.CP_WATER * y[WATER]


def volume_m3(c: Coefficients, solids: Array, loose: Array) -> Array:
    """Return the heap's volume: dry mass lost and settling shrink it."""
    ratio = (solids[0] + solids[1]) * c.m_ref_inv
    packing: Array = c.loose_min + (1.0 - c.loose_min) * loose
    volume: Array = c.v_ref * np.exp(c.shrink_power * np.log(ratio)) * packing
    return volume


def snow_share(temp_c: float) -> float:
    """Return the share of precipitation that falls as snow: all at −1 °C, none at +1 °C."""
    return min(max(0.5 * (1.0 - temp_c), 0.0), 1.0)


def rates(
    c: Coefficients, y: Array, w: Forcing, out: Array, steepness: Array | None = None
) -> Array:
    """Put the time derivative of every row of ``y``, per hour, into ``out`` and return it.

    Parameters
    ----------
    c : Coefficients
    y : array (STATE_ROWS or more, members)
        The state; running totals do not matter.
    w : Forcing
        The weather of the moment.
    out : array (ROWS, members)
    steepness : array (2, members), optional
        Gets the relative change of each zone's decay by its temperature, per °C.
    """
    result = _evaluate(c, y, w, out, steepness)
    assert isinstance(result, np.ndarray)
    return result


def diagnose(c: Coefficients, y: Array, w: Forcing) -> Diagnosis:
    """Return what follows at once from a state: temperatures, oxygen, volume and so on."""
    result = _evaluate(c, y, w, None, None)
    assert isinstance(result, Diagnosis)
    return result


def _evaluate(
    c: Coefficients, y: Array, w: Forcing, out: Array | None, steepness: Array | None
) -> Array | Diagnosis:
    heat, water, pools, active = y[HEAT], y[WATER], y[POOLS], y[ACTIVE]
    organic = pools[:2] + pools[2:]
    solids = c.inert_kg + organic
    capacity = c.cp_solid * solids
    capacity += air.CP_WATER * water
    thawed = bool(heat.min() >= 0.0)
    if thawed:
        temp = heat / capacity
    else:
        ice = c.freezing * water
        temp = np.maximum(heat, 0.0) + np.minimum(heat + ice, 0.0)
        temp /= capacity

    volume = volume_m3(c, solids, y[LOOSE])
    scale = volume * c.v_shape_inv
    moisture = water / (water + solids)
    organic *= SOLID_M3_PER_KG
    organic += c.solid_m3_inert
    organic += water * 0.001
    organic /= volume * c.share
    air_space = 1.0 - organic
    np.maximum(air_space, 0.0, out=air_space)

    # Kinetics without oxygen: temperature x water x air space x activity.
    t = np.maximum(temp, c.t_min)
    np.minimum(t, c.t_max, out=t)
    gamma = t - c.t_min
    gamma *= gamma
    gamma *= t - c.t_max
    gamma /= c.ctmi_slope * t + c.ctmi_offset
    limits = np.empty((2, *temp.shape))
    np.multiply(moisture, c.moist_fall, out=limits[0])
    np.multiply(air_space, c.air_fall, out=limits[1])
    limits += c.limit_offset
    np.exp(limits, out=limits)
    limits += 1.0
    factor = gamma * c.per_gamma_20
    factor /= limits[0] * limits[1]
    factor *= active
    if not thawed:
        frozen = np.minimum(heat, 0.0) / np.maximum(ice, 1e-9)
        factor *= np.maximum(1.0 + frozen, 0.0)
    potential = c.k_h * pools
    demand = potential[:2] + potential[2:]
    demand *= factor
    demand *= c.demand_yield

    # Air: buoyancy through the pores of the core, wind through the shell.
    t_core, t_shell = temp[0], temp[1]
    flow = np.maximum(t_core - w.temp_c, 0.0)
    flow /= t_core + KELVIN
    pores = np.maximum(air_space[0], LEAST_PORES)
    flow *= pores * pores * pores
    height = c.height_m * scale
    flow *= height / (height + c.half_width_m)
    flow *= c.chimney
    flow += c.blower_kg_h
    side_flow = c.wind_draught * w.wind_m_s
    side_flow += 0.5 * flow
    total_flow = flow + side_flow

    # Oxygen: supply by air and diffusion against Monod demand, shell first, then core.
    dry_area = c.side_dry_m2 * scale
    dry_area += c.top_dry_m2
    wet_area = c.side_wet_m2 * scale
    wet_area += c.top_wet_m2
    a_shell = air_space[1]
    supply = (dry_area + wet_area) * c.diffuse_shell
    supply *= a_shell * a_shell
    supply += total_flow
    oxygen = np.empty_like(temp)
    oxygen[1] = _oxygen(OXYGEN_AMBIENT_PCT, demand[1], supply, c.k_oxygen[1])
    between = air_space[0] + a_shell
    supply = c.diffuse_core * scale
    supply *= between * between
    supply += flow
    oxygen[0] = _oxygen(oxygen[1], demand[0], supply, c.k_oxygen[0])
    factor *= oxygen
    factor /= oxygen + c.k_oxygen
    potential[:2] *= factor
    potential[2:] *= factor
    lost = potential[:2] + potential[2:]
    if out is None:
        return Diagnosis(
            temp, moisture, oxygen, np.minimum(air_space, 1.0), volume, solids, lost * c.o2_yield
        )

    if steepness is not None:
        _steepness(c, t, oxygen, steepness)
    d = out
    np.negative(potential, out=d[POOLS])
    totals = d[TOTALS]
    made = lost * c.heat_yield
    bound = temp * c.bound_yield
    bound *= lost

    # Moist air: outside -> shell -> core -> out, part of the core's vapour condensing in the
    # shell. The last row is the outer surface at a first guess of its temperature.
    three = np.empty((3, temp.shape[1]))
    three[:2] = temp
    warmer = t_shell - w.temp_c
    guess = three[2]
    np.multiply(c.surface_guess, warmer, out=guess)
    guess += w.temp_c
    below = air.MAGNUS_B + three
    saturated = three * air.MAGNUS_A
    saturated /= below
    np.exp(saturated, out=saturated)
    saturated *= air.MAGNUS_KPA
    np.minimum(saturated, air.PRESSURE_CAP_KPA, out=saturated)
    below_pressure = air.PRESSURE_KPA - saturated
    saturated *= air.VAPOUR_RATIO
    saturated /= below_pressure
    humid = moisture * c.dry_inv
    np.minimum(humid, 1.0, out=humid)
    humid *= saturated[:2]
    content = temp * air.CP_VAPOUR
    content += air.LATENT_0
    content *= humid
    content += temp * air.CP_AIR
    condensing = c.condense * flow
    rise = content[0] - content[1]
    air_core = flow * rise
    air_shell = w.enthalpy - content[1]
    air_shell *= total_flow
    air_shell += condensing * rise
    rise_w = humid[0] - humid[1]
    vapour_core = flow * rise_w
    vapour_shell = w.humidity - humid[1]
    vapour_shell *= total_flow
    vapour_shell += condensing * rise_w

    # The outer surface: conduction from the shell = convection + radiation + evaporation.
    at_surface = saturated[2]
    slope = at_surface * (1.0 / air.VAPOUR_RATIO) + 1.0
    slope *= at_surface
    slope *= MAGNUS_AB
    slope /= below[2] * below[2]
    wet = moisture[1] - c.wet_from
    wet *= c.wet_span_inv
    np.maximum(wet, 0.0, out=wet)
    np.minimum(wet, 1.0, out=wet)
    wet *= c.wetness
    wet *= w.convection_w_m2_k / (1000.0 * air.CP_AIR)  # kg/(m² s)
    latent = air.CP_VAPOUR * guess
    latent -= air.CP_WATER * t_shell
    latent += air.LATENT_0
    heavy = wet * latent
    heavy *= 1000.0
    excess = at_surface - w.humidity
    guess -= w.temp_c
    step = (warmer - guess) * c.r_wet_inv
    step -= w.film_w_m2_k * guess
    step -= heavy * excess
    step /= c.r_wet_inv + w.film_w_m2_k + heavy * slope
    slope *= step
    slope += excess
    steam = np.maximum(slope, 0.0)
    steam *= wet
    steam *= wet_area
    steam *= 3600.0
    # What leaves the shell through the wet part: conduction to the surface, plus the liquid.
    latent *= steam
    warmer_surface = guess
    warmer_surface += step
    through_wet = warmer - warmer_surface
    through_wet *= c.r_wet_inv
    through_wet *= wet_area
    through_dry = warmer * dry_area
    through_dry /= c.r_dry + 1.0 / w.film_w_m2_k
    through_wet += through_dry
    through_wet *= 3.6
    np.subtract(through_wet, latent, out=totals[2])
    leaving_steam = totals[5]
    np.multiply(steam, t_shell, out=leaving_steam)
    leaving_steam *= air.CP_WATER

    inner = c.k_core_kj_h * scale
    inner *= t_core - t_shell
    to_ground = t_core + t_shell
    to_ground *= 0.5
    to_ground -= w.ground_c
    to_ground *= c.floor_kj_h

    # Liquid water: rain, capillary exchange, drainage.
    per_solid = water / solids
    exchange = per_solid[1] - per_solid[0]
    exchange *= np.minimum(solids[0], solids[1])
    exchange *= c.mix_h_inv
    exchange_kj = np.where(exchange > 0.0, t_shell, t_core)
    exchange_kj *= exchange
    exchange_kj *= air.CP_WATER

    rise_core, rise_shell = d[0], d[1]
    np.add(made, bound, out=d[HEAT])
    to_ground *= 0.5
    rise_core -= air_core
    rise_core -= inner
    rise_core -= to_ground
    rise_core += exchange_kj
    rise_shell += air_shell
    rise_shell += inner
    rise_shell -= through_wet
    rise_shell -= leaving_steam
    rise_shell -= to_ground
    rise_shell -= exchange_kj
    np.multiply(lost, c.water_yield, out=d[WATER])
    d[2] -= vapour_core
    d[2] += exchange
    d[3] += vapour_shell
    d[3] -= exchange
    d[3] -= steam

    totals[6:8] = 0.0
    totals[10:12] = 0.0
    if w.rain_mm_h > 0.0:
        full = np.minimum(per_solid[1] / c.water_cap[1], 1.0)
        full *= full
        rain = totals[10]
        np.multiply(full, full, out=rain)
        rain *= -c.rain_bypass
        rain += 1.0
        rain *= c.rain_m2
        rain *= w.rain_mm_h
        per_kg = air.CP_WATER * w.temp_c - snow_share(w.temp_c) * c.freezing[1]
        np.multiply(rain, per_kg, out=totals[6])
        d[3] += rain
        rise_shell += totals[6]
    if bool((per_solid > c.water_cap).any()):
        drips = np.maximum(water - c.water_cap * solids, 0.0) * c.drain_h_inv
        drips_kj = air.CP_WATER * drips * temp
        d[2] += 0.5 * drips[1] - drips[0]
        d[3] -= drips[1]
        rise_core += 0.5 * drips_kj[1] - drips_kj[0]
        rise_shell -= drips_kj[1]
        totals[7] = drips_kj[0] + 0.5 * drips_kj[1]
        totals[11] = drips[0] + 0.5 * drips[1]

    growth = d[ACTIVE]
    np.subtract(1.0, active, out=growth)
    growth *= active
    growth *= gamma
    growth *= c.growth_per_gamma
    growth *= np.minimum(oxygen * (1.0 / ENOUGH_OXYGEN_PCT), 1.0)
    np.multiply(y[LOOSE], c.settle_h_inv, out=d[LOOSE])
    np.negative(d[LOOSE], out=d[LOOSE])

    np.add(made[0], made[1], out=totals[0])
    np.add(bound[0], bound[1], out=totals[1])
    np.multiply(to_ground, 2.0, out=totals[3])
    np.subtract(air_core, air_shell, out=totals[4])
    leaving_steam += latent
    np.subtract(vapour_core, vapour_shell, out=totals[8])
    totals[9] = steam
    return d


def _oxygen(inlet: Array | float, demand: Array, supply: Array, k: Array) -> Array:
    """Return pore oxygen, % v/v, where supply x (inlet - O) = demand x O / (O + k).

    ``supply`` is kg of air per hour, by flow and diffusion; ``demand`` is in the air that holds
    it at 1 % (kg/h times % v/v).
    """
    b = demand / supply
    b += k
    b -= inlet
    product = k * inlet
    root = b * b
    root += 4.0 * product
    np.sqrt(root, out=root)
    root += b
    oxygen: Array = 2.0 * product
    oxygen /= root
    return oxygen


def _steepness(c: Coefficients, t: Array, oxygen: Array, out: Array) -> None:
    """Put d ln(decay) / dT of both zones into ``out``.

    From the cardinal temperature function, damped by the oxygen that faster decay uses up:
    d ln r / d ln R = 1 / (1 + k (inlet - O) / (O (O + k))).
    """
    np.divide(2.0, np.maximum(t - c.t_min, NEAR_C), out=out)
    out -= 1.0 / np.maximum(c.t_max - t, NEAR_C)
    out -= c.ctmi_slope / (c.ctmi_slope * t + c.ctmi_offset)
    used = np.empty_like(oxygen)
    np.subtract(oxygen[1], oxygen[0], out=used[0])
    np.subtract(OXYGEN_AMBIENT_PCT, oxygen[1], out=used[1])
    used *= c.k_oxygen
    used /= np.maximum(oxygen, 1e-9) * (oxygen + c.k_oxygen)
    used += 1.0
    out /= used
