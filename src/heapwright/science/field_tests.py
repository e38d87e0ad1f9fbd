"""What a bucket, a scale and an oven tell: the arithmetic of the field tests.

Steps, errors and sources of the tests themselves stand in ``data/field_tests.csv``.
"""

from __future__ import annotations

from heapwright.errors import InputError


def _above_zero(value: float, name: str) -> None:
    if not value > 0:
        raise InputError(f"{name} of {value:g} is not above zero")


def moisture_from_drying_pct(fresh_g: float, dry_g: float) -> float:
    """Return moisture, % of wet mass, from net masses before and after drying.

    Richard & Trautmann 1996, Cornell Waste Management Institute: (fresh - dry) / fresh.

    Raises
    ------
    InputError
        If the sample gained mass or either mass is not above zero.
    """
    _above_zero(fresh_g, "a fresh mass")
    _above_zero(dry_g, "a dry mass")
    if dry_g > fresh_g:
        raise InputError(f"the dry mass {dry_g:g} g is above the fresh mass {fresh_g:g} g")
    return 100.0 * (fresh_g - dry_g) / fresh_g


def bulk_density_from_bucket_kg_m3(full_kg: float, empty_kg: float, volume_l: float) -> float:
    """Return bulk density from a filled bucket: net mass over volume.

    Procedure of WSU Puyallup and Coker (drop variants; record which was used).

    Raises
    ------
    InputError
        If the full bucket is not heavier than the empty one or the volume not above zero.
    """
    _above_zero(volume_l, "a bucket's volume")
    if not 0 <= empty_kg < full_kg:
        raise InputError(f"the full bucket ({full_kg:g} kg) must weigh more than the empty one")
    return (full_kg - empty_kg) / volume_l * 1000.0


def free_air_space_from_water_pct(water_l: float, volume_l: float) -> float:
    """Return free air space, % of volume, from the water that fills a full bucket's pores.

    A gallon into a five-gallon bucket is 20 %. Reads high where material soaks water up.

    Raises
    ------
    InputError
        If the water does not fit the bucket.
    """
    _above_zero(volume_l, "a bucket's volume")
    if not 0 <= water_l <= volume_l:
        raise InputError(f"{water_l:g} L of water does not fit a bucket of {volume_l:g} L")
    return 100.0 * water_l / volume_l


def wet_basis_from_dry_basis_pct(moisture_pct_dry_basis: float) -> float:
    """Return moisture as % of wet mass from % of dry mass: M / (1 + M).

    Raises
    ------
    InputError
        If the moisture is negative.
    """
    if moisture_pct_dry_basis < 0:
        raise InputError(f"a moisture of {moisture_pct_dry_basis:g} % is below zero")
    return 100.0 * moisture_pct_dry_basis / (100.0 + moisture_pct_dry_basis)


def nitrogen_to_add_kg(carbon_kg: float, nitrogen_kg: float, goal_cn: float) -> float:
    """Return the nitrogen that brings a mix down to a C:N goal; 0 when it is there already.

    Cornell advises to use only half to two thirds of it as fertiliser.
    """
    _above_zero(goal_cn, "a C:N goal")
    return max(0.0, carbon_kg / goal_cn - nitrogen_kg)
