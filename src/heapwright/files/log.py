"""Reading the log of a pile: ``time,event,point,depth_cm,temp_c``.

Rows are read in blocks; a block in the plain form goes through fast conversions, any other
row by row, which also finds the place of a fault. Both accept the same.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import get_args

import numpy as np

from heapwright.errors import InputError
from heapwright.files.table import decode, parse_number, read_bytes, read_header
from heapwright.science.daily import Act, Clock, Event, Floats, Ints, Log, Readings
from heapwright.units import M_PER_INCH, celsius_from_fahrenheit, fahrenheit_from_celsius

LOG_BYTES = 64_000_000
"""A million rows are about 37 MB; what is larger is to be split by pile or by year."""

COLUMNS = ("time", "event", "point", "depth_cm", "depth_in", "temp_c", "temp_f", "note")
EVENTS: tuple[str, ...] = ("read", *get_args(Event))
COLDEST_C, HOTTEST_C = -40.0, 100.0
DEEPEST_CM = 300.0
MOST_POINTS = 500
CM_PER_INCH = M_PER_INCH * 100.0

_BLOCK = 20_000
_NAIVE = -(10**6)
_TIME = r"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?)(Z|[+-]\d\d:?\d\d)?"
_TIME_CELL = re.compile(_TIME)
_TIME_LINES = re.compile(f"^{_TIME}$", re.MULTILINE)
_PLAIN_TIMES = re.compile(r"(?:\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d)?\n)*")
_PLAIN = frozenset("0123456789.+-\n")
_LAST_S = int(datetime(2100, 1, 1, tzinfo=UTC).timestamp())
_EXAMPLE = "write it as 2026-03-01T10:00"


@dataclass(frozen=True, slots=True)
class LogFile:
    """A log as read, what had to be said about it, and the unit it was written in."""

    log: Log
    notes: tuple[str, ...]
    fahrenheit: bool
    rows: int


@dataclass(slots=True)
class _Block:
    """Rows in columns.

    ``event`` indexes :data:`EVENTS`, ``point`` the names that were met; ``temp`` and ``depth``
    are NaN where blank, in the file's own unit.
    """

    line: Ints
    local_s: Ints
    offset_s: Ints
    event: Ints
    point: Ints
    depth: Floats
    temp: Floats


@dataclass(slots=True)
class _Layout:
    """Where each column stands, and the file's name for messages."""

    file: str
    columns: tuple[str, ...]
    at: dict[str, int] = field(default_factory=dict)
    names: list[str] = field(default_factory=list)
    spelled: dict[str, int] = field(default_factory=dict)

    def error(self, message: str, line: int | None = None, column: str | None = None) -> InputError:
        return InputError(message, file=self.file, row=line, column=column)

    @property
    def fahrenheit(self) -> bool:
        return "temp_f" in self.at

    @property
    def temp(self) -> str:
        return "temp_f" if self.fahrenheit else "temp_c"

    @property
    def depth(self) -> str | None:
        return next((name for name in ("depth_cm", "depth_in") if name in self.at), None)

    def codes(self, cells: Sequence[str] | None, event: Ints) -> Ints:
        """Return the code of each row's point; names that differ only in case are one point.

        Only rows that read name a point of the pile; the others get -1.
        """
        if cells is None:
            cells = [""] * len(event)
        reads = cells if not event.any() else [
            cell for cell, kind in zip(cells, event.tolist(), strict=True) if kind == 0
        ]  # fmt: skip
        for cell in dict.fromkeys(reads):
            if cell not in self.spelled:
                name = cell.strip()
                key = name.casefold()
                if key not in self.spelled:
                    self.spelled[key] = len(self.names)
                    self.names.append(name)
                self.spelled[cell] = self.spelled[key]
        if len(self.names) > MOST_POINTS:
            raise self.error(
                f"names more than {MOST_POINTS} points; check that the column holds points",
                None,
                "point",
            )
        return np.array([self.spelled.get(cell, -1) for cell in cells], dtype=np.int16)

    def most(self, column: str) -> float:
        """Return the most that a column can hold, in its own unit."""
        return {
            "temp_c": HOTTEST_C,
            "temp_f": fahrenheit_from_celsius(HOTTEST_C),
            "depth_cm": DEEPEST_CM,
            "depth_in": DEEPEST_CM / CM_PER_INCH,
        }[column]

    def least(self, column: str) -> float:
        """Return the least that a column can hold, in its own unit."""
        return COLDEST_C if column.startswith("temp") else 0.0


