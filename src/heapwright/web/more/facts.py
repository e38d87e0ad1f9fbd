"""The tables of facts and the sources that they cite, to be searched and taken away."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any, Final

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.html import format_html, format_html_join
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from heapwright.data import sources as all_sources
from heapwright.data.check import table_names
from heapwright.data.tables import FactRow, Source, read_rows
from heapwright.units import M3_PER_L, celsius_from_fahrenheit
from heapwright.web.heat import step_of
from heapwright.web.measures import NBSP, to_three_digits, ungrouped, with_unit
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv

WORDS = re.compile(r"[^\W_]+")
PROVENANCE = ("sources", "mark", "note", "confirmed")

Show = Callable[[Mapping[str, str], str], Any]
"""Shows a cell (or several) of a row in a person's units."""


def _raw(name: str) -> Show:
    return lambda cells, _units: cells.get(name) or "–"


def _day(name: str) -> Show:
    """Show a day that the table writes as 2026-11-25."""
    return lambda cells, _units: (
        date_format(date.fromisoformat(cells[name]), "j M Y").replace(" ", NBSP)
        if cells.get(name)
        else "–"
    )


def _number(name: str) -> Show:
    """Show a number without the digits that only a conversion made; the file has them all."""
    return lambda cells, _units: f"{float(cells[name]):.6g}" if cells.get(name) else "–"


def _range(name: str, digits: str = ".4g", scale: float = 1.0) -> Show:
    """Show a typical value with its range."""

    def show(cells: Mapping[str, str], _units: str) -> str:
        low, typical, high = (
            float(cells[f"{name}_{side}"]) * scale if cells.get(f"{name}_{side}") else None
            for side in ("min", "typ", "max")
        )
        if low is not None and high is not None and low < high:
            span = f"{low:{digits}}–{high:{digits}}"
            return f"{typical:{digits}} ({span})" if typical is not None else span
        one = next((value for value in (typical, low, high) if value is not None), None)
        return "–" if one is None else f"{one:{digits}}"

    return show


def _holds(cells: Mapping[str, str], units: str) -> str:
    text = cells.get("volume_l")
    return to_three_digits(float(text) * M3_PER_L, "capacity", units) if text else "–"


def _heat(name: str) -> Show:
    """Show a temperature that its document states in °C (``name_c``) or °F (``name_f``)."""

    def show(cells: Mapping[str, str], units: str) -> str:
        if text := cells.get(f"{name}_c"):
            return heat_words(float(text), units)
        if text := cells.get(f"{name}_f"):
            return heat_words(celsius_from_fahrenheit(float(text)), units)
        return "–"

    return show


def heat_words(temp_c: float, units: str) -> str:
    """Return a temperature on its colour; the tenth is kept where it is stated."""
    shown = with_unit(temp_c, "temp", units)
    return format_html('<span class="heat heat-{}">{}</span>', step_of(temp_c).number, shown)


def _rule_time(cells: Mapping[str, str], _units: str) -> str:
    if cells["judged_by"] == "days":
        return _("%(days)s days") % {"days": cells["days"]}
    if cells["judged_by"] == "hold":
        return _("%(minutes)s min") % {"minutes": cells["hold_min"]}
    return "–"


def _limit(cells: Mapping[str, str], _units: str) -> str:
    words = {
        "at most": _("at most %(limit)s"),
        "below": _("below %(limit)s"),
        "above": _("above %(low)s"),
        "between": _("%(low)s to %(limit)s"),
        "not detected": _("none found (method sees %(limit)s)"),
    }
    shown = words[cells["comparison"]] % {"low": cells["low"], "limit": cells["limit"]}
    return f"{shown} {cells['unit']}" + (f", {cells['basis']}" if cells["basis"] else "")


@dataclass(frozen=True, slots=True)
class Shown:
    """A column of a table as a page shows it."""

    label: Any
    show: Show
    number: bool = False
    sort: Show | None = None
    """What the column is sorted by, where that is not what it shows."""


@dataclass(frozen=True, slots=True)
class FactTable:
    """A table of facts: what it is called, what it is for, which columns a page shows."""

    title: Any
    about: Any
    columns: tuple[Shown, ...] = ()


