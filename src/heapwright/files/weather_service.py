"""An adapter to an open public forecast service: the National Weather Service's JSON of a point.

The service covers the United States and its territories, asks for no key and for a User-Agent
that names a contact; its data are in the public domain. Two requests are made: the point's own
page names the page of its grid cell, whose layers are ``{"uom", "values": [{"validTime",
"value"}]}`` with ISO 8601 intervals such as ``2026-11-25T18:00:00+00:00/PT3H``. Temperature,
humidity and wind hold through their interval; precipitation is the total of its interval.

Shape: the service's public documentation of grid points. Unit words: from memory.
"""

from __future__ import annotations

import json
import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from http.client import HTTPException
from typing import Any, Final
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from heapwright import __version__, units
from heapwright.errors import HeapwrightError
from heapwright.files.weather_rows import StationRow

NAME: Final = "National Weather Service"
BASE: Final = "https://api.weather.gov"
TIMEOUT_S: Final = 5.0
MOST_BYTES: Final = 8_000_000
LONGEST: Final = timedelta(days=10)
"""No layer is read further ahead."""

_HOUR: Final = timedelta(hours=1)
_LAST: Final = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?)?")
_FIELD: Final = {
    "temperature": "temp_c",
    "relativeHumidity": "humidity_pct",
    "windSpeed": "wind_m_s",
    "quantitativePrecipitation": "rain_mm",
}
_TO_SI: Final[Mapping[str, Callable[[float], float]]] = {
    "degC": lambda value: value,
    "degF": units.celsius_from_fahrenheit,
    "percent": lambda value: value,
    "km_h-1": lambda value: value / 3.6,
    "m_s-1": lambda value: value,
    "mm": lambda value: value,
}
_UNITS_OF: Final = {
    "temp_c": ("degC", "degF"),
    "humidity_pct": ("percent",),
    "wind_m_s": ("km_h-1", "m_s-1"),
    "rain_mm": ("mm",),
}


class ServiceError(HeapwrightError):
    """The forecast could not be fetched or understood; the message says why."""


def fetch_forecast(
    latitude_deg: float,
    longitude_deg: float,
    contact: str,
    *,
    now: datetime,
    base: str = BASE,
    timeout_s: float = TIMEOUT_S,
) -> tuple[StationRow, ...]:
    """Return the hours that the service foresees for a point.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
    contact : str
        A mail address or page, told to the service.
    now : datetime
        Hours that are over are left out.
    base : str
        Address of the service.

    Raises
    ------
    ServiceError
        If there is no network, the service does not answer, does not cover the point, or
        answers with what cannot be read.
    """
    point = _get(f"{base}/points/{latitude_deg:.4f},{longitude_deg:.4f}", contact, timeout_s)
    grid = _part(point, "properties").get("forecastGridData")
    here, there = urlsplit(base), urlsplit(str(grid))
    if not isinstance(grid, str) or (here.scheme, here.netloc) != (there.scheme, there.netloc):
        raise ServiceError(f"{NAME}: its answer names no grid of its own for this point")
    return parse_grid(_get(grid, contact, timeout_s), now)


def parse_grid(answer: Mapping[str, Any], now: datetime) -> tuple[StationRow, ...]:
    """Return the hours from ``now`` on that the answer for a grid cell holds.

    Raises
    ------
    ServiceError
        If it has not the shape, or a unit that is not known.
    """
    layers = _part(answer, "properties")
    first = now.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    hours: dict[datetime, dict[str, float]] = defaultdict(dict)
    for layer, name in _FIELD.items():
        if layer not in layers:
            continue
        told = _part(layers, layer)
        to_si = _reader(told, layer, name)
        for begins, ends, value in _values(told, layer):
            figure = to_si(value)
            for hour, share in _hours(begins, ends):
                if not first <= hour < first + LONGEST:
                    continue
                if name == "rain_mm":
                    hours[hour][name] = hours[hour].get(name, 0.0) + figure * share
                else:
                    hours[hour][name] = figure
    rows = tuple(
        StationRow(starts_at=hour, ends_at=hour + _HOUR, **_possible(hours[hour]))
        for hour in sorted(hours)
    )
    if not any(row.temp_c is not None for row in rows) and not any(
        row.rain_mm is not None for row in rows
    ):
        raise ServiceError(f"{NAME}: its answer foresees neither temperature nor rain")
    return rows


