"""The rates of change of a pile and their integration in time, one member after the other.

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

Everything here is compiled, and in one file so that a change of any of it renews what is kept
on disk. ``benchmarks/forecast.py`` has the same equations written out afresh in plain Python,
which the tests hold these against.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from heapwright.science import air
from heapwright.science.compiled import compiled
from heapwright.science.pile_layout import (
    ACTIVE_CORE,
    ACTIVE_SHELL,
    FAST_CORE,
    FAST_SHELL,
    HEAT_CORE,
    HEAT_SHELL,
    LOOSE,
    ROWS,
    SLOW_CORE,
    SLOW_SHELL,
    STATE_ROWS,
    TOTALS_FROM,
    WATER_CORE,
    WATER_SHELL,
    Coefficients,
    Forcing,
)

Array = npt.NDArray[np.float64]
Vector = Array | list[float]

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

CONVECTION_STILL: Final = 5.7
CONVECTION_WIND: Final = 3.8
"""Convection at an outer surface, W/(m² K): 5.7 + 3.8 v (McAdams 1954, from memory)."""

EMISSIVITY: Final = 0.9
RADIATION_ABOVE_AIR_C: Final = 5.0
"""Emissivity of moist organic surfaces, and how much warmer the surface is taken for radiation."""

MOST_EXPONENT: Final = 700.0

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
    """One zone at one moment. ``pace`` is what multiplies its pools' own rates."""

    solids_kg: float
    capacity_kj_k: float
    temp_c: float
    moisture: float
    air_space: float
    gamma: float
    pace: float


class Inside(NamedTuple):
    """A pile at one moment: both zones, the air through them, and their oxygen."""

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


KEPT: Final = 6
"""Rows of the state that :func:`run` keeps at every output: water and pools of both zones."""

SEEN: Final = 13
"""Figures that :func:`diagnose` gives: temperature, moisture, oxygen, air space, solids and
oxygen uptake, each of core and shell, then the volume."""


@compiled
def snow_share(temp_c: float) -> float:
    """Return the share of precipitation that falls as snow: all at −1 °C, none at +1 °C."""
    return min(max(0.5 * (1.0 - temp_c), 0.0), 1.0)


class Sky(NamedTuple):
    """Hourly weather since the pile was built; see :mod:`heapwright.science.pile_weather`."""

    temp_c: Array
    humidity: Array
    wind_m_s: Array
    ground_c: float
    shelter: float


@compiled
def forcing(sky: Sky, hour: float, rain_mm_h: float) -> Forcing:
    """Return the weather at ``hour`` between the hourly values, with the rain given."""
    last = len(sky.temp_c) - 1
    left = min(max(int(hour), 0), last)
    right = min(left + 1, last)
    share = min(max(hour - left, 0.0), 1.0)
    temp = sky.temp_c[left] + share * (sky.temp_c[right] - sky.temp_c[left])
    wet = sky.humidity[left] + share * (sky.humidity[right] - sky.humidity[left])
    wind = sky.wind_m_s[left] + share * (sky.wind_m_s[right] - sky.wind_m_s[left])
    convection = CONVECTION_STILL + CONVECTION_WIND * wind * sky.shelter
    surface_k = KELVIN + temp + RADIATION_ABOVE_AIR_C
    radiation = 4.0 * EMISSIVITY * _STEFAN_BOLTZMANN * surface_k * surface_k * surface_k
    return Forcing(
        temp,
        wet,
        _CP_AIR * temp + wet * (_LATENT_0 + _CP_VAPOUR * temp),
        convection + radiation,
        convection,
        wind,
        sky.ground_c,
        rain_mm_h,
    )


@compiled
def saturated(temp_c: float) -> float:
    """Return the humidity ratio of saturated air, kg/kg."""
    pressure = _MAGNUS_KPA * math.exp(min(_MAGNUS_A * temp_c / (_MAGNUS_B + temp_c), MOST_EXPONENT))
    pressure = min(pressure, _PRESSURE_CAP_KPA)
    return _VAPOUR_RATIO * pressure / (_PRESSURE_KPA - pressure)