TABLES: Final[dict[str, FactTable]] = {
    "materials": FactTable(
        gettext_lazy("Materials"),
        gettext_lazy("What scraps, leaves, chips and beddings are made of, before you measure."),
        (
            Shown(gettext_lazy("Name"), _raw("name")),
            Shown(gettext_lazy("Kind"), _raw("category")),
            Shown(gettext_lazy("Moisture, %"), _range("moisture_pct"), True),
            Shown(gettext_lazy("N, % dry"), _range("n_pct_dry"), True),
            Shown(gettext_lazy("C:N"), _range("cn"), True),
            Shown(gettext_lazy("Density, kg/m³"), _range("bulk_density_kg_m3"), True),
        ),
    ),
    "rules": FactTable(
        gettext_lazy("Rules of sanitation"),
        gettext_lazy("How hot, how long and how often turned, code by code, as read on a date."),
        (
            Shown(gettext_lazy("Name"), _raw("name")),
            Shown(gettext_lazy("Where"), _raw("jurisdiction")),
            Shown(gettext_lazy("Document"), _raw("document")),
            Shown(gettext_lazy("From"), _heat("min_temp"), True),
            Shown(gettext_lazy("Time"), _rule_time, True),
            Shown(gettext_lazy("Turnings"), _raw("turnings"), True),
            Shown(gettext_lazy("As read"), _day("as_read"), sort=_raw("as_read")),
        ),
    ),
    "thermal_death": FactTable(
        gettext_lazy("Thermal death"),
        gettext_lazy("How long at which heat killed how much of an organism or a seed."),
        (
            Shown(gettext_lazy("Organism"), _raw("name")),
            Shown(gettext_lazy("Kind"), _raw("kind")),
            Shown(gettext_lazy("At"), _heat("temp"), True),
            Shown(gettext_lazy("For, min"), _raw("time_min"), True),
            Shown(gettext_lazy("Log₁₀ killed"), _raw("log10_reduction"), True),
            Shown(gettext_lazy("Tested to"), _raw("tested_to_log10"), True),
        ),
    ),
    "product_limits": FactTable(
        gettext_lazy("Limits of finished compost"),
        gettext_lazy("Pathogens, metals, foreign matter, stability, maturity, salt."),
        (
            Shown(gettext_lazy("What"), _raw("parameter")),
            Shown(gettext_lazy("Group"), _raw("group")),
            Shown(gettext_lazy("Where"), _raw("jurisdiction")),
            Shown(gettext_lazy("Document"), _raw("document")),
            Shown(gettext_lazy("Grade"), _raw("grade")),
            Shown(gettext_lazy("Limit"), _limit, True),
        ),
    ),
    "containers": FactTable(
        gettext_lazy("Usual containers"),
        gettext_lazy("What buckets, carts and barrows hold."),
        (
            Shown(gettext_lazy("Name"), _raw("name")),
            Shown(gettext_lazy("Holds"), _holds, True),
        ),
    ),
    "field_tests": FactTable(
        gettext_lazy("Field tests"),
        gettext_lazy("Squeeze, oven, bucket: how to measure without a laboratory."),
        (
            Shown(gettext_lazy("Test"), _raw("name")),
            Shown(gettext_lazy("Of"), _raw("property")),
            Shown(gettext_lazy("Steps"), _raw("steps")),
            Shown(gettext_lazy("Error"), _raw("error")),
        ),
    ),
    "storage_life": FactTable(
        gettext_lazy("How long stock keeps"), gettext_lazy("Days that a material may wait.")
    ),
    "mix_ranges": FactTable(
        gettext_lazy("Ranges of a mix"), gettext_lazy("What a mix should be to heat well.")
    ),
    "layers": FactTable(
        gettext_lazy("Layers"), gettext_lazy("How thick what is laid in a layered heap.")
    ),
    "spreads": FactTable(
        gettext_lazy("Spreads"), gettext_lazy("How sure a figure is when no range was published.")
    ),
    "category_defaults": FactTable(
        gettext_lazy("Kinds of material"),
        gettext_lazy("What is taken for a material whose own figure nobody published."),
    ),
    "particle_densities": FactTable(
        gettext_lazy("Particle densities"), gettext_lazy("For the free air space.")
    ),
    "constants": FactTable(
        gettext_lazy("Constants of mixing"), gettext_lazy("Caps and figures of the computation.")
    ),
    "federal_time": FactTable(
        gettext_lazy("Time and temperature equations"),
        gettext_lazy("The equations of the US federal rule."),
    ),
    "proof_terms": FactTable(
        gettext_lazy("Terms of a proof"), gettext_lazy("What the log is judged with besides rules.")
    ),
    "pile": FactTable(
        gettext_lazy("The model of a pile"), gettext_lazy("Its parameters with their spread.")
    ),
    "pile_classes": FactTable(
        gettext_lazy("How fast materials rot"), gettext_lazy("Shares and rates by class.")
    ),
    "pile_covers": FactTable(
        gettext_lazy("Covers"), gettext_lazy("What a cover does to rain, draught and vapour.")
    ),
    "pile_alarms": FactTable(
        gettext_lazy("Alarms"), gettext_lazy("From which heat on a pile needs looking after.")
    ),
    "water": FactTable(
        gettext_lazy("Water of a heap"), gettext_lazy("Drying, covers, sheets, roofs and pads.")
    ),
    "absorbency": FactTable(
        gettext_lazy("What soaks up water"),
        gettext_lazy("Water that dry materials hold, per kg of their dry matter."),
    ),
    "weather": FactTable(
        gettext_lazy("Weather"), gettext_lazy("What is taken where nobody measured.")
    ),
    "today": FactTable(
        gettext_lazy("Today"), gettext_lazy("From when on today’s list asks for an act.")
    ),
    "squeeze": FactTable(
        gettext_lazy("Squeeze"), gettext_lazy("How moist a heap is by a squeezed handful.")
    ),
    "outlook": FactTable(
        gettext_lazy("Outlook"), gettext_lazy("How far and how finely a heap is foreseen.")
    ),
    "decisions": FactTable(
        gettext_lazy("Decisions"), gettext_lazy("When the forecast asks for an act, or against it.")
    ),
    "climates": FactTable(
        gettext_lazy("Climates"), gettext_lazy("For the typical year of a site.")
    ),
    "climate_months": FactTable(
        gettext_lazy("Months of the climates"),
        gettext_lazy("Means of each month, as in the northern hemisphere."),
    ),
}

