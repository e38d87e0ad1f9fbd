"""The weather of the site: what is known of any hour, from which origin, and a fallback.

What people read off the gauge are entries; what was imported or forecast are rows. Measured
beats imported beats forecast beats the typical year, by hour and quantity.
"""

from __future__ import annotations

import calendar
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import groupby
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import Count, Exists, Max, OuterRef
from django.utils import timezone

from heapwright.data import weather as facts
from heapwright.data.pile import pile_parameters
from heapwright.science.pile_weather import Weather
from heapwright.science.weather_series import (
    DAY_FROM_H,
    QUANTITIES,
    Quantity,
    Ranks,
    SiteDay,
    Stretch,
    TypicalMonth,
    hourly,
)
from heapwright.science.weather_spread import WeatherSpread, lead_share
from heapwright.yard.models import Origin, Site, WeatherGot, WeatherRow
from heapwright.yard.models import Weather as Gauge
from heapwright.yard.models.weather import WeatherSettings
from heapwright.yard.readings import day_bounds

if TYPE_CHECKING:
    pass

RANKED: Final = (Origin.MEASURED, Origin.IMPORTED, Origin.FORECAST, Origin.TYPICAL)
"""The origins, the best first; their place here is their rank."""

FIGURES: Final = ("temp_c", "temp_min_c", "temp_max_c", "rain_mm", "humidity_pct", "wind_m_s")
_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)
_LONGEST: Final = timedelta(days=2)
"""No stretch that is kept lasts longer."""


@dataclass(frozen=True, slots=True)
class TypicalYear:
    """What stands for the weather that nobody knows, and what it was made from.

    ``own`` are the months (1 to 12) whose figures are means of the site's own past;
    ``assumed`` says that nobody chose the climate that the others come from.
    """

    climate: facts.Climate
    assumed: bool
    own: frozenset[int]
    months: tuple[TypicalMonth, ...]

    def month(self, number: int) -> TypicalMonth:
        """Return a month, 1 to 12."""
        return self.months[number - 1]


@dataclass(frozen=True, slots=True)
class OriginSpan:
    """Hours one after the other that have one origin."""

    starts_at: datetime
    ends_at: datetime
    origin: Origin


@dataclass(frozen=True, slots=True, eq=False)
class WeatherOrigins:
    """Where each hour of a :class:`~heapwright.science.pile_weather.Weather` came from.

    ``rank`` holds for ``temp``, ``rain``, ``humidity`` and ``wind`` the place in
    :data:`RANKED` of each hour. ``forecast_got_at`` is when the forecast in use was fetched.
    """

    starts_at: datetime
    hours: float
    rank: Mapping[Quantity, Ranks]
    typical: TypicalYear
    forecast_got_at: datetime | None

    def shares(self, quantity: Quantity = "temp") -> dict[Origin, float]:
        """Return the share of the hours by origin, the best first; those with none left out."""
        ranks = self._within(quantity)
        counts = np.bincount(ranks, minlength=len(RANKED)) / len(ranks)
        return {
            origin: float(share) for origin, share in zip(RANKED, counts, strict=True) if share > 0
        }

    def spans(self, quantity: Quantity = "temp") -> tuple[OriginSpan, ...]:
        """Return the stretches of hours of one origin, in order of time."""
        found = []
        hour = 0
        for rank, group in groupby(self._within(quantity).tolist()):
            until = hour + len(list(group))
            found.append(
                OriginSpan(
                    self.starts_at + hour * _HOUR, self.starts_at + until * _HOUR, RANKED[rank]
                )
            )
            hour = until
        return tuple(found)

    def known_until(self, quantity: Quantity = "rain") -> datetime:
        """Return from when on only the typical year is left (the end when nowhere)."""
        for span in reversed(self.spans(quantity)):
            if span.origin != Origin.TYPICAL:
                return span.ends_at
        return self.starts_at

    def _within(self, quantity: Quantity) -> Ranks:
        return self.rank[quantity][: max(math.ceil(self.hours), 1)]


@dataclass(frozen=True, slots=True)
class DayWeather:
    """The weather of one calendar day of the site; None is not known.

    ``origins`` names the origins that told of it, the best first; ``rain_origin`` that of the
    rain.
    """

    day: date
    temp_min_c: float | None
    temp_max_c: float | None
    rain_mm: float | None
    wind_m_s: float | None
    origins: tuple[Origin, ...]
    rain_origin: Origin | None


