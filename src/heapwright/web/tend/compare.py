"""Doing it against leaving it: each decision of a heap with its curves, figures and working."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_safe

from heapwright.data import sources
from heapwright.data.decisions import DecisionFigure, decision_figures
from heapwright.web.charts.engine import Chart
from heapwright.web.charts.layers import Limit
from heapwright.web.charts.levels import Level, two_ways
from heapwright.web.measures import MEASURES, NBSP, figure, with_unit
from heapwright.web.tables import Column, csv_file, csv_href, table, wants_csv
from heapwright.web.tend.outlook import hot_c, state_in_words
from heapwright.web.tend.rooms import code_words, say_in, site_clock, system_of
from heapwright.web.tend.tasks import anchor
from heapwright.yard import forecast, state, today
from heapwright.yard.forecast import Known, Outlook
from heapwright.yard.models import Lot, Site
from heapwright.yard.today import Sight, Task
from heapwright.yard.today.ahead import per_hundred, told_alone

if TYPE_CHECKING:
    from heapwright.science.decide_asked import Decision
    from heapwright.science.decide_ways import Compared, Spread, Way

TITLES: Final = {
    "fire": gettext_lazy("Turn and wet it, or leave it"),
    "cure": gettext_lazy("Turn it once more, or let it cure"),
    "wet": gettext_lazy("Wet it, or leave it"),
    "add": gettext_lazy("Turn dry material in, or leave it"),
    "cover": gettext_lazy("Cover it, or leave it open"),
    "combine": gettext_lazy("Put two together, or leave them"),
    "build up": gettext_lazy("Build it higher, or leave it"),
    "turn": gettext_lazy("Turn it today, or leave it"),
    "insulate": gettext_lazy("Wrap it up, or leave it"),
}
LATER: Final = gettext_lazy("Turn it today, or wait")
DONE: Final = {
    "fire": gettext_lazy("wetted"),
    "cure": gettext_lazy("turned"),
    "wet": gettext_lazy("wetted"),
    "add": gettext_lazy("turned in"),
    "cover": gettext_lazy("covered"),
    "combine": gettext_lazy("together"),
    "build up": gettext_lazy("higher"),
    "turn": gettext_lazy("today"),
    "insulate": gettext_lazy("wrapped"),
}
_MEASURED: Final = {
    "°C": "warmth", "kg": "mass", "L": "liquid", "m3": "volume", "mm": "rain"
}  # fmt: skip
"""What the unit of a threshold measures; its temperatures are differences."""

MOIST: Final = ("wet", "add", "cover", "fire")
"""Decisions that are about water too: they have a second chart."""


@require_safe
@site_clock
def page(request: HttpRequest, code: str) -> HttpResponse:
    """Show each decision of a heap: doing it and leaving it, side by side."""
    lot = get_object_or_404(Lot, code=code)
    site, now, system = Site.load(), timezone.now(), system_of(request)
    standing = state.lot_state(code)
    known = forecast.look([standing], now=now, site=site).get(lot.id) if standing else None
    outlook = known.outlook if known is not None else None
    decisions = outlook.decisions if outlook is not None else ()
    if wants_csv(request):
        return _csv(lot, outlook, decisions, site)
    sight = today.look(now, lot_ids=[lot.id], foresee=False)
    if known is not None:
        sight = today.with_advice(sight, {lot.id: known.advised})
    told = {} if outlook is None else _tasks(sight, decisions, system)
    return render(
        request,
        "heapwright/tend/compare.html",
        {
            "lot": lot,
            "heading": format_html(_("{}: doing and leaving"), code_words(code)),
            "outlook": {"pending": known is not None and not known.advised.fresh},
            "state": _state(known, now, site) if known is not None else "",
            "why_not": known.untold.said() if known is not None and known.untold else "",
            "sections": [
                _section(one, told.get(one.kind), outlook, system, site) for one in decisions
            ]
            if outlook is not None
            else [],
            "fire": any(one.kind == "fire" for one in decisions),
            "pile_href": reverse("pile", args=[code]),
            "download_href": csv_href(request) if decisions else "",
        },
    )


def _state(known: Known, now: datetime, site: Site) -> str:
    """Return how old the answer is, and whether what it advises is being worked out again."""
    said = state_in_words(known, now, site)
    if known.fresh and not known.advice_fresh:
        said += " " + _(
            "The stock or another heap has changed since, and what to do is being worked out "
            "again: load the page again to see it."
        )
    return said


def _tasks(sight: Sight, decisions: Sequence[Decision], system: str) -> dict[str, Task]:
    """Return each decision in words, by its kind."""
    heap = next(iter(sight.heaps), None)
    if heap is None:
        return {}
    say = say_in(system)
    return {one.kind: told_alone(sight, say, heap, one) for one in decisions}


def _section(
    one: Decision, task: Task | None, outlook: Outlook, system: str, site: Site
) -> dict[str, Any]:
    words, name = _words(one), anchor(one.kind)
    return {
        "anchor": name,
        "title": _title(one),
        "said": [] if task is None else [task.title, f"{task.how_much} {task.why}".strip()],
        "left": task.left if task is not None else "",
        "charts": _charts(one, words, outlook, system, site),
        "figures": _figures(one, name, words, system),
        "days": _days(one, name, words, outlook, system, site),
        "working": _working(one, outlook, system),
    }


def _title(one: Decision) -> str:
    return str(LATER if one.ways[0].name == "later" else TITLES[one.kind])


# Curves


def charts_of(outlook: Outlook, system: str, site: Site) -> None:
    """Draw every chart of the page, so that they are kept when it is looked at."""
    for one in outlook.decisions:
        _charts(one, _words(one), outlook, system, site)


def _words(one: Decision) -> tuple[str, str]:
    """Return what the two ways of a decision are called."""
    return (
        _("later") if one.ways[0].name == "later" else _("left"),
        str(DONE[one.kind]),
    )


def _charts(
    one: Decision, words: tuple[str, str], outlook: Outlook, system: str, site: Site
) -> list[dict[str, Any]]:
    """Return the charts in two widths: the core, and the water where it is about that."""
    found = []
    for name in ("core", "moisture") if one.kind in MOIST else ("core",):
        narrow, wide = (
            _drawn(one, name, words, outlook, system, site, uid, width)
            for uid, width in (("s", 328), ("l", 760))
        )
        caption = (
            _("Core of %(lot)s. Line and band: %(done)s, 90 of 100 runs; dashes: %(left)s.")
            if name == "core"
            else _("Water, %% of its weight. Line and band: %(done)s; dashes: %(left)s.")
        ) % {"lot": outlook.lot, "left": words[0], "done": words[1]}
        found.append({"narrow": narrow, "wide": wide, "caption": caption})
    return found


def _drawn(
    one: Decision,
    name: str,
    words: tuple[str, str],
    outlook: Outlook,
    system: str,
    site: Site,
    uid: str,
    width_px: int,
) -> Chart:
    warm = name == "core"
    unit = MEASURES["temp"][system]

    def shown(value: float) -> float:
        return unit.from_si(value) if warm else value

    def levels(way: Way) -> list[Level]:
        band = way.core_c if warm else way.moisture_pct
        return [
            Level(
                outlook.moment(hour).astimezone(site.tz),
                *(shown(float(getattr(band, level)[i])) for level in ("p5", "p50", "p95")),
            )
            for i, hour in enumerate(way.hours)
        ]

    left, done = (levels(way) for way in one.ways)
    limit = Limit(shown(hot_c()), with_unit(hot_c(), "temp", system))
    title = _("Core of %(lot)s: %(what)s") if warm else _("Water of %(lot)s: %(what)s")
    return two_ways(
        left,
        done,
        words=words,
        uid=f"{anchor(one.kind)}-{name}-{uid}",
        title=title % {"lot": outlook.lot, "what": _title(one)},
        unit=unit.sign if warm else "%",
        built=outlook.built.astimezone(site.tz),
        limits=(limit,) if warm else (),
        lowest=shown(0.0) if warm else 20.0,
        highest=shown(70.0) if warm else 80.0,
        width_px=width_px,
    )


# Figures


_NAMES: Final = {
    "core_c": (gettext_lazy("Mean core of {days} days"), "temp", "warmth"),
    "peak_c": (gettext_lazy("Hottest core in {days} days"), "temp", "warmth"),
    "hot_days": (gettext_lazy("Days at {hot} or more, of {days}"), "", ""),
    "oxygen_pct": (gettext_lazy("Least oxygen in {days} days, %"), "", ""),
    "moisture_pct": (gettext_lazy("Water in {days} days, %"), "", ""),
    "leachate_l": (gettext_lazy("Leachate in {days} days"), "liquid", "liquid"),
}
_CHANCES: Final = {
    "heats": gettext_lazy("Reaches {hot}, of 100 runs"),
    "too hot": gettext_lazy("Passes the limit of heat, of 100 runs"),
    "back": gettext_lazy("At {hot} within two days, of 100 runs"),
    "proven": gettext_lazy("Rule met by {day}, of 100 runs"),
}


def _figures(one: Decision, name: str, words: tuple[str, str], system: str) -> dict[str, Any]:
    hot = with_unit(hot_c(), "temp", system)
    rows = [_row(each, hot, system) for each in one.compared]
    for chance in one.chances:
        day = date_format(_day(chance.day), "j F")
        label = str(_CHANCES[chance.of]).format(hot=hot, day=day)
        apart = 100.0 * (chance.done - chance.left)
        rows.append(
            (label, per_hundred(chance.left), per_hundred(chance.done), _signed(f"{apart:.0f}"), "")
        )
    return table(
        f"{name}-figures",
        _("In figures"),
        (
            Column(_("What")),
            Column(words[0], number=True),
            Column(words[1], number=True),
            Column(_("difference"), number=True),
            Column(_("greater in, of 100 runs"), number=True),
        ),
        rows,
        note=_("Medians, in brackets what is likely: 90 of 100 runs, each compared with itself."),
    )


def _day(days: int) -> date:
    return timezone.localdate() + timedelta(days=days)


def _row(one: Compared, hot: str, system: str) -> tuple[str, ...]:
    label, level, step = _NAMES[one.figure]
    digits = 1 if one.figure == "hot_days" else 0  # a share of the heap's water is known no finer
    return (
        str(label).format(days=f"{one.days:.0f}", hot=hot),
        _spread(one.left, level, system, digits=digits),
        _spread(one.done, level, system, digits=digits),
        _spread(one.gain, step, system, signed=True, digits=digits),
        per_hundred(one.better),
    )


def _spread(
    spread: Spread, measure: str, system: str, *, signed: bool = False, digits: int = 0
) -> str:
    def shown(value: float) -> str:
        text = (
            figure(value, measure, system) if measure else f"{value:.{digits}f}".removesuffix(".0")
        )
        return _signed(text) if signed else text

    unit = f"{NBSP}{MEASURES[measure][system].sign}" if measure else ""
    return f"{shown(spread.middle)}{unit} ({shown(spread.low)} to {shown(spread.high)})"


def _signed(text: str) -> str:
    if not any(digit in text for digit in "123456789"):
        return text.lstrip("-")
    return text.replace("-", "\u2212") if text.startswith("-") else f"+{text}"


def _days(
    one: Decision, name: str, words: tuple[str, str], outlook: Outlook, system: str, site: Site
) -> dict[str, Any]:
    """Return the curves day by day: the core and the water, and the chance of proof."""
    left, done = one.ways
    degree = MEASURES["temp"][system].sign
    proven = bool(left.met_by and done.met_by)
    columns = [Column(_("Day"), short=True)]
    for word in words:
        columns.append(Column(_("Core, %(way)s") % {"way": word}, unit=degree, number=True))
    for word in words:
        columns.append(Column(_("Water, %(way)s") % {"way": word}, unit="%", number=True))
    if proven:
        for word in words:
            columns.append(Column(_("Proof, %(way)s") % {"way": word}, unit="/100", number=True))
    rows = []
    first = outlook.now.astimezone(site.tz).date()
    for index, when in _noons(done, outlook, site):
        row = [date_format(when, "D j M")]
        row += [figure(float(way.core_c.p50[index]), "temp", system) for way in (left, done)]
        row += [f"{float(way.moisture_pct.p50[index]):.0f}" for way in (left, done)]
        if proven:
            day = (when - first).days
            row += [
                per_hundred(way.met_by[day]) if day < len(way.met_by) else ""
                for way in (left, done)
            ]
        rows.append(row)
    return table(f"{name}-days", _("Day by day, medians at noon"), columns, rows)


def _noons(way: Way, outlook: Outlook, site: Site) -> list[tuple[int, date]]:
    """Return of each day the output nearest to noon."""
    best: dict[date, tuple[float, int]] = {}
    for index, hour in enumerate(way.hours):
        when: datetime = outlook.moment(hour).astimezone(site.tz)
        off = abs(when.hour + when.minute / 60.0 - 12.0)
        if when.date() not in best or off < best[when.date()][0]:
            best[when.date()] = off, index
    return [(index, day) for day, (_off, index) in best.items()]


def _working(one: Decision, outlook: Outlook, system: str) -> dict[str, Any]:
    """Return how it was worked out, with each threshold and its source."""
    say, known = say_in(system), sources()
    inputs = [
        {
            "name": _("runs of the forecast, the same both ways"),
            "value": str(outlook.forecast.members),
            "unit": "",
            "origin": _("readings used: %(count)d") % {"count": outlook.used},
        },
        {
            "name": _("borne out by"),
            "value": per_hundred(one.sure),
            "unit": _("of 100"),
            "origin": _("worked out here"),
        },
    ]
    amount = one.amount
    for name, value, measure in (
        (_("water to pour"), amount.litres, "liquid"),
        (_("material"), amount.mass_kg, "mass"),
        (_("volume"), amount.volume_m3, "volume"),
        (_("rain to come"), one.rain_mm, "rain"),
    ):
        if value:
            shown, sign = say(value, measure).split(NBSP)
            inputs.append(
                {"name": name, "value": shown, "unit": sign, "origin": _("worked out here")}
            )
    for name in one.rests_on:
        fact = decision_figures()[name]
        inputs.append(
            {
                "name": fact.note.replace(" m3", f"{NBSP}m³"),
                **threshold(fact, absolute=name == "cold_c", system=system),
                "origin": f"{'; '.join(known[one].in_short for one in fact.sources)} ({fact.mark})",
            }
        )
    return {
        "formula": _(
            "difference = done − left, run by run: each run of the forecast, corrected by the "
            "readings, goes on both ways with the same figures and the same weather"
        ),
        "inputs": inputs,
        "source": "",
    }


def threshold(fact: DecisionFigure, *, absolute: bool, system: str) -> dict[str, str]:
    """Return value and unit of a threshold as the person reads them."""
    if fact.unit == "d":
        days = ngettext("day", "days", round(fact.value))
        return {"value": f"{fact.value:g}", "unit": days}
    measure = "temp" if absolute else _MEASURED.get(fact.unit, "")
    if measure:
        unit = MEASURES[measure][system]
        return {"value": f"{unit.from_si(fact.value):.3g}", "unit": unit.sign}
    return {"value": f"{fact.value:g}", "unit": "" if fact.unit == "1" else fact.unit}


def _csv(
    lot: Lot, outlook: Outlook | None, decisions: Sequence[Decision], site: Site
) -> HttpResponse:
    head = ["decision", "way", "time"]
    head += [
        f"{name}_{level}"
        for name in ("core_temp_c", "water_pct", "oxygen_pct")
        for level in ("p5", "p50", "p95")
    ]
    rows: list[list[Any]] = []
    for one in decisions:
        assert outlook is not None
        for way in one.ways:
            for index, hour in enumerate(way.hours):
                when = outlook.moment(hour).astimezone(site.tz)
                bands = (way.core_c, way.moisture_pct, way.oxygen_pct)
                rows.append(
                    [
                        one.kind,
                        way.name,
                        when.isoformat(timespec="minutes"),
                        *(
                            round(float(getattr(band, level)[index]), 3)
                            for band in bands
                            for level in ("p5", "p50", "p95")
                        ),
                    ]
                )
    return csv_file(f"doing-and-leaving-{lot.code}", head, rows)
