"""Weather that came from elsewhere: imported records and forecasts, and how the site gets them.

What people read off the site's own gauge are entries (:class:`~heapwright.yard.models.Weather`).
These rows are reference data, not the ledger: a forecast is replaced by the next one, and a lead
may withdraw an import. Read both through :mod:`heapwright.yard.weather`.
"""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _


class Origin(models.TextChoices):
    """Where a figure of the weather comes from, the best first."""

    MEASURED = "measured", _("measured here")
    IMPORTED = "imported", _("imported")
    FORECAST = "forecast", _("forecast")
    TYPICAL = "typical", _("typical year")


STORED = (Origin.MEASURED, Origin.IMPORTED, Origin.FORECAST)
"""What rows may be; a typical year is computed when it is asked for."""


class WeatherGot(models.Model):
    """One getting of weather: a file that was loaded or a forecast that was fetched."""

    origin = models.CharField(_("origin"), max_length=10, choices=Origin)
    what = models.CharField(_("what"), max_length=200, help_text=_("A file or a service."))
    station = models.CharField(_("station"), max_length=200, blank=True)
    got_at = models.DateTimeField(_("when"), db_index=True)
    got_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn_at = models.DateTimeField(_("withdrawn"), null=True, blank=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        """A typical year is never stored."""

        verbose_name = _("weather that was got")
        ordering: ClassVar = ["-got_at"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(origin__in=STORED), name="weather_got_origin_known")
        ]

    def __str__(self) -> str:
        return self.what


class WeatherRow(models.Model):
    """The weather of a stretch of time, at most a day: what is not known is null.

    Temperature is the mean of the stretch, or at its start where it lasts an hour or less; rain
    is what fell in the whole stretch.
    """

    got = models.ForeignKey(WeatherGot, models.CASCADE, related_name="rows")
    origin = models.CharField(_("origin"), max_length=10, choices=Origin)
    starts_at = models.DateTimeField(_("from"))
    ends_at = models.DateTimeField(_("to"))
    temp_c = models.FloatField(_("temperature"), null=True, blank=True)
    temp_min_c = models.FloatField(_("lowest temperature"), null=True, blank=True)
    temp_max_c = models.FloatField(_("highest temperature"), null=True, blank=True)
    rain_mm = models.FloatField(_("rain"), null=True, blank=True)
    humidity_pct = models.FloatField(_("relative humidity"), null=True, blank=True)
    wind_m_s = models.FloatField(_("wind"), null=True, blank=True)

    class Meta:
        """One row a stretch and origin; what cannot be is not kept."""

        verbose_name = _("weather of a stretch of time")
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["origin", "starts_at", "ends_at"], name="weather_row_once"
            ),
            models.CheckConstraint(condition=Q(origin__in=STORED), name="weather_row_origin_known"),
            models.CheckConstraint(
                condition=Q(starts_at__lt=F("ends_at")), name="weather_row_lasts"
            ),
            models.CheckConstraint(
                condition=Q(rain_mm=None) | Q(rain_mm__range=(0, 2000)),
                name="weather_row_rain_possible",
            ),
            models.CheckConstraint(
                condition=Q(humidity_pct=None) | Q(humidity_pct__range=(0, 100)),
                name="weather_row_humidity_possible",
            ),
            models.CheckConstraint(
                condition=Q(wind_m_s=None) | Q(wind_m_s__range=(0, 120)),
                name="weather_row_wind_possible",
            ),
            models.CheckConstraint(
                condition=Q(temp_min_c=None)
                | Q(temp_max_c=None)
                | Q(temp_min_c__lte=F("temp_max_c")),
                name="weather_row_lowest_below_highest",
            ),
        ]
        indexes: ClassVar = [models.Index(fields=["starts_at"], name="weather_row_by_time")]

    def __str__(self) -> str:
        return f"{self.starts_at:%Y-%m-%d %H:%M} {self.origin}"


class WeatherSettings(models.Model):
    """How the site gets its weather: one row.

    The coordinates are the site's own. ``contact`` is told to the forecast service, which asks
    to know whom to write to when a program misbehaves.
    """

    climate = models.CharField(_("climate"), max_length=40, blank=True)
    forecast_on = models.BooleanField(_("fetch the forecast"), default=False)
    contact = models.CharField(_("contact"), max_length=120, blank=True)
    changed_at = models.DateTimeField(_("changed"), null=True, blank=True)
    changed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        """There is one site in a database."""

        verbose_name = _("weather settings")
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(id=1), name="weather_settings_are_one")
        ]

    def __str__(self) -> str:
        return str(_("weather settings"))

    @classmethod
    def load(cls) -> WeatherSettings:
        """Return the settings, or unsaved ones with the defaults."""
        return cls.objects.filter(id=1).first() or cls(id=1)