def hourly_for(start: datetime, hours: float) -> tuple[Weather, WeatherOrigins]:
    """Return the site's weather by hour from ``start`` on, and where each hour came from.

    Nothing is left blank: where nobody knows, the typical year stands, and the origins say so.
    The soil is taken as warm as the mean air of the weeks about the start.

    Parameters
    ----------
    start : datetime
        With its zone; hour 0.
    hours : float
        How long the weather has to last.

    Raises
    ------
    ValueError
        If ``start`` has no zone or ``hours`` is not above zero.
    """
    if start.tzinfo is None:
        raise ValueError("start needs its time zone")
    if not (math.isfinite(hours) and hours > 0):
        raise ValueError(f"{hours:g} is no number of hours above zero")
    site = Site.load()
    about = round(24 * facts.figure("ground_days").value)
    zero = start.astimezone(UTC) - about * _HOUR
    count = math.ceil(hours) + 2
    year = typical_year(site)
    days = _site_days(zero, zero + (about + count) * _HOUR, site.tz, year)
    end = zero + (about + count) * _HOUR
    found = hourly(
        _stretches(zero, end, site.tz),
        days,
        about + count,
        facts.day_curve(),
        typical_rank=RANKED.index(Origin.TYPICAL),
    )
    ground_c = float(np.mean(found.temp_c[: 2 * about]))
    part = slice(about, None)
    shelter = pile_parameters()["shelter"].typical
    in_use = WeatherRow.objects.filter(got=OuterRef("pk"), ends_at__gt=start, starts_at__lt=end)
    used = (
        WeatherGot.objects.filter(Exists(in_use), origin=Origin.FORECAST)
        .values_list("got_at", flat=True)
        .first()
    )
    ranks = {name: found.rank[name][part] for name in QUANTITIES}
    weather = Weather(
        temp_c=found.temp_c[part],
        humidity=found.humidity[part],
        wind_m_s=found.wind_m_s[part],
        rain_mm_h=found.rain_mm_h[part],
        ground_c=ground_c,
        shelter=shelter,
        spread=_spread(start, ranks, used),
    )
    return weather, WeatherOrigins(start, hours, ranks, year, used)


def _spread(
    start: datetime, ranks: Mapping[Quantity, Ranks], fetched_at: datetime | None
) -> WeatherSpread | None:
    """Return how sure each day after the start is, by where its hours came from."""
    count = len(ranks["temp"])
    clock = np.arange(count, dtype=float)
    lead_days = (clock - ((fetched_at or start) - start) / _HOUR) / 24.0
    foretold = lead_share(
        lead_days, facts.figure("forecast_share_first").value,
        facts.figure("forecast_skill_days").value,
    )  # fmt: skip
    shares = []
    for name in ("temp", "rain"):
        rank = ranks[name]
        hourly = np.where(rank == RANKED.index(Origin.FORECAST), foretold, 0.0)
        hourly[rank == RANKED.index(Origin.TYPICAL)] = 1.0
        first = np.arange(0, count, 24)
        shares.append(np.add.reduceat(hourly, first) / np.diff(np.append(first, count)))
    temp_share, rain_share = shares
    if not (temp_share.any() or rain_share.any()):
        return None
    return WeatherSpread(facts.day_variation(), temp_share, rain_share)


def _site_days(first: datetime, last: datetime, tz: ZoneInfo, year: TypicalYear) -> list[SiteDay]:
    """Return the calendar days that cover a stretch, one more at both ends."""
    day = first.astimezone(tz).date() - _DAY
    until = last.astimezone(tz).date() + _DAY
    found = []
    while day <= until:
        begins, ends = _bounds(day, tz)
        month = year.month(day.month)
        in_month = calendar.monthrange(day.year, day.month)[1]
        found.append(
            SiteDay(
                (begins - first) / _HOUR, (ends - first) / _HOUR, month, month.rain_mm / in_month
            )
        )
        day += _DAY
    return found