@compiled
def monod(inlet_pct: float, demand: float, supply_kg_h: float, k_pct: float) -> float:
    """Return pore oxygen O, % v/v, where supply x (inlet - O) = demand x O / (O + k).

    ``supply_kg_h`` is air by flow and diffusion, ``demand`` in kg/h of oxygen at full rate.
    """
    b = k_pct - inlet_pct + demand / (supply_kg_h * O2_PER_AIR_PCT)
    product = k_pct * inlet_pct
    return 2.0 * product / (b + math.sqrt(b * b + 4.0 * product))


@compiled
def zone(
    c: Any,
    heat_kj: float,
    water_kg: float,
    organic_kg: float,
    inert_kg: float,
    inert_m3: float,
    active: float,
    zone_m3: float,
) -> Zone:
    """Return what follows of one zone's state without its oxygen."""
    solids = inert_kg + organic_kg
    capacity = c.cp_solid * solids + _CP_WATER * water_kg
    ice = c.freezing * water_kg
    temp = (max(heat_kj, 0.0) + min(heat_kj + ice, 0.0)) / capacity
    moisture = water_kg / (water_kg + solids)
    taken_m3 = inert_m3 + organic_kg * SOLID_M3_PER_KG + water_kg * 0.001
    air_space = max(1.0 - taken_m3 / zone_m3, 0.0)
    t = min(max(temp, c.t_min), c.t_max)
    gamma = (t - c.t_min) * (t - c.t_min) * (t - c.t_max) / (c.ctmi_slope * t + c.ctmi_offset)
    moist = math.exp(min(c.moist_offset + c.moist_slope * moisture, MOST_EXPONENT))
    airy = math.exp(min(c.air_offset + c.air_slope * air_space, MOST_EXPONENT))
    pace = gamma * c.per_gamma_20 * active / ((1.0 + moist) * (1.0 + airy))
    if heat_kj < 0.0:
        pace *= max(1.0 + heat_kj / max(ice, 1e-9), 0.0)
    return Zone(solids, capacity, temp, moisture, air_space, gamma, pace)


@compiled
def inside(c: Any, y: Vector, w: Forcing) -> Inside:
    """Return both zones with the air that passes them and the oxygen left in it."""
    organic_core = y[FAST_CORE] + y[SLOW_CORE]
    organic_shell = y[FAST_SHELL] + y[SLOW_SHELL]
    solids = c.inert_core_kg + c.inert_shell_kg + organic_core + organic_shell
    packing = c.loose_min + (1.0 - c.loose_min) * y[LOOSE]
    volume = c.v_ref_m3 * (solids * c.m_ref_inv) ** c.shrink_power * packing
    core = zone(
        c,
        y[HEAT_CORE],
        y[WATER_CORE],
        organic_core,
        c.inert_core_kg,
        c.inert_core_m3,
        y[ACTIVE_CORE],
        volume * c.share_core,
    )
    shell = zone(
        c,
        y[HEAT_SHELL],
        y[WATER_SHELL],
        organic_shell,
        c.inert_shell_kg,
        c.inert_shell_m3,
        y[ACTIVE_SHELL],
        volume * c.share_shell,
    )
    # Air: buoyancy through the pores of the core, wind through the shell.
    scale = volume * c.v_shape_inv
    height = c.height_m * scale
    pores = max(core.air_space, LEAST_PORES)
    lift = max(core.temp_c - w.temp_c, 0.0) / (KELVIN + core.temp_c)
    flow = c.blower_kg_h + c.chimney * lift * pores * pores * pores * height / (
        height + c.half_width_m
    )
    total = 1.5 * flow + c.wind_draught * w.wind_m_s
    # Oxygen: supply by air and diffusion against Monod demand, shell first, then core.
    dry_area = c.side_dry_m2 * scale + c.top_dry_m2
    wet_area = c.side_wet_m2 * scale + c.top_wet_m2
    demand_core = (c.k_fast_h * y[FAST_CORE] + c.k_slow_h * y[SLOW_CORE]) * core.pace
    demand_shell = (c.k_fast_h * y[FAST_SHELL] + c.k_slow_h * y[SLOW_SHELL]) * shell.pace
    between = core.air_space + shell.air_space
    seep = (dry_area + wet_area) * c.diffuse_shell * shell.air_space * shell.air_space
    outer = monod(OXYGEN_AMBIENT_PCT, demand_shell * c.o2_yield, total + seep, c.k_oxygen)
    seep = c.diffuse_core * scale * between * between
    inner = monod(outer, demand_core * c.o2_yield, flow + seep, c.k_oxygen)
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
        core.pace * inner / (inner + c.k_oxygen),
        shell.pace * outer / (outer + c.k_oxygen),
    )


