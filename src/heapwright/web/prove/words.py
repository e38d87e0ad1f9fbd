"""A rule and its verdict in words, in the person's units."""

from __future__ import annotations

import math
from typing import Final

from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from heapwright.data import sources
from heapwright.people.models import Units
from heapwright.science.rules import Rule
from heapwright.units import celsius_from_fahrenheit, fahrenheit_from_celsius
from heapwright.web.heat import step_of
from heapwright.web.measures import NBSP, with_unit
from heapwright.web.prove.judged import Judged

VERDICTS: Final = {
    "met": gettext_lazy("met"),
    "not yet": gettext_lazy("not yet"),
    "cannot be shown": gettext_lazy("cannot be shown"),
    "not met": gettext_lazy("not met"),
}

# The science speaks of the command line's options; on the page they are fields.
_FIELDS: Final = (
    ("give --method aerated or vessel", gettext_lazy("state how it is composted")),
    ("give --method aerated", gettext_lazy("state how it is composted")),
    ("give --method vessel", gettext_lazy("state how it is composted")),
    ("with --insulation-cm", gettext_lazy("beside the log")),
    ("state --zone all", gettext_lazy("state that the readings stand for all of it")),
    (" If the clock changed then, give --time-zone.", ""),
)


def plain(text: str) -> str:
    """Return what the science says with the page's own names for what can be stated."""
    for option, words in _FIELDS:
        text = text.replace(option, str(words))
    return text


def limit_text(temp_c: float, units: str) -> str:
    """Return a limit exactly: 55 °C, or 131 °F."""
    value = fahrenheit_from_celsius(temp_c) if units == Units.US else temp_c
    return f"{value:.4g}{NBSP}{'°F' if units == Units.US else '°C'}"


def lowest_text(temp_c: float, units: str) -> str:
    """Return a lowest reading with one decimal, never rounded up past a limit."""
    value = fahrenheit_from_celsius(temp_c) if units == Units.US else temp_c
    return f"{math.floor(value * 10 + 1e-4) / 10:.1f}"


def whole_c(temp_c: float, units: str) -> float:
    """Return a temperature whose whole degree, as drawn, is never rounded up."""
    if units == Units.US:
        return celsius_from_fahrenheit(math.floor(fahrenheit_from_celsius(temp_c) + 1e-6))
    return math.floor(temp_c + 1e-6)


def heat(temp_c: float, units: str) -> SafeString:
    """Return a temperature on its colour, for a cell of a table."""
    return format_html(
        '<span class="heat heat-{}">{}°</span>',
        step_of(temp_c).number,
        lowest_text(temp_c, units),
    )


def asks(rule: Rule, units: str) -> list[str]:
    """Return what a rule asks, a short line each."""
    if rule.judged_by == "nothing in a log":
        return [_("Other records show it: %(part)s.") % {"part": one} for one in rule.beyond_log]
    limit = (_("above %(limit)s") if rule.strict else _("at or above %(limit)s")) % {
        "limit": limit_text(rule.min_temp_c, units)
    }
    if rule.max_temp_c is not None:
        limit = _("%(limit)s and at most %(most)s") % {
            "limit": limit,
            "most": limit_text(rule.max_temp_c, units),
        }
    if rule.judged_by == "hold":
        lines = [
            _("Every point %(limit)s for %(minutes)g minutes unbroken.")
            % {"limit": limit, "minutes": rule.hold_min}
        ]
    else:
        how = {
            "consecutive": _("in a row"),
            "total": _("in all, not necessarily in a row"),
            "unsaid": _("judged in a row, as the document does not say"),
        }[rule.judged_as]
        lines = [
            _("%(days)d days %(how)s with every point %(limit)s.")
            % {"days": rule.days, "how": how, "limit": limit}
        ]
    if rule.turnings:
        line = _("%(n)d turnings while it is hot") % {"n": rule.turnings}
        if rule.turn_spacing_days:
            line += _(", at least %(n)d days apart") % {"n": rule.turn_spacing_days}
        if rule.hot_days_before_turn:
            line += _(", each after %(n)d hot days in a row") % {"n": rule.hot_days_before_turn}
        lines.append(f"{line}.")
    if rule.depth_low_cm is not None and rule.depth_high_cm is not None:
        lines.append(
            _("Read %(low)s to %(high)s below the surface.")
            % {
                "low": with_unit(rule.depth_low_cm, "depth", units),
                "high": with_unit(rule.depth_high_cm, "depth", units),
            }
        )
    if rule.peak_temp_c is not None:
        lines.append(
            _("%(hours)g h of them above %(limit)s.")
            % {"hours": rule.peak_min / 60, "limit": limit_text(rule.peak_temp_c, units)}
        )
    if rule.mean_temp_c is not None:
        lines.append(
            _("The mean above %(limit)s.") % {"limit": limit_text(rule.mean_temp_c, units)}
        )
    if rule.cover_cm:
        lines.append(
            _("%(depth)s of insulation over it.")
            % {"depth": with_unit(rule.cover_cm, "depth", units)}
        )
    if rule.all_zones:
        lines.append(_("All of the material, not the core alone."))
    return lines


def document(rule: Rule) -> str:
    """Return jurisdiction, document, edition, and how the rule is known."""
    edition = f", {rule.edition}" if rule.edition else ""
    return _("%(who)s, %(document)s%(edition)s; as read on %(day)s, %(mark)s") % {
        "who": rule.jurisdiction,
        "document": rule.document,
        "edition": edition,
        "day": rule.as_read,
        "mark": rule.mark,
    }


def cited(ids: tuple[str, ...]) -> str:
    """Return sources in a line."""
    found = sources()
    return "; ".join(
        ", ".join(str(part) for part in (one.author, one.year, one.title) if part)
        for one in (found[name] for name in ids)
    )


def progress(judged: Judged) -> str:
    """Return how many days and turnings count so far."""
    rule, proof = judged.rule, judged.weakest
    if rule.judged_by == "nothing in a log":
        return ""
    if rule.judged_by == "hold":
        return _("%(limit)g min unbroken asked") % {"limit": rule.hold_min}
    counted = proof.days_credited if rule.judged_as == "total" else proof.longest_run_days
    text = _("%(counted)d of %(needed)d days") % {"counted": counted, "needed": rule.days}
    if proof.turnings_needed:
        text += ", " + ngettext(
            "%(counted)d of %(needed)d turning",
            "%(counted)d of %(needed)d turnings",
            proof.turnings_needed,
        ) % {"counted": proof.turnings_credited, "needed": proof.turnings_needed}
    return text


def when(judged: Judged) -> str:
    """Return when it was met, or the earliest date on which it can be."""
    if judged.met_at is not None:
        return date_format(judged.met_at, "j M Y")
    if judged.earliest is not None:
        return _("%(day)s at the earliest") % {"day": date_format(judged.earliest, "j M Y")}
    return ""


def said(judged: Judged) -> str:
    """Return the verdict in a sentence."""
    rule = judged.rule.id
    if judged.met_at is not None:
        return _("%(rule)s is met, since %(day)s.") % {
            "rule": rule,
            "day": date_format(judged.met_at, "j F Y"),
        }
    parts = [_("%(rule)s: %(verdict)s.") % {"rule": rule, "verdict": VERDICTS[judged.verdict]}]
    for more in (progress(judged), when(judged)):
        if more:
            parts.append(f"{more[:1].upper()}{more[1:]}.")
    return " ".join(parts)
