"""The parts of a proof as they are shown: days, turnings, working, and the gauges beside it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, Final

from django.http import HttpResponse
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from heapwright.data.sanitation import federal_regimes, organisms, terms
from heapwright.people.models import Units
from heapwright.science.daily import Log
from heapwright.science.lethality import REFERENCE_C, Kill, federal_dose_of, kills
from heapwright.science.sanitation import Proof, Stated, current_period
from heapwright.web.drawing.proof_strip import ProofDay, State, proof_strip
from heapwright.web.drawing.svg import Drawing
from heapwright.web.prove.judged import Judged
from heapwright.web.prove.words import (
    cited,
    document,
    heat,
    limit_text,
    lowest_text,
    plain,
    whole_c,
)
from heapwright.web.tables import Column, csv_file, table

DAYS_DRAWN: Final = 63
"""At most so many days are drawn; the table has all."""

_TO_COME: Final = 28


def strip(proof: Proof, units: str, *, uid: str, width_px: float) -> Drawing | str:
    """Return the days of a proof as boxes; empty when there is no day."""
    days = _drawn(proof, units)
    if not days:
        return ""
    return proof_strip(
        proof.rule.id,
        days,
        uid=uid,
        width_px=width_px,
        temp_unit="F" if units == Units.US else "C",
    )


def _drawn(proof: Proof, units: str) -> list[ProofDay]:
    turned: dict[date, int] = {}
    for number, turn in enumerate((one for one in proof.turns if one.credited), start=1):
        turned[turn.at.date()] = number
    days = []
    for number, day in enumerate(proof.days, start=1):
        state: State = "counts" if day.counts else "does not count"
        if day.lowest_temp_c is None:
            state = "no reading"
        lowest = None if day.lowest_temp_c is None else whole_c(day.lowest_temp_c, units)
        days.append(ProofDay(number, day.date, state, lowest, turned.get(day.date)))
    last_read = max((at for at, day in enumerate(days) if day.state != "no reading"), default=-1)
    if proof.verdict in ("met", "not met"):
        days = days[: last_read + 1]
    end = proof.earliest_possible if proof.verdict != "met" else None
    if days and end is not None:
        last = days[-1]
        days += [
            ProofDay(last.number + step, last.day + timedelta(days=step), "to come")
            for step in range(1, min((end - last.day).days, _TO_COME) + 1)
        ]
    if proof.met_at is not None:
        # the days up to the proof, not the weeks of curing since
        counted = [at for at, day in enumerate(days) if day.day <= proof.met_at]
        return days[max(len(counted) - DAYS_DRAWN, 0) : len(counted)]
    return days[-DAYS_DRAWN:]


def day_table(proof: Proof, units: str, at: int, *, download_href: str) -> dict[str, Any]:
    """Return each day with its lowest reading, whether it counts, and why."""
    unit = "°F" if units == Units.US else "°C"
    return table(
        f"days-{at}",
        _("Day by day"),
        (
            Column(_("Day"), short=True),
            Column(_("Lowest"), unit=unit, number=True, may_lack=True),
            Column(_("Counts")),
            Column(_("Why")),
        ),
        [
            (
                date_format(day.date, "j M Y"),
                "–" if day.lowest_temp_c is None else heat(day.lowest_temp_c, units),
                _("yes") if day.counts else _("no"),
                plain(day.why, units),
            )
            for day in proof.days
        ],
        download_href=download_href,
        note=_("A day is the site's own calendar day; nothing is rounded up."),
    )


def turn_table(proof: Proof, units: str, at: int) -> dict[str, Any] | None:
    """Return each turning, whether the rule lets it count, and why; None without any."""
    if not proof.turns:
        return None
    return table(
        f"turns-{at}",
        _("Turnings"),
        (Column(_("When"), short=True), Column(_("Counts")), Column(_("Why"))),
        [
            (
                date_format(turn.at, "j M Y, H:i"),
                _("yes") if turn.credited else _("no"),
                plain(turn.why, units),
            )
            for turn in proof.turns
        ],
    )


def days_csv(code: str, judged: Judged) -> HttpResponse:
    """Return the days of a proof as a file."""
    return csv_file(
        f"proof-{code}-{judged.rule.id}",
        ("log", "date", "lowest_temp_c", "counts", "why"),
        (
            (at, day.date, day.lowest_temp_c, "yes" if day.counts else "no", day.why)
            for at, proof in enumerate(judged.proofs, start=1)
            for day in proof.days
        ),
    )


def deaths(log: Log, stated: Stated, units: str, at: int) -> dict[str, Any]:
    """Return thermal death along a log at its coldest point, and of which organisms none is known.

    ``table`` is None where no organism has a figure: that takes readings. Else ``untold`` are
    lines that say which others have none, and why.
    """
    period = current_period(log, stated, terms())
    found: tuple[Kill, ...] = ()
    if period is not None:
        found = kills(
            period.readings,
            period.points,
            organisms(),
            probe_error_c=stated.probe_error_c,
            max_gap_h=terms().kill_gap_h,
        )
    told = [one for one in found if (one.log10_reduction, one.lethality_h) != (None, None)]
    untold: dict[str, list[str]] = {}
    for one in found:
        if told and one not in told:
            untold.setdefault(one.missing, []).append(one.name)
    return {
        "table": _death_table(told, units, at) if told else None,
        "untold": [
            _("%(why)s: %(names)s.")
            % {"why": f"{why[:1].upper()}{why[1:]}", "names": ", ".join(names)}
            for why, names in ((plain(why, units), names) for why, names in untold.items())
        ],
    }


def _death_table(found: Sequence[Kill], units: str, at: int) -> dict[str, Any]:
    return table(
        f"deaths-{at}",
        _("Thermal death at the coldest point"),
        (
            Column(_("Organism")),
            Column(_("Reduction"), unit="log10", number=True, may_lack=True),
            Column(
                _("Same as"),
                unit=_("h at %(limit)s") % {"limit": limit_text(REFERENCE_C, units)},
                number=True,
            ),
            Column(_("Point")),
            Column(_("From")),
        ),
        [
            (
                kill.name,
                _reduction(kill),
                "–" if kill.lethality_h is None else _two_digits(kill.lethality_h),
                kill.point,
                "; ".join(
                    part
                    for part in (
                        plain(kill.missing, units),
                        f"{cited(kill.organism.sources)} ({kill.organism.mark})",
                    )
                    if part
                ),
            )
            for kill in found
        ],
        note=_("log10: 1 leaves one in ten, 2 one in a hundred, 6 one in a million."),
    )


def _two_digits(hours: float) -> str:
    """Return hours to the two figures that death times are known to."""
    return f"{float(f'{hours:.2g}'):.0f}"


def _reduction(kill: Kill) -> str:
    if kill.log10_reduction is None:
        return "–"
    most = kill.organism.tested_to_log10 or terms().credible_log10
    if kill.log10_reduction > most:
        return _("over %(most)g") % {"most": most}
    return f"{kill.log10_reduction:.1f}"


def dose(log: Log, stated: Stated) -> str:
    """Return the federal time-temperature dose of a log, empty without readings."""
    period = current_period(log, stated, terms())
    if period is None:
        return ""
    regime = federal_regimes()["A"]
    found = federal_dose_of(
        period.readings,
        period.points,
        regime,
        probe_error_c=stated.probe_error_c,
        max_gap_h=terms().kill_gap_h,
    )
    return "" if found is None else f"{found:.3g}"


def working(proof: Proof, units: str) -> dict[str, Any]:
    """Return what the verdict rests on: each number, its value and where it comes from."""
    rule, stated = proof.rule, proof.stated
    whence = document(rule)
    measured = _("measured: the log")
    error = stated.probe_error_c * (9.0 / 5.0 if units == Units.US else 1.0)
    points = ", ".join(name or _("the one unnamed") for name in proof.required_points)
    rows: list[tuple[str, str, str]] = [
        (_("Limit"), limit_text(rule.min_temp_c, units), whence),
        (
            _("Probe error"),
            f"{error:g} {'°F' if units == Units.US else '°C'}",
            _("stated, or 0; taken off every reading"),
        ),
        (
            _("Points that every day needs"),
            str(stated.points if isinstance(stated.points, int) else len(proof.required_points)),
            _("stated: any so many different ones")
            if isinstance(stated.points, int)
            else _("%(points)s; each point read on two days or more, unless stated")
            % {"points": points or "–"},
        ),
    ]
    if rule.judged_by == "days":
        rows += [
            (_("Days needed"), str(rule.days), whence),
            (_("Days that count"), str(proof.days_credited), measured),
            (
                _("Longest unbroken"),
                str(proof.longest_run_days),
                _("the document says: %(said)s; judged as: %(judged)s")
                % {"said": rule.said, "judged": rule.judged_as},
            ),
            (_("Unbroken up to now"), str(proof.current_run_days), measured),
            (
                _("Turnings that count"),
                f"{proof.turnings_credited} / {proof.turnings_needed}",
                measured,
            ),
        ]
    if proof.days:
        lows = [day.lowest_temp_c for day in proof.days if day.counts and day.lowest_temp_c]
        if lows:
            unit = "°F" if units == Units.US else "°C"
            rows.append(
                (
                    _("Lowest on a day that counts"),
                    f"{lowest_text(min(lows), units)} {unit}",
                    measured,
                )
            )
    return {
        "formula": _(
            "a day counts when every required point was read and every reading, less the probe "
            "error, is within the limits; a gap never counts"
        ),
        "inputs": [
            {"name": name, "value": value, "unit": "", "origin": origin}
            for name, value, origin in rows
        ],
        "source": cited(rule.sources),
    }
