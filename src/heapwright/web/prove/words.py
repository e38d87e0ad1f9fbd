"""A rule and its verdict in words, in the person's units."""

from __future__ import annotations

import math
import re
from datetime import date
from typing import Final

from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from heapwright.data import sources
from heapwright.people.models import Units
from heapwright.science import rule_words
from heapwright.science.rule_words import Quantity, in_fahrenheit
from heapwright.science.rules import Rule
from heapwright.units import celsius_from_fahrenheit, fahrenheit_from_celsius
from heapwright.web.heat import step_of
from heapwright.web.measures import NBSP, with_unit
from heapwright.web.prove.judged import Judged

_ISO_DAY: Final = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")
_BOTH: Final = re.compile(r"(-?\d+(?:\.\d+)?)\s°C \(-?\d+(?:\.\d+)?\s°F\)")
"""A temperature told in both units already, °C first."""

VERDICTS: Final = {
    "met": gettext_lazy("met"),
    "not yet": gettext_lazy("not yet"),
    "cannot be shown": gettext_lazy("cannot be shown"),
    "not met": gettext_lazy("not met"),
}


def plain(text: str, units: str) -> str:
    """Return what the science says: days as they are spoken, °F before each °C for who reads °F."""
    text = _ISO_DAY.sub(_spoken_day, text)
    if units != Units.US:
        return text
    return in_fahrenheit(_BOTH.sub(lambda found: f"{found[1]}{NBSP}°C", text))


_MARKS: Final = {
    "published": gettext_lazy("published"),
    "common practice": gettext_lazy("common practice"),
    "from memory": gettext_lazy("from memory: check the text before relying on it"),
}


def _spoken_day(found: re.Match[str]) -> str:
    try:
        return str(date_format(date.fromisoformat(found[0]), "j F Y"))
    except ValueError:  # a point that somebody called so
        return found[0]


def limit_text(temp_c: float, units: str) -> str:
    """Return a limit exactly: 55 °C, or 131 °F."""
    value = fahrenheit_from_celsius(temp_c) if units == Units.US else temp_c
    return f"{value:.4g}{NBSP}{'°F' if units == Units.US else '°C'}"


def lowest_text(temp_c: float, units: str) -> str:
    """Return a lowest reading to the tenth that it was read to, never rounded up past a limit."""
    value = fahrenheit_from_celsius(temp_c) if units == Units.US else temp_c
    return f"{math.floor(value * 10 + 1e-4) / 10:.1f}".removesuffix(".0")


def whole_c(temp_c: float, units: str) -> float:
    """Return a temperature whose whole degree, as drawn, is never rounded up."""
    if units == Units.US:
        return celsius_from_fahrenheit(math.floor(fahrenheit_from_celsius(temp_c) + 1e-6))
    return math.floor(temp_c + 1e-6)


def heat(temp_c: float, units: str) -> SafeString:
    """Return a temperature on its colour, for a cell of a table whose column names the unit."""
    return format_html(
        '<span class="heat heat-{}">{}</span>',
        step_of(temp_c).number,
        lowest_text(temp_c, units),
    )


def asks(rule: Rule, units: str) -> list[str]:
    """Return what a rule asks, a short line each, in the person's units."""

    def show(value: float, quantity: Quantity) -> str:
        return limit_text(value, units) if quantity == "temp" else with_unit(value, "depth", units)

    return rule_words.asks(rule, show, _=_)


def document(rule: Rule) -> str:
    """Return jurisdiction, document, edition, and how the rule is known."""
    known = (
        _("%(document)s; its text as read on %(day)s, published")
        if rule.mark == "published"
        else _("%(document)s; as written down on %(day)s, %(mark)s")
    )
    return known % {
        "document": rule_words.document(rule),
        "day": date_format(date.fromisoformat(rule.as_read), "j M Y"),
        "mark": _MARKS[rule.mark],
    }


def cited(ids: tuple[str, ...]) -> str:
    """Return sources in a line."""
    found = sources()
    return "; ".join(
        ", ".join(str(part) for part in (one.author, one.year, one.title) if part)
        for one in (found[name] for name in ids)
    )


def progress(judged: Judged) -> str:
    """Return how many of the days and turnings asked for there are so far."""
    rule, proof = judged.rule, judged.weakest
    if rule.judged_by == "nothing in a log":
        return ""
    if rule.judged_by == "hold":
        return _("%(limit)g min unbroken asked") % {"limit": rule.hold_min}
    counted = proof.days_credited if rule.judged_as == "total" else proof.longest_run_days
    text = _("%(counted)d of %(needed)d days") % {
        "counted": min(counted, rule.days),
        "needed": rule.days,
    }
    if proof.turnings_needed:
        text += ", " + ngettext(
            "%(counted)d of %(needed)d turning",
            "%(counted)d of %(needed)d turnings",
            proof.turnings_needed,
        ) % {
            "counted": min(proof.turnings_credited, proof.turnings_needed),
            "needed": proof.turnings_needed,
        }
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
