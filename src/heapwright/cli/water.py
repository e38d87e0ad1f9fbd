"""``heapwright water``: rain and covers, soaked and dry heaps, sheets and roofs, from figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from heapwright.cli.number import Number
from heapwright.errors import InputError

if TYPE_CHECKING:
    from heapwright.science.heap_shape import HeapShape, ShapeName
    from heapwright.science.water import (
        Heap,
        MoistureLimits,
        Phase,
        RainDay,
        TarpDecision,
        Top,
        WaterBalance,
    )

COVERS = ("tarp", "breathable", "roof")
PHASES = ("hot", "curing", "cold")
TOPS = ("peaked", "level", "hollow")
DAYS_MOST = 60
MASS_KG = Number(0, 1_000_000)
VOLUME_M3 = Number(0, 5_000)
LENGTH_M = Number(0, 1_000)
PERCENT = Number(0, 100)
TEMP_C = Number(-60, 120)
_FILE = click.Path(path_type=Path)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")

ADVICE = {
    "cover": "Cover it.",
    "leave open": "Leave it open: covering it would be wrong.",
    "no matter": "It does not matter.",
}
WHY = {
    "dry now": "it is too dry to work and the rain wets it",
    "would dry out covered": "covered it would dry out",
    "dries out anyway": "it dries out even so: wet it too",
    "too wet now": "it is too wet already",
    "would get too wet": "it would get too wet",
    "dries better open": "open it dries more than the rain brings: a roof would serve both",
    "would leach": "water would run out of it that must be caught",
    "little rain": "hardly any rain is to come",
    "takes it up": "it stays within its limits",
}


@click.group()
def water() -> None:
    """Rain and covers, soaked and dry heaps, sheets and roofs, without a site."""


@water.command()
@click.argument("pile", type=_FILE, metavar="PILE.toml")
@click.option("--weather", "weather_file", type=_FILE, metavar="FILE.csv",
              help="Weather record instead of the file's.")  # fmt: skip
@click.option("--days", type=click.IntRange(1, DAYS_MOST), default=7, show_default=True,
              metavar="N", help="How many days ahead.")  # fmt: skip
@click.option("--cover", type=click.Choice(COVERS), default="tarp", show_default=True,
              help="What would be put over it.")  # fmt: skip
@click.option("--phase", type=click.Choice(PHASES), default="hot", show_default=True,
              help="A hot heap dries itself.")  # fmt: skip
@click.option("--top", type=click.Choice(TOPS),
              help="A peak sheds rain, a hollow gathers it.  [by its shape]")  # fmt: skip
@click.option("--latitude", type=click.FloatRange(-90, 90), metavar="DEG",
              help="For what its surface evaporates; nothing without it.")  # fmt: skip
@_JSON
def tarp(
    pile: Path,
    weather_file: Path | None,
    days: int,
    cover: str,
    phase: str,
    top: str | None,
    latitude: float | None,
    as_json: bool,
) -> None:
    """What the rain of the coming days does to the heap in PILE.toml, open and covered.

    The file states the heap as it stands now; its acts are left aside. Without --weather its
    own [weather] is the coming days'.
    """
    from heapwright.data.water import moisture_limits, water_facts
    from heapwright.science.water import tarp_decision

    heap, coming, now, sheet = _stands(
        pile, weather_file, days, cover, cast("Phase", phase), cast("Top | None", top), latitude
    )
    found = tarp_decision(heap, coming, now, sheet, moisture_limits(), water_facts())
    if as_json:
        _print(_decision_json(found))
    else:
        click.echo(_decision_text(found, days))


def _stands(
    pile: Path,
    weather_file: Path | None,
    days: int,
    cover: str,
    phase: Phase,
    top: Top | None,
    latitude: float | None,
) -> tuple[Heap, list[RainDay], Any, Any]:
    import numpy as np

    from heapwright.cli.forecast import _facts
    from heapwright.data.pile import decay_classes, pile_covers
    from heapwright.files.pile import cover_for, read_pile, weather_for
    from heapwright.science.pile_recipe import recipe_of
    from heapwright.science.water import Heap, RainDay
    from heapwright.science.water_reference import hargreaves_mm

    facts = _facts()
    read = read_pile(pile, facts, weather_file=weather_file)
    plan = read.plan
    recipe = recipe_of(plan.parts, decay_classes(), 1, np.random.default_rng(0), spread=False)
    organic = recipe.inert_kg + recipe.fast_kg + recipe.slow_kg
    heap = Heap(
        plan.shape, float(recipe.dry_kg[0]), float(recipe.water_kg[0]), float(organic[0]),
        phase, top,
    )  # fmt: skip
    weather = weather_for(read, days * 24.0, facts)
    first = read.built.timetuple().tm_yday
    coming = []
    for number in range(days):
        hours = slice(24 * number, 24 * number + 24)
        temps = weather.temp_c[hours]
        reference = 0.0
        if latitude is not None:
            day = (first + number - 1) % 365 + 1
            reference = hargreaves_mm(float(temps.min()), float(temps.max()), latitude, day)
        coming.append(RainDay(float(weather.rain_mm_h[hours].sum()), reference))
    return heap, coming, plan.cover, cover_for(cover, plan.shape, pile_covers())


@water.command()
@click.option("--mass-kg", type=MASS_KG, required=True, metavar="KG", help="The soaked heap.")
@click.option("--moisture", type=PERCENT, required=True, metavar="PCT", help="Of the soaked heap.")
@click.option("--target", type=PERCENT, metavar="PCT", help="Moisture to come to.  [the usual aim]")
@click.option("--with", "material", required=True, metavar="MATERIAL",
              help="What to turn in, by its id in “heapwright materials”.")  # fmt: skip
@click.option("--material-moisture", type=PERCENT, metavar="PCT",
              help="Its moisture as it lies.  [the library's]")  # fmt: skip
@_JSON
def dry(
    mass_kg: float,
    moisture: float,
    target: float | None,
    material: str,
    material_moisture: float | None,
    as_json: bool,
) -> None:
    """How much dry material brings a soaked heap back."""
    from heapwright.data import materials
    from heapwright.data.water import absorbencies, moisture_limits
    from heapwright.science.water import DryMaterial, dry_material_for

    known = materials().get(material)
    if known is None:
        raise InputError(f"--with: there is no material {material}; see “heapwright materials”")
    lies = material_moisture
    if lies is None:
        if known.moisture_pct is None:
            raise InputError(
                f"the library has no moisture of {material}; state --material-moisture"
            )
        lies = known.moisture_pct.typical
    soaks = absorbencies().get(material)
    density = known.bulk_density_kg_m3
    found = dry_material_for(
        mass_kg,
        moisture,
        moisture_limits().target_pct if target is None else target,
        DryMaterial(
            known.name, lies, None if density is None else density.typical,
            None if soaks is None else soaks.kg_kg_dry,
        ),
    )  # fmt: skip
    if as_json:
        _print({**asdict(found), "material": material, "material_moisture_pct": lies})
        return
    volume = "" if found.volume_m3 is None else f" ({found.volume_m3:.2f} m³)"
    lines = [
        f"{found.mass_kg:.0f} kg{volume} of {known.name} of {lies:g} % moisture.",
        f"It holds {found.excess_water_kg:.0f} kg of water too many for {found.target_pct:g} %; "
        f"each kg takes up {found.takes_kg_kg:.2f} kg.",
        f"Moisture then: {found.end_moisture_pct:.1f} %.",
    ]
    if found.limited_by == "absorb":
        lines.append("It cannot hold more, so the heap comes out drier than aimed at.")
    if soaks is None:
        lines.append("How much it soaks up is not known; reckoned by moisture alone.")
    click.echo("\n".join(lines))


@water.command()
@click.option("--mass-kg", type=MASS_KG, required=True, metavar="KG", help="The dry heap.")
@click.option("--moisture", type=PERCENT, required=True, metavar="PCT", help="Of the dry heap.")
@click.option("--target", type=PERCENT, metavar="PCT", help="Moisture to come to.  [the usual aim]")
@click.option("--volume-m3", type=VOLUME_M3, metavar="M3", help="Its volume, for the rounds.")
@click.option("--on-top", is_flag=True, help="Poured on top, not in rounds while turning.")
@click.option("--temp-c", type=TEMP_C, metavar="C", help="How hot it is; turning steams off water.")
@click.option("--outside-c", type=TEMP_C, metavar="C", default=10.0, show_default=True,
              help="Temperature of the air.")  # fmt: skip
@_JSON
def wet(
    mass_kg: float,
    moisture: float,
    target: float | None,
    volume_m3: float | None,
    on_top: bool,
    temp_c: float | None,
    outside_c: float,
    as_json: bool,
) -> None:
    """How many litres a dry heap needs, with what runs out and what turning steams off."""
    from heapwright.data.pile import pile_parameters
    from heapwright.data.water import figures, moisture_limits
    from heapwright.science.water import steam_of_turning, water_for

    if on_top and temp_c is not None:
        raise InputError("--temp-c goes with turning, not with --on-top")
    if volume_m3 is not None and volume_m3 <= 0:
        raise InputError(f"--volume-m3: {volume_m3:g} is not a volume above zero")
    parameters = pile_parameters()
    steam = 0.0
    if temp_c is not None:
        steam = steam_of_turning(
            mass_kg * (1 - moisture / 100), mass_kg * moisture / 100, temp_c, outside_c,
            parameters["turn_loss"].typical, parameters["cp_solid_kj_kg_k"].typical,
        )  # fmt: skip
    lost = figures()["pour_lost_on_top" if on_top else "pour_lost_turned"].value
    found = water_for(
        mass_kg,
        moisture,
        moisture_limits().target_pct if target is None else target,
        lost_share=lost,
        steam_l=steam,
        volume_m3=volume_m3,
        round_l_m3=figures()["turn_rounds_l_m3"].value,
    )
    if as_json:
        _print(asdict(found))
        return
    rounds = f" in {found.rounds} rounds" if found.rounds > 1 else ""
    click.echo(
        f"Pour {found.pour_l:.0f} litres{rounds}.\n"
        f"{found.missing_l:.0f} have to stay for {found.target_pct:g} %; turning steams off "
        f"{found.steam_l:.0f}, about {100 * found.lost_share:.0f} % runs out."
    )


@water.command()
@click.argument("shape", type=click.Choice(["bay", "windrow", "cone"]))
@click.argument("width_m", type=LENGTH_M)
@click.argument("length_m", type=LENGTH_M)
@click.argument("height_m", type=LENGTH_M)
@click.option("--overlap-m", type=LENGTH_M, metavar="M", help="On each side.  [0.3]")
@_JSON
def sheet(
    shape: str,
    width_m: float,
    length_m: float,
    height_m: float,
    overlap_m: float | None,
    as_json: bool,
) -> None:
    """The sheet that covers a heap: WIDTH_M LENGTH_M HEIGHT_M (of a cone, width is its base)."""
    from heapwright.data.water import figures
    from heapwright.science.heap_shape import HeapShape
    from heapwright.science.water import sheet_size

    heap: HeapShape = HeapShape(cast("ShapeName", shape), width_m, length_m, height_m)
    overlap = figures()["sheet_overlap_m"].value if overlap_m is None else overlap_m
    found = sheet_size(heap, overlap, figures()["lid_fall_pct"].value)
    if as_json:
        _print({**asdict(found), "area_m2": found.area_m2})
        return
    fall = f" One side lies {100 * found.fall_m:.0f} cm higher." if found.fall_m else ""
    click.echo(
        f"{found.length_m:.2f} × {found.width_m:.2f} m, {found.area_m2:.1f} m², "
        f"{found.overlap_m:g} m over on each side.{fall}"
    )


@water.command()
@click.argument("length_m", type=LENGTH_M)
@click.argument("width_m", type=LENGTH_M)
@click.option("--pitch-deg", type=Number(0, 90), metavar="DEG", help="Pitch.  [15]")
@click.option("--overhang-m", type=LENGTH_M, metavar="M", help="On each side.  [0.5]")
@click.option("--rain-mm", type=Number(0, 2000), metavar="MM", default=25.0, show_default=True,
              help="A rain, for the water that runs off it.")  # fmt: skip
@_JSON
def roof(
    length_m: float,
    width_m: float,
    pitch_deg: float | None,
    overhang_m: float | None,
    rain_mm: float,
    as_json: bool,
) -> None:
    """A single-pitch roof over LENGTH_M by WIDTH_M of ground, and the water it keeps off."""
    from heapwright.data.water import figures
    from heapwright.science.water import roof_size, roof_water_l

    known = figures()
    found = roof_size(
        length_m,
        width_m,
        known["roof_overhang_m"].value if overhang_m is None else overhang_m,
        known["roof_pitch_deg"].value if pitch_deg is None else pitch_deg,
    )
    litres = roof_water_l(found.plan_area_m2, rain_mm, known["roof_runoff"].value)
    if as_json:
        _print({**asdict(found), "plan_area_m2": found.plan_area_m2,
                "sheet_area_m2": found.sheet_area_m2, "runoff_l": litres})  # fmt: skip
        return
    click.echo(
        f"{found.plan_length_m:.2f} × {found.plan_width_m:.2f} m in plan, roofing "
        f"{found.plan_length_m:.2f} × {found.slope_length_m:.2f} m, one side "
        f"{found.rise_m:.2f} m higher.\n"
        f"{rain_mm:g} mm of rain give {litres:.0f} litres; lead them away from the pad. Loads of "
        "snow and wind, and the permit, are a builder's matter."
    )


def _print(found: Mapping[str, Any]) -> None:
    import json

    click.echo(json.dumps(found, ensure_ascii=False, allow_nan=False))


def _decision_json(found: TarpDecision) -> dict[str, Any]:
    limits: MoistureLimits = found.limits
    return {
        "advice": found.advice,
        "why": list(found.why),
        "rain_mm": found.rain_mm,
        "moisture_pct": found.moisture_pct,
        "limits": asdict(limits),
        "open": _balance_json(found.open) | {
            "moisture_range_pct": list(found.open_range_pct),
            "leachate_range_l": list(found.open_leachate_range_l),
        },
        "covered": _balance_json(found.covered),
    }  # fmt: skip


def _balance_json(found: WaterBalance) -> dict[str, Any]:
    names = (
        "fallen_l", "kept_off_l", "shed_l", "through_l", "soaked_l", "made_l", "evaporated_l",
        "drained_l", "leachate_l",
    )  # fmt: skip
    return {
        "cover": found.cover.id,
        "moisture_pct": found.moisture_pct,
        "gained_l": found.gained_l,
        **{name: found.total(name) for name in names},
        "days": [{"water_kg": day.water_kg, "moisture_pct": day.moisture_pct}
                 for day in found.days],
    }  # fmt: skip


def _decision_text(found: TarpDecision, days: int) -> str:
    low, high = found.open_range_pct
    why = "; ".join(WHY[one] for one in found.why)
    lines = [
        f"{ADVICE[found.advice]} {why[:1].upper()}{why[1:]}.",
        f"{found.rain_mm:.0f} mm of rain in {days} days on a heap of {found.moisture_pct:.0f} % "
        f"moisture (wanted: {found.limits.dry_pct:g} to {found.limits.wet_pct:g} %).",
        f"{'litres':<26}{'as it lies':>12}{'covered':>12}",
    ]
    for label, name in (
        ("rain on it", "fallen_l"), ("kept off", "kept_off_l"), ("runs off outside", "shed_l"),
        ("soaks in", "soaked_l"), ("made by decay", "made_l"), ("evaporates", "evaporated_l"),
        ("leachate", "leachate_l"),
    ):  # fmt: skip
        lines.append(
            f"{label:<26}{found.open.total(name):>12.0f}{found.covered.total(name):>12.0f}"
        )
    lines.append(
        f"{'moisture at the end, %':<26}{found.open.moisture_pct:>12.1f}"
        f"{found.covered.moisture_pct:>12.1f}"
    )
    lines.append(
        f"As it lies between {low:.1f} and {high:.1f} %, by how much of the rain it takes in."
    )
    lines.append("A tarp also halves its air: lift it when the rain is over.")
    return "\n".join(lines)
