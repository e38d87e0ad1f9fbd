"""Loading a file once: what came of it, and the ids by which the same row is known again.

Django is loaded by the functions, not by importing this module.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from uuid import NAMESPACE_OID, UUID, uuid5

from heapwright.errors import InputError


@dataclass(slots=True)
class Done:
    """What came of a file."""

    new: list[str] = field(default_factory=list)
    there: int = 0
    notes: list[str] = field(default_factory=list)


@contextmanager
def placed(error_at: Callable[[str, str], InputError]) -> Iterator[None]:
    """Tell what the records refuse with the place in the file."""
    from heapwright.yard.errors import YardError

    try:
        yield
    except YardError as error:
        raise error_at(error.message, error.field) from None


def content_id(*content: object) -> UUID:
    """Return the id of the entry that this content makes, the same each time."""
    text = json.dumps(content, default=str, ensure_ascii=False)
    return uuid5(NAMESPACE_OID, f"load/{hashlib.sha256(text.encode()).hexdigest()}")


def loaded_before(entry_id: UUID, done: Done, label: str) -> bool:
    """Return whether an entry is there already; say so when it was struck since."""
    from heapwright.yard.models import Entry

    entry = Entry.objects.filter(uuid=entry_id).first()
    if entry is None:
        return False
    done.there += 1
    if entry.is_struck:
        done.notes.append(f"{label} was loaded before and struck since; it stays struck.")
    return True
