"""``{% table_body table %}``: the rows of a table that ``web.tables.table`` made."""

from __future__ import annotations

from django import template

from heapwright.web.tables import body

register = template.Library()
register.simple_tag(body, name="table_body")
