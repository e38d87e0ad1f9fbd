"""Files of weather: recognised by their looks, refused with their place, days made whole."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from heapwright.errors import InputError
from heapwright.files.weather_import import read_station_file, recognise

BERLIN = ZoneInfo("Europe/Berlin")
WIDE = "STATION,NAME,DATE,PRCP,TMAX,TMIN\n"


def dly(element, *values, station="XX000000001", month="202601"):
    cells = [f"{value:5d}{flags}" for value, flags in values]
    cells += ["-9999   "] * (31 - len(cells))
    return f"{station}{month}{element}{''.join(cells)}\n"


@pytest.fixture
def read(tmp_path):
    def read_text(text, name="weather.csv", **more):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return read_station_file(path, BERLIN, **more)

    return read_text


@pytest.mark.parametrize(
    ("text", "layout"),
    [
        ("time,temp_c,rain_mm\n", "plain"),
        ("time,temp_c,rain_mm,wind_m_s\n", "plain"),
        (dly("PRCP", (0, "   ")), "dly"),
        ("USW00094996,20160101,TMAX,-11,,,W,2400\n", "long"),
        ("ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME\n", "long"),
        ('"STATION","NAME","DATE","TMAX","TMIN"\n', "wide"),
        ("time,event,point,depth_cm,temp_c\n", None),
        ("time,source,material,place,mass_kg\n", None),
        ("", None),
    ],
)
def test_a_layout_is_told_by_its_looks(text, layout):
    assert recognise(text) == layout


def test_our_own_table_by_the_hour(read):
    found = read("time,temp_c,rain_mm,humidity_pct\n2026-03-01T10:00,4,0.5,80\n"
                 "2026-03-01T11:00,5,0,\n2026-03-01T12:00,6,1.5,70\n")  # fmt: skip
    first, second, last = found.rows
    assert first.starts_at == datetime(2026, 3, 1, 9, tzinfo=UTC)
    assert last.ends_at == datetime(2026, 3, 1, 12, tzinfo=UTC)
    assert (first.temp_c, first.rain_mm, first.humidity_pct) == (4.0, 0.5, 80.0)
    assert second.humidity_pct is None
    assert found.notes == ()


def test_our_own_table_by_the_day_over_the_change_of_clocks(read):
    found = read("time,temp_c,rain_mm\n2026-03-28,4,1\n2026-03-29,5,2\n2026-03-30,6,3\n")
    assert [row.ends_at - row.starts_at for row in found.rows] == [
        timedelta(hours=24), timedelta(hours=23), timedelta(hours=23.5),
    ]  # fmt: skip


def test_gaps_are_noted_and_rows_of_several_days_are_parted(read):
    lines = ["time,temp_c,rain_mm"]
    lines += [f"2026-01-{day:02d},3,{day}" for day in (1, 2, 3, 9, 10)]
    found = read("\n".join(lines))
    assert found.notes == ("It has 1 gap.",)
    assert [row.rain_mm for row in found.rows] == [1, 2, 3, 9, 10]
    assert found.rows[2].ends_at - found.rows[2].starts_at == timedelta(days=1)
    found = read("time,temp_c,rain_mm\n2026-01-01,3,4\n2026-01-03,3,6\n2026-01-05,3,0\n")
    assert [row.rain_mm for row in found.rows] == [2, 2, 3, 3, 0, 0]
    assert {row.ends_at - row.starts_at for row in found.rows} == {timedelta(days=1)}


def test_a_time_that_the_clocks_left_out_is_refused(read):
    with pytest.raises(InputError, match=r"2026-03-29 02:30:00 does not exist in Europe/Berlin"):
        read("time,temp_c,rain_mm\n2026-03-29T01:30,4,0\n2026-03-29T02:30,4,0\n")


def test_units_flags_and_missing_values_of_a_dly_file(read):
    text = dly("PRCP", (123, "  X"), (0, "T X"), (-9999, "   "), (50, " IX")) + dly(
        "TMAX", (-5, "  X"), (201, "  X")
    )
    text += dly("TMIN", (-101, "  X"), (300, "  X")) + dly("SNOW", (10, "  X"))
    found = read(text, "x.dly")
    first, second = found.rows
    assert (first.rain_mm, first.temp_max_c, first.temp_min_c) == (12.3, -0.5, -10.1)
    assert second.rain_mm == 0.0  # a trace
    assert (second.temp_min_c, second.temp_max_c) == (None, None)
    assert found.notes == (
        "Left out because they failed the network’s own checks: 1 of PRCP.",
        "The lowest of 2026-01-02 is above the highest; both were left out.",
    )


def test_rain_gathered_over_days_is_spread_over_them(read):
    text = dly("PRCP", (10, "   ")) + dly("MDPR", *[(-9999, "   ")] * 3, (90, "   "))
    text += dly("DAPR", *[(-9999, "   ")] * 3, (3, "   "))
    assert [row.rain_mm for row in read(text, "x.dly").rows] == pytest.approx([1, 3, 3, 3])


@pytest.mark.parametrize(
    ("text", "more", "message"),
    [
        ("a,b\n1,2\n", {}, "is no weather that can be read"),
        (WIDE + "X,,2026-01-01,0,40,30\n", {}, "does not say its units"),
        (WIDE + "X,,2026-01-01,0,4.5,3\n", {"stated_units": "tenths"}, "they are no tenths"),
        (WIDE + "X,,2026-01-01,0,75,3\n", {"stated_units": "metric"}, "that is no °C"),
        (WIDE + "X,,2026-01-01,0,245,3\n", {"stated_units": "us"}, "that is no °F"),
        (WIDE + "X,,01.02.2026,0,4.5,3\n", {}, "row 2, column DATE: “01.02.2026” is no date"),
        (WIDE + 'X,,2026-01-01,"1,5",4.5,3\n', {}, "row 2, column PRCP: “1,5” has a comma"),
        (WIDE + "X,,2026-01-01,1,4.5,3,9,9\n", {}, "row 2: has 8 cells"),
        (WIDE + "X,,2026-01-01,9000.0,4.5,3\n", {}, "9000 for rain_mm"),
        (WIDE + "X,,2026-01-01,0,4.5,3\nY,,2026-01-01,0,4.5,3\n", {}, "holds 2 stations"),
        (WIDE + "X,,2026-01-01,0,4.5,3\n", {"station": "Z"}, "holds no station Z; it holds X"),
        (WIDE + "X,,2026-01-01,,4.5,\nX,,2026-01-02,,-9999,\n", {"station": ""}, "no station"),
        ("time,temp_c,rain_mm\n2026-01-01,3,4\n", {"stated_units": "us"}, "leave the units away"),
        ("time,temp_c,rain_mm\n2026-01-01,3,\n2026-01-02,1,1\n", {}, "row 2, column rain_mm"),
        (dly("PRCP", *[(1, "   ")] * 31, month="202602"), {}, "2026-02-29, a day that does not"),
        (dly("PRCP", (1, "   ")).replace("    1 ", "   x1 "), {}, "day 1 is “x1”"),
        (dly("PRCP", (1, "   ")) + "rubbish\n", {}, "row 2: is no line of a .dly file"),
        (dly("SNOW", (1, "   ")), {}, "holds no rain, temperature or wind"),
        ("USW00094996,2016-1-1,TMAX,-11,,,W,\nUSW00094996,20160101,TMAX,-11,,,W,\n", {},
         "is no weather"),
        ("USW00094996,20160101,TMAX,1,,,W,\nUSW00094996,20160199,TMAX,1,,,W,\n", {},
         "row 2, column TMAX"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_with_its_place(read, text, more, message):
    with pytest.raises(InputError) as caught:
        read(text, "weather.csv", **more)
    assert message in str(caught.value)
    assert "weather.csv" in str(caught.value)


def test_one_station_of_several_by_name(read):
    text = WIDE + "X,,2026-01-01,0,4.5,3\nY,,2026-01-01,0,9.5,3\n"
    assert read(text, station="Y").rows[0].temp_max_c == 9.5
