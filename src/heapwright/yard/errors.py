"""What the records refuse, each with the field it is about::

HeapwrightError
└── YardError          has .message and .field
    ├── RoleError         this person may not do that (403)
    ├── NotFoundError     no such lot, place, source, container, material, entry (404)
    ├── FieldError        what was typed or sent is wrong (400)
    ├── StockError        more is taken than is there; has .lot, .there_kg, .asked_kg (409)
    ├── TimelineError     later entries would become impossible (409)
    └── LedgerError       an attempt to change or delete what is written (409)
"""

from __future__ import annotations

from typing import ClassVar

from heapwright.errors import HeapwrightError


class YardError(HeapwrightError):
    """Base of what the records refuse.

    Parameters
    ----------
    message : str
        One sentence, ready to be shown.
    field : str
        The field of the act that it is about (``"takes.0.lot"`` for the lot of the first
        take); empty when it is about the whole.
    """

    status: ClassVar = 400

    def __init__(self, message: str, *, field: str = "") -> None:
        self.message = message
        self.field = field
        super().__init__(f"{field}: {message}" if field else message)


class RoleError(YardError):
    """The person's role does not allow it."""

    status: ClassVar = 403


class NotFoundError(YardError):
    """There is no such lot, place, source, container, material or entry."""

    status: ClassVar = 404


class FieldError(YardError):
    """A field of the act is wrong."""


class StockError(YardError):
    """More would be taken from a lot than it holds then."""

    status: ClassVar = 409

    def __init__(
        self, message: str, *, field: str = "", lot: str, there_kg: float, asked_kg: float
    ) -> None:
        self.lot = lot
        self.there_kg = there_kg
        self.asked_kg = asked_kg
        super().__init__(message, field=field)


class TimelineError(YardError):
    """The act or strike would make an entry that happened later impossible."""

    status: ClassVar = 409


class LedgerError(YardError):
    """Somebody tried to change or delete what is written."""

    status: ClassVar = 409