SEEN: Final = {
    "passage": gettext_lazy("the passage was read"),
    "abstract": gettext_lazy("the abstract was read"),
    "memory": gettext_lazy("from memory, not read again"),
    "derived": gettext_lazy("worked out from others"),
    "practice": gettext_lazy("what people of the trade do"),
}


@cache
def rows_of(name: str) -> tuple[FactRow, ...]:
    """Return the rows of a shipped table; they do not change while the program runs."""
    return read_rows(f"{name}.csv")


@cache
def cited() -> dict[str, dict[str, list[str]]]:
    """Return for each source the ids of the rows that cite it, by table."""
    found: dict[str, dict[str, list[str]]] = {name: {} for name in all_sources()}
    for file in table_names():
        name = file.removesuffix(".csv")
        for row in rows_of(name):
            for source in row.sources:
                found[source].setdefault(name, []).append(row.text("id"))
    return found


def describe(name: str) -> FactTable:
    """Return what a table is called; one that has no words of its own yet goes by its name."""
    return TABLES.get(name) or FactTable(name.replace("_", " ").capitalize(), "")


def matches(search: str, texts: Sequence[str]) -> bool:
    """Tell whether each word of the search begins a word of the texts."""
    words = WORDS.findall(" ".join(texts).casefold())
    return all(
        any(word.startswith(wanted) for word in words)
        for wanted in WORDS.findall(search.casefold())
    )


def _sources_links(names: Sequence[str]) -> str:
    return format_html_join(
        ", ", '<a href="{}">{}</a>', ((reverse("fact-source", args=[one]), one) for one in names)
    )


@require_safe
def facts(request: HttpRequest) -> HttpResponse:
    """List the tables."""
    named = [file.removesuffix(".csv") for file in table_names()]
    order = {name: number for number, name in enumerate(TABLES)}
    tables = [
        {"name": name, "table": describe(name), "count": len(rows_of(name))}
        for name in sorted(named, key=lambda name: (order.get(name, len(order)), name))
    ]
    context = {"tables": tables, "sources": len(all_sources())}
    return render(request, "heapwright/more/facts.html", context)


@require_safe
def fact_table(request: HttpRequest, name: str) -> HttpResponse:
    """Show one table, searched and sorted; or its rows as a file, with every column."""
    if f"{name}.csv" not in table_names():
        raise Http404
    units = request.user.units
    search = request.GET.get("q", "").strip()
    rows = [
        row
        for row in rows_of(name)
        if row.text("id") == search or matches(search, list(row.cells.values()))
    ]
    if any(row.text("id") == search for row in rows):
        rows = [row for row in rows if row.text("id") == search]
    if wants_csv(request):
        head = list(rows_of(name)[0].cells)
        return csv_file(name, head, ([row.cells[column] for column in head] for row in rows))
    about = describe(name)
    shown = about.columns or tuple(
        Shown(column.replace("_", " "), _number(column), number=True)
        if _is_number(rows_of(name), column)
        else Shown(column.replace("_", " "), _raw(column))
        for column in rows_of(name)[0].cells
        if column not in ("id", *PROVENANCE)
    )
    columns, ordered = _sorted(request, rows, shown, units)
    cells = [
        Row(
            (
                row.text("id"),
                *(one.show(row.cells, units) for one in shown),
                row.mark,
                _sources_links(row.sources),
                row.text("note") or "–",
            )
        )
        for row in ordered
    ]
    context = {
        "name": name,
        "about": about,
        "search": search,
        "sort": request.GET.get("sort", ""),
        "table": table(
            "facts",
            _("%(shown)d of %(all)d") % {"shown": len(rows), "all": len(rows_of(name))},
            [
                *columns,
                Column(_("Mark")),
                Column(_("Sources")),
                Column(_("Note"), says_itself=True, may_lack=True),
            ],
            cells,
            download_href=csv_href(request),
            note=_("The file has every column."),
        ),
        "safety": name in ("rules", "thermal_death", "product_limits", "federal_time"),
    }
    return render(request, "heapwright/more/fact_table.html", context)


