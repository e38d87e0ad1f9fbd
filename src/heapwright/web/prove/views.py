"""Which lots are proven, and a lot's log against the rules day by day."""

from __future__ import annotations

from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from heapwright.data.sanitation import rules
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Stated
from heapwright.web.prove import shown
from heapwright.web.prove.forms import RuleForm, StatedForm
from heapwright.web.prove.judged import Judged, evidence_of, open_until_s
from heapwright.web.prove.words import VERDICTS, asks, cited, document, plain, progress, said, when
from heapwright.web.tables import Column, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import yardstick_words
from heapwright.yard import prove, state
from heapwright.yard.models import Lot, LotKind, Site, Stage
from heapwright.yard.today import in_vessel


@require_safe
def lots(request: HttpRequest) -> HttpResponse:
    """Show how far each heap on the yard is with one rule."""
    site, now = Site.load(), timezone.now()
    form = RuleForm(request.GET, site=site, now=now)
    if not form.is_valid():
        return render(request, "heapwright/prove/lots.html", {"form": form}, status=422)
    rule = rules()[form.cleaned_data["rule"]]
    as_of = form.as_of()
    standing = [one for one in state.state_at(as_of) if one.kind in (LotKind.PILE, LotKind.COMPOST)]
    held = Lot.objects.in_bulk([one.id for one in standing])
    evidence = evidence_of(held.values(), as_of)
    rows = []
    for one in standing:
        until_s = open_until_s(one.stage, as_of or now, site.tz)
        stated = form.yardstick.stated(rule, vessel=in_vessel(one), assume=True)
        rows.append((one, evidence[one.id].judged((rule,), stated, until_s=until_s)[0]))
    # those that still want something first, the oldest of them on top
    rows.sort(key=lambda row: (row[1].met_at is not None, row[0].begun_at))
    if wants_csv(request):
        return csv_file(
            "proof",
            ("lot", "place", "stage", "rule", "verdict", "met_at", "days_credited",
             "longest_run_days", "days_needed", "turnings_credited", "turnings_needed",
             "earliest_possible"),
            (
                (
                    one.code, one.place.code if one.place else "", one.stage, rule.id,
                    judged.verdict, judged.met_at, judged.weakest.days_credited,
                    judged.weakest.longest_run_days, rule.days,
                    judged.weakest.turnings_credited, judged.weakest.turnings_needed,
                    judged.earliest,
                )
                for one, judged in rows
            ),
        )  # fmt: skip
    asked = {name: request.GET[name] for name in ("rule", "on") if request.GET.get(name)}
    query = f"?{urlencode(asked)}" if asked else ""
    return render(
        request,
        "heapwright/prove/lots.html",
        {
            "form": form,
            "rule": rule,
            "on": form.cleaned_data["on"],
            "settings_say": yardstick_words(form.yardstick, request.user.units),
            "asks": asks(rule, request.user.units),
            "document": document(rule),
            "proven": sum(judged.met_at is not None for _one, judged in rows),
            "rows": rows,
            "table": table(
                "lots",
                _("Heaps on the yard"),
                (
                    Column(_("Lot"), short=True),
                    Column(_("Verdict")),
                    Column(_("So far")),
                    Column(_("Met, or can be")),
                    Column(_("Where")),
                    Column(_("Stage")),
                ),
                [
                    (
                        format_html(
                            '<a href="{}{}">{}</a>',
                            reverse("prove-lot", args=[one.code]),
                            query,
                            one.code,
                        ),
                        VERDICTS[judged.verdict],
                        progress(judged),
                        when(judged),
                        one.place.name if one.place else "",
                        Stage(one.stage).label if one.stage else "",
                    )
                    for one, judged in rows
                ],
                download_href=csv_href(request),
            ),
        },
    )


