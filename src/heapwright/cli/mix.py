"""``heapwright mix check`` and ``heapwright mix solve``."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from heapwright.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from heapwright.science.materials import Material
    from heapwright.science.mixing import Limit

_FILE = click.Path(path_type=Path)


@click.group()
def mix() -> None:
    """What goes into the next pile, in how many buckets, in which layers."""


def _shared(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that both commands take."""
    options = [
        click.option("--cn", metavar="LO:HI", help="Acceptable C:N.  [default: 20:40]"),
        click.option("--moisture", metavar="LO:HI", help="Acceptable moisture, %.  [40:65]"),
        click.option("--density-max", metavar="KG_M3", help="Most bulk density, kg/m³.  [712]"),
        click.option("--air-min", metavar="PCT", help="Least free air space, %.  [35]"),
        click.option("--shrink", metavar="K", help="Heap volume over summed volumes.  [1.0]"),
        click.option("--densities", metavar="ID", help="Particle densities for free air space."),
        click.option("--own", type=_FILE, help="The site's own materials and measurements (CSV)."),
        click.option("--width-m", metavar="M", help="Width the heap stands on.  [1.2]"),
        click.option("--length-m", metavar="M", help="Length the heap stands on.  [1.2]"),
        click.option("--working", is_flag=True, help="Show formula, inputs, origin and source."),
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


@mix.command()
@click.argument("amounts", type=_FILE, metavar="AMOUNTS.csv")
@_shared
def check(amounts: Path, as_json: bool, working: bool, own: Path | None, **asked: str) -> None:
    """Show the properties of a stated mix, their spread and what is out of range.

    AMOUNTS.csv has the columns material and mass_kg (or mass_lb, volume_m3, volume_yd3,
    volume_gal), and measured values that override the library: moisture_pct, n_pct_dry,
    c_pct_dry, cn, vs_pct_dry, bulk_density_kg_m3.
    """
    from heapwright.cli.mix_answer import Answer, print_answer
    from heapwright.data.mixing import mix_facts
    from heapwright.files.amounts import read_amounts
    from heapwright.science.mixing import mix_of, spread_of
    from heapwright.science.recipe import Blocked, Recipe, judged, outside_of, range_in_words

    facts = mix_facts()
    library = _library(own)
    goals = _goals(asked)
    parts = read_amounts(amounts, library, facts)
    found = mix_of(parts, facts, shrink=goals.shrink, densities=goals.densities)
    outside = outside_of(found, goals.limits)
    recipe = Recipe(
        feasible=not outside,
        parts=tuple(parts),
        mix=found,
        spread=spread_of(
            parts, judged(goals.limits), facts, shrink=goals.shrink, densities=goals.densities
        ),
        chance_wanted=0.0,
        amount_wanted=found.volume_m3,
        outside=outside,
        blocked_by=tuple(
            Blocked(o.property, f"{o.shown()}, and {range_in_words(o.limit)}") for o in outside
        ),
    )
    answer = Answer(recipe, goals, library, _footprint_m2(asked), stated=True)
    print_answer(answer, as_json=as_json, working=working)


@mix.command()
@click.argument("stock", type=_FILE, metavar="STOCK.csv", required=False)
@click.option("--site", is_flag=True, help="What is on hand in the site's own records.")
@click.option("--volume-m3", metavar="M3", help="Wanted volume of the pile.")
@click.option("--mass-kg", metavar="KG", help="Wanted mass of the pile, water included.")
@click.option("--no-water", is_flag=True, help="Add no water.")
@click.option("--chance", metavar="P", help="Least chance to lie in range, such as 0.9.")
@click.option(
    "--cap",
    "caps",
    metavar="ID:PCT",
    multiple=True,
    help="Most of a material or of a whole category, % of volume (repeatable).",
)
@_shared
def solve(
    stock: Path | None,
    site: bool,
    volume_m3: str | None,
    mass_kg: str | None,
    no_water: bool,
    chance: str | None,
    caps: tuple[str, ...],
    as_json: bool,
    working: bool,
    own: Path | None,
    **asked: str,
) -> None:
    """Find the best mix from what is on hand, or say what is missing.

    STOCK.csv has the columns material and available_kg (or available_lb, available_m3,
    available_yd3, available_gal), optionally waiting_days, container and container_l, and
    measured values as for mix check. With --site the site's own records say what is on hand.
    Amounts come in whole or half containers. Without a wanted
    volume or mass the pile is as large as the stock makes well.
    """
    from dataclasses import replace

    from rich.console import Console

    from heapwright.cli.mix_answer import Answer, print_answer
    from heapwright.cli.site_records import site_library, site_stock_rows
    from heapwright.data.mixing import candidates, mix_facts, water
    from heapwright.files.amounts import on_hand, read_stock, water_on_hand_kg
    from heapwright.science.recipe import additions
    from heapwright.science.recipe import solve as solve_recipe

    if (stock is None) != site:
        raise InputError("give a STOCK.csv or --site, one of the two")
    if site and own is not None:
        raise InputError("--own goes with a STOCK.csv; a site's records hold its own materials")
    facts = mix_facts()
    library = site_library() if site else _library(own)
    rows = site_stock_rows() if stock is None else read_stock(stock, library, facts)
    goals = replace(
        _goals(asked),
        volume_m3=_number(volume_m3, "--volume-m3"),
        mass_kg=_number(mass_kg, "--mass-kg"),
        water_allowed=not no_water,
        chance=_number(chance, "--chance"),
        water_kg=water_on_hand_kg(rows),
        caps=_caps(caps, library),
    )
    available = on_hand(rows)
    if stock is not None and not any(one.usable_kg > 0 for one in available):
        raise InputError(
            "nothing is on hand; state a material with an amount above zero", file=stock.name
        )
    looking = Console(stderr=True).status("Looking for the best mix")
    with _solver_kept_quiet(), looking:
        recipe = solve_recipe(available, goals, facts, water())
        added = (
            []
            if recipe.feasible
            else additions(
                available,
                goals,
                facts,
                water(),
                candidates(library, facts, [row.ingredient for row in rows]),
                prices_per_tonne={
                    m.id: m.price_per_tonne
                    for m in library.values()
                    if m.price_per_tonne is not None
                },
            )
        )
    answer = Answer(recipe, goals, library, _footprint_m2(asked), rows=rows, additions=added)
    print_answer(answer, as_json=as_json, working=working)


@contextmanager
def _solver_kept_quiet() -> Iterator[None]:
    """Keep the solver's own remarks, written below Python, out of standard output."""
    kept = os.dup(1)
    try:
        with Path(os.devnull).open("w") as nowhere:
            os.dup2(nowhere.fileno(), 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _library(own: Path | None) -> Mapping[str, Material]:
    from heapwright.data import materials

    if own is None:
        return materials()
    from heapwright.files.materials import read_materials

    return read_materials(own, materials())


def _number(text: str | None, option: str) -> float | None:
    from heapwright.files.table import parse_number

    if text is None:
        return None
    try:
        return parse_number(text)
    except InputError as error:
        raise InputError(f"{option}: {error.message}") from None


def _range(text: str, option: str, lowest: float, highest: float) -> tuple[float, float]:
    """Return LO and HI of an option written LO:HI."""
    low_text, colon, high_text = text.partition(":")
    if not colon:
        raise InputError(f"{option}: “{text}” is not a range; write it as LO:HI, such as 25:30")
    low, high = _number(low_text, option), _number(high_text, option)
    assert low is not None
    assert high is not None
    if not lowest <= low < high <= highest:
        raise InputError(
            f"{option}: {text} is not a range from {lowest:g} to {highest:g}, lower first"
        )
    return low, high


def _goals(asked: Mapping[str, str]) -> Any:
    """Return the goals that the shared options state, on the default ranges."""
    from heapwright.data.mixing import acceptable_limits, mix_facts, preferred_limits
    from heapwright.science.goals import Goals
    from heapwright.science.mixing import Limit

    limits, preferred = acceptable_limits(), preferred_limits()
    if asked.get("cn"):
        limits["cn"] = Limit(*_range(asked["cn"], "--cn", 1.0, 1000.0))
    if asked.get("moisture"):
        limits["moisture_pct"] = Limit(*_range(asked["moisture"], "--moisture", 0.0, 100.0))
    density_max = _number(asked.get("density_max"), "--density-max")
    if density_max is not None:
        limits["bulk_density_kg_m3"] = Limit(None, _within(density_max, "--density-max", 10, 2500))
    air_min = _number(asked.get("air_min"), "--air-min")
    if air_min is not None:
        limits["free_air_space_pct"] = Limit(_within(air_min, "--air-min", 0, 99), None)
    densities = asked.get("densities")
    if densities and densities not in mix_facts().densities:
        known = ", ".join(mix_facts().densities)
        raise InputError(f"--densities: there is no pair {densities}; known: {known}")
    return Goals(
        limits=limits,
        preferred={key: _meet(limit, limits.get(key)) for key, limit in preferred.items()},
        shrink=_option(asked, "shrink", default=1.0, lowest=0.5, highest=1.0),
        densities=densities or None,
    )


def _within(value: float, option: str, lowest: float, highest: float) -> float:
    if not lowest <= value <= highest:
        raise InputError(f"{option}: {value:g} is not from {lowest:g} to {highest:g}")
    return value


def _meet(preferred: Limit, limit: Limit | None) -> Limit:
    """Return the part of a preferred range that is acceptable, or all that is acceptable."""
    from heapwright.science.mixing import Limit

    if limit is None:
        return preferred
    low = max((v for v in (preferred.low, limit.low) if v is not None), default=None)
    high = min((v for v in (preferred.high, limit.high) if v is not None), default=None)
    if low is not None and high is not None and low > high:
        return limit
    return Limit(low, high)


def _footprint_m2(asked: Mapping[str, str]) -> float:
    width = _option(asked, "width_m", default=1.2, lowest=0.2, highest=100.0)
    length = _option(asked, "length_m", default=1.2, lowest=0.2, highest=100.0)
    return width * length


def _option(
    asked: Mapping[str, str], name: str, *, default: float, lowest: float, highest: float
) -> float:
    option = f"--{name.replace('_', '-')}"
    value = _number(asked.get(name), option)
    return default if value is None else _within(value, option, lowest, highest)


def _caps(texts: tuple[str, ...], library: Mapping[str, Material]) -> dict[str, float]:
    """Return the largest share of volume by material or category id."""
    categories = {material.category for material in library.values()}
    caps = {}
    for text in texts:
        name, colon, share = text.rpartition(":")
        if not colon:
            raise InputError(f"--cap: “{text}” is not ID:PCT, such as coffee_grounds:20")
        if name not in library and name not in categories:
            raise InputError(f"--cap: there is no material or category {name}")
        value = _number(share, "--cap")
        assert value is not None
        caps[name] = _within(value, "--cap", 0.0, 100.0) / 100.0
    return caps
