"""Readings by the million and their daily summaries, always in one transaction.

Rows go through the cursor, not through model instances. A reading is kept once: the same
lot, time, point and depth again with the same temperature changes nothing; with another
temperature the whole act is refused, naming the reading, because one of the two is wrong.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import repeat
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from django.db import connection
from django.db.models import Count, Max, Min, Sum
from django.utils.translation import gettext as _

from heapwright.science.daily import Log
from heapwright.yard import ledger
from heapwright.yard.errors import FieldError
from heapwright.yard.models import DailySummary, Entry, Lot, Reading, Site
from heapwright.yard.models.readings import NO_DEPTH_CM, TEMP_HIGH_C, TEMP_LOW_C

POINT_LENGTH: Final = 20
_BLOCK: Final = 50_000

_INSERT: Final = (
    "INSERT INTO yard_reading (entry_id, lot_id, time_s, point, depth_cm, temp_c, struck) "
    "VALUES (%s, %s, %s, %s, %s, %s, %s)"
)

_MERGE: Final = """
INSERT INTO yard_dailysummary AS kept
    (lot_id, day, point, depth_cm, min_c, max_c, sum_c, count, first_s, last_s)
VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
ON CONFLICT (lot_id, day, point, depth_cm) DO UPDATE SET
    min_c = CASE WHEN excluded.min_c < kept.min_c THEN excluded.min_c ELSE kept.min_c END,
    max_c = CASE WHEN excluded.max_c > kept.max_c THEN excluded.max_c ELSE kept.max_c END,
    sum_c = kept.sum_c + excluded.sum_c,
    count = kept.count + excluded.count,
    first_s = CASE WHEN excluded.first_s < kept.first_s THEN excluded.first_s
                   ELSE kept.first_s END,
    last_s = CASE WHEN excluded.last_s > kept.last_s THEN excluded.last_s ELSE kept.last_s END
