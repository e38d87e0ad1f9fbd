"""What a sanitation rule asks, in words: one place for pages, prints and commands.

Figures come through the caller's ``show``, so that each reader sees their own units; sentences
pass through the caller's translation where there is one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Final, Literal

from heapwright.science.rules import Rule
from heapwright.units import fahrenheit_from_celsius

Quantity = Literal["temp", "depth"]
Show = Callable[[float, Quantity], str]
"""Shows a temperature (°C) or a depth (cm) with its unit."""
Translate = Callable[[str], str]

# What a person can state beside a log; the command names its option after each.
STATE_METHOD: Final = "state the method"
STATE_COVER: Final = "state its depth"
STATE_ALL_ZONES: Final = "state that the readings stand for all of it"
STATE_ZONE: Final = "state the site's time zone"

NBSP: Final = "\u00a0"
_ERROR = re.compile(r"(\d+(?:\.\d+)?)[ \u00a0]°C of probe error")
_CELSIUS = re.compile(r"(-?\d+(?:\.\d+)?)[ \u00a0]°C(?! \()")


def asks(rule: Rule, show: Show, *, turnings: int | None = None, _: Translate = str) -> list[str]:
    """Return what a rule asks for, one short line each.

    Parameters
    ----------
    rule : Rule
    show : callable
        Shows a temperature or a depth with its unit.
    turnings : int, optional
        The turnings needed, where they differ from the rule's own.
    _ : callable, optional
        Translates a sentence; as it stands when left out.
    """
    if rule.judged_by == "nothing in a log":
        return [_("Shown by other records: %(part)s.") % {"part": one} for one in rule.beyond_log]
    lines = [_held(rule, _limit(rule, show, _), _)]
    wanted = rule.turnings if turnings is None else turnings
    if wanted:
        lines.append(_turned(rule, wanted, _))
    if rule.depth_low_cm is not None and rule.depth_high_cm is not None:
        band = {"low": show(rule.depth_low_cm, "depth"), "high": show(rule.depth_high_cm, "depth")}
        lines.append(_("Read %(low)s to %(high)s below the surface.") % band)
    if rule.peak_temp_c is not None:
        line = (
            _("%(hours)g h of them above %(limit)s.")
            if rule.peak_strict
            else _("%(hours)g h of them at or above %(limit)s.")
        )
        lines.append(line % {"hours": rule.peak_min / 60, "limit": show(rule.peak_temp_c, "temp")})
    if rule.mean_temp_c is not None:
        lines.append(_("The mean above %(limit)s.") % {"limit": show(rule.mean_temp_c, "temp")})
    if rule.cover_cm:
        deep = {"depth": show(rule.cover_cm, "depth")}
        lines.append(_("Insulation of %(depth)s or more over it.") % deep)
    if rule.all_zones:
        lines.append(_("All of the material, not the core alone."))
    return lines


def _limit(rule: Rule, show: Show, _: Translate) -> str:
    limit = (_("above %(limit)s") if rule.strict else _("at or above %(limit)s")) % {
        "limit": show(rule.min_temp_c, "temp")
    }
    if rule.max_temp_c is None:
        return limit
    return _("%(limit)s and at most %(most)s") % {
        "limit": limit,
        "most": show(rule.max_temp_c, "temp"),
    }


def _held(rule: Rule, limit: str, _: Translate) -> str:
    if rule.judged_by == "hold":
        return _("Every point %(limit)s for %(minutes)g min unbroken.") % {
            "limit": limit,
            "minutes": rule.hold_min,
        }
    line = {
        "consecutive": _("%(days)d days in a row with every point %(limit)s."),
        "total": _("%(days)d days with every point %(limit)s; they need not be in a row."),
        "unsaid": _(
            "%(days)d days with every point %(limit)s; taken in a row, as the document does not "
            "say."
        ),
    }[rule.judged_as]
    return line % {"days": rule.days, "limit": limit}


def _turned(rule: Rule, wanted: int, _: Translate) -> str:
    line = (
        _("1 turning while it is hot")
        if wanted == 1
        else _("%(n)d turnings while it is hot") % {"n": wanted}
    )
    if rule.turn_spacing_days:
        line += _(", at least %(n)d days apart") % {"n": rule.turn_spacing_days}
    if rule.hot_days_before_turn:
        line += _(", each after %(n)d hot days in a row") % {"n": rule.hot_days_before_turn}
    return f"{line}."


def document(rule: Rule) -> str:
    """Return jurisdiction, document and edition."""
    edition = f", {rule.edition}" if rule.edition else ""
    return f"{rule.jurisdiction}, {rule.document}{edition}"


def in_fahrenheit(text: str) -> str:
    """Return a sentence of a proof with °F before each °C, for who reads °F.

    A temperature is rounded down to a tenth, so that nothing passes a limit that it missed; a
    probe's error is a difference and has no zero to shift.
    """

    def both(found: re.Match[str]) -> str:
        in_f = math.floor(fahrenheit_from_celsius(float(found[1])) * 10 + 1e-4) / 10
        return f"{in_f:g}{NBSP}°F ({found[1]}{NBSP}°C)"

    text = _ERROR.sub(lambda found: f"{1.8 * float(found[1]):.3g}{NBSP}°F of probe error", text)
    return _CELSIUS.sub(both, text)
