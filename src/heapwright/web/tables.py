"""Tables as ``parts/table.html`` takes them, and the same rows as a file to take away."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse, QueryDict
from django.utils.formats import localize
from django.utils.html import conditional_escape, strip_tags
from django.utils.safestring import SafeString, mark_safe

_PHONE_LETTERS = 38  # of a row that a phone shows without crushing its words
_LAPTOP_LETTERS = 135
_LINE = 20  # letters of a text that look well on one line
_LOOKED_AT = 60  # rows that tell how wide a table is
LACKING = "–"
"""Stands in a cell of which nothing is known."""
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a text that starts so for a formula."""


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a column; see ``parts/table.html``.

    ``says_itself``: its cells need no label where a row is set as lines. ``may_lack``: there, a
    cell with a dash in it is left out.
    """

    label: str
    unit: str = ""
    number: bool = False
    short: bool = False
    sort_href: str = ""
    sorted: str = ""
    says_itself: bool = False
    may_lack: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """The cells of a row, ready to be shown."""

    cells: Sequence[Any]
    struck: bool = False


def table(
    table_id: str,
    caption: str,
    columns: Sequence[Column],
    rows: Iterable[Row | Sequence[Any]],
    *,
    download_href: str = "",
    note: str = "",
) -> dict[str, Any]:
    """Return the table that ``parts/table.html`` shows."""
    shown = []
    for row in rows:
        line = row if isinstance(row, Row) else Row(row)
        rest = zip(columns[1:], line.cells[1:], strict=True)
        cells = [
            line.cells[0],
            *({"text": text, "number": one.number} for one, text in rest),
        ]
        shown.append({"cells": cells, "struck": line.struck})
    wide = sum(_wide(columns, shown)) + 2 * (len(columns) - 1)
    return {
        "id": table_id,
        "caption": caption,
        "columns": columns,
        "rows": shown,
        "download_href": download_href,
        "note": note,
        "stacks": len(columns) > 2 and wide > _PHONE_LETTERS,
        "sorts": any(column.sort_href for column in columns),
        "broad": wide > _LAPTOP_LETTERS,
    }


def _wide(columns: Sequence[Column], rows: Sequence[dict[str, Any]]) -> Iterable[int]:
    """Yield how many letters wide each column wants to be; words of a long text may break."""
    for index, column in enumerate(columns):
        texts = [
            _bare(str(cell["text"] if index else cell))
            for cell in (row["cells"][index] for row in rows[:_LOOKED_AT])
        ]
        longest = max(map(len, texts), default=0)
        if column.number or column.short:  # neither they nor their head break
            yield max(longest, len(column.label))
        else:
            yield max(min(longest, _LINE), *map(len, column.label.split()), 0)


def _bare(text: str) -> str:
    return strip_tags(text) if "<" in text else text


def body(made: Mapping[str, Any]) -> SafeString:
    """Return the rows of a table as HTML, its cells escaped.

    A page may have a thousand cells; a template would spend most of the page's time on them.
    """
    first, *rest = made["columns"]
    kind = "number-cell" if first.number else "short-cell" if first.short else ""
    begin = f'<th scope="row"{_attribute("class", kind)}>'
    opens = [_opening(one, stacks=made["stacks"]) for one in rest]
    lines = []
    for row in made["rows"]:
        head_cell, *cells = row["cells"]
        line = "".join(
            f"{lacking if cell['text'] == LACKING else full}{_shown(cell['text'])}</td>"
            for (full, lacking), cell in zip(opens, cells, strict=True)
        )
        struck = _attribute("class", "struck" if row["struck"] else "")
        lines.append(f"<tr{struck}>{begin}{_shown(head_cell)}</th>{line}</tr>\n")
    return mark_safe("".join(lines))  # every cell is escaped


def _opening(column: Column, *, stacks: bool) -> tuple[str, str]:
    """Return the tags that open a cell of a column: one with a figure in it, one with a dash.

    Where rows are set as lines on a phone, a cell carries its label before it and its unit after.
    """
    kind = "number-cell" if column.number else ""
    if not stacks:
        full = f"<td{_attribute('class', kind)}>"
        return full, full
    label = _attribute("data-label", "" if column.says_itself else column.label)
    unit = _attribute("data-unit", column.unit)
    lack = f"{kind} lacks".strip() if column.may_lack else kind
    return (
        f"<td{_attribute('class', kind)}{label}{unit}>",
        f"<td{_attribute('class', lack)}{label}>",
    )


def _attribute(name: str, value: str) -> str:
    return f' {name}="{conditional_escape(value)}"' if value else ""


def _shown(value: Any) -> str:
    """Return a value as a template shows it."""
    return conditional_escape(value if isinstance(value, str) else localize(value))


def wants_csv(request: HttpRequest) -> bool:
    """Tell whether the page's figures are asked for as a file."""
    return request.GET.get("format") == "csv"


def csv_href(request: HttpRequest) -> str:
    """Return the address of the same page's figures as a file, with the same filter."""
    query: QueryDict = request.GET.copy()
    query["format"] = "csv"
    query.pop("page", None)
    return f"?{query.urlencode()}"


def csv_file(name: str, head: Sequence[str], rows: Iterable[Sequence[Any]]) -> HttpResponse:
    """Return rows as a comma-separated file in UTF-8, with a mark so that spreadsheets see it."""
    answer = HttpResponse("\ufeff", content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    writer = csv.writer(answer)
    writer.writerow(head)
    writer.writerows([_plain(cell) for cell in row] for row in rows)
    return answer


def _plain(cell: Any) -> Any:
    if cell is None:
        return ""
    if isinstance(cell, str) and cell.startswith(FORMULA_STARTS):
        return f"'{cell}"
    return cell