@compiled
def rates(c: Any, y: Vector, w: Forcing, d: Vector) -> Inside:
    """Put the time derivative of every row of one member's ``y``, per hour, into ``d``.

    Parameters
    ----------
    c : record of coefficients
        See :data:`heapwright.science.pile_layout.COEFFICIENTS`.
    y : (STATE_ROWS or more,)
        The state; running totals do not matter.
    w : Forcing
        The weather of the moment.
    d : (ROWS,)
        Gets the derivatives.
    """
    p = inside(c, y, w)
    core, shell = p.core, p.shell
    t_core, t_shell, flow = core.temp_c, shell.temp_c, p.flow_kg_h
    fast_core = c.k_fast_h * y[FAST_CORE] * p.core_pace
    slow_core = c.k_slow_h * y[SLOW_CORE] * p.core_pace
    fast_shell = c.k_fast_h * y[FAST_SHELL] * p.shell_pace
    slow_shell = c.k_slow_h * y[SLOW_SHELL] * p.shell_pace
    lost_core = fast_core + slow_core
    lost_shell = fast_shell + slow_shell
    made_core, made_shell = lost_core * c.heat_yield, lost_shell * c.heat_yield
    bound_core = lost_core * c.bound_yield * t_core
    bound_shell = lost_shell * c.bound_yield * t_shell

    # Moist air: outside -> shell -> core -> out, part of the core's vapour condensing in the
    # shell.
    humid_core = saturated(t_core) * min(core.moisture * c.dry_inv, 1.0)
    humid_shell = saturated(t_shell) * min(shell.moisture * c.dry_inv, 1.0)
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
    warmer = t_shell - w.temp_c
    guess = w.temp_c + c.surface_guess * warmer
    at_surface = saturated(guess)
    below = _MAGNUS_B + guess
    slope = at_surface * (1.0 + at_surface / _VAPOUR_RATIO) * _MAGNUS_A * _MAGNUS_B
    slope /= below * below
    wet = min(max((shell.moisture - c.wet_from) * c.wet_span_inv, 0.0), 1.0) * c.wetness
    wet *= w.convection_w_m2_k / (1000.0 * _CP_AIR)  # kg/(m² s)
    latent = _LATENT_0 + _CP_VAPOUR * guess - _CP_WATER * t_shell
    heavy = 1000.0 * wet * latent
    excess = at_surface - w.humidity
    film = w.film_w_m2_k
    step = (t_shell - guess) * c.r_wet_inv - film * (guess - w.temp_c) - heavy * excess
    step /= c.r_wet_inv + film + heavy * slope
    steam = 3600.0 * wet * p.wet_area_m2 * max(excess + slope * step, 0.0)
    # What leaves the shell through the wet part: conduction to the surface, plus the liquid.
    through_wet = (t_shell - guess - step) * c.r_wet_inv * p.wet_area_m2
    through = 3.6 * (through_wet + warmer * p.dry_area_m2 / (c.r_dry + 1.0 / film))
    steam_kj = steam * _CP_WATER * t_shell

    inner = c.k_core_kj_h * p.scale * (t_core - t_shell)
    ground = 0.5 * c.floor_kj_h * (0.5 * (t_core + t_shell) - w.ground_c)

    # Liquid water: rain, capillary exchange, drainage.
    per_core, per_shell = y[WATER_CORE] / core.solids_kg, y[WATER_SHELL] / shell.solids_kg
    inward = (per_shell - per_core) * min(core.solids_kg, shell.solids_kg) * c.mix_h_inv
    inward_kj = _CP_WATER * inward * (t_shell if inward > 0.0 else t_core)
    full = min(per_shell / c.water_cap, 1.0)
    rain = w.rain_mm_h * c.rain_m2 * (1.0 - c.rain_bypass * full * full * full * full)
    rain_kj = rain * (_CP_WATER * w.temp_c - snow_share(w.temp_c) * c.freezing)
    drip_core = max(y[WATER_CORE] - c.water_cap * core.solids_kg, 0.0) * c.drain_h_inv
    drip_shell = max(y[WATER_SHELL] - c.water_cap * shell.solids_kg, 0.0) * c.drain_h_inv
    drip_core_kj = _CP_WATER * drip_core * t_core
    drip_shell_kj = _CP_WATER * drip_shell * t_shell

    d[HEAT_CORE] = (
        made_core + bound_core - air_core - inner - ground + inward_kj
        + 0.5 * drip_shell_kj - drip_core_kj
    )  # fmt: skip
    d[HEAT_SHELL] = (
        made_shell + bound_shell + air_shell + inner - through - steam_kj - ground - inward_kj
        + rain_kj - drip_shell_kj
    )  # fmt: skip
    d[WATER_CORE] = c.water_yield * lost_core - vapour_core + inward + 0.5 * drip_shell - drip_core
    d[WATER_SHELL] = c.water_yield * lost_shell + vapour_shell - inward - steam + rain - drip_shell
    d[FAST_CORE], d[FAST_SHELL] = -fast_core, -fast_shell
    d[SLOW_CORE], d[SLOW_SHELL] = -slow_core, -slow_shell
    lively = c.growth_per_gamma / ENOUGH_OXYGEN_PCT
    d[ACTIVE_CORE] = (
        y[ACTIVE_CORE] * (1.0 - y[ACTIVE_CORE]) * core.gamma * lively
        * min(p.oxygen_core_pct, ENOUGH_OXYGEN_PCT)
    )  # fmt: skip
    d[ACTIVE_SHELL] = (
        y[ACTIVE_SHELL] * (1.0 - y[ACTIVE_SHELL]) * shell.gamma * lively
        * min(p.oxygen_shell_pct, ENOUGH_OXYGEN_PCT)
    )  # fmt: skip
    d[LOOSE] = -c.settle_h_inv * y[LOOSE]

    d[TOTALS_FROM] = made_core + made_shell
    d[TOTALS_FROM + 1] = bound_core + bound_shell
    d[TOTALS_FROM + 2] = through - latent * steam
    d[TOTALS_FROM + 3] = 2.0 * ground
    d[TOTALS_FROM + 4] = air_core - air_shell
    d[TOTALS_FROM + 5] = steam_kj + latent * steam
    d[TOTALS_FROM + 6] = rain_kj
    d[TOTALS_FROM + 7] = drip_core_kj + 0.5 * drip_shell_kj
    d[TOTALS_FROM + 8] = vapour_core - vapour_shell
    d[TOTALS_FROM + 9] = steam
    d[TOTALS_FROM + 10] = rain
    d[TOTALS_FROM + 11] = drip_core + 0.5 * drip_shell
    return p


