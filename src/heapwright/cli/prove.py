"""``heapwright prove``: does the log of a pile meet the rules?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from heapwright.errors import InputError

if TYPE_CHECKING:
    from heapwright.files.log import LogFile
    from heapwright.science.lethality import Kill
    from heapwright.science.rules import Organism, Rule
    from heapwright.science.sanitation import Stated
    from heapwright.yard.prove import LotLog


@click.command(
    epilog="Proof of time and temperature is evidence of the process, not a laboratory result. "
    "Local codes and the permit decide; this program does not."
)
@click.argument("log", type=click.Path(path_type=Path), required=False)
@click.option("--lot", metavar="CODE", help="A lot of the site's own records instead of a LOG.")
@click.option("--as-of", metavar="DATE", help="With --lot: as of the end of a past day.")
@click.option("--rule", "rule_ids", multiple=True, metavar="ID",
              help="Judge by this rule; repeat. “all” for every rule.")  # fmt: skip
@click.option(
    "--rules",
    "rules_file",
    type=click.Path(path_type=Path),
    metavar="FILE.csv",
    help="Rules of the site's own, with the columns of the shipped table.",
)
@click.option(
    "--method",
    type=click.Choice(["turned", "aerated", "vessel"]),
    help="How the pile is kept; a log cannot tell.",
)
@click.option(
    "--insulation-cm", type=float, metavar="CM", help="Depth of the insulating cover, as measured."
)
@click.option(
    "--probe-error-c", type=float, metavar="C", help="Known error of the probe, taken off."
)
@click.option("--probe-error-f", type=float, metavar="F", help="The same in °F.")
@click.option(
    "--zone",
    type=click.Choice(["core", "edge", "base", "all"]),
    help="Where the points stand, when their names do not say.",
)
@click.option(
    "--points",
    metavar="N|NAMES",
    help="How many points each day needs, or the names of those that count: core,edge.",
)
@click.option("--time-zone", metavar="NAME", help="The site's, such as America/Los_Angeles.")
@click.option("--organisms", is_flag=True, help="Thermal death of organisms along the log.")
@click.option(
    "--deaths",
    "deaths_file",
    type=click.Path(path_type=Path),
    metavar="FILE.csv",
    help="Death times of the site's own, such as weed seeds; implies --organisms.",
)
@click.option("--hot-share", type=float, metavar="F", help="Share of the heap that is hot, 0 to 1.")
@click.option("--box", metavar="L,W,H", help="Size of a bay in metres, to estimate that share.")
@click.option("--shell", type=float, metavar="M", help="Thickness of its cold shell in metres.")
@click.option(
    "--mixing", type=float, default=1.0, metavar="M", help="How well a turning mixes, 0 to 1."
)
@click.option("--days", "show_days", is_flag=True, help="Show each day and why it counts or not.")
@click.option("--working", is_flag=True, help="Show formula, inputs, origin and source.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def prove(
    log: Path | None,
    lot: str | None,
    as_of: str | None,
    rule_ids: tuple[str, ...],
    rules_file: Path | None,
    method: Any,
    insulation_cm: float | None,
    probe_error_c: float | None,
    probe_error_f: float | None,
    zone: Any,
    points: str | None,
    time_zone: str | None,
    organisms: bool,
    deaths_file: Path | None,
    hot_share: float | None,
    box: str | None,
    shell: float | None,
    mixing: float,
    show_days: bool,
    working: bool,
    as_json: bool,
) -> None:
    """Judge the LOG of a pile by sanitation rules, day by day.

    LOG is a table: time,event,point,depth_cm,temp_c (or depth_in, temp_f), rows in any order.
    Events: read, built, added, turned, moved, combined, covered. Without --rule every rule is
    judged. What the log does not show never counts in the pile's favour. With --lot the
    records of the site are judged instead of a file, by the rule and under the settings of the
    site; each option stands in place of the setting.
    """
    from heapwright.cli import prove_text
    from heapwright.data.sanitation import terms
    from heapwright.science.sanitation import evaluate, proof_summary

    share = _hot_share(hot_share, box, shell, mixing)
    error_c = _probe_error(probe_error_c, probe_error_f)
    if insulation_cm is not None and not 0 <= insulation_cm <= 500:
        raise InputError(f"--insulation-cm {insulation_cm:g} is not a depth from 0 to 500 cm")
    wanted = _points(points)
    deaths = _organisms(deaths_file) if organisms or deaths_file else None

    printed: list[dict[str, Any]] = []
    lines: list[str] = []
    reads = _reads(log, lot, time_zone, as_of)
    usual = _usual(lot, as_of)
    if usual is not None and usual.rule_id and not rule_ids:
        rule_ids = (usual.rule_id,)
    chosen = _rules(rule_ids, rules_file)
    for name, read, of_lot in reads:
        stated = _stated(method, insulation_cm, error_c, zone, wanted, read, usual)
        proofs = evaluate(read.log, chosen, stated, terms())
        if of_lot is not None:
            proofs = tuple(of_lot.honest(proof) for proof in proofs)
        found = _kills(read, stated, deaths) if deaths is not None else None
        gauge = prove_text.hot_zone(read, stated, share, mixing) if share is not None else None
        for proof in proofs:
            item = proof_summary(proof)
            item["notes"] = [*read.notes, *proof.notes]
            if len(reads) > 1:
                item["log"] = name
            if found is not None:
                item["organisms"] = [prove_text.kill_summary(kill) for kill in found]
                item["federal_gauge"] = prove_text.federal_summary(read, stated)
            if gauge is not None:
                item["hot_zone"] = gauge
            printed.append(item)
        lines += prove_text.head(name, read, proofs)
        full = (bool(rule_ids) and "all" not in rule_ids) or len(proofs) <= 3
        if not full:
            lines += prove_text.overview(proofs)
        for proof in proofs:
            lines += prove_text.verdict(proof) if full else []
            if show_days:
                lines += [] if full else ["", proof.rule.id]
                lines += prove_text.day_table(proof, fahrenheit=read.fahrenheit)
            if working:
                lines += [] if full else [""]
                lines += prove_text.working(proof)
        if found is not None:
            lines += prove_text.kill_table(found, read, stated, working=working)
        if gauge is not None:
            lines += prove_text.hot_zone_lines(gauge, working=working)
    if as_json:
        import json

        click.echo(json.dumps(printed, indent=2, ensure_ascii=False, allow_nan=False))
        return
    if len(reads) > 1:
        lines += ["", f"{lot} was put together from {len(reads)} piles: each of these must be met."]
    click.echo("\n".join([*lines, *prove_text.caution()]))


def _reads(
    log: Path | None, lot: str | None, time_zone: str | None, as_of: str | None
) -> list[tuple[str, LogFile, LotLog | None]]:
    """Return the logs to judge by name: of a file, or of a lot of the site's records."""
    if (log is None) == (lot is None):
        raise InputError("give the LOG of a pile or --lot CODE, one of the two")
    if log is not None:
        if as_of is not None:
            raise InputError("--as-of goes with --lot; leave the later rows out of a LOG")
        return [(log.name, _read(log, time_zone), None)]
    if time_zone is not None:
        raise InputError("--time-zone goes with a LOG; a site's records know their zone")
    from heapwright.cli.site_records import day_end, site_log, site_notes
    from heapwright.files.log import LogFile

    until = None if as_of is None else day_end(as_of)
    logs = site_log(str(lot), until)
    notes = site_notes(str(lot), until)
    return [
        (
            f"{lot}" if len(logs) == 1 else f"{lot}, log {number} of {len(logs)}",
            LogFile(one.log, notes, fahrenheit=False, rows=len(one.log.readings.time_s)),
            one,
        )
        for number, one in enumerate(logs, start=1)
    ]