def _bounds(day: date, tz: ZoneInfo) -> tuple[datetime, datetime]:
    """Return when a calendar day of the site begins and when the next one does, in UTC."""
    begins_s, ends_s = day_bounds(day, tz)
    return datetime.fromtimestamp(begins_s, UTC), datetime.fromtimestamp(ends_s, UTC)


def _stretches(zero: datetime, end: datetime, tz: ZoneInfo) -> list[Stretch]:
    """Return what is known of a time and a day about it."""
    found = []
    rows = WeatherRow.objects.filter(
        starts_at__gte=zero - _LONGEST - _DAY, ends_at__gt=zero - _DAY, starts_at__lt=end + _DAY
    )
    for origin, starts_at, ends_at, *figures in rows.values_list(
        "origin", "starts_at", "ends_at", *FIGURES
    ):
        found.append(
            Stretch(
                (starts_at - zero) / _HOUR,
                (ends_at - zero) / _HOUR,
                RANKED.index(origin),
                **dict(zip(FIGURES, figures, strict=True)),
            )
        )
    gauge = _gauge((zero - _DAY).astimezone(tz).date(), (end + _DAY).astimezone(tz).date())
    warmest = facts.day_curve().warmest_h
    for one in gauge.values():
        begins, ends = _bounds(one.day, tz)
        start_h, end_h = (begins - zero) / _HOUR, (ends - zero) / _HOUR
        read_h = (one.read_at - zero) / _HOUR
        over = read_h >= end_h
        late = over or read_h >= start_h + warmest
        low, high = one.figures.get("temp_min_c"), one.figures.get("temp_max_c")
        rain, wind = one.figures.get("rain_mm"), one.figures.get("wind_m_s")
        # read before the day was over, the gauge knows of the hours until then only
        found.append(
            Stretch(
                start_h, end_h, 0,
                temp_min_c=low,
                temp_max_c=high if late else None,
                rain_mm=rain if over else None,
                wind_m_s=wind,
            )
        )  # fmt: skip
        if not over and rain is not None and read_h > start_h + 0.5:
            found.append(Stretch(start_h, read_h, 0, rain_mm=rain))
    return found


@dataclass(frozen=True, slots=True)
class _GaugeDay:
    day: date
    read_at: datetime
    figures: dict[str, float]


def _gauge(first: date, last: date) -> dict[date, _GaugeDay]:
    """Return what people read of each day; of two entries the later one holds."""
    figures: dict[date, dict[str, float]] = defaultdict(dict)
    read_at: dict[date, datetime] = {}
    rows = (
        Gauge.objects.filter(day__range=(first, last), entry__struck_at=None)
        .order_by("entry__happened_at", "entry_id")
        .values_list("day", "entry__happened_at", *_GAUGE)
    )
    for day, happened_at, *said in rows:
        figures[day] |= {
            name: value for name, value in zip(_GAUGE, said, strict=True) if value is not None
        }
        read_at[day] = happened_at
    return {day: _GaugeDay(day, read_at[day], figures[day]) for day in figures}


_GAUGE: Final = ("rain_mm", "temp_min_c", "temp_max_c", "wind_m_s")


# the typical year


def typical_year(site: Site | None = None, at: datetime | None = None) -> TypicalYear:
    """Return the site's typical year: its own past months, and a climate's for the others."""
    site = site or Site.load()
    chosen = WeatherSettings.load().climate
    assumed = chosen not in facts.climates()
    climate = facts.assumed_climate(site.latitude_deg) if assumed else facts.climates()[chosen]
    southern = (site.latitude_deg or 0.0) < 0.0
    own = _own_months((at or timezone.now()).astimezone(site.tz).date(), site.zone)
    months = []
    for number in range(1, 13):
        usual = climate.month(number, southern=southern)
        mine = own.get(number)
        if mine is None:
            months.append(usual)
            continue
        low, high, rain, wind = mine
        both = low is not None and high is not None
        months.append(
            TypicalMonth(
                temp_min_c=low if both else usual.temp_min_c,
                temp_max_c=high if both else usual.temp_max_c,
                rain_mm=usual.rain_mm if rain is None else rain,
                wind_m_s=usual.wind_m_s if wind is None else wind,
                dew_below_min_c=usual.dew_below_min_c,
            )
        )
    return TypicalYear(climate, assumed, frozenset(own), tuple(months))


