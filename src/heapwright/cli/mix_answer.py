"""How a recipe reads: as JSON, as tables for a tired person, and with its working."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import click
from rich import box
from rich.console import Console
from rich.table import Table

from heapwright.data import constant, sources
from heapwright.data.mixing import layer_thickness, mix_facts, preferred_limits
from heapwright.files.amounts import StockRow
from heapwright.science.goals import Goals
from heapwright.science.ingredients import Ingredient
from heapwright.science.layers import Layer, plan_layers
from heapwright.science.materials import Material, Span
from heapwright.science.mixing import PROPERTIES, Limit, Mix, MixSpread
from heapwright.science.recipe import Addition, Recipe

CAUTION = (
    "Raw scraps and manure carry germs: gloves on, hands washed, food covered the same day. "
    "Local codes and the permit come first."
)

_NAMES = {
    "moisture_pct": ("moisture", "%"),
    "cn": ("C:N", ""),
    "bulk_density_kg_m3": ("bulk density", "kg/m³"),
    "free_air_space_pct": ("free air space", "%"),
}

# What a person will notice when a mix lies outside, and what then helps
# (Rynk et al. 1992, table of troubles; see docs/mix.md).
_COSTS = {
    (
        "moisture_pct",
        "high",
    ): "it will smell sour and heat poorly: turn more often, cover from rain",
    ("moisture_pct", "low"): "it will stop heating early: wet it while building",
    ("cn", "high"): "it will heat slowly and need longer",
    ("cn", "low"): "it will lose nitrogen as ammonia, which smells: keep a thick cap on",
    ("bulk_density_kg_m3", "high"): "it will pack down and run short of air: turn more often",
    ("free_air_space_pct", "low"): "it will run short of air: turn more often",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """A recipe with what is needed to show it. ``stated``: the mix was given, not solved."""

    recipe: Recipe
    goals: Goals
    library: Mapping[str, Material]
    footprint_m2: float
    rows: Sequence[StockRow] = ()
    additions: Sequence[Addition] = ()
    stated: bool = False

    def containers(self) -> dict[str, StockRow]:
        """Return the stock rows that have a container, by material.

        A material that stands in two rows with different containers has none to count by.
        """
        found: dict[str, StockRow] = {}
        mixed: set[str] = set()
        for row in self.rows:
            first = found.setdefault(row.ingredient.id, row)
            if first.half_container_kg != row.half_container_kg:
                mixed.add(row.ingredient.id)
        return {
            key: row
            for key, row in found.items()
            if row.half_container_kg is not None and key not in mixed
        }

    def layers(self) -> list[Layer]:
        """Return the layers of the mix, none when there is no mix."""
        if not self.recipe.parts:
            return []
        return plan_layers(
            self.recipe.parts,
            self.footprint_m2,
            layer_thickness(),
            half_container_kg={
                key: half
                for key, row in self.containers().items()
                if (half := row.half_container_kg) is not None
            },
            shrink=self.goals.shrink,
        )


def print_answer(answer: Answer, *, as_json: bool, working: bool) -> None:
    """Print the answer to standard output."""
    if as_json:
        result = as_dict(answer)
        if working:
            result["working"] = list(working_lines(answer))
        click.echo(json.dumps(result, indent=2, ensure_ascii=False))
        return
    _print_tables(answer)
    if working:
        click.echo("\nWorking")
        for line in working_lines(answer):
            click.echo(f"  {line}")


def as_dict(answer: Answer) -> dict[str, Any]:
    """Return the answer with the names of the command line's contract."""
    recipe, containers = answer.recipe, answer.containers()
    solids = [part for part in recipe.parts if not part.ingredient.is_water]
    found = recipe.mix
    return {
        "feasible": recipe.feasible,
        "ingredients": [
            {
                "material": part.ingredient.id,
                "mass_kg": part.mass_kg,
                "volume_m3": part.mass_kg / part.ingredient.bulk_density_kg_m3.typical,
                "containers": _count(part.mass_kg, containers.get(part.ingredient.id)),
            }
            for part in solids
        ],
        "water_kg": sum(part.mass_kg for part in recipe.parts if part.ingredient.is_water),
        "mix": None
        if found is None
        else {
            "mass_kg": found.mass_kg,
            "volume_m3": found.volume_m3,
            "moisture_pct": found.moisture_pct,
            "c_pct_dry": found.c_pct_dry,
            "n_pct_dry": found.n_pct_dry,
            "cn": found.cn,
            "bulk_density_kg_m3": found.bulk_density_kg_m3,
            "free_air_space_pct": found.free_air_space_pct,
            "free_air_space_by_densities": dict(found.free_air_space_by_pair),
            "vs_pct_dry": found.vs_pct_dry,
            "cn_biodegradable": found.cn_biodegradable,
            "ph_of_ingredients": dict(found.ph_known),
        },
        "spread": None
        if recipe.spread is None
        else {
            name: [value if math.isfinite(value) else None for value in quantiles]
            for name, quantiles in recipe.spread.quantiles.items()
        },
        "chance_in_range": None if recipe.spread is None else recipe.spread.chance_in_range,
        "blocked_by": [f"{b.limit}: {b.why}" for b in recipe.blocked_by],
        "short_of": [
            {"material": a.ingredient.id, "mass_kg": a.mass_kg, "why": _why(a, answer)}
            for a in answer.additions
        ],
        "layers": [
            {
                "layer": layer.number,
                "kind": layer.kind,
                "material": layer.material,
                "mass_kg": layer.mass_kg,
                "volume_m3": layer.volume_m3,
                "thickness_cm": 100.0 * layer.thickness_m,
                "containers": layer.containers,
                "water_kg": layer.water_kg,
            }
            for layer in answer.layers()
        ],
    }


