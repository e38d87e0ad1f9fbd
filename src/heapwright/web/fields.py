"""Form fields that read numbers strictly and keep what was typed."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from heapwright.errors import InputError
from heapwright.files.table import parse_number
from heapwright.web.measures import MEASURES, Unit


class NumberField(forms.CharField):
    """A plain number with one decimal mark; the cleaned value is a float or None.

    ``low`` and ``high`` bound it (inclusive).
    """

    def __init__(
        self, *, low: float | None = None, high: float | None = None, **kwargs: Any
    ) -> None:
        self.low, self.high = low, high
        kwargs.setdefault("widget", forms.TextInput())
        super().__init__(**kwargs)
        self.widget.attrs.setdefault("inputmode", "decimal")
        self.widget.attrs.setdefault("autocomplete", "off")

    def clean(self, value: Any) -> float | None:  # type: ignore[override]
        """Return the number, or None for a blank that may stay blank."""
        text = super().clean(value)
        if not text:
            return None
        try:
            number = parse_number(text)
        except InputError as error:
            raise ValidationError(error.message) from None
        if self.low is not None and number < self.low:
            raise ValidationError(_("%(low)g is the least.") % {"low": self.low})
        if self.high is not None and number > self.high:
            raise ValidationError(_("%(high)g is the most.") % {"high": self.high})
        return self.to_si(number)

    def to_si(self, number: float) -> float:
        """Return the number as it is kept."""
        return number


class MeasureField(NumberField):
    """A number in the person's units; the cleaned value is SI.

    Call :meth:`use` with the person's system before rendering or cleaning;
    :class:`~heapwright.web.forms.ActForm` does.
    """

    def __init__(self, measure: str, **kwargs: Any) -> None:
        self.measure = measure
        self.unit: Unit = MEASURES[measure]["metric"]
        super().__init__(**kwargs)

    def use(self, system: str) -> None:
        """Read and show in this system of units."""
        self.unit = MEASURES[self.measure][system]

    @property
    def sign(self) -> str:
        """The unit's sign, for the label beside the entry."""
        return self.unit.sign

    def to_si(self, number: float) -> float:
        """Return the number in SI."""
        return self.unit.to_si(number)