@require_safe
def lot(request: HttpRequest, code: str) -> HttpResponse:
    """Show a lot's log against the rules: the chosen one day by day, the others in a line."""
    found = get_object_or_404(Lot, code=code)
    if found.kind not in (LotKind.PILE, LotKind.COMPOST):
        raise Http404(_("A proof is for a pile or compost."))
    units, site, now = request.user.units, Site.load(), timezone.now()
    on = RuleForm(request.GET, site=site, now=now)
    as_of = on.as_of() if on.is_valid() else None
    standing = state.lot_state(code, as_of)
    evidence = evidence_of([found], as_of)[found.id]
    logs = evidence.logs()
    names = tuple(dict.fromkeys(name for one in logs for name in one.log.readings.points))
    form = StatedForm(
        request.GET,
        person=request.user,
        names=names,
        vessel=standing is not None and in_vessel(standing),
        site=site,
        now=now,
    )
    page: dict[str, Any] = {"lot": found, "standing": standing, "form": form}
    if not form.is_valid() or not logs:
        page["on"] = as_of
        return render(
            request, "heapwright/prove/lot.html", page, status=200 if not form.errors else 422
        )
    rule, stated = form.chosen(), form.stated()
    others = [one for one in _in_question(stated) if one.id != rule.id]
    until_s = open_until_s(standing.stage if standing else "", as_of or now, site.tz)
    judged, *rest = evidence.judged([rule, *others], stated, until_s=until_s)
    if wants_csv(request):
        return shown.days_csv(code, judged)
    page |= {
        "judged": judged,
        "rule": rule,
        "on": as_of,
        "later": prove.written_later(found, as_of) if as_of else None,
        "entries_href": _entries(code, on.cleaned_data["on"]) if as_of else "",
        "settings_say": yardstick_words(form.yardstick, units),
        "overridden": form.is_overridden(),
        "said": said(judged),
        "met": judged.met_at is not None,
        "asks": asks(rule, units),
        "document": document(rule),
        "cited": cited(rule.sources),
        "strands": [
            {
                "head": _("Log %(n)d of %(all)d") % {"n": at, "all": len(logs)}
                if len(logs) > 1
                else "",
                "to_do": [plain(text, units) for text in proof.to_do],
                "gaps": [plain(text, units) for text in proof.gaps],
                "notes": [plain(text, units) for text in proof.notes],
                "narrow": shown.strip(proof, units, uid=f"n{at}", width_px=328),
                "wide": shown.strip(proof, units, uid=f"w{at}", width_px=760),
                "days": shown.day_table(
                    proof, units, at, download_href=csv_href(request) if at == 1 else ""
                ),
                "turns": shown.turn_table(proof, units, at),
                "deaths": shown.deaths(one.log, stated, units, at),
                "dose": shown.dose(one.log, stated),
                "working": shown.working(proof, units),
            }
            for at, (proof, one) in enumerate(zip(judged.proofs, logs, strict=True), start=1)
        ],
        "others": _others(request.GET, code, rest),
        "certificate": _certificate(code, request.GET, rule),
    }
    return render(request, "heapwright/prove/lot.html", page)


def _in_question(stated: Stated) -> list[Rule]:
    """Return the rules for the method stated, for turned piles when none is, that a log shows."""
    method = stated.method or "turned"
    return [
        rule
        for rule in rules().values()
        if method in rule.methods and rule.judged_by != "nothing in a log"
    ]


def _others(query: QueryDict, code: str, rest: list[Judged]) -> dict[str, Any]:
    rows = []
    for judged in rest:
        asked = query.copy()
        asked["rule"] = judged.rule.id
        href = f"{reverse('prove-lot', args=[code])}?{asked.urlencode()}"
        rows.append(
            (
                format_html('<a href="{}">{}</a>', href, judged.rule.id),
                f"{judged.rule.jurisdiction}: {judged.rule.name}",
                VERDICTS[judged.verdict],
                progress(judged),
                when(judged),
            )
        )
    return table(
        "others",
        _("By other rules for this way of composting"),
        (
            Column(_("Rule"), short=True),
            Column(_("What it is")),
            Column(_("Verdict")),
            Column(_("So far")),
            Column(_("Met, or can be")),
        ),
        rows,
    )


def _entries(code: str, until: date) -> str:
    """Return the address of a lot's entries up to a day."""
    return f"{reverse('entries')}?{urlencode({'lot': code, 'until': until.isoformat()})}"


def _certificate(code: str, query: QueryDict, rule: Rule) -> str:
    """Return the address of the printed proof with what was stated here."""
    asked = query.copy()
    asked["rule"] = rule.id
    return f"{reverse('print-proof', args=[code])}?{asked.urlencode()}"
