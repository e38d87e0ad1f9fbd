"""A forecast as text for a person and as JSON for a program."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from heapwright.data.outlook import outlook_figure
from heapwright.science.heap_shape import geometry
from heapwright.science.pile_recipe import class_of

if TYPE_CHECKING:
    from heapwright.data.pile import HeatAlarm
    from heapwright.science.assimilate import Assimilated
    from heapwright.science.pile_forecast import Band, Forecast, PilePlan
    from heapwright.science.pile_parameters import ParameterFact
    from heapwright.science.pile_recipe import DegradeClass

NEVER_PROOF = (
    "Modelled temperatures never count as proof: only readings in the log show sanitation."
)
SMALL_BIN = (
    "Caution: so small a heap turns warm or hot by little things that the model does not know; "
    "trust the first readings rather than the forecast."
)
SCALD = "A core above 60 °C scalds, and so does the steam; mind machines, dust and spores."


def as_json(found: Forecast, built: datetime) -> dict[str, Any]:
    """Return the forecast with the names of the command's contract."""
    series = {
        "core_temp_c": (found.core_temp_c, 2),
        "shell_temp_c": (found.shell_temp_c, 2),
        "moisture_pct": (found.moisture_pct, 2),
        "oxygen_pct": (found.oxygen_pct, 2),
        "volume_m3": (found.volume_m3, 4),
        "dry_mass_kg": (found.dry_mass_kg, 3),
    }
    return {
        "time": [_moment(built, hour).isoformat() for hour in found.hours],
        **{
            name: {
                level: np.round(getattr(band, level), digits).tolist()
                for level in ("p5", "p50", "p95")
            }
            for name, (band, digits) in series.items()
        },
        # as the curve of the core, so that no point of it stands above its peak
        "peak_temp_c": _figures(found.peak_temp_c, 2),
        "days_at_or_above_55": _figures(found.days_at_or_above_55, 3),
        "balance": {
            "mass_residual": found.balance.mass_residual,
            "energy_residual": found.balance.energy_residual,
        },
    }


def _figures(band: Band, digits: int) -> dict[str, float]:
    return {level: round(float(getattr(band, level)), digits) for level in ("p5", "p50", "p95")}


def _moment(built: datetime, hour: float) -> datetime:
    return built + timedelta(seconds=round(float(hour) * 3600.0))


def as_text(
    found: Forecast,
    built: datetime,
    plan: PilePlan,
    days: float,
    alarms: Sequence[HeatAlarm],
) -> str:
    """Return the short table that a person reads, with the cautions."""
    shape = plan.shape
    volume = geometry(shape, 0.2).volume_m3
    start_kg = float(found.wet_mass_kg.p50[0])
    size = (
        f"{shape.width_m:g} m wide"
        if shape.shape == "cone"
        else f"{shape.width_m:g} × {shape.length_m:g} m"
    )
    lines = [
        f"{shape.shape.capitalize()}, {size}, {shape.height_m:g} m high, {volume:.2g} m³, "
        f"{start_kg:.0f} kg, {plan.cover.name} over it, built {built:%Y-%m-%d %H:%M}",
        f"{days:g} days, {found.members} "
        + ("member (no spread)" if found.members == 1 else "members; likely (5 to 95 in 100)"),
        "",
    ]
    rows = [
        ("first at 55 °C", _first(found, built)),
        ("highest core", _spread(found.peak_temp_c, "°C", 0)),
        ("core at 55 °C or more", _spread(found.days_at_or_above_55, "days", 1)),
        ("lowest oxygen in the core", _spread(found.lowest_oxygen_pct, "%", 1)),
        ("core at the end", _spread(_last(found.core_temp_c), "°C", 0)),
        ("water at the end", _spread(_last(found.moisture_pct), "%", 0)),
        ("mass at the end", _spread(_last(found.wet_mass_kg), "kg", 0)),
        ("dry mass at the end", _spread(_last(found.dry_mass_kg), "kg", 0)),
        ("volume at the end", _spread(_last(found.volume_m3), "m³", 2)),
        ("evaporated", _spread(found.evaporated_kg, "L", 0)),
        ("leached out", _spread(found.drained_kg, "L", 0)),
        ("nitrogen lost as ammonia", _spread(found.nitrogen_lost_pct, "%", 0)),
    ]
    width = max(len(name) for name, _ in rows)
    lines += [f"  {name:<{width}}  {value}" for name, value in rows]
    lines.append("")
    hottest = float(found.peak_temp_c.p95)
    passed = [alarm for alarm in alarms if hottest > alarm.temp_c]
    if passed:
        lines.append(f"Caution: it may reach {hottest:.0f} °C; {passed[-1].say}.")
    if volume < outlook_figure("small_bin_m3").value:
        lines.append(SMALL_BIN)
    lines += [SCALD, NEVER_PROOF]
    return "\n".join(lines)


