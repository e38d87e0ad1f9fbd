"""Reading WEATHER.csv: ``time,temp_c,rain_mm`` and optionally ``humidity_pct,wind_m_s``.

A row holds from its time until the next: its rain fell evenly in that stretch. Rows of a day or
more give the mean of their stretch, closer rows the temperature at their time. Rows may stand
in any order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

from heapwright.errors import InputError
from heapwright.files.table import Row, read_table

if TYPE_CHECKING:
    from heapwright.science.pile_weather import Weather

COLUMNS: Final = ("time", "temp_c", "rain_mm", "humidity_pct", "wind_m_s")
BYTES: Final = 40_000_000
DAILY: Final = timedelta(hours=20)
LONGEST_GAP: Final = timedelta(days=3)


@dataclass(frozen=True, slots=True)
class Typical:
    """Weather of a place when no record is at hand: all days alike."""

    temp_mean_c: float
    temp_swing_c: float
    rain_mm_day: float
    soil_temp_c: float
    humidity_pct: float
    wind_m_s: float


@dataclass(frozen=True, slots=True)
class WeatherRow:
    """One row of a record; humidity and wind are None where not measured."""

    time: datetime
    temp_c: float
    rain_mm: float
    humidity_pct: float | None
    wind_m_s: float | None


@dataclass(frozen=True, slots=True)
class WeatherRecord:
    """A read record, in order of time."""

    file: str
    rows: tuple[WeatherRow, ...]


def read_weather(path: Path, *, gaps: bool = False) -> WeatherRecord:
    """Read WEATHER.csv; with ``gaps`` days may be missing.

    Raises
    ------
    InputError
        With file, row and column of the first fault: a time that is none or stands twice, a
        gap longer than three days, a value that no place on earth has.
    """
    table = read_table(path, known=COLUMNS, required=("time", "temp_c", "rain_mm"), max_bytes=BYTES)
    rows: list[tuple[WeatherRow, Row]] = []
    for row in table:
        temp_c = row.number_or_none("temp_c", low=-70.0, high=60.0)
        rain_mm = row.number_or_none("rain_mm", low=0.0, high=2000.0)
        if temp_c is None:
            raise row.error("is blank", "temp_c")
        if rain_mm is None:
            raise row.error("is blank; write 0 when none fell", "rain_mm")
        rows.append(
            (
                WeatherRow(
                    time=time_of(row),
                    temp_c=temp_c,
                    rain_mm=rain_mm,
                    humidity_pct=row.number_or_none("humidity_pct", low=0.0, high=100.0),
                    wind_m_s=row.number_or_none("wind_m_s", low=0.0, high=120.0),
                ),
                row,
            )
        )
    if len(rows) < 2:
        raise InputError("needs at least two rows", file=table.file)
    if len({one.time.tzinfo is None for one, _ in rows}) > 1:
        raise InputError("some times state their offset from UTC and some do not", file=table.file)
    rows.sort(key=lambda pair: pair[0].time)
    for (earlier, _), (later, row) in pairwise(rows):
        if later.time == earlier.time:
            raise row.error(f"{row.text('time')} stands twice", "time")
        if not gaps and later.time - earlier.time > LONGEST_GAP:
            raise row.error(
                f"no row stands between {earlier.time} and {later.time}; fill the gap", "time"
            )
    return WeatherRecord(table.file, tuple(one for one, _ in rows))


def time_of(row: Row) -> datetime:
    """Return the time of a row: a date, or a date and time, as ISO 8601 writes them."""
    text = row.text("time")
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise row.error(f"“{text}” is not a time; write it as 2026-03-01T10:00", "time") from None


def hourly(
    record: WeatherRecord,
    built: datetime,
    hours: float,
    *,
    soil_temp_c: float | None,
    after: Typical | None,
    shelter: float,
    humidity_pct: float,
    wind_m_s: float,
) -> Weather:
    """Return the record as hourly weather from the moment of building.

    Parameters
    ----------
    record : WeatherRecord
    built : datetime
    hours : float
        How long it has to last.
    soil_temp_c : float or None
        None takes the record's mean temperature.
    after : Typical or None
        What follows when the record ends early.
    shelter : float
        Wind at the heap over wind at the station.
    humidity_pct, wind_m_s : float
        What is taken where the record has none.

    Raises
    ------
    InputError
        If the record begins after building or ends early with nothing to follow it.
    """
    import numpy as np

    from heapwright.science.pile_weather import Weather, humidity_from_percent, typical_weather

    rows = record.rows
    if (built.tzinfo is None) != (rows[0].time.tzinfo is None):
        raise InputError(
            "its times and the time of building must both state their offset from UTC or both not",
            file=record.file,
        )
    edges = np.array([(row.time - built).total_seconds() / 3600.0 for row in rows])
    edges = np.append(edges, 2.0 * edges[-1] - edges[-2])
    if edges[0] > 0.0:
        raise InputError(
            f"begins at {rows[0].time}, after the pile was built ({built})", file=record.file
        )
    if edges[-1] < hours - 1e-6 and after is None:
        ends = built + timedelta(hours=float(edges[-1]))
        raise InputError(
            f"ends at {ends}, before the forecast does ({built + timedelta(hours=hours)}); "
            "add rows, ask for fewer --days, or state temp_mean_c and the rest under [weather] "
            "for the time after",
            file=record.file,
        )
    width = np.diff(edges)
    daily = width >= DAILY.total_seconds() / 3600.0
    at = np.where(daily, edges[:-1] + width / 2.0, edges[:-1])
    clock = np.arange(int(np.ceil(hours)) + 2, dtype=float)
    temp = np.interp(clock, at, _column([row.temp_c for row in rows], 0.0))
    wet_pct = np.interp(clock, at, _column([row.humidity_pct for row in rows], humidity_pct))
    wind = np.interp(clock, at, _column([row.wind_m_s for row in rows], wind_m_s))
    fallen = np.concatenate([[0.0], np.cumsum([row.rain_mm for row in rows])])
    rain = np.diff(np.interp(np.append(clock, clock[-1] + 1.0), edges, fallen))
    soil = float(np.mean(temp)) if soil_temp_c is None else soil_temp_c
    if after is not None and edges[-1] < clock[-1]:
        start_hour = built.hour + built.minute / 60.0
        typical = typical_weather(
            hours,
            temp_mean_c=after.temp_mean_c,
            temp_swing_c=after.temp_swing_c,
            rain_mm_day=after.rain_mm_day,
            soil_temp_c=soil,
            humidity_pct=after.humidity_pct,
            wind_m_s=after.wind_m_s,
            start_hour=start_hour,
        )
        later = clock >= edges[-1]
        temp = np.where(later, typical.temp_c, temp)
        wet_pct = np.where(later, after.humidity_pct, wet_pct)
        wind = np.where(later, typical.wind_m_s, wind)
        rain = np.where(later, typical.rain_mm_h, rain)
    return Weather(
        temp_c=temp,
        humidity=humidity_from_percent(temp, wet_pct),
        wind_m_s=wind,
        rain_mm_h=rain,
        ground_c=soil,
        shelter=shelter,
    )


def _column(values: Sequence[float | None], otherwise: float) -> list[float]:
    """Return a column without blanks."""
    return [otherwise if value is None else value for value in values]
