"""What a lot is made of and where it went, as tables of its page.

What came straight into a lot is read from its own lines, in a few queries. The shares back to
every delivery play the whole ledger behind the lot; they are shown when somebody asks for them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import datetime
from typing import Any, Final

from django.db.models import Max, Sum
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.science.materials import Material
from heapwright.web.tables import Column, table
from heapwright.web.tend.rooms import code_words
from heapwright.yard import ledger, trace
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.models import End, Flow, Kind, Lot, LotKind, Place
from heapwright.yard.today import Say, in_words

ROWS: Final = 40
"""So many lines stand on the page; the file to take away has all."""
Line = tuple[Any, ...]


def put_in(lot: Lot, library: Mapping[str, Material], say: Say) -> dict[str, Any] | None:
    """Return what came straight into a lot by what it came from, the most first."""
    if lot.kind == LotKind.STOCK:
        return None
    lines = [
        line
        for line in Flow.objects.filter(ledger.counts(), to_lot=lot)
        .exclude(from_kind=End.AIR)
        .order_by()
        .values_list("from_lot_id", "material_id", "from_kind")
        .annotate(Sum("mass_kg"), Max("entry__happened_at"))
        if line[3] > EMPTY_KG
    ]
    total = sum(line[3] for line in lines)
    shown = sorted(lines, key=lambda line: -line[3])[:ROWS]
    lots = Lot.objects.in_bulk({line[0] for line in shown if line[0]})
    came = _deliveries(lots)
    rows = []
    for lot_id, material_id, from_kind, mass_kg, when in shown:
        giver = lots.get(lot_id)
        name, source = came.get(lot_id, ("", ""))
        if giver is None:
            what = material_name(material_id, library)
            source = (
                _("stood when the records began")
                if from_kind == End.OPENING
                else _("tap, butt or rain")
            )
        else:
            what = material_name(name, library) if name else str(giver.get_kind_display())
        rows.append(
            (
                what,
                share(mass_kg / total),
                say(mass_kg, "mass"),
                link(giver),
                source or "–",
                day(when),
            )
        )
    if not rows:
        return None
    return table(
        "made-of",
        format_html(_("What went into {}"), code_words(lot.code)),
        [
            Column(_("What")),
            Column(_("Share"), unit="%", number=True),
            Column(_("Mass"), number=True),
            Column(_("Of lot"), may_lack=True),
            Column(_("From"), may_lack=True),
            Column(_("Last")),
        ],
        rows,
        note=_several(len(lines), len(rows)),
    )


def _deliveries(lot_ids: Collection[int]) -> dict[int, tuple[str, str]]:
    """Return material and source of each stock lot, blank where it has several."""
    found: dict[int, tuple[str, str]] = {}
    lines = Flow.objects.filter(
        ledger.counts(), to_lot__in=lot_ids, from_kind__in=(End.SOURCE, End.OPENING)
    )
    for lot_id, material_id, source in lines.order_by().values_list(
        "to_lot_id", "material_id", "from_source__name"
    ):
        name, giver = found.get(lot_id, (material_id, source))
        found[lot_id] = (
            name if name == material_id else "",
            (giver if giver == source else "") or "",
        )
    return found


def made_of(lot: Lot, library: Mapping[str, Material]) -> dict[str, Any]:
    """Return the shares of a lot back to every delivery, and what they come to by material."""
    shares = trace.shares(lot)
    rows = [
        (
            material_name(part.material_id, library),
            share(part.fraction),
            link(part.lot),
            _whence(part),
            day(part.came_at) if part.came_at else "–",
        )
        for part in trace.parts(shares[:ROWS])
    ]
    rest = shares[ROWS:]
    if rest:
        rows.append(
            (
                ngettext("%(count)d more", "%(count)d more", len(rest)) % {"count": len(rest)},
                share(sum(part.fraction for part in rest)),
                "–",
                "–",
                "–",
            )
        )
    by_material = ", ".join(
        f"{material_name(name, library)} {share(fraction)}\u00a0%"
        for name, fraction in trace.materials_of(shares).items()
    )
    return {
        **table(
            "made-of",
            format_html(_("{} back to every delivery"), code_words(lot.code)),
            [
                Column(_("Material")),
                Column(_("Share"), unit="%", number=True),
                Column(_("Delivery")),
                Column(_("From")),
                Column(_("Came")),
            ],
            rows,
            note=_("Shares are of the mass as it came in; a turned heap is taken as mixed."),
        ),
        "by_material": by_material,
    }


def _whence(part: trace.Part) -> str:
    if part.source is not None:
        return part.source.name
    return _("tap, butt or rain") if part.lot is None else _("stood when the records began")


def went(lot: Lot, say: Say) -> dict[str, Any] | None:
    """Return where anything of a lot went, the latest first."""
    lines = _gone(lot)
    count = lines.count()
    shown = list(lines[:ROWS])
    if not shown:
        return None
    return table(
        "went",
        format_html(_("Where {} went"), code_words(lot.code)),
        [
            Column(_("Day")),
            Column(_("To")),
            Column(_("How")),
            Column(_("Mass"), number=True),
        ],
        [
            (day(when), goal, how, say(mass_kg, "mass"))
            for when, goal, how, mass_kg in _named(shown)
        ],
        download_href="?format=csv&of=went",
        note=_several(count, len(shown)),
    )


def went_rows(lot: Lot) -> list[tuple[str, str, str, float]]:
    """Return all lines of :func:`went` in SI, for a file."""
    return [
        (when.isoformat(), str(goal.code if isinstance(goal, Lot) else goal), how, mass_kg)
        for when, goal, how, mass_kg in _lines(list(_gone(lot)))
    ]


def _gone(lot: Lot) -> Any:
    return (
        Flow.objects.filter(ledger.counts(), from_lot=lot)
        .exclude(to_kind=End.AIR)
        .order_by("-entry__happened_at", "-entry_id")
        .values_list(
            "entry__happened_at",
            "entry_id",
            "entry__kind",
            "to_kind",
            "to_lot_id",
            "to_place_id",
            "to_person",
        )
        .annotate(net=Sum("mass_kg"))
        .filter(net__gt=EMPTY_KG)
    )


def _lines(lines: list[Line]) -> Iterator[tuple[datetime, Lot | str, str, float]]:
    lots = Lot.objects.in_bulk({line[4] for line in lines if line[4]})
    places = Place.objects.in_bulk({line[5] for line in lines if line[5]})
    for when, _entry, kind, _to_kind, lot_id, place_id, person, mass_kg in lines:
        goal: Lot | str = person or _("disposal")
        if lot_id:
            goal = lots[lot_id]
        elif place_id:
            goal = places[place_id].name
        yield timezone.localtime(when), goal, str(Kind(kind).label), mass_kg


def _named(lines: list[Line]) -> Iterator[tuple[datetime, SafeString | str, str, float]]:
    for when, goal, how, mass_kg in _lines(lines):
        yield when, link(goal) if isinstance(goal, Lot) else goal, how, mass_kg


def material_name(name: str, library: Mapping[str, Material]) -> str:
    """Return the name of a material within a sentence; blank stands for what nobody knows."""
    return in_words(library[name]) if name in library else name or _("what nobody knows")


def share(fraction: float) -> str:
    """Return a share in per cent, with two significant figures."""
    percent = 100 * fraction
    return f"{percent:.0f}" if percent >= 10 else f"{percent:.2g}"


def link(lot: Lot | None) -> SafeString | str:
    """Return a lot's code leading to its page, a dash for none."""
    if lot is None:
        return "–"
    return format_html(
        '<a class="code" href="{}">{}</a>', reverse("pile", args=[lot.code]), lot.code
    )


def day(when: datetime) -> str:
    """Return the site's day of a moment."""
    return date_format(timezone.localtime(when), "j M Y")


def _several(count: int, shown: int) -> str:
    if count == shown:
        return ""
    return _("%(shown)d of %(count)d lines") % {"shown": shown, "count": count}
