"""Weather: the days about today with where they come from, the gauge, files, and the forecast."""

from __future__ import annotations

import tempfile
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, Final, cast

from django import forms
from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST

from heapwright.data import weather as facts
from heapwright.errors import InputError
from heapwright.files import weather_service
from heapwright.files.weather import BYTES
from heapwright.files.weather_import import StatedUnits, StationFile, read_station_file
from heapwright.people.models import User
from heapwright.web.answers import done
from heapwright.web.fields import NumberField
from heapwright.web.forms import PersonForm
from heapwright.web.heat import step_of
from heapwright.web.measures import MEASURES, figure, with_unit
from heapwright.web.more import weather_chart
from heapwright.web.more.logs import WeatherForm
from heapwright.web.shell import helper_only, lead_only
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import Teller
from heapwright.yard import history, tend, weather_forecast, weather_kept
from heapwright.yard import weather as records
from heapwright.yard.errors import FieldError
from heapwright.yard.models import Origin, Site, WeatherGot, WeatherSettings

BACK_DAYS: Final = 14
AHEAD_DAYS: Final = 7
BACK_MOST: Final = 370
SMALL_PX, WIDE_PX = 328, 640
FILES_SHOWN: Final = 10


def weather(request: HttpRequest) -> HttpResponse:
    """Show the days about today; take the gauge of a day from a helper or a lead."""
    form = None
    if request.user.may_log:
        form = WeatherForm(request.POST or None, person=request.user)
    if request.method == "POST":
        return helper_only(_log)(request, form)
    return _page(request, form)


def _log(request: HttpRequest, form: WeatherForm) -> HttpResponse:
    entry = form.write(tend.log_weather)
    if entry is None:
        return _page(request, form)
    told = Teller(request.user.units)(history.entries().get(pk=entry.pk))
    return done(request, _("Logged: %(what)s.") % {"what": told}, "weather", undo=entry)


def _page(request: HttpRequest, form: WeatherForm | None) -> HttpResponse:
    site = Site.load()
    today = timezone.now().astimezone(site.tz).date()
    back = _back(request)
    past = records.days(today - timedelta(days=back), today - timedelta(days=1))
    coming = records.days(today, today + timedelta(days=AHEAD_DAYS - 1), with_typical=True)
    units = request.user.units
    if wants_csv(request):
        return _csv([*past, *coming])
    shown = [*past[-BACK_DAYS:], *coming]
    charts = [
        {
            "narrow": make(shown, today, units, uid=f"{name}-small", width_px=SMALL_PX),
            "wide": make(shown, today, units, uid=f"{name}-wide", width_px=WIDE_PX),
            "caption": caption,
        }
        for name, make, caption in (
            ("temps", weather_chart.temperatures, _temp_caption(units)),
            ("rain", weather_chart.rain, _rain_caption(units)),
        )
    ]
    chosen = WeatherSettings.load()
    context = {
        "form": form,
        "lede": _lede(past[-BACK_DAYS:], coming, units),
        "charts": [one for one in charts if one["narrow"] is not None],
        "table": _table(request, [*past, *coming], today, units),
        "year": _year_says(),
        "forecast": _forecast_says(chosen, site),
        "forecast_on": chosen.forecast_on,
        "files": _files(site),
    }
    return render(request, "heapwright/more/weather.html", context)


def _back(request: HttpRequest) -> int:
    """Return how many days back are asked for."""
    text = request.GET.get("back", "")
    return min(max(int(text), 1), BACK_MOST) if text.isdecimal() and len(text) < 5 else BACK_DAYS


