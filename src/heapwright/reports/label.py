"""Stake labels: the lot code in letters to be read from the gate, and a code for the phone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from heapwright.errors import InputError
from heapwright.reports.measures import day
from heapwright.reports.printing import Paper, pdf
from heapwright.reports.qr import qr_svg

_WORDS: Final = {
    "pile": "Composting: not for beds yet",
    "compost": "Compost",
    "stock": "Stock",
    "overs": "Screened-out chips, to go round again",
}


@dataclass(frozen=True, slots=True)
class Label:
    """A label of one lot; ``url`` opens its entry form, ``what`` says what lies there."""

    code: str
    what: str
    place: str = ""
    begun: date | None = None
    url: str = ""


@dataclass(frozen=True, slots=True)
class LabelSheet:
    """The labels of a print: four to a page, to be cut apart, or one that fills it."""

    site: str
    labels: tuple[Label, ...]
    printed_at: datetime


def what_of(kind: str) -> str:
    """Return what a label says of a kind of lot."""
    return _WORDS.get(kind, kind)


def labels(data: LabelSheet, *, paper: Paper = "a4") -> bytes:
    """Return stake labels as a PDF.

    Raises
    ------
    InputError
        If there is no label, or the paper is none.
    """
    if not data.labels:
        raise InputError("there is no label to print: name at least one lot")
    filled = {
        "title": f"Stake labels, {', '.join(label.code for label in data.labels)}",
        "site": data.site,
        "labels": [
            {
                "code": label.code,
                "what": label.what,
                "place": label.place,
                "begun": "" if label.begun is None else day(label.begun),
                "qr": qr_svg(label.url) if label.url else "",
            }
            for label in data.labels
        ],
    }
    return pdf("label", filled, paper=paper, printed_at=data.printed_at)
