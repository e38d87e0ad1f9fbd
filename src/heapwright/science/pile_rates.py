"""The rates of change of a pile and their integration in time.

Two zones of heat, water, oxygen and solids: 0 is the core, 1 the shell. Time is in hours, energy
in kJ, mass in kg. Enthalpy is counted from liquid water and dry matter at 0 °C.

The equations follow a two-zone form of the lumped composting models reviewed by Mason 2006
(Waste Management 26:3): first-order loss of a fast and a slow pool, corrected for temperature
(cardinal temperatures, Rosso and others 1993), water, free air space and oxygen (Haug 1993);
air driven by buoyancy through the pores; conduction through the shell; evaporation from the
outer surface limited by its wetness. What each figure rests on is in ``data/pile.csv``.

A hot pile is stiff: near the temperature at which its life stops, heat falls by half within a
degree or two. The method is therefore linearly implicit, ROS34PW2 of Rang & Angermann 2005 (BIT
Numerical Mathematics 45:761), third order with an estimate of the error and L-stable, whose
order holds for whatever Jacobian it is given. Ours has only the change of each zone's decay
with its temperature: what decay does to heat, water, pools and totals, times a factor. Because
decay conserves mass and energy, so do the steps, to rounding.

Eight members go side by side (:mod:`heapwright.science.lanes`), each with its own time, step and
weather; a lane that has done with its member takes the next one. Called from Python with plain
floats, the equations give plain floats. Everything here is compiled, and in one file so that a
change of any of it renews what is kept on disk. ``benchmarks/forecast.py`` has the same equations
written out afresh in plain Python, which the tests hold these against.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from heapwright.science import air
from heapwright.science.compiled import compiled, inlined
from heapwright.science.lanes import WIDTH, put, put_all, row, rows_as, where_less
from heapwright.science.pile_layout import (
    ACTIVE_CORE,
    ACTIVE_SHELL,
    FAST_CORE,
    FAST_SHELL,
    HEAT_CORE,
    HEAT_SHELL,
    ROWS,
    SLOW_CORE,
    SLOW_SHELL,
    STATE_ROWS,
    TOTALS_FROM,
    WATER_CORE,
    WATER_SHELL,
    Change,
    Coefficients,
    Figures,
    Forcing,
    State,
)

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Lane = Any
"""A float, or lanes of them."""

AIR_DENSITY: Final = 1.1  # kg/m³, moist air of 30 to 40 °C
AIR_VISCOSITY: Final = 1.9e-5  # Pa s
GRAVITY: Final = 9.81
KELVIN: Final = 273.15
O2_PER_AIR_PCT: Final = 0.01 * 32.0 / 28.96  # kg of oxygen per kg of air and % v/v
AIR_PCT_PER_O2: Final = 1.0 / O2_PER_AIR_PCT
OXYGEN_AMBIENT_PCT: Final = 21.0
O2_DIFFUSION_M2_H: Final = 0.075
CARBON_OF_CO2: Final = 12.0 / 44.0
SOLID_M3_PER_KG: Final = 1.0 / 1550.0
LEAST_PORES: Final = 0.02
NEAR_C: Final = 1e-3
ENOUGH_OXYGEN_PCT: Final = 5.0

CONVECTION_STILL: Final = 5.7
CONVECTION_WIND: Final = 3.8
"""Convection at an outer surface, W/(m² K): 5.7 + 3.8 v (McAdams 1954, from memory)."""

EMISSIVITY: Final = 0.9
RADIATION_ABOVE_AIR_C: Final = 5.0
"""Emissivity of moist organic surfaces, and how much warmer the surface is taken for radiation."""

HUMIDITY_PER_C: Final = air.MAGNUS_A * air.MAGNUS_B / (air.MAGNUS_B + 10.0) ** 2
"""By which share saturated air holds more a degree, at 10 °C."""

MOST_EXPONENT: Final = 300.0
"""Beyond, an exponential is as good as infinite; the product of two must still be finite."""

# Globals of this file, so that they are compiled in.
_CP_AIR: Final = air.CP_AIR
_CP_VAPOUR: Final = air.CP_VAPOUR
_CP_WATER: Final = air.CP_WATER
_LATENT_0: Final = air.LATENT_0
_MAGNUS_KPA: Final = air.MAGNUS_KPA
_MAGNUS_A: Final = air.MAGNUS_A
_MAGNUS_B: Final = air.MAGNUS_B
_PRESSURE_KPA: Final = air.PRESSURE_KPA
_PRESSURE_CAP_KPA: Final = air.PRESSURE_CAP_KPA
_VAPOUR_RATIO: Final = air.VAPOUR_RATIO
_STEFAN_BOLTZMANN: Final = air.STEFAN_BOLTZMANN


def volume_m3(c: Coefficients, solids_kg: Array, loose: Array) -> Array:
    """Return the heap's volume: dry mass lost and settling shrink it.

    ``solids_kg`` (2, members) by zone, ``loose`` (members,).
    """
    ratio = solids_kg.sum(axis=0) * c["m_ref_inv"]
    packing = c["loose_min"] + (1.0 - c["loose_min"]) * loose
    volume: Array = c["v_ref_m3"] * ratio ** c["shrink_power"] * packing
    return volume


class Zone(NamedTuple):
    """One zone at one moment.

    ``pace`` is what multiplies its pools' own rates, ``per_kg`` is 1 / solids, ``k_per_kj``
    1 / heat capacity.
    """

    solids_kg: float
    per_kg: float
    k_per_kj: float
    temp_c: float
    moisture: float
    air_space: float
    gamma: float
    pace: float


class Inside(NamedTuple):
    """A pile at one moment: both zones, the air through them, and their oxygen.

    ``soak_kg_mm`` is what a millimetre of rain brings in, ``soak_kj_mm`` the heat of that.
    """

    core: Zone
    shell: Zone
    volume_m3: float
    scale: float
    flow_kg_h: float
    total_flow_kg_h: float
    dry_area_m2: float
    wet_area_m2: float
    oxygen_core_pct: float
    oxygen_shell_pct: float
    core_pace: float
    shell_pace: float
    soak_kg_mm: float
    soak_kj_mm: float


KEPT: Final = 6
"""Rows of the state that :func:`run` keeps at every output: water and pools of both zones."""


class Seen(NamedTuple):
    """What follows at once from a state, in the order in which :func:`run` keeps it.

    ``uptake`` is oxygen used, kg/h.
    """

    core_temp_c: float
    shell_temp_c: float
    core_moisture: float
    shell_moisture: float
    core_oxygen_pct: float
    shell_oxygen_pct: float
    core_air_space: float
    shell_air_space: float
    core_solids_kg: float
    shell_solids_kg: float
    core_uptake_kg_h: float
    shell_uptake_kg_h: float
    volume_m3: float


SEEN: Final = len(Seen._fields)


@inlined
def snow_share(temp_c: Lane) -> Lane:
    """Return the share of precipitation that falls as snow: all at −1 °C, none at +1 °C."""
    return min(max(0.5 * (1.0 - temp_c), 0.0), 1.0)


class Sky(NamedTuple):
    """Hourly weather since the pile was built; see :mod:`heapwright.science.pile_weather`.

    ``warmer_c`` and ``rain_factor`` (members, days) are what each member's days have more or
    less of; no days where all have the same weather.
    """

    temp_c: Array
    humidity: Array
    wind_m_s: Array
    ground_c: float
    shelter: float
    warmer_c: Array
    rain_factor: Array


@inlined
def between_hours(sky: Sky, hour: float) -> tuple[float, float, float]:
    """Return temperature, humidity ratio and wind at ``hour`` between the hourly values."""
    last = len(sky.temp_c) - 1
    left = min(max(int(hour), 0), last)
    right = min(left + 1, last)
    share = min(max(hour - left, 0.0), 1.0)
    return (
        sky.temp_c[left] + share * (sky.temp_c[right] - sky.temp_c[left]),
        sky.humidity[left] + share * (sky.humidity[right] - sky.humidity[left]),
        sky.wind_m_s[left] + share * (sky.wind_m_s[right] - sky.wind_m_s[left]),
    )


@inlined
def forcing(
    temp_c: Lane, humidity: Lane, wind_m_s: Lane, ground_c: float, shelter: float, rain_mm_h: Lane
) -> Forcing:
    """Return what the weather of a moment does to the outside of a pile."""
    convection = CONVECTION_STILL + CONVECTION_WIND * shelter * wind_m_s
    surface_k = temp_c + (KELVIN + RADIATION_ABOVE_AIR_C)
    radiation = 4.0 * EMISSIVITY * _STEFAN_BOLTZMANN * surface_k * surface_k * surface_k
    return Forcing(
        temp_c,
        humidity,
        _CP_AIR * temp_c + humidity * (_LATENT_0 + _CP_VAPOUR * temp_c),
        convection + radiation,
        convection,
        wind_m_s,
        ground_c,
        rain_mm_h,
    )


class Steam(NamedTuple):
    """Humidity ratios of saturated air at three temperatures, kg/kg.

    ``per_below_surface`` is 1 / (the Magnus formula's denominator) at the last.
    """

    core: float
    shell: float
    surface: float
    per_below_surface: float


@inlined
def pressure_kpa(temp_c: Lane, per_below: Lane) -> Lane:
    """Return the saturation pressure by Magnus' formula, of which 1 / denominator is given."""
    exponent = min(_MAGNUS_A * temp_c * per_below, MOST_EXPONENT)
    return min(_MAGNUS_KPA * math.exp(exponent), _PRESSURE_CAP_KPA)


@inlined
def saturated(core_c: Lane, shell_c: Lane, surface_c: Lane) -> Steam:
    """Return the humidity ratios of saturated air, three at once as divisions cost most."""
    a, b, c = _MAGNUS_B + core_c, _MAGNUS_B + shell_c, _MAGNUS_B + surface_c
    inverse = 1.0 / (a * b * c)
    per_below = inverse * a * b
    p, q, r = (
        pressure_kpa(core_c, inverse * b * c),
        pressure_kpa(shell_c, inverse * a * c),
        pressure_kpa(surface_c, per_below),
    )
    u, v, w = _PRESSURE_KPA - p, _PRESSURE_KPA - q, _PRESSURE_KPA - r
    inverse = _VAPOUR_RATIO / (u * v * w)
    return Steam(p * v * w * inverse, q * u * w * inverse, r * u * v * inverse, per_below)


@inlined
def monod(inlet_pct: Lane, demand_pct: Lane, k_pct: Lane) -> Lane:
    """Return pore oxygen O, % v/v, where inlet - O = demand x O / (O + k).

    ``demand_pct`` is what decay at full rate would take out of the air that comes in.
    """
    b = k_pct - inlet_pct + demand_pct
    product = k_pct * inlet_pct
    return 2.0 * product / (b + math.sqrt(b * b + 4.0 * product))


@inlined
def zone(
    c: Any,
    heat_kj: Lane,
    water_kg: Lane,
    organic_kg: Lane,
    inert_kg: Lane,
    inert_m3: Lane,
    active: Lane,
    per_m3: Lane,
) -> Zone:
    """Return what follows of one zone's state without its oxygen; ``per_m3`` is 1 / volume."""
    solids = inert_kg + organic_kg
    capacity = c.cp_solid * solids + _CP_WATER * water_kg
    ice = max(c.freezing * water_kg, 1e-9)
    total = water_kg + solids
    inverse = 1.0 / ((capacity * solids) * (total * ice))  # divisions cost most
    k_per_kj = solids * (total * ice) * inverse
    temp = (max(heat_kj, 0.0) + min(heat_kj + ice, 0.0)) * k_per_kj
    moisture = water_kg * ice * (capacity * solids) * inverse
    taken_m3 = inert_m3 + organic_kg * SOLID_M3_PER_KG + water_kg * 0.001
    air_space = max(1.0 - taken_m3 * per_m3, 0.0)
    t = min(max(temp, c.t_min), c.t_max)
    moist = math.exp(min(c.moist_offset + c.moist_slope * moisture, MOST_EXPONENT))
    airy = math.exp(min(c.air_offset + c.air_slope * air_space, MOST_EXPONENT))
    slowed = (1.0 + moist) * (1.0 + airy)
    rate = (t - c.t_min) * (t - c.t_min) * (t - c.t_max)
    rate /= (c.ctmi_slope * t + c.ctmi_offset) * slowed
    thawed = max(1.0 + min(heat_kj, 0.0) * total * (capacity * solids) * inverse, 0.0)
    return Zone(
        solids,
        capacity * (total * ice) * inverse,
        k_per_kj,
        temp,
        moisture,
        air_space,
        rate * slowed,
        rate * c.per_gamma_20 * active * thawed,
    )


@inlined
def inside(c: Any, y: State, w: Forcing) -> Inside:
    """Return both zones with the air that passes them and the oxygen left in it."""
    organic_core = y.fast_core + y.slow_core
    organic_shell = y.fast_shell + y.slow_shell
    solids = c.inert_core_kg + c.inert_shell_kg + organic_core + organic_shell
    packing = c.loose_min + (1.0 - c.loose_min) * y.loose
    volume = c.v_ref_m3 * math.exp(c.shrink_power * math.log(solids * c.m_ref_inv)) * packing
    inverse = 1.0 / (volume * c.share_core * c.share_shell)
    core = zone(
        c,
        y.heat_core,
        y.water_core,
        organic_core,
        c.inert_core_kg,
        c.inert_core_m3,
        y.active_core,
        inverse * c.share_shell,
    )
    shell = zone(
        c,
        y.heat_shell,
        y.water_shell,
        organic_shell,
        c.inert_shell_kg,
        c.inert_shell_m3,
        y.active_shell,
        inverse * c.share_core,
    )
    # Air: buoyancy through the pores of the core, wind through the shell.
    scale = volume * c.v_shape_inv
    height = c.height_m * scale
    pores = max(core.air_space, LEAST_PORES)
    lift = max(core.temp_c - w.temp_c, 0.0) * c.chimney * height
    lift /= (KELVIN + core.temp_c) * (height + c.half_width_m)
    flow = c.blower_kg_h + lift * pores * pores * pores
    total = 1.5 * flow + c.wind_draught * w.wind_m_s
    # Oxygen: supply by air and diffusion against Monod demand, shell first, then core.
    dry_area = c.side_dry_m2 * scale + c.top_dry_m2
    wet_area = c.side_wet_m2 * scale + c.top_wet_m2
    demand_core = (c.k_fast_h * y.fast_core + c.k_slow_h * y.slow_core) * core.pace
    demand_shell = (c.k_fast_h * y.fast_shell + c.k_slow_h * y.slow_shell) * shell.pace
    between = core.air_space + shell.air_space
    seep = (dry_area + wet_area) * c.diffuse_shell * shell.air_space * shell.air_space
    supply_shell = total + seep
    supply_core = flow + c.diffuse_core * scale * between * between
    inverse = c.o2_yield * AIR_PCT_PER_O2 / (supply_shell * supply_core)
    outer = monod(OXYGEN_AMBIENT_PCT, demand_shell * supply_core * inverse, c.k_oxygen)
    inner = monod(outer, demand_core * supply_shell * inverse, c.k_oxygen)
    half_core, half_shell = inner + c.k_oxygen, outer + c.k_oxygen
    inverse = 1.0 / (half_core * half_shell)
    # Rain: a soaked pile lets the more of it through.
    full = min(y.water_shell * c.water_cap_inv * shell.per_kg, 1.0)
    soak = c.rain_m2 * (1.0 - c.rain_bypass * full * full * full * full)
    return Inside(
        core,
        shell,
        volume,
        scale,
        flow,
        total,
        dry_area,
        wet_area,
        inner,
        outer,
        core.pace * inner * half_shell * inverse,
        shell.pace * outer * half_core * inverse,
        soak,
        soak * (_CP_WATER * w.temp_c - snow_share(w.temp_c) * c.freezing),
    )


@inlined
def rates(c: Any, y: State, w: Forcing) -> tuple[Change, Inside]:
    """Return the time derivative of the state and of the running totals, per hour.

    Parameters
    ----------
    c : Figures
        See :data:`heapwright.science.pile_layout.COEFFICIENTS`.
    y : State
    w : Forcing
        The weather of the moment.
    """
    p = inside(c, y, w)
    core, shell = p.core, p.shell
    t_core, t_shell, flow = core.temp_c, shell.temp_c, p.flow_kg_h
    fast_core = c.k_fast_h * y.fast_core * p.core_pace
    slow_core = c.k_slow_h * y.slow_core * p.core_pace
    fast_shell = c.k_fast_h * y.fast_shell * p.shell_pace
    slow_shell = c.k_slow_h * y.slow_shell * p.shell_pace
    lost_core = fast_core + slow_core
    lost_shell = fast_shell + slow_shell
    made_core, made_shell = lost_core * c.heat_yield, lost_shell * c.heat_yield
    bound_core = lost_core * c.bound_yield * t_core
    bound_shell = lost_shell * c.bound_yield * t_shell

    # Moist air: outside -> shell -> core -> out, part of the core's vapour condensing in the
    # shell.
    warmer = t_shell - w.temp_c
    guess = w.temp_c + c.surface_guess * warmer
    steams = saturated(t_core, t_shell, guess)
    humid_core = steams.core * min(core.moisture * c.dry_inv, 1.0)
    humid_shell = steams.shell * min(shell.moisture * c.dry_inv, 1.0)
    content_core = _CP_AIR * t_core + humid_core * (_LATENT_0 + _CP_VAPOUR * t_core)
    content_shell = _CP_AIR * t_shell + humid_shell * (_LATENT_0 + _CP_VAPOUR * t_shell)
    condensing = c.condense * flow
    rise = content_core - content_shell
    rise_w = humid_core - humid_shell
    air_core = flow * rise
    air_shell = p.total_flow_kg_h * (w.enthalpy - content_shell) + condensing * rise
    vapour_core = flow * rise_w
    vapour_shell = p.total_flow_kg_h * (w.humidity - humid_shell) + condensing * rise_w

    # The outer surface: conduction from the shell = convection + radiation + evaporation, by one
    # Newton step from a guess of the surface's temperature.
    at_surface = steams.surface
    slope = at_surface * (1.0 + at_surface * (1.0 / _VAPOUR_RATIO)) * (_MAGNUS_A * _MAGNUS_B)
    slope *= steams.per_below_surface * steams.per_below_surface
    wet = min(max((shell.moisture - c.wet_from) * c.wet_span_inv, 0.0), 1.0) * c.wetness
    wet *= w.convection_w_m2_k * (0.001 / _CP_AIR)  # kg/(m² s)
    latent = _LATENT_0 + _CP_VAPOUR * guess - _CP_WATER * t_shell
    heavy = 1000.0 * wet * latent
    excess = at_surface - w.humidity
    film = w.film_w_m2_k
    newton = (t_shell - guess) * c.r_wet_inv - film * (guess - w.temp_c) - heavy * excess
    stiffness, across = c.r_wet_inv + film + heavy * slope, c.r_dry * film + 1.0
    inverse = 1.0 / (stiffness * across)
    newton *= across * inverse
    steam = 3600.0 * wet * p.wet_area_m2 * max(excess + slope * newton, 0.0)
    # What leaves the shell through the wet part: conduction to the surface, plus the liquid.
    through_wet = (t_shell - guess - newton) * c.r_wet_inv * p.wet_area_m2
    through = 3.6 * (through_wet + warmer * p.dry_area_m2 * film * stiffness * inverse)
    steam_kj = steam * _CP_WATER * t_shell

    inner = c.k_core_kj_h * p.scale * (t_core - t_shell)
    ground = 0.5 * c.floor_kj_h * (0.5 * (t_core + t_shell) - w.ground_c)

    # Liquid water: rain, capillary exchange, drainage.
    inward = y.water_shell * shell.per_kg - y.water_core * core.per_kg
    inward *= min(core.solids_kg, shell.solids_kg) * c.mix_h_inv
    inward_kj = _CP_WATER * (max(inward, 0.0) * t_shell + min(inward, 0.0) * t_core)
    rain = w.rain_mm_h * p.soak_kg_mm
    rain_kj = w.rain_mm_h * p.soak_kj_mm
    drip_core = max(y.water_core - c.water_cap * core.solids_kg, 0.0) * c.drain_h_inv
    drip_shell = max(y.water_shell - c.water_cap * shell.solids_kg, 0.0) * c.drain_h_inv
    drip_core_kj = _CP_WATER * drip_core * t_core
    drip_shell_kj = _CP_WATER * drip_shell * t_shell

    lively = c.growth_per_gamma * (1.0 / ENOUGH_OXYGEN_PCT)
    change = Change(
        made_core
        + (bound_core - air_core - inner - ground)
        + (inward_kj + 0.5 * drip_shell_kj - drip_core_kj),
        made_shell
        + (bound_shell + air_shell + inner - through)
        + (rain_kj - steam_kj - ground - inward_kj - drip_shell_kj),
        c.water_yield * lost_core - vapour_core + inward + 0.5 * drip_shell - drip_core,
        c.water_yield * lost_shell + vapour_shell - inward - steam + rain - drip_shell,
        -fast_core,
        -fast_shell,
        -slow_core,
        -slow_shell,
        y.active_core
        * (1.0 - y.active_core)
        * (core.gamma * lively * min(p.oxygen_core_pct, ENOUGH_OXYGEN_PCT)),
        y.active_shell
        * (1.0 - y.active_shell)
        * (shell.gamma * lively * min(p.oxygen_shell_pct, ENOUGH_OXYGEN_PCT)),
        -c.settle_h_inv * y.loose,
        made_core + made_shell,
        bound_core + bound_shell,
        through - latent * steam,
        2.0 * ground,
        air_core - air_shell,
        steam_kj + latent * steam,
        rain_kj,
        drip_core_kj + 0.5 * drip_shell_kj,
        vapour_core - vapour_shell,
        steam,
        rain,
        drip_core + 0.5 * drip_shell,
    )
    return change, p


@inlined
def steepness(c: Any, temp_c: Lane, oxygen_pct: Lane, inlet_pct: Lane) -> Lane:
    """Return d ln(decay) / dT of a zone, per °C.

    From the cardinal temperature function, damped by the oxygen that faster decay uses up:
    d ln r / d ln R = 1 / (1 + k (inlet - O) / (O (O + k))).
    """
    t = min(max(temp_c, c.t_min), c.t_max)
    low, high = max(t - c.t_min, NEAR_C), max(c.t_max - t, NEAR_C)
    bent = c.ctmi_slope * t + c.ctmi_offset
    left = max(oxygen_pct, 1e-9) * (oxygen_pct + c.k_oxygen)
    damped = left + (inlet_pct - oxygen_pct) * c.k_oxygen
    own = (2.0 * high - low) * bent - c.ctmi_slope * low * high
    return own * left / (low * high * bent * damped)


@inlined
def diagnose(c: Any, y: State, p: Inside) -> Seen:
    """Return what is shown of a state."""
    return Seen(
        p.core.temp_c,
        p.shell.temp_c,
        p.core.moisture,
        p.shell.moisture,
        p.oxygen_core_pct,
        p.oxygen_shell_pct,
        min(p.core.air_space, 1.0),
        min(p.shell.air_space, 1.0),
        p.core.solids_kg,
        p.shell.solids_kg,
        (c.k_fast_h * y.fast_core + c.k_slow_h * y.slow_core) * p.core_pace * c.o2_yield,
        (c.k_fast_h * y.fast_shell + c.k_slow_h * y.slow_shell) * p.shell_pace * c.o2_yield,
        p.volume_m3,
    )


ERROR_C: Final = 0.009
"""Limit of the estimated error of a step, °C."""

ACTIVITY_C: Final = 10.0
"""°C that an error of activity counts for, as a share of the activity."""

LEAST_ACTIVITY: Final = 1e-3
ICE_CARE: Final = 0.02
KINDLING_H: Final = 2000.0
"""How much smaller errors must be with ice, and by the rate (1/h) at which warmth makes warmth."""

STIFF: Final = -1.0
"""From which product of step and rate a step's own estimate is not to be trusted."""

KINK_H: Final = 0.1
"""Longest step across the beginning or end of freezing."""

ALMOST: Final = 0.999
"""A step of nearly the rest of a stretch takes all of it."""

JUMP_C: Final = 8.0
"""No step changes a temperature by more: what happens within it would be hidden."""

FINEST_H: Final = 1e-4
NEAR_H: Final = 1e-9
LONGEST_H: Final = 24.0
SAFETY: Final = 0.8
MOST_GROWTH: Final = 2.0
LEAST_SHRINK: Final = 0.1

GAMMA: Final = 0.435866521508459
ALPHA_21: Final = 0.871733043016918
ALPHA_31: Final = 0.8445706001536942
ALPHA_32: Final = -0.11299064236484185
GAMMA_21: Final = -0.871733043016918
GAMMA_31: Final = -0.9033805701304408
GAMMA_32: Final = 0.054180672388095326
GAMMA_41: Final = 0.24212380706095346
GAMMA_42: Final = -1.2232505839045147
GAMMA_43: Final = 0.5452602553351021
B_1: Final = 0.24212380706095346
B_2: Final = -1.2232505839045147
B_3: Final = 1.545260255335102
B_4: Final = GAMMA
E_1: Final = B_1 - 0.3781090314581937
E_2: Final = B_2 + 0.09604229221242318
E_3: Final = B_3 - 0.5
E_4: Final = B_4 - 0.2179332607542295

TOO_MUCH: Final = 1e30
"""Stands for an error that is not finite or not to be had."""

RAIN_KJ: Final = Change._fields.index("heat_of_rain_kj")
RAIN_KG: Final = Change._fields.index("rain_kg")


class Decay(NamedTuple):
    """What decay does per hour at the start of a step, and its relative change per kJ of heat."""

    heat_core: float
    heat_shell: float
    made_core: float
    made_shell: float
    lost_core: float
    lost_shell: float
    slope_core: float
    slope_shell: float


@inlined
def decay(c: Any, y: State, f: Change, p: Inside) -> Decay:
    """Return the Jacobian of decay by the enthalpies, where the rates of ``y`` are ``f``."""
    lost_core = -f.fast_core - f.slow_core
    lost_shell = -f.fast_shell - f.slow_shell
    per_core, per_shell = p.core.k_per_kj, p.shell.k_per_kj
    made_core, made_shell = lost_core * c.heat_yield, lost_shell * c.heat_yield
    return Decay(
        made_core + lost_core * c.bound_yield * y.heat_core * per_core,
        made_shell + lost_shell * c.bound_yield * y.heat_shell * per_shell,
        made_core,
        made_shell,
        lost_core,
        lost_shell,
        steepness(c, p.core.temp_c, p.oxygen_core_pct, p.oxygen_shell_pct) * per_core,
        steepness(c, p.shell.temp_c, p.oxygen_shell_pct, OXYGEN_AMBIENT_PCT) * per_shell,
    )


@inlined
def bend(u: Array, j: Decay, f: Array, water_yield: Lane, core: Lane, shell: Lane) -> None:
    """Add J v to a stage, ``core`` and ``shell`` being v of the enthalpies times the slopes."""
    put(u, HEAT_CORE, row(u, HEAT_CORE) + j.heat_core * core)
    put(u, HEAT_SHELL, row(u, HEAT_SHELL) + j.heat_shell * shell)
    put(u, WATER_CORE, row(u, WATER_CORE) + water_yield * j.lost_core * core)
    put(u, WATER_SHELL, row(u, WATER_SHELL) + water_yield * j.lost_shell * shell)
    put(u, FAST_CORE, row(u, FAST_CORE) + row(f, FAST_CORE) * core)
    put(u, FAST_SHELL, row(u, FAST_SHELL) + row(f, FAST_SHELL) * shell)
    put(u, SLOW_CORE, row(u, SLOW_CORE) + row(f, SLOW_CORE) * core)
    put(u, SLOW_SHELL, row(u, SLOW_SHELL) + row(f, SLOW_SHELL) * shell)


@compiled
def forced(
    sky: Sky, member: Places, hour: Array, h: Array, share: float, rain: Array, at: Array
) -> Forcing:
    """Return the weather of every lane at a share of its step; ``at`` (4, WIDTH) is room for it.

    A warmer day's air holds the more: its relative humidity stays.
    """
    for k in range(WIDTH):
        at[0, k], at[1, k], at[2, k] = between_hours(sky, hour[k] + share * h[k])
    temp_c, humidity = row(at, 0), row(at, 1)
    last = sky.warmer_c.shape[1] - 1
    if last >= 0:
        for k in range(WIDTH):
            day = (hour[k] + share * h[k]) / 24.0
            left = min(max(int(day), 0), last)
            right = min(left + 1, last)
            own = sky.warmer_c[max(member[k], 0)]
            at[3, k] = own[left] + min(max(day - left, 0.0), 1.0) * (own[right] - own[left])
        temp_c += row(at, 3)
        humidity *= math.exp(row(at, 3) * HUMIDITY_PER_C)
    return forcing(temp_c, humidity, row(at, 2), sky.ground_c, sky.shelter, row(rain, 0))


@inlined
def rain_of(sky: Sky, member: int, begin_h: float, end_h: float, rain_mm_h: float) -> float:
    """Return a member's rain in a stretch, by the day in which its middle lies."""
    last = sky.rain_factor.shape[1] - 1
    if last < 0:
        return rain_mm_h
    day = min(max(int((begin_h + end_h) / 48.0), 0), last)
    return float(rain_mm_h * sky.rain_factor[member, day])


@compiled
def changes(rows: Array, y: Array, w: Forcing, f: Array) -> None:
    """Put the rates of a state into ``f``."""
    put_all(f, rates(rows_as(rows, Figures), rows_as(y, State), w)[0])


class Errors(NamedTuple):
    """Estimated errors of a step: of a temperature (°C) and of activity (a share of it), and by
    how much a temperature changed."""

    temp_c: float
    activity: float
    jump_c: float


@compiled
def step(
    rows: Array,
    y: Array,
    member: Places,
    hour: Array,
    length_h: Array,
    sky: Sky,
    rain_mm_h: Array,
    end: Forcing,
    decays: Array,
    f: Array,
    u: Array,
    new: Array,
    at: Array,
) -> Errors:
    """Take one step from ``y`` to ``new``.

    ``member``, ``hour``, ``length_h`` and ``rain_mm_h`` are by lane, ``end`` is the weather at
    the end.

    ``f`` (stages, ROWS, WIDTH) holds the rates at the start in its first row and gets those of
    the other stages; ``u`` and ``at`` are room for a stage and its weather. Stages
    k_i = f(U_i) + h J (sum of gamma_ij k_j); J has the columns of enthalpy only and no exchange
    between the zones, so each k of enthalpy is solved for on its own.
    """
    c = rows_as(rows, Figures)
    j = rows_as(decays, Decay)
    f1, f2, f3, f4 = f[0], f[1], f[2], f[3]
    h = row(length_h, 0)
    lam_core, lam_shell = h * j.slope_core * j.heat_core, h * j.slope_shell * j.heat_shell
    solved_core, solved_shell = 1.0 / (1.0 - GAMMA * lam_core), 1.0 / (1.0 - GAMMA * lam_shell)
    by_core, by_shell = h * h * j.slope_core, h * h * j.slope_shell
    k1_core, k1_shell = row(f1, HEAT_CORE) * solved_core, row(f1, HEAT_SHELL) * solved_shell
    v1_core, v1_shell = GAMMA * k1_core, GAMMA * k1_shell

    for i in range(STATE_ROWS):
        put(u, i, row(y, i) + h * (ALPHA_21 * row(f1, i)))
    bend(u, j, f1, c.water_yield, ALPHA_21 * v1_core * by_core, ALPHA_21 * v1_shell * by_shell)
    changes(rows, u, forced(sky, member, hour, length_h, ALPHA_21, rain_mm_h, at), f2)
    g_core, g_shell = GAMMA_21 * k1_core, GAMMA_21 * k1_shell
    k2_core = (row(f2, HEAT_CORE) + lam_core * g_core) * solved_core
    k2_shell = (row(f2, HEAT_SHELL) + lam_shell * g_shell) * solved_shell
    v2_core, v2_shell = g_core + GAMMA * k2_core, g_shell + GAMMA * k2_shell

    for i in range(STATE_ROWS):
        put(u, i, row(y, i) + h * (ALPHA_31 * row(f1, i) + ALPHA_32 * row(f2, i)))
    core = (ALPHA_31 * v1_core + ALPHA_32 * v2_core) * by_core
    shell = (ALPHA_31 * v1_shell + ALPHA_32 * v2_shell) * by_shell
    bend(u, j, f1, c.water_yield, core, shell)
    changes(rows, u, forced(sky, member, hour, length_h, ALPHA_31 + ALPHA_32, rain_mm_h, at), f3)
    g_core = GAMMA_31 * k1_core + GAMMA_32 * k2_core
    g_shell = GAMMA_31 * k1_shell + GAMMA_32 * k2_shell
    k3_core = (row(f3, HEAT_CORE) + lam_core * g_core) * solved_core
    k3_shell = (row(f3, HEAT_SHELL) + lam_shell * g_shell) * solved_shell
    v3_core, v3_shell = g_core + GAMMA * k3_core, g_shell + GAMMA * k3_shell

    for i in range(STATE_ROWS):
        put(u, i, row(y, i) + h * row(f3, i))
    bend(u, j, f1, c.water_yield, v3_core * by_core, v3_shell * by_shell)
    changes(rows, u, end, f4)
    g_core = GAMMA_41 * k1_core + GAMMA_42 * k2_core + GAMMA_43 * k3_core
    g_shell = GAMMA_41 * k1_shell + GAMMA_42 * k2_shell + GAMMA_43 * k3_shell
    k4_core = (row(f4, HEAT_CORE) + lam_core * g_core) * solved_core
    k4_shell = (row(f4, HEAT_SHELL) + lam_shell * g_shell) * solved_shell
    v4_core, v4_shell = g_core + GAMMA * k4_core, g_shell + GAMMA * k4_shell

    for i in range(ROWS):
        k = B_1 * row(f1, i) + B_2 * row(f2, i) + B_3 * row(f3, i) + B_4 * row(f4, i)
        put(new, i, row(y, i) + h * k)
    core = (B_1 * v1_core + B_2 * v2_core + B_3 * v3_core + B_4 * v4_core) * by_core
    shell = (B_1 * v1_shell + B_2 * v2_shell + B_3 * v3_shell + B_4 * v4_shell) * by_shell
    bend(new, j, f1, c.water_yield, core, shell)
    made, bound = TOTALS_FROM, TOTALS_FROM + 1
    put(new, made, row(new, made) + j.made_core * core + j.made_shell * shell)
    more = (j.heat_core - j.made_core) * core + (j.heat_shell - j.made_shell) * shell
    put(new, bound, row(new, bound) + more)
    # A step may overshoot by its own error: full activity, and an empty pool.
    for i in range(FAST_CORE, SLOW_SHELL + 1):
        put(new, i, max(row(new, i), 0.0))

    organic_core = row(new, FAST_CORE) + row(new, SLOW_CORE)
    organic_shell = row(new, FAST_SHELL) + row(new, SLOW_SHELL)
    heat_core = c.cp_solid * (c.inert_core_kg + organic_core) + _CP_WATER * row(new, WATER_CORE)
    heat_shell = c.cp_solid * (c.inert_shell_kg + organic_shell) + _CP_WATER * row(new, WATER_SHELL)
    per_core, per_shell = 1.0 / heat_core, 1.0 / heat_shell
    error_core = E_1 * k1_core + E_2 * k2_core + E_3 * k3_core + E_4 * k4_core
    error_shell = E_1 * k1_shell + E_2 * k2_shell + E_3 * k3_shell + E_4 * k4_shell
    jump_core, jump_shell = row(new, HEAT_CORE), row(new, HEAT_SHELL)
    jump_core, jump_shell = jump_core - row(y, HEAT_CORE), jump_shell - row(y, HEAT_SHELL)
    lively = 0.0 * h
    for i in range(ACTIVE_CORE, ACTIVE_SHELL + 1):
        error = E_1 * row(f1, i) + E_2 * row(f2, i) + E_3 * row(f3, i) + E_4 * row(f4, i)
        lively = max(lively, h * abs(error) / max(row(new, i), LEAST_ACTIVITY))
        put(new, i, min(max(row(new, i), 0.0), 1.0))
    return Errors(
        h * max(abs(error_core) * per_core, abs(error_shell) * per_shell),
        lively,
        max(abs(jump_core) * per_core, abs(jump_shell) * per_shell),
    )


@inlined
def care(c: Any, j: Decay, f: Change, y: State, p: Inside) -> Lane:
    """Return by how much smaller than usual the errors of a step must be.

    While fast solids are left and warmth makes more warmth than conduction carries away, an
    error grows into hours too early or too late; while there is ice, nothing undoes it.
    """
    core = j.slope_core * j.heat_core * f.fast_core / min(f.fast_core + f.slow_core, -1e-12)
    shell = j.slope_shell * j.heat_shell * f.fast_shell / min(f.fast_shell + f.slow_shell, -1e-12)
    inner, outer = c.k_core_kj_h * p.scale, c.outer_kj_h * p.scale
    core -= inner * p.core.k_per_kj
    shell -= (inner + outer) * p.shell.k_per_kj
    # the greater eigenvalue of both zones
    apart = core - shell
    exchange = inner * inner * p.core.k_per_kj * p.shell.k_per_kj
    growth = 0.5 * (core + shell + math.sqrt(apart * apart + 4.0 * exchange))
    kindling = 1.0 / (1.0 + KINDLING_H * max(growth, 0.0))
    return where_less(min(y.heat_core, y.heat_shell), 0.0, ICE_CARE, kindling)


@inlined
def late_error(
    y: State, new: State, h: Lane, j: Decay, k: Decay, f: Change, freezing: Lane, p: Inside
) -> Lane:
    """Return by how much a step missed what its own estimate does not see, °C.

    On a plateau a temperature that is off by e still falls at lambda e, however long the step;
    and where water begins to freeze or to thaw the rates have a kink. ``j`` and ``k`` are the
    decay at the start and the end, ``f`` the rates at the end.
    """
    lam_core, lam_shell = k.slope_core * k.heat_core, k.slope_shell * k.heat_shell
    off_core = (h * f.heat_core - (new.heat_core - y.heat_core)) * p.core.k_per_kj
    off_shell = (h * f.heat_shell - (new.heat_shell - y.heat_shell)) * p.shell.k_per_kj
    off_core /= h * lam_core
    off_shell /= h * lam_shell
    off = where_less(h * lam_core, STIFF, abs(off_core), 0.0)
    off = max(off, where_less(h * lam_shell, STIFF, abs(off_shell), 0.0))
    was = min(j.slope_core * j.heat_core, j.slope_shell * j.heat_shell)
    off = where_less(h * was, STIFF, off, 0.0)
    # Below zero where a zone began or ceased to freeze or to thaw within the step.
    ice_core, ice_shell = freezing * new.water_core, freezing * new.water_shell
    kink = min(y.heat_core * new.heat_core, y.heat_shell * new.heat_shell)
    kink = min(kink, (y.heat_core + ice_core) * (new.heat_core + ice_core))
    kink = min(kink, (y.heat_shell + ice_shell) * (new.heat_shell + ice_shell))
    return where_less(kink, where_less(h, KINK_H, -math.inf, 0.0), TOO_MUCH, off)


@compiled
def arrive(
    rows: Array,
    y: Array,
    new: Array,
    length_h: Array,
    w: Forcing,
    limit_c: Array,
    errors: Errors,
    decays: Array,
    f: Array,
    ends: Array,
    seen: Array,
    verdict: Array,
) -> None:
    """Judge a step by what it comes to.

    Puts the rates at ``new`` into ``f``, their decay into ``ends``, what is shown into ``seen``,
    and into the rows of ``verdict``: the error as a share of the limit, the factor that the next
    step may be longer, the limit of the next step's error as a share of the usual one, and what
    a millimetre of rain then brings (kg, kJ).
    """
    c = rows_as(rows, Figures)
    to = rows_as(new, State)
    before = rows_as(y, State)
    change, p = rates(c, to, w)
    k = decay(c, to, change, p)
    put_all(f, change)
    put_all(ends, k)
    put_all(seen, diagnose(c, to, p))
    h = row(length_h, 0)
    late = late_error(before, to, h, rows_as(decays, Decay), k, change, c.freezing, p)
    per_limit = 1.0 / row(limit_c, 0)
    jumped = errors.jump_c * (1.0 / JUMP_C)
    error = max(max(errors.temp_c, errors.activity * ACTIVITY_C), late) * per_limit
    error = max(error, jumped * jumped * jumped)
    # What overflowed cannot be compared, and the greater of two may hide it: naught times it
    # cannot. It counts as far too large.
    error += 0.0 * (to.heat_core + to.heat_shell + change.heat_core + change.heat_shell)
    error = where_less(error, TOO_MUCH, error, TOO_MUCH)
    put(verdict, ERROR, error)
    put(verdict, GROWTH, SAFETY * math.exp(math.log(max(error, 1e-9)) * (-1.0 / 3.0)))
    put(verdict, CARE, care(c, k, change, to, p))
    put(verdict, SOAK_KG, p.soak_kg_mm)
    put(verdict, SOAK_KJ, p.soak_kj_mm)


ERROR: Final = 0
GROWTH: Final = 1
CARE: Final = 2
SOAK_KG: Final = 3
SOAK_KJ: Final = 4
VERDICT: Final = 5
DECAYS: Final = len(Decay._fields)


@inlined
def length_of(hour: float, end: float, wish: float, icy: bool) -> float:
    """Return how long a step to take: an even share of the stretch, no longer than wished."""
    h = (end - hour) / math.ceil(ALMOST * (end - hour) / wish)
    if icy:
        # Nothing undoes an error there, and the weather has a kink each hour.
        h = min(h, math.floor(hour + FINEST_H) + 1.0 - hour)
    return end - hour if h >= ALMOST * (end - hour) else h


class Room(NamedTuple):
    """Room for what the lanes are at: compiled code asks for no memory of its own."""

    rows: Array
    now: Array
    new: Array
    u: Array
    f: Array
    decays: Array
    ends: Array
    shown: Array
    verdict: Array
    at: Array
    hour: Array
    h: Array
    rain: Array
    limit: Array
    wish: Array
    member: Places
    stretch: Places
    refused: npt.NDArray[np.bool_]
    begun: npt.NDArray[np.bool_]


def room(hour: float, error_c: float) -> Room:
    """Return room for lanes that wait for their members at an hour."""

    def floats(*shape: int) -> Array:
        return np.zeros((*shape, WIDTH))

    return Room(
        floats(len(Figures._fields)), floats(ROWS), floats(ROWS), floats(ROWS), floats(5, ROWS),
        floats(DECAYS), floats(DECAYS), floats(SEEN), floats(VERDICT), floats(4),
        np.full(WIDTH, hour), np.full(WIDTH, FINEST_H), floats(), np.full(WIDTH, error_c), floats(),
        np.full(WIDTH, -1), np.zeros(WIDTH, np.int64),
        np.zeros(WIDTH, np.bool_), np.zeros(WIDTH, np.bool_),
    )  # fmt: skip


@compiled
def run(
    figures: Array,
    y: Array,
    hours: Array,
    rain_mm_h: Array,
    sky: Sky,
    error_c: float,
    step_h: Array,
    kept: Array,
    seen: Array,
    room: Room,
) -> int:
    """Bring every member from the first of ``hours`` to the last.

    Parameters
    ----------
    figures : (members, FIGURES)
        The coefficients of every member.
    y : (ROWS, members)
        The state, brought forward in place.
    hours : (times,)
        Where rain changes and what is seen is kept.
    rain_mm_h : (times - 1,)
        Rain between them.
    sky : Sky
    error_c : float
        Limit of the estimated error of a step.
    step_h : (members,)
        The step to begin with, and in the end the one to go on with.
    kept : (members, KEPT, times - 1)
        Gets water and pools of both zones at the end of each stretch.
    seen : (members, SEEN, times - 1)
        Gets what :class:`Seen` names then.
    room : Room

    Returns the number of a member for which no step was small enough, or -1.
    """
    members, stretches = y.shape[1], len(rain_mm_h)
    rows, now, new, u, f = room.rows, room.now, room.new, room.u, room.f
    decays, ends, shown = room.decays, room.ends, room.shown
    verdict, at, hour, h, rain = room.verdict, room.at, room.hour, room.h, room.rain
    limit, wish, member, stretch = room.limit, room.wish, room.member, room.stretch
    refused, begun = room.refused, room.begun
    waiting, going = 0, 0
    while True:
        handed = False
        for k in range(WIDTH):
            if member[k] >= 0 or (waiting == members and begun[k]):
                continue
            m = min(waiting, members - 1)  # lanes that nothing is left for repeat the last
            for i in range(len(rows)):
                rows[i, k] = figures[m, i]
            for i in range(ROWS):
                now[i, k] = y[i, m]
                new[i, k] = y[i, m]
            hour[k], stretch[k] = hours[0], 0
            rain[k] = rain_of(sky, m, hours[0], hours[1], rain_mm_h[0])
            begun[k], handed = True, True
            if waiting < members:
                member[k], wish[k], refused[k] = m, step_h[m], False
                h[k] = -1.0
                waiting += 1
                going += 1
        if going == 0:
            return -1
        if handed:
            w = forced(sky, member, hour, h, 0.0, rain, at)
            none = Errors(row(limit, 0), row(limit, 0), row(limit, 0))
            arrive(rows, now, now, limit, w, limit, none, ends, f[4], ends, shown, verdict)
            for k in range(WIDTH):
                if h[k] < 0.0:
                    for i in range(ROWS):
                        f[0, i, k] = f[4, i, k]
                    for i in range(DECAYS):
                        decays[i, k] = ends[i, k]
                    limit[k] = error_c * verdict[CARE, k]
                    h[k] = 0.0
        free = False
        for k in range(WIDTH):
            m, s = member[k], stretch[k]
            if m < 0 or h[k] > 0.0:
                continue
            while s < stretches and hour[k] >= hours[s + 1] - NEAR_H:
                hour[k] = hours[s + 1]
                for i in range(SEEN):
                    seen[m, i, s] = shown[i, k]
                for i in range(KEPT):
                    kept[m, i, s] = now[WATER_CORE + i, k]
                s += 1
            if s == stretches:
                for i in range(ROWS):
                    y[i, m] = now[i, k]
                step_h[m] = wish[k]
                member[k] = -1
                going -= 1
                free = True
                continue
            if s > stretch[k]:
                stretch[k] = s
                falling = rain_of(sky, m, hours[s], hours[s + 1], rain_mm_h[s])
                more = falling - rain[k]
                rain[k] = falling
                f[0, HEAT_SHELL, k] += more * verdict[SOAK_KJ, k]
                f[0, RAIN_KJ, k] += more * verdict[SOAK_KJ, k]
                f[0, WATER_SHELL, k] += more * verdict[SOAK_KG, k]
                f[0, RAIN_KG, k] += more * verdict[SOAK_KG, k]
            icy = min(now[HEAT_CORE, k], now[HEAT_SHELL, k]) < 0.0
            h[k] = length_of(hour[k], hours[s + 1], wish[k], icy)
        if free:
            continue
        w = forced(sky, member, hour, h, 1.0, rain, at)
        errors = step(rows, now, member, hour, h, sky, rain, w, decays, f, u, new, at)
        arrive(rows, now, new, h, w, limit, errors, decays, f[4], ends, shown, verdict)
        # Take what is right, lane by lane.
        right = row(verdict, ERROR)
        for i in range(ROWS):
            put(now, i, where_less(1.0, right, row(now, i), row(new, i)))
            put(f[0], i, where_less(1.0, right, row(f[0], i), row(f[4], i)))
        for i in range(DECAYS):
            put(decays, i, where_less(1.0, right, row(decays, i), row(ends, i)))
        for k in range(WIDTH):
            if member[k] < 0:
                continue
            if verdict[ERROR, k] > 1.0:
                h[k] *= max(verdict[GROWTH, k], LEAST_SHRINK)
                refused[k] = True
                if h[k] < FINEST_H:
                    return int(member[k])
                continue
            grown = h[k] * min(verdict[GROWTH, k], MOST_GROWTH)
            # A step cut short by the end of a stretch tells of no need for short ones.
            wish[k] = grown if refused[k] else min(max(grown, wish[k]), LONGEST_H)
            refused[k] = False
            limit[k] = error_c * verdict[CARE, k]
            hour[k] += h[k]
            h[k] = 0.0


@compiled
def look(figures: Array, y: Array, sky: Sky, hour: float, seen: Array, room: Room) -> None:
    """Put what :class:`Seen` names of every member into ``seen`` (SEEN, members)."""
    rows, now, shown = room.rows, room.now, room.shown
    temp_c, humidity, wind_m_s = between_hours(sky, hour)
    w = forcing(temp_c, humidity, wind_m_s, sky.ground_c, sky.shelter, 0.0)
    members = y.shape[1]
    for first in range(0, members, WIDTH):
        for k in range(WIDTH):
            m = min(first + k, members - 1)
            for i in range(len(rows)):
                rows[i, k] = figures[m, i]
            for i in range(ROWS):
                now[i, k] = y[i, m]
        c, state = rows_as(rows, Figures), rows_as(now, State)
        put_all(shown, diagnose(c, state, inside(c, state, w)))
        for k in range(min(WIDTH, members - first)):
            for i in range(SEEN):
                seen[i, first + k] = shown[i, k]