def _lede(past: list[records.DayWeather], coming: list[records.DayWeather], units: str) -> str:
    fell = [day.rain_mm for day in past if day.rain_mm is not None]
    ahead = [
        day.rain_mm
        for day in coming
        if day.rain_mm is not None and day.rain_origin != Origin.TYPICAL
    ]
    said = []
    if len(fell) == len(past) > 1:
        said.append(
            _("%(rain)s of rain in the last %(all)d days.")
            % {"rain": with_unit(sum(fell), "rain", units), "all": len(past)}
        )
    elif fell:
        said.append(
            ngettext(
                "%(rain)s of rain on the %(count)d day that is known of the last %(all)d.",
                "%(rain)s of rain on the %(count)d days that are known of the last %(all)d.",
                len(fell),
            )
            % {"rain": with_unit(sum(fell), "rain", units), "count": len(fell), "all": len(past)}
        )
    else:
        said.append(_("No rain gauge was read in the last %(all)d days.") % {"all": len(past)})
    if ahead:
        said.append(
            ngettext(
                "%(rain)s of rain foreseen for the coming %(count)d day.",
                "%(rain)s of rain foreseen for the coming %(count)d days.",
                len(ahead),
            )
            % {"rain": with_unit(sum(ahead), "rain", units), "count": len(ahead)}
        )
    else:
        said.append(_("No forecast is known: the typical year stands for the coming days."))
    return " ".join(said)


def _temp_caption(units: str) -> str:
    return _("Lowest to highest temperature of each day, %(unit)s.") % {
        "unit": MEASURES["temp"][units].sign
    }


def _rain_caption(units: str) -> str:
    return _(
        "Rain, %(unit)s. Strong: measured here; softer: imported; framed: forecast; dashed frame: "
        "typical year."
    ) % {"unit": MEASURES["rain"][units].sign}


def _table(
    request: HttpRequest, days: list[records.DayWeather], today: date, units: str
) -> dict[str, Any]:
    temp, rain, wind = (MEASURES[name][units].sign for name in ("temp", "rain", "wind"))
    columns = (
        Column(_("Day"), short=True),
        Column(_("Lowest"), temp, number=True),
        Column(_("Highest"), temp, number=True),
        Column(_("Rain"), rain, number=True),
        Column(_("Wind"), wind, number=True, may_lack=True),
        Column(_("Where from"), says_itself=True),
    )
    rows = [
        Row(
            (
                _("Today, %(day)s") % {"day": date_format(day.day, "D j M")}
                if day.day == today
                else date_format(day.day, "D j M"),
                _on_its_colour(day.temp_min_c, units),
                _on_its_colour(day.temp_max_c, units),
                figure(day.rain_mm, "rain", units),
                figure(day.wind_m_s, "wind", units),
                _origins(day),
            )
        )
        for day in days
    ]
    return table(
        "weather",
        _("Day by day"),
        columns,
        rows,
        download_href=csv_href(request),
        note=_("A dash, or nothing: nobody read it, nothing was imported."),
    )


def _on_its_colour(temp_c: float | None, units: str) -> str:
    if temp_c is None:
        return figure(None, "temp", units)
    return format_html(
        '<span class="heat heat-{}">{}</span>',
        step_of(temp_c).number,
        figure(temp_c, "temp", units),
    )


def _origins(day: records.DayWeather) -> str:
    """Return where a day's figures come from; the rain's origin where it is another's."""
    if not day.origins:
        return "–"
    names = [str(origin.label) for origin in day.origins]
    if len(names) > 1 and day.rain_origin is not None:
        return _("%(origins)s (rain: %(rain)s)") % {
            "origins": ", ".join(names), "rain": day.rain_origin.label,
        }  # fmt: skip
    return ", ".join(names)


def _csv(days: list[records.DayWeather]) -> HttpResponse:
    """Return the days in SI with their origins."""
    return csv_file(
        "weather",
        ("day", "temp_min_c", "temp_max_c", "rain_mm", "wind_m_s", "origins", "rain_origin"),
        (
            (
                day.day.isoformat(), day.temp_min_c, day.temp_max_c, day.rain_mm, day.wind_m_s,
                " ".join(day.origins), day.rain_origin or "",
            )
            for day in days
        ),
    )  # fmt: skip