def _first(found: Forecast, built: datetime) -> str:
    if found.first_hot_day is None:
        return "never"
    first = found.first_hot_day
    day = _moment(built, float(first.p50) * 24.0)
    spread = "" if found.members == 1 else f" ({float(first.p5):.1f} to {float(first.p95):.1f})"
    chance = "" if found.members == 1 else f", in {100.0 * found.chance_hot:.0f} of 100"
    return f"day {float(first.p50):.1f}{spread}, {day:%Y-%m-%d}{chance}"


def _last(band: Band) -> Band:
    return type(band)(band.p5[-1], band.p50[-1], band.p95[-1])


def _spread(band: Band, unit: str, digits: int) -> str:
    low, middle, high = (f"{float(v):.{digits}f}" for v in (band.p5, band.p50, band.p95))
    if low == middle == high:
        return f"{middle} {unit}"
    return f"{middle} {unit} ({low} to {high})"


def as_working(
    found: Forecast,
    plan: PilePlan,
    parameters: Mapping[str, ParameterFact],
    classes: Mapping[str, DegradeClass],
) -> str:
    """Return where the heat went, how the materials decay, and every parameter."""
    t = found.totals
    made = max(t["heat_made_kj"], 1e-9)
    flows = [
        ("made by decay", t["heat_made_kj"]),
        ("out through walls and surface", -t["heat_to_walls_kj"]),
        ("out through the floor", -t["heat_to_ground_kj"]),
        ("out with air and steam", -t["heat_to_air_kj"]),
        ("out by drying of the surface", -t["heat_of_surface_evaporation_kj"]),
        ("in with rain, out with leachate", t["heat_of_rain_kj"] - t["heat_of_drainage_kj"]),
    ]
    lines = ["", "Where the heat came from and went (medians)"]
    lines += [f"  {name:<34} {kj / 1000:>9.1f} MJ {100 * kj / made:>6.0f} %" for name, kj in flows]
    lines += [
        f"  mass balance closes to {found.balance.mass_residual:.1e} of the start mass, "
        f"energy to {found.balance.energy_residual:.1e} of the heat made",
        "",
        "How the materials decay (shares of volatile solids; rates a day at 20 °C)",
    ]
    for part in plan.parts:
        it = part.ingredient
        if it.is_water:
            lines.append(f"  {it.id:<24} {part.mass_kg:>8.0f} kg")
            continue
        kind = class_of(it, classes)
        lines.append(
            f"  {it.id:<24} {part.mass_kg:>8.0f} kg  water {it.moisture_pct.typical:.0f} % "
            f"({it.moisture_pct.origin}), degradable {it.degradability_pct_vs.typical:.0f} % "
            f"({it.degradability_pct_vs.origin}); as {kind.name}: fast "
            f"{kind.k_fast_per_day.typical:g}, slow {kind.k_slow_per_day.typical:g} "
            f"[{', '.join(kind.sources)}; {kind.mark}]"
        )
    lines += ["", "Parameters: typical (range drawn) [sources; mark]"]
    for fact in parameters.values():
        drawn = "" if fact.low is None else f" ({fact.low:g} to {fact.high:g})"
        unit = "" if fact.unit == "1" else f" {fact.unit}"
        where = f"[{', '.join(fact.sources)}; {fact.mark}]"
        lines.append(f"  {fact.id:<22} {fact.typical:g}{unit}{drawn} {where}")
    lines.append("Equations: docs/pile-model.md")
    return "\n".join(lines)


