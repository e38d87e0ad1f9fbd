"""Real weather through the importers, the records and the typical year: Seattle 2012 to 2015.

The sums and means to be met are those that the project's facts (section 3.1) list for the file;
they were computed from it when the facts were written. The layouts of NOAA's files are written
by the test after the network's public description; the long one from memory.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from tests.published import seattle

from heapwright.data.weather import climates, day_variation, figure
from heapwright.files.weather_import import read_station_file
from heapwright.people.models import Role, User
from heapwright.science.water_reference import hargreaves_mm
from heapwright.science.weather_spread import WeatherSpread
from heapwright.yard import weather, weather_kept
from heapwright.yard.models import Origin, Site, WeatherRow

PACIFIC = ZoneInfo("America/Los_Angeles")
RAIN_MM = {2012: 1226.0, 2013: 828.0, 2014: 1232.8, 2015: 1139.2}
REFERENCE_MM = {2012: 799.1, 2013: 832.0, 2014: 866.2, 2015: 898.8}
MONTH_MM = (
    116.50, 105.50, 151.55, 93.85, 51.88, 33.22, 12.05, 40.92, 58.88, 125.85, 160.62, 155.68,
)  # fmt: skip


def read(tmp_path, text, name, **more):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return read_station_file(path, PACIFIC, **more)


def test_a_dly_file(tmp_path):
    found = read(tmp_path, seattle.as_dly(), "USW00024233.dly")
    assert (found.layout, found.station, found.notes) == ("dly", "USW00024233", ())
    assert len(found.rows) == 1461
    for row, day in zip(found.rows, seattle.days(), strict=True):
        assert row.starts_at.astimezone(PACIFIC).date() == day.day
        assert row.starts_at.astimezone(PACIFIC).hour == 0
        assert (row.rain_mm, row.temp_min_c, row.temp_max_c, row.wind_m_s) == pytest.approx(
            (day.rain_mm, day.low_c, day.high_c, day.wind_m_s)
        )


def test_a_long_table(tmp_path):
    found = read(tmp_path, seattle.as_long(), "USW00024233.csv")
    assert (found.layout, len(found.rows)) == ("long", 1461)
    rain = {year: 0.0 for year in RAIN_MM}  # noqa: C420
    for row in found.rows:
        rain[row.starts_at.astimezone(PACIFIC).year] += row.rain_mm
    assert rain == pytest.approx(RAIN_MM)


@pytest.mark.parametrize(
    ("units", "stated", "note"),
    [
        ("metric", None, "Its figures were read as mm, °C and m/s."),
        ("tenths", None, "Its figures were read as tenths of mm and of °C."),
        ("us", "us", None),
    ],
)
def test_daily_summaries(units, stated, note, tmp_path):
    text = seattle.as_wide(units)
    found = read(tmp_path, text, "summaries.csv", stated_units=stated)
    assert found.notes == ((note,) if note else ())
    slack = 0.3 if units == "us" else 1e-9  # whole °F, hundredths of an inch
    for row, day in zip(found.rows, seattle.days(), strict=True):
        assert row.temp_max_c == pytest.approx(day.high_c, abs=slack)
        assert row.rain_mm == pytest.approx(day.rain_mm, abs=slack)
        assert row.wind_m_s == pytest.approx(day.wind_m_s, abs=slack)


def test_hargreaves_over_whole_years():
    """At 47.45° N, as the facts list it."""
    found = {year: 0.0 for year in REFERENCE_MM}  # noqa: C420
    for day in seattle.days():
        found[day.day.year] += hargreaves_mm(
            day.low_c, day.high_c, 47.45, day.day.timetuple().tm_yday
        )
    assert found == pytest.approx(REFERENCE_MM, abs=0.1)


def test_the_months_of_its_climate_are_its_means():
    for number, month in enumerate(climates()["wet_winter"].months, start=1):
        own = [day for day in seattle.days() if day.day.month == number]
        assert month.rain_mm == pytest.approx(sum(day.rain_mm for day in own) / 4, abs=0.51)
        assert month.temp_min_c == pytest.approx(
            sum(day.low_c for day in own) / len(own), abs=0.051
        )
        assert month.temp_max_c == pytest.approx(
            sum(day.high_c for day in own) / len(own), abs=0.051
        )


@pytest.mark.django_db
def test_the_records_keep_it_once_and_make_a_typical_year_of_it(tmp_path):
    Site.objects.create(id=1, name="Alder Lane yard", zone=PACIFIC.key)
    lead = User.objects.create_user(username="lead", password="x", role=Role.LEAD)
    found = read(tmp_path, seattle.as_dly(), "USW00024233.dly")

    def keep():
        return weather_kept.keep(
            found.rows, origin=Origin.IMPORTED, what=found.file, station=found.station, by=lead
        )

    first, again = keep(), keep()
    assert (first.new, first.there) == (1461, 0)
    assert (again.new, again.there, again.got) == (0, 1461, None)
    assert WeatherRow.objects.count() == 1461

    year = weather.days(date(2014, 1, 1), date(2014, 12, 31))
    assert sum(day.rain_mm for day in year) == pytest.approx(RAIN_MM[2014])
    wettest = weather.days(date(2015, 3, 15), date(2015, 3, 15))[0]
    assert (wettest.rain_mm, wettest.origins) == (55.9, (Origin.IMPORTED,))

    typical = weather.typical_year(at=datetime(2016, 1, 5, tzinfo=UTC))
    assert typical.own == frozenset(range(1, 13))
    # means of a month's rain a day times its length: leap days differ a little
    assert [month.rain_mm for month in typical.months] == pytest.approx(MONTH_MM, rel=0.01)

    begins = datetime(2014, 11, 1, 7, 0, tzinfo=UTC)
    hours, origins = weather.hourly_for(begins, 24.0 * 61)
    assert origins.shares("rain") == {Origin.IMPORTED: 1.0}
    assert hours.rain_mm_h[: 24 * 61].sum() == pytest.approx(
        sum(day.rain_mm for day in weather.days(date(2014, 11, 1), date(2014, 12, 31))), rel=0.02
    )
    assert figure("ground_days").value == 30
    assert 5.0 < hours.ground_c < 13.0


def test_how_days_vary_about_what_is_usual():
    """Figures of the table ``weather``, from two harmonics of the year taken off four years."""
    all_days = seattle.days()
    mean_c = np.array([(day.low_c + day.high_c) / 2.0 for day in all_days])
    year = np.array([2.0 * np.pi * day.day.timetuple().tm_yday / 365.25 for day in all_days])
    usual = np.column_stack(
        [np.ones_like(year), np.cos(year), np.sin(year), np.cos(2 * year), np.sin(2 * year)]
    )
    off_c = mean_c - usual @ np.linalg.lstsq(usual, mean_c, rcond=None)[0]
    vary = day_variation()
    assert vary.temp_sd_c == pytest.approx(off_c.std(), abs=0.05)
    assert vary.temp_keeps == pytest.approx(np.corrcoef(off_c[:-1], off_c[1:])[0, 1], abs=0.005)
    wet = np.mean([day.rain_mm > 0.0 for day in all_days])
    assert vary.wet_share == pytest.approx(wet, abs=0.005)


@pytest.mark.parametrize("length", [3, 7, 21])
def test_drawn_rain_of_some_winter_days_spreads_as_the_real_one(length):
    all_days = seattle.days()
    winter = (11, 12, 1, 2)
    wet = np.mean([day.rain_mm > 0.0 for day in all_days if day.day.month in winter])
    sums = np.array(
        [
            sum(day.rain_mm for day in all_days[i : i + length])
            for i in range(len(all_days) - length)
            if {all_days[i].day.month, all_days[i + length - 1].day.month} <= set(winter)
        ]
    )
    shares = np.ones(30)
    vary = replace(day_variation(), wet_share=float(wet))
    _warmer_c, rain = WeatherSpread(vary, shares, shares).drawn(4000)
    drawn = rain[:, :length].sum(axis=1)
    assert drawn.std() / drawn.mean() == pytest.approx(sums.std() / sums.mean(), rel=0.1)
