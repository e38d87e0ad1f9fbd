"""The form of an act: an id made once, a time, and the records' refusals beside their fields."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, ClassVar, Final
from uuid import UUID, uuid4

from django import forms
from django.utils import timezone
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from heapwright.people.models import User
from heapwright.web.fields import MeasureField
from heapwright.yard.acts import Act, UseCase, as_sent
from heapwright.yard.errors import YardError
from heapwright.yard.models import Entry, Kind, Site

TWICE_WITHIN: Final = timedelta(minutes=10)
"""The same act by the same person within this time is asked about before it is written."""


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

    def as_typed(self, name: str) -> str:
        """Return what the person wrote in a field of a measure, with its unit; blank for none."""
        text, field = str(self.data.get(self.add_prefix(name), "")).strip(), self.fields[name]
        return f"{text} {field.sign}" if text and isinstance(field, MeasureField) else ""


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
        said = error.message[:1].upper() + error.message[1:]
        self.add_error(field, said if said.endswith((".", "?")) else f"{said}.")


class OnceForm(ActForm):
    """The form of an act that asks before the same is written twice within minutes.

    A second press of one form is harmless by its id; this is for a form that was opened anew,
    as after the back button. Subclasses say which ``kind`` of entry they write and draw the
    hidden field ``again``.
    """

    kind: ClassVar[Kind]

    again = forms.CharField(required=False, widget=forms.HiddenInput)

    def write(self, use_case: UseCase[Any]) -> Entry | None:
        """Write the act, unless the same was written just now and nobody said that it is two."""
        twin = self._twin() if self.is_valid() else None
        if twin is not None and self.cleaned_data["again"] != str(twin.uuid):
            self.data = self.data.copy()
            self.data["again"] = str(twin.uuid)
            when = twin.recorded_at.astimezone(Site.load().tz)
            self.add_error(
                None,
                gettext("You wrote just this at %(time)s. If it happened twice, press again.")
                % {"time": f"{when:%H:%M}"},
            )
            return None
        return super().write(use_case)

    def refuse(self, error: YardError) -> None:
        """Put a refusal beside its field; a form sent before gets a new id, to be sent again."""
        if error.field != "id":
            super().refuse(error)
            return
        self.data = self.data.copy()
        self.data["entry_id"] = str(uuid4())
        self.add_error(
            None,
            gettext(
                "This form was written before, with other figures. Strike that entry if it was "
                "wrong; press again to write these too."
            ),
        )

    def _twin(self) -> Entry | None:
        """Return an entry that says the same, by the same person, minutes ago."""
        act = self.act()
        said = _content(as_sent(act))
        for entry in Entry.objects.filter(
            kind=self.kind,
            recorded_by=self.person,
            struck_at=None,
            recorded_at__gte=timezone.now() - TWICE_WITHIN,
        ).exclude(uuid=act.id):
            if _content(entry.sent) == said:
                return entry
        return None


def _content(sent: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in sent.items() if name not in ("id", "happened_at")}
