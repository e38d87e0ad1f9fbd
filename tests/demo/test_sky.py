"""The story's weather: the station agrees with the gauge, closes its gaps, and more is foreseen."""

from __future__ import annotations

from datetime import timedelta
from itertools import islice

from django.db import transaction
from tests.demo.conftest import NOW

from heapwright.demo import climate, site, sky, story
from heapwright.yard import weather
from heapwright.yard.models import Origin, Weather, WeatherGot, WeatherRow, WeatherSettings

END = story.ends_at(NOW)
FIRST = story.first_day(END.date())


def test_the_station_measured_what_the_gauge_did(told):
    days = dict(islice(climate.told(FIRST), story.YEAR_DAYS))
    read = list(Weather.objects.filter(entry__struck_at=None, day__gte=FIRST))
    assert len(read) > 300
    for one in read:
        seen = days[one.day]
        assert (one.rain_mm, one.temp_min_c, one.temp_max_c) == (
            seen.rain_mm, seen.low_c, seen.high_c,
        )  # fmt: skip


def test_no_day_of_the_year_is_unknown(told):
    shown = weather.days(FIRST, END.date() - timedelta(days=1))
    assert all(day.rain_mm is not None and day.temp_max_c is not None for day in shown)
    origins = {day.rain_origin for day in shown}
    assert origins == {Origin.MEASURED, Origin.IMPORTED}
    begins, _ends = climate.closures(FIRST)[0]
    assert weather.days(begins, begins)[0].rain_origin == Origin.IMPORTED


def test_the_coming_days_are_foreseen_and_then_the_sites_own_year_stands(told):
    assert WeatherSettings.load().climate == sky.CLIMATE
    assert not WeatherSettings.load().forecast_on
    found, origins = weather.hourly_for(END, 24.0 * 30)
    spans = [span.origin for span in origins.spans("rain")]
    assert spans == [Origin.FORECAST, Origin.TYPICAL]
    assert (origins.known_until() - END).days == sky.AHEAD_DAYS - 1
    assert origins.forecast_got_at == END
    assert found.rain_mm_h.min() >= 0.0
    got = WeatherGot.objects.get(origin=Origin.FORECAST)
    assert got.what == sky.SERVICE
    assert WeatherRow.objects.filter(origin=Origin.FORECAST).count() == sky.AHEAD_DAYS


def test_looking_up_again_changes_nothing(told):
    def rows():
        return set(WeatherRow.objects.values_list("origin", "starts_at", "rain_mm", "temp_min_c"))

    before = rows()
    with transaction.atomic():
        sky.look_up(FIRST, END, site.ZONE)
        after = rows()
        transaction.set_rollback(True)
    assert before == after