def _year_says() -> str:
    year = records.typical_year()
    if len(year.own) == 12:
        return _(
            "Where nobody knows the weather, that of a typical year stands: the means of this "
            "site’s own past."
        )
    said = _("Where nobody knows the weather, that of a typical year stands: %(climate)s.") % {
        "climate": year.climate.name
    }
    if year.own:
        said += " " + ngettext(
            "%(count)d of its months is a mean of this site’s own past.",
            "%(count)d of its months are means of this site’s own past.",
            len(year.own),
        ) % {"count": len(year.own)}
    if year.assumed:
        said += " " + _("This climate is assumed; a lead can choose the right one.")
    return said


def _forecast_says(chosen: WeatherSettings, site: Site) -> str:
    last = WeatherGot.objects.filter(origin=Origin.FORECAST).first()
    on = (
        _("The forecast of the %(name)s is fetched when a lead asks for it.")
        if chosen.forecast_on
        else _("No forecast is fetched: that is off until a lead sets it on.")
    ) % {"name": weather_service.NAME}
    if last is None:
        return on
    old = timezone.now() - last.got_at > timedelta(hours=facts.figure("forecast_stale_h").value)
    got = _("The last one is of %(when)s, from %(what)s.") % {
        "when": _when(last.got_at, site), "what": last.what,
    }  # fmt: skip
    return f"{on} {got}" + (" " + _("It is old: fetch a new one.") if old else "")


def _when(at: datetime, site: Site) -> str:
    return date_format(at.astimezone(site.tz), "j M Y H:i")


def _files(site: Site) -> list[dict[str, Any]]:
    """Return the files that were loaded, the latest first."""
    found = WeatherGot.objects.exclude(origin=Origin.FORECAST).select_related("got_by")
    return [
        {
            "got": one,
            "origin": Origin(one.origin).label,
            "when": _when(one.got_at, site),
            "withdrawn": "" if one.withdrawn_at is None else _when(one.withdrawn_at, site),
            "withdraw_href": reverse("weather-withdraw", args=[one.pk]),
        }
        for one in found[:FILES_SHOWN]
    ]


# a file