def read_log(path: Path, *, time_zone: str | None = None) -> LogFile:
    """Read the log of one pile.

    Parameters
    ----------
    path : Path
        A comma-separated table with the columns ``time``, ``event``, ``temp_c`` or
        ``temp_f``, and as wanted ``point``, ``depth_cm`` or ``depth_in``, ``note``.
    time_zone : str, optional
        The site's zone, such as ``America/Los_Angeles``: times without an offset are read as
        its wall clock, times with an offset are brought to it.

    Raises
    ------
    InputError
        With the row and column of the first thing that is not as it should be.
    """
    name = path.name
    text = decode(read_bytes(path, max_bytes=LOG_BYTES), name)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        layout = _layout(reader, text, name)
        blocks = list(_blocks(reader, layout))
    except csv.Error as error:
        raise InputError(
            f"is not a well-formed comma-separated table ({error})", file=name, row=reader.line_num
        ) from None
    if not blocks:
        raise InputError("has column names but no line of data", file=name, row=1)
    rows = sum(len(block.line) for block in blocks)
    return _log(blocks, layout, time_zone, rows)


def _layout(reader: Iterator[list[str]], text: str, name: str) -> _Layout:
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        line = next(line for line in io.StringIO(text) if line.strip(", \t\r\n"))
        columns = read_header(line.rstrip("\r\n"), name, COLUMNS)
        layout = _Layout(name, columns, {column: i for i, column in enumerate(columns)})
        for pair in (("temp_c", "temp_f"), ("depth_cm", "depth_in")):
            if all(column in columns for column in pair):
                raise layout.error(
                    f"mixes units: it has {pair[0]} and {pair[1]}; keep one of them", 1
                )
        for column in ("time", "event"):
            if column not in columns:
                raise layout.error(f"lacks the column {column}", 1)
        if not {"temp_c", "temp_f"} & set(columns):
            raise layout.error("lacks the column temp_c (or temp_f)", 1)
        return layout
    raise InputError("is empty; it needs a line of column names", file=name)


def _blocks(reader: Iterator[list[str]], layout: _Layout) -> Iterator[_Block]:
    line = reader.line_num  # type: ignore[attr-defined]
    while rows := list(islice(reader, _BLOCK)):
        after = reader.line_num  # type: ignore[attr-defined]
        block = _fast(rows, layout, line) if after - line == len(rows) else None
        if block is None:
            block = _slow(rows, layout, line)
        line = after
        if len(block.line):
            yield block


def _fast(rows: list[list[str]], layout: _Layout, line: int) -> _Block | None:
    """Return the block if every row is in the plain form, None otherwise."""
    width = len(layout.columns)
    if set(map(len, rows)) != {width}:
        return None
    cells = list(zip(*rows, strict=True))
    at, count = layout.at, len(rows)
    kinds = set(cells[at["event"]])
    if not kinds <= set(EVENTS):
        return None
    time_cells: Sequence[str] = cells[at["time"]]
    joined = "\n".join(time_cells)
    shift_s: Ints | None = None
    if not _PLAIN_TIMES.fullmatch(joined + "\n"):
        times = _TIME_LINES.findall(joined)
        if len(times) != count:
            return None
        time_cells = [base for base, _ in times]
        try:
            shifts = {shift: _offset_s(shift) for shift in {shift for _, shift in times}}
        except ValueError:
            return None
        shift_s = np.array([shifts[shift] for _, shift in times], dtype=np.int64)
    temp_cells = cells[at[layout.temp]]
    depth_cells: Sequence[str] = cells[at[layout.depth]] if layout.depth else ()
    if not set("\n".join(temp_cells)) | set("\n".join(depth_cells)) <= _PLAIN:
        return None
    try:
        local_us = np.array(time_cells, dtype="datetime64[us]").astype(np.int64)
        temp = np.array([float(cell) if cell else math.nan for cell in temp_cells])
        depth = (
            np.array([float(cell) if cell else math.nan for cell in depth_cells])
            if layout.depth
            else np.full(count, math.nan)
        )
    except ValueError:
        return None
    event = (
        np.zeros(count, dtype=np.int8)
        if kinds == {"read"}
        else np.array([EVENTS.index(name) for name in cells[at["event"]]], dtype=np.int8)
    )
    if bool((np.isnan(temp) == (event == 0)).any()):
        return None
    columns = [(temp, layout.temp)] + ([(depth, layout.depth)] if layout.depth else [])
    for values, column in columns:
        wrong = (values < layout.least(column)) | (values > layout.most(column))
        if bool(wrong.any()):
            return None
    local_s = local_us // 1_000_000
    if bool(((local_s < 0) | (local_s >= _LAST_S)).any()):
        return None
    return _Block(
        np.arange(line + 1, line + 1 + count),
        local_s,
        np.full(count, _NAIVE) if shift_s is None else shift_s,
        event,
        layout.codes(cells[at["point"]] if "point" in at else None, event),
        depth,
        temp,
    )