def readings_json(corrected: Assimilated, built: datetime) -> dict[str, Any]:
    """Return what was used and set aside of the readings, and what they taught."""
    aside = [
        {
            "time": _moment(built, one.observation.hour).isoformat(),
            "point": getattr(one.observation, "point", ""),
            "depth_cm": getattr(one.observation, "depth_cm", None),
            "temp_c": getattr(one.observation, "temp_c", None),
            "expected_c": round(one.expected, 1),
            "spread_c": round(one.spread, 1),
            "why": one.reason,
        }
        for one in corrected.set_aside
    ]
    told: dict[str, Any] = {
        "readings": {
            "used": len(corrected.used),
            "set_aside": aside,
            "until": _moment(built, corrected.now_hour).isoformat(),
            "model_error_c": round(corrected.drift_c, 2),
        },
        "learned": {},
    }
    if corrected.learned is not None:
        spread = np.sqrt(np.diag(corrected.learned.covariance))
        told["learned"] = {
            name: {"mean": round(float(mean), 3), "sd": round(float(sd), 3)}
            for name, mean, sd in zip(
                corrected.learned.names, corrected.learned.mean, spread, strict=True
            )
        }
    return told


def readings_text(corrected: Assimilated, built: datetime, notes: Sequence[str]) -> str:
    """Return what was used and set aside of the readings, for a person."""
    used, aside = len(corrected.used), corrected.set_aside
    lines = ["", f"Readings: {used} used, {len(aside)} set aside"]
    if used:
        lines[-1] += f"; up to {_moment(built, corrected.now_hour):%Y-%m-%d %H:%M} they lead"
        lines.append(f"  the model strays from them by about {corrected.drift_c:.1f} °C")
    for one in aside:
        seen = one.observation
        where = getattr(seen, "point", "")
        depth = getattr(seen, "depth_cm", None)
        place = " ".join(part for part in (where, f"{depth:g} cm" if depth else "") if part)
        lines.append(
            f"  set aside: {_moment(built, seen.hour):%Y-%m-%d %H:%M} {place} "
            f"{getattr(seen, 'temp_c', float('nan')):.1f} °C; {one.reason}"
        )
    if corrected.learned is not None:
        lines.append("  what this pile taught: " + _taught(corrected))
    lines += [f"  {note}" for note in notes]
    return "\n".join(lines)


LEARNED_WORDS = {
    "fast_rate": "fresh food rots {} than usual",
    "slow_rate": "tough matter rots {} than usual",
    "fast_pool": "{} of it is quick food",
    "degradable": "{} of it can rot",
    "moisture": "the mix is {} than reckoned",
    "permeability_m2": "{} air goes through",
    "conductivity_w_m_k": "{} heat leaks out",
    "t_max_c": "its plateau is {}",
    "activity_start": "it starts {}",
    "growth_per_day": "its life grows {}",
    "floor_w_m2_k": "{} heat goes into the ground",
}
LEARNED_SIDES = {
    "fast_rate": ("slower", "faster"),
    "slow_rate": ("slower", "faster"),
    "moisture": ("drier", "wetter"),
    "t_max_c": ("cooler", "hotter"),
    "activity_start": ("more slowly", "more quickly"),
    "growth_per_day": ("more slowly", "faster"),
}
TOLD_FROM = 0.4
"""Standard scores from which what was learned is worth a word."""


def _taught(corrected: Assimilated) -> str:
    """Return the few largest things that the readings taught, in words."""
    learned = corrected.learned
    assert learned is not None
    order = np.argsort(-np.abs(learned.mean))
    words = []
    for i in order:
        name, mean = learned.names[int(i)], float(learned.mean[int(i)])
        if abs(mean) < TOLD_FROM or name not in LEARNED_WORDS:
            continue
        less, more = LEARNED_SIDES.get(name, ("less", "more"))
        words.append(LEARNED_WORDS[name].format(more if mean > 0 else less))
    return "; ".join(words[:3]) if words else "nothing unusual"
