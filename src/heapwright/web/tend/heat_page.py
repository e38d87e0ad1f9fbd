"""The heat of a lot over time: chart, table, and the same figures to take away."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import groupby
from typing import Any, Final

from django.http import HttpResponse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.data.pile import heat_alarms
from heapwright.science.sanitation import Proof
from heapwright.web.charts.layers import Act
from heapwright.web.charts.temperature import Forecast, Reading, Threshold, temperature_history
from heapwright.web.measures import MEASURES, figure
from heapwright.web.tables import Column, Row, csv_file, table
from heapwright.web.tend import plan
from heapwright.web.tend.outlook import acts_of, band_of, hot_c
from heapwright.web.tend.rooms import say_in
from heapwright.yard.forecast import Outlook
from heapwright.yard.models import DailySummary, Kind, Lot, Site
from heapwright.yard.models.readings import NO_DEPTH_CM

_POINTS_DRAWN: Final = 240
_ROWS_APART: Final = 60
CHART_WORDS: Final = {
    Kind.BUILD: "built",
    Kind.TURN: "turned",
    Kind.WATER: "wetted",
    Kind.ADD: "added",
    Kind.COMBINE: "combined",
    Kind.MOVE: "moved",
}


def heat(
    lot: Lot,
    begun: datetime | None,
    acts_done: Sequence[tuple[str, datetime]],
    summaries: Sequence[DailySummary],
    proof: Proof | None,
    system: str,
    site: Site,
    outlook: Outlook | None = None,
    now: datetime | None = None,
) -> dict[str, Any]:
    """Return the chart in two widths and its table; days count from when the lot was made.

    With an ``outlook`` the foreseen band, the turnings planned and ``now`` are in it too.
    """
    if not summaries and outlook is None:
        return {"history": None}
    if begun is None and summaries:
        begun = datetime.fromtimestamp(summaries[0].first_s, site.tz)
    if outlook is not None:
        begun = outlook.built
    assert begun is not None
    begun = begun.astimezone(site.tz)
    unit = plan.temp_unit(system)
    readings, by_day = _readings(summaries, site)
    limit_c = proof.rule.min_temp_c if proof else None
    warm = next(one for one in heat_alarms() if one.id == "warm")
    thresholds = [Threshold(warm.temp_c, _("too hot"))]
    if limit_c:
        thresholds.append(Threshold(limit_c, _("rule")))
    elif outlook is not None:
        thresholds.append(Threshold(hot_c(), _("hot")))
    last = max([one.time for one in readings[-1:]], default=begun)
    foreseen: list[Forecast] = []
    to_come: list[Act] = []
    if outlook is not None:
        foreseen = band_of(outlook)
        last = max(last, foreseen[-1].time)
        to_come = acts_of(outlook, now or last, site)
    drawn: dict[str, Any] = {
        "title": _("Temperatures of %(lot)s") % {"lot": lot.code},
        "built": begun,
        "acts": [
            Act(when.astimezone(site.tz), CHART_WORDS[Kind(kind)])
            for kind, when in acts_done
            if when <= last
        ]
        + to_come,
        "forecast": foreseen,
        "thresholds": thresholds,
        "temp_unit": unit,
    }
    notes = []
    if readings:
        notes.append(
            _("Dots: the mean of each point on a day.")
            if by_day
            else _("Dots: each point as it was read; line: the mean of a round.")
        )
    if outlook is not None:
        notes.append(
            _(
                "Band: the core as modelled, 90 of 100 runs; dashed: their middle. A model "
                "proves nothing."
            )
        )
    if proof:
        notes.append(
            _("Rule: %(limit)s of %(rule)s.")
            % {"limit": say_in(system)(proof.rule.min_temp_c, "temp"), "rule": proof.rule.id}
        )
    return {
        "history": temperature_history(
            readings, uid="heat-l", width_px=760, height_px=300, **drawn
        ),
        "history_small": temperature_history(readings, uid="heat-s", height_px=230, **drawn),
        "history_note": " ".join(notes),
        "history_table": _heat_table(lot, summaries, system) if summaries else None,
    }


def _readings(summaries: Sequence[DailySummary], site: Site) -> tuple[list[Reading], bool]:
    """Return what is drawn, and whether any dot is the mean of several readings.

    The summaries of a day serve, so that no logger's readings are scanned; where they are very
    many, the mean of all points of a day is drawn.
    """
    several = any(one.count > 1 for one in summaries)
    if len(summaries) <= _POINTS_DRAWN:
        names = {name: number for number, name in enumerate(dict.fromkeys(_names(summaries)), 1)}
        dots = [
            Reading(
                datetime.fromtimestamp(one.last_s, site.tz),
                int(one.point) if one.point.isdecimal() else names[one.point],
                one.mean_c,
            )
            for one in summaries
        ]
        return sorted(dots, key=lambda dot: dot.time), several
    days: dict[Any, list[DailySummary]] = {}
    for one in summaries:
        days.setdefault(one.day, []).append(one)
    return [
        Reading(
            datetime.fromtimestamp(max(one.last_s for one in rows), site.tz),
            1,
            sum(one.sum_c for one in rows) / sum(one.count for one in rows),
        )
        for rows in days.values()
    ], True


def _names(summaries: Sequence[DailySummary]) -> list[str]:
    return [one.point for one in summaries]


def _heat_table(lot: Lot, summaries: Sequence[DailySummary], system: str) -> dict[str, Any]:
    """Return each point of each day, or where they are very many all points of a day as one."""
    unit, depth = MEASURES["temp"][system].sign, MEASURES["depth"][system].sign
    temps = [
        Column(_("Lowest"), unit=unit, number=True),
        Column(_("Highest"), unit=unit, number=True),
        Column(_("Readings"), number=True),
    ]
    columns = [
        Column(_("Day"), short=True),
        Column(_("Point"), number=True),
        Column(_("Depth"), unit=depth, number=True),
        *temps,
    ]
    rows = [
        (
            date_format(one.day, "j M Y"),
            one.point or "–",
            "–" if one.depth_cm == NO_DEPTH_CM else figure(one.depth_cm, "depth", system),
            *_lowest_highest([one], system),
        )
        for one in reversed(summaries)
        if len(summaries) <= _ROWS_APART
    ]
    note = ngettext("%(count)d row", "%(count)d rows", len(rows)) % {"count": len(rows)}
    if not rows:
        columns = [columns[0], Column(_("Points"), number=True), *temps]
        rows = [
            (date_format(day, "j M Y"), str(len(those)), *_lowest_highest(those, system))
            for day, those in (
                (day, list(those))
                for day, those in groupby(reversed(summaries), key=lambda one: one.day)
            )
        ]
        note = _("All points of a day as one; the file has each.")
    return table(
        "temperatures",
        _("Temperatures of %(lot)s, day by day") % {"lot": lot.code},
        columns,
        [Row(cells) for cells in rows],
        download_href="?format=csv",
        note=note,
    )


def _lowest_highest(of: Sequence[DailySummary], system: str) -> tuple[str, str, str]:
    return (
        figure(min(one.min_c for one in of), "temp", system),
        figure(max(one.max_c for one in of), "temp", system),
        str(sum(one.count for one in of)),
    )


def heat_csv(lot: Lot, summaries: Sequence[DailySummary]) -> HttpResponse:
    """Return the daily summaries as a file, in SI."""
    head = ("day", "point", "depth_cm", "lowest_c", "highest_c", "mean_c", "readings")
    rows = [
        (
            one.day.isoformat(),
            one.point,
            "" if one.depth_cm == NO_DEPTH_CM else round(one.depth_cm, 2),
            round(one.min_c, 3),
            round(one.max_c, 3),
            round(one.mean_c, 3),
            one.count,
        )
        for one in summaries
    ]
    return csv_file(f"temperatures-{lot.code}", head, rows)
