"""Numbers among options and arguments, read as strictly as those in files."""

from __future__ import annotations

from typing import Any

import click

from heapwright.errors import InputError


class Number(click.ParamType):
    """A number within bounds; click's own takes “nan” and “inf” for one."""

    name = "number"

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number; fail with one line that says what is wrong with it."""
        from heapwright.files.table import parse_number

        try:
            number = parse_number(str(value))
        except InputError as error:
            self.fail(error.message, param, ctx)
        if not self.low <= number <= self.high:
            self.fail(f"{value} is not from {self.low:.0f} to {self.high:.0f}", param, ctx)
        return number
