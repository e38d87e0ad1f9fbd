"""Strict reading of comma-separated tables.

One decimal mark, no grouping of thousands, UTF-8, commas between columns. What could be read
in two ways is refused with the place where it stands, never guessed.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from heapwright.errors import InputError

LIST_BYTES = 4_000_000
"""No list of materials is longer; a larger file is some other file."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_GROUPED = re.compile(r"[+-]?\d{1,3}([ '’\u00a0\u202f,]\d{3})+(\.\d+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
_DATE = re.compile(
    rf"\d{{1,2}}[-/ ]({_MONTHS})([-/ ]\d{{2,4}})?"
    rf"|({_MONTHS})[-/ ]\d{{1,4}}"
    r"|\d{1,4}[-/]\d{1,2}([-/]\d{1,4})?",
    re.IGNORECASE,
)


def parse_number(text: str) -> float:
    """Return the number that ``text`` states in the one accepted way.

    Raises
    ------
    InputError
        If the text is not a plain decimal number; the message says what it looks like.
    """
    text = text.strip()
    if _NUMBER.fullmatch(text):
        value = float(text)
        if math.isfinite(value):
            return value
        raise InputError(f"{text} is too large to be a number of anything here")
    if _DATE.fullmatch(text):
        raise InputError(
            f"“{text}” is a date, not a number; spreadsheets turn ranges such as 4-27 into dates, "
            "so type the number itself"
        )
    if _DECIMAL_COMMA.fullmatch(text):
        raise InputError(f"“{text}” has a comma; write decimals with a point, such as 1.5")
    if _GROUPED.fullmatch(text):
        raise InputError(f"“{text}” groups its thousands; write the digits without a separator")
    raise InputError(f"“{text}” is not a number; write digits and a decimal point, such as 12.5")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: its cells by column and the place where it stands."""

    file: str
    number: int
    cells: dict[str, str]

    def error(self, message: str, column: str | None = None) -> InputError:
        """Return the error that says ``message`` with this row's place."""
        return InputError(message, file=self.file, row=self.number, column=column)

    def text(self, column: str) -> str:
        """Return the cell without surrounding blanks; empty when blank or absent."""
        return self.cells.get(column, "")

    def number_or_none(
        self, column: str, *, low: float | None = None, high: float | None = None
    ) -> float | None:
        """Return the number in ``column``, or None when the cell is blank or absent.

        Raises
        ------
        InputError
            If the cell is not a number or lies outside ``low`` to ``high`` (inclusive).
        """
        text = self.text(column)
        if not text:
            return None
        try:
            value = parse_number(text)
        except InputError as error:
            raise self.error(error.message, column) from None
        if low is not None and value < low:
            raise self.error(f"{text} is below {low:g}, the least that is possible", column)
        if high is not None and value > high:
            raise self.error(f"{text} is above {high:g}, the most that is possible", column)
        return value


@dataclass(frozen=True, slots=True)
class Table:
    """A read table: the file's name, its columns in order, its rows that are not blank."""

    file: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]

    def __iter__(self) -> Iterator[Row]:
        return iter(self.rows)


def read_bytes(path: Path, *, max_bytes: int) -> bytes:
    """Return the bytes of a file that exists, is a file and is not absurdly large."""
    name = path.name
    try:
        size = path.stat().st_size
    except FileNotFoundError:
        raise InputError("there is no such file", file=name) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=name) from None
    if not path.is_file():
        what = "a folder" if path.is_dir() else "a pipe or device"
        raise InputError(f"is {what}, not a file", file=name)
    if size == 0:
        raise InputError("is empty; it needs a line of column names and a line of data", file=name)
    if size > max_bytes:
        raise InputError(
            f"is {size / 1e6:.0f} MB; files of this kind are read up to {max_bytes / 1e6:.0f} MB, "
            "so check that it is the right file or split it",
            file=name,
        )
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=name) from None


def decode(data: bytes, name: str) -> str:
    """Return UTF-8 text, a leading byte-order mark removed.

    Raises
    ------
    InputError
        If the bytes are another encoding; the message names the row of the first bad byte.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(
            "is saved as UTF-16; save it as “CSV UTF-8” from the spreadsheet", file=name, row=1
        )
    if b"\0" in data[:4096]:
        raise InputError("is not a text file; save the sheet as “CSV UTF-8”", file=name, row=1)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"holds the byte 0x{data[error.start]:02x}, which is not UTF-8; "
            "save it as “CSV UTF-8” from the spreadsheet",
            file=name,
            row=row,
        ) from None


def read_header(first_line: str, name: str, known: Sequence[str]) -> tuple[str, ...]:
    """Return the column names of a header line, checked against the known ones."""
    if ";" in first_line and "," not in first_line:
        raise InputError(
            "its columns are parted by semicolons; save it with commas between columns and "
            "a point in decimals",
            file=name,
            row=1,
        )
    if "\t" in first_line and "," not in first_line:
        raise InputError(
            "its columns are parted by tabs; save it with commas between columns", file=name, row=1
        )
    columns = tuple(cell.strip().lower() for cell in next(csv.reader([first_line])))
    for position, column in enumerate(columns, start=1):
        if not column:
            raise InputError(f"the name of column {position} is blank", file=name, row=1)
        if columns.count(column) > 1:
            raise InputError("this column stands twice", file=name, row=1, column=column)
        if column not in known:
            near = difflib.get_close_matches(column, known, n=3, cutoff=0.5)
            hint = f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(known)}"
            raise InputError(f"is not a known column; {hint}", file=name, row=1, column=column)
    return columns


def read_table(
    path: Path,
    *,
    known: Sequence[str],
    required: Sequence[str] = (),
    max_bytes: int = LIST_BYTES,
) -> Table:
    """Read a comma-separated table with a header line.

    Parameters
    ----------
    path : Path
        The file.
    known : sequence of str
        The columns that may stand in it; any other is refused with near matches.
    required : sequence of str
        The columns that must stand in it.
    max_bytes : int
        Larger files are refused.

    Raises
    ------
    InputError
        If the file is absent, empty, too large, not UTF-8, not comma-separated, lacks a
        required column or has a row longer than its header.
    """
    name = path.name
    text = decode(read_bytes(path, max_bytes=max_bytes), name)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[Row] = []
    columns: tuple[str, ...] | None = None
    try:
        for cells in reader:
            number = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if columns is None:
                first_line = text.splitlines()[number - 1]
                columns = read_header(first_line, name, known)
                continue
            if len(cells) > len(columns):
                raise InputError(
                    f"has {len(cells)} cells but the header names {len(columns)} columns; "
                    "a comma inside a number or a name needs the cell in quotes",
                    file=name,
                    row=number,
                )
            rows.append(
                Row(
                    name,
                    number,
                    {
                        column: cell.strip()
                        for column, cell in zip(columns, cells, strict=False)
                        if cell.strip()
                    },
                )
            )
    except csv.Error as error:
        raise InputError(
            f"is not a well-formed comma-separated table ({error})", file=name, row=reader.line_num
        ) from None
    if columns is None:
        raise InputError("is empty; it needs a line of column names", file=name)
    for column in required:
        if column not in columns:
            raise InputError(f"lacks the column {column}", file=name, row=1)
    if not rows:
        raise InputError("has column names but no line of data", file=name, row=1)
    return Table(name, columns, tuple(rows))