def _count(mass_kg: float, row: StockRow | None) -> float | None:
    """Return how many containers a mass fills, in halves."""
    if row is None or not row.half_container_kg:
        return None
    return round(mass_kg / row.half_container_kg) / 2


def _why(addition: Addition, answer: Answer) -> str:
    mends = " and ".join(_NAMES.get(b.limit, (b.limit, ""))[0] for b in answer.recipe.blocked_by)
    way = "together with the others listed" if addition.together else "alone"
    cost = "" if addition.cost is None else f", at a cost of {addition.cost:.0f}"
    return f"this much more of it {way} brings {mends or 'the mix'} into range{cost}"


def _round_up(mass_kg: float) -> str:
    """Return a mass to fetch: rounded up to two figures, never down."""
    step = 10 ** max(math.floor(math.log10(mass_kg)) - 1, 0) if mass_kg > 0 else 1
    return f"{math.ceil(mass_kg / step - 1e-9) * step:g}"


def _print_tables(answer: Answer) -> None:
    recipe = answer.recipe
    console = Console(highlight=False, width=None if sys.stdout.isatty() else 100)
    for line in _headline(answer):
        console.print(line)
    if recipe.mix is not None and recipe.spread is not None:
        console.print(_parts_table(answer))
        console.print(_properties_table(recipe.mix, recipe.spread, answer.goals))
        for line in _notes(answer):
            console.print(line)
        if not answer.stated:
            layers = answer.layers()
            console.print(_layers_table(answer, layers))
            for line in _layer_notes(layers):
                console.print(line)
    console.print(CAUTION)


