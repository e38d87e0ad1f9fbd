"""Codes in running text, as a reader of the page sees them."""

from __future__ import annotations

import re


def whole_codes(html: str) -> str:
    """Return a page without the marks that only keep a code on one line."""
    return re.sub(r'<span class="unbroken">([^<]*)</span>', r"\1", html)