def _slow(rows: list[list[str]], layout: _Layout, line: int) -> _Block:
    """Return the block row by row, raising at the first fault."""
    lines: list[int] = []
    times: list[tuple[int, int]] = []
    events: list[int] = []
    points: list[str] = []
    numbers: list[tuple[float, float]] = []
    for cells in rows:
        line += 1 + sum(cell.count("\n") for cell in cells)
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(layout.columns):
            raise layout.error(
                f"has {len(cells)} cells but the header names {len(layout.columns)} columns; "
                "a comma inside a number needs a point instead",
                line,
            )
        texts = {column: cells[i].strip() for column, i in layout.at.items() if i < len(cells)}
        for column, text in texts.items():
            if column != "note" and ("\n" in text or len(text) > 200):
                raise layout.error(
                    "holds a line break or a very long text; a quote mark may not be closed",
                    line,
                    column,
                )
        times.append(_time(texts.get("time", ""), layout, line))
        event = _event(texts.get("event", ""), layout, line)
        temp = _number(texts, layout.temp, layout, line)
        if event == "read" and math.isnan(temp):
            raise layout.error("is blank; a row “read” needs a temperature", line, layout.temp)
        if event != "read" and not math.isnan(temp):
            raise layout.error(
                f"a row “{event}” has no temperature; write a row “read” of its own",
                line,
                layout.temp,
            )
        depth = _number(texts, layout.depth, layout, line) if layout.depth else math.nan
        lines.append(line)
        events.append(EVENTS.index(event))
        points.append(texts.get("point", ""))
        numbers.append((depth, temp))
    event_codes = np.array(events, dtype=np.int8)
    time_table = np.array(times, dtype=np.int64).reshape(-1, 2)
    number_table = np.array(numbers, dtype=float).reshape(-1, 2)
    return _Block(
        np.array(lines, dtype=np.int64),
        time_table[:, 0],
        time_table[:, 1],
        event_codes,
        layout.codes(points, event_codes),
        number_table[:, 0],
        number_table[:, 1],
    )


def _offset_s(shift: str) -> int:
    if not shift:
        return _NAIVE
    if shift == "Z":
        return 0
    hours, minutes = int(shift[1:3]), int(shift[-2:])
    if hours > 14 or minutes > 59:
        raise ValueError(shift)
    return (1 if shift[0] == "+" else -1) * (hours * 3600 + minutes * 60)


def _time(cell: str, layout: _Layout, line: int) -> tuple[int, int]:
    """Return the wall clock in seconds since 1970 and the offset that stands with it."""
    fault = ""
    found = _TIME_CELL.fullmatch(cell)
    if found:
        try:
            offset = _offset_s(found[2] or "")
            local = datetime.fromisoformat(found[1]).replace(tzinfo=UTC)
        except ValueError:
            fault = f"“{cell}” is no time that exists; {_EXAMPLE}"
        else:
            local_s = (local - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(seconds=1)
            if 0 <= local_s < _LAST_S:
                return local_s, offset
            fault = f"the year {found[1][:4]} is not one of a log kept here; {_EXAMPLE}"
    elif not cell:
        fault = f"is blank; {_EXAMPLE}"
    elif re.fullmatch(r"\d{4}-\d\d-\d\d", cell):
        fault = f"“{cell}” has no time of day; write it as {cell}T10:00"
    elif re.fullmatch(r"\d{5}([.,]\d+)?", cell):
        fault = f"“{cell}” is a spreadsheet's serial number of a date; {_EXAMPLE}"
    elif re.match(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}", cell):
        fault = (
            f"“{cell}” is a date in another format, which can be read in two ways; {_EXAMPLE} "
            "in every row"
        )
    else:
        fault = f"“{cell}” is not a time; {_EXAMPLE}"
    raise layout.error(fault, line, "time")


def _event(cell: str, layout: _Layout, line: int) -> str:
    name = cell.casefold()
    if name in EVENTS:
        return name
    if not name:
        raise layout.error(f"is blank; write one of {', '.join(EVENTS)}", line, "event")
    near = difflib.get_close_matches(name, EVENTS, n=2, cutoff=0.5)
    hint = f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(EVENTS)}"
    raise layout.error(f"“{cell}” is not an event; {hint}", line, "event")


