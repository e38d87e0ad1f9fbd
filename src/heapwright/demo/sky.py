"""The weather of the story in the records: a station nearby, and what is foreseen."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import takewhile
from random import Random
from typing import Final
from zoneinfo import ZoneInfo

from heapwright.demo.climate import Day, told
from heapwright.files.weather_rows import StationRow
from heapwright.people.models import User
from heapwright.yard import weather_kept
from heapwright.yard.models import Origin, WeatherSettings

STATION: Final = "Mole light, an invented station"
SERVICE: Final = "an invented weather service"
CLIMATE: Final = "wet_winter"
AHEAD_DAYS: Final = 7
ERROR_A_DAY_C: Final = 0.35
ERROR_A_DAY: Final = 0.12
"""How much worse a forecast gets with each day ahead: °C, and the spread of the rain's factor."""


def look_up(first: date, now: datetime, zone: str, seed: int = 1) -> None:
    """Write the station's record until yesterday and a forecast of the coming days.

    The gauge of the yard was read on most mornings; the station tells of the others.
    """
    tz = ZoneInfo(zone)
    today = now.astimezone(tz).date()
    lead = User.objects.get(username="lead")
    WeatherSettings.objects.update_or_create(id=1, defaults={"climate": CLIMATE})
    ahead = today + timedelta(days=AHEAD_DAYS)
    days = list(takewhile(lambda one: one[0] < ahead, told(first, seed)))
    weather_kept.keep(
        (_row(day, seen, tz) for day, seen in days if day < today),
        origin=Origin.IMPORTED,
        what="station.csv",
        station=STATION,
        by=lead,
        now=now,
    )
    rng = Random(f"foreseen/{seed}/{today}")
    weather_kept.keep_forecast(
        (
            _row(day, _foreseen(seen, (day - today).days, rng), tz)
            for day, seen in days
            if day >= today
        ),
        what=SERVICE,
        by=lead,
        now=now,
    )


def _row(day: date, seen: Day, tz: ZoneInfo) -> StationRow:
    begins, ends = (
        datetime.combine(one, time(), tz).astimezone(UTC) for one in (day, day + timedelta(days=1))
    )
    return StationRow(
        starts_at=begins,
        ends_at=ends,
        temp_min_c=seen.low_c,
        temp_max_c=seen.high_c,
        rain_mm=seen.rain_mm,
    )


def _foreseen(seen: Day, ahead: int, rng: Random) -> Day:
    """Return a day as it was foreseen: the further ahead, the worse."""
    shift = rng.gauss(0.0, ERROR_A_DAY_C * ahead)
    rain = seen.rain_mm * rng.lognormvariate(0.0, ERROR_A_DAY * ahead) if ahead else seen.rain_mm
    return Day(round(seen.low_c + shift, 1), round(seen.high_c + shift, 1), round(rain, 1))
