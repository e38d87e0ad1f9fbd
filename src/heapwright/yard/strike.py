"""Striking: the one way to take an entry back. It stays, with who struck it, when and why."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from heapwright.people.models import User
from heapwright.yard import ledger, readings
from heapwright.yard.acts import Act, authorise
from heapwright.yard.errors import FieldError, NotFoundError, RoleError
from heapwright.yard.models import Entry, Lot


def strike(entry_id: UUID, reason: str, by: User, *, now: datetime | None = None) -> Entry:
    """Strike an entry: it stays to be seen and counts no longer.

    A helper may strike what they recorded themselves, a lead everything. Striking twice changes
    nothing. To mend an entry rather than to take it back, send the right act with ``replaces``.

    Raises
    ------
    RoleError, NotFoundError, FieldError
        If the person may not, there is no such entry, or no reason is given.
    TimelineError, StockError
        If entries that rest on this one would become impossible; the message names the first.
    """
    authorise(by)
    with transaction.atomic():
        entry = _find(entry_id, "id")
        if entry.is_struck:
            return entry
        _mark(entry, reason, by, now or timezone.now())
        lot_ids = list(entry.lots.values_list("id", flat=True))
        ledger.check_begun(lot_ids)
        ledger.settle(lot_ids, by=entry)
        return entry


def replace(act: Act, by: User, now: datetime) -> tuple[Entry | None, list[Lot]]:
    """Strike the entry that an act replaces; return it and the lots that it had made.

    Called inside the transaction of the act that takes its place.
    """
    if act.replaces is None:
        return None, []
    entry = _find(act.replaces, "replaces")
    if entry.is_struck:
        raise FieldError(_("that entry was struck already"), field="replaces")
    _mark(entry, act.reason, by, now)
    made = Lot.objects.filter(standings__entry=entry, standings__begins=True)
    return entry, list(made.order_by("id"))


def _find(entry_id: UUID, field: str) -> Entry:
    entry = Entry.objects.filter(uuid=entry_id).first()
    if entry is None:
        raise NotFoundError(_("there is no such entry"), field=field)
    return entry


def _mark(entry: Entry, reason: str, by: User, now: datetime) -> None:
    if not by.may_lead and entry.recorded_by_id != by.pk:
        raise RoleError(_("a helper may strike only what they recorded; ask a lead"))
    if not reason.strip():
        raise FieldError(_("say why the entry is struck"), field="reason")
    entry.struck_at, entry.struck_by, entry.struck_reason = now, by, reason.strip()
    entry.save(update_fields=["struck_at", "struck_by", "struck_reason"])
    readings.strike(entry)