@compiled
def steepness(c: Any, temp_c: float, oxygen_pct: float, inlet_pct: float) -> float:
    """Return d ln(decay) / dT of a zone, per °C.

    From the cardinal temperature function, damped by the oxygen that faster decay uses up:
    d ln r / d ln R = 1 / (1 + k (inlet - O) / (O (O + k))).
    """
    t = min(max(temp_c, c.t_min), c.t_max)
    own = 2.0 / max(t - c.t_min, NEAR_C) - 1.0 / max(c.t_max - t, NEAR_C)
    own -= c.ctmi_slope / (c.ctmi_slope * t + c.ctmi_offset)
    used = (inlet_pct - oxygen_pct) * c.k_oxygen
    damped: float = own / (1.0 + used / (max(oxygen_pct, 1e-9) * (oxygen_pct + c.k_oxygen)))
    return damped


@compiled
def diagnose(c: Any, y: Vector, w: Forcing, seen: Vector) -> None:
    """Put what follows at once from one member's state into ``seen`` (see :data:`SEEN`)."""
    p = inside(c, y, w)
    seen[0], seen[1] = p.core.temp_c, p.shell.temp_c
    seen[2], seen[3] = p.core.moisture, p.shell.moisture
    seen[4], seen[5] = p.oxygen_core_pct, p.oxygen_shell_pct
    seen[6], seen[7] = min(p.core.air_space, 1.0), min(p.shell.air_space, 1.0)
    seen[8], seen[9] = p.core.solids_kg, p.shell.solids_kg
    seen[10] = (c.k_fast_h * y[FAST_CORE] + c.k_slow_h * y[SLOW_CORE]) * p.core_pace * c.o2_yield
    seen[11] = (c.k_fast_h * y[FAST_SHELL] + c.k_slow_h * y[SLOW_SHELL]) * p.shell_pace * c.o2_yield
    seen[12] = p.volume_m3