Means = tuple[float | None, float | None, float | None, float | None]


def _own_months(today: date, zone: str) -> dict[int, Means]:
    """Return the means of the site's own past months that are known well enough."""
    got = WeatherGot.objects.exclude(origin=Origin.FORECAST).aggregate(
        Max("got_at"), Max("withdrawn_at"), Count("id")
    )
    logged = Gauge.objects.filter(entry__struck_at=None).aggregate(
        Max("entry__recorded_at"), Count("entry_id")
    )
    return _means_of_months(today, zone, tuple(got.values()), tuple(logged.values()))


@lru_cache(maxsize=32)
def _means_of_months(
    today: date, zone: str, rows_are: tuple[object, ...], _gauge_is: tuple[object, ...]
) -> dict[int, Means]:
    """Return the means of the months; the last two change whenever the records do."""
    first = date(today.year - round(facts.figure("own_years").value), today.month, 1)
    enough = facts.figure("own_month_days").value
    told = {day: dict(by_rank) for day, by_rank in _past(first, today.replace(day=1), zone,
                                                        rows_are).items()}  # fmt: skip
    this_month = _told_by_rows(today.replace(day=1), today - _DAY, ZoneInfo(zone), RANKED[:2])
    told |= {day: dict(by_rank) for day, by_rank in this_month.items()}
    by_month: dict[tuple[int, int], list[tuple[float | None, ...]]] = defaultdict(list)
    for one in _days_told(told, _gauge(first, today - _DAY)):
        by_month[one.day.year, one.day.month].append(
            (one.temp_min_c, one.temp_max_c, one.rain_mm, one.wind_m_s)
        )
    means: dict[int, list[list[float]]] = defaultdict(lambda: [[], [], [], []])
    for (year, month), days in by_month.items():
        length = calendar.monthrange(year, month)[1]
        for column, values in enumerate(zip(*days, strict=True)):
            there = [value for value in values if value is not None]
            if len(there) >= min(enough, length):
                means[month][column].append(
                    sum(there) / len(there) * (length if column == 2 else 1)
                )
    return {
        month: tuple(sum(one) / len(one) if one else None for one in columns)
        for month, columns in means.items()
        if any(columns)
    }


@lru_cache(maxsize=8)
def _past(first: date, until: date, zone: str, _rows_are: tuple[object, ...]) -> ToldByRows:
    """Return what rows tell of the days of past months; it changes when a file is loaded."""
    return _told_by_rows(first, until - _DAY, ZoneInfo(zone), RANKED[:2])


# days, for people to read


def days(first: date, last: date, *, with_typical: bool = False) -> list[DayWeather]:
    """Return the weather of calendar days, both ends included, days without any too.

    Parameters
    ----------
    first, last : date
    with_typical : bool
        Let the typical year stand where nothing is known.
    """
    site = Site.load()
    known = {one.day: one for one in _known_days(first, last, site.tz)}
    year = typical_year(site) if with_typical else None
    found = []
    day = first
    while day <= last:
        one = known.get(day) or DayWeather(day, None, None, None, None, (), None)
        if year is not None:
            one = _filled(one, year)
        found.append(one)
        day += _DAY
    return found


def _filled(one: DayWeather, year: TypicalYear) -> DayWeather:
    month = year.month(one.day.month)
    unknown = one.temp_min_c is None or one.temp_max_c is None
    if not unknown and one.rain_mm is not None:
        return one
    length = calendar.monthrange(one.day.year, one.day.month)[1]
    return DayWeather(
        one.day,
        month.temp_min_c if unknown else one.temp_min_c,
        month.temp_max_c if unknown else one.temp_max_c,
        month.rain_mm / length if one.rain_mm is None else one.rain_mm,
        one.wind_m_s,
        (*one.origins, Origin.TYPICAL),
        Origin.TYPICAL if one.rain_mm is None else one.rain_origin,
    )


ToldByRows = dict[date, dict[int, dict[str, float]]]
"""The figures of a day by the rank of the origin that tells them."""


def _known_days(first: date, last: date, tz: ZoneInfo) -> list[DayWeather]:
    """Return the days of which something is known."""
    return _days_told(_told_by_rows(first, last, tz, RANKED[:3]), _gauge(first, last))


