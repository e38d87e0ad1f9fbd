"""The family of errors.

Every error that a person can cause and mend is a :class:`HeapwrightError` whose text is one
sentence that says what is wrong, where, and what would be right::

    HeapwrightError
    ├── InputError      something that was typed or sent: file, row, column, field
    ├── FactError       a shipped or added table of facts breaks its own rules
    └── NotMeasuredError   a material lacks a figure that the computation cannot do without
"""

from __future__ import annotations


class HeapwrightError(Exception):
    """Base of all errors that a person can mend; shown as one line, exit code 2."""


class InputError(HeapwrightError):
    """Bad input, with the place where it stands.

    Parameters
    ----------
    message : str
        What is wrong and what would be right, without the place.
    file, row, column : str or int, optional
        Where it stands. Rows count from 1 as a spreadsheet shows them, the header included.
    """

    def __init__(
        self,
        message: str,
        *,
        file: str | None = None,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        self.message = message
        self.file = file
        self.row = row
        self.column = column
        place = [
            part
            for part in (
                file,
                f"row {row}" if row is not None else None,
                f"column {column}" if column is not None else None,
            )
            if part
        ]
        super().__init__(f"{', '.join(place)}: {message}" if place else message)


class FactError(HeapwrightError):
    """A table of facts breaks its own rules (no source, impossible value, duplicate id)."""


class NotMeasuredError(HeapwrightError):
    """A material lacks a figure that nobody published and that has to be measured first."""
