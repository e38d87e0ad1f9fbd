"""Forms of acts that may take the place of an entry that was wrong."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.http import Http404, HttpRequest
from django.utils.translation import gettext_lazy as _

from heapwright.people.models import User
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import ActForm
from heapwright.yard.errors import YardError
from heapwright.yard.models import Entry, Kind


class ReplacingForm(ActForm):
    """The form of an act; with ``wrong``, of the one that takes that entry's place.

    Then it starts with what the wrong entry said, and asks for the reason.
    """

    def __init__(
        self,
        *args: Any,
        person: User,
        wrong: Entry | None = None,
        initial: dict[str, Any] | None = None,
        **kwargs: Any,
    ) -> None:
        self.wrong = wrong
        start = dict(initial or {})
        if wrong is not None:
            start = {
                **start,
                "happened_at": wrong.happened_at,
                "note": wrong.note,
                **self.said_before(wrong.sent),
            }
        super().__init__(*args, person=person, initial=start, **kwargs)
        for name, field in self.fields.items():
            value = self.initial.get(name)
            if isinstance(field, NumberField) and isinstance(value, float | int):
                unit = field.unit if isinstance(field, MeasureField) else None
                self.initial[name] = f"{unit.from_si(value) if unit else value:.6g}"
        if wrong is not None:
            self.fields["reason"] = forms.CharField(
                label=_("Why the old entry is struck"), max_length=200
            )

    def said_before(self, sent: dict[str, Any]) -> dict[str, Any]:
        """Return what the wrong entry said as initial values (SI) by the form's field names."""
        return {name: value for name, value in sent.items() if name in self.base_fields}

    def said(self) -> dict[str, Any]:
        """Return the fields that every act has, and what it replaces."""
        said = super().said()
        if self.wrong is not None:
            said |= {"replaces": self.wrong.uuid, "reason": self.cleaned_data["reason"]}
            before = self.wrong.happened_at
            if said["happened_at"] == before.replace(second=0, microsecond=0):
                said["happened_at"] = before  # the field shows minutes; its time was not changed
        return said

    def refuse(self, error: YardError) -> None:
        """Put a refusal of the old entry's striking on top, the others beside their fields."""
        if error.field == "replaces":
            self.add_error(None, error.message[:1].upper() + error.message[1:])
        else:
            super().refuse(error)


def wrong_entry(request: HttpRequest, *kinds: Kind) -> Entry | None:
    """Return the entry that ``?replaces=`` names, which must be of one of these kinds."""
    named = request.GET.get("replaces")
    if not named:
        return None
    try:
        entry = Entry.objects.filter(uuid=UUID(named), kind__in=kinds).first()
    except ValueError:
        entry = None
    if entry is None:
        raise Http404
    return entry
