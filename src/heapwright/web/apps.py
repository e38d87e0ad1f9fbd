"""The Django application of the pages."""

from __future__ import annotations

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class WebConfig(AppConfig):
    """Pages, forms and charts."""

    name = "heapwright.web"
    verbose_name = _("pages")

    def ready(self) -> None:
        """Have the charts of a heap drawn along with its forecast; say what a field lacks."""
        from heapwright.yard.forecast import foreseen

        _say_what_is_lacking()
        foreseen.connect(_draw, dispatch_uid="heapwright.web.tend")


def _say_what_is_lacking() -> None:
    """Let every field that was left empty say so in the words of the house."""
    from django import forms

    forms.Field.default_error_messages["required"] = _("This is needed.")
    forms.ChoiceField.default_error_messages["required"] = _("Choose one.")
    for many in (forms.MultipleChoiceField, forms.ModelMultipleChoiceField):
        many.default_error_messages["required"] = _("Tick at least one.")


def _draw(**answer: object) -> None:
    from heapwright.web.tend.drawn import (
        draw,
    )  # pages and their parts: not before they are asked for

    draw(**answer)  # type: ignore[arg-type]