ERROR_C: Final = 0.01
"""Limit of the estimated error of a step, °C."""

ACTIVITY_C: Final = 10.0
"""°C that an error of activity counts for, as a share of the activity."""

LEAST_ACTIVITY: Final = 1e-3
ICE_CARE: Final = 0.02
KINDLING_H: Final = 300.0
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
LONGEST_H: Final = 24.0
SAFETY: Final = 0.9
MOST_GROWTH: Final = 4.0
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


@compiled
def decay(c: Any, y: Vector, f: Vector, p: Inside) -> Decay:
    """Return the Jacobian of decay by the enthalpies, where the rates of ``y`` are ``f``."""
    lost_core = -f[FAST_CORE] - f[SLOW_CORE]
    lost_shell = -f[FAST_SHELL] - f[SLOW_SHELL]
    core, shell = p.core.capacity_kj_k, p.shell.capacity_kj_k
    made_core, made_shell = lost_core * c.heat_yield, lost_shell * c.heat_yield
    return Decay(
        made_core + lost_core * c.bound_yield * y[HEAT_CORE] / core,
        made_shell + lost_shell * c.bound_yield * y[HEAT_SHELL] / shell,
        made_core,
        made_shell,
        lost_core,
        lost_shell,
        steepness(c, p.core.temp_c, p.oxygen_core_pct, p.oxygen_shell_pct) / core,
        steepness(c, p.shell.temp_c, p.oxygen_shell_pct, OXYGEN_AMBIENT_PCT) / shell,
    )


@compiled
def bend(u: Vector, j: Decay, f: Vector, water_yield: float, core: float, shell: float) -> None:
    """Add J v to a stage, ``core`` and ``shell`` being v of the enthalpies times the slopes."""
    u[HEAT_CORE] += j.heat_core * core
    u[HEAT_SHELL] += j.heat_shell * shell
    u[WATER_CORE] += water_yield * j.lost_core * core
    u[WATER_SHELL] += water_yield * j.lost_shell * shell
    u[FAST_CORE] += f[FAST_CORE] * core
    u[FAST_SHELL] += f[FAST_SHELL] * shell
    u[SLOW_CORE] += f[SLOW_CORE] * core
    u[SLOW_SHELL] += f[SLOW_SHELL] * shell


