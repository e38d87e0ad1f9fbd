"""Names, units, figures and ranges of a mix as a person reads them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.science.mixing import Limit
from heapwright.web.measures import DENSITY, with_unit
from heapwright.web.receive.stock import short_name
from heapwright.yard.stock import OnHand

NAMES: Final = {
    "moisture_pct": gettext_lazy("Moisture"),
    "cn": gettext_lazy("C:N"),
    "bulk_density_kg_m3": gettext_lazy("Bulk density"),
    "free_air_space_pct": gettext_lazy("Free air space"),
}


def figure_of(name: str, value: float | None, units: str) -> str:
    """Return a property as it is printed, without its unit."""
    if value is None or not math.isfinite(value):
        return _("none")
    if name == "bulk_density_kg_m3":
        return f"{DENSITY[units].from_si(value):.0f}"
    return f"{value:.0f}" if abs(value) >= 30 else f"{value:.1f}"


def unit_of(name: str, units: str) -> str:
    """Return the sign of a property's unit."""
    if name == "bulk_density_kg_m3":
        return DENSITY[units].sign
    return "%" if name.endswith("_pct") else ""


def range_words(name: str, limit: Limit | None, units: str) -> str:
    """Return a range as a person says it, empty where there is none."""
    if limit is None or (limit.low is None and limit.high is None):
        return ""
    low, high = (None if end is None else _end(name, end, units) for end in (limit.low, limit.high))
    if low is None:
        return _("up to %(high)s") % {"high": high}
    if high is None:
        return _("%(low)s or more") % {"low": low}
    return _("%(low)s to %(high)s") % {"low": low, "high": high}


def _end(name: str, value: float, units: str) -> str:
    if name == "bulk_density_kg_m3":
        return f"{DENSITY[units].from_si(value):.0f}"
    return f"{value:g}"


def short_names(on_hand: Sequence[OnHand]) -> dict[str, str]:
    """Return by id a short name of each ingredient, the whole one where two would be alike."""
    names = {one.id: short_name(one.material.name) for one in on_hand}
    alike = Counter(names.values())
    return {
        one.id: names[one.id] if alike[names[one.id]] == 1 else one.material.name for one in on_hand
    }


def halves(count: float) -> str:
    """Return a count of half containers in words: 2½."""
    whole, half = divmod(round(2 * count), 2)
    return f"{whole or ''}{'½' if half else ''}" or "0"


def on_hand_words(one: OnHand, units: str) -> str:
    """Return what is on hand of one ingredient."""
    mass = with_unit(one.available_kg, "mass", units)
    if one.container is None or not one.container_kg:
        return mass
    count = one.available_kg / one.container_kg
    return f"{count:.1f} × {one.container.name}, {mass}"
