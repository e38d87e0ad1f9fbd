"""A person with an account."""

from __future__ import annotations

from typing import ClassVar

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.utils.translation import gettext_lazy as _


class Role(models.TextChoices):
    """What a person may do on the site."""

    LEAD = "lead", _("lead")
    HELPER = "helper", _("helper")
    READER = "reader", _("reader")


class Units(models.TextChoices):
    """The units in which a person reads and types; records are kept in SI."""

    US = "us", _("US customary (°F, lb, gal, yd³)")
    METRIC = "metric", _("metric (°C, kg, L, m³)")


class User(AbstractUser):
    """A person who signs in: the lead decides, helpers log, readers read."""

    role = models.CharField(_("role"), max_length=8, choices=Role, default=Role.READER)
    units = models.CharField(_("units"), max_length=8, choices=Units, default=Units.US)
    language = models.CharField(_("language"), max_length=8, default="en")

    class Meta:
        """The database holds only known roles and units."""

        verbose_name = _("person")
        verbose_name_plural = _("people")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=models.Q(role__in=Role.values), name="user_role_known"
            ),
            models.CheckConstraint(
                condition=models.Q(units__in=Units.values), name="user_units_known"
            ),
        ]

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    @property
    def may_log(self) -> bool:
        """Whether this person may write entries."""
        return self.is_active and self.role in (Role.LEAD, Role.HELPER)

    @property
    def may_lead(self) -> bool:
        """Whether this person may set up the site, strike anyone's entry and declare stages."""
        return self.is_active and self.role == Role.LEAD
