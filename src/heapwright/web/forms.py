"""The form of an act: an id made once, a time, and the records' refusals beside their fields."""

from __future__ import annotations

from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID, uuid4

from django import forms
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from heapwright.people.models import User
from heapwright.web.fields import MeasureField
from heapwright.yard.acts import Act, UseCase
from heapwright.yard.errors import YardError
from heapwright.yard.models import Entry, Site


class SiteTimeField(forms.DateTimeField):
    """A date and time by the site's clock; the cleaned value carries its zone."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault(
            "widget", forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
        )
        kwargs.setdefault("input_formats", ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"])
        super().__init__(**kwargs)

    def prepare_value(self, value: Any) -> Any:
        """Show a time by the site's clock."""
        if isinstance(value, datetime) and timezone.is_aware(value):
            value = value.astimezone(Site.load().tz).replace(tzinfo=None)
        return value

    def to_python(self, value: Any) -> datetime | None:
        """Read a time by the site's clock."""
        with timezone.override(Site.load().tz):
            return super().to_python(value)


class PersonForm(forms.Form):
    """A form in the person's own units."""

    def __init__(self, *args: Any, person: User, **kwargs: Any) -> None:
        self.person = person
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            if isinstance(field, MeasureField):
                field.use(person.units)


class ActForm(PersonForm):
    """The form of one use case.

    ``entry_id`` is made when the form is first shown, so that a second press, the back button
    or a phone that sends twice writes one entry. Subclasses add fields, build the act in
    :meth:`act` and map the act's field names to the form's in ``field_names``.
    """

    field_names: ClassVar[dict[str, str]] = {}

    entry_id = forms.UUIDField(widget=forms.HiddenInput, initial=uuid4)
    happened_at = SiteTimeField(label=_("When"), initial=timezone.now)
    note = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea({"rows": 2}))

    def said(self) -> dict[str, Any]:
        """Return the fields that every act has."""
        return {
            "id": UUID(str(self.cleaned_data["entry_id"])),
            "happened_at": self.cleaned_data["happened_at"],
            "note": self.cleaned_data["note"],
        }

    def act(self) -> Act:
        """Return the act that the form states."""
        raise TypeError(f"{type(self).__name__} states no act")

    def write(self, use_case: UseCase[Any]) -> Entry | None:
        """Write the act, or put the refusal beside its field and return None."""
        if not self.is_valid():
            return None
        try:
            return use_case(self.act(), self.person)
        except YardError as error:
            self.refuse(error)
            return None

    def refuse(self, error: YardError) -> None:
        """Put what the records refuse beside the field that it is about."""
        name = error.field
        field = self.field_names.get(name)
        while field is None and name:
            field = self.field_names.get(name) or (name if name in self.fields else None)
            name = name.rpartition(".")[0]
        self.add_error(field, error.message[:1].upper() + error.message[1:])