class WeatherFileForm(PersonForm):
    """A file of weather."""

    file = forms.FileField(
        label=gettext_lazy("File"),
        help_text=gettext_lazy(
            "Our own table (time, temp_c, rain_mm, by hour or day), or NOAA’s daily records of a "
            "station: .dly, or CSV."
        ),
        widget=forms.FileInput({"accept": ".csv,.dly,.txt,text/csv,text/plain"}),
    )
    here = forms.BooleanField(label=gettext_lazy("The station stands on this site"), required=False)
    units = forms.ChoiceField(
        label=gettext_lazy("Units, where the file leaves them open"),
        required=False,
        choices=[
            ("", gettext_lazy("as the file tells")),
            ("tenths", gettext_lazy("tenths of a millimetre and of a °C")),
            ("metric", gettext_lazy("millimetres and °C")),
            ("us", gettext_lazy("inches and °F")),
        ],
    )
    station = forms.CharField(
        label=gettext_lazy("Station, where the file holds several"), required=False, max_length=40
    )
    replace = forms.BooleanField(
        label=gettext_lazy("Where a day is known with other figures, these hold"), required=False
    )

    def clean_file(self) -> UploadedFile:
        """Refuse a file that is far too large."""
        file: UploadedFile = self.cleaned_data["file"]
        if (file.size or 0) > BYTES:
            raise forms.ValidationError(
                _("It is larger than %(most)d MB; split it.") % {"most": BYTES // 1_000_000}
            )
        return file

    def read(self) -> StationFile | None:
        """Return what the file holds, or put what is wrong with it beside it."""
        said = self.cleaned_data
        with tempfile.TemporaryDirectory(prefix="heapwright-weather-") as folder:
            path = Path(folder) / (Path(said["file"].name or "").name or "file")
            path.write_bytes(b"".join(said["file"].chunks()))
            try:
                return read_station_file(
                    path,
                    Site.load().tz,
                    stated_units=cast("StatedUnits | None", said["units"] or None),
                    station=said["station"].strip() or None,
                )
            except InputError as error:
                self.add_error("file", f"{error}.")
                return None

    def keep(self) -> weather_kept.Stored | None:
        """Keep what it holds, or put the refusal beside its field."""
        if not self.is_valid():
            return None
        read = self.read()
        if read is None:
            return None
        try:
            stored = weather_kept.keep(
                read.rows,
                origin=Origin.MEASURED if self.cleaned_data["here"] else Origin.IMPORTED,
                what=read.file[:200],
                station=read.station,
                by=self.person,
                replace=self.cleaned_data["replace"],
            )
        except FieldError as error:
            field = "replace" if error.field == "replace" else "file"
            self.add_error(field, f"{error.message[:1].upper()}{error.message[1:]}.")
            return None
        self.notes = read.notes
        return stored


@helper_only
def weather_file(request: HttpRequest) -> HttpResponse:
    """Take a file of weather."""
    form = WeatherFileForm(request.POST or None, request.FILES or None, person=request.user)
    if request.method == "POST":
        stored = form.keep()
        if stored is not None:
            for note in form.notes:
                messages.info(request, note)
            return done(request, _stored_says(stored), "weather")
    context = {
        "form": form,
        "title": _("Weather from a file"),
        "lede": _("All of it or nothing; the same again changes nothing."),
        "act_word": _("Take it in"),
        "back": reverse("weather"),
        "multipart": True,
    }
    return render(request, "heapwright/more/weather_file.html", context)


def _stored_says(stored: weather_kept.Stored) -> str:
    if stored.got is None:
        return _("Nothing new: all of it was there already.")
    said = ngettext("%(count)d row is new.", "%(count)d rows are new.", stored.new) % {
        "count": stored.new
    }
    if stored.replaced:
        said += " " + ngettext(
            "%(count)d has new figures.", "%(count)d have new figures.", stored.replaced
        ) % {"count": stored.replaced}
    if stored.there:
        said += " " + ngettext(
            "%(count)d was there already.", "%(count)d were there already.", stored.there
        ) % {"count": stored.there}
    return said


@require_POST
@lead_only
def weather_withdraw(request: HttpRequest, got: int) -> HttpResponse:
    """Take out what a file brought."""
    found = WeatherGot.objects.exclude(origin=Origin.FORECAST).filter(pk=got).first()
    if found is None:
        raise Http404
    try:
        count = weather_kept.withdraw(found, cast("User", request.user))
    except FieldError:
        return done(request, _("It was withdrawn before."), "weather", level=messages.WARNING)
    said = ngettext(
        "%(count)d row of %(what)s is out.", "%(count)d rows of %(what)s are out.", count
    ) % {"count": count, "what": found.what}
    return done(request, said, "weather")


# the settings and the forecast


class WeatherSettingsForm(PersonForm):
    """The climate, and whether the forecast may be fetched."""

    climate = forms.ChoiceField(
        label=gettext_lazy("Climate of the site"),
        required=False,
        help_text=gettext_lazy("For the days that nobody knows."),
    )
    latitude_deg = NumberField(
        label=gettext_lazy("Latitude, degrees"),
        required=False,
        low=-90,
        high=90,
        help_text=gettext_lazy("North above zero, such as 47.61."),
    )
    longitude_deg = NumberField(
        label=gettext_lazy("Longitude, degrees"),
        required=False,
        low=-180,
        high=180,
        help_text=gettext_lazy("West below zero, such as -122.33."),
    )
    forecast_on = forms.BooleanField(
        label=gettext_lazy("Fetch the forecast of the US National Weather Service when asked to"),
        required=False,
    )
    contact = forms.CharField(
        label=gettext_lazy("Contact"),
        required=False,
        max_length=120,
        help_text=gettext_lazy(
            "A mail address or page. The service is told it, and the coordinates; nothing else "
            "leaves this site."
        ),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = cast("forms.ChoiceField", self.fields["climate"])
        assumed = facts.assumed_climate(Site.load().latitude_deg)
        field.choices = [
            ("", _("not chosen (assumed: %(name)s)") % {"name": assumed.name}),
            *(
                (one.id, f"{one.name[:1].upper()}{one.name[1:]} ({one.letters})")
                for one in facts.climates().values()
            ),
        ]
        for name in ("latitude_deg", "longitude_deg"):
            self.fields[name].widget.attrs["inputmode"] = "text"

    def clean(self) -> dict[str, Any]:
        """Ask for what the service needs before it is set on."""
        said = super().clean() or self.cleaned_data
        contact = (said.get("contact") or "").strip()
        said["contact"] = contact
        if not contact.isprintable() or not contact.isascii():
            self.add_error("contact", _("Use plain letters: it goes into a header."))
        if (said.get("latitude_deg") is None) != (said.get("longitude_deg") is None) and not (
            self.errors
        ):
            self.add_error("longitude_deg", _("State both latitude and longitude, or neither."))
        if said.get("forecast_on"):
            if said.get("latitude_deg") is None and "latitude_deg" not in self.errors:
                self.add_error("latitude_deg", _("The service needs the coordinates."))
            if not contact:
                self.add_error("contact", _("The service asks whom to write to."))
        return said

    def save(self) -> None:
        """Keep the settings and the site's coordinates."""
        said = self.cleaned_data
        site = Site.load()
        site.latitude_deg, site.longitude_deg = said["latitude_deg"], said["longitude_deg"]
        site.save()
        chosen = WeatherSettings.load()
        chosen.climate = said["climate"]
        chosen.forecast_on, chosen.contact = said["forecast_on"], said["contact"]
        chosen.changed_at, chosen.changed_by = timezone.now(), self.person
        chosen.save()


@lead_only
def weather_settings(request: HttpRequest) -> HttpResponse:
    """Choose the climate, and set fetching of the forecast on or off."""
    chosen, site = WeatherSettings.load(), Site.load()
    initial = {
        "climate": chosen.climate,
        "forecast_on": chosen.forecast_on,
        "contact": chosen.contact,
        "latitude_deg": "" if site.latitude_deg is None else f"{site.latitude_deg:g}",
        "longitude_deg": "" if site.longitude_deg is None else f"{site.longitude_deg:g}",
    }
    form = WeatherSettingsForm(request.POST or None, person=request.user, initial=initial)
    if request.method == "POST" and form.is_valid():
        form.save()
        said = (
            _("Kept. Press “Fetch the forecast” when you want one.")
            if form.cleaned_data["forecast_on"]
            else _("Kept. No forecast is fetched.")
        )
        return done(request, said, "weather")
    context = {
        "form": form,
        "title": _("Where the weather comes from"),
        "lede": _("Off by default: nothing is asked of anybody until you set it on."),
        "act_word": _("Keep it"),
        "back": reverse("weather"),
    }
    return render(request, "heapwright/more/form.html", context)


@require_POST
@lead_only
def weather_fetch(request: HttpRequest) -> HttpResponse:
    """Fetch the forecast now."""
    try:
        stored = weather_forecast.fetch(cast("User", request.user))
    except FieldError as error:
        said = f"{error.message[:1].upper()}{error.message[1:]}."
        return done(request, said, "weather-settings", level=messages.WARNING)
    except weather_service.ServiceError as error:
        return done(request, f"{error}.", "weather", level=messages.WARNING)
    said = ngettext(
        "The forecast of the coming %(count)d hour is here.",
        "The forecast of the coming %(count)d hours is here.",
        stored.new,
    ) % {"count": stored.new}
    return done(request, said, "weather")
