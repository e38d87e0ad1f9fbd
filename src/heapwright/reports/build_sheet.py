"""The build sheet: what goes into a pile, how much of it, and in which layers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import accumulate
from typing import Any, Final, Literal

from heapwright.data import constant, default_ranges
from heapwright.data.recipe import layer_limits
from heapwright.errors import InputError
from heapwright.reports import measures
from heapwright.reports.measures import UNIT, Units
from heapwright.reports.printing import Paper, cited, pdf
from heapwright.science.ingredients import Ingredient
from heapwright.science.layers import Kind, Layer
from heapwright.science.mixing import PROPERTIES, Limit, Part
from heapwright.science.recipe import Recipe

Hatch = Literal["food", "green", "brown", "woody", "mineral"]

CAUTIONS: Final = (
    "Raw scraps and manure carry germs. Wear gloves, cover cuts, wash hands; cover food the "
    "same day.",
    "Dusty, mouldy material: wet it first, stay upwind, wear a mask.",
    "Lift with two or fill by half. Keep people clear of machines.",
    "Local codes and the site's permit come before this sheet.",
)
"""What stands on every build sheet."""

_NAMES: Final = {
    "moisture_pct": "Moisture",
    "cn": "C:N",
    "bulk_density_kg_m3": "Bulk density",
    "free_air_space_pct": "Free air space",
}
_KINDS: Final[dict[Kind, str]] = {"base": "base", "dry": "", "wet": "", "cap": "cap"}
_SCALES: Final = (5, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100, 150, 200)
_STRIP_MM: Final = 150.0
_LABEL_MM: Final = 3.9  # a line of 8 pt with air
_LEAST_WATER_L: Final = 0.5


@dataclass(frozen=True, slots=True)
class IngredientLine:
    """One material that goes in. ``containers`` is None where it is taken without one."""

    name: str
    hatch: Hatch
    mass_kg: float
    volume_m3: float
    containers: float | None = None
    container: str = ""


@dataclass(frozen=True, slots=True)
class PropertyLine:
    """A property of the mix: typical, likely (5th and 95th percentile) and acceptable range."""

    name: str
    value: float | None
    low: float
    high: float
    acceptable: Limit
    chance: float


@dataclass(frozen=True, slots=True)
class LayerLine:
    """One layer, bottom first."""

    name: str
    hatch: Hatch
    kind: Kind
    mass_kg: float
    volume_m3: float
    thickness_m: float
    water_l: float = 0.0
    containers: float | None = None
    container: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSheet:
    """All that a build sheet says; blank where a person writes it in by hand.

    ``warnings`` say what is out of range, ``notes`` what else a person should know before
    starting; ``sources`` are lines as they are to be read.
    """

    site: str
    place: str
    printed_at: datetime
    ingredients: tuple[IngredientLine, ...]
    water_l: float
    mass_kg: float
    volume_m3: float
    properties: tuple[PropertyLine, ...]
    layers: tuple[LayerLine, ...]
    width_m: float | None = None
    depth_m: float | None = None
    chance_in_range: float | None = None
    lot_code: str = ""
    build_on: date | None = None
    built_by: str = ""
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    sources: tuple[str, ...] = ()

    @property
    def height_m(self) -> float:
        """Height that the layers make together."""
        return sum(layer.thickness_m for layer in self.layers)


@dataclass(frozen=True, slots=True)
class ContainerOf:
    """The container in which a material is forked: its name and the mass of half of one."""

    name: str
    half_kg: float
    volume_l: float | None = None


def build_sheet(data: BuildSheet, *, paper: Paper = "a4", units: Units = "metric") -> bytes:
    """Return the build sheet as a PDF.

    Raises
    ------
    InputError
        If nothing goes into the pile, or the paper is none.
    """
    if not data.ingredients:
        raise InputError("there is no mix to print: nothing goes into the pile")
    return pdf("build_sheet", _filled(data, units), paper=paper, printed_at=data.printed_at)


def from_recipe(
    recipe: Recipe,
    limits: Mapping[str, Limit],
    layers: Sequence[Layer],
    containers: Mapping[str, ContainerOf],
    *,
    site: str,
    place: str,
    printed_at: datetime,
    width_m: float | None = None,
    depth_m: float | None = None,
    lot_code: str = "",
    build_on: date | None = None,
    built_by: str = "",
) -> BuildSheet:
    """Return the build sheet of a recipe.

    Parameters
    ----------
    recipe : Recipe
        With parts; a compromise is printed with what it breaks in plain sight.
    limits : mapping of property to Limit
        The acceptable ranges it was solved for.
    layers : sequence of Layer
        Bottom first, as :func:`heapwright.science.layers.plan_layers` gives them.
    containers : mapping of material id to ContainerOf
    width_m, depth_m : float, optional
        Of the footprint.

    Raises
    ------
    InputError
        If the recipe has no parts.
    """
    mix, spread = recipe.mix, recipe.spread
    if mix is None or spread is None:
        raise InputError("there is no mix to print: " + _why_none(recipe))
    known = {part.ingredient.id: part.ingredient for part in recipe.parts}
    solids = [part for part in recipe.parts if not part.ingredient.is_water]
    judged = [name for name in PROPERTIES if name in limits]
    return BuildSheet(
        site=site,
        place=place,
        printed_at=printed_at,
        lot_code=lot_code,
        build_on=build_on,
        built_by=built_by,
        ingredients=tuple(_ingredient_line(part, containers) for part in solids),
        water_l=_litres(sum(part.mass_kg for part in recipe.parts if part.ingredient.is_water)),
        mass_kg=mix.mass_kg,
        volume_m3=mix.volume_m3,
        width_m=width_m,
        depth_m=depth_m,
        properties=tuple(
            PropertyLine(
                name,
                getattr(mix, name),
                spread.quantiles[name][0],
                spread.quantiles[name][2],
                limits[name],
                spread.chance_by_property.get(name, 1.0),
            )
            for name in judged
        ),
        chance_in_range=spread.chance_in_range,
        layers=tuple(_layer_line(layer, known[layer.material], containers) for layer in layers),
        warnings=_warnings(recipe),
        notes=tuple(_notes(recipe, containers, layers)),
        sources=_sources(judged),
    )


def _why_none(recipe: Recipe) -> str:
    return "; ".join(blocked.why for blocked in recipe.blocked_by) or "the recipe is empty"


def _litres(mass_kg: float) -> float:
    return 1000.0 * mass_kg / constant("water_density_kg_m3").value


def _hatch(ingredient: Ingredient) -> Hatch:
    roles: dict[str, Hatch] = {"food": "food", "green": "green", "woody": "woody"}
    return (
        "mineral"
        if ingredient.layer_role == "mineral"
        else roles.get(ingredient.layer_role, "brown")
    )


def _ingredient_line(part: Part, containers: Mapping[str, ContainerOf]) -> IngredientLine:
    it, held = part.ingredient, containers.get(part.ingredient.id)
    return IngredientLine(
        name=it.name,
        hatch=_hatch(it),
        mass_kg=part.mass_kg,
        volume_m3=part.mass_kg / it.bulk_density_kg_m3.typical,
        containers=None if held is None else round(part.mass_kg / held.half_kg) / 2,
        container="" if held is None else held.name,
    )


def _layer_line(
    layer: Layer, ingredient: Ingredient, containers: Mapping[str, ContainerOf]
) -> LayerLine:
    held = containers.get(layer.material)
    return LayerLine(
        name=ingredient.name,
        hatch=_hatch(ingredient),
        kind=layer.kind,
        mass_kg=layer.mass_kg,
        volume_m3=layer.volume_m3,
        thickness_m=layer.thickness_m,
        water_l=_litres(layer.water_kg),
        containers=layer.containers,
        container="" if held is None else held.name,
    )


def _warnings(recipe: Recipe) -> tuple[str, ...]:
    """Return why it is no feasible recipe, where its properties do not say it themselves."""
    if recipe.feasible or recipe.outside:
        return ()
    return tuple(f"{blocked.why[0].upper()}{blocked.why[1:]}." for blocked in recipe.blocked_by)


def _notes(
    recipe: Recipe, containers: Mapping[str, ContainerOf], layers: Sequence[Layer]
) -> list[str]:
    found = []
    mix, spread = recipe.mix, recipe.spread
    assert mix is not None
    assert spread is not None
    if spread.chance_in_range < recipe.chance_wanted:
        found.append(
            f"{100 * spread.chance_in_range:.0f} % sure to lie in range; "
            f"{100 * recipe.chance_wanted:.0f} % was wanted. Measure moisture to be surer."
        )
    if mix.volume_m3 < constant("min_pile_volume_m3").value:
        found.append("So small a pile seldom holds its heat.")
    if sum(layer.thickness_m for layer in layers) > constant("max_height_m").value:
        found.append("It stands higher than hand turning allows: give it more room.")
    heavy_kg = constant("lift_limit_kg").value
    carried_l = constant("carried_container_max_l").value
    for part in recipe.parts:
        held = containers.get(part.ingredient.id)
        if held is None or (held.volume_l or 0.0) > carried_l:
            continue
        if 2 * held.half_kg > heavy_kg:
            found.append(
                f"{part.ingredient.name}: a full {held.name} is more than one person should lift."
            )
    guessed = [
        part.ingredient.name
        for part in recipe.parts
        if any(note.startswith("bulk density assumed") for note in part.ingredient.notes)
    ]
    if guessed:
        each = "it" if len(guessed) == 1 else "each"
        found.append(
            f"Bulk density is assumed from the kind of material for {'; '.join(guessed)}. "
            f"Weigh a bucket of {each} to be surer."
        )
    return found


def _sources(judged: Sequence[str]) -> tuple[str, ...]:
    ranges = default_ranges()
    ids = [key for name in judged for key in ranges[name].sources]
    for limit in layer_limits().values():
        if limit.default:
            ids += limit.sources
    return tuple(cited(tuple(ids)))


def _filled(data: BuildSheet, units: Units) -> dict[str, Any]:
    """Return what the template lays out: figures as text, drawings in millimetres."""
    unit = UNIT[units]
    tops = list(accumulate(layer.thickness_m for layer in data.layers))
    properties = [_property(line, units) for line in data.properties]
    footprint = ""
    if data.width_m is not None and data.depth_m is not None:
        footprint = (
            f"{measures.length(data.width_m, units)} × "
            f"{measures.with_unit(measures.length(data.depth_m, units), 'length', units)}"
        )
    return {
        "title": f"Build sheet, {data.lot_code or data.place}",
        "site": data.site,
        "place": data.place,
        "lot": data.lot_code,
        "foot": f"lot {data.lot_code}" if data.lot_code else f"build sheet for {data.place}",
        "printed": measures.moment(data.printed_at),
        "build_on": "" if data.build_on is None else measures.day(data.build_on),
        "built_by": data.built_by,
        "footprint": footprint,
        "height": measures.with_unit(measures.length(data.height_m, units), "length", units)
        if data.layers
        else "",
        "mass": measures.with_unit(measures.mass(data.mass_kg, units), "mass", units),
        "volume": measures.with_unit(measures.volume(data.volume_m3, units), "volume", units),
        "units": unit,
        "ingredients": [
            {
                "name": line.name,
                "hatch": line.hatch,
                "containers": _containers(line.containers, line.container),
                "mass": measures.mass(line.mass_kg, units),
                "volume": measures.volume(line.volume_m3, units),
            }
            for line in data.ingredients
        ],
        "water": measures.water(data.water_l, units) if data.water_l >= _LEAST_WATER_L else "",
        "properties": properties,
        "chance": "" if data.chance_in_range is None else f"{100 * data.chance_in_range:.0f}",
        "layers": [
            {
                "number": number,
                "name": line.name.split(" (")[0],
                "hatch": line.hatch,
                "kind": _KINDS[line.kind],
                "amount": _containers(line.containers, line.container)
                or measures.with_unit(measures.volume(line.volume_m3, units), "volume", units),
                "thick": measures.depth(line.thickness_m, units),
                "top": measures.depth(top, units),
                "water": measures.water(line.water_l, units)
                if line.water_l >= _LEAST_WATER_L
                else "",
            }
            for number, (line, top) in enumerate(zip(data.layers, tops, strict=True), start=1)
        ],
        "strip": strip(data.layers, units) if data.layers else None,
        "warnings": [
            *(
                f"{one['name']} is {one['exact']}; {one['acceptable']} is acceptable."
                for one, line in zip(properties, data.properties, strict=True)
                if not line.acceptable.holds(line.value)
            ),
            *data.warnings,
        ],
        "notes": list(data.notes),
        "cautions": list(data.cautions),
        "sources": list(data.sources),
    }


def _containers(count: float | None, container: str) -> str:
    if count is None:
        return ""
    return f"{measures.halves(count) if count else 'under ½'} × {container}"


def _property(line: PropertyLine, units: Units) -> dict[str, Any]:
    dense = line.name == "bulk_density_kg_m3"
    unit = UNIT[units]["density"] if dense else "%" if line.name.endswith("_pct") else ""

    def figure(value: float | None) -> str:
        if value is None:
            return "none"
        if dense:
            return measures.density(value, units)
        return f"{value:.0f}" if abs(value) >= 30 else f"{value:.1f}"

    def limit(value: float | None) -> str:
        return figure(value) if value is None or dense else f"{value:g}"

    low, high = line.acceptable.low, line.acceptable.high
    words = f"{limit(low)} to {limit(high)}"
    if low is None:
        words = f"up to {limit(high)}"
    elif high is None:
        words = f"{limit(low)} or more"
    return {
        "name": _NAMES.get(line.name, line.name),
        "unit": unit,
        "value": figure(line.value),
        "exact": figure(line.value) if line.value is None or dense else f"{line.value:.1f}",
        "likely": f"{figure(line.low)} to {figure(line.high)}",
        "acceptable": words,
        "chance": f"{100 * line.chance:.0f}",
        "bar": _bar(line),
    }


def _bar(line: PropertyLine) -> dict[str, float | None]:
    """Return where the acceptable band, likely range and value lie on a bar from 0 to 1."""
    low, high = line.acceptable.low, line.acceptable.high
    value = line.value if line.value is not None else line.high
    ends = [line.low, line.high, value, *(end for end in (low, high) if end is not None)]
    first, last = min(ends), max(ends)
    room = 0.12 * (last - first or 1.0)
    first, last = first - room, last + room

    def at(figure: float) -> float:
        return min(max((figure - first) / (last - first), 0.0), 1.0)

    return {
        "from": 0.0 if low is None else at(low),
        "to": 1.0 if high is None else at(high),
        "low": at(line.low),
        "high": at(line.high),
        "value": None if line.value is None else at(line.value),
    }


def strip(layers: Sequence[LayerLine], units: Units) -> dict[str, Any]:
    """Return the layers drawn to scale, in millimetres from the top of the drawing.

    Numbers stand beside their layer, moved apart where layers are thinner than a line of text;
    of very many layers every fifth is numbered.
    """
    height_mm = 1000.0 * sum(layer.thickness_m for layer in layers)
    scale = next((s for s in _SCALES if height_mm / s <= _STRIP_MM), _SCALES[-1])
    total_mm = height_mm / scale
    tops = list(accumulate(1000.0 * layer.thickness_m / scale for layer in layers))
    middles = [
        total_mm - top + 500.0 * layer.thickness_m / scale
        for top, layer in zip(tops, layers, strict=True)
    ]
    every = 1 if len(layers) * _LABEL_MM <= total_mm else 5
    count = len(layers)
    numbered = [n for n in range(count) if n in (0, count - 1) or (n + 1) % every == 0]
    placed = spread_apart(
        [middles[n] for n in reversed(numbered)], _LABEL_MM, low=0.0, high=total_mm
    )
    labels = dict(zip(reversed(numbered), placed, strict=True))
    step_m = 0.2 if units == "metric" else 6 * 0.0254
    marks = range(int(height_mm / 1000.0 / step_m + 1e-9) + 1)
    return {
        "scale": scale,
        "height": total_mm,
        "layers": [
            {
                "number": number,
                "hatch": layer.hatch,
                "y": total_mm - top,
                "h": 1000.0 * layer.thickness_m / scale,
                "middle": middle,
                "label": labels.get(number - 1),
            }
            for number, (layer, top, middle) in enumerate(
                zip(layers, tops, middles, strict=True), start=1
            )
        ],
        "ruler": [
            {
                "y": total_mm - 1000.0 * step_m * mark / scale,
                "text": f"{20 * mark}" if units == "metric" else f"{6 * mark}",
            }
            for mark in marks
        ],
    }


def spread_apart(wanted: Sequence[float], gap: float, *, low: float, high: float) -> list[float]:
    """Return rising positions at least ``gap`` apart between two ends, near to where they want.

    Neighbours that would collide are set as a block about the mean of where they want to be.
    Too many of them for the room run over its high end.
    """
    blocks: list[tuple[float, int]] = []  # first position and count
    for position in wanted:
        first, count = position, 1
        while blocks and blocks[-1][0] + blocks[-1][1] * gap > first:
            before, others = blocks.pop()
            first = (before * others + (first - others * gap) * count) / (others + count)
            count += others
        blocks.append((first, count))
    placed = [first + i * gap for first, count in blocks for i in range(count)]
    last = len(placed) - 1
    return [
        max(min(position, high - (last - i) * gap), low + i * gap)
        for i, position in enumerate(placed)
    ]
