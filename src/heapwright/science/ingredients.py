"""Ingredients of a mix: complete figures of a material, and how sure each of them is.

Uncertainty: each figure of a material is read as a median with a 5th and 95th percentile and
drawn from a two-piece normal distribution (two-piece lognormal for C:N and densities). Carbon
and C:N are drawn, nitrogen follows as C / (C:N), so the nitrogen and C:N of one material move
together as they must. A material's draws depend only on its own id and figures: a mix has the
same spread in whatever order it is written.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError, NotMeasuredError
from heapwright.science.materials import Material, Span

Array = npt.NDArray[np.float64]

Basis = tuple[Literal["c", "n", "cn"], Literal["c", "n", "cn"]]

DRAWS = 2000
"""Draws of each uncertain figure; the sampling error of a 90 % chance is then 0.7 %."""

WATER = "water"

_Z95 = 1.6448536269514722  # standard normal quantile at 0.95
_Z_LIMIT = 2.7  # draws further out than 1 in 140 are held at this distance


@dataclass(frozen=True, slots=True)
class Spread:
    """How far p5 and p95 lie from the typical value; ``relative`` to it or in ``points``."""

    half_range: float
    scale: Literal["points", "relative"]

    def around(self, typical: float, *, lowest: float, highest: float) -> tuple[float, float]:
        """Return p5 and p95 about ``typical``, held within what is possible."""
        half = self.half_range * (typical if self.scale == "relative" else 1.0)
        return max(typical - half, min(lowest, typical)), min(typical + half, max(highest, typical))


@dataclass(frozen=True, slots=True)
class ParticleDensities:
    """Particle densities of organic matter and ash for free air space, kg/m³, by source."""

    id: str
    organic_kg_m3: float
    ash_kg_m3: float


@dataclass(frozen=True, slots=True)
class CategoryDefault:
    """What is assumed of a category when nobody published a figure for a material."""

    bulk_density_kg_m3: Span
    degradability_pct_vs: Span


@dataclass(frozen=True, slots=True)
class MixFacts:
    """The facts that mixing rests on; ``heapwright.data.mixing.mix_facts()`` loads them.

    ``carbon_cap_pct_dry`` bounds published nitrogen times published C:N;
    ``carbon_max_pct_dry`` is the most carbon that dry matter can hold.
    """

    carbon_cap_pct_dry: float
    carbon_max_pct_dry: float
    vs_per_carbon: float
    water_density_kg_m3: float
    densities: Mapping[str, ParticleDensities]
    default_densities: str
    assumed: Mapping[str, Spread]
    measured: Mapping[str, Spread]
    categories: Mapping[str, CategoryDefault]
    how_to_measure: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Ingredient:
    """A material with every figure that mixing needs, each with range and origin.

    ``basis`` names the two of carbon, nitrogen and C:N that are drawn; the third follows.
    """

    id: str
    name: str
    category: str
    layer_role: str
    moisture_pct: Span
    c_pct_dry: Span
    n_pct_dry: Span
    cn: Span
    basis: Basis
    vs_pct_dry: Span
    bulk_density_kg_m3: Span
    degradability_pct_vs: Span
    ph: float | None
    notes: tuple[str, ...]

    @property
    def is_water(self) -> bool:
        """Water adds mass to the pores of a mix but neither solids nor volume."""
        return self.id == WATER


def _spanned(span: Span, spread: Spread, *, lowest: float, highest: float) -> Span:
    """Give a figure without a published range the range that ``spread`` assumes."""
    if span.low < span.high:
        return span
    low, high = spread.around(span.typical, lowest=lowest, highest=highest)
    return replace(span, low=low, high=high, note=span.note or "range assumed")


def measured(value: float, spread: Spread, *, highest: float = 100.0) -> Span:
    """Return the span of a value that was measured on site or in a laboratory."""
    low, high = spread.around(value, lowest=0.0, highest=highest)
    return Span(value, low, high, "measured")


def _refuse_unmeasured(material: Material, facts: MixFacts) -> None:
    """Refuse a material without moisture or without two of nitrogen, carbon and C:N."""
    n, c, cn = material.n_pct_dry, material.c_pct_dry, material.cn
    measured_one = any(s is not None and s.origin == "measured" for s in (n, cn))
    carbon_from_vs = c is None and material.vs_pct_dry is not None and measured_one
    missing = []
    if sum(s is not None for s in (n, c, cn)) + carbon_from_vs < 2:
        missing.append(("nitrogen", "n_pct_dry") if n is None else ("C:N", "cn"))
    if material.moisture_pct is None:
        missing.append(("moisture", "moisture_pct"))
    if not missing:
        return
    what = " and the ".join(name for name, _ in missing)
    advice = "; ".join(facts.how_to_measure[key] for _, key in missing)
    raise NotMeasuredError(
        f"nobody published the {what} of {material.id}, so it cannot enter a mix yet: {advice}"
    )


def _carbon_of_library(material: Material, facts: MixFacts) -> Span | None:
    """Carbon from the table: stated, or N x C:N under the cap, or volatile solids / 1.8.

    Published averages of N and of C:N were averaged apart, so their product can exceed what
    dry matter holds (sawdust 106 %); C:N then wins and nitrogen follows from it.
    """
    if material.c_pct_dry is not None:
        return material.c_pct_dry
    if material.n_pct_dry is not None and material.cn is not None:
        product = material.n_pct_dry.typical * material.cn.typical
        carbon = min(product, facts.carbon_cap_pct_dry)
        note = (
            f"N x C:N = {product:.1f} %"
            if product <= facts.carbon_cap_pct_dry
            else f"N x C:N = {product:.0f} % cannot be; held at {carbon:g} %, C:N kept"
        )
        return Span(carbon, carbon, carbon, "derived", note)
    if material.vs_pct_dry is not None:
        carbon = material.vs_pct_dry.typical / facts.vs_per_carbon
        return Span(carbon, carbon, carbon, "derived", f"volatile solids / {facts.vs_per_carbon:g}")
    return None


def with_measured(material: Material, spans: Mapping[str, Span], facts: MixFacts) -> Material:
    """Return a material with measured figures in place of published ones.

    Measured nitrogen (or C:N) alone leaves the carbon of the material as it was: carbon is the
    steadier figure, and N x C:N of a measured and a published value would mean nothing.
    """
    given = set(spans)
    carbon = material.c_pct_dry
    if "c_pct_dry" not in given and len(given & {"n_pct_dry", "cn"}) == 1:
        carbon = _carbon_of_library(material, facts)
    changes: dict[str, Any] = {"c_pct_dry": carbon, **spans}
    return replace(material, **changes)


def _carbon_and_nitrogen(material: Material, facts: MixFacts) -> tuple[Span, Span, Span, Basis]:
    """Return carbon, nitrogen, C:N and the two of them that are drawn.

    What was measured counts before what was published. Of published figures carbon and C:N
    count, and nitrogen follows from them.
    """
    n, cn = material.n_pct_dry, material.cn
    n_counts = n is not None and (n.origin == "measured" or cn is None)
    c = material.c_pct_dry or _carbon_of_library(material, facts)
    if n is not None and cn is not None and n.origin == cn.origin == "measured":
        return _from_nitrogen_and_ratio(material, n, cn, facts)
    if c is None:
        raise AssertionError(f"{material.id} should have been refused: it has no carbon")
    c = _spanned(c, facts.assumed["c_pct_dry"], lowest=0, highest=facts.carbon_max_pct_dry)
    if n_counts and n is not None:
        n = _spanned(n, facts.assumed["n_pct_dry"], lowest=0, highest=100.0)
        return c, n, _ratio(c, n), ("n", "c")
    assert cn is not None
    cn = _spanned(cn, facts.assumed["cn"], lowest=0.1, highest=5000.0)
    return c, _ratio(c, cn), cn, ("c", "cn")


def _from_nitrogen_and_ratio(
    material: Material, n: Span, cn: Span, facts: MixFacts
) -> tuple[Span, Span, Span, Basis]:
    """Return carbon as measured nitrogen times measured C:N, refused when it cannot be."""
    carbon, most = n.typical * cn.typical, facts.carbon_max_pct_dry
    if carbon > most:
        raise InputError(
            f"nitrogen {n.typical:g} % times C:N {cn.typical:g} of {material.id} makes "
            f"{carbon:.0f} % carbon; dry matter holds at most {most:g} %"
        )
    c = Span(carbon, n.low * cn.low, min(n.high * cn.high, most), "derived", "nitrogen x C:N")
    return c, n, cn, ("n", "cn")


def _ratio(top: Span, bottom: Span) -> Span:
    """Return top / bottom with the range that independent top and bottom give it."""
    if not (top.typical and bottom.typical):
        return Span(0.0, 0.0, 0.0, "derived")
    typical = top.typical / bottom.typical
    up = math.hypot(
        top.high / top.typical - 1.0, bottom.typical / max(bottom.low, 0.01 * bottom.typical) - 1.0
    )
    down = math.hypot(
        top.typical / max(top.low, 0.01 * top.typical) - 1.0, bottom.high / bottom.typical - 1.0
    )
    return Span(typical, typical / (1.0 + down), typical * (1.0 + up), "derived")


def complete(material: Material, facts: MixFacts) -> Ingredient:
    """Return the ingredient that a material makes, saying what had to be assumed.

    Parameters
    ----------
    material : Material
        A row of the library, of a site's own table, or either with measured values.
    facts : MixFacts
        The constants and defaults that mixing rests on.

    Raises
    ------
    NotMeasuredError
        If moisture, or two of nitrogen, carbon and C:N, are neither published nor measured;
        the message says how to measure them.
    InputError
        If measured nitrogen and C:N make more carbon than dry matter can hold.
    """
    if material.id == WATER:
        return _water(material, facts)
    _refuse_unmeasured(material, facts)
    assert material.moisture_pct is not None
    notes: list[str] = []
    moisture = _spanned(
        material.moisture_pct, facts.assumed["moisture_pct"], lowest=0.0, highest=98.0
    )
    c, n, cn, basis = _carbon_and_nitrogen(material, facts)
    if c.note:
        notes.append(f"carbon: {c.note}")
    if not material.carbon_available:
        notes.append("its carbon is not food for microbes and is left out of C:N")
        c = n = cn = Span(0.0, 0.0, 0.0, "derived", "not available to microbes")
        basis = ("n", "c")
    category = facts.categories[material.category]
    vs = material.vs_pct_dry
    if vs is None:
        value = min(c.typical * facts.vs_per_carbon, 98.0)
        vs = Span(value, value, value, "derived", f"carbon x {facts.vs_per_carbon:g}")
        notes.append(f"volatile solids: carbon x {facts.vs_per_carbon:g}")
    density = material.bulk_density_kg_m3
    if density is None:
        density = category.bulk_density_kg_m3
        notes.append(f"bulk density assumed from its kind ({material.category})")
    degradability = material.degradability_pct_vs
    if degradability is None:
        degradability = category.degradability_pct_vs
        notes.append(f"degradable share assumed from its kind ({material.category})")
    return Ingredient(
        id=material.id,
        name=material.name,
        category=material.category,
        layer_role=material.layer_role,
        moisture_pct=moisture,
        c_pct_dry=c,
        n_pct_dry=n,
        cn=cn,
        basis=basis,
        vs_pct_dry=_spanned(vs, facts.assumed["vs_pct_dry"], lowest=0.0, highest=99.5),
        bulk_density_kg_m3=_spanned(
            density, facts.assumed["bulk_density_kg_m3"], lowest=10.0, highest=2500.0
        ),
        degradability_pct_vs=_spanned(
            degradability, facts.assumed["degradability_pct_vs"], lowest=0.0, highest=100.0
        ),
        ph=material.ph,
        notes=tuple(notes),
    )


def _water(material: Material, facts: MixFacts) -> Ingredient:
    none = Span(0.0, 0.0, 0.0)
    full = Span(100.0, 100.0, 100.0)
    density = facts.water_density_kg_m3
    return Ingredient(
        WATER, material.name, material.category, material.layer_role,
        full, none, none, none, ("n", "c"), none, Span(density, density, density), none, None,
        ("fills pores: adds mass, no volume",),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Draws of one ingredient's figures, each an array of shape (draws,).

    Fractions of one (not per cent): ``water`` of wet mass, ``carbon`` and ``nitrogen`` and
    ``volatile`` of dry mass; ``volume_m3_kg`` is volume per kilogram of wet mass.
    """

    water: Array
    carbon: Array
    nitrogen: Array
    volatile: Array
    volume_m3_kg: Array


