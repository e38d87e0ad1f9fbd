"""``heapwright materials``, ``rules`` and ``sources``: listing and searching the facts."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from heapwright.data.tables import Source
    from heapwright.science.materials import Material, Span
    from heapwright.science.rules import Rule

_WORDS = re.compile(r"[^\W_]+")
_JSON = click.option("--json", "as_json", is_flag=True, help="Print a JSON list of objects.")
_SEARCH = click.argument("search", required=False, default="")


@click.command()
@_SEARCH
@click.option("--category", help="Only this category, such as food or wood.")
@click.option(
    "--own",
    type=click.Path(path_type=Path),
    help="A table of your own materials and measurements.",
)
@_JSON
def materials(search: str, category: str | None, own: Path | None, as_json: bool) -> None:
    """List the materials; SEARCH looks in id, name and category.

    The id or full name of one material shows all of it, with notes and sources. Figures are
    typical values with their range; a dash stands where nobody published a figure.
    """
    from heapwright.data import category_defaults, near_ids
    from heapwright.data import materials as library
    from heapwright.errors import InputError

    known = library()
    if own is not None:
        from heapwright.files.materials import read_materials

        known = read_materials(own, known)
    categories = [*category_defaults(), "water"]
    if category is not None and category.lower() not in categories:
        raise InputError(f"there is no category “{category}”; known: {', '.join(categories)}")
    of_kind = [
        one for one in known.values() if category is None or one.category == category.lower()
    ]
    found = _exact(search, of_kind) or [
        one for one in of_kind if _matches(search, one.id, one.name, one.category)
    ]
    if as_json:
        _print_json(_flat_material(one) for one in found)
    elif not found:
        near = near_ids(search, known)
        _nothing("material", search, near)
    elif len(found) == 1:
        _show_material(found[0])
    else:
        _print_table(
            ("id", "name", "moisture %", "N % dry", "C:N", "kg/m³", "mark"),
            [
                (
                    one.id,
                    one.name,
                    _span_text(one.moisture_pct),
                    _span_text(one.n_pct_dry),
                    _span_text(one.cn),
                    _span_text(one.bulk_density_kg_m3),
                    one.mark,
                )
                for one in found
            ],
            right=(2, 3, 4, 5),
            spare=(1, 6),
        )


@click.command()
@_SEARCH
@_JSON
def rules(search: str, as_json: bool) -> None:
    """List the sanitation rules; SEARCH looks in id, name, place and document.

    The id of one rule shows all of it. Each was read on the date it states: laws change, and
    local codes, the permit and licensed practice decide.
    """
    from heapwright.data.sanitation import rules as all_rules

    known = list(all_rules().values())
    found = _exact(search, known) or [
        one for one in known if _matches(search, one.id, one.name, one.jurisdiction, one.document)
    ]
    if as_json:
        _print_json(asdict(one) for one in found)
    elif not found:
        import difflib

        ids = {one.id.casefold(): one.id for one in known}
        near = difflib.get_close_matches(search.casefold(), ids, n=3, cutoff=0.5)
        _nothing("rule", search, [ids[name] for name in near])
    elif len(found) == 1:
        _show_fields(asdict(found[0]), found[0].sources)
    else:
        _print_table(
            ("id", "name", "where", "heat", "time", "turnings", "as read", "mark"),
            [
                (
                    one.id,
                    one.name,
                    one.jurisdiction,
                    _heat_text(one),
                    _time_text(one),
                    str(one.turnings or "–"),
                    one.as_read,
                    one.mark,
                )
                for one in found
            ],
            right=(5,),
            spare=(6,),
        )


@click.command()
@_SEARCH
@_JSON
def sources(search: str, as_json: bool) -> None:
    """List what the facts rest on; SEARCH looks in id, title, author and place.

    The id of one source shows all of it and the facts that cite it.
    """
    from heapwright.data import sources as all_sources

    known = list(all_sources().values())
    found: Sequence[Source] = [one for one in known if one.id == search] or [
        one for one in known if _matches(search, one.id, one.title, one.author, one.where)
    ]
    if as_json:
        _print_json(asdict(one) for one in found)
    elif not found:
        _nothing("source", search, [])
    elif len(found) == 1:
        _show_source(found[0])
    else:
        _print_table(
            ("id", "year", "title", "author", "seen"),
            [(one.id, str(one.year or ""), one.title, one.author, one.seen) for one in found],
            spare=(3, 4),
        )


def _matches(search: str, *texts: str) -> bool:
    """Tell whether each word of ``search`` begins a word of the texts."""
    words = _WORDS.findall(" ".join(texts).casefold())
    return all(
        any(word.startswith(wanted) for word in words)
        for wanted in _WORDS.findall(search.casefold())
    )


def _exact(search: str, among: Iterable[Any]) -> list[Any]:
    wanted = search.strip().casefold()
    return [one for one in among if wanted in (one.id.casefold(), one.name.casefold())]


def _flat_material(material: Material) -> dict[str, Any]:
    from heapwright.data.library import PROPERTIES

    flat: dict[str, Any] = {
        "id": material.id,
        "name": material.name,
        "category": material.category,
        "layer_role": material.layer_role,
    }
    for name in PROPERTIES:
        span: Span | None = getattr(material, name)
        ranged = span is not None and span.low < span.high
        flat[f"{name}_min"] = span.low if span and ranged else None
        flat[f"{name}_typ"] = span.typical if span else None
        flat[f"{name}_max"] = span.high if span and ranged else None
        flat[f"{name}_origin"] = span.origin if span else None
    return flat | {
        "ph_typ": material.ph,
        "carbon_available": material.carbon_available,
        "price_per_tonne": material.price_per_tonne,
        "sources": list(material.sources),
        "mark": material.mark,
        "note": material.note,
    }


def _print_json(objects: Iterable[Mapping[str, Any]]) -> None:
    click.echo(json.dumps(list(objects), ensure_ascii=False, indent=1))


def _nothing(kind: str, search: str, near: Sequence[str]) -> None:
    hint = f"; did you mean {' or '.join(near)}?" if near else "."
    click.echo(f"No {kind} matches “{search}”{hint}", err=True)


def _span_text(span: Span | None) -> str:
    if span is None:
        return "–"
    text = f"{span.typical:.4g}"
    return f"{text} ({span.low:.4g}–{span.high:.4g})" if span.low < span.high else text


def _heat_text(rule: Rule) -> str:
    if rule.judged_by == "nothing in a log":
        return "–"
    top = f"–{rule.max_temp_c:.1f}" if rule.max_temp_c is not None else ""
    return f"{'above' if rule.strict else 'from'} {rule.min_temp_c:g}{top} °C"


def _time_text(rule: Rule) -> str:
    if rule.judged_by == "days":
        return f"{rule.days} days"
    return f"{rule.hold_min:g} min" if rule.judged_by == "hold" else "–"


def _print_table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    right: Sequence[int] = (),
    spare: Sequence[int] = (),
) -> None:
    """Print a table fitted to the terminal, or as aligned plain lines into a pipe.

    ``spare`` columns are left out of a terminal that is too narrow for all; one row in full
    shows them.
    """
    widths = [max(len(line[i]) for line in (head, *rows)) for i in range(len(head))]
    if not sys.stdout.isatty():
        for line in (head, *rows):
            cells = (
                cell.rjust(width) if i in right else cell.ljust(width)
                for i, (cell, width) in enumerate(zip(line, widths, strict=True))
            )
            click.echo("  ".join(cells).rstrip())
        return
    from rich import box
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False, markup=False)
    fits = sum(widths) + 2 * len(widths) <= console.width
    shown = [i for i in range(len(head)) if fits or i not in spare]
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    for i in shown:
        table.add_column(
            head[i], justify="right" if i in right else "left", no_wrap=i == 0 or i in right
        )
    for row in rows:
        table.add_row(*(row[i] for i in shown))
    console.print(table)


def _line(label: str, text: str) -> None:
    click.echo(f"{label:<24}{text}")


def _show_material(material: Material) -> None:
    from heapwright.data import storage_life

    click.echo(f"{material.name} ({material.id})")
    _line("category", f"{material.category}, laid as {material.layer_role}")
    labels = {
        "moisture_pct": "moisture, %",
        "n_pct_dry": "nitrogen, % dry",
        "c_pct_dry": "carbon, % dry",
        "cn": "C:N",
        "bulk_density_kg_m3": "density, kg/m³",
        "vs_pct_dry": "volatile solids, % dry",
        "degradability_pct_vs": "degradable, % of VS",
    }
    for name, label in labels.items():
        span: Span | None = getattr(material, name)
        remarks: list[str] = [span.origin] if span and span.origin != "published" else []
        remarks += [span.note] if span and span.note else []
        _line(label, "  ".join((_span_text(span), ", ".join(remarks))).rstrip())
    _line("pH", "–" if material.ph is None else f"{material.ph:g}")
    life = storage_life(material)
    _line("keeps", f"{life.days_cool:g} days cool, {life.days_warm:g} warm ({life.mark})")
    if not material.carbon_available:
        _line("carbon", "not open to microbes, left out of C:N")
    if material.price_per_tonne is not None:
        _line("price", f"{material.price_per_tonne:g} a tonne")
    _line("mark", material.mark)
    if material.note:
        _line("note", material.note)
    _show_cited(material.sources)


def _show_cited(ids: Iterable[str]) -> None:
    from heapwright.data import sources as all_sources

    for name in ids:
        source = all_sources()[name]
        parts = (source.author, str(source.year or ""), source.title, source.where)
        _line("source", f"{name}: {', '.join(part for part in parts if part)}")


def _show_fields(fields: Mapping[str, Any], cited: Iterable[str]) -> None:
    for name, value in fields.items():
        if name == "sources" or value in (None, "", ()):
            continue
        if isinstance(value, bool):
            _line(name, "yes" if value else "no")
        else:
            _line(name, ", ".join(value) if isinstance(value, tuple) else str(value))
    _show_cited(cited)


def _show_source(source: Source) -> None:
    from heapwright.data.check import citing

    for name, value in asdict(source).items():
        if value:
            _line(name, str(value))
    for table, ids in citing(source.id).items():
        _line("cited in", f"{table}: {', '.join(ids)}")
