"""Codes of lots and rules in running text, which a line must not break in two."""

from __future__ import annotations

import re
from typing import Final

from django.utils.html import conditional_escape
from django.utils.safestring import SafeString, mark_safe

_TAG: Final = re.compile(r"(<[^>]*>)")
_CODE: Final = re.compile(r"[(“]?\b[A-Z]{1,5}(?:-[A-Za-z0-9]+)+\b[.,:;)”]*")


def unbroken(text: object) -> SafeString:
    """Return a text with each code, such as K-041 or US-FDA-T, kept on one line."""
    parts = _TAG.split(conditional_escape(text))
    for at in range(0, len(parts), 2):  # what stands between tags
        parts[at] = _CODE.sub(r'<span class="unbroken">\g<0></span>', parts[at])
    return mark_safe("".join(parts))  # escaped above; only spans are added