"""


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Readings of one lot by column, all of one length.

    ``time_s`` Unix seconds (UTC), int64; ``points`` the names that occur; ``point`` the index
    of each row's name in them; ``depth_cm`` with ``NO_DEPTH_CM`` where not said; ``temp_c``.
    """

    time_s: npt.NDArray[np.int64]
    points: tuple[str, ...]
    point: npt.NDArray[np.intp]
    depth_cm: npt.NDArray[np.float64]
    temp_c: npt.NDArray[np.float64]

    @classmethod
    def of_rows(cls, rows: Iterable[tuple[int, str, float | None, float]]) -> Columns:
        """Return the columns of rows ``(time_s, point, depth_cm or None, temp_c)``."""
        rows = list(rows)
        times, names, depths, temps = zip(*rows, strict=True) if rows else ((), (), (), ())
        number: dict[str, int] = {}
        point = [number.setdefault(name, len(number)) for name in names]
        return cls(
            np.array(times, np.int64),
            tuple(number),
            np.array(point, np.intp),
            np.array([NO_DEPTH_CM if depth is None else depth for depth in depths], np.float64),
            np.array(temps, np.float64),
        )

    @classmethod
    def of_log(cls, log: Log) -> Columns:
        """Return the readings of a log as :func:`heapwright.files.log.read_log` reads it."""
        read = log.readings
        depth_cm = (
            np.full(len(read.time_s), NO_DEPTH_CM) if read.depth_cm is None else read.depth_cm
        )
        return cls(
            read.time_s.astype(np.int64),
            read.points,
            read.point.astype(np.intp),
            np.nan_to_num(depth_cm, nan=NO_DEPTH_CM),
            read.temp_c.astype(np.float64),
        )

    @classmethod
    def join(cls, parts: Iterable[Columns]) -> Columns:
        """Return the rows of all parts, one part after the other."""
        return cls.of_rows(row for part in parts for row in part.rows())

    def __len__(self) -> int:
        return len(self.time_s)

    def __getitem__(self, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_] | slice) -> Columns:
        return Columns(
            self.time_s[which],
            self.points,
            self.point[which],
            self.depth_cm[which],
            self.temp_c[which],
        )

    def values(self) -> tuple[list[int], list[str], list[float], list[float]]:
        """Return times, names of points, depths and temperatures as plain Python values."""
        names = self.points
        return (
            self.time_s.tolist(),
            [names[index] for index in self.point.tolist()],
            self.depth_cm.tolist(),
            self.temp_c.tolist(),
        )

    def rows(self) -> Iterator[tuple[int, str, float, float]]:
        """Return the rows ``(time_s, point, depth_cm, temp_c)`` as plain Python values."""
        return zip(*self.values(), strict=True)


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of the rows: how many were new, how many were there already."""

    new: int
    there_already: int


def keep(entry: Entry, lot: Lot, columns: Columns, field: str) -> Kept:
    """Keep readings of a lot under an entry and bring its daily summaries up to date.

    To be called inside the transaction that wrote the entry. Rows may come in any order and
    more than once.

    Raises
    ------
    FieldError
        If a value is impossible, or a reading is there already with another temperature.
    """
    _check(columns, field)
    columns = _once(_in_order(columns), field)
    new = _not_there_yet(lot, columns, field)
    if len(new):
        entry_id, lot_id = entry.id, lot.id
        with connection.cursor() as cursor:
            for begin in range(0, len(new), _BLOCK):  # the cursor keeps what it was given
                block = new[slice(begin, begin + _BLOCK)]
                cursor.executemany(
                    _INSERT,
                    zip(repeat(entry_id), repeat(lot_id), *block.values(), repeat(False)),
                )
            cursor.executemany(_MERGE, _summaries(lot_id, new, Site.load().tz))
    return Kept(len(new), len(columns) - len(new))


def _check(columns: Columns, field: str) -> None:
    if not len(columns):
        raise FieldError(_("there is no reading"), field=field)
    for name in columns.points:
        if len(name) > POINT_LENGTH or name != name.strip():
            raise FieldError(
                _("“%(name)s” is no name of a point: use up to %(most)d characters")
                % {"name": name, "most": POINT_LENGTH},
                field=f"{field}.point",
            )
    temp_c, depth_cm = columns.temp_c, columns.depth_cm
    bad = ~((temp_c >= TEMP_LOW_C) & (temp_c <= TEMP_HIGH_C))
    if bad.any():
        raise FieldError(
            _("%(temp)g °C is no temperature of a pile; is the unit right?")
            % {"temp": temp_c[bad][0]},
            field=f"{field}.temp_c",
        )
    bad = ~((depth_cm == NO_DEPTH_CM) | ((depth_cm >= 0) & (depth_cm <= 1000)))
    if bad.any():
        raise FieldError(
            _("%(depth)g cm is no depth in a pile") % {"depth": depth_cm[bad][0]},
            field=f"{field}.depth_cm",
        )


def _in_order(columns: Columns) -> Columns:
    """Return the rows by time, point name and depth, as the index in the database has them."""
    rank = np.argsort(np.argsort(np.array(columns.points)))[columns.point]
    return columns[np.lexsort((columns.depth_cm, rank, columns.time_s))]


def _once(columns: Columns, field: str) -> Columns:
    """Return the rows without those that say the same again."""
    again = (
        (np.diff(columns.time_s) == 0)
        & (np.diff(columns.point) == 0)
        & (np.diff(columns.depth_cm) == 0)
    )
    if not again.any():
        return columns
    other = np.flatnonzero(again & (np.diff(columns.temp_c) != 0))
    if len(other):
        row, first = next(columns[other[:1] + 1].rows()), columns.temp_c[other[0]]
        raise _disagrees(row, float(first), field)
    return columns[np.concatenate(([True], ~again))]


def _not_there_yet(lot: Lot, columns: Columns, field: str) -> Columns:
    """Return the rows that the records lack; refuse rows that contradict them."""
    there = list(
        Reading.objects.filter(
            lot=lot,
            struck=False,
            time_s__range=(int(columns.time_s[0]), int(columns.time_s[-1])),
        )
        .order_by("time_s", "point", "depth_cm")
        .values_list("time_s", "point", "depth_cm", "temp_c")
    )
    if not there:
        return columns
    rows = list(columns.rows())
    if rows == there:
        return columns[np.array([], np.intp)]
    known = {row[:3]: row[3] for row in there}
    new = []
    for index, row in enumerate(rows):
        temp_c = known.get(row[:3])
        if temp_c is None:
            new.append(index)
        elif temp_c != row[3]:
            raise _disagrees(row, temp_c, field)
    return columns[np.array(new, np.intp)]


def _disagrees(row: tuple[int, str, float, float], other_c: float, field: str) -> FieldError:
    time_s, point, depth_cm, temp_c = row
    where = point if depth_cm == NO_DEPTH_CM else f"{point}, {depth_cm:g} cm"
    return FieldError(
        _(
            "point %(where)s was read on %(when)s as %(other)g °C already; %(temp)g °C cannot "
            "hold too, so strike the wrong one first"
        )
        % {
            "where": where,
            "when": ledger.local(datetime.fromtimestamp(time_s, UTC)),
            "other": other_c,
            "temp": temp_c,
        },
        field=field,
    )


def day_bounds(day: date, tz: ZoneInfo) -> tuple[int, int]:
    """Return the Unix seconds at which a calendar day of the site begins and the next one does."""
    begins, ends = (
        int(datetime.combine(one, time(), tz).timestamp()) for one in (day, day + timedelta(days=1))
    )
    return begins, ends


def _summaries(lot_id: int, columns: Columns, tz: ZoneInfo) -> Iterator[tuple[object, ...]]:
    """Yield a summary row for each day, point and depth of the rows (in order of time)."""
    first, last = (
        datetime.fromtimestamp(int(columns.time_s[index]), tz).date() for index in (0, -1)
    )
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    begins = np.array([day_bounds(day, tz)[0] for day in days])
    day = np.searchsorted(begins, columns.time_s, side="right") - 1
    depths, depth = np.unique(columns.depth_cm, return_inverse=True)
    group = (day * len(columns.points) + columns.point) * len(depths) + depth
    order = np.argsort(group, kind="stable")
    group = group[order]
    starts = np.flatnonzero(np.concatenate(([True], group[1:] != group[:-1])))
    temp_c, time_s = columns.temp_c[order], columns.time_s[order]
    ends = np.concatenate((starts[1:], [len(group)]))
    for key, low, high, total, count, begin_s, end_s in zip(
        group[starts].tolist(),
        np.minimum.reduceat(temp_c, starts).tolist(),
        np.maximum.reduceat(temp_c, starts).tolist(),
        np.add.reduceat(temp_c, starts).tolist(),
        (ends - starts).tolist(),
        time_s[starts].tolist(),
        time_s[ends - 1].tolist(),
        strict=True,
    ):
        rest, depth_index = divmod(key, len(depths))
        day_index, point_index = divmod(rest, len(columns.points))
        yield (
            lot_id,
            days[day_index].isoformat(),
            columns.points[point_index],
            float(depths[depth_index]),
            low,
            high,
            total,
            count,
            begin_s,
            end_s,
        )


def strike(entry: Entry) -> None:
    """Take the readings of a struck entry out of what counts, and out of the summaries."""
    tz = Site.load().tz
    for lot in entry.lots.all():
        mine = Reading.objects.filter(lot=lot, entry=entry, struck=False)
        span = mine.aggregate(first=Min("time_s"), last=Max("time_s"))
        if span["first"] is None:
            continue
        mine.update(struck=True)
        first, last = (datetime.fromtimestamp(span[end], tz).date() for end in ("first", "last"))
        summarise(lot, first, last, tz)


def summarise(lot: Lot, first: date, last: date, tz: ZoneInfo | None = None) -> None:
    """Make the daily summaries of a lot anew from its readings, both days included."""
    tz = tz or Site.load().tz
    DailySummary.objects.filter(lot=lot, day__range=(first, last)).delete()
    DailySummary.objects.bulk_create(fresh_summaries(lot, first, last, tz))


def fresh_summaries(lot: Lot, first: date, last: date, tz: ZoneInfo) -> list[DailySummary]:
    """Return the summaries that the readings of a lot make, without storing them."""
    made = []
    day = first
    while day <= last:
        begins, ends = day_bounds(day, tz)
        made += [
            DailySummary(lot=lot, day=day, **row)
            for row in Reading.objects.filter(
                lot=lot, struck=False, time_s__gte=begins, time_s__lt=ends
            )
            .order_by()
            .values("point", "depth_cm")
            .annotate(
                min_c=Min("temp_c"),
                max_c=Max("temp_c"),
                sum_c=Sum("temp_c"),
                count=Count("id"),
                first_s=Min("time_s"),
                last_s=Max("time_s"),
            )
        ]
        day += timedelta(days=1)
    return made