def _days_told(told: ToldByRows, gauge: Mapping[date, _GaugeDay]) -> list[DayWeather]:
    """Return the days that rows or the gauge tell of, each figure from the best."""
    for day, one in gauge.items():
        measured = told.setdefault(day, {})
        measured[0] = measured.get(0, {}) | one.figures
    return [_day(day, told[day]) for day in sorted(told) if any(told[day].values())]


def _told_by_rows(first: date, last: date, tz: ZoneInfo, origins: Sequence[Origin]) -> ToldByRows:
    """Return what rows tell of calendar days."""
    if last < first:
        return {}
    begins, ends = _bounds(first, tz)[0], _bounds(last, tz)[1]
    rows = (
        WeatherRow.objects.filter(
            origin__in=origins,
            starts_at__gte=begins - _LONGEST,
            ends_at__gt=begins,
            starts_at__lt=ends,
        )
        .order_by("starts_at", "ends_at")
        .values_list("origin", "starts_at", "ends_at", *FIGURES)
    )
    told: dict[date, dict[int, _DayTold]] = defaultdict(lambda: defaultdict(_DayTold))
    for origin, starts_at, ends_at, *figures in rows.iterator():
        lasts = ends_at - starts_at
        day = (starts_at + lasts / 2).astimezone(tz).date()
        if first <= day <= last:
            told[day][RANKED.index(origin)].hear(lasts / _HOUR, *figures)
    return {
        day: {rank: one.figures() for rank, one in by_rank.items()} for day, by_rank in told.items()
    }


@dataclass(slots=True)
class _DayTold:
    """What one origin tells of a day: daily rows as they are, shorter ones summed up."""

    daily: dict[str, float] = field(default_factory=dict)
    temps: list[float] = field(default_factory=list)
    winds: list[float] = field(default_factory=list)
    rain_mm: float = 0.0
    rain_hours: float = 0.0
    temp_hours: float = 0.0

    def hear(
        self,
        hours: float,
        temp_c: float | None,
        low_c: float | None,
        high_c: float | None,
        rain_mm: float | None,
        _humidity_pct: float | None,
        wind_m_s: float | None,
    ) -> None:
        """Take in a row."""
        if hours >= DAY_FROM_H:
            if low_c is None and high_c is None:
                low_c = high_c = temp_c
            self.daily |= _there(
                temp_min_c=low_c, temp_max_c=high_c, rain_mm=rain_mm, wind_m_s=wind_m_s
            )
            return
        if temp_c is not None:
            self.temps.append(temp_c)
            self.temp_hours += hours
        if rain_mm is not None:
            self.rain_mm += rain_mm
            self.rain_hours += hours
        if wind_m_s is not None:
            self.winds.append(wind_m_s)

    def figures(self) -> dict[str, float]:
        """Return the figures of the day; short rows count when they cover it."""
        found: dict[str, float] = {}
        if self.temp_hours >= DAY_FROM_H:
            found |= {"temp_min_c": min(self.temps), "temp_max_c": max(self.temps)}
        if self.rain_hours >= DAY_FROM_H:
            found["rain_mm"] = self.rain_mm
        if self.winds:
            found["wind_m_s"] = sum(self.winds) / len(self.winds)
        return found | self.daily


def _there(**figures: float | None) -> dict[str, float]:
    return {name: value for name, value in figures.items() if value is not None}


def _day(day: date, told: Mapping[int, Mapping[str, float]]) -> DayWeather:
    """Return a day from what each origin says of it: each figure from the best."""
    best: dict[str, float] = {}
    origin_of: dict[str, Origin] = {}
    for rank in sorted(told):
        for name, value in told[rank].items():
            if name not in best:
                best[name], origin_of[name] = value, RANKED[rank]
    low, high = best.get("temp_min_c"), best.get("temp_max_c")
    if low is not None and high is not None and low > high:  # from two origins
        low, high = high, low
    return DayWeather(
        day, low, high, best.get("rain_mm"), best.get("wind_m_s"),
        tuple(origin for origin in RANKED if origin in origin_of.values()),
        origin_of.get("rain_mm"),
    )  # fmt: skip
