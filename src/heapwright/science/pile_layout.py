"""How the state of a pile is laid out, and the records that its rates need.

Zone 0 is the core, zone 1 the shell. Arrays have the ensemble as last axis: ``(members,)`` for
what a pile has once, ``(2, members)`` for what each zone has. Time is in hours, energy in kJ,
mass in kg. Enthalpy is counted from liquid water and dry matter at 0 °C.
"""

from __future__ import annotations

from collections import namedtuple
from typing import Any, Final, NamedTuple

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
HEAT_CORE: Final = 0
HEAT_SHELL: Final = 1
WATER_CORE: Final = 2
WATER_SHELL: Final = 3
FAST_CORE: Final = 4
FAST_SHELL: Final = 5
SLOW_CORE: Final = 6
SLOW_SHELL: Final = 7
ACTIVE_CORE: Final = 8
ACTIVE_SHELL: Final = 9
STATE_ROWS: Final = 11
TOTALS_FROM: Final = 11
TOTALS: Final = slice(TOTALS_FROM, 23)
ROWS: Final = 23


class State(NamedTuple):
    """The rows of a state by name, without its running totals."""

    heat_core: float
    heat_shell: float
    water_core: float
    water_shell: float
    fast_core: float
    fast_shell: float
    slow_core: float
    slow_shell: float
    active_core: float
    active_shell: float
    loose: float


class Change(NamedTuple):
    """The rows of a state and of its running totals by name, as changes per hour."""

    heat_core: float
    heat_shell: float
    water_core: float
    water_shell: float
    fast_core: float
    fast_shell: float
    slow_core: float
    slow_shell: float
    active_core: float
    active_shell: float
    loose: float
    heat_made_kj: float
    heat_bound_kj: float
    heat_to_walls_kj: float
    heat_to_ground_kj: float
    heat_to_air_kj: float
    heat_of_surface_evaporation_kj: float
    heat_of_rain_kj: float
    heat_of_drainage_kj: float
    water_to_air_kg: float
    water_from_surface_kg: float
    rain_kg: float
    drained_kg: float


TOTAL_NAMES: Final = Change._fields[len(State._fields) :]
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


COEFFICIENTS: Final = np.dtype(
    [
        (name, np.float64)
        for name in (
            "inert_core_kg", "inert_shell_kg", "inert_core_m3", "inert_shell_m3",
            "share_core", "share_shell", "k_fast_h", "k_slow_h",
            "t_min", "t_max", "ctmi_slope", "ctmi_offset", "per_gamma_20", "growth_per_gamma",
            "k_oxygen", "o2_yield", "heat_yield", "water_yield", "bound_yield",
            "m_ref_inv", "v_ref_m3", "v_shape_inv", "shrink_power", "loose_min", "settle_h_inv",
            "cp_solid", "freezing", "chimney", "height_m", "half_width_m", "blower_kg_h",
            "wind_draught", "condense", "dry_inv", "diffuse_shell", "diffuse_core",
            "k_core_kj_h", "side_dry_m2", "top_dry_m2", "side_wet_m2", "top_wet_m2",
            "outer_kj_h", "r_dry", "r_wet_inv", "floor_kj_h", "wetness", "wet_from", "wet_span_inv",
            "rain_m2", "rain_bypass", "water_cap", "water_cap_inv", "drain_h_inv", "mix_h_inv",
            "moist_offset", "moist_slope", "air_offset", "air_slope", "surface_guess",
        )
    ]
)  # fmt: skip
"""What stays the same between two events, a record a member; names follow the equations of
``docs/pile-model.md``. Built by :func:`heapwright.science.pile_state.coefficients`."""

Figures: Any = namedtuple("Figures", COEFFICIENTS.names or ())  # type: ignore[misc]
"""The coefficients of one member, or of several side by side."""

Coefficients = npt.NDArray[np.void]