def _number(texts: dict[str, str], column: str, layout: _Layout, line: int) -> float:
    """Return the number of a cell in the file's own unit, NaN when blank."""
    cell = texts.get(column, "")
    if not cell:
        return math.nan
    try:
        value = parse_number(cell)
    except InputError as error:
        raise layout.error(error.message, line, column) from None
    low, high = layout.least(column), layout.most(column)
    if low <= value <= high:
        return value
    if column == "temp_c" and value > high:
        raise layout.error(
            f"{cell} °C is hotter than a pile can be; if this is °F, the file mixes units: "
            "write all in one unit and name the column temp_f for °F",
            line,
            column,
        )
    word = "above" if value > high else "below"
    raise layout.error(
        f"{cell} is {word} {high if value > high else low:g}, which cannot be", line, column
    )


def _log(blocks: list[_Block], layout: _Layout, time_zone: str | None, rows: int) -> LogFile:
    line = np.concatenate([block.line for block in blocks])
    local_s = np.concatenate([block.local_s for block in blocks])
    offset_s = np.concatenate([block.offset_s for block in blocks])
    temp = np.concatenate([block.temp for block in blocks])
    depth = np.concatenate([block.depth for block in blocks])
    point, names = np.concatenate([block.point for block in blocks]), tuple(layout.names)
    if layout.fahrenheit:
        temp = celsius_from_fahrenheit(temp)  # type: ignore[arg-type, assignment]
    if layout.depth == "depth_in":
        depth = depth * CM_PER_INCH
    time_s, clock, notes = _times(line, local_s, offset_s, point, temp, layout, time_zone)

    event = np.concatenate([block.event for block in blocks])
    is_read = event == 0
    time_r, point_r, temp_r, depth_r = (
        time_s[is_read],
        point[is_read],
        temp[is_read],
        depth[is_read],
    )
    order = np.lexsort((temp_r, np.nan_to_num(depth_r, nan=-1.0), point_r, time_r))
    time_r, point_r, temp_r, depth_r = (
        time_r[order], point_r[order], temp_r[order], depth_r[order],
    )  # fmt: skip
    again = np.zeros(len(time_r), dtype=bool)
    again[1:] = (
        (time_r[1:] == time_r[:-1])
        & (point_r[1:] == point_r[:-1])
        & (temp_r[1:] == temp_r[:-1])
        & ((depth_r[1:] == depth_r[:-1]) | (np.isnan(depth_r[1:]) & np.isnan(depth_r[:-1])))
    )
    acts = [
        Act(int(time_s[i]), EVENTS[event[i]])  # type: ignore[arg-type]
        for i in np.flatnonzero(~is_read).tolist()
    ]
    twice = int(again.sum()) + len(acts) - len(set(acts))
    if twice:
        notes.append(
            f"{twice} {'row stands' if twice == 1 else 'rows stand'} in {layout.file} more than "
            f"once, word for word, and {'counts' if twice == 1 else 'count'} once."
        )
    kept = ~again
    readings = Readings(
        time_r[kept],
        point_r[kept],
        temp_r[kept],
        depth_r[kept] if layout.depth else None,
        names,
    )
    ordered = tuple(sorted(set(acts), key=lambda act: (act.time_s, act.kind)))
    return LogFile(Log(readings, ordered, clock), tuple(notes), layout.fahrenheit, rows)


def _times(
    line: Ints,
    local_s: Ints,
    offset_s: Ints,
    point: Ints,
    temp: Floats,
    layout: _Layout,
    time_zone: str | None,
) -> tuple[Ints, Clock, list[str]]:
    """Return times that count on evenly, the site's clock, and what has to be said."""
    naive = offset_s == _NAIVE
    if bool(naive.any()) and not bool(naive.all()):
        odd = int(np.flatnonzero(naive != naive[0])[0])
        one, other = ("no offset", "one") if naive[0] else ("an offset", "none")
        raise layout.error(
            f"the times above have {one}, this one has {other}; write all times one way",
            int(line[odd]),
            "time",
        )
    if time_zone is not None:
        clock = zone_clock(time_zone, int(local_s.min()), int(local_s.max()))
        if not naive[0]:
            return local_s - offset_s, clock, []
        return _from_wall(local_s, point, ~np.isnan(temp), clock, time_zone)
    if naive[0]:
        return local_s, Clock(), []
    return _from_offsets(line, local_s, offset_s, layout)


