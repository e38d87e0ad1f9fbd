"""Reading a PDF back."""

from __future__ import annotations

import io
import re
from typing import Any

from pypdf import PdfReader


def reader(made: bytes) -> PdfReader:
    """Return a reader of a PDF, refusing a damaged one."""
    return PdfReader(io.BytesIO(made), strict=True)


def pages(made: bytes) -> list[str]:
    """Return the text of each page on one line, break opportunities and hard spaces undone."""
    return [plain(page.extract_text()) for page in reader(made).pages]


def text(made: bytes) -> str:
    """Return all text of a PDF on one line."""
    return " ".join(pages(made))


def plain(words: str) -> str:
    return re.sub(r"\s+", " ", words.replace("\u200b", "").replace("\u00a0", " "))


def squeezed(words: str) -> str:
    """Return text without any space, for words that a narrow column broke anywhere."""
    return re.sub(r"[\s\u200b\u00ad]+", "", words)


def size_mm(made: bytes) -> tuple[int, int]:
    box = reader(made).pages[0].mediabox
    return round(float(box.width) * 25.4 / 72), round(float(box.height) * 25.4 / 72)


def alternatives(made: bytes) -> list[str]:
    """Return what pictures say to those who cannot see them."""
    return [str(one["/Alt"]) for one in _structure(reader(made)) if "/Alt" in one]


def kinds(made: bytes) -> set[str]:
    """Return the kinds of structure that the tags name: /H1, /Table, /TH, /Figure."""
    return {str(one["/S"]) for one in _structure(reader(made)) if "/S" in one}


def _structure(pdf: PdfReader) -> list[Any]:
    found = []
    waiting = [pdf.trailer["/Root"]["/StructTreeRoot"]]
    while waiting:
        one = waiting.pop().get_object()
        if isinstance(one, list):
            waiting += one
        elif isinstance(one, dict):
            found.append(one)
            if "/K" in one:
                waiting.append(one["/K"])
    return found
