"""The small site itself adds up, and a browser reaches it."""

from __future__ import annotations

from heapwright.yard.audit import audit
from heapwright.yard.models import Entry


def test_its_books_add_up(small_site):
    result = audit(deep=True)
    assert result.adds_up, result.findings
    assert Entry.objects.filter(struck_at__isnull=False).count() == 1


def test_the_style_sheet_is_served(small_site, browser_page):
    page = browser_page(360)
    answer = page.goto("/static/heapwright/notebook.css")
    assert answer.ok
    assert "--paper" in page.content()
