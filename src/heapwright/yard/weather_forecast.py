"""Fetching the forecast: only when a lead has set it on, and only when somebody asks for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.utils import timezone
from django.utils.translation import gettext as _

from heapwright.files import weather_service
from heapwright.yard import weather_kept
from heapwright.yard.errors import FieldError, RoleError
from heapwright.yard.models import Site
from heapwright.yard.models.weather import WeatherSettings

if TYPE_CHECKING:
    from heapwright.people.models import User


def fetch(by: User, *, base: str = weather_service.BASE) -> weather_kept.Stored:
    """Fetch the forecast for the site's coordinates and keep it.

    Raises
    ------
    RoleError
        If the person is no lead.
    FieldError
        If it is not set on, or coordinates or contact are missing.
    heapwright.files.weather_service.ServiceError
        If the service cannot be reached or understood; what is kept stays as it is.
    """
    if not by.may_lead:
        raise RoleError(_("only a lead fetches the forecast"))
    chosen, site = WeatherSettings.load(), Site.load()
    if not chosen.forecast_on:
        raise FieldError(_("fetching the forecast is not set on"), field="forecast_on")
    if site.latitude_deg is None or site.longitude_deg is None:
        raise FieldError(_("the site’s coordinates are not known"), field="latitude_deg")
    if not chosen.contact:
        raise FieldError(_("the service asks whom to write to; state a contact"), field="contact")
    rows = weather_service.fetch_forecast(
        site.latitude_deg, site.longitude_deg, chosen.contact, now=timezone.now(), base=base
    )
    return weather_kept.keep_forecast(rows, what=weather_service.NAME, by=by)
