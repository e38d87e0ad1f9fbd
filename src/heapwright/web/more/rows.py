"""Forms of plain editable rows (places, sources, …) in the person's units."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from django import forms
from django.utils.text import slugify
from django.utils.translation import gettext as _

from heapwright.people.models import User
from heapwright.web.fields import MeasureField, NumberField


class SeenForm(forms.ModelForm):  # type: ignore[type-arg]
    """A form of an editable row that minds whether somebody else changed it meanwhile.

    ``seen`` carries a fingerprint of the row as it was shown. Where the row is another by the
    time that the form comes back, nothing is written; the person is told what it is now, and
    pressing again puts theirs in its place.
    """

    seen = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._now = self._fingerprint()
        self.initial["seen"] = self._now

    def _values(self) -> dict[str, str]:
        """Return what the row's fields are now, as text."""
        if self.instance.pk is None:
            return {}
        fresh = self._meta.model._default_manager.filter(pk=self.instance.pk).first()
        if fresh is None:
            return {}
        values = forms.models.model_to_dict(fresh, fields=self._meta.fields)
        return {
            name: ", ".join(map(str, value)) if isinstance(value, list) else str(value)
            for name, value in values.items()
        }

    def _fingerprint(self) -> str:
        values = self._values()
        if not values:
            return ""
        return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()[:16]

    def clean(self) -> dict[str, Any]:
        """Refuse to write over what somebody else wrote while the form was open."""
        cleaned = super().clean() or self.cleaned_data
        seen = self.data.get(self.add_prefix("seen"), "")
        if seen and seen != self._now:
            self.data = self.data.copy()
            self.data[self.add_prefix("seen")] = self._now
            differs = [
                f"{self.fields[name].label}: {value}"
                for name, value in self._values().items()
                if name in self.fields and name in self.changed_data
            ]
            self.add_error(
                None,
                _(
                    "Somebody changed this while you had it open. It is now: %(now)s. Press "
                    "again to put yours in its place."
                )
                % {"now": "; ".join(differs) or _("as you have it")},
            )
        return cleaned


def as_written(value: float) -> str:
    """Return a measure with no more decimals than tell it to a thousandth: 98.4 for 98.43 ft."""
    for decimals in range(4):
        if abs(round(value, decimals) - value) <= 0.001 * abs(value):
            return f"{value:.{decimals}f}"
    return f"{value:.4g}"


class RowForm(SeenForm):
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
                self.initial[name] = as_written(unit.from_si(value)) if unit else f"{value:.4g}"

    def clean(self) -> dict[str, Any]:
        """Keep what was not changed as it was."""
        cleaned = super().clean() or self.cleaned_data
        for name in self._kept.keys() & cleaned.keys() - set(self.changed_data):
            cleaned[name] = self._kept[name]
        return cleaned


class CodedForm(RowForm):
    """A form of a row whose code may be left empty: it is then made from the name, free of others.

    The code of a row that is there already stays as it is.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].required = False

    def clean(self) -> dict[str, Any]:
        """Make the code where none was typed."""
        cleaned = super().clean()
        if "code" in cleaned and not cleaned["code"] and cleaned.get("name"):
            cleaned["code"] = self.instance.code or self._free_code(cleaned["name"])
        return cleaned

    def _free_code(self, name: str) -> str:
        field = self._meta.model._meta.get_field("code")
        stem = slugify(name) or field.model._meta.model_name
        taken = set(field.model._default_manager.values_list("code", flat=True))
        ends = ("", *(f"-{number}" for number in range(2, len(taken) + 3)))
        codes = (f"{stem[: field.max_length - len(end)].strip('-')}{end}" for end in ends)
        return next(code for code in codes if code not in taken)
