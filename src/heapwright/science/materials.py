"""What a material is: published or measured figures, each with its range and origin.

A :class:`Material` is a row of the library or of a site's own table, blanks and all. Blanks
are never filled here; :mod:`heapwright.science.mixing` turns a material into an ingredient
and says what it had to assume.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Origin = Literal["measured", "published", "derived", "assumed"]
Mark = Literal["published", "common practice", "from memory"]


@dataclass(frozen=True, slots=True)
class Span:
    """A figure with its range.

    ``low`` and ``high`` bound the values seen in practice and are read as the 5th and 95th
    percentile, ``typical`` as the median. A published typical value may lie outside the
    published range (rice hulls); the range is then widened to hold it.
    """

    typical: float
    low: float
    high: float
    origin: Origin = "published"
    note: str = ""


@dataclass(frozen=True, slots=True)
class Material:
    """A row of the materials table; ``None`` where nobody published a figure.

    Moisture is a percentage of wet mass; nitrogen, carbon and volatile solids of dry mass;
    ``degradability_pct_vs`` the biodegradable share of volatile solids; densities are as-is
    (wet) in kg/m³. ``layer_role`` says where it lies in a heap: food, green, brown, woody,
    mineral or water. ``price_per_tonne`` is what the site pays for it, in its own currency.
    """

    id: str
    name: str
    category: str
    moisture_pct: Span | None = None
    n_pct_dry: Span | None = None
    c_pct_dry: Span | None = None
    cn: Span | None = None
    bulk_density_kg_m3: Span | None = None
    vs_pct_dry: Span | None = None
    degradability_pct_vs: Span | None = None
    ph: float | None = None
    carbon_available: bool = True
    sources: tuple[str, ...] = ()
    mark: Mark = "from memory"
    note: str = ""
    layer_role: str = "brown"
    price_per_tonne: float | None = None
