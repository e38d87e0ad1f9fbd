"""The Django application of accounts."""

from __future__ import annotations

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class PeopleConfig(AppConfig):
    """Accounts, roles, and later the tokens of probes."""

    name = "heapwright.people"
    verbose_name = _("people")
