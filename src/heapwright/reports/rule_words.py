"""What a sanitation rule asks, in the words of a sheet."""

from __future__ import annotations

from datetime import date

from heapwright.reports.measures import Units, day, depth, temp_and_unit, with_unit
from heapwright.science.rules import Rule


def asks(rule: Rule, units: Units, *, turnings: int | None = None) -> list[str]:
    """Return what a rule asks for, one short line each.

    Parameters
    ----------
    rule : Rule
    units : {"us", "metric"}
    turnings : int, optional
        The turnings needed, where they differ from the rule's own.
    """
    if rule.judged_by == "nothing in a log":
        return [f"Shown by other records: {part}." for part in rule.beyond_log]
    word = "above" if rule.strict else "at or above"
    limit = f"{word} {temp_and_unit(rule.min_temp_c, units)}"
    if rule.max_temp_c is not None:
        limit += f" and at most {temp_and_unit(rule.max_temp_c, units)}"
    if rule.judged_by == "hold":
        lines = [f"Every point {limit} for {rule.hold_min:g} min unbroken."]
    else:
        row, tail = {
            "consecutive": (" in a row", ""),
            "total": ("", "; they need not be in a row"),
            "unsaid": ("", "; taken in a row, as the document does not say"),
        }[rule.judged_as]
        lines = [f"{rule.days} days{row} with every point {limit}{tail}."]
    wanted = rule.turnings if turnings is None else turnings
    if wanted:
        apart = f", at least {rule.turn_spacing_days} days apart" if rule.turn_spacing_days else ""
        before = (
            f", {rule.hot_days_before_turn} hot days in a row before each"
            if rule.hot_days_before_turn
            else ""
        )
        lines.append(f"{wanted} turnings while it is hot{apart}{before}.")
    if rule.depth_low_cm is not None and rule.depth_high_cm is not None:
        band = f"{depth(rule.depth_low_cm / 100, units)} to "
        band += with_unit(depth(rule.depth_high_cm / 100, units), "depth", units)
        lines.append(f"Read {band} below the surface.")
    if rule.peak_temp_c is not None:
        over = "above" if rule.peak_strict else "at or above"
        peak = temp_and_unit(rule.peak_temp_c, units)
        lines.append(f"{rule.peak_min / 60:g} h of them {over} {peak}.")
    if rule.mean_temp_c is not None:
        lines.append(f"The mean above {temp_and_unit(rule.mean_temp_c, units)}.")
    if rule.cover_cm:
        deep = with_unit(depth(rule.cover_cm / 100, units), "depth", units)
        lines.append(f"Insulation of {deep} or more over it.")
    if rule.all_zones:
        lines.append("All of the material, not the core alone.")
    return lines


def document(rule: Rule) -> str:
    """Return jurisdiction, document and edition."""
    edition = f", {rule.edition}" if rule.edition else ""
    return f"{rule.jurisdiction}, {rule.document}{edition}"


def standing(rule: Rule) -> str:
    """Return how the rule is known: as read on which day, and its mark."""
    known = {
        "published": "Published; its text as read on",
        "common practice": "Common practice, as written down on",
        "from memory": "From memory, to be checked before relying on it; as written down on",
    }[rule.mark]
    return f"{known} {day(date.fromisoformat(rule.as_read))}"
