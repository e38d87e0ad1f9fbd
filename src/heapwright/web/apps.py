"""The Django application of the pages."""

from __future__ import annotations

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class WebConfig(AppConfig):
    """Pages, forms and charts."""

    name = "heapwright.web"
    verbose_name = _("pages")

    def ready(self) -> None:
        """Have the charts of a heap drawn along with its forecast."""
        from heapwright.yard.forecast import foreseen

        foreseen.connect(_draw, dispatch_uid="heapwright.web.tend")


def _draw(**answer: object) -> None:
    from heapwright.web.tend.drawn import (
        draw,
    )  # pages and their parts: not before they are asked for

    draw(**answer)  # type: ignore[arg-type]
