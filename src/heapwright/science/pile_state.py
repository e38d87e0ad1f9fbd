"""The state of a pile (an ensemble of it) and the coefficients that follow from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from heapwright.science import air
from heapwright.science.heap_shape import HeapShape, geometry
from heapwright.science.materials import Mark
from heapwright.science.pile_layout import (
    ACTIVE,
    COEFFICIENTS,
    FAST,
    HEAT,
    LOOSE,
    ROWS,
    SLOW,
    WATER,
    Coefficients,
)
from heapwright.science.pile_parameters import Parameters
from heapwright.science.pile_rates import (
    AIR_DENSITY,
    AIR_VISCOSITY,
    CARBON_OF_CO2,
    GRAVITY,
    O2_DIFFUSION_M2_H,
    SOLID_M3_PER_KG,
)
from heapwright.science.pile_recipe import Recipe

Array = npt.NDArray[np.float64]

STILL_FILM_M2K_W: Final = 0.1  # of still air at an outer surface, radiation included
ASH_M3_PER_KG: Final = 1.0 / 2650.0
REFERENCE_PERMEABILITY_M2: Final = 1e-8
REFERENCE_AIR_SPACE: Final = 0.40
GROWTH_AT_C: Final = 35.0
FIRST_STEP_H: Final = 1.0
LEAST_AIR_KG_H: Final = 1e-6
"""A drowned heap still passes a milligram of air an hour; keeps oxygen defined."""


@dataclass(frozen=True, slots=True)
class Cover:
    """What lies over a pile: a row of ``data/pile_covers.csv``.

    ``rain``, ``draught`` and ``vapour`` are shares of what an open pile gets or loses.
    """

    id: str
    name: str
    rain: float
    draught: float
    vapour: float
    r_m2k_w: float
    sources: tuple[str, ...] = ()
    mark: Mark = "common practice"
    note: str = ""


OPEN: Final = Cover("open", "nothing", 1.0, 1.0, 1.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Booked:
    """What events brought in and took out since the pile was built, arrays (members,)."""

    water_kg: Array
    solids_kg: Array
    heat_kj: Array
    turn_water_kg: Array
    turn_heat_kj: Array

    @classmethod
    def none(cls, members: int) -> Booked:
        """Return a blank account."""
        return cls(*(np.zeros(members) for _ in range(5)))


@dataclass(frozen=True, slots=True, eq=False)
class PileState:
    """A pile at one moment, for every member.

    ``y`` has the rows of :mod:`heapwright.science.pile_rates`; ``inert_kg`` and ``ash_kg`` are
    the solids that do not decay, by zone (2, members). ``reference_*`` are the dry mass and the
    loose volume from which it shrinks; ``shape`` its measured outside when last built or moved,
    ``shape_m3`` the volume of that; ``step_h`` the time step to go on with.
    """

    hour: float
    y: Array
    inert_kg: Array
    ash_kg: Array
    k_fast_per_day: Array
    k_slow_per_day: Array
    carbon_rest_kg: Array
    cn: Array
    nitrogen_kg: Array
    reference_kg: Array
    reference_m3: Array
    shape: HeapShape
    shape_m3: Array
    cover: Cover
    blower_m3_h: float
    booked: Booked
    step_h: Array

    @property
    def members(self) -> int:
        """How many members the ensemble has."""
        return int(self.y.shape[1])

    @property
    def solids_kg(self) -> Array:
        """Dry mass by zone, (2, members)."""
        solids: Array = self.inert_kg + self.ash_kg + self.y[FAST] + self.y[SLOW]
        return solids


class HeapGeometries(NamedTuple):
    """The fields of :class:`heapwright.science.heap_shape.HeapGeometry` for every member."""

    volume_m3: Array
    core_share: Array
    core_area_m2: Array
    core_depth_m: Array
    side_area_m2: Array
    top_area_m2: Array
    floor_area_m2: Array
    plan_area_m2: Array
    height_m: Array
    width_m: Array
    shell_m: Array


def shell_m(shape: HeapShape, parameters: Parameters) -> Array:
    """Return the thickness of the outer zone that the parameters give this shape."""
    box = shape.shape in ("bay", "vessel")
    return parameters["shell_box_m" if box else "shell_free_m"]


def geometries(shape: HeapShape, thickness_m: Array) -> HeapGeometries:
    """Return the geometry of every member, whose shells differ."""
    return _geometries(shape, thickness_m.astype(float).tobytes())


@lru_cache(maxsize=16)
def _geometries(shape: HeapShape, thicknesses: bytes) -> HeapGeometries:
    rows = [geometry(shape, float(one)) for one in np.frombuffer(thicknesses)]
    found = HeapGeometries(
        *(np.array([getattr(row, name) for row in rows]) for name in HeapGeometries._fields)
    )
    for value in found:
        value.flags.writeable = False
    return found


def start(
    recipe: Recipe,
    shape: HeapShape,
    parameters: Parameters,
    *,
    start_temp_c: float,
    cover: Cover = OPEN,
    blower_m3_h: float = 0.0,
) -> PileState:
    """Return a pile as built: mixed throughout, loose, at one temperature.

    Parameters
    ----------
    recipe : Recipe
        What it holds; arrays of as many members as the parameters have.
    shape : HeapShape
        Its measured outside, which gives its volume.
    parameters : mapping of id to array (members,)
    start_temp_c : float
    cover : Cover
    blower_m3_h : float
        Mean forced air through the core.
    """
    members = recipe.water_kg.shape[0]
    g = geometries(shape, shell_m(shape, parameters))
    share = np.stack([g.core_share, 1.0 - g.core_share])
    y = np.zeros((ROWS, members))
    y[WATER] = recipe.water_kg * share
    fast = recipe.fast_kg * np.minimum(
        parameters["fast_share_scale"],
        np.divide(
            recipe.fast_kg + recipe.slow_kg,
            recipe.fast_kg,
            out=np.full(members, np.inf),
            where=recipe.fast_kg > 0,
        ),
    )
    slow = recipe.fast_kg + recipe.slow_kg - fast
    y[FAST], y[SLOW] = fast * share, slow * share
    y[ACTIVE] = parameters["activity_start"]
    y[LOOSE] = 1.0
    inert, ash = recipe.inert_kg * share, recipe.ash_kg * share
    capacity = parameters["cp_solid_kj_kg_k"] * (inert + ash + y[FAST] + y[SLOW])
    capacity += air.CP_WATER * y[WATER]
    y[HEAT] = capacity * start_temp_c
    if start_temp_c < 0.0:
        y[HEAT] -= parameters["freezing"] * air.FREEZING_KJ_KG * y[WATER]
    carbon = 0.5 * (recipe.inert_kg + recipe.fast_kg + recipe.slow_kg)
    volume = np.broadcast_to(g.volume_m3, (members,)).copy()
    return PileState(
        hour=0.0,
        y=y,
        inert_kg=inert,
        ash_kg=ash,
        k_fast_per_day=recipe.k_fast_per_day,
        k_slow_per_day=recipe.k_slow_per_day,
        carbon_rest_kg=carbon - carbon_yield(parameters) * (recipe.fast_kg + recipe.slow_kg),
        cn=carbon_to_nitrogen(recipe),
        nitrogen_kg=recipe.nitrogen_kg.copy(),
        reference_kg=recipe.dry_kg.copy(),
        reference_m3=volume,
        shape=shape,
        shape_m3=volume,
        cover=cover,
        blower_m3_h=blower_m3_h,
        booked=Booked.none(members),
        step_h=np.full(members, FIRST_STEP_H),
    )


def carbon_yield(parameters: Parameters) -> Array:
    """Return kg of carbon leaving as carbon dioxide per kg of solids degraded."""
    return (1.0 + parameters["o2_kg_kg"] - parameters["water_kg_kg"]) * CARBON_OF_CO2


def carbon_to_nitrogen(recipe: Recipe) -> Array:
    """Return available carbon over nitrogen; without nitrogen, infinite."""
    return np.divide(
        recipe.available_carbon_kg,
        recipe.nitrogen_kg,
        out=np.full_like(recipe.nitrogen_kg, np.inf),
        where=recipe.nitrogen_kg > 0,
    )


def cardinal(t_min: Array, t_opt: Array, t_max: Array) -> tuple[Array, Array]:
    """Return slope and offset of the denominator of the cardinal temperature function.

    gamma(T) = (T - Tmax)(T - Tmin)² / (slope T + offset), Rosso and others 1993.
    """
    a = t_opt - t_min
    b = t_opt - t_max
    return a * (a + 2.0 * b), a * (-a * t_opt - b * (t_opt + t_min))


def gamma(parameters: Parameters, temp_c: Array | float) -> Array:
    """Return the cardinal temperature function, 1 at the optimum, 0 outside its range."""
    low, high = parameters["t_min_c"], parameters["t_max_c"]
    slope, offset = cardinal(low, parameters["t_opt_c"], high)
    t = np.clip(temp_c, low, high)
    value: Array = (t - high) * (t - low) ** 2 / (slope * t + offset)
    return value


def coefficients(state: PileState, parameters: Parameters) -> Coefficients:
    """Return what the rates need and what stays the same until the next event."""
    p, s, cover = parameters, state.shape, state.cover
    ones = np.ones(state.members)
    g = geometries(s, shell_m(s, p))
    slope, offset = cardinal(p["t_min_c"], p["t_opt_c"], p["t_max_c"])
    per_gamma_20 = 1.0 / np.maximum(gamma(p, 20.0), 1e-6)
    per_gamma_35 = 1.0 / np.maximum(gamma(p, GROWTH_AT_C), 1e-6)
    cn_factor = np.minimum(1.0, np.sqrt(p["cn_limit"] / np.maximum(state.cn, 1e-9)))
    k_fast = state.k_fast_per_day * p["k_fast_scale"]
    k_slow = state.k_slow_per_day * p["k_slow_scale"]
    boxed = s.shape in ("bay", "vessel")
    closed = s.shape == "vessel"
    # Slatted walls (no resistance stated) let vapour out; boards and insulation do not.
    slats = p["slat_open"] * max(0.0, 1.0 - s.wall_r_m2k_w / BOARD_R_M2K_W) if boxed else ones
    side_wet = g.side_area_m2 * (0.0 * ones if closed else slats)
    top_wet = g.top_area_m2 * (0.0 * ones if closed else ones)
    half_shell_r = g.shell_m / (2.0 * p["conductivity_w_m_k"])
    path = g.shell_m / 2.0 + g.core_depth_m / 6.0
    permeability = p["permeability_m2"]
    u_factor = permeability / AIR_VISCOSITY * AIR_DENSITY * GRAVITY
    top_r = s.wall_r_m2k_w if closed else 0.0
    side_r = s.wall_r_m2k_w if boxed else 0.0
    r_dry = half_shell_r + side_r + cover.r_m2k_w
    rain = 0.0 if closed else cover.rain
    blown = state.blower_m3_h > 0
    draught = 0.0 if closed and blown else cover.draught
    inert, ash = state.inert_kg, state.ash_kg
    solid_m3 = inert * SOLID_M3_PER_KG + ash * ASH_M3_PER_KG
    chimney = AIR_DENSITY * 3600.0 * u_factor * g.plan_area_m2 * g.core_share ** (2.0 / 3.0)
    values: dict[str, Array | float] = {
        "inert_core_kg": inert[0] + ash[0],
        "inert_shell_kg": inert[1] + ash[1],
        "inert_core_m3": solid_m3[0],
        "inert_shell_m3": solid_m3[1],
        "share_core": g.core_share,
        "share_shell": 1.0 - g.core_share,
        "k_fast_h": k_fast * cn_factor / 24.0,
        "k_slow_h": k_slow * cn_factor / 24.0,
        "t_min": p["t_min_c"],
        "t_max": p["t_max_c"],
        "ctmi_slope": slope,
        "ctmi_offset": offset,
        "per_gamma_20": per_gamma_20,
        "growth_per_gamma": p["growth_per_day"] / 24.0 * per_gamma_35,
        "k_oxygen": p["k_oxygen_pct"],
        "o2_yield": p["o2_kg_kg"],
        "heat_yield": p["o2_kg_kg"] * p["heat_kj_kg_o2"],
        "water_yield": p["water_kg_kg"],
        "bound_yield": p["water_kg_kg"] * air.CP_WATER - p["cp_solid_kj_kg_k"],
        "m_ref_inv": 1.0 / state.reference_kg,
        "v_ref_m3": state.reference_m3,
        "v_shape_inv": 1.0 / state.shape_m3,
        "shrink_power": p["shrink_power"],
        "loose_min": p["loose_min"],
        "settle_h_inv": 1.0 / (24.0 * p["settle_days"]),
        "cp_solid": p["cp_solid_kj_kg_k"],
        "freezing": p["freezing"] * air.FREEZING_KJ_KG,
        "chimney": chimney * draught * (0.0 if blown else 1.0) / REFERENCE_AIR_SPACE**3,
        "height_m": g.height_m,
        "half_width_m": g.width_m / 2.0,
        "blower_kg_h": max(state.blower_m3_h * AIR_DENSITY, LEAST_AIR_KG_H),
        "wind_draught": p["draught_kg_m2_m"] * (g.side_area_m2 + g.top_area_m2) * draught
        * permeability / REFERENCE_PERMEABILITY_M2,
        "condense": p["condense_share"],
        "dry_inv": 1.0 / p["dry_limit_fraction"],
        "diffuse_shell": AIR_DENSITY * O2_DIFFUSION_M2_H / (g.shell_m / 2.0),
        "diffuse_core": 0.25 * AIR_DENSITY * O2_DIFFUSION_M2_H * g.core_area_m2 / path,
        "k_core_kj_h": 3.6 * p["conductivity_w_m_k"] * g.core_area_m2 / path,
        "side_dry_m2": g.side_area_m2 - side_wet,
        "top_dry_m2": g.top_area_m2 - top_wet,
        "side_wet_m2": side_wet,
        "top_wet_m2": top_wet,
        "outer_kj_h": 3.6 * (g.side_area_m2 + g.top_area_m2) / (r_dry + top_r + STILL_FILM_M2K_W),
        "r_dry": r_dry + (top_r - side_r if closed else 0.0),
        "r_wet_inv": 1.0 / (half_shell_r + cover.r_m2k_w),
        "floor_kj_h": 3.6 * p["floor_w_m2_k"] * g.floor_area_m2,
        "wetness": p["surface_wetness"] * cover.vapour,
        "wet_from": p["wet_from_fraction"],
        "wet_span_inv": 1.0 / (p["wet_full_fraction"] - p["wet_from_fraction"]),
        "rain_m2": p["rain_share"] * g.plan_area_m2 * rain,
        "rain_bypass": p["rain_bypass"],
        "water_cap": p["water_cap_fraction"] / (1.0 - p["water_cap_fraction"]),
        "water_cap_inv": (1.0 - p["water_cap_fraction"]) / p["water_cap_fraction"],
        "drain_h_inv": 1.0 / (24.0 * p["drain_days"]),
        "mix_h_inv": 1.0 / (24.0 * p["mix_days"]),
        "moist_offset": p["moist_offset"],
        "moist_slope": -p["moist_slope"],
        "air_offset": p["air_offset"],
        "air_slope": -p["air_slope"],
        "surface_guess": p["surface_guess"],
    }  # fmt: skip
    found = np.empty(state.members, dtype=COEFFICIENTS)
    for name in COEFFICIENTS.names or ():
        found[name] = values.pop(name)
    assert not values
    return found


BOARD_R_M2K_W: Final = 0.1
"""Boards have at least this thermal resistance; less means gaps."""