def _headline(answer: Answer) -> Iterator[str]:
    recipe = answer.recipe
    if recipe.feasible and recipe.mix is not None and recipe.spread is not None:
        what = "This mix" if answer.stated else f"Build {recipe.mix.volume_m3:.2f} m³"
        yield (
            f"{what}: all in range; {100 * recipe.spread.chance_in_range:.0f} % sure, "
            "given how well the materials are known."
        )
        if not answer.stated and recipe.spread.chance_in_range < recipe.chance_wanted:
            yield (
                f"That is less than {100 * recipe.chance_wanted:.0f} %: measure the moisture of "
                f"{_vaguest(recipe)} to be surer."
            )
        return
    if answer.stated:
        yield "This mix is out of range:"
    else:
        yield "No mix of what is on hand meets every limit:"
    for blocked in recipe.blocked_by:
        name = _NAMES.get(blocked.limit, (blocked.limit, ""))[0]
        yield f"  {name}: {blocked.why}"
    if answer.additions:
        joint = " and " if answer.additions[0].together else ", or "
        listed = joint.join(
            f"{_round_up(a.mass_kg)} kg of {_short_name(a.ingredient)}" for a in answer.additions
        )
        yield f"It would work with {listed} more."
    elif not answer.stated and recipe.blocked_by[0].limit != "containers":
        yield "No addition of library materials mends it within these limits."
    if recipe.mix is not None and not answer.stated:
        yield "The nearest that can be built instead, outside those limits:"
    for out in recipe.outside:
        side = "low" if out.limit.low is not None and (out.value or 0) < out.limit.low else "high"
        yield f"  {_NAMES[out.property][0]}: {_COSTS[out.property, side]}."


def _vaguest(recipe: Recipe) -> str:
    """Return the ingredient whose moisture adds most to what is not known."""
    solids = [p for p in recipe.parts if not p.ingredient.is_water]

    def weight(at: int) -> float:
        span = solids[at].ingredient.moisture_pct
        return solids[at].mass_kg * (span.high - span.low)

    return solids[max(range(len(solids)), key=weight)].ingredient.id


def _short_name(ingredient: Ingredient) -> str:
    return ingredient.name[0].lower() + ingredient.name[1:]


def _table(title: str, *columns: tuple[str, bool]) -> Table:
    table = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD)
    for name, figures in columns:
        table.add_column(name, justify="right" if figures else "left")
    return table


def _parts_table(answer: Answer) -> Table:
    containers = answer.containers()
    table = _table(
        "What goes in", ("material", False), ("kg", True), ("m³", True), ("containers", False)
    )
    for part in answer.recipe.parts:
        it = part.ingredient
        if it.is_water and part.mass_kg < 0.5:
            continue
        if it.is_water:
            table.add_row("Water to add", f"{part.mass_kg:.0f}", "", f"{part.mass_kg:.0f} L")
            continue
        row = containers.get(it.id)
        count = _count(part.mass_kg, row)
        in_words = "" if row is None or count is None else f"{_halves(count)} × {row.container}"
        table.add_row(
            it.name,
            f"{part.mass_kg:.0f}",
            f"{part.mass_kg / it.bulk_density_kg_m3.typical:.2f}",
            in_words,
        )
    mix = answer.recipe.mix
    if mix is not None:
        table.add_section()
        table.add_row("Together", f"{mix.mass_kg:.0f}", f"{mix.volume_m3:.2f}", "")
    return table


def _halves(count: float) -> str:
    whole, half = divmod(round(2 * count), 2)
    return f"{whole or ''}{'½' if half else ''}" or "0"


def _properties_table(mix: Mix, spread: MixSpread, goals: Goals) -> Table:
    table = _table(
        "What it will be",
        ("", False),
        ("typical", True),
        ("likely (9 in 10)", True),
        ("acceptable", True),
        ("preferred", True),
        ("chance", True),
    )
    for name in PROPERTIES:
        label, unit = _NAMES[name]
        low, _, high = spread.quantiles[name]
        value: float | None = getattr(mix, name)
        table.add_row(
            label,
            "none" if value is None else f"{_figures(value)} {unit}".rstrip(),
            f"{_figures(low)} to {_figures(high)}",
            _range(goals.limits.get(name)),
            _range(goals.preferred.get(name)),
            f"{100 * spread.chance_by_property.get(name, 1.0):.0f} %",
        )
    return table


def _figures(value: float) -> str:
    if not math.isfinite(value):
        return "no limit"
    return f"{value:.0f}" if abs(value) >= 30 else f"{value:.1f}"


