"""``{{ text|unbroken }}`` in a template: codes of lots and rules stay on one line."""

from __future__ import annotations

from django import template

from heapwright.web.codes import unbroken

register = template.Library()
register.filter("unbroken", unbroken)
