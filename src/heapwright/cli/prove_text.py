"""The words and tables of ``heapwright prove``."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from heapwright.science import rule_words
from heapwright.units import fahrenheit_from_celsius

if TYPE_CHECKING:
    from heapwright.files.log import LogFile
    from heapwright.science.lethality import Kill
    from heapwright.science.rules import Rule
    from heapwright.science.sanitation import Proof, Stated

WIDTH = 96
_OPTIONS: Final = {
    rule_words.STATE_METHOD: "--method",
    rule_words.STATE_COVER: "--insulation-cm",
    rule_words.STATE_ALL_ZONES: "--zone all",
    rule_words.STATE_ZONE: "--time-zone",
}
CAUTION = (
    "This shows what the log says about time and temperature. It is evidence of the process, not "
    "a laboratory result, and rules change: the local code, the permit and the enforcement agency "
    "decide. Treat a pile as untreated until they agree."
)


def caution() -> list[str]:
    """Return the caution that stands under every proof."""
    return ["", *_wrap(CAUTION, "")]


def head(name: str, read: LogFile, proofs: Sequence[Proof]) -> list[str]:
    """Return what the log holds, in a line or two."""
    readings = read.log.readings
    lines = []
    if len(readings.time_s):
        first = read.log.clock.wall(int(readings.time_s[0])).date()
        last = read.log.clock.wall(int(readings.time_s[-1])).date()
        points = ", ".join(point or "one unnamed point" for point in readings.points[:8])
        more = f" and {len(readings.points) - 8} more" if len(readings.points) > 8 else ""
        turned = sum(act.kind == "turned" for act in read.log.acts)
        lines += _wrap(
            f"{name}: {len(readings.time_s):,} readings at {points}{more}, "
            f"{first.isoformat()} to {last.isoformat()}; {turned} "
            f"{'turning' if turned == 1 else 'turnings'}.",
            "",
        )
    else:
        lines.append(f"{name}: no reading.")
    for note in read.notes:
        lines += _wrap(note, "  ")
    required = next((proof.required_points for proof in proofs if proof.required_points), ())
    if required and any(required):
        lines += _wrap(f"Points that every day needs: {', '.join(required)}.", "  ")
    return lines


def overview(proofs: Sequence[Proof]) -> list[str]:
    """Return one line a rule, those met first."""
    order = ["met", "cannot be shown", "not yet", "not met"]
    lines = [
        "",
        f"{'rule':<11} {'verdict':<16} {'hot days':>9} {'unbroken':>9} {'turnings':>9}  when",
    ]
    for proof in sorted(proofs, key=lambda proof: order.index(proof.verdict)):
        rule = proof.rule
        judged = rule.judged_by == "days"
        days = f"{proof.days_credited}/{rule.days}" if judged else "-"
        run = str(proof.longest_run_days) if judged else "-"
        turns = f"{proof.turnings_credited}/{proof.turnings_needed}" if rule.turnings else "-"
        when = (
            f"met {proof.met_at.isoformat()}"
            if proof.met_at
            else f"from {proof.earliest_possible.isoformat()}"
            if proof.earliest_possible
            else _reason(proof)
        )
        lines.append(
            f"{rule.id:<11} {proof.verdict:<16} {days:>9} {run:>9} {turns:>9}  {when}".rstrip()
        )
    lines += ["", "One rule in full: --rule ID. From = the earliest date, hot and turned from now."]
    return lines


def _reason(proof: Proof) -> str:
    """Return why no date can be given, cut to fit a line."""
    if proof.rule.judged_by == "nothing in a log":
        return "other records show it"
    first = proof.gaps[0] if proof.gaps else ""
    return textwrap.shorten(first.split(";")[0].rstrip("."), 34, placeholder=" …")


def verdict(proof: Proof) -> list[str]:
    """Return the verdict on one rule with what is missing and what to do."""
    rule = proof.rule
    words = proof.verdict.upper()
    if proof.met_at:
        words += f" on {proof.met_at.isoformat()}"
    lines = ["", f"{rule.id}: {words}"]
    lines += _wrap(f"{rule.jurisdiction}, {rule.document}. {rule_text(rule)}", "  ")
    if rule.judged_by == "days":
        run = str(proof.longest_run_days)
        if proof.current_run_days != proof.longest_run_days:
            run += f" ({proof.current_run_days} up to now)"
        kind = " consecutive" if rule.judged_as == "consecutive" else ""
        counted = f"Hot days {proof.days_credited}, unbroken {run}; needed {rule.days}{kind}."
        if proof.turnings_needed:
            turns = str(proof.turnings_credited)
            lasting = proof.turnings_needed - proof.turnings_left
            if proof.verdict != "met" and lasting < proof.turnings_credited:
                turns += f" ({lasting} in the run up to now)"
            counted += f" Turnings {turns}; needed {proof.turnings_needed}."
        lines += _wrap(counted, "  ")
    lines += _labelled("Gap" if proof.met_at else "Missing", proof.gaps)
    lines += _labelled("To do", proof.to_do)
    lines += _labelled("Note", proof.notes)
    return lines


def rule_text(rule: Rule) -> str:
    """Return what a rule asks, in one line, its name first."""
    return f"{rule.name}: {' '.join(rule_words.asks(rule, _show))}"


def _show(value: float, quantity: rule_words.Quantity) -> str:
    return _both(value) if quantity == "temp" else f"{value:g} cm"


def with_options(text: str) -> str:
    """Return what the science says with the option of this command after what can be stated."""
    for words, option in _OPTIONS.items():
        text = text.replace(words, f"{words} ({option})")
    return text


def day_table(proof: Proof, *, fahrenheit: bool) -> list[str]:
    """Return each day: its lowest temperature, whether it counts, and why."""
    unit = "°F" if fahrenheit else "°C"
    lines = [f"  {'date':<11} {'lowest ' + unit:>10}  {'counts':<7} why"]
    for day in proof.days:
        low = "-" if day.lowest_temp_c is None else _low(day.lowest_temp_c, fahrenheit)
        counts = "yes" if day.counts else "no"
        lines.append(f"  {day.date.isoformat():<11} {low:>10}  {counts:<7} {day.why}")
    return lines


def working(proof: Proof) -> list[str]:
    """Return for every number of a proof its formula, inputs, origin and sources."""
    rule, stated = proof.rule, proof.stated
    origin = f"{rule.document}, edition {rule.edition or 'not stated'}, as read {rule.as_read}"
    lines = [f"  Working, {rule.id}"]
    rows = [
        ("limit", f"{_both(rule.min_temp_c)}; °C = (°F − 32) × 5 / 9, not rounded", origin),
        ("probe error", f"{stated.probe_error_c:g} °C taken off each reading", "stated, or 0"),
        (
            "points",
            _points_text(proof),
            "each point read on 2 days or more, unless stated with --points",
        ),
    ]
    if rule.judged_by == "days":
        days = [day.date.isoformat() for day in proof.days if day.counts]
        rows += [
            (
                "hot day",
                "calendar day of the site on which every point that is required was read and "
                "every reading, less the error, is within the limits",
                "heapwright's reading of the rule; a gap never counts",
            ),
            ("days needed", str(rule.days), origin),
            ("hot days", f"{len(days)}: {_spans(days)}", "measured: the log"),
            (
                "unbroken",
                f"longest {proof.longest_run_days}, up to now {proof.current_run_days}",
                f"the document: {rule.said}; judged as {rule.judged_as}",
            ),
        ]
        if rule.turnings:
            needed = str(proof.turnings_needed)
            rows.append(("turnings needed", needed, origin))
        for turn in proof.turns:
            said = "counts" if turn.credited else "does not count"
            rows.append(
                ("turning", f"{turn.at:%Y-%m-%d %H:%M} {said}: {turn.why}", "measured: the log")
            )
    if rule.judged_by == "hold":
        rows.append(
            (
                "hold",
                f"{rule.hold_min:g} min; two readings join when both are within the limit and at "
                f"most {rule.max_gap_min:g} min apart",
                f"{origin}; the gap is this project's judgement",
            )
        )
    if proof.earliest_possible and not proof.met_at:
        rows.append(
            (
                "earliest",
                f"{proof.earliest_possible.isoformat()}: the same judging with every day after the "
                "log hot and turned",
                "computed",
            )
        )
    for label, value, where in rows:
        lines += _wrap(f"{label}: {value}. [{where}]", "    ")
    for line in source_lines(rule.sources):
        lines += _wrap(line, "    ")
    lines += _wrap(f"mark: {rule.mark}", "    ")
    return lines


def source_lines(ids: Iterable[str]) -> list[str]:
    """Return sources as author, year, title and section."""
    from heapwright.data.tables import sources

    lines = []
    for name in ids:
        source = sources().get(name)
        if source is None:
            lines.append(f"source: {name}")
            continue
        parts = [source.author, source.year, source.title, source.where]
        lines.append(
            f"source {name}: {', '.join(str(part) for part in parts if part)} (seen: {source.seen})"
        )
    return lines


def kill_summary(kill: Kill) -> dict[str, object]:
    """Return a kill under the names of the JSON contract."""
    organism = kill.organism
    return {
        "name": kill.name,
        "log10_reduction": kill.log10_reduction,
        "lethality_h": kill.lethality_h,
        "kind": kill.kind,
        "tested_to_log10": organism.tested_to_log10,
        "z_c": kill.z_c if kill.z_c is not None and math.isfinite(kill.z_c) else None,
        "point": kill.point,
        "missing": kill.missing,
        "mark": organism.mark,
        "sources": list(organism.sources),
        "note": organism.note,
    }


def federal_summary(read: LogFile, stated: Stated) -> dict[str, object]:
    """Return the federal dose E of each regime at the coldest point, as a gauge."""
    from heapwright.data.sanitation import federal_regimes, terms
    from heapwright.science.lethality import federal_dose_of
    from heapwright.science.sanitation import current_period

    period = current_period(read.log, stated, terms())
    doses: dict[str, float | None] = {}
    for name, regime in federal_regimes().items():
        doses[name] = (
            federal_dose_of(
                period.readings,
                period.points,
                regime,
                probe_error_c=stated.probe_error_c,
                max_gap_h=terms().kill_gap_h,
            )
            if period is not None
            else None
        )
    return {
        "dose": doses,
        "note": "Engineering gauge only (40 CFR 503.32(a)(3)); the equations are not for "
        "composting and prove nothing about a pile.",
    }


def kill_table(kills: Sequence[Kill], read: LogFile, stated: Stated, *, working: bool) -> list[str]:
    """Return thermal death along the log, and what could not be computed."""
    from heapwright.data.sanitation import terms

    lines = ["", "Thermal death at the coldest point (beside the rules, never in their place)"]
    lines.append(f"  {'organism':<52} {'log10':>12} {'h at 55 °C':>11}")
    computed = [
        kill for kill in kills if kill.log10_reduction is not None or kill.lethality_h is not None
    ]
    for kill in computed:
        log10 = "-"
        if kill.log10_reduction is not None:
            most = kill.organism.tested_to_log10 or terms().credible_log10
            log10 = (
                f"over {most:g}" if kill.log10_reduction > most else f"{kill.log10_reduction:.1f}"
            )
        hours = "-" if kill.lethality_h is None else f"{kill.lethality_h:.1f}"
        weak = " (from memory)" if kill.organism.mark != "published" else ""
        lines.append(f"  {kill.name + weak:<52} {log10:>12} {hours:>11}")
    lines += _wrap(
        "“over” means more than the source could see, or than there is in compost. Curves tail: "
        "no count promises that none is left. Heat that reached no probe is not in these figures.",
        "  ",
    )
    lost = [kill for kill in kills if kill not in computed]
    if lost:
        lines.append("  Not computed:")
        by_reason: dict[str, list[str]] = {}
        for kill in lost:
            by_reason.setdefault(kill.missing, []).append(kill.name)
        for reason, names in by_reason.items():
            lines += _wrap(f"{', '.join(names)}: {reason}.", "    ")
    federal = federal_summary(read, stated)
    doses = federal["dose"]
    if isinstance(doses, dict) and doses.get("A") is not None:
        lines += _wrap(
            f"Federal time-temperature dose (regime A, equation 2): E = {doses['A']:.3g}; 1 is "
            f"equivalent. {federal['note']}",
            "  ",
        )
    if working:
        lines += _kill_working(kills)
    return lines


def _kill_working(kills: Sequence[Kill]) -> list[str]:
    lines = ["  Working, thermal death"]
    lines += _wrap(
        "dose = Σ Δt / time(T), the lower of two successive readings less the probe error, at most "
        "36 h apart; log time(T) is linear between tested temperatures (z), none below the lowest, "
        "no faster above the highest; the point with the least dose decides. Hours at 55 °C = dose "
        "× time(55 °C). [measured: the log]",
        "    ",
    )
    for kill in kills:
        if not kill.organism.points:
            continue
        points = "; ".join(
            f"{point.temp_c:g} °C {point.time_min:.6g} min"
            + (
                f" for {point.log10_reduction:g} log10"
                if point.log10_reduction is not None
                else " to kill"
            )
            for point in kill.organism.points
        )
        z = f", z = {kill.z_c:.2f} °C" if kill.z_c is not None else ""
        note = f" {kill.organism.note}" if kill.organism.note else ""
        lines += _wrap(f"{kill.name}: {points}{z}. [{kill.organism.mark}]{note}", "    ")
        for line in source_lines(kill.organism.sources):
            lines += _wrap(line, "      ")
    return lines


def hot_zone(read: LogFile, stated: Stated, share: float, mixing: float) -> dict[str, object]:
    """Return how much of the heap the turnings of the log leave never hot, as a gauge."""
    from heapwright.data.sanitation import terms
    from heapwright.science.sanitation import current_period
    from heapwright.science.turning import never_hot_share, turnings_needed

    period = current_period(read.log, stated, terms())
    turned = 0 if period is None else period.turned_days
    return {
        "hot_share": share,
        "turnings": turned,
        "mixing_efficiency": mixing,
        "never_hot_share": never_hot_share(share, turned, mixing_efficiency=mixing),
        "turnings_for_1_in_1000": turnings_needed(share, 0.001) if share > 0 else None,
    }


def hot_zone_lines(gauge: dict[str, object], *, working: bool) -> list[str]:
    """Return the hot-zone gauge in words."""
    never = float(str(gauge["never_hot_share"]))
    share = float(str(gauge["hot_share"]))
    reduction = f" ({-math.log10(never):.1f} log10)" if never > 0 else ""
    text = (
        f"Hot zone (a gauge): if {share:.0%} of the heap is hot, the {gauge['turnings']} turnings "
        f"of the log leave {100 * never:.2g} % of it never hot{reduction}."
    )
    if gauge["turnings_for_1_in_1000"] is not None:
        text += f" {gauge['turnings_for_1_in_1000']} turnings, mixed perfectly, leave 1 in 1,000."
    text += (
        " A bigger bay, insulation, a cover, and placing the skin in the middle do more than "
        "extra turnings."
    )
    lines = ["", *_wrap(text, "")]
    if working:
        lines += _wrap(
            f"never hot = (1 − f) (1 − m f)^turnings, f = {share:.4g}, m = "
            f"{gauge['mixing_efficiency']}; f of a box = (L − 2s)(W − 2s)(H − 2s) / (L W H), the "
            "shell s an assumption to measure. [derived]",
            "    ",
        )
        for line in source_lines(["haug-1993"]):
            lines += _wrap(line, "    ")
    return lines


def _points_text(proof: Proof) -> str:
    points = proof.stated.points
    if isinstance(points, int):
        return f"at least {points} different points each day"
    return ", ".join(name or "the one unnamed" for name in proof.required_points) or "any one"


def _labelled(label: str, texts: Sequence[str]) -> list[str]:
    lines: list[str] = []
    for text in texts:
        lines += _wrap(with_options(text), f"  {label + ':':<9} ", " " * 12)
    return lines


def _spans(days: Sequence[str]) -> str:
    return "none" if not days else f"{days[0]} to {days[-1]}"


def _both(temp_c: float) -> str:
    return f"{temp_c:.4g} °C ({fahrenheit_from_celsius(temp_c):.4g} °F)"


def _low(temp_c: float, fahrenheit: bool) -> str:
    """Return one decimal, never rounded up past a limit."""
    value = fahrenheit_from_celsius(temp_c) if fahrenheit else temp_c
    return f"{math.floor(value * 10 + 1e-4) / 10:.1f}"


def _wrap(text: str, first: str, then: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=first if then is None else then
    )
