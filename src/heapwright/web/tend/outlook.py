"""What a heap will do, on its page: the heat inside, the coming weeks, and why it thinks so."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from heapwright.data import sources
from heapwright.data.outlook import outlook_figure
from heapwright.data.pile import pile_parameters
from heapwright.science.heap_shape import geometry
from heapwright.science.ingredients import Ingredient
from heapwright.web.charts.layers import Act, Limit
from heapwright.web.charts.levels import Level, level_history
from heapwright.web.charts.temperature import Forecast as Foreseen
from heapwright.web.drawing.heap import HeatZone
from heapwright.web.measures import MEASURES, NBSP, figure, with_unit
from heapwright.web.tables import Column, Row, csv_file, table
from heapwright.web.tend.rooms import way
from heapwright.yard.forecast import Known, Outlook
from heapwright.yard.models import Lot, Origin, Site

if TYPE_CHECKING:
    from heapwright.science.pile_forecast import Band, Forecast

KJ_PER_KWH: Final = 3600.0
EVERY_H: Final = 12.0
"""A chart shows the band at every so many hours: finer, it cannot be seen."""

SMALL_BIN: Final = gettext_lazy(
    "So small a heap turns warm or hot by little things that the model does not know: trust its "
    "readings, not the forecast."
)
LOOK_AHEAD_DAYS: Final = (1, 3, 7)
OXYGEN_LOW_PCT: Final = 5.0
_MILLIONTH: Final = 1e-6
_CELSIUS: Final = re.compile(r"(-?\d+(?:\.\d+)?)\s*°C")
_ORIGINS: Final = {
    "measured": gettext_lazy("measured here"),
    "published": gettext_lazy("published"),
    "derived": gettext_lazy("worked out from others"),
    "assumed": gettext_lazy("assumed from its kind"),
}


def foreseen(
    lot: Lot, known: Known | None, now: datetime, system: str, site: Site
) -> dict[str, Any]:
    """Return what the page says of the coming weeks; nothing for a lot that is no heap."""
    if known is None:
        return {"outlook": None}
    told: dict[str, Any] = {
        "pending": known.pending,
        "state": state_in_words(known, now, site),
        "why_not": known.untold.said() if known.untold is not None else "",
        "shown": known.outlook is not None,
    }
    outlook = known.outlook
    if outlook is None:
        return {"outlook": told}
    return {
        "outlook": told
        | {
            "figures": _figures(outlook, now, system, site),
            "sentences": _sentences(outlook, now, system, site),
            "days": _days(lot, outlook, now, system, site),
            "balance": _balance(outlook),
            "water_balance": _water_balance(outlook, system),
            "span": _span(outlook, site),
            "inputs": _inputs(outlook, system),
            "assumed": [_in_units(one.said(), system) for one in outlook.told.assumed],
            "weather": _weather(outlook),
            "readings": f"{_readings(outlook)} {_past(outlook)}",
            "set_aside": _set_aside(outlook, system, site),
            "sources": _sources(),
            "facts_href": way("fact-table", "pile"),
            "weather_href": way("weather"),
            **charts_of(outlook, now, site),
        }
    }


def state_in_words(known: Known, now: datetime, site: Site) -> str:
    """Return how old the answer is, and whether a newer one is to come."""
    seconds = max(round(known.usual_s), 1)
    usually = ngettext("usually %(count)d second", "usually %(count)d seconds", seconds) % {
        "count": seconds
    }
    if known.untold is not None and known.fresh:
        return ""
    if known.made_at is None:
        return _("It is being computed, %(usually)s. Load the page again to see it.") % {
            "usually": usually
        }
    when = _clock(known.made_at, now, site)
    if known.fresh:
        return _("Worked out %(when)s.") % {"when": when}
    return _(
        "Worked out %(when)s; something has changed since. A newer answer is being computed, "
        "%(usually)s: load the page again to see it."
    ) % {"when": when, "usually": usually}


def _clock(when: datetime, now: datetime, site: Site) -> str:
    local = when.astimezone(site.tz)
    if local.date() == now.astimezone(site.tz).date():
        return _("today %(time)s") % {"time": f"{local:%H:%M}"}
    return date_format(local, "j M Y H:i")


def _at(band: Band, index: int) -> tuple[float, float, float]:
    return float(band.p5[index]), float(band.p50[index]), float(band.p95[index])


def hot_c() -> float:
    """Return the temperature from which the model counts a core as hot."""
    from heapwright.science.pile import HOT_C

    return HOT_C


# The heat inside


def zones(outlook: Outlook, now: datetime) -> tuple[HeatZone, ...]:
    """Return the modelled zones of a heap now, from the outside in, as the drawing takes them."""
    index = outlook.at(now)
    shape = outlook.told.shape_at(outlook.told.hour(now))
    boxed = shape.shape in ("bay", "vessel")
    shell_m = pile_parameters()["shell_box_m" if boxed else "shell_free_m"].typical
    core = geometry(shape, shell_m).core_share
    found = outlook.forecast
    return (
        HeatZone(_("outer zone"), float(found.shell_temp_c.p50[index]), 1.0 - core),
        HeatZone(_("core"), float(found.core_temp_c.p50[index]), core),
    )


# In figures and sentences


def _figures(outlook: Outlook, now: datetime, system: str, site: Site) -> list[dict[str, str]]:
    """Return the core now and in some days, with its spread; water, and the least oxygen."""
    found, degree = outlook.forecast, MEASURES["temp"][system].sign
    shown = []
    for days in (0, *LOOK_AHEAD_DAYS):
        when = now + timedelta(days=days)
        low, middle, high = _at(found.core_temp_c, outlook.at(when))
        label = (
            _("Core now")
            if days == 0
            else _("Core on %(day)s") % {"day": date_format(when.astimezone(site.tz), "D j M")}
        )
        shown.append(
            {
                "label": label,
                "value": figure(middle, "temp", system),
                "unit": degree,
                "low": figure(low, "temp", system),
                "high": figure(high, "temp", system),
            }
        )
    low, middle, high = _at(found.moisture_pct, outlook.at(now))
    shown.append(_percent(_("Water now"), low, middle, high))
    span = slice(outlook.at(now), outlook.at(now + timedelta(days=7)) + 1)
    lowest = int(found.oxygen_pct.p50[span].argmin()) + span.start
    low, middle, high = _at(found.oxygen_pct, lowest)
    shown.append(_percent(_("Least oxygen this week"), low, middle, high))
    return shown


def _percent(label: str, low: float, middle: float, high: float) -> dict[str, str]:
    return {
        "label": label,
        "value": f"{middle:.0f}",
        "unit": "%",
        "low": f"{low:.0f}",
        "high": f"{high:.0f}",
    }


def _sentences(outlook: Outlook, now: datetime, system: str, site: Site) -> list[str]:
    """Return what matters of the coming weeks, as a colleague would say it."""
    found, limit_c = outlook.forecast, hot_c()
    limit = with_unit(limit_c, "temp", system)
    index = outlook.at(now)
    ahead = found.core_temp_c.p50[index:]
    said = []
    hot = ahead >= limit_c
    if hot[0]:
        cold = (~hot).nonzero()[0]
        said.append(
            _("The core likely stays at %(limit)s or more until %(day)s.")
            % {"limit": limit, "day": _day(outlook, index + int(cold[0]), site)}
            if len(cold)
            else _("The core likely stays at %(limit)s or more over all of this time.")
            % {"limit": limit}
        )
    elif hot.any():
        said.append(
            _("The core likely reaches %(limit)s on %(day)s.")
            % {"limit": limit, "day": _day(outlook, index + int(hot.argmax()), site)}
        )
    elif (found.core_temp_c.p95[index:] >= limit_c).any():
        said.append(_("The core may reach %(limit)s, but likely does not.") % {"limit": limit})
    else:
        said.append(_("The core does not reach %(limit)s in this time.") % {"limit": limit})
    if outlook.turns:
        said.append(
            _("Reckoned with turnings on %(days)s, as the rule asks.")
            % {
                "days": ", ".join(
                    date_format(when.astimezone(site.tz), "D j M") for when in outlook.turns
                )
            }
        )
    if small(found):
        said.append(SMALL_BIN)
    return said


def small(found: Forecast) -> bool:
    """Return whether a heap is, as built, too small to be foreseen well."""
    return float(found.volume_m3.p50[0]) < outlook_figure("small_bin_m3").value


def _day(outlook: Outlook, index: int, site: Site) -> str:
    when = outlook.moment(outlook.forecast.hours[index]).astimezone(site.tz)
    return str(date_format(when, "l j F"))


# Charts and their tables


def band_of(outlook: Outlook) -> list[Foreseen]:
    """Return the foreseen core temperature as the chart of the readings takes it."""
    found = outlook.forecast
    return [
        Foreseen(
            outlook.moment(found.hours[index]),
            *(float(getattr(found.core_temp_c, level)[index]) for level in ("p5", "p50", "p95")),
        )
        for index in _thinned(found.hours)
    ]


def _thinned(hours: Any) -> list[int]:
    step = max(round(EVERY_H / float(hours[1] - hours[0])), 1) if len(hours) > 1 else 1
    chosen = list(range(0, len(hours), step))
    return chosen if chosen[-1] == len(hours) - 1 else [*chosen, len(hours) - 1]


def acts_of(outlook: Outlook, now: datetime, site: Site) -> list[Act]:
    """Return when it was foreseen and the turnings to come.

    So a chart stays the same until the answer changes. Of an answer of an earlier day, which
    stands until a newer one is there, it is not said that this is now.
    """
    made = outlook.now.astimezone(site.tz)
    today = made.date() == now.astimezone(site.tz).date()
    found = [Act(made, _("now") if today else _("worked out"))]
    found += [Act(when.astimezone(site.tz), _("turn")) for when in outlook.turns]
    return found


def charts_of(outlook: Outlook, now: datetime, site: Site) -> dict[str, Any]:
    """Return the charts of water and oxygen in two widths."""
    found, tz = outlook.forecast, site.tz
    drawn: dict[str, Any] = {}
    for name, band, title, limits, highest in (
        ("water", found.moisture_pct, _("Water of %(lot)s"), (), 80.0),
        (
            "oxygen",
            found.oxygen_pct,
            _("Oxygen in the core of %(lot)s"),
            (Limit(OXYGEN_LOW_PCT, _("too little")),),
            21.0,
        ),
    ):
        levels = [
            Level(
                outlook.moment(found.hours[index]).astimezone(tz),
                *(float(getattr(band, level)[index]) for level in ("p5", "p50", "p95")),
            )
            for index in _thinned(found.hours)
        ]
        common: dict[str, Any] = {
            "title": title % {"lot": outlook.lot},
            "unit": "%",
            "built": outlook.built.astimezone(tz),
            "acts": _done(outlook, tz) + acts_of(outlook, now, site),
            "limits": limits,
            "lowest": 0.0 if name == "oxygen" else 20.0,
            "highest": highest,
        }
        drawn[name] = level_history(levels, uid=f"{name}-l", width_px=760, **common)
        drawn[f"{name}_small"] = level_history(levels, uid=f"{name}-s", **common)
    return drawn


def _done(outlook: Outlook, tz: ZoneInfo) -> list[Act]:
    """Return what was done to a heap that matters to its water."""
    words = {
        "wetted": _("wetted"),
        "added": _("added"),
        "covered": _("covered"),
        "uncovered": _("uncovered"),
    }
    seen: dict[tuple[int, str], Act] = {}
    for act in outlook.told.plan.acts:
        if act.name in words:
            when = outlook.moment(act.day * 24.0).astimezone(tz)
            seen.setdefault((int(act.day), act.name), Act(when, words[act.name]))
    return list(seen.values())


def _days(lot: Lot, outlook: Outlook, now: datetime, system: str, site: Site) -> dict[str, Any]:
    """Return the coming days as a table: the middle of each day, oxygen its lowest."""
    found = outlook.forecast
    degree = MEASURES["temp"][system].sign
    columns = [
        Column(_("Day"), short=True),
        Column(_("Core"), unit=degree, number=True),
        Column(_("likely"), unit=degree, number=True),
        Column(_("Outer zone"), unit=degree, number=True),
        Column(_("Water"), unit="%", number=True),
        Column(_("Oxygen"), unit="%", number=True),
        Column(_("Volume"), unit=MEASURES["volume"][system].sign, number=True),
        Column(_("Planned")),
    ]
    rows = []
    for day, (middle, inside) in _by_day(outlook, now, site).items():
        low, core, high = _at(found.core_temp_c, middle)
        turns = any(when.astimezone(site.tz).date() == day for when in outlook.turns)
        rows.append(
            Row(
                (
                    date_format(day, "D j M"),
                    figure(core, "temp", system),
                    f"{figure(low, 'temp', system)}–{figure(high, 'temp', system)}",
                    figure(float(found.shell_temp_c.p50[middle]), "temp", system),
                    f"{float(found.moisture_pct.p50[middle]):.0f}",
                    f"{float(found.oxygen_pct.p50[inside].min()):.0f}",
                    figure(float(found.volume_m3.p50[middle]), "volume", system),
                    _("turn") if turns else "",
                )
            )
        )
    return table(
        "days",
        _("The coming days of %(lot)s as modelled, at noon") % {"lot": lot.code},
        columns,
        rows,
        download_href="?format=csv&of=forecast",
        note=_(
            "The likely range holds 90 of 100 runs. Oxygen: the lowest of the day. "
            "Volume: as modelled, sunk since it was laid."
        ),
    )


def _by_day(outlook: Outlook, now: datetime, site: Site) -> dict[date, tuple[int, list[int]]]:
    """Return of each coming day the output nearest to noon, and all outputs within."""
    inside: dict[date, list[int]] = {}
    noon: dict[date, tuple[float, int]] = {}
    until = now + timedelta(days=outlook_figure("ahead_days").value)
    for index in range(outlook.at(now), outlook.at(until) + 1):
        when = outlook.moment(outlook.forecast.hours[index]).astimezone(site.tz)
        inside.setdefault(when.date(), []).append(index)
        off = abs(when.hour + when.minute / 60.0 - 12.0)
        if when.date() not in noon or off < noon[when.date()][0]:
            noon[when.date()] = off, index
    return {day: (noon[day][1], indices) for day, indices in inside.items()}


def forecast_csv(lot: Lot, outlook: Outlook) -> HttpResponse:
    """Return all that is foreseen, from building on, as a file in SI units."""
    found = outlook.forecast
    bands = {
        "core_temp_c": found.core_temp_c,
        "outer_temp_c": found.shell_temp_c,
        "water_pct": found.moisture_pct,
        "oxygen_pct": found.oxygen_pct,
        "volume_m3": found.volume_m3,
        "dry_mass_kg": found.dry_mass_kg,
    }
    levels = ("p5", "p50", "p95")
    head = ("time", *(f"{name}_{level}" for name in bands for level in levels))
    rows = (
        (
            outlook.moment(hour).isoformat(timespec="minutes"),
            *(
                round(float(getattr(band, level)[index]), 3)
                for band in bands.values()
                for level in levels
            ),
        )
        for index, hour in enumerate(found.hours)
    )
    return csv_file(f"forecast-{lot.code}", head, rows)


# Why


def _span(outlook: Outlook, site: Site) -> str:
    first, last = (
        date_format(outlook.moment(hour).astimezone(site.tz), "j F Y")
        for hour in (outlook.forecast.hours[0], outlook.forecast.hours[-1])
    )
    return _("from %(first)s to %(last)s") % {"first": first, "last": last}


def _balance(outlook: Outlook) -> dict[str, Any]:
    """Return where the heat came from and went."""
    t = outlook.forecast.totals
    made = max(t["heat_made_kj"], 1e-9)
    gone = {
        _("lost through the sides and the top"): t["heat_to_walls_kj"],
        _("lost to the ground"): t["heat_to_ground_kj"],
        _("carried off by air and steam"): t["heat_to_air_kj"],
        _("used up in drying the surface"): t["heat_of_surface_evaporation_kj"],
        _("taken by rain and leachate"): t["heat_of_drainage_kj"] - t["heat_of_rain_kj"],
    }
    gone[_("kept in the heap, or lost in turnings")] = made - sum(gone.values())
    rows = [(_("made by decay"), whole(made / KJ_PER_KWH), "100")]
    rows += [(name, whole(kj / KJ_PER_KWH), whole(100.0 * kj / made)) for name, kj in gone.items()]
    return table(
        "balance",
        _("Where its heat comes from and goes"),
        (
            Column(_("Heat")),
            Column(_("Amount"), unit="kWh", number=True),
            Column(_("Share"), unit="%", number=True),
        ),
        rows,
        note=_("Medians of the runs. What comes in and what goes out agree to %(share)s.")
        % {"share": _agreement(outlook.forecast.balance.energy_residual)},
    )


def _agreement(residual: float) -> str:
    """Return how far the books of energy are off, as one says it."""
    if residual < _MILLIONTH:
        return _("a millionth")
    return f"{100.0 * residual:.2g}{NBSP}%"


def whole(value: float) -> str:
    """Return a figure as a whole number with a true minus sign, never a minus nought."""
    return f"{round(value)}".replace("-", "\u2212")


def _water_balance(outlook: Outlook, system: str) -> dict[str, Any]:
    """Return where its water comes from and goes."""
    t = outlook.forecast.totals
    found = outlook.forecast
    begin = float(found.wet_mass_kg.p50[0] - found.dry_mass_kg.p50[0])
    end = float(found.wet_mass_kg.p50[-1] - found.dry_mass_kg.p50[-1])
    rows = [
        (_("in it when built"), begin),
        (_("rain that ran in"), t["rain_kg"]),
        (_("carried off as steam"), -t["water_to_air_kg"]),
        (_("dried off the surface"), -t["water_from_surface_kg"]),
        (_("leached out"), -t["drained_kg"]),
        (_("left at the end"), end),
    ]
    return table(
        "water-balance",
        _("Where its water comes from and goes"),
        (
            Column(_("Water")),
            Column(_("Amount"), unit=MEASURES["liquid"][system].sign, number=True),
        ),
        [(name, whole(MEASURES["liquid"][system].from_si(kg))) for name, kg in rows],
        note=_("Besides, decay makes water, and what was poured on or added counts."),
    )


def _inputs(outlook: Outlook, system: str) -> dict[str, Any]:
    """Return what the heap is made of, as the model takes it, and where each figure is from."""
    told = outlook.told.plan
    parts = [*told.parts, *(part for act in told.acts for part in act.parts)]
    amounts: dict[str, float] = {}
    kinds: dict[str, Ingredient] = {}
    for part in parts:
        amounts[part.ingredient.id] = amounts.get(part.ingredient.id, 0.0) + part.mass_kg
        kinds[part.ingredient.id] = part.ingredient
    rows = []
    for name, mass_kg in amounts.items():
        one = kinds[name]
        mass = figure(mass_kg, "mass", system)
        if one.is_water:
            rows.append((_("water"), mass, "100", "", "", ""))
            continue
        rows.append(
            (
                one.name,
                mass,
                f"{one.moisture_pct.typical:.0f}",
                f"{one.cn.typical:.0f}",
                f"{one.degradability_pct_vs.typical:.0f}",
                _("water %(water)s, C:N %(cn)s, decay %(decay)s")
                % {
                    "water": _ORIGINS[one.moisture_pct.origin],
                    "cn": _ORIGINS[one.cn.origin],
                    "decay": _ORIGINS[one.degradability_pct_vs.origin],
                },
            )
        )
    return table(
        "inputs",
        _("What went in, as the model takes it"),
        (
            Column(_("Material")),
            Column(_("Mass"), unit=MEASURES["mass"][system].sign, number=True),
            Column(_("Water"), unit="%", number=True),
            Column(_("C:N"), number=True),
            Column(_("Can decay"), unit="%", number=True),
            Column(_("Where from")),
        ),
        rows,
        note=_("Can decay: of the volatile solids. Each figure is drawn over its range."),
    )


def _weather(outlook: Outlook) -> list[str]:
    """Return where the weather came from, as sentences."""
    said = []
    for words, shares in (
        (_("Weather until now: %(shares)s."), outlook.weather.past),
        (_("Weather from now on: %(shares)s."), outlook.weather.ahead),
    ):
        if shares:
            told = ", ".join(
                f"{100.0 * share:.0f}{NBSP}% {Origin(origin).label}" for origin, share in shares
            )
            said.append(words % {"shares": told})
    guessed = {Origin.TYPICAL, Origin.FORECAST}
    if any(origin in guessed for origin, _share in (*outlook.weather.past, *outlook.weather.ahead)):
        said.append(
            _(
                "Days that nobody measured differ from run to run about what is told of them, "
                "warmer or colder, wet or dry, as real days do."
            )
        )
    if outlook.weather.climate_assumed and any(
        origin == Origin.TYPICAL for origin, _share in outlook.weather.ahead
    ):
        said.append(
            _("Nobody chose the site's climate: %(climate)s is assumed.")
            % {"climate": outlook.weather.climate}
        )
    return said


def _in_units(sentence: str, system: str) -> str:
    """Return a sentence with its temperatures in the person's units."""
    return _CELSIUS.sub(lambda found: with_unit(float(found[1]), "temp", system), sentence)