@compiled
def step(
    c: Any,
    y: Vector,
    hour: float,
    h: float,
    sky: Sky,
    rain_mm_h: float,
    j: Decay,
    f: Array,
    u: Vector,
    new: Vector,
) -> tuple[float, float, float]:
    """Take one step of ``h`` hours from ``y`` to ``new``.

    ``f`` (4, ROWS) holds the rates at the start in its first row and gets those of the other
    stages; ``u`` is room for a stage. Stages k_i = f(U_i) + h J (sum of gamma_ij k_j); J has
    the columns of enthalpy only and no exchange between the zones, so each k of enthalpy is
    solved for on its own. Returns the estimated errors of temperature (°C) and of activity, and
    by how much a temperature changed.
    """
    f1, f2, f3, f4 = f[0], f[1], f[2], f[3]
    lam_core, lam_shell = h * j.slope_core * j.heat_core, h * j.slope_shell * j.heat_shell
    solved_core, solved_shell = 1.0 / (1.0 - GAMMA * lam_core), 1.0 / (1.0 - GAMMA * lam_shell)
    by_core, by_shell = h * h * j.slope_core, h * h * j.slope_shell
    k1_core, k1_shell = f1[HEAT_CORE] * solved_core, f1[HEAT_SHELL] * solved_shell
    v1_core, v1_shell = GAMMA * k1_core, GAMMA * k1_shell

    for i in range(STATE_ROWS):
        u[i] = y[i] + h * ALPHA_21 * f1[i]
    bend(u, j, f1, c.water_yield, ALPHA_21 * v1_core * by_core, ALPHA_21 * v1_shell * by_shell)
    rates(c, u, forcing(sky, hour + ALPHA_21 * h, rain_mm_h), f2)
    g_core, g_shell = GAMMA_21 * k1_core, GAMMA_21 * k1_shell
    k2_core = (f2[HEAT_CORE] + lam_core * g_core) * solved_core
    k2_shell = (f2[HEAT_SHELL] + lam_shell * g_shell) * solved_shell
    v2_core, v2_shell = g_core + GAMMA * k2_core, g_shell + GAMMA * k2_shell

    for i in range(STATE_ROWS):
        u[i] = y[i] + h * (ALPHA_31 * f1[i] + ALPHA_32 * f2[i])
    core = (ALPHA_31 * v1_core + ALPHA_32 * v2_core) * by_core
    shell = (ALPHA_31 * v1_shell + ALPHA_32 * v2_shell) * by_shell
    bend(u, j, f1, c.water_yield, core, shell)
    rates(c, u, forcing(sky, hour + (ALPHA_31 + ALPHA_32) * h, rain_mm_h), f3)
    g_core = GAMMA_31 * k1_core + GAMMA_32 * k2_core
    g_shell = GAMMA_31 * k1_shell + GAMMA_32 * k2_shell
    k3_core = (f3[HEAT_CORE] + lam_core * g_core) * solved_core
    k3_shell = (f3[HEAT_SHELL] + lam_shell * g_shell) * solved_shell
    v3_core, v3_shell = g_core + GAMMA * k3_core, g_shell + GAMMA * k3_shell

    for i in range(STATE_ROWS):
        u[i] = y[i] + h * f3[i]
    bend(u, j, f1, c.water_yield, v3_core * by_core, v3_shell * by_shell)
    rates(c, u, forcing(sky, hour + h, rain_mm_h), f4)
    g_core = GAMMA_41 * k1_core + GAMMA_42 * k2_core + GAMMA_43 * k3_core
    g_shell = GAMMA_41 * k1_shell + GAMMA_42 * k2_shell + GAMMA_43 * k3_shell
    k4_core = (f4[HEAT_CORE] + lam_core * g_core) * solved_core
    k4_shell = (f4[HEAT_SHELL] + lam_shell * g_shell) * solved_shell
    v4_core, v4_shell = g_core + GAMMA * k4_core, g_shell + GAMMA * k4_shell

    for i in range(ROWS):
        new[i] = y[i] + h * (B_1 * f1[i] + B_2 * f2[i] + B_3 * f3[i] + B_4 * f4[i])
    core = (B_1 * v1_core + B_2 * v2_core + B_3 * v3_core + B_4 * v4_core) * by_core
    shell = (B_1 * v1_shell + B_2 * v2_shell + B_3 * v3_shell + B_4 * v4_shell) * by_shell
    bend(new, j, f1, c.water_yield, core, shell)
    new[TOTALS_FROM] += j.made_core * core + j.made_shell * shell
    new[TOTALS_FROM + 1] += (j.heat_core - j.made_core) * core
    new[TOTALS_FROM + 1] += (j.heat_shell - j.made_shell) * shell

    organic_core, organic_shell = new[FAST_CORE] + new[SLOW_CORE], new[FAST_SHELL] + new[SLOW_SHELL]
    heat_core = c.cp_solid * (c.inert_core_kg + organic_core) + _CP_WATER * new[WATER_CORE]
    heat_shell = c.cp_solid * (c.inert_shell_kg + organic_shell) + _CP_WATER * new[WATER_SHELL]
    error_core = abs(E_1 * k1_core + E_2 * k2_core + E_3 * k3_core + E_4 * k4_core) / heat_core
    error_shell = abs(E_1 * k1_shell + E_2 * k2_shell + E_3 * k3_shell + E_4 * k4_shell)
    error_c = h * max(error_core, error_shell / heat_shell)
    jump = max(
        abs(new[HEAT_CORE] - y[HEAT_CORE]) / heat_core,
        abs(new[HEAT_SHELL] - y[HEAT_SHELL]) / heat_shell,
    )
    lively = 0.0
    for i in (ACTIVE_CORE, ACTIVE_SHELL):
        change = h * abs(E_1 * f1[i] + E_2 * f2[i] + E_3 * f3[i] + E_4 * f4[i])
        lively = max(lively, change / max(new[i], LEAST_ACTIVITY))
    return error_c, lively, jump


