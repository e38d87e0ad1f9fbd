"""Whether the books add up: of the site, of each lot, and what else to look at."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from heapwright.web.measures import MASS, figure, with_unit
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import moment_words
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.audit import Audit, Balance, books, oddities, totals
from heapwright.yard.audit_play import SLACK_KG
from heapwright.yard.models import End, Lot, Site
from heapwright.yard.state import state_at

AT_ONCE: Final = 1000
"""With more lots than this the books of each have a page of their own."""


@require_safe
def audit_page(request: HttpRequest) -> HttpResponse:
    """Show whether the books add up: the site's balance, each lot's, and what was found.

    On long records the site's balance and what else to look at come first, and the books of
    each lot are asked for.
    """
    if wants_csv(request):
        return _file(books())
    count = Lot.objects.count()
    if count > AT_ONCE and "every" not in request.GET:
        return _of_the_site(request, count)
    return _of_each(request, count)


def _columns() -> list[tuple[str, str]]:
    return [
        ("in_kg", _("came in")),
        ("opening_kg", _("stood when the records began")),
        ("water_kg", _("water put on")),
        ("gained_kg", _("found on weighing")),
        ("from_lots_kg", _("from other lots")),
        ("to_lots_kg", _("to other lots")),
        ("to_beds_kg", _("to beds")),
        ("to_people_kg", _("to people")),
        ("disposed_kg", _("disposed of")),
        ("to_air_kg", _("lost to the air")),
        ("standing_kg", _("stands there now")),
    ]


def _file(result: Audit) -> HttpResponse:
    """Return the balance of the site and of every lot."""
    head = ["lot", *(name for name, _label in _columns()), "residual_kg"]
    return csv_file(
        "audit",
        head,
        (
            (code, *(round(getattr(balance, name), 3) for name in head[1:]))
            for code, balance in [("site", result.site), *result.lots.items()]
        ),
    )


def _of_each(request: HttpRequest, count: int) -> HttpResponse:
    """Show the books of each lot, played anew; on short records what else to look at too."""
    result, site_page = books(every=False), count > AT_ONCE
    site, units = result.site, request.user.units
    came = site.in_kg + site.opening_kg + site.water_kg
    air = site.to_air_kg - site.gained_kg

    def mass(value_kg: float) -> str:
        return with_unit(value_kg, "mass", units)

    shown = {"came": came, "standing": site.standing_kg, "out": site.out_kg, "air": air}
    origins = [_("sum of the lines")] * 10 + [_("played from the lines of each lot")]
    context = {
        "result": result,
        "when": moment_words(timezone.now(), Site.load().tz),
        **{name: mass(kg) for name, kg in shown.items()},
        **_figures(shown, units),
        "grave": result.findings,
        "site_page": site_page,
        "others": () if site_page else oddities(),
        "working": {
            "formula": _("in = standing + out + lost to the air"),
            "inputs": [
                {"name": label, "value": mass(getattr(site, name)), "unit": "", "origin": origin}
                for (name, label), origin in zip(_columns(), origins, strict=True)
                if name not in ("from_lots_kg", "to_lots_kg")
            ],
            "source": "",
        },
        "residual_g": grams(site.residual_kg),
        "table": table(
            "balances",
            _("The books of each lot"),
            [
                Column(_("Lot"), short=True),
                Column(_("In"), number=True),
                Column(_("To lots"), number=True),
                Column(_("Out"), number=True),
                Column(_("Air"), number=True),
                Column(_("Stands"), number=True),
                Column(_("Off by"), "g", number=True),
            ],
            [
                _balance_row(code, balance, units)
                for code, balance in result.lots.items()
                if balance.standing_kg > EMPTY_KG or abs(balance.residual_kg) > SLACK_KG
            ],
            download_href=csv_href(request),
            note=_("Those that stand, or are off. The file has all %(count)d lots.")
            % {"count": count},
        ),
    }
    return render(request, "heapwright/more/audit.html", context)


def _of_the_site(request: HttpRequest, count: int) -> HttpResponse:
    """Show the site's balance from sums alone, and what else to look at."""
    sums = totals()

    def of(*kinds: End) -> float:
        return sum(sum(sums.get(kind.value, {}).values()) for kind in kinds)

    came, air = of(End.SOURCE, End.OPENING, End.WATER), of(End.AIR)
    out = of(End.PLACE, End.PERSON, End.DISPOSAL)
    standing = sum(state.mass_kg for state in state_at())
    off = came - standing - out - air
    shown = {"came": came, "standing": standing, "out": out, "air": air}
    units = request.user.units
    context: dict[str, Any] = {name: with_unit(kg, "mass", units) for name, kg in shown.items()}
    context |= _figures(shown, units) | {
        "adds_up": abs(off) <= SLACK_KG,
        "residual_g": grams(off),
        "when": moment_words(timezone.now(), Site.load().tz),
        "lots": count,
        "others": oddities(),
    }
    return render(request, "heapwright/more/audit_quick.html", context)


def _figures(shown: dict[str, float], units: str) -> dict[str, Any]:
    """Return the four figures of the balance for ``parts/figure.html``, the unit apart."""
    return {
        "figures": {name: figure(kg, "mass", units) for name, kg in shown.items()},
        "unit": MASS[units].sign,
    }


def grams(off_kg: float) -> str:
    """Return what the books are off by: whole grams, a tenth below ten, no sign on nothing."""
    grams = abs(off_kg) * 1000
    text = f"{grams:.0f}" if grams >= 9.5 else f"{grams:.1f}".removesuffix(".0")
    return text if text == "0" or off_kg > 0 else f"−{text}"


def _balance_row(code: str, balance: Balance, units: str) -> Row:
    came = (
        balance.in_kg
        + balance.opening_kg
        + balance.water_kg
        + balance.gained_kg
        + balance.from_lots_kg
    )
    shown = (came, balance.to_lots_kg, balance.out_kg, balance.to_air_kg, balance.standing_kg)
    return Row(
        (
            format_html('<a href="{}">{}</a>', reverse("recall", args=[code]), code),
            *(with_unit(value, "mass", units) for value in shown),
            grams(balance.residual_kg),
        )
    )
