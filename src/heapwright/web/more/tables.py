"""Tables as ``parts/table.html`` takes them, and the same rows as a file to take away."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse, QueryDict

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a text that starts so for a formula."""


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a column; see ``parts/table.html``."""

    label: str
    unit: str = ""
    number: bool = False
    short: bool = False
    sort_href: str = ""
    sorted: str = ""


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
        cells = [line.cells[0], *({"text": text, "number": one.number} for one, text in rest)]
        shown.append({"cells": cells, "struck": line.struck})
    return {
        "id": table_id,
        "caption": caption,
        "columns": columns,
        "rows": shown,
        "download_href": download_href,
        "note": note,
    }


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
