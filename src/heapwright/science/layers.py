"""The layer plan: in what order a person forks a mix together, and how thick.

A coarse base that drains and lets air in, then courses that alternate dry and wet materials
within the thickness limits, then a cap of dry carbon that keeps flies and smell in. Every
ingredient is used up exactly; where it comes in containers, each layer is whole half
containers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from heapwright.errors import InputError
from heapwright.science.goals import DRY_ROLES
from heapwright.science.ingredients import Ingredient
from heapwright.science.mixing import Part

Kind = Literal["base", "dry", "wet", "cap"]

_ORDER: Final = {"woody": 0, "brown": 1, "mineral": 2, "green": 3, "food": 4}
_THINNEST_M: Final = 0.03  # a thinner layer cannot be spread evenly with a fork
_RESERVED_SHARE: Final = 0.5  # base and cap each take at most this share of a material


@dataclass(frozen=True, slots=True)
class LayerLimits:
    """How thick layers are, m; ``material_m`` overrides ``any_m`` for single materials."""

    base_m: float
    any_m: float
    cap_m: float
    material_m: Mapping[str, float]

    def thickest_m(self, material_id: str) -> float:
        """Return the most that one layer of a material may be thick."""
        return min(self.any_m, self.material_m.get(material_id, math.inf))


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer, bottom first. ``containers`` is None where the material has none.

    ``water_kg`` is to be sprinkled on this layer.
    """

    number: int
    kind: Kind
    course: int
    material: str
    mass_kg: float
    volume_m3: float
    thickness_m: float
    containers: float | None
    water_kg: float


@dataclass(frozen=True, slots=True)
class _Slice:
    kind: Kind
    course: int
    part: Part
    share: float
    halves: int | None


def plan_layers(
    parts: Sequence[Part],
    footprint_m2: float,
    limits: LayerLimits,
    *,
    half_container_kg: Mapping[str, float] | None = None,
    shrink: float = 1.0,
) -> list[Layer]:
    """Return the layers of a mix on a footprint, bottom first.

    Parameters
    ----------
    parts : sequence of Part
        The mix; water is spread over the dry layers in proportion to their mass.
    footprint_m2 : float
        Area that the heap stands on.
    limits : LayerLimits
    half_container_kg : mapping of material id to kg, optional
        Mass of half a container, for the materials that come in containers.
    shrink : float
        Volume of the heap over the summed volumes; thins every layer alike.

    Raises
    ------
    InputError
        If the footprint is not above zero.
    """
    if not 0 < footprint_m2 < math.inf:
        raise InputError(f"a footprint of {footprint_m2:g} m² is not above zero")
    water_kg = sum(p.mass_kg for p in parts if p.ingredient.is_water)
    halves = half_container_kg or {}
    solids, depth_m = _by_material(parts, shrink / footprint_m2)
    reserved = _base_and_cap(depth_m, solids, limits)

    def share_for(kind: str, material: str) -> float:
        at, share = reserved.get(kind, ("", 0.0))
        return share if at == material else 0.0

    slices: list[_Slice] = []
    courses = max(
        (
            _courses(
                depth_m[p.ingredient.id],
                limits.thickest_m(p.ingredient.id),
                halves.get(p.ingredient.id, 0.0) / p.mass_kg,
            )
            for p in solids
        ),
        default=1,
    )
    for part in solids:
        slices += _cut(
            part,
            depth_m=depth_m[part.ingredient.id],
            thickest_m=limits.thickest_m(part.ingredient.id),
            courses=courses,
            base=share_for("base", part.ingredient.id),
            cap=share_for("cap", part.ingredient.id),
            half_kg=halves.get(part.ingredient.id),
        )
    slices.sort(key=_position)
    slices = _joined(slices, depth_m, limits)
    # dry layers take the water; where there are none, all layers do
    thirsty = [s.kind != "wet" for s in slices]
    if not any(thirsty):
        thirsty = [True] * len(slices)
    thirsty_kg = sum(s.share * s.part.mass_kg for s, t in zip(slices, thirsty, strict=True) if t)
    return [
        Layer(
            number=number,
            kind=s.kind,
            course=s.course,
            material=s.part.ingredient.id,
            mass_kg=s.share * s.part.mass_kg,
            volume_m3=s.share * depth_m[s.part.ingredient.id] * footprint_m2,
            thickness_m=s.share * depth_m[s.part.ingredient.id],
            containers=None if s.halves is None else s.halves / 2,
            water_kg=water_kg * s.share * s.part.mass_kg / thirsty_kg if wets else 0.0,
        )
        for number, (s, wets) in enumerate(zip(slices, thirsty, strict=True), start=1)
    ]