@dataclass(frozen=True)
class _Usual:
    """What the site has set: its rule, blank for none, and what is stated beside a log."""

    rule_id: str
    stated: Stated


def _usual(lot: str | None, as_of: str | None) -> _Usual | None:
    """Return what the site's proofs are judged by; None for a log of a file."""
    if lot is None:
        return None
    from heapwright.cli.site_records import day_end, site_yardstick

    found, vessel = site_yardstick(lot, None if as_of is None else day_end(as_of))
    rule = found.rule(vessel=vessel)
    own = rule.id if found.is_own(rule) else ""
    return _Usual(own, found.stated(rule, vessel=vessel))


def _rules(rule_ids: tuple[str, ...], rules_file: Path | None) -> list[Rule]:
    from heapwright.data.sanitation import rules

    known = dict(rules())
    own: list[Rule] = []
    if rules_file is not None:
        own = _own_rules(rules_file, known)
        known.update((rule.id, rule) for rule in own)
    if not rule_ids or "all" in rule_ids:
        return list(known.values())
    lookup = {name.casefold(): name for name in known}
    chosen = []
    for wanted in dict.fromkeys(rule_ids):
        name = lookup.get(wanted.casefold())
        if name is None:
            import difflib

            near = difflib.get_close_matches(wanted.casefold(), lookup, n=3, cutoff=0.4)
            hint = (
                f"did you mean {' or '.join(lookup[one] for one in near)}?"
                if near
                else "“heapwright rules” lists them"
            )
            raise InputError(f"“{wanted}” is not a rule; {hint}")
        chosen.append(known[name])
    return chosen


