"""The site's weather: which origin holds for which hour, what is kept, who may."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from tests.files.weather_service_shape import NOW as SERVICE_NOW
from tests.files.weather_service_shape import service
from tests.yard.acting import NOW, Yard

from heapwright.files.weather_rows import StationRow
from heapwright.files.weather_service import ServiceError
from heapwright.yard import tend, weather, weather_forecast, weather_kept
from heapwright.yard.errors import FieldError, RoleError
from heapwright.yard.models import Origin, Site, WeatherGot, WeatherRow, WeatherSettings
from heapwright.yard.readings import day_bounds
from heapwright.yard.strike import strike

TZ = Yard.zone
DAY = date(2026, 11, 10)


def midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 8, tzinfo=UTC)  # Pacific standard time


def row(day: date, **figures: float) -> StationRow:
    return StationRow(starts_at=midnight(day), ends_at=midnight(day + timedelta(days=1)), **figures)


def station(lead, *rows, origin=Origin.IMPORTED, **more):
    more.setdefault("now", NOW)
    return weather_kept.keep(rows, origin=origin, what="station.csv", by=lead, **more)


def gauge(yard, day: date, *, at: datetime | None = None, **figures: float):
    at = at or midnight(day + timedelta(days=1)) + timedelta(hours=8)
    return tend.log_weather(tend.LogWeather(happened_at=at, day=day, **figures), yard.lead, now=at)


def test_with_nothing_known_the_typical_year_stands_and_says_so(yard):
    start = midnight(DAY)
    found, origins = weather.hourly_for(start, 48.0)
    assert found.temp_c.shape == (50,)
    assert origins.shares("temp") == origins.shares("rain") == {Origin.TYPICAL: 1.0}
    assert origins.typical.assumed
    assert origins.typical.climate.id == "wet_winter"
    month = origins.typical.month(11)
    assert found.rain_mm_h[:24].sum() == pytest.approx(month.rain_mm / 30)
    assert found.temp_c[6] == pytest.approx(month.temp_min_c)
    assert found.temp_c[15] == pytest.approx(month.temp_max_c)
    assert origins.known_until() == start
    assert origins.forecast_got_at is None


def test_measured_beats_imported_beats_forecast_beats_typical(yard):
    days = [DAY + timedelta(days=n) for n in range(4)]
    gauge(yard, days[0], rain_mm=10.0)
    station(yard.lead, *(row(day, temp_min_c=1.0, temp_max_c=5.0, rain_mm=2.0)
                         for day in days[:2]))  # fmt: skip
    weather_kept.keep_forecast(
        [row(day, temp_min_c=8.0, temp_max_c=9.0, rain_mm=30.0) for day in days[:3]],
        what="x", by=yard.lead,
    )  # fmt: skip
    found, origins = weather.hourly_for(midnight(DAY), 96.0)
    rain = found.rain_mm_h[:96].reshape(4, 24).sum(axis=1)
    month = origins.typical.month(11)
    assert rain == pytest.approx([10.0, 2.0, 30.0, month.rain_mm / 30])
    assert [span.origin for span in origins.spans("rain")] == [
        Origin.MEASURED, Origin.IMPORTED, Origin.FORECAST, Origin.TYPICAL,
    ]  # fmt: skip
    assert [span.origin for span in origins.spans("temp")] == [
        Origin.IMPORTED, Origin.FORECAST, Origin.TYPICAL,
    ]  # fmt: skip
    assert origins.spans("rain")[1].starts_at == midnight(days[1])
    assert origins.known_until("rain") == midnight(days[3])
    assert origins.shares("temp")[Origin.IMPORTED] == pytest.approx(0.5)
    assert found.temp_c[:40].max() == pytest.approx(5.0, abs=0.01)
    assert origins.forecast_got_at is not None
    shown = weather.days(days[0], days[3], with_typical=True)
    assert [day.rain_origin for day in shown] == [
        Origin.MEASURED, Origin.IMPORTED, Origin.FORECAST, Origin.TYPICAL,
    ]  # fmt: skip
    assert shown[0].origins == (Origin.MEASURED, Origin.IMPORTED)
    assert (shown[0].rain_mm, shown[0].temp_max_c) == (10.0, 5.0)


def test_what_is_known_of_a_day_says_how_sure_it_is(yard):
    days = [DAY + timedelta(days=n) for n in range(5)]
    gauge(yard, days[0], rain_mm=10.0)
    station(yard.lead, row(days[0], temp_min_c=4.0, temp_max_c=9.0), row(days[1], temp_c=6.0))
    told = [row(day, temp_min_c=3.0, temp_max_c=8.0, rain_mm=2.0) for day in days[2:4]]
    weather_kept.keep_forecast(told, what="x", by=yard.lead, now=midnight(days[2]))
    found, _origins = weather.hourly_for(midnight(DAY), 5 * 24.0)
    temp, rain = found.spread.temp_share, found.spread.rain_share
    # measured or imported, then a forecast of a day and of two, then the typical year
    assert temp[:2].tolist() == [0.0, 0.0]
    assert 0.4 < temp[2] < temp[3] < 0.6
    assert temp[4] == 1.0
    assert rain[[0, 1, 4]].tolist() == [0.0, 1.0, 1.0]
    assert rain[2:4] == pytest.approx(temp[2:4])


def test_days_all_measured_have_no_spread(yard):
    for n in range(-1, 4):
        station(yard.lead, row(DAY + timedelta(days=n), temp_c=6.0, rain_mm=0.0), now=NOW)
    found, _origins = weather.hourly_for(midnight(DAY), 48.0)
    assert found.spread is None


def test_a_struck_gauge_no_longer_counts_and_the_later_of_two_holds(yard):
    first = gauge(yard, DAY, rain_mm=10.0, temp_max_c=9.0)
    gauge(yard, DAY, rain_mm=4.0, at=first.happened_at + timedelta(hours=1))
    one = weather.days(DAY, DAY)[0]
    assert (one.rain_mm, one.temp_max_c) == (4.0, 9.0)
    strike(first.uuid, "misread", yard.lead)
    one = weather.days(DAY, DAY)[0]
    assert (one.rain_mm, one.temp_max_c) == (4.0, None)


def test_a_gauge_read_before_the_day_is_over_leaves_its_rest_to_the_forecast(yard):
    weather_kept.keep_forecast([row(DAY, temp_min_c=1.0, temp_max_c=9.0, rain_mm=24.0)],
                          what="x", by=None)  # fmt: skip
    gauge(yard, DAY, rain_mm=6.0, temp_max_c=3.0, at=midnight(DAY) + timedelta(hours=8))
    found, origins = weather.hourly_for(midnight(DAY), 24.0)
    assert found.rain_mm_h[:8].sum() == pytest.approx(6.0)
    assert found.rain_mm_h[8:24].sum() == pytest.approx(16.0)
    assert found.temp_c[15] == pytest.approx(9.0)  # nobody knows the highest at eight o'clock
    assert [span.origin for span in origins.spans("rain")] == [Origin.MEASURED, Origin.FORECAST]


def test_the_start_may_lie_anywhere_and_needs_its_zone(yard):
    station(yard.lead, *(row(DAY + timedelta(days=n), rain_mm=12.0) for n in range(3)))
    start = midnight(DAY) + timedelta(hours=7, minutes=41)
    found, _origins = weather.hourly_for(start, 40.0)
    assert found.rain_mm_h[:40] == pytest.approx(np.full(40, 0.5))
    with pytest.raises(ValueError, match="time zone"):
        weather.hourly_for(start.replace(tzinfo=None), 4.0)
    with pytest.raises(ValueError, match="0 is no number of hours"):
        weather.hourly_for(start, 0.0)


def test_hours_in_few_queries(yard, django_assert_max_num_queries):
    gauge(yard, DAY, rain_mm=10.0)
    weather.hourly_for(midnight(DAY), 24.0)
    with django_assert_max_num_queries(8):
        weather.hourly_for(midnight(DAY), 24.0 * 60)


def test_days_over_the_change_of_clocks(yard):
    """1 November 2026 has 25 hours in California, 8 March 23."""
    for day, length in ((date(2026, 11, 1), 25), (date(2026, 3, 8), 23)):
        begins, ends = (datetime.fromtimestamp(one, UTC) for one in day_bounds(day, Site.load().tz))
        assert (ends - begins) == timedelta(hours=length)
        station(yard.lead, StationRow(starts_at=begins, ends_at=ends, rain_mm=5.0))
        found, origins = weather.hourly_for(begins, float(length))
        assert found.rain_mm_h[:length].sum() == pytest.approx(5.0)
        assert origins.shares("rain") == {Origin.IMPORTED: 1.0}
        assert weather.days(day, day)[0].rain_mm == 5.0


# the typical year


def test_the_climate_follows_choice_latitude_and_hemisphere(yard):
    site = Site.load()
    for latitude, climate in ((5.0, "tropical_wet"), (-35.0, "subtropical"), (60.0, "boreal"),
                              (90.0, "boreal"), (47.0, "wet_winter")):  # fmt: skip
        site.latitude_deg = latitude
        year = weather.typical_year(site)
        assert (year.climate.id, year.assumed) == (climate, True)
    WeatherSettings.objects.create(id=1, climate="mediterranean")
    site.latitude_deg = -34.0
    south = weather.typical_year(site)
    assert (south.climate.id, south.assumed) == ("mediterranean", False)
    assert south.month(1).temp_max_c == south.climate.months[6].temp_max_c


def test_a_month_that_is_known_well_enough_is_the_sites_own(yard):
    month = [date(2026, 10, day) for day in range(1, 32)]
    for day in month[:23]:
        gauge(yard, day, rain_mm=1.0)
    at = datetime(2026, 11, 20, tzinfo=UTC)
    assert weather.typical_year(at=at).own == frozenset()
    gauge(yard, month[23], rain_mm=1.0)
    year = weather.typical_year(at=at)
    assert year.own == {10}
    assert year.month(10).rain_mm == pytest.approx(31.0)
    assert year.month(10).temp_max_c == year.climate.month(10).temp_max_c
    assert year.month(9) == year.climate.month(9)


# keeping


def test_the_same_again_changes_nothing_and_other_figures_are_asked_about(yard):
    rows = [row(DAY + timedelta(days=n), rain_mm=float(n)) for n in range(3)]
    assert station(yard.lead, *rows).new == 3
    again = station(yard.lead, *rows, row(DAY + timedelta(days=3), rain_mm=9.0))
    assert (again.new, again.there, again.replaced) == (1, 3, 0)
    assert WeatherGot.objects.count() == 2
    other = [row(DAY, rain_mm=7.0), *rows[1:]]
    with pytest.raises(FieldError, match="1 stretch is known with other figures") as caught:
        station(yard.lead, *other)
    assert caught.value.field == "replace"
    assert weather.days(DAY, DAY)[0].rain_mm == 0.0
    assert station(yard.lead, *other, replace=True).replaced == 1
    assert weather.days(DAY, DAY)[0].rain_mm == 7.0
    assert WeatherRow.objects.count() == 4
    assert station(yard.lead, *other, origin=Origin.MEASURED).new == 3


def test_what_a_file_may_not(yard):
    with pytest.raises(FieldError, match="has not come yet"):
        station(yard.lead, row(date(2199, 1, 1), rain_mm=1.0))
    with pytest.raises(FieldError, match="there is no weather in it"):
        station(yard.lead)
    with pytest.raises(FieldError, match="measured, here or elsewhere"):
        station(yard.lead, row(DAY, rain_mm=1.0), origin=Origin.FORECAST)
    with pytest.raises(RoleError):
        station(yard.reader, row(DAY, rain_mm=1.0))
    assert not WeatherGot.objects.exists()


def test_withdrawing_takes_the_rows_out_and_stays_written(yard):
    station(yard.helper, row(DAY, rain_mm=1.0))
    got = WeatherGot.objects.get()
    with pytest.raises(RoleError):
        weather_kept.withdraw(got, yard.helper)
    assert weather_kept.withdraw(got, yard.lead) == 1
    assert weather.days(DAY, DAY)[0].rain_mm is None
    got.refresh_from_db()
    assert got.withdrawn_by == yard.lead
    with pytest.raises(FieldError, match="withdrawn before"):
        weather_kept.withdraw(got, yard.lead)
    assert station(yard.helper, row(DAY, rain_mm=1.0)).new == 1


def test_a_forecast_takes_the_place_of_the_one_before_from_its_beginning_on(yard):
    days = [DAY + timedelta(days=n) for n in range(4)]
    weather_kept.keep_forecast([row(day, rain_mm=1.0) for day in days], what="x", by=yard.lead)
    stored = weather_kept.keep_forecast([row(day, rain_mm=5.0) for day in days[2:]], what="x",
                                   by=yard.lead)  # fmt: skip
    assert (stored.new, stored.replaced) == (2, 2)
    assert [day.rain_mm for day in weather.days(days[0], days[3])] == [1.0, 1.0, 5.0, 5.0]
    weather_kept.keep_forecast([row(day, rain_mm=3.0) for day in days], what="x", by=yard.lead)
    assert WeatherGot.objects.count() == 1
    with pytest.raises(FieldError, match="holds nothing"):
        weather_kept.keep_forecast([], what="x", by=yard.lead)


# fetching


@pytest.fixture
def set_on(yard):
    Site.objects.update(latitude_deg=47.6, longitude_deg=-122.33)
    WeatherSettings.objects.create(id=1, forecast_on=True, contact="lead@example.org")
    return yard


@pytest.fixture
def at_the_time(monkeypatch):
    monkeypatch.setattr("django.utils.timezone.now", lambda: SERVICE_NOW)


def test_a_fetched_forecast_is_used(set_on, at_the_time):
    with service() as (base, asked):
        stored = weather_forecast.fetch(set_on.lead, base=base)
        weather_forecast.fetch(set_on.lead, base=base)
    assert len(asked) == 4
    assert stored.new == 36
    assert WeatherRow.objects.count() == 36
    found, origins = weather.hourly_for(datetime(2026, 11, 25, 18, tzinfo=UTC), 12.0)
    assert found.rain_mm_h[:12].sum() == pytest.approx(3.0)
    assert found.temp_c[:2] == pytest.approx([4.5, 4.5])
    assert origins.shares("rain") == {Origin.FORECAST: 1.0}
    assert origins.forecast_got_at == SERVICE_NOW


def test_nothing_is_fetched_unless_it_is_set_on_by_a_lead(yard):
    with service() as (base, asked):
        for wanting, field in (
            ({}, "forecast_on"),
            ({"forecast_on": True}, "latitude_deg"),
        ):
            WeatherSettings.objects.update_or_create(id=1, defaults=wanting)
            with pytest.raises(FieldError) as caught:
                weather_forecast.fetch(yard.lead, base=base)
            assert caught.value.field == field
        Site.objects.update(latitude_deg=47.6, longitude_deg=-122.33)
        with pytest.raises(FieldError, match="whom to write to"):
            weather_forecast.fetch(yard.lead, base=base)
        WeatherSettings.objects.update(contact="x@example.org")
        with pytest.raises(RoleError):
            weather_forecast.fetch(yard.helper, base=base)
        assert asked == []


def test_a_failed_fetch_leaves_what_is_known(set_on, at_the_time):
    with service() as (base, _asked):
        weather_forecast.fetch(set_on.lead, base=base)
    with service(b"nonsense") as (base, _asked), pytest.raises(ServiceError):
        weather_forecast.fetch(set_on.lead, base=base)
    assert WeatherRow.objects.count() == 36