def _joined(
    slices: Sequence[_Slice], depth_m: Mapping[str, float], limits: LayerLimits
) -> list[_Slice]:
    """Join neighbours of one material that are thin enough to be forked as one layer."""
    joined: list[_Slice] = []
    for one in slices:
        last = joined[-1] if joined else None
        name = one.part.ingredient.id
        if (
            last is not None
            and (last.kind, last.part.ingredient.id) == (one.kind, name)
            and (last.share + one.share) * depth_m[name] <= limits.thickest_m(name) + 1e-9
        ):
            halves = None if last.halves is None else last.halves + (one.halves or 0)
            share = last.share + one.share
            joined[-1] = _Slice(one.kind, last.course, one.part, share, halves)
        else:
            joined.append(one)
    return joined


def _by_material(parts: Sequence[Part], depth_per_m3: float) -> tuple[list[Part], dict[str, float]]:
    """Return one part a material, and how deep each would lie alone.

    Two deliveries of one material are forked as one.
    """
    mass_kg: dict[str, float] = {}
    depth_m: dict[str, float] = {}
    ingredients: dict[str, Ingredient] = {}
    for part in parts:
        it = part.ingredient
        if it.is_water or part.mass_kg <= 0:
            continue
        ingredients.setdefault(it.id, it)
        mass_kg[it.id] = mass_kg.get(it.id, 0.0) + part.mass_kg
        depth = part.mass_kg / it.bulk_density_kg_m3.typical * depth_per_m3
        depth_m[it.id] = depth_m.get(it.id, 0.0) + depth
    return [Part(it, mass_kg[name]) for name, it in ingredients.items()], depth_m


def _base_and_cap(
    depth_m: Mapping[str, float], solids: Sequence[Part], limits: LayerLimits
) -> dict[str, tuple[str, float]]:
    """Return material and share for the base and the cap.

    The base is the coarsest dry material, the cap the dry material of which most is left; each
    takes its wanted depth but leaves most of the material to the courses.
    """
    dry = [p.ingredient for p in solids if p.ingredient.layer_role in DRY_ROLES]
    if not dry:
        return {}
    woody = [i for i in dry if i.layer_role == "woody"]
    base = max(woody or dry, key=lambda i: depth_m[i.id]).id
    base_share = min(_RESERVED_SHARE, limits.base_m / depth_m[base])
    left_m = {i.id: depth_m[i.id] * (1.0 - base_share * (i.id == base)) for i in dry}
    cap = max(left_m, key=lambda key: left_m[key])
    cap_share = min(_RESERVED_SHARE * left_m[cap], limits.cap_m) / depth_m[cap]
    return {"base": (base, base_share), "cap": (cap, cap_share)}


def _courses(depth_m: float, thickest_m: float, half_share: float) -> int:
    """Return how many courses keep a material within its thickness.

    ``half_share`` is the share of it in half a container (0: none): layers are whole halves, so
    as many halves as fit the thickness go in one, and at least one does.
    """
    if not half_share:
        return math.ceil(depth_m / thickest_m - 1e-9)
    at_once = max(1, math.floor(thickest_m / (half_share * depth_m) + 1e-9))
    return math.ceil(round(1.0 / half_share) / at_once)


def _cut(
    part: Part,
    *,
    depth_m: float,
    thickest_m: float,
    courses: int,
    base: float,
    cap: float,
    half_kg: float | None,
) -> list[_Slice]:
    """Cut one material into its base, its share of the courses and its cap.

    What the base is made of is the dry layer under the first course too, so that it does not lie
    twice as thick as a layer may.
    """
    middle_m = depth_m * (1.0 - base - cap)
    least = math.ceil(middle_m / thickest_m - 1e-9)
    first = 2 if base and courses > 1 else 1
    room = courses - first + 1
    times = max(1, least, min(room, math.floor(middle_m / _THINNEST_M)))
    at = [first + (i * room) // times for i in range(times)]
    kind: Kind = "dry" if part.ingredient.layer_role in (*DRY_ROLES, "mineral") else "wet"
    wanted: list[tuple[Kind, int, float]] = [
        ("base", 0, base),
        *((kind, course, (1.0 - base - cap) / times) for course in at),
        ("cap", courses + 1, cap),
    ]
    wanted = [w for w in wanted if w[2] > 0]
    if half_kg is None:
        return [_Slice(k, course, part, share, None) for k, course, share in wanted]
    total = round(part.mass_kg / half_kg)
    counts = _apportion([share for _, _, share in wanted], total)
    return [
        _Slice(k, course, part, count / total, count)
        for (k, course, _), count in zip(wanted, counts, strict=True)
        if count
    ]


def _apportion(shares: Sequence[float], total: int) -> list[int]:
    """Split a whole number by shares so that running sums stay as near as can be."""
    counts, passed, given = [], 0.0, 0
    for share in shares:
        passed += share
        upto = round(total * passed / sum(shares))
        counts.append(upto - given)
        given = upto
    return counts


def _position(s: _Slice) -> tuple[int, int, float]:
    return s.course, _ORDER.get(s.part.ingredient.layer_role, 1), -s.part.mass_kg