def _is_number(rows: Sequence[FactRow], column: str) -> bool:
    texts = [row.cells[column] for row in rows if row.cells[column]]
    return bool(texts) and all(re.fullmatch(r"-?[\d.]+(e-?\d+)?", text) for text in texts)


def _sorted(
    request: HttpRequest, rows: list[FactRow], shown: Sequence[Shown], units: str
) -> tuple[list[Column], list[FactRow]]:
    """Return the heads with their sorting links, and the rows in the order asked for."""
    asked = request.GET.get("sort", "")
    down = asked.startswith("-")
    query = request.GET.copy()
    query.pop("format", None)

    def key(position: int) -> Callable[[FactRow], tuple[bool, float, str]]:
        def of(row: FactRow) -> tuple[bool, float, str]:
            text = (
                row.text("id")
                if position == 0
                else str((shown[position - 1].sort or shown[position - 1].show)(row.cells, units))
            )
            plain = ungrouped(re.sub(r"<[^>]+>", "", text))
            number = re.search(r"-?\d+(\.\d+)?", plain) if position else None
            is_number = position > 0 and shown[position - 1].number
            value = float(number.group()) if number and is_number else 0.0
            return (plain == "–", value if not down else -value, plain.casefold())

        return of

    columns = []
    for position, label in enumerate([_("Id"), *(str(one.label) for one in shown)]):
        here = asked.lstrip("-") == str(position)
        query["sort"] = f"-{position}" if here and not down else str(position)
        columns.append(
            Column(
                label,
                number=position > 0 and shown[position - 1].number,
                short=position == 0,
                says_itself=position == 1 and not shown[0].number,
                may_lack=True,
                sort_href=f"?{query.urlencode()}",
                sorted=("descending" if down else "ascending") if here else "",
            )
        )
    wanted = asked.lstrip("-")
    if not wanted.isdecimal() or int(wanted) >= len(columns):
        return columns, rows
    position = int(wanted)
    is_number = position > 0 and shown[position - 1].number
    ordered = sorted(rows, key=key(position))
    return columns, ordered if is_number or not down else ordered[::-1]


@require_safe
def fact_sources(request: HttpRequest) -> HttpResponse:
    """List the sources with how much was read of each and how many facts cite it."""
    search = request.GET.get("q", "").strip()
    found = [
        one
        for one in all_sources().values()
        if matches(search, [one.id, one.title, one.author, one.where, str(one.year or "")])
    ]
    if wants_csv(request):
        return csv_file(
            "sources",
            ["id", "title", "author", "year", "where", "seen", "note", "cited_by"],
            (
                (
                    one.id,
                    one.title,
                    one.author,
                    one.year,
                    one.where,
                    one.seen,
                    one.note,
                    _count_cited(one),
                )
                for one in found
            ),
        )
    rows = [
        (
            format_html('<a href="{}">{}</a>', reverse("fact-source", args=[one.id]), one.id),
            one.title,
            one.author or "–",
            one.year or "–",
            SEEN[one.seen],
            _count_cited(one),
        )
        for one in found
    ]
    context = {
        "search": search,
        "table": table(
            "sources-of-facts",
            _("%(shown)d of %(all)d") % {"shown": len(found), "all": len(all_sources())},
            [
                Column(_("Id"), short=True),
                Column(_("Title"), says_itself=True),
                Column(_("Author"), says_itself=True, may_lack=True),
                Column(_("Year"), number=True, says_itself=True, may_lack=True),
                Column(_("How far it was read"), says_itself=True),
                Column(_("Facts that cite it"), number=True),
            ],
            rows,
            download_href=csv_href(request),
        ),
    }
    return render(request, "heapwright/more/fact_sources.html", context)


def _count_cited(source: Source) -> int:
    return sum(len(ids) for ids in cited()[source.id].values())


@require_safe
def fact_source(request: HttpRequest, name: str) -> HttpResponse:
    """Show one source and every fact that cites it."""
    one = all_sources().get(name)
    if one is None:
        raise Http404
    context = {
        "one": one,
        "seen": SEEN[one.seen],
        "cited": [
            {"name": table_name, "table": describe(table_name), "ids": ids}
            for table_name, ids in cited()[name].items()
        ],
    }
    return render(request, "heapwright/more/fact_source.html", context)
