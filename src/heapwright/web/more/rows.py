"""Forms of plain editable rows (places, sources, …) in the person's units."""

from __future__ import annotations

from typing import Any

from django import forms

from heapwright.people.models import User
from heapwright.web.fields import MeasureField, NumberField


class RowForm(forms.ModelForm):  # type: ignore[type-arg]
    """A form of a row whose measures are shown and typed in the person's units.

    A figure that was not changed keeps its value to the last digit, however it was rounded to
    be shown. ``initial`` is given in SI.
    """

    def __init__(self, *args: Any, person: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.person = person
        self._kept: dict[str, Any] = {}
        for name, field in self.fields.items():
            if isinstance(field, MeasureField):
                field.use(person.units)
            value = self.initial.get(name)
            if isinstance(field, NumberField) and value is not None:
                self._kept[name] = value
                unit = field.unit if isinstance(field, MeasureField) else None
                self.initial[name] = f"{unit.from_si(value) if unit else value:.4g}"

    def clean(self) -> dict[str, Any]:
        """Keep what was not changed as it was."""
        cleaned = super().clean() or self.cleaned_data
        for name in self._kept.keys() & cleaned.keys() - set(self.changed_data):
            cleaned[name] = self._kept[name]
        return cleaned