def _range(limit: Limit | None) -> str:
    if limit is None or (limit.low is None and limit.high is None):
        return ""
    if limit.low is None:
        return f"up to {limit.high:g}"
    if limit.high is None:
        return f"{limit.low:g} or more"
    return f"{limit.low:g} to {limit.high:g}"


def _notes(answer: Answer) -> Iterator[str]:
    mix = answer.recipe.mix
    assert mix is not None
    others = [
        f"{value:.0f} % by {key}"
        for key, value in mix.free_air_space_by_pair.items()
        if key != mix.densities
    ]
    yield f"Free air space by {mix.densities}; {', '.join(others)}."
    if mix.cn_biodegradable is not None:
        yield (
            f"C:N of what microbes can reach: {mix.cn_biodegradable:.0f} "
            "(wood and straw give up only part of their carbon)."
        )
    if mix.ph_known:
        known = ", ".join(f"{name} {value:g}" for name, value in mix.ph_known)
        yield f"pH where known: {known}; that of the mix is not computed."
    if mix.volume_m3 < constant("min_pile_volume_m3").value:
        yield (
            f"{mix.volume_m3:.2f} m³ is below {constant('min_pile_volume_m3').value:g} m³: "
            "a pile so small seldom holds its heat."
        )
    height_m, most_m = mix.volume_m3 / answer.footprint_m2, constant("max_height_m").value
    if height_m > most_m:
        yield (
            f"On {answer.footprint_m2:.2f} m² it would stand {height_m:.1f} m high; {most_m:.1f} m "
            "is the most for turning by hand. Give it more room (--width-m, --length-m)."
        )
    heavy = constant("lift_limit_kg").value
    for row in answer.containers().values():
        full_kg = 2 * (row.half_container_kg or 0.0)
        used = any(part.ingredient.id == row.ingredient.id for part in answer.recipe.parts)
        carried = (row.container_l or 0.0) <= constant("carried_container_max_l").value
        if used and carried and full_kg > heavy:
            yield (
                f"A full {row.container} of {row.ingredient.id} weighs about {full_kg:.0f} kg: "
                f"lift it together or fill it half ({heavy:g} kg is the most for one person)."
            )
    for part in answer.recipe.parts:
        assumed = [n for n in part.ingredient.notes if "assumed" in n]
        if assumed:
            yield f"{part.ingredient.id}: {'; '.join(assumed)}. Measure it to be surer."


def _layer_notes(layers: Sequence[Layer]) -> Iterator[str]:
    """Say where a layer is thinner than it should be for want of material."""
    thickness = layer_thickness()
    for kind, wanted_m, why in (
        ("base", thickness.base_m, "coarse sticks or chips under it let air in"),
        ("cap", thickness.cap_m, "dry leaves, chips or finished compost on top keep flies out"),
    ):
        there_m = sum(layer.thickness_m for layer in layers if layer.kind == kind)
        if there_m < 0.75 * wanted_m:
            yield (
                f"The {kind} is {100 * there_m:.0f} cm and {100 * wanted_m:.0f} cm is usual: {why}."
            )


def _layers_table(answer: Answer, layers: Sequence[Layer]) -> Table:
    containers = answer.containers()
    table = _table(
        f"Layers, bottom first, on {answer.footprint_m2:.2f} m²",
        ("", True),
        ("fork on", False),
        ("kg", True),
        ("cm", True),
        ("containers", False),
        ("sprinkle", True),
    )
    course = 0
    for layer in layers:
        if layer.course != course and layer.number > 1:
            table.add_section()
        course = layer.course
        row = containers.get(layer.material)
        words = {"base": " (base)", "cap": " (cap)"}.get(layer.kind, "")
        in_words = (
            ""
            if row is None or layer.containers is None
            else f"{_halves(layer.containers)} × {row.container}"
        )
        table.add_row(
            str(layer.number),
            f"{layer.material}{words}",
            f"{layer.mass_kg:.0f}",
            f"{100 * layer.thickness_m:.0f}",
            in_words,
            f"{layer.water_kg:.0f} L" if layer.water_kg >= 0.5 else "",
        )
    return table


