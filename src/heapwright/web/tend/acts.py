"""The short forms of a lot, one page each; the check is the one on the stake's label."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from heapwright.people.models import User
from heapwright.web.answers import done
from heapwright.web.shell import helper_only
from heapwright.web.telling import Teller
from heapwright.web.tend import forms
from heapwright.web.tend.rooms import code_words, site_clock, system_of, told
from heapwright.yard import state, tend, use
from heapwright.yard.acts import UseCase
from heapwright.yard.models import Lot, LotKind, Stage
from heapwright.yard.points import usual_points
from heapwright.yard.state import LotState

HEAPS: Final = (LotKind.PILE, LotKind.COMPOST)
ALL: Final = tuple(LotKind)


@dataclass(frozen=True, slots=True)
class ActPage:
    """A short form: what it is called, what its button says, for which lots it serves."""

    word: Any
    title: Any
    button: Any
    form: type[forms.LotForm]
    use_case: UseCase[Any]
    kinds: tuple[LotKind, ...] = ALL
    stages: tuple[Stage, ...] = ()
    caution: str = ""


PAGES: Final[dict[str, ActPage]] = {
    "log": ActPage(
        gettext_lazy("Check"),
        gettext_lazy("Check {heap}"),
        gettext_lazy("Log the check"),
        forms.CheckForm,
        tend.check,
    ),
    "turn": ActPage(
        gettext_lazy("Turned"),
        gettext_lazy("{heap} was turned"),
        gettext_lazy("Log it: turned"),
        forms.TurnForm,
        tend.turn,
        HEAPS,
        caution="turning",
    ),
    "wet": ActPage(
        gettext_lazy("Wetted"),
        gettext_lazy("{heap} was wetted"),
        gettext_lazy("Log it: wetted"),
        forms.WaterForm,
        tend.water,
    ),
    "cover": ActPage(
        gettext_lazy("Covered, uncovered"),
        gettext_lazy("{heap} was covered or uncovered"),
        gettext_lazy("Log the cover"),
        forms.CoverForm,
        tend.cover,
    ),
    "move": ActPage(
        gettext_lazy("Moved"),
        gettext_lazy("{heap} was moved"),
        gettext_lazy("Log it: moved"),
        forms.MoveForm,
        tend.move,
    ),
    "measure": ActPage(
        gettext_lazy("Weighed, measured"),
        gettext_lazy("{heap} was weighed or measured"),
        gettext_lazy("Log the figure"),
        forms.MeasureForm,
        tend.weigh_or_measure,
    ),
    "combine": ActPage(
        gettext_lazy("Combined"),
        gettext_lazy("Others were put onto {heap}"),
        gettext_lazy("Log it: combined"),
        forms.CombineForm,
        tend.combine,
        caution="raw",
    ),
    "divide": ActPage(
        gettext_lazy("Divided"),
        gettext_lazy("Part of {heap} was taken off"),
        gettext_lazy("Log it: divided"),
        forms.DivideForm,
        tend.divide,
    ),
    "screen": ActPage(
        gettext_lazy("Screened"),
        gettext_lazy("{heap} was screened"),
        gettext_lazy("Log it: screened"),
        forms.ScreenForm,
        use.screen,
        HEAPS,
        (Stage.CURING, Stage.READY),
        caution="dust",
    ),
    "stage": ActPage(
        gettext_lazy("Full, curing, ready"),
        gettext_lazy("Declare {heap}"),
        gettext_lazy("Declare it"),
        forms.StageForm,
        tend.declare_stage,
        HEAPS,
        caution="ready",
    ),
    "discard": ActPage(
        gettext_lazy("Discarded"),
        gettext_lazy("{heap} was discarded"),
        gettext_lazy("Log it: discarded"),
        forms.DiscardForm,
        use.discard,
    ),
}


def open_to(person: User, lot: LotState, name: str) -> bool:
    """Tell whether a form serves this person and lot."""
    page = PAGES[name]
    if not person.may_log or lot.kind not in page.kinds:
        return False
    if page.stages and lot.stage not in page.stages:
        return False
    if name == "stage" and not person.may_lead:
        return lot.stage == Stage.FILLING
    return True


def ways(person: User, lot: LotState) -> list[dict[str, str]]:
    """Return the forms that serve, as links, the check left out."""
    return [
        {"word": str(page.word), "href": reverse("pile-act", args=[lot.code, name])}
        for name, page in PAGES.items()
        if name != "log" and open_to(person, lot, name)
    ]


def called(lot: LotState) -> SafeString:
    """Return what a lot is called on its own pages: its place and its code."""
    code = code_words(lot.code)
    return format_html("{}, {}", lot.place.name, code) if lot.place else code


@require_http_methods(["GET", "HEAD", "POST"])
@helper_only
@site_clock
def write(request: HttpRequest, code: str, name: str) -> HttpResponse:
    """Show a form of a lot, and write what it states."""
    if name not in PAGES:
        raise Http404(_("there is no form of that name"))
    lot = get_object_or_404(Lot, code=code)
    standing = state.lot_state(code)
    assert isinstance(request.user, User)
    if standing is None or not open_to(request.user, standing, name):
        if _sent_before(request, lot):
            messages.info(request, _("It was written already; the second press changed nothing."))
        else:
            messages.error(request, _refusal(lot, standing, name))
        return HttpResponseRedirect(reverse("pile", args=[code]), status=303)
    page = PAGES[name]
    form = _form(page, request, standing)
    if request.method == "POST":
        entry = form.write(page.use_case)
        if entry is not None:
            said = told(entry, Teller(system_of(request)))
            return done(request, f"{said}.", "pile", code, undo=entry)
    return render(
        request,
        f"heapwright/tend/{'log' if name == 'log' else 'act'}.html",
        {
            "lot": standing,
            "heap": called(standing),
            "title": format_html(str(page.title), heap=called(standing)),
            "button": page.button,
            "caution": page.caution if _ready_asked(form) else "",
            "form": form,
            "groups": _groups(form),
            "ways": [one for one in ways(request.user, standing) if one["href"] != request.path],
            "log_href": "" if name == "log" else reverse("pile-log", args=[code]),
        },
        status=400 if form.is_bound else 200,
    )


def _ready_asked(form: forms.LotForm) -> bool:
    """Tell whether a declaration may say ready; every other form has its caution as it is."""
    if not isinstance(form, forms.StageForm):
        return True
    return any(value == Stage.READY for value, _label in form.fields["stage"].choices)


def _sent_before(request: HttpRequest, lot: Lot) -> bool:
    """Tell whether this very form was written before, such as one that used up the lot."""
    try:
        entry_id = UUID(request.POST.get("entry_id", ""))
    except ValueError:
        return False
    return lot.entries.filter(uuid=entry_id).exists()


def _form(page: ActPage, request: HttpRequest, lot: LotState) -> forms.LotForm:
    more: dict[str, Any] = {}
    if page.form is forms.CheckForm:
        more["usual"] = usual_points(lot.id, len(forms.POINTS))
    if page.form is forms.CombineForm:
        more["standing"] = state.state_at()
    make: Callable[..., forms.LotForm] = page.form
    if request.method == "POST":
        return make(request.POST, request.FILES, person=request.user, lot=lot, **more)
    return make(None, person=request.user, lot=lot, **more)


def _groups(form: forms.LotForm) -> list[dict[str, Any]]:
    """Return the fields of a form in groups, each field with its unit; time and note last."""
    grouped = {name for _legend, names in form.groups for name in names}
    last = ("happened_at", "note")
    alone = [name for name in form.fields if name not in ("entry_id", "again", *last, *grouped)]
    groups = [(None, [name]) for name in alone]
    return [
        {
            "legend": legend,
            "fields": [(form[name], getattr(form.fields[name], "sign", "")) for name in names],
        }
        for legend, names in (*form.groups, *groups, (None, last))
    ]


def _refusal(lot: Lot, standing: LotState | None, name: str) -> str:
    if standing is None:
        return _("Nothing of %(lot)s is left.") % {"lot": lot.code}
    if name == "stage":
        return _("Only a lead declares a pile curing or ready.")
    if name == "screen" and lot.kind in HEAPS:
        return _("%(lot)s is %(stage)s; a pile is screened once it is curing or ready.") % {
            "lot": lot.code,
            "stage": Stage(standing.stage).label,
        }
    return _("That cannot be done with %(lot)s, which is %(kind)s.") % {
        "lot": lot.code,
        "kind": lot.get_kind_display(),
    }
