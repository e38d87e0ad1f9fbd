"""``{{ value|measured:"temp" }}`` in a template: shown in the person's units.

Load with ``{% load measures %}``; the tags read ``units`` from the page's context.
"""

from __future__ import annotations

from typing import Any

from django import template

from heapwright.people.models import Units
from heapwright.web.measures import MEASURES, figure, with_unit

register = template.Library()


@register.simple_tag(takes_context=True)
def measured(context: dict[str, Any], value_si: float | None, measure: str) -> str:
    """Show an SI value with its unit in the person's units."""
    return with_unit(value_si, measure, context.get("units", Units.METRIC))


@register.simple_tag(takes_context=True)
def number(context: dict[str, Any], value_si: float | None, measure: str) -> str:
    """Show an SI value in the person's units, without the unit."""
    return figure(value_si, measure, context.get("units", Units.METRIC))


@register.simple_tag(takes_context=True)
def unit(context: dict[str, Any], measure: str) -> str:
    """Show the sign of the person's unit."""
    return MEASURES[measure][context.get("units", Units.METRIC)].sign