def working_lines(answer: Answer) -> Iterator[str]:
    """Yield formula, inputs, their origin and sources for every number of the mix."""
    mix = answer.recipe.mix
    if mix is None:
        return
    facts = mix_facts()
    for part, row in zip(answer.recipe.parts, mix.parts, strict=True):
        it = part.ingredient
        if it.is_water:
            yield f"water: {row.mass_kg:.1f} kg; it fills pores and adds no volume"
            continue
        yield (
            f"{it.id}: {row.mass_kg:.1f} kg = {row.dry_kg:.1f} dry + {row.water_kg:.1f} water; "
            f"carbon {row.carbon_kg:.2f}, nitrogen {row.nitrogen_kg:.3f} kg; "
            f"volume = {row.mass_kg:.1f} / {it.bulk_density_kg_m3.typical:.0f} = "
            f"{row.volume_m3:.3f} m³"
        )
        for name, span in (
            ("moisture", it.moisture_pct),
            ("carbon", it.c_pct_dry),
            ("nitrogen", it.n_pct_dry),
            ("C:N", it.cn),
            ("volatile solids", it.vs_pct_dry),
            ("bulk density", it.bulk_density_kg_m3),
            ("degradable share of volatile solids", it.degradability_pct_vs),
        ):
            yield f"    {name} {_span(span)}"
        material = answer.library.get(it.id)
        if material is not None and material.sources:
            yield f"    sources ({material.mark}): {_cited(material.sources)}"
    carbon = sum(r.carbon_kg for r in mix.parts)
    nitrogen = sum(r.nitrogen_kg for r in mix.parts)
    yield (
        f"moisture = water / mass = {mix.water_kg:.1f} / {mix.mass_kg:.1f} = "
        f"{mix.moisture_pct:.1f} %  [{_cited(('cornell-right-mix',))}]"
    )
    if mix.cn is not None:
        yield (
            f"C:N = carbon / nitrogen = {carbon:.2f} / {nitrogen:.3f} = {mix.cn:.1f}  "
            f"[{_cited(('cornell-cn-ratio',))}]"
        )
    yield (
        f"volume = shrink x summed volumes = {mix.shrink:g} x "
        f"{sum(r.volume_m3 for r in mix.parts):.3f} = {mix.volume_m3:.3f} m³; bulk density = "
        f"{mix.mass_kg:.1f} / {mix.volume_m3:.3f} = {mix.bulk_density_kg_m3:.0f} kg/m³"
    )
    for key, value in mix.free_air_space_by_pair.items():
        pair = facts.densities[key]
        yield (
            f"free air space = 1 - water / (1000 V) - organic / ({pair.organic_kg_m3:.0f} V) - "
            f"ash / ({pair.ash_kg_m3:.0f} V) = {value:.1f} %  [{_cited((key,))}]"
        )
    preferred = preferred_limits()
    for name, limit in answer.goals.limits.items():
        yield (
            f"range of {_NAMES[name][0]}: acceptable {_range(limit)}, preferred "
            f"{_range(answer.goals.preferred.get(name, preferred[name]))}"
            f"  [{_cited(_range_sources(name))}]"
        )
    yield (
        "spread: each figure drawn 2000 times between its p5 and p95 (two-piece normal; carbon "
        "and C:N drawn, nitrogen follows), the mix computed for each draw"
    )


def _span(span: Span) -> str:
    spread = "" if span.low == span.high else f" ({span.low:.3g} to {span.high:.3g})"
    return f"{span.typical:.3g}{spread}, {span.origin}{f': {span.note}' if span.note else ''}"


def _range_sources(name: str) -> tuple[str, ...]:
    from heapwright.data import default_ranges

    return default_ranges()[name].sources


def _cited(ids: Sequence[str]) -> str:
    found = sources()
    return "; ".join(found[key].in_short for key in ids)