def _own_rules(path: Path, known: dict[str, Rule]) -> list[Rule]:
    from heapwright.data.sanitation import RULE_COLUMNS, rule_of
    from heapwright.files.table import read_table

    found: dict[str, Rule] = {}
    table = read_table(path, known=RULE_COLUMNS, required=("id", "name", "sources", "mark"))
    for row in table:
        rule = rule_of(row.cells, row.error)
        if rule.id in known:
            raise row.error(f"{rule.id} is the id of a shipped rule; choose another", "id")
        if rule.id in found:
            raise row.error(f"the id {rule.id} stands twice", "id")
        found[rule.id] = rule
    return list(found.values())


def _organisms(deaths_file: Path | None) -> tuple[Organism, ...]:
    from heapwright.data.sanitation import DEATH_COLUMNS, DEATH_SHAPE, organisms, organisms_of
    from heapwright.data.tables import FactRow
    from heapwright.files.table import read_table

    if deaths_file is None:
        return organisms()
    needed = ("organism", "name", "kind", "temp_c", "time_min", "sources", "mark")
    table = read_table(deaths_file, known=DEATH_COLUMNS, required=needed)
    for row in table:
        for column, (low, high) in DEATH_SHAPE.numbers.items():
            row.number_or_none(column, low=low, high=high)
    own = organisms_of(tuple(FactRow(row.file, row.number, row.cells) for row in table))
    replaced = {organism.id for organism in own}
    return (*own, *(one for one in organisms() if one.id not in replaced))


def _probe_error(error_c: float | None, error_f: float | None) -> float | None:
    if error_c is not None and error_f is not None:
        raise InputError("--probe-error-c and --probe-error-f are both given; give one")
    error = error_f * 5.0 / 9.0 if error_f is not None else error_c
    if error is not None and not 0 <= error <= 20:
        raise InputError("a probe error lies in 0 to 20 °C; give it without a sign")
    return error


def _points(text: str | None) -> int | tuple[str, ...] | None:
    if text is None:
        return None
    if text.strip().isdecimal():
        count = int(text)
        if count < 1:
            raise InputError("--points needs at least 1 point a day")
        return count
    names = tuple(name.strip() for name in text.split(",") if name.strip())
    if not names:
        raise InputError("--points is blank; give a number, or names such as core,edge")
    return names


def _read(path: Path, time_zone: str | None) -> LogFile:
    import sys

    from heapwright.files.log import read_log

    if sys.stderr.isatty() and path.is_file() and path.stat().st_size > 5_000_000:
        from rich.console import Console

        with Console(stderr=True).status(f"Reading {path.name}"):
            return read_log(path, time_zone=time_zone)
    return read_log(path, time_zone=time_zone)


def _stated(
    method: Any,
    insulation_cm: float | None,
    error_c: float | None,
    zone: Any,
    points: int | tuple[str, ...] | None,
    read: LogFile,
    usual: _Usual | None,
) -> Stated:
    from heapwright.science.sanitation import Stated

    if isinstance(points, tuple):
        names = {name.casefold() for name in read.log.readings.points}
        for name in points:
            if name.casefold() not in names:
                has = ", ".join(one or "(no name)" for one in read.log.readings.points) or "none"
                raise InputError(f"--points: the log has no point “{name}”; it has {has}")
    site = Stated() if usual is None else usual.stated
    return Stated(
        method or site.method,
        site.insulation_cm if insulation_cm is None else insulation_cm,
        site.probe_error_c if error_c is None else error_c,
        zone or site.zone,
        points,
    )


def _hot_share(
    hot_share: float | None, box: str | None, shell: float | None, mixing: float
) -> float | None:
    from heapwright.files.table import parse_number

    if not 0 <= mixing <= 1:
        raise InputError("--mixing lies in 0 to 1")
    if (box is None) != (shell is None):
        raise InputError("--box and --shell go together: --box 1.2,1.2,1.2 --shell 0.15")
    if box is None or shell is None:
        if hot_share is not None and not 0 <= hot_share <= 1:
            raise InputError("--hot-share lies in 0 to 1")
        return hot_share
    if hot_share is not None:
        raise InputError("--hot-share and --box are both given; give one")
    from heapwright.science.turning import hot_fraction_of_box

    sides = [parse_number(part) for part in box.split(",")]
    if len(sides) != 3 or min(sides) <= 0 or max(sides) > 1000:
        raise InputError("--box needs three lengths in metres, such as 1.2,1.2,1.0")
    if not 0 <= shell <= 1000:
        raise InputError("--shell is the thickness of the cold shell in metres, such as 0.15")
    return hot_fraction_of_box(*sides, shell)


def _kills(read: LogFile, stated: Stated, organisms: tuple[Organism, ...]) -> tuple[Kill, ...]:
    from heapwright.data.sanitation import terms
    from heapwright.science.lethality import kills
    from heapwright.science.sanitation import current_period

    period = current_period(read.log, stated, terms())
    if period is None:
        return ()
    return kills(
        period.readings,
        period.points,
        organisms,
        probe_error_c=stated.probe_error_c,
        max_gap_h=terms().kill_gap_h,
    )
