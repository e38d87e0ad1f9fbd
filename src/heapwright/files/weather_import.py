"""Reading weather that a station measured: our plain table, or NOAA's open daily records.

Of the Global Historical Climatology Network (daily) three layouts are read:

``dly``
    Fixed columns, a line a station, month and element: id 1–11, year 12–15, month 16–17,
    element 18–21, then 31 times a value (5) and its measurement, quality and source flag.
``long``
    Commas, a line a station, day and element: id, date as 20120101, element, value,
    measurement, quality and source flag, time of observation; with or without a header.
``wide``
    Commas with a header, a line a station and day: STATION, DATE, PRCP, TMAX, TMIN, … and
    perhaps ``PRCP_ATTRIBUTES`` with the flags.

In the first two precipitation is in tenths of a millimetre, temperature in tenths of a degree
Celsius and wind in tenths of a metre a second, −9999 is missing. In the third the units are
those that were ordered and the file does not say; they are told from the figures or asked for.

Layout, units and missing value of ``dly``: the network's public readme as quoted by open readers
of it. The other two layouts, and what the flags mean: from memory.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Final, Literal
from zoneinfo import ZoneInfo

from heapwright import units
from heapwright.errors import InputError
from heapwright.files.table import decode, parse_number, read_bytes
from heapwright.files.weather import BYTES, COLUMNS, read_weather
from heapwright.files.weather_rows import StationRow

Layout = Literal["plain", "dly", "long", "wide"]
StatedUnits = Literal["tenths", "metric", "us"]
STATED_UNITS: Final[tuple[StatedUnits, ...]] = ("tenths", "metric", "us")

MISSING: Final = -9999
TRACE: Final = "T"
"""Measurement flag of precipitation too little to measure."""

ELEMENTS: Final = ("PRCP", "TMAX", "TMIN", "TAVG", "AWND", "MDPR", "DAPR")
_FIELD: Final = {
    "PRCP": "rain_mm", "TMAX": "temp_max_c", "TMIN": "temp_min_c", "TAVG": "temp_c",
    "AWND": "wind_m_s",
}  # fmt: skip
_LIMITS: Final = {
    "rain_mm": (0.0, 2000.0),
    "temp_max_c": (-70.0, 60.0),
    "temp_min_c": (-90.0, 60.0),
    "temp_c": (-90.0, 60.0),
    "wind_m_s": (0.0, 120.0),
}
HOTTEST_F: Final = 134.0
"""No thermometer on earth read more °F (Death Valley 1913, World Meteorological Organization)."""

_STATION: Final = re.compile(r"[A-Z0-9_-]{11}")
_DLY: Final = re.compile(r"[A-Z0-9_-]{11}\d{6}[A-Z0-9]{4}[ -]")
_LONG_HEADS: Final = ("ID", "DATE", "ELEMENT")
_GAP: Final = 3.0
"""Rows this many times further apart than usual have a gap between them."""

Values = dict[date, dict[str, float]]


@dataclass(frozen=True, slots=True)
class StationFile:
    """A file as read: its layout, the station that it names, its rows in order of time.

    ``notes`` say what was left out or taken for granted, a sentence each.
    """

    file: str
    layout: Layout
    station: str
    rows: tuple[StationRow, ...]
    notes: tuple[str, ...] = ()


def recognise(text: str) -> Layout | None:
    """Return the layout of weather that a text has, None when it is none."""
    first = next((line for line in text.splitlines() if line.strip(", \t")), "")
    if _DLY.match(first):
        return "dly"
    cells = [cell.strip().strip('"') for cell in first.split(",")]
    names = {cell.lower() for cell in cells}
    if {"time", "temp_c", "rain_mm"} <= names and names <= set(COLUMNS):
        return "plain"
    if {"station", "date"} <= names and names & {"prcp", "tmax", "tmin"}:
        return "wide"
    heads = tuple(cell.upper() for cell in cells[:3])
    if heads == _LONG_HEADS:
        return "long"
    if len(cells) >= 7 and _STATION.fullmatch(cells[0]) and re.fullmatch(r"\d{8}", cells[1]):
        return "long"
    return None


def read_station_file(
    path: Path,
    tz: ZoneInfo,
    *,
    stated_units: StatedUnits | None = None,
    station: str | None = None,
) -> StationFile:
    """Read a file of weather in any of the layouts.

    Parameters
    ----------
    path : Path
    tz : ZoneInfo
        The site's zone: that of days and of times without an offset.
    stated_units : {"tenths", "metric", "us"}, optional
        Of the wide layout, where its figures leave it open: tenths of mm and °C; mm, °C and
        m/s; inches, °F and miles an hour.
    station : str, optional
        Which station, where a file holds several.

    Raises
    ------
    InputError
        With file, row and column of what is wrong.
    """
    text = decode(read_bytes(path, max_bytes=BYTES), path.name)
    layout = recognise(text)
    if layout is None:
        raise InputError(
            "is no weather that can be read: neither time,temp_c,rain_mm nor a layout of "
            "GHCN-Daily", file=path.name, row=1,
        )  # fmt: skip
    if stated_units is not None and layout != "wide":
        raise InputError("states its units by its layout; leave the units away", file=path.name)
    if layout == "plain":
        if station is not None:
            raise InputError("names no station; leave the station away", file=path.name)
        return _plain(path, tz)
    if layout == "dly":
        by_station, notes = _dly(text, path.name)
    elif layout == "long":
        by_station, notes = _long(text, path.name)
    else:
        by_station, notes = _wide(text, path.name, stated_units)
    name, values = _one_station(by_station, station, path.name)
    rows = tuple(_day_rows(values, tz, path.name, notes))
    if not rows:
        raise InputError(f"holds no rain, temperature or wind of {name}", file=path.name)
    return StationFile(path.name, layout, name, rows, tuple(notes))


def _plain(path: Path, tz: ZoneInfo) -> StationFile:
    record = read_weather(path, gaps=True)
    times = []
    for row in record.rows:
        at = row.time if row.time.tzinfo else row.time.replace(tzinfo=tz)
        if row.time.tzinfo is None and at.astimezone(UTC).astimezone(tz) != at:
            raise InputError(
                f"{row.time} does not exist in {tz.key}, where clocks went forward; state the "
                "offset from UTC in the times", file=record.file,
            )  # fmt: skip
        times.append(at.astimezone(UTC))
    widths = [later - earlier for earlier, later in pairwise(times)]
    usual = timedelta(seconds=median(width.total_seconds() for width in widths))
    rows: list[StationRow] = []
    gaps = 0
    for index, row in enumerate(record.rows):
        width = widths[index] if index < len(widths) else usual
        if width > _GAP * usual:
            width, gaps = usual, gaps + 1
        for begins, ends in _parts(times[index], width):
            rows.append(
                StationRow(
                    starts_at=begins,
                    ends_at=ends,
                    temp_c=row.temp_c,
                    rain_mm=row.rain_mm * ((ends - begins) / width),
                    humidity_pct=row.humidity_pct,
                    wind_m_s=row.wind_m_s,
                )
            )
    notes = (f"It has {gaps} {'gap' if gaps == 1 else 'gaps'}.",) if gaps else ()
    return StationFile(record.file, "plain", "", tuple(rows), notes)


def _parts(begins: datetime, width: timedelta) -> Iterator[tuple[datetime, datetime]]:
    """Yield a stretch in parts of about a day."""
    count = max(1, round(width / timedelta(days=1)))
    for number in range(count):
        yield begins + width * number / count, begins + width * (number + 1) / count


Parsed = tuple[dict[str, Values], list[str]]


def _dly(text: str, file: str) -> Parsed:
    found: dict[str, Values] = defaultdict(lambda: defaultdict(dict))
    dropped: Counter[str] = Counter()
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        if not _DLY.match(line) or len(line) < 26:
            raise InputError("is no line of a .dly file", file=file, row=number)
        element = line[17:21]
        if element not in ELEMENTS:
            continue
        year, month = int(line[11:15]), int(line[15:17])
        for day in range(31):
            field = line[21 + 8 * day : 29 + 8 * day]
            if not field.strip():
                continue
            try:
                value = int(field[:5])
            except ValueError:
                raise InputError(
                    f"the value of day {day + 1} is “{field[:5].strip()}”, no whole number",
                    file=file, row=number, column=element,
                ) from None  # fmt: skip
            if value == MISSING:
                continue
            try:
                when = date(year, month, day + 1)
            except ValueError:
                raise InputError(
                    f"has a value for {year}-{month:02d}-{day + 1:02d}, a day that does not exist",
                    file=file, row=number, column=element,
                ) from None  # fmt: skip
            _take(found[line[:11]], when, element, value / _tenths(element), field[5:7], dropped)
    return found, _dropped(dropped)


def _long(text: str, file: str) -> Parsed:
    found: dict[str, Values] = defaultdict(lambda: defaultdict(dict))
    dropped: Counter[str] = Counter()
    for number, cells in enumerate(csv.reader(io.StringIO(text, newline="")), start=1):
        if not any(cells) or tuple(cell.strip().upper() for cell in cells[:3]) == _LONG_HEADS:
            continue
        if len(cells) < 4:
            raise InputError("is no line of station, date, element, value", file=file, row=number)
        name, day, element, value = (cell.strip() for cell in cells[:4])
        if element not in ELEMENTS:
            continue
        flags = [cell.strip() for cell in cells[4:6]] + ["", ""]
        try:
            when, figure = datetime.strptime(day, "%Y%m%d").date(), int(value)
        except ValueError:
            raise InputError(
                f"“{day}” and “{value}” are no date as 20120101 and whole number",
                file=file, row=number, column=element,
            ) from None  # fmt: skip
        if figure != MISSING:
            marks = f"{flags[0] or ' '}{flags[1] or ' '}"
            _take(found[name], when, element, figure / _tenths(element), marks, dropped)
    return found, _dropped(dropped)


def _tenths(element: str) -> float:
    return 1.0 if element == "DAPR" else 10.0


def _take(
    values: Values, day: date, element: str, value: float, flags: str, dropped: Counter[str]
) -> None:
    """Keep a value unless the network itself doubts it."""
    if flags[1:2].strip():
        dropped[element] += 1
        return
    values[day][element] = 0.0 if element == "PRCP" and flags[:1] == TRACE else value


def _dropped(dropped: Mapping[str, int]) -> list[str]:
    if not dropped:
        return []
    said = ", ".join(f"{count} of {element}" for element, count in sorted(dropped.items()))
    return [f"Left out because they failed the network’s own checks: {said}."]


def _wide(text: str, file: str, stated: StatedUnits | None) -> Parsed:
    reader = csv.reader(io.StringIO(text, newline=""))
    heads: list[str] = []
    lines: list[tuple[int, dict[str, str]]] = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if not heads:
            heads = [cell.strip().upper() for cell in cells]
            continue
        if len(cells) > len(heads):
            raise InputError(
                f"has {len(cells)} cells but the header names {len(heads)}",
                file=file, row=reader.line_num,
            )  # fmt: skip
        lines.append((reader.line_num, {h: c.strip() for h, c in zip(heads, cells, strict=False)}))
    said = {
        element: [cells[element] for _n, cells in lines if cells.get(element)]
        for element in ("TMAX", "TMIN")
    }
    kind, notes = _units_of([*said["TMAX"], *said["TMIN"]], stated, file)
    found: dict[str, Values] = defaultdict(lambda: defaultdict(dict))
    dropped: Counter[str] = Counter()
    for number, cells in lines:
        try:
            when = date.fromisoformat(cells.get("DATE", "")[:10])
        except ValueError:
            raise InputError(
                f"“{cells.get('DATE', '')}” is no date as 2012-01-31",
                file=file, row=number, column="DATE",
            ) from None  # fmt: skip
        for element in ELEMENTS:
            written = cells.get(element, "")
            if not written:
                continue
            try:
                value = parse_number(written)
            except InputError as error:
                raise InputError(error.message, file=file, row=number, column=element) from None
            if value == MISSING:
                continue
            marks = (cells.get(f"{element}_ATTRIBUTES", "") + ",,").split(",")
            flags = f"{marks[0] or ' '}{marks[1] or ' '}"
            _take(
                found[cells["STATION"]], when, element, _to_si(element, value, kind), flags, dropped
            )
    return found, [*notes, *_dropped(dropped)]


_SAID: Final = {
    "tenths": "tenths of mm and of °C",
    "metric": "mm, °C and m/s",
    "us": "inches, °F and miles an hour",
}


def _units_of(
    temps: list[str], stated: StatedUnits | None, file: str
) -> tuple[StatedUnits, list[str]]:
    """Return the units of a wide file: as stated, or as its temperatures leave no doubt."""
    numbers = []
    for text in temps:
        try:
            numbers.append(parse_number(text))
        except InputError:
            continue  # told with its row when the row is read
    numbers = [number for number in numbers if number != MISSING]
    parted = any(number != round(number) for number in numbers)
    high = max((abs(number) for number in numbers), default=0.0)
    if stated is None:
        if parted:
            stated = "metric"
        elif high > HOTTEST_F:
            stated = "tenths"
        else:
            raise InputError(
                "does not say its units and its figures do not tell: state tenths, metric or us "
                "(--units, or the choice beside the file)", file=file,
            )  # fmt: skip
        return stated, [f"Its figures were read as {_SAID[stated]}."]
    if stated == "tenths" and parted:
        raise InputError("has decimals in its temperatures, so they are no tenths", file=file)
    if stated == "metric" and high > _LIMITS["temp_max_c"][1]:
        raise InputError(f"has {high:g} for a temperature: that is no °C", file=file)
    if stated == "us" and high > HOTTEST_F:
        raise InputError(f"has {high:g} for a temperature: that is no °F", file=file)
    return stated, []


def _to_si(element: str, value: float, kind: StatedUnits) -> float:
    if element == "DAPR":
        return value
    if kind == "tenths":
        return value / 10.0
    if kind == "metric":
        return value
    if element in ("TMAX", "TMIN", "TAVG"):
        return round(units.celsius_from_fahrenheit(value), 2)
    if element == "AWND":
        return value * 5280 * units.M_PER_FOOT / 3600.0
    return value * units.M_PER_INCH * 1000.0


def _one_station(
    by_station: Mapping[str, Values], station: str | None, file: str
) -> tuple[str, Values]:
    if station is not None:
        if station not in by_station:
            raise InputError(
                f"holds no station {station}; it holds {', '.join(sorted(by_station)) or 'none'}",
                file=file,
            )
        return station, by_station[station]
    if len(by_station) > 1:
        raise InputError(
            f"holds {len(by_station)} stations; name one of {', '.join(sorted(by_station)[:5])}",
            file=file,
        )
    if not by_station:
        raise InputError("holds no rain, temperature or wind", file=file)
    return next(iter(by_station.items()))


def _day_rows(values: Values, tz: ZoneInfo, file: str, notes: list[str]) -> Iterator[StationRow]:
    """Yield the days; rain that was gathered over several days is spread over them."""
    rain = {day: told["PRCP"] for day, told in values.items() if "PRCP" in told}
    for day, told in values.items():
        count = told.get("DAPR")
        if "MDPR" not in told or not count or "PRCP" in told:
            continue
        days = [day - timedelta(days=back) for back in range(int(count))]
        if not any(one in rain for one in days):
            rain |= {one: told["MDPR"] / len(days) for one in days}
    for day in sorted(values.keys() | rain.keys()):
        figures = {
            _FIELD[element]: value
            for element, value in values.get(day, {}).items()
            if element in _FIELD
        }
        if day in rain:
            figures["rain_mm"] = rain[day]
        if not figures:
            continue
        for name, value in figures.items():
            low, high = _LIMITS[name]
            if not low <= value <= high:
                raise InputError(
                    f"says {value:g} for {name} of {day}; {low:g} to {high:g} is possible, so "
                    "check the units", file=file,
                )  # fmt: skip
        if figures.get("temp_min_c", -99.0) > figures.get("temp_max_c", 99.0):
            notes.append(f"The lowest of {day} is above the highest; both were left out.")
            del figures["temp_min_c"], figures["temp_max_c"]
        begins, ends = (
            datetime.combine(one, time(), tz).astimezone(UTC)
            for one in (day, day + timedelta(days=1))
        )
        if figures:
            yield StationRow(starts_at=begins, ends_at=ends, **figures)
