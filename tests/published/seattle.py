"""Four years of real weather: Seattle 2012 to 2015, NOAA, in the package vega-datasets.

The file is read as a file: the package's own reader is not needed (nor its dependencies).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.util import find_spec
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Day:
    day: date
    rain_mm: float
    low_c: float
    high_c: float
    wind_m_s: float


@cache
def days() -> tuple[Day, ...]:
    """Return all 1,461 days."""
    spec = find_spec("vega_datasets")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    path = Path(spec.submodule_search_locations[0]) / "_data" / "seattle-weather.csv"
    with path.open(encoding="utf-8", newline="") as file:
        return tuple(
            Day(
                date.fromisoformat(row["date"].replace("/", "-")),
                float(row["precipitation"]),
                float(row["temp_min"]),
                float(row["temp_max"]),
                float(row["wind"]),
            )
            for row in csv.DictReader(file)
        )


def as_dly(station: str = "USW00024233") -> str:
    """Return the days in the fixed columns of GHCN-Daily, written by its public description."""
    months: dict[tuple[int, int, str], dict[int, int]] = {}
    for one in days():
        for element, value in (
            ("PRCP", one.rain_mm), ("TMAX", one.high_c), ("TMIN", one.low_c),
            ("AWND", one.wind_m_s),
        ):  # fmt: skip
            month = months.setdefault((one.day.year, one.day.month, element), {})
            month[one.day.day] = round(value * 10)
    return "".join(
        f"{station}{year}{month:02d}{element}"
        + "".join(f"{told.get(day, -9999):5d}  X" for day in range(1, 32))
        + "\n"
        for (year, month, element), told in months.items()
    )


def as_long(station: str = "USW00024233") -> str:
    """Return the days in the long table of GHCN-Daily."""
    lines = []
    for one in days():
        for element, value in (("PRCP", one.rain_mm), ("TMAX", one.high_c), ("TMIN", one.low_c)):
            lines.append(f"{station},{one.day:%Y%m%d},{element},{round(value * 10)},,,X,2400\n")
    return "".join(lines)


def as_wide(units: str) -> str:
    """Return the days as NOAA's daily summaries are ordered: metric, in US units, or tenths."""
    lines = ['"STATION","NAME","DATE","AWND","PRCP","TMAX","TMIN"\n']
    for one in days():
        if units == "us":
            figures = (
                f"{one.wind_m_s * 3600 / 1609.344:.2f}", f"{one.rain_mm / 25.4:.2f}",
                f"{one.high_c * 1.8 + 32:.0f}", f"{one.low_c * 1.8 + 32:.0f}",
            )  # fmt: skip
        else:
            scale = 10 if units == "tenths" else 1
            figures = tuple(
                f"{round(value * scale)}" if scale == 10 else f"{value:.1f}"
                for value in (one.wind_m_s, one.rain_mm, one.high_c, one.low_c)
            )
        quoted = ",".join(f'"{figure}"' for figure in figures)
        lines.append(f'"USW00024233","SEATTLE, WA US","{one.day}",{quoted}\n')
    return "".join(lines)
