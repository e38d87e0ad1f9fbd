"""The proof of a lot by one rule: verdict, log day by day, what it is made of, what it is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from math import isnan
from typing import Any, Final

from heapwright.errors import InputError
from heapwright.reports import measures
from heapwright.reports.measures import UNIT, Units, day, in_units, moment
from heapwright.reports.printing import Paper, cited, pdf
from heapwright.reports.rule_words import asks, document, standing
from heapwright.science.daily import EPOCH_ORDINAL, Log, summarise
from heapwright.science.sanitation import Proof, Verdict

CAUTIONS: Final = (
    "This is evidence of the process, not a laboratory result.",
    "Local codes and the permit decide, and the enforcing agency reads them; codes change. Treat "
    "the lot as untreated until they agree.",
    "Only temperatures that were read and logged count. Modelled temperatures never count, and a "
    "gap never counts in the pile's favour.",
    "Heat at the points that were probed says nothing of material that no probe reached.",
)
"""What stands on every proof."""

_COLUMNS_MOST: Final = 6
_ORDER: Final[tuple[Verdict, ...]] = ("not met", "cannot be shown", "not yet", "met")
_WORDS: Final[dict[Verdict, str]] = {
    "met": "Met",
    "not met": "Not met",
    "not yet": "Not yet met",
    "cannot be shown": "Cannot be shown",
}
_MEANING: Final[dict[Verdict, str]] = {
    "met": "The log shows what the rule asks.",
    "not met": "The log shows that the rule was not met.",
    "not yet": "What the log shows is not enough yet.",
    "cannot be shown": "What the log and the statements beside it hold does not show that the "
    "rule was met.",
}


@dataclass(frozen=True, slots=True)
class DayLine:
    """A day: lowest at each point shown, lowest of all, turnings, whether it counts and why."""

    day: date
    points: tuple[float | None, ...]
    lowest_temp_c: float | None
    turnings: tuple[str, ...]
    counts: bool
    why: str


@dataclass(frozen=True, slots=True)
class TurnLine:
    """A turning: when, whether the rule lets it count, and why."""

    at: datetime
    credited: bool
    why: str


@dataclass(frozen=True, slots=True)
class MadeOf:
    """So much of one material from one source, in one or more deliveries."""

    material: str
    source: str
    mass_kg: float
    share: float
    first: date | None = None
    last: date | None = None
    deliveries: int = 1


@dataclass(frozen=True, slots=True)
class LogProof:
    """One log against the rule; ``points`` names the columns of its days."""

    proof: Proof
    points: tuple[str, ...]
    days: tuple[DayLine, ...]
    turns: tuple[TurnLine, ...]
    readings: int
    first: datetime | None
    last: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofSheet:
    """All that a proof says. Several ``logs`` where piles past their heat were put together.

    ``as_of`` is the past day whose end it is of; ``later`` how many entries of until then were
    written, and struck, after it. ``settings`` says under which settings of the site it was
    judged.
    """

    site: str
    lot_code: str
    place: str
    printed_at: datetime
    logs: tuple[LogProof, ...]
    made_of: tuple[MadeOf, ...] = ()
    zone: str = ""
    as_of: date | None = None
    later: tuple[int, int] = (0, 0)
    settings: str = ""
    cautions: tuple[str, ...] = field(default=CAUTIONS)

    @property
    def verdict(self) -> Verdict:
        """The verdict on the lot: that of its weakest log."""
        return min((one.proof.verdict for one in self.logs), key=_ORDER.index)

    @property
    def met_at(self) -> date | None:
        """When the last of its logs met the rule; None unless all did."""
        met = [one.proof.met_at for one in self.logs]
        return max(day for day in met if day) if all(met) else None


def from_proof(proof: Proof, log: Log) -> LogProof:
    """Return a log and what a rule makes of it, ready for the sheet.

    Parameters
    ----------
    proof : Proof
        Of this very log.
    log : Log
    """
    readings, clock = log.readings, log.clock
    by_day: dict[date, list[str]] = {}
    credited = {turn.at: turn for turn in proof.turns}
    number = 0
    for act in log.acts:
        if act.kind != "turned":
            continue
        at = clock.wall(act.time_s)
        turn = credited.get(at)
        counts = turn is not None and turn.credited
        number += counts
        by_day.setdefault(at.date(), []).append(str(number) if counts else "no")
    shown = [
        index
        for index, name in enumerate(readings.points)
        if not proof.required_points or name in proof.required_points
    ]
    shown = shown if len(shown) <= _COLUMNS_MOST else []
    lowest: dict[date, tuple[float | None, ...]] = {}
    if proof.days:
        first_day = proof.days[0].date.toordinal() - EPOCH_ORDINAL
        last_day = proof.days[-1].date.toordinal() - EPOCH_ORDINAL
        table = summarise(readings, clock, first_day=first_day, last_day=last_day)
        for row in range(table.days):
            cells = [float(table.lowest[row, index]) for index in shown]
            lowest[table.date(row)] = tuple(None if isnan(cell) else cell for cell in cells)
    count = len(readings.time_s)
    return LogProof(
        proof=proof,
        points=tuple(readings.points[index] for index in shown),
        days=tuple(
            DayLine(
                day=one.date,
                points=lowest.get(one.date, (None,) * len(shown)),
                lowest_temp_c=one.lowest_temp_c,
                turnings=tuple(by_day.get(one.date, ())),
                counts=one.counts,
                why=one.why,
            )
            for one in proof.days
        ),
        turns=tuple(TurnLine(turn.at, turn.credited, turn.why) for turn in proof.turns),
        readings=count,
        first=clock.wall(int(readings.time_s[0])) if count else None,
        last=clock.wall(int(readings.time_s[-1])) if count else None,
    )


def proof_sheet(data: ProofSheet, *, paper: Paper = "a4", units: Units = "metric") -> bytes:
    """Return the proof as a PDF.

    Raises
    ------
    InputError
        If there is no log, the logs are judged by different rules, or the paper is none.
    """
    if not data.logs:
        raise InputError(f"{data.lot_code} has no log to judge; a proof is for a pile or compost")
    if len({one.proof.rule.id for one in data.logs}) > 1:
        raise InputError("a proof is by one rule; print one for each")
    return pdf("proof", _filled(data, units), paper=paper, printed_at=data.printed_at)


def _filled(data: ProofSheet, units: Units) -> dict[str, Any]:
    proof = data.logs[0].proof
    rule = proof.rule
    stated = proof.stated
    zone_words = {"core": "core", "edge": "edge", "base": "base", "all": "all zones"}
    return {
        "title": f"Proof of lot {data.lot_code} by {rule.id}"
        + ("" if data.as_of is None else f", as of {day(data.as_of)}"),
        "site": data.site,
        "lot": data.lot_code,
        "as_of": "" if data.as_of is None else day(data.as_of),
        "place": data.place,
        "foot": f"lot {data.lot_code}",
        "printed": moment(data.printed_at),
        "units": UNIT[units],
        "verdict": _WORDS[data.verdict],
        "met": data.verdict == "met",
        "met_at": "" if data.met_at is None else day(data.met_at),
        "meaning": _meaning(data),
        "rule": {
            "id": rule.id,
            "name": rule.name,
            "document": document(rule),
            "standing": standing(rule),
            "asks": asks(rule, units, turnings=proof.turnings_needed),
        },
        "stated": [
            ["Method", {"turned": "turned pile", "aerated": "aerated static pile",
                        "vessel": "in vessel", None: "not stated"}[stated.method]],
            ["Zone read", zone_words[stated.zone] if stated.zone else "not stated"],
            ["Points", _points(proof) if len(data.logs) == 1 else "as each log names them"],
            ["Probe error", _error(stated.probe_error_c, units)],
            ["Insulation", "not stated" if stated.insulation_cm is None else measures.with_unit(
                measures.depth(stated.insulation_cm / 100, units), "depth", units)],
            ["Time zone", data.zone or "the log's own clock"],
            *([["Stands in" if data.as_of is None else "Stood in", data.place]]
              if data.place else []),
            *([] if data.as_of is None else [["As of", _as_of(data)]]),
            *([["Settings", data.settings]] if data.settings else []),
        ],
        "logs": [_log(one, units, alone=len(data.logs) == 1) for one in data.logs],
        "made_of": [
            {
                "material": one.material,
                "source": one.source or "not recorded",
                "mass": measures.part(one.mass_kg, units),
                "share": _share(one.share),
                "came": _came(one),
            }
            for one in data.made_of
        ],
        "cautions": list(data.cautions),
        "sources": cited(rule.sources),
    }  # fmt: skip


def _as_of(data: ProofSheet) -> str:
    """Return of which day it is, and that it is what is known now about then."""
    assert data.as_of is not None
    written, struck = data.later
    said = f"the end of {day(data.as_of)}, as it is known now. "
    if not (written or struck):
        return said + "Nothing about it was written or struck after that day."
    return said + (
        f"Of its entries up to that day, {written} were written after it, and {struck} that "
        "stood then were struck since."
    )


def _meaning(data: ProofSheet) -> list[str]:
    lines = [_MEANING[data.verdict]]
    if len(data.logs) > 1:
        lines.append(
            f"The lot holds what came from {len(data.logs)} logs; each has to meet the rule."
        )
    for number, one in enumerate(data.logs, start=1):
        proof = one.proof
        if proof.rule.judged_by != "days":
            continue
        said = "" if len(data.logs) == 1 else f"Log {number}: "
        said += f"{proof.days_credited} hot {'day' if proof.days_credited == 1 else 'days'}, "
        said += f"{proof.longest_run_days} of them in a row; {proof.rule.days} are asked."
        if proof.turnings_needed:
            count = proof.turnings_credited
            said += f" {count} {'turning counts' if count == 1 else 'turnings count'}; "
            said += f"{proof.turnings_needed} are asked."
        lines.append(said)
        if proof.earliest_possible and proof.verdict != "met":
            lines.append(
                f"At the earliest on {day(proof.earliest_possible)}, if every day until then is "
                "hot, read and turned as asked."
            )
    return lines


def _points(proof: Proof) -> str:
    stated = proof.stated.points
    if isinstance(stated, int):
        return f"at least {stated} different points each day"
    names = [name or "one unnamed" for name in proof.required_points]
    if not names:
        return "none that every day needs"
    if len(names) > 8:
        return f"{len(names)} points, all of them every day"
    return f"{', '.join(names)}: each one every day"


def _error(error_c: float, units: Units) -> str:
    if not error_c:
        return "none taken off"
    size = f"{error_c:g} °C" if units == "metric" else f"{error_c * 1.8:.3g} °F"
    return f"{size} taken off each reading"


def _share(share: float) -> str:
    return "under 1" if 0 < share < 0.01 else f"{100 * share:.0f}"


def _came(one: MadeOf) -> str:
    if one.first is None or one.last is None:
        return ""
    days = day(one.first) if one.first == one.last else f"{day(one.first)} to {day(one.last)}"
    return days if one.deliveries == 1 else f"{one.deliveries} deliveries, {days}"


def _temps(one: LogProof, units: Units) -> Callable[[float], str]:
    """Return how temperatures are shown: to whole degrees where all of the log were read so."""
    read = [
        temp for line in one.days for temp in (*line.points, line.lowest_temp_c) if temp is not None
    ]
    if not all(measures.temp(temp_c, units).endswith(".0") for temp_c in read):
        return lambda temp_c: measures.temp(temp_c, units)
    return lambda temp_c: measures.temp(temp_c, units).removesuffix(".0")


def _log(one: LogProof, units: Units, *, alone: bool) -> dict[str, Any]:
    proof = one.proof
    first = "" if one.first is None else moment(one.first)
    last = "" if one.last is None else moment(one.last)
    counted = 0
    days = []
    shown = _temps(one, units)
    years = {line.day.year for line in one.days}
    year = f"{years.pop()}" if len(years) == 1 else ""
    for number, line in enumerate(one.days, start=1):
        counted += line.counts
        state = "counts" if line.counts else "no"
        if line.lowest_temp_c is None:
            state = "unread"
        days.append(
            {
                "number": number,
                "date": f"{line.day:%a} {line.day.day} {line.day:%b}"
                + ("" if year else f" {line.day.year}"),
                "short": f"{line.day.day}",
                "month": f"{line.day:%b}",
                "points": ["" if cell is None else shown(cell) for cell in line.points],
                "lowest": "" if line.lowest_temp_c is None else shown(line.lowest_temp_c),
                "turned": ", ".join(line.turnings),
                "counts": line.counts,
                "count": counted if line.counts else 0,
                "state": state,
                "why": in_units(line.why, units),
            }
        )
    return {
        "verdict": _WORDS[proof.verdict],
        "year": year,
        "read": f"{one.readings:,} readings, {first} to {last}" if one.readings else "no reading",
        "start": "" if proof.period_start is None else moment(proof.period_start),
        "points": [name or "point" for name in one.points],
        "points-said": "" if alone else _points(proof),
        "days": days,
        "turns": [
            {"at": moment(turn.at), "credited": turn.credited, "why": in_units(turn.why, units)}
            for turn in one.turns
        ],
        "gaps": [in_units(text, units) for text in proof.gaps],
        "notes": [in_units(text, units) for text in proof.notes],
        "to_do": [] if proof.verdict == "met" else [in_units(text, units) for text in proof.to_do],
    }
