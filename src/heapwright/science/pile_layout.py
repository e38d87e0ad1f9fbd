"""How the state of a pile is laid out, and the records that its rates need.

Zone 0 is the core, zone 1 the shell. Arrays have the ensemble as last axis: ``(members,)`` for
what a pile has once, ``(2, members)`` for what each zone has. Time is in hours, energy in kJ,
mass in kg. Enthalpy is counted from liquid water and dry matter at 0 °C.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

HEAT: Final = slice(0, 2)
WATER: Final = slice(2, 4)
FAST: Final = slice(4, 6)
SLOW: Final = slice(6, 8)
ACTIVE: Final = slice(8, 10)
POOLS: Final = slice(4, 8)
LOOSE: Final = 10
STATE_ROWS: Final = 11
TOTALS: Final = slice(11, 23)
ROWS: Final = 23

TOTAL_NAMES: Final = (
    "heat_made_kj",
    "heat_bound_kj",
    "heat_to_walls_kj",
    "heat_to_ground_kj",
    "heat_to_air_kj",
    "heat_of_surface_evaporation_kj",
    "heat_of_rain_kj",
    "heat_of_drainage_kj",
    "water_to_air_kg",
    "water_from_surface_kg",
    "rain_kg",
    "drained_kg",
)
"""Running totals, in the order of their rows. ``heat_bound_kj`` is the heat content that water
made gains and solids gone lose; all others but ``heat_made_kj``, ``heat_bound_kj``,
``heat_of_rain_kj`` and ``rain_kg`` leave the pile."""


class Forcing(NamedTuple):
    """Weather at one moment: plain floats, the same for every member."""

    temp_c: float
    humidity: float
    enthalpy: float
    film_w_m2_k: float
    convection_w_m2_k: float
    wind_m_s: float
    ground_c: float
    rain_mm_h: float


class Coefficients(NamedTuple):
    """What stays the same between two events, per member.

    Built by :func:`heapwright.science.pile_state.coefficients`; names follow the equations of
    ``docs/pile-model.md``. What each zone has, or what both share, is ``(2, members)``; ``k_h``
    is (4, members) in the order of the pools, ``limit_offset`` (2, 2, members); what the heap
    has once is ``(members,)``.
    """

    inert_kg: Array
    solid_m3_inert: Array
    share: Array
    k_h: Array
    t_min: Array
    t_max: Array
    ctmi_slope: Array
    ctmi_offset: Array
    per_gamma_20: Array
    growth_per_gamma: Array
    k_oxygen: Array
    o2_yield: Array
    demand_yield: Array
    heat_yield: Array
    water_yield: Array
    bound_yield: Array
    m_ref_inv: Array
    v_ref: Array
    v_shape_inv: Array
    shrink_power: Array
    loose_min: Array
    settle_h_inv: Array
    cp_solid: Array
    freezing: Array
    chimney: Array
    height_m: Array
    half_width_m: Array
    blower_kg_h: Array
    wind_draught: Array
    condense: Array
    dry_inv: Array
    diffuse_shell: Array
    diffuse_core: Array
    k_core_kj_h: Array
    side_dry_m2: Array
    top_dry_m2: Array
    side_wet_m2: Array
    top_wet_m2: Array
    r_dry: Array
    r_wet_inv: Array
    floor_kj_h: Array
    wetness: Array
    wet_from: Array
    wet_span_inv: Array
    rain_m2: Array
    rain_bypass: Array
    water_cap: Array
    drain_h_inv: Array
    mix_h_inv: Array
    moist_fall: Array
    air_fall: Array
    limit_offset: Array
    surface_guess: Array

    def take(self, members: npt.NDArray[np.intp]) -> Coefficients:
        """Return the coefficients of some members."""
        return Coefficients(*(value[..., members] for value in self))


class Diagnosis(NamedTuple):
    """What follows at once from a state: ``(2, members)`` but for ``volume_m3``."""

    temp_c: Array
    moisture: Array
    oxygen_pct: Array
    air_space: Array
    volume_m3: Array
    solids_kg: Array
    oxygen_uptake_kg_h: Array
