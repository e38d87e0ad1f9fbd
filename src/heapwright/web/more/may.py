"""Who may strike which entry."""

from __future__ import annotations

from heapwright.people.models import User
from heapwright.yard.models import Entry


def may_strike(person: User, entry: Entry) -> bool:
    """Tell whether the person may strike this entry."""
    mine = person.may_log and entry.recorded_by_id == person.pk
    return not entry.is_struck and (person.may_lead or mine)