def _two_piece(span: Span, z: Array, *, log: bool) -> Array:
    """Return draws with median ``typical`` and p5, p95 at ``low`` and ``high``."""
    low, typical, high = (
        (np.log(max(v, 1e-9)) for v in (span.low, span.typical, span.high))
        if log
        else (span.low, span.typical, span.high)
    )
    step = np.where(z < 0, typical - low, high - typical) / _Z95
    values = typical + z * step
    return np.exp(values) if log else values


@lru_cache(maxsize=512)
def draws_of(ingredient: Ingredient, draws: int = DRAWS) -> Draws:
    """Return the draws of one ingredient; the same id and figures give the same draws."""
    if ingredient.is_water:
        zero = np.zeros(draws)
        return Draws(np.ones(draws), zero, zero, zero, zero)
    rng = np.random.default_rng(zlib.crc32(ingredient.id.encode()))
    half = rng.standard_normal((5, (draws + 1) // 2))
    z = np.clip(np.concatenate([half, -half], axis=1)[:, :draws], -_Z_LIMIT, _Z_LIMIT)
    for row in z[1:]:
        rng.shuffle(row)  # antithetic pairs within a figure, independent between figures
    water = np.clip(_two_piece(ingredient.moisture_pct, z[0], log=False) / 100.0, 0.0, 0.99)
    first, second = ingredient.basis
    drawn = {
        first: _two_piece(_span_of(ingredient, first), z[1], log=first == "cn"),
        second: _two_piece(_span_of(ingredient, second), z[2], log=second == "cn"),
    }
    if "c" in drawn:
        carbon = np.maximum(drawn["c"], 0.0) / 100.0
        nitrogen = carbon / drawn["cn"] if "cn" in drawn else np.maximum(drawn["n"], 0.0) / 100.0
    else:
        nitrogen = np.maximum(drawn["n"], 0.0) / 100.0
        carbon = np.minimum(nitrogen * drawn["cn"], ingredient.c_pct_dry.high / 100.0)
    volatile = np.clip(_two_piece(ingredient.vs_pct_dry, z[3], log=False) / 100.0, 0.0, 0.995)
    density = _two_piece(ingredient.bulk_density_kg_m3, z[4], log=True)
    return Draws(water, carbon, nitrogen, volatile, 1.0 / density)


def _span_of(ingredient: Ingredient, key: Literal["c", "n", "cn"]) -> Span:
    return {"c": ingredient.c_pct_dry, "n": ingredient.n_pct_dry, "cn": ingredient.cn}[key]
