"""Strict reading of TOML files: every key known, every value of its kind and possible.

Errors name the file and the key with its tables, such as ``PILE.toml, pile.width_m``.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from heapwright.errors import InputError
from heapwright.files.table import decode, read_bytes

BYTES = 2_000_000


@dataclass(slots=True)
class TomlTable:
    """One table of a TOML file, with the place where it stands."""

    file: str
    path: str
    values: dict[str, Any]
    read: set[str] = field(default_factory=set)

    def error(self, message: str, key: str | None = None) -> InputError:
        """Return the error that says ``message`` with the file and the key."""
        return InputError(message, file=f"{self.file}, {self.place(key)}")

    def place(self, key: str | None = None) -> str:
        """Return the key with the tables that it stands in."""
        return ".".join(part for part in (self.path, key) if part) or "top"

    def has(self, key: str) -> bool:
        """Tell whether a key is stated."""
        return key in self.values

    def number(
        self,
        key: str,
        *,
        low: float,
        high: float,
        default: float | None = None,
        above: bool = False,
    ) -> float:
        """Return a number from ``low`` to ``high``; above ``low`` if so asked.

        Raises
        ------
        InputError
            If it is missing without a default, no number, or outside of the range.
        """
        value = self._take(key)
        if value is None:
            if default is None:
                raise self.error("is missing", key)
            return default
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(f"{_shown(value)} is not a number", key)
        number = float(value)
        if not math.isfinite(number):
            raise self.error(f"{number} is not a number of anything", key)
        if above and number <= low:
            raise self.error(f"{number:g} is not above {low:g}", key)
        if number < low:
            raise self.error(f"{number:g} is below {low:g}, the least that is possible", key)
        if number > high:
            raise self.error(f"{number:g} is above {high:g}, the most that is possible", key)
        return number

    def whole(self, key: str, *, low: int, high: int, default: int) -> int:
        """Return a whole number from ``low`` to ``high``."""
        value = self._take(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error(f"{_shown(value)} is not a whole number", key)
        if not low <= value <= high:
            raise self.error(f"{value} is not from {low} to {high}", key)
        return value

    def choice(self, key: str, among: Sequence[str], default: str | None = None) -> str:
        """Return one of some words."""
        value = self._take(key)
        if value is None:
            if default is None:
                raise self.error(f"is missing; one of {', '.join(among)}", key)
            return default
        if not isinstance(value, str) or value not in among:
            near = difflib.get_close_matches(str(value), among, n=1)
            hint = f"did you mean {near[0]}?" if near else f"one of {', '.join(among)}"
            raise self.error(f"{_shown(value)} is none that is known; {hint}", key)
        return value

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text that is not blank."""
        value = self._take(key)
        if value is None:
            if default is None:
                raise self.error("is missing", key)
            return default
        if not isinstance(value, str) or not value.strip():
            raise self.error(f"{_shown(value)} is not a text", key)
        return value.strip()

    def time(self, key: str) -> datetime:
        """Return a moment: a TOML date and time, or the same as a text."""
        value = self._take(key)
        if value is None:
            raise self.error("is missing; write it as 2026-03-01T10:00:00", key)
        if isinstance(value, str):
            try:
                return datetime.fromisoformat(value)
            except ValueError:
                pass
        if isinstance(value, datetime):
            return value
        if isinstance(value, date):
            return datetime(value.year, value.month, value.day)
        raise self.error(f"{_shown(value)} is not a time; write it as 2026-03-01T10:00:00", key)

    def table(self, key: str) -> TomlTable | None:
        """Return a table within this one, or None."""
        value = self._take(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.error(f"is not a table; write [{self.place(key)}]", key)
        return TomlTable(self.file, self.place(key) if self.path else key, value)

    def tables(self, key: str) -> list[TomlTable]:
        """Return an array of tables within this one, numbered from 1 in messages."""
        value = self._take(key)
        if value is None:
            return []
        place = self.place(key) if self.path else key
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            raise self.error(f"is not a list of tables; write [[{place}]]", key)
        return [TomlTable(self.file, f"{place}[{i}]", one) for i, one in enumerate(value, 1)]

    def done(self) -> None:
        """Refuse keys that nobody read.

        Raises
        ------
        InputError
            Naming the first of them, with near matches.
        """
        for key in self.values:
            if key not in self.read:
                near = difflib.get_close_matches(key, sorted(self.read), n=1)
                known = ", ".join(sorted(self.read))
                hint = f"did you mean {near[0]}?" if near else f"known here: {known}"
                raise self.error(f"is not a known key; {hint}", key)

    def _take(self, key: str) -> Any:
        self.read.add(key)
        return self.values.get(key)


def read_toml(path: Path) -> TomlTable:
    """Read a TOML file.

    Raises
    ------
    InputError
        If it is absent, too large, not UTF-8 or not well-formed, naming the line.
    """
    text = decode(read_bytes(path, max_bytes=BYTES), path.name)
    try:
        return TomlTable(path.name, "", tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is not well-formed TOML ({error})", file=path.name) from None


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"“{value}”" if isinstance(value, str) else f"{value}"
