"""Reading PILE.toml: a pile as built, what is done to it, its weather, and what to forecast."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from heapwright.errors import InputError
from heapwright.files.amounts import MEASURED, _ingredient, _mass_kg
from heapwright.files.table import Row
from heapwright.files.toml import TomlTable, read_toml
from heapwright.files.weather import Typical, WeatherRecord, hourly, read_weather
from heapwright.science.heap_shape import SHAPES, HeapShape, geometry
from heapwright.science.ingredients import MixFacts
from heapwright.science.materials import Material
from heapwright.science.mixing import Part

if TYPE_CHECKING:
    from heapwright.science.pile_forecast import Act, PilePlan
    from heapwright.science.pile_state import Cover
    from heapwright.science.pile_weather import Weather

AMOUNTS: Final = ("mass_kg", "mass_lb", "volume_m3", "volume_yd3", "volume_gal")
COVERS: Final = ("open", "breathable", "tarp", "roof")
ACTS: Final = ("turned", "wetted", "covered", "uncovered", "added", "moved", "combined")
TYPICAL_KEYS: Final = ("temp_mean_c", "temp_swing_c", "rain_mm_day")

DAYS: Final = 60.0
DAYS_MOST: Final = 400.0
MEMBERS: Final = 1000
MEMBERS_MOST: Final = 10_000
SEED_MOST: Final = 2**63 - 1
DENSITY_KG_M3: Final = (40.0, 1300.0)
"""Lighter than loose dry leaves or heavier than soaked sand: size or amounts are mistyped."""

HUMIDITY_TYPICAL_PCT: Final = 80.0
WIND_TYPICAL_M_S: Final = 1.5


@dataclass(frozen=True, slots=True)
class PileFacts:
    """The tables that reading a pile needs."""

    library: Mapping[str, Material]
    mix: MixFacts
    covers: Mapping[str, Cover]
    shelter: float


@dataclass(frozen=True, slots=True)
class WeatherGiven:
    """The [weather] of a file: a record, typical days, or a record and what follows it."""

    record: WeatherRecord | None
    typical: Typical | None
    soil_temp_c: float | None
    humidity_pct: float
    wind_m_s: float


@dataclass(frozen=True, slots=True)
class PileFile:
    """A read PILE.toml."""

    file: str
    built: datetime
    plan: PilePlan
    weather: WeatherGiven
    days: float
    members: int
    seed: int
    others: Mapping[int, PileFile]


def read_pile(path: Path, facts: PileFacts, *, weather_file: Path | None = None) -> PileFile:
    """Read PILE.toml.

    Parameters
    ----------
    path : Path
    facts : PileFacts
    weather_file : Path, optional
        A record that takes the place of the one that the file names.

    Raises
    ------
    InputError
        Naming the file and the key of the first fault.
    """
    return _read(path, facts, weather_file, nested=False)


def _read(path: Path, facts: PileFacts, weather_file: Path | None, *, nested: bool) -> PileFile:
    top = read_toml(path)
    pile = top.table("pile")
    if pile is None:
        raise top.error("is missing; the file needs a [pile]", "pile")
    forecast = top.table("forecast") or TomlTable(top.file, "forecast", {})
    days = forecast.number("days", low=0.0, high=DAYS_MOST, default=DAYS, above=True)
    members = forecast.whole("members", low=1, high=MEMBERS_MOST, default=MEMBERS)
    seed = forecast.whole("seed", low=0, high=SEED_MOST, default=1)
    forecast.done()

    shape = _shape(pile)
    cover_name = pile.choice("cover", COVERS, "open")
    built = pile.time("built")
    parts = _parts(pile, facts)
    _check_density(pile, shape, parts)
    weather = _weather(top, path.parent, weather_file)
    outside = weather.typical.temp_mean_c if weather.typical is not None else None
    if outside is None and weather.record is not None:
        outside = weather.record.rows[0].temp_c
    start_temp_c = pile.number("start_temp_c", low=-40.0, high=80.0, default=outside)
    air_m3_h = pile.number("air_m3_h", low=0.0, high=5000.0, default=0.0)
    pile.done()

    from heapwright.science.pile_forecast import PilePlan

    acts, others = _acts(top, path, facts, weather_file, shape, cover_name, days, nested=nested)
    top.done()
    plan = PilePlan(
        shape=shape,
        parts=parts,
        cover=cover_for(cover_name, shape, facts.covers),
        start_temp_c=start_temp_c,
        air_m3_h=air_m3_h,
        acts=acts,
    )
    return PileFile(top.file, built, plan, weather, days, members, seed, others)


def _shape(table: TomlTable, base: HeapShape | None = None) -> HeapShape:
    """Return the shape that a table states, what it leaves out being as in ``base``."""
    name = table.choice("shape", SHAPES, base.shape if base else None)
    width = table.number("width_m", low=0.2, high=30.0, default=base.width_m if base else None)
    round_heap = name == "cone"
    length_default = width if round_heap else (base.length_m if base else None)
    length = table.number("length_m", low=0.2, high=500.0, default=length_default)
    height = table.number("height_m", low=0.2, high=8.0, default=base.height_m if base else None)
    wall = table.number(
        "wall_r_m2k_w", low=0.0, high=20.0, default=base.wall_r_m2k_w if base else 0.0
    )
    if round_heap and abs(length - width) > 0.01 * width:
        raise table.error(
            f"{length:g} is not the width; a cone is round, so leave the length out", "length_m"
        )
    return HeapShape(name, width, length, height, wall)  # type: ignore[arg-type]


def _parts(table: TomlTable, facts: PileFacts) -> tuple[Part, ...]:
    """Return the materials of the pile."""
    rows = table.tables("material")
    parts = [part for row in rows if (part := _part(row, facts)) is not None]
    if not any(not part.ingredient.is_water for part in parts):
        raise table.error(
            "is missing; state each material as [[pile.material]] with an amount", "material"
        )
    return tuple(parts)


def _part(table: TomlTable, facts: PileFacts, *, also: tuple[str, ...] = ()) -> Part | None:
    """Return the material that a table states as a row of AMOUNTS.csv, None for nothing."""
    cells = {"material": table.text("material")}
    for key in (*AMOUNTS, *MEASURED):
        if table.has(key):
            cells[key] = repr(table.number(key, low=0.0, high=1e9))
        else:
            table.read.add(key)
    for key in also:
        table.read.add(key)
    table.done()
    try:
        row = Row(table.file, 0, cells)
        ingredient = _ingredient(row, facts.library, facts.mix)
        mass_kg = _mass_kg(row, ingredient, facts.mix, list(AMOUNTS))
    except InputError as error:
        raise table.error(error.message, error.column) from None
    if mass_kg is None:
        raise table.error(f"states no amount; one of {', '.join(AMOUNTS)}", "mass_kg")
    return Part(ingredient, mass_kg) if mass_kg > 0.0 else None


def _check_density(table: TomlTable, shape: HeapShape, parts: tuple[Part, ...]) -> None:
    """Refuse a pile whose size and amounts cannot both be right."""
    mass = sum(part.mass_kg for part in parts)
    volume = geometry(shape, 0.2).volume_m3
    density = mass / volume
    low, high = DENSITY_KG_M3
    if not low <= density <= high:
        raise table.error(
            f"the materials weigh {mass:.0f} kg and the pile measures {volume:.2g} m3, which "
            f"makes {density:.0f} kg/m3; piles weigh {low:g} to {high:g}, so check height and "
            "amounts",
            "height_m",
        )


def cover_for(name: str, shape: HeapShape, covers: Mapping[str, Cover]) -> Cover:
    """Return the cover of a name; fleece sheds more rain from a slope than from a flat top."""
    if name == "breathable":
        sloped = shape.shape in ("windrow", "cone")
        name = "breathable_sloped" if sloped else "breathable_flat"
    return covers[name]


def _acts(
    top: TomlTable,
    path: Path,
    facts: PileFacts,
    weather_file: Path | None,
    shape: HeapShape,
    built_cover: str,
    days: float,
    *,
    nested: bool,
) -> tuple[tuple[Act, ...], dict[int, PileFile]]:
    """Return the acts in order of their day, and the other piles by place in that order."""
    from heapwright.science.pile_forecast import Act

    read: list[tuple[Act, PileFile | None]] = []
    under_roof = built_cover == "roof"
    for table in top.tables("act"):
        day = table.number("day", low=0.0, high=DAYS_MOST)
        name = table.choice("act", ACTS)
        if day > days:
            raise table.error(f"{day:g} is after the forecast ends (day {days:g})", "day")
        act = Act(day, name)  # type: ignore[arg-type]
        other: PileFile | None = None
        if name == "wetted":
            act = replace(act, litres=table.number("litres", low=0.0, high=200_000.0, above=True))
        elif name == "covered":
            cover = table.choice("cover", COVERS[1:], "tarp")
            act = replace(act, cover=cover_for(cover, shape, facts.covers))
        elif name == "uncovered":
            act = replace(act, cover=facts.covers["roof" if under_roof else "open"])
        elif name == "added":
            part = _part(table, facts, also=("day", "act"))
            if part is None:
                raise table.error("nothing was added; leave the act out", "mass_kg")
            act = replace(act, parts=(part,))
        elif name == "moved":
            act = replace(act, shape=_shape(table, shape))
            assert act.shape is not None
            shape = act.shape
        elif name == "combined":
            if nested:
                raise table.error("a pile that is combined into another cannot combine", "act")
            other = _read(path.parent / table.text("file"), facts, weather_file, nested=True)
            act = replace(act, other=other.plan)
        table.done()
        read.append((act, other))
    read.sort(key=lambda pair: pair[0].day)
    acts = tuple(act for act, _ in read)
    return acts, {i: other for i, (_, other) in enumerate(read) if other is not None}


def _weather(top: TomlTable, folder: Path, weather_file: Path | None) -> WeatherGiven:
    table = top.table("weather")
    if table is None:
        if weather_file is None:
            raise top.error("is missing; state typical weather or a file", "weather")
        table = TomlTable(top.file, "weather", {})
    record_path = weather_file
    name = table.text("file", "")
    if record_path is None and name:
        record_path = folder / name
    humidity = table.number("humidity_pct", low=1.0, high=100.0, default=HUMIDITY_TYPICAL_PCT)
    wind = table.number("wind_m_s", low=0.0, high=50.0, default=WIND_TYPICAL_M_S)
    soil = table.number("soil_temp_c", low=-30.0, high=50.0, default=99.0)
    stated_soil = soil if table.has("soil_temp_c") else None
    typical = None
    if record_path is None or table.has("temp_mean_c"):
        mean = table.number("temp_mean_c", low=-60.0, high=50.0)
        typical = Typical(
            temp_mean_c=mean,
            temp_swing_c=table.number("temp_swing_c", low=0.0, high=40.0, default=0.0),
            rain_mm_day=table.number("rain_mm_day", low=0.0, high=500.0, default=0.0),
            soil_temp_c=mean if stated_soil is None else stated_soil,
            humidity_pct=humidity,
            wind_m_s=wind,
        )
    else:
        table.read.update(TYPICAL_KEYS)
        for key in TYPICAL_KEYS[1:]:
            if table.has(key):
                raise table.error("goes with temp_mean_c, which is missing", key)
    table.done()
    record = read_weather(record_path) if record_path is not None else None
    return WeatherGiven(record, typical, stated_soil, humidity, wind)


def weather_for(read: PileFile, hours: float, facts: PileFacts) -> Weather:
    """Return the hourly weather of a pile from its building on.

    Raises
    ------
    InputError
        If its record does not cover the time.
    """
    from heapwright.science.pile_weather import typical_weather

    given = read.weather
    if given.record is not None:
        return hourly(
            given.record,
            read.built,
            hours,
            soil_temp_c=given.soil_temp_c,
            after=given.typical,
            shelter=facts.shelter,
            humidity_pct=given.humidity_pct,
            wind_m_s=given.wind_m_s,
        )
    typical = given.typical
    assert typical is not None
    return typical_weather(
        hours,
        temp_mean_c=typical.temp_mean_c,
        temp_swing_c=typical.temp_swing_c,
        rain_mm_day=typical.rain_mm_day,
        soil_temp_c=typical.soil_temp_c,
        humidity_pct=typical.humidity_pct,
        wind_m_s=typical.wind_m_s,
        start_hour=read.built.hour + read.built.minute / 60.0,
        shelter=facts.shelter,
    )


def with_others(read: PileFile, facts: PileFacts) -> PilePlan:
    """Return the plan with the weather and the age of every pile that is combined into it.

    Raises
    ------
    InputError
        If another pile was built after the act that combines it.
    """
    acts = list(read.plan.acts)
    for index, other in read.others.items():
        moment = read.built + timedelta(days=acts[index].day)
        if (other.built.tzinfo is None) != (moment.tzinfo is None):
            raise InputError(
                "both piles must state their offset from UTC or both not",
                file=f"{other.file}, pile.built",
            )
        hours = (moment - other.built).total_seconds() / 3600.0
        if hours <= 0.0:
            raise InputError(
                f"{other.built} is not before {moment}, when it is combined",
                file=f"{other.file}, pile.built",
            )
        acts[index] = replace(
            acts[index], other_hours=hours, other_weather=weather_for(other, hours, facts)
        )
    return replace(read.plan, acts=tuple(acts))
