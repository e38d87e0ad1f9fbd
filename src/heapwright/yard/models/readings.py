"""Temperatures by the million, and the daily summaries that keep pages from scanning them.

Readings are written through :mod:`heapwright.yard.readings` only, which keeps the summaries
in the same transaction.
"""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from heapwright.yard.models.ledger import Entry, Lot

NO_DEPTH_CM = -1.0
"""Stored where nobody said how deep; a null would slip past the constraint against duplicates."""

TEMP_LOW_C = -60.0
TEMP_HIGH_C = 150.0
"""Beyond these a probe is broken or the unit is wrong: no pile and no weather reaches them."""


class Reading(models.Model):
    """One temperature: Unix seconds (UTC), lot, point, depth."""

    entry = models.ForeignKey(Entry, models.PROTECT, related_name="readings", db_index=False)
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="readings", db_index=False)
    time_s = models.BigIntegerField(_("time"))
    point = models.CharField(_("point"), max_length=20, blank=True)
    depth_cm = models.FloatField(_("depth"), default=NO_DEPTH_CM)
    temp_c = models.FloatField(_("temperature"))
    struck = models.BooleanField(_("struck"), default=False)

    class Meta:
        """A point is read once at a time; struck readings stay but do not count."""

        verbose_name = _("reading")
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["lot", "time_s", "point", "depth_cm"],
                condition=Q(struck=False),
                name="reading_once",
            ),
            models.CheckConstraint(
                condition=Q(temp_c__range=(TEMP_LOW_C, TEMP_HIGH_C)), name="reading_possible"
            ),
            models.CheckConstraint(
                condition=Q(depth_cm__gte=0) | Q(depth_cm=NO_DEPTH_CM),
                name="reading_depth_possible",
            ),
        ]


class DailySummary(models.Model):
    """The readings of a lot's point and depth on one calendar day of the site."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="summaries", db_index=False)
    day = models.DateField(_("day"))
    point = models.CharField(_("point"), max_length=20, blank=True)
    depth_cm = models.FloatField(_("depth"), default=NO_DEPTH_CM)
    min_c = models.FloatField(_("lowest"))
    max_c = models.FloatField(_("highest"))
    sum_c = models.FloatField(_("sum"))
    count = models.PositiveIntegerField(_("number of readings"))
    first_s = models.BigIntegerField(_("first"))
    last_s = models.BigIntegerField(_("last"))

    class Meta:
        """One row a lot, day, point and depth."""

        verbose_name = _("daily summary")
        verbose_name_plural = _("daily summaries")
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["lot", "day", "point", "depth_cm"], name="summary_once"
            ),
            models.CheckConstraint(
                condition=Q(count__gt=0) & Q(min_c__lte=F("max_c")) & Q(first_s__lte=F("last_s")),
                name="summary_possible",
            ),
        ]

    @property
    def mean_c(self) -> float:
        """Mean of the day's readings (each counted alike)."""
        return self.sum_c / self.count