@compiled
def icy(y: Vector) -> bool:
    """Return whether there is ice in either zone."""
    return min(y[HEAT_CORE], y[HEAT_SHELL]) < 0.0


@compiled
def care(j: Decay, f: Vector, y: Vector) -> float:
    """Return by how much smaller than usual the errors of a step must be.

    While fast solids are left and warmth makes more warmth, an error grows into hours too early
    or too late; while there is ice, nothing undoes it.
    """
    if icy(y):
        return ICE_CARE
    core = j.slope_core * j.heat_core * f[FAST_CORE] / min(f[FAST_CORE] + f[SLOW_CORE], -1e-12)
    shell = (
        j.slope_shell * j.heat_shell * f[FAST_SHELL] / min(f[FAST_SHELL] + f[SLOW_SHELL], -1e-12)
    )
    return 1.0 / (1.0 + KINDLING_H * max(core, shell, 0.0))


@compiled
def kinked(before_kj: float, after_kj: float, ice_kj: float) -> bool:
    """Return whether a zone began or ceased to freeze or to thaw within a step."""
    return before_kj * after_kj < 0.0 or (before_kj + ice_kj) * (after_kj + ice_kj) < 0.0


@compiled
def late_error(
    c: Any,
    y: Vector,
    new: Vector,
    hour: float,
    h: float,
    sky: Sky,
    rain_mm_h: float,
    j: Decay,
    f: Vector,
) -> float:
    """Return by how much a step missed what its own estimate does not see, °C.

    On a plateau a temperature that is off by e still falls at lambda e, however long the step;
    and where water begins to freeze or to thaw the rates have a kink.
    """
    if h > KINK_H and (
        kinked(y[HEAT_CORE], new[HEAT_CORE], c.freezing * new[WATER_CORE])
        or kinked(y[HEAT_SHELL], new[HEAT_SHELL], c.freezing * new[WATER_SHELL])
    ):
        return math.inf
    if h * min(j.slope_core * j.heat_core, j.slope_shell * j.heat_shell) > STIFF:
        return 0.0
    p = rates(c, new, forcing(sky, hour + h, rain_mm_h), f)
    k = decay(c, new, f, p)
    lam_core, lam_shell = k.slope_core * k.heat_core, k.slope_shell * k.heat_shell
    off = 0.0
    if h * lam_core < STIFF:
        slow = (new[HEAT_CORE] - y[HEAT_CORE]) / h
        off = max(off, abs((f[HEAT_CORE] - slow) / lam_core) / p.core.capacity_kj_k)
    if h * lam_shell < STIFF:
        slow = (new[HEAT_SHELL] - y[HEAT_SHELL]) / h
        off = max(off, abs((f[HEAT_SHELL] - slow) / lam_shell) / p.shell.capacity_kj_k)
    return off


