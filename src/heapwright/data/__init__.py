"""The tables of facts: one row a fact, each with its sources and a mark.

``materials()``, ``sources()`` and the others read the CSV and TOML files of this folder once,
check them and return frozen records. Nothing here imports a numerical library.
"""

from heapwright.data.library import find_material, materials, near_ids
from heapwright.data.limits import product_limits
from heapwright.data.recipe import (
    category_defaults,
    constant,
    constants,
    containers,
    default_ranges,
    field_tests,
    how_to_measure,
    layer_limits,
    measured_spread,
    mix_ranges,
    particle_densities,
    spreads,
    storage_life,
    storage_lives,
)
from heapwright.data.tables import Source, sources

__all__ = [
    "Source",
    "category_defaults",
    "constant",
    "constants",
    "containers",
    "default_ranges",
    "field_tests",
    "find_material",
    "how_to_measure",
    "layer_limits",
    "materials",
    "measured_spread",
    "mix_ranges",
    "near_ids",
    "particle_densities",
    "product_limits",
    "sources",
    "spreads",
    "storage_life",
    "storage_lives",
]