def zone_clock(time_zone: str, first_s: int, last_s: int) -> Clock:
    """Return a zone's clock over a span of time, with a margin of two days.

    Raises
    ------
    InputError
        If the zone is unknown; the message names near ones.
    """
    from zoneinfo import ZoneInfo, available_timezones

    try:
        zone = ZoneInfo(time_zone)
    except (KeyError, ValueError, OSError):
        near = difflib.get_close_matches(time_zone, sorted(available_timezones()), n=3, cutoff=0.5)
        hint = f"did you mean {' or '.join(near)}?" if near else "such as America/Los_Angeles"
        raise InputError(f"“{time_zone}” is not a time zone; {hint}") from None

    def offset(time_s: int) -> int:
        shift = datetime.fromtimestamp(time_s, zone).utcoffset()
        return 0 if shift is None else int(shift.total_seconds())

    step = 86_400
    time_s = first_s - 2 * step
    starts, offsets = [time_s], [offset(time_s)]
    while time_s < last_s + 2 * step:
        low, high = time_s, time_s + step
        if offset(high) != offsets[-1]:
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if offset(middle) == offsets[-1] else (low, middle)
            starts.append(high)
            offsets.append(offset(high))
        time_s += step
    return Clock(tuple(starts), tuple(offsets))


def _from_wall(
    local_s: Ints, point: Ints, is_read: Ints, clock: Clock, time_zone: str
) -> tuple[Ints, Clock, list[str]]:
    """Return wall-clock times as times that count on, across changes of the clock.

    In the hour that comes twice, the second reading of a point at one wall-clock time is of
    the second time round. A time that the clock jumped over is read with the offset of before.
    """
    notes: list[str] = []
    time_s = local_s - clock.offsets_s[0]
    for i in range(1, len(clock.starts_s)):
        change, before, after = clock.starts_s[i], clock.offsets_s[i - 1], clock.offsets_s[i]
        past = local_s - before >= change
        jumped = past & (local_s - after < change)
        time_s = np.where(past, local_s - np.where(jumped, before, after), time_s)
        if bool(jumped.any()):
            notes.append(
                f"{int(jumped.sum())} rows have times that the clock of {time_zone} jumped over; "
                "they are read as an hour later."
            )
        twice = np.flatnonzero(~past & (local_s - after >= change) & is_read)
        seen: set[tuple[int, int]] = set()
        for row in twice.tolist():
            key = (int(point[row]), int(local_s[row]))
            if key in seen:
                time_s[row] = local_s[row] - after
            seen.add(key)
    return time_s, clock, notes


def _from_offsets(
    line: Ints, local_s: Ints, offset_s: Ints, layout: _Layout
) -> tuple[Ints, Clock, list[str]]:
    """Return times that carry an offset, and the wall clock that the offsets tell."""
    time_s = local_s - offset_s
    order = np.argsort(time_s, kind="stable")
    sorted_offset, sorted_time = offset_s[order], time_s[order]
    changes = np.flatnonzero(np.diff(sorted_offset)) + 1
    starts = np.append(sorted_time[:1], sorted_time[changes])
    offsets = np.append(sorted_offset[:1], sorted_offset[changes])
    steps = np.abs(np.diff(offsets))
    if bool((np.diff(starts[1:]) < 28 * 86_400).any()) or bool((steps > 7200).any()):
        raise layout.error(
            "the offsets of the times differ in a way that no change of clock explains; "
            "give the site's zone with --time-zone",
            int(line[order[changes[0]]]),
            "time",
        )
    notes = []
    clock = Clock(tuple(starts.tolist()), tuple(offsets.tolist()))
    for start, shift in zip(clock.starts_s[1:], clock.offsets_s[1:], strict=True):
        day = clock.wall(start).date()
        notes.append(
            f"The times are {_shift_text(shift)} from {day.isoformat()} on: taken as the site's "
            "change of clock (give --time-zone to be exact)."
        )
    if len(offsets) == 1 and offsets[0] == 0:
        notes.append(
            "The times are in UTC, so the days are UTC's; give --time-zone for the site's own."
        )
    return time_s, clock, notes


def _shift_text(offset_s: int) -> str:
    sign = "+" if offset_s >= 0 else "−"
    return f"{sign}{abs(offset_s) // 3600:02d}:{abs(offset_s) % 3600 // 60:02d}"
