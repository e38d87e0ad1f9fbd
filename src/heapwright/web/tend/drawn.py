"""The charts of a heap's pages, drawn by the thread that foresees it so that no reader waits.

Charts are kept by what they show (:mod:`heapwright.web.charts`): what is drawn here, a page finds.
"""

from __future__ import annotations

from datetime import datetime

from django.utils import timezone, translation

from heapwright.people.models import User
from heapwright.web.tend import compare, pile
from heapwright.yard.forecast import Outlook
from heapwright.yard.models import Lot, Site


def draw(*, lot: Lot, outlook: Outlook, now: datetime, **_sent: object) -> None:
    """Draw the charts of a heap in the units and languages of those who may look at them."""
    site = Site.load()
    people = User.objects.filter(is_active=True).order_by()
    for units, language in people.values_list("units", "language").distinct():
        with timezone.override(site.tz), translation.override(language):
            pile.charts_of(lot, outlook, now, units, site)
            compare.charts_of(outlook, units, site)