def _reader(told: Mapping[str, Any], layer: str, name: str) -> Callable[[float], float]:
    uom = str(told.get("uom", "")).rpartition(":")[2]
    if uom not in _UNITS_OF[name]:
        raise ServiceError(f"{NAME}: {layer} is in “{told.get('uom')}”, a unit that is not known")
    return _TO_SI[uom]


def _values(told: Mapping[str, Any], layer: str) -> Iterator[tuple[datetime, datetime, float]]:
    values = told.get("values")
    if not isinstance(values, list):
        raise ServiceError(f"{NAME}: {layer} has no values")
    for one in values:
        value = one.get("value") if isinstance(one, dict) else None
        if value is None:
            continue
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            raise ServiceError(f"{NAME}: “{value}” in {layer} is no number")
        begins, ends = _interval(str(one.get("validTime", "")), layer)
        yield begins, ends, float(value)


def _interval(text: str, layer: str) -> tuple[datetime, datetime]:
    start, _slash, length = text.partition("/")
    match = _LAST.fullmatch(length)
    try:
        begins = datetime.fromisoformat(start)
    except ValueError:
        begins = None
    if begins is None or begins.tzinfo is None or match is None or not any(match.groups()):
        raise ServiceError(f"{NAME}: “{text}” in {layer} is no interval of time")
    days, hours, minutes = (int(part or 0) for part in match.groups())
    lasts = timedelta(days=days, hours=hours, minutes=minutes)
    if not timedelta(0) < lasts <= timedelta(days=30):
        raise ServiceError(f"{NAME}: “{text}” in {layer} is no interval of time")
    return begins.astimezone(UTC), begins.astimezone(UTC) + lasts


def _hours(begins: datetime, ends: datetime) -> Iterator[tuple[datetime, float]]:
    """Yield the clock hours that an interval touches, each with the interval's share in it."""
    hour = begins.replace(minute=0, second=0, microsecond=0)
    while hour < ends:
        overlap = min(ends, hour + _HOUR) - max(begins, hour)
        yield hour, overlap / (ends - begins)
        hour += _HOUR


def _possible(figures: Mapping[str, float]) -> dict[str, float]:
    """Refuse what cannot be: it would be a misread unit."""
    limits = {
        "temp_c": (-70.0, 60.0), "humidity_pct": (0.0, 100.0), "wind_m_s": (0.0, 120.0),
        "rain_mm": (0.0, 500.0),
    }  # fmt: skip
    for name, value in figures.items():
        low, high = limits[name]
        if not low <= value <= high:
            raise ServiceError(f"{NAME}: {value:g} for {name} cannot be")
    return dict(figures)


def _part(answer: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    part = answer.get(name) if isinstance(answer, dict) else None
    if not isinstance(part, dict):
        raise ServiceError(f"{NAME}: its answer lacks “{name}”")
    return part


def _get(url: str, contact: str, timeout_s: float) -> Mapping[str, Any]:
    request = Request(
        url,
        headers={
            "User-Agent": f"heapwright/{__version__} ({contact})",
            "Accept": "application/geo+json, application/json",
        },
    )
    host = urlsplit(url).netloc
    try:
        with urlopen(request, timeout=timeout_s) as answer:
            body = answer.read(MOST_BYTES + 1)
    except HTTPError as error:
        error.close()
        if error.code == 404:
            raise ServiceError(
                f"{NAME}: it knows no forecast for this point; it covers the United States and "
                "its territories only"
            ) from None
        raise ServiceError(
            f"{NAME}: it answered with error {error.code}; try again later"
        ) from None
    except (URLError, TimeoutError, ConnectionError, HTTPException) as error:
        why = getattr(error, "reason", error)
        raise ServiceError(
            f"no answer from {host} ({why}); is there a network? What is known already stays in use"
        ) from None
    if len(body) > MOST_BYTES:
        raise ServiceError(f"{NAME}: its answer is absurdly long")
    try:
        found = json.loads(body)
    except ValueError:
        raise ServiceError(f"{NAME}: its answer is not JSON") from None
    if not isinstance(found, dict):
        raise ServiceError(f"{NAME}: its answer is not an object of JSON")
    return found