def _readings(outlook: Outlook) -> str:
    """Return how many readings the forecast bends to."""
    if not outlook.used and not outlook.set_aside:
        return _("No reading yet: this is what such a heap does, not what this one did.")
    return ngettext(
        "The forecast bends to %(count)d reading of temperature, moisture or height.",
        "The forecast bends to %(count)d readings of temperature, moisture or height.",
        outlook.used,
    ) % {"count": outlook.used}


def _past(outlook: Outlook) -> str:
    """Return how many past piles set the starting guess."""
    if not outlook.piles:
        return _("No past pile of this site is known well enough to start from.")
    return ngettext(
        "It starts from what %(count)d past pile of this site did.",
        "It starts from what %(count)d past piles of this site did.",
        outlook.piles,
    ) % {"count": outlook.piles}


def _set_aside(outlook: Outlook, system: str, site: Site) -> list[str]:
    """Return the readings that were not used, each with what was expected and why."""
    said = []
    for one in outlook.set_aside:
        when = outlook.moment(one.seen.hour).astimezone(site.tz)
        temp_c = getattr(one.seen, "temp_c", None)
        measure = "temp" if temp_c is not None else "length"
        value = temp_c if temp_c is not None else getattr(one.seen, "height_m", None)
        if value is None:
            shown = f"{one.seen.moisture_pct:.0f}{NBSP}%"  # type: ignore[union-attr]
            expected = f"{one.expected:.0f}{NBSP}%"
        else:
            shown = with_unit(value, measure, system)
            expected = with_unit(one.expected, measure, system)
        point = getattr(one.seen, "point", "")
        said.append(
            _("%(when)s, %(what)s%(point)s: expected %(expected)s. %(why)s")
            % {
                "when": date_format(when, "j M H:i"),
                "what": shown,
                "point": _(" at point %(point)s") % {"point": point} if point else "",
                "expected": expected,
                "why": f"{one.why[:1].upper()}{one.why[1:]}.",
            }
        )
    return said


def _sources() -> str:
    """Return the publications that the model's parameters come from."""
    named = {name for fact in pile_parameters().values() for name in fact.sources}
    table_of = sources()
    cited = [table_of[name] for name in sorted(named) if table_of[name].author]
    return "; ".join(f"{one.author} {one.year}" if one.year else one.author for one in cited)
