"""The Django application of the records."""

from __future__ import annotations

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class YardConfig(AppConfig):
    """Places, sources, materials, lots, ledger, entries and readings."""

    name = "heapwright.yard"
    verbose_name = _("yard")