@compiled
def run(
    coefficients: Coefficients,
    y: Array,
    hours: Array,
    rain_mm_h: Array,
    sky: Sky,
    error_c: float,
    step_h: Array,
    kept: Array,
    seen: Array,
) -> int:
    """Bring every member from the first of ``hours`` to the last.

    Parameters
    ----------
    coefficients : (members,) records
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
    kept : (times - 1, KEPT, members)
        Gets water and pools of both zones at the end of each stretch.
    seen : (times - 1, SEEN, members)
        Gets what :func:`diagnose` tells then.

    Returns the number of a member for which no step was small enough, or -1.
    """
    f = np.empty((4, ROWS))
    u = np.empty(ROWS)
    now = np.empty(ROWS)
    new = np.empty(ROWS)
    figures = np.empty(SEEN)
    for m in range(y.shape[1]):
        c = coefficients[m]
        for i in range(ROWS):
            now[i] = y[i, m]
        wish = step_h[m]
        for k in range(len(rain_mm_h)):
            hour, end, rain = hours[k], hours[k + 1], rain_mm_h[k]
            while hour < end:
                p = rates(c, now, forcing(sky, hour, rain), f[0])
                j = decay(c, now, f[0], p)
                limit = error_c * care(j, f[0], now)
                h = (end - hour) / math.ceil(ALMOST * (end - hour) / wish)
                if icy(now):
                    # Nothing undoes an error there, and the weather has a kink each hour.
                    h = min(h, math.floor(hour + FINEST_H) + 1.0 - hour)
                refused = False
                while True:
                    last = h >= ALMOST * (end - hour)
                    if last:
                        h = end - hour
                    errors = step(c, now, hour, h, sky, rain, j, f, u, new)
                    error = max(errors[0], errors[1] * ACTIVITY_C) / limit
                    error = max(error, (errors[2] / JUMP_C) ** 3)
                    if error <= 1.0:
                        late = late_error(c, now, new, hour, h, sky, rain, j, f[1])
                        error = max(error, late / limit)
                    if error <= 1.0:
                        break
                    # An overflow is not finite, and as far too large as can be.
                    shrink = SAFETY * error ** (-1.0 / 3.0) if math.isfinite(error) else 0.0
                    h *= max(shrink, LEAST_SHRINK)
                    refused = True
                    if h < FINEST_H:
                        return m
                for i in range(ROWS):
                    now[i] = new[i]
                # A step may overshoot by its own error: full activity, and an empty pool.
                for i in range(FAST_CORE, SLOW_SHELL + 1):
                    now[i] = max(now[i], 0.0)
                now[ACTIVE_CORE] = min(max(now[ACTIVE_CORE], 0.0), 1.0)
                now[ACTIVE_SHELL] = min(max(now[ACTIVE_SHELL], 0.0), 1.0)
                hour = end if last else hour + h
                grown = h * min(SAFETY * max(error, 1e-9) ** (-1.0 / 3.0), MOST_GROWTH)
                # A step cut short by the end of a stretch tells of no need for short ones.
                wish = grown if refused else min(max(grown, wish), LONGEST_H)
            diagnose(c, now, forcing(sky, end, 0.0), figures)
            for i in range(SEEN):
                seen[k, i, m] = figures[i]
            for i in range(KEPT):
                kept[k, i, m] = now[WATER_CORE + i]
        step_h[m] = wish
        for i in range(ROWS):
            y[i, m] = now[i]
    return -1


@compiled
def look(coefficients: Coefficients, y: Array, sky: Sky, hour: float, seen: Array) -> None:
    """Put what :func:`diagnose` tells of every member into ``seen`` (SEEN, members)."""
    now = np.empty(ROWS)
    figures = np.empty(SEEN)
    for m in range(y.shape[1]):
        for i in range(ROWS):
            now[i] = y[i, m]
        diagnose(coefficients[m], now, forcing(sky, hour, 0.0), figures)
        for i in range(SEEN):
            seen[i, m] = figures[i]
