"""From data to PDF: typst compiles a template of this package with the data as its input."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final, Literal, get_args

from heapwright.errors import InputError

Paper = Literal["a4", "letter"]

TEMPLATES: Final = Path(__file__).parent / "templates"
_PAPER: Final[dict[Paper, str]] = {"a4": "a4", "letter": "us-letter"}
_NO_GLYPH: Final = "could not be displayed with"
# Marks that turn the direction of a line or join nothing could make a name on a proof read as
# another; controls and lone surrogates are no text at all.
_UNSEEN: Final = frozenset({"Cc", "Cs", "Co", "Cn"})
_TURNERS: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def pdf(template: str, data: Mapping[str, Any], *, paper: Paper, printed_at: datetime) -> bytes:
    """Return the PDF of a template filled with data.

    Tagged for assistive technology and, where every letter has a glyph in the fonts at hand,
    declared PDF/UA-1.

    Parameters
    ----------
    template : str
        Name of a file in :data:`TEMPLATES`, without its suffix.
    data : mapping
        Texts, numbers, lists and mappings; needs ``title``.
    paper : {"a4", "letter"}
    printed_at : datetime
        With its zone; stands in the file and nowhere else unless ``data`` says it.

    Raises
    ------
    InputError
        If the paper is neither of the two.
    """
    import typst

    if paper not in get_args(Paper):
        raise InputError(f"“{paper}” is not a paper; it is a4 or letter")
    filled = json.dumps(_clean({**data, "paper": _PAPER[paper]}), ensure_ascii=False)

    def compiled(standards: list[Any]) -> bytes:
        compiler = typst.Compiler(
            str(TEMPLATES / f"{template}.typ"), root=str(TEMPLATES), font_paths=_fonts()
        )
        made = compiler.compile(
            format="pdf",
            sys_inputs={"data": filled},
            pdf_standards=standards,
            timestamp=int(printed_at.astimezone(UTC).timestamp()),
        )
        assert isinstance(made, bytes)
        return made

    try:
        return compiled(["ua-1"])
    except typst.TypstError as error:
        if _NO_GLYPH not in error.message:
            raise
        return compiled([])


@cache
def _fonts() -> Any:
    """Return the fonts: typst's own, the system's, and those of a font package if installed."""
    import typst

    found = find_spec("font_source_sans_pro")
    places = [] if found is None else found.submodule_search_locations or []
    return typst.Fonts(font_paths=[str(Path(place) / "files") for place in places])


def _clean(value: Any) -> Any:
    """Return data without what cannot be printed: controls, surrogates, turners of direction."""
    if isinstance(value, str):
        if value.isascii() and value.isprintable():
            return value
        return "".join(
            char
            for char in value.replace("\r\n", "\n")
            if char == "\n" or (unicodedata.category(char) not in _UNSEEN and char not in _TURNERS)
        )
    if isinstance(value, Mapping):
        return {key: _clean(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(one) for one in value]
    return value


def cited(ids: tuple[str, ...]) -> list[str]:
    """Return sources as author, year, title and section; an unknown id stands as it is."""
    from heapwright.data import sources

    known = sources()
    lines = []
    for key in dict.fromkeys(ids):
        source = known.get(key)
        if source is None:
            lines.append(key)
            continue
        parts = [source.author, source.year, source.title, source.where]
        seen = {
            "passage": "the passage was read",
            "abstract": "the abstract was read",
            "memory": "from memory, not read",
            "derived": "derived from it",
            "practice": "common practice",
        }[source.seen]
        lines.append(f"{', '.join(str(part) for part in parts if part)} ({seen})")
    return lines
