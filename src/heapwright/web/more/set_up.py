"""The first-time walk: the site and its lead, places, containers, sources, the rule, what stands
already, the first delivery.

Each step looks at the records to know whether it is done, so that the walk may be left and
taken up again anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import available_timezones

from django import forms
from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import BaseUserCreationForm
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import Max, Min
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from heapwright.data import containers as usual_containers
from heapwright.people.models import Role, Units, User
from heapwright.units import M3_PER_L
from heapwright.web.answers import done
from heapwright.web.fields import MeasureField
from heapwright.web.measures import LENGTH
from heapwright.web.more.places import SiteForm, rows_page
from heapwright.web.more.signing import MODEL_BACKEND, say_passwords, set_language
from heapwright.web.more.sources import ContainerForm, SourceForm
from heapwright.web.shell import lead_only
from heapwright.yard import readings
from heapwright.yard.models import Container, Entry, Kind, Lot, Place, Reading, Site, Source
from heapwright.yard.models.site import check_zone
from heapwright.yard.yardstick import in_force


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the walk: what is done already, in words, or nothing; whether it may wait."""

    name: str
    title: Any
    why: Any
    href: str
    there: str
    may_wait: bool = False


class PlanField(MeasureField):
    """A length of the plan, asked for beside the units themselves: feet or metres, as chosen."""

    @property
    def sign(self) -> str:
        """Both units: which one holds is chosen in the same form."""
        return _("%(feet)s or %(metres)s") % {
            "feet": LENGTH[Units.US].sign,
            "metres": LENGTH[Units.METRIC].sign,
        }


class FirstForm(BaseUserCreationForm):
    """The first visit: who leads, and the site."""

    site_name = forms.CharField(label=gettext_lazy("Name of the site"), max_length=80)
    zone = forms.CharField(
        label=gettext_lazy("Time zone"),
        max_length=64,
        validators=[check_zone],
        widget=forms.TextInput({"list": "zones", "autocomplete": "off"}),
        help_text=gettext_lazy(
            "Where the site lies, such as America/Los_Angeles. A day of the proof is a calendar "
            "day there."
        ),
    )
    width_m = PlanField(
        "length",
        label=gettext_lazy("Width of the plan"),
        required=False,
        low=1,
        high=4000,
        help_text=gettext_lazy("In the unit chosen above. Pace it out; it may change."),
    )
    depth_m = PlanField(
        "length", label=gettext_lazy("Depth of the plan"), required=False, low=1, high=4000
    )

    class Meta:
        """What the first person states of themselves."""

        model = User
        fields = ("units", "username")
        widgets = {"units": forms.RadioSelect}  # noqa: RUF012
        labels = {"username": gettext_lazy("Your name to sign in with")}  # noqa: RUF012
        help_texts = {  # noqa: RUF012
            "username": gettext_lazy("Short, without spaces, such as sam. You will be the lead.")
        }

    field_order = (
        "site_name",
        "zone",
        "units",
        "width_m",
        "depth_m",
        "username",
        "password1",
        "password2",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].widget.attrs.pop("autofocus")  # it stands in the middle
        say_passwords(self.fields["password1"], self.fields["password2"])
        system = self.data.get("units") if self.is_bound else ""
        for field in self.fields.values():
            if isinstance(field, MeasureField) and system in Units.values:
                field.use(system)

    def write(self) -> User:
        """Make the site and its lead."""
        said = self.cleaned_data
        person: User = self.save(commit=False)
        person.role = Role.LEAD
        person.save()
        Site.objects.update_or_create(
            id=1,
            defaults={
                "name": said["site_name"],
                "zone": said["zone"],
                "width_m": said["width_m"],
                "depth_m": said["depth_m"],
            },
        )
        return person


def steps() -> list[Step]:
    """Return the steps of the walk with what is done of each."""
    places, containers, sources = (
        model.objects.filter(retired_at=None).count() for model in (Place, Container, Source)
    )
    deliveries, standing = (
        Entry.objects.filter(kind=kind, struck_at=None).count()
        for kind in (Kind.DELIVERY, Kind.OPENING)
    )
    site, proofs = Site.load(), in_force()
    return [
        Step(
            "site",
            _("The site"),
            _("Its name and time zone, and how large the plan is."),
            reverse("site"),
            site.name,
        ),
        Step(
            "places",
            _("Places"),
            _("Bays, bunkers for what waits, where it cures and is screened, beds."),
            reverse("set-up-places"),
            ngettext("%(number)d place", "%(number)d places", places) % {"number": places}
            if places
            else "",
        ),
        Step(
            "containers",
            _("Containers"),
            _("What people bring and fork with, so that totes and barrows turn into weights."),
            reverse("set-up-containers"),
            ngettext("%(number)d container", "%(number)d containers", containers)
            % {"number": containers}
            if containers
            else "",
        ),
        Step(
            "sources",
            _("Sources"),
            _("Who gives: kitchens, bakeries, stables, neighbours."),
            reverse("set-up-sources"),
            ngettext("%(number)d source", "%(number)d sources", sources) % {"number": sources}
            if sources
            else "",
        ),
        Step(
            "rule",
            _("The rule"),
            _("Which code or permit your compost must meet. Ask the agency; it may wait."),
            reverse("set-up-rule"),
            proofs.rule_id,
            may_wait=bool(deliveries or standing),
        ),
        Step(
            "standing",
            _("What stands already"),
            _("Piles, stock and compost that were there before."),
            reverse("set-up-standing"),
            ngettext("%(number)d lot", "%(number)d lots", standing) % {"number": standing}
            if standing
            else _("nothing")
            if deliveries
            else "",
        ),
        Step(
            "delivery",
            _("The first delivery"),
            _("Log what came in last, and the yard is running."),
            reverse("delivery-new"),
            ngettext("%(number)d delivery", "%(number)d deliveries", deliveries)
            % {"number": deliveries}
            if deliveries
            else "",
        ),
    ]


def next_step() -> Step | None:
    """Return the first step that is not done yet."""
    return next((step for step in steps() if not (step.there or step.may_wait)), None)


@login_not_required
def set_up(request: HttpRequest) -> HttpResponse:
    """Make the lead and the site on the first visit; afterwards show the lead how far it is."""
    if not User.objects.exists():
        return first_visit(request)
    if not request.user.is_authenticated:
        return redirect_to_login(request.path)
    if not request.user.may_lead:
        raise PermissionDenied(_("Only a lead may do this."))
    if request.method == "POST":
        return redirect("set-up")
    context = {"steps": steps(), "now": next_step()}
    return render(request, "heapwright/more/set_up.html", context)


def first_visit(request: HttpRequest) -> HttpResponse:
    """Show and take the form of the first visit."""
    form = FirstForm(request.POST or None, initial={"units": Units.US})
    if request.method == "POST":
        with transaction.atomic():
            if User.objects.exists():  # somebody was faster
                return redirect("sign-in")
            person = form.write() if form.is_valid() else None
        if person is not None:
            login(request, person, backend=MODEL_BACKEND)
            said = _("%(site)s is set up and you lead it. Now put its places on the plan.")
            response = done(request, said % {"site": Site.load().name}, "set-up-places")
            set_language(response, person.language)
            return response
    context = {"form": form, "zones": sorted(available_timezones())}
    return render(request, "heapwright/more/first_visit.html", context)


@lead_only
def set_up_places(request: HttpRequest) -> HttpResponse:
    """Put rows of places on the plan."""
    counts = {kind: 0 for kind, _label in Place._meta.get_field("kind").choices}
    for kind in Place.objects.filter(retired_at=None).values_list("kind", flat=True):
        counts[kind] += 1
    more = {"counts": counts, "there": sum(counts.values()), "step": 2, "walk": True}
    return rows_page(request, "set-up-places", reverse("set-up"), more=more)


class UsualContainersForm(forms.Form):
    """Which of the usual containers the site has."""

    usual = forms.MultipleChoiceField(
        label=gettext_lazy("Which of these do you use?"), widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        there = set(Container.objects.values_list("code", flat=True))
        self.fields["usual"].choices = [
            (name, one.name) for name, one in usual_containers().items() if name not in there
        ]


@lead_only
def set_up_containers(request: HttpRequest) -> HttpResponse:
    """Choose among the usual containers, or describe one's own."""
    usual = UsualContainersForm(request.POST if "usual-form" in request.POST else None)
    own = ContainerForm(request.POST if "own-form" in request.POST else None, person=request.user)
    if usual.is_bound and usual.is_valid():
        known = usual_containers()
        for name in usual.cleaned_data["usual"]:
            Container.objects.get_or_create(
                code=name,
                defaults={
                    "name": known[name].name,
                    "volume_m3": known[name].volume_l * M3_PER_L,
                },
            )
        return done(request, _("The containers are kept."), "set-up-containers")
    if own.is_bound and own.is_valid():
        one = own.save()
        return done(request, _("Kept: %(what)s.") % {"what": one}, "set-up-containers")
    context = {
        "usual": usual,
        "own": own,
        "there": Container.objects.filter(retired_at=None),
        "step": 3,
    }
    return render(request, "heapwright/more/set_up_containers.html", context)


FIRST_OF_SOURCE: Final = ("name", "code", "material_ids")
"""What the walk asks of a source at once; the rest is folded away."""


@lead_only
def set_up_sources(request: HttpRequest) -> HttpResponse:
    """Name who gives."""
    form = SourceForm(request.POST or None, person=request.user)
    if request.method == "POST" and form.is_valid():
        one = form.save()
        return done(request, _("Kept: %(what)s.") % {"what": one}, "set-up-sources")
    first, rest = (
        [field for field in form.visible_fields() if (field.name in FIRST_OF_SOURCE) is wanted]
        for wanted in (True, False)
    )
    context = {
        "form": form,
        "first": first,
        "rest": rest,
        "rest_wrong": any(field.errors for field in rest),
        "there": Source.objects.filter(retired_at=None),
        "step": 4,
    }
    return render(request, "heapwright/more/set_up_sources.html", context)


@lead_only
def site(request: HttpRequest) -> HttpResponse:
    """Mend the site's name, zone, plan; a new zone counts the days of the readings anew."""
    one = Site.load()
    zone = one.zone
    form = SiteForm(request.POST or None, instance=one, person=request.user)
    if request.method == "POST":
        with transaction.atomic():
            if form.is_valid():
                form.save()
                if one.zone != zone:
                    count_days_anew(one)
                return done(request, _("Kept: %(site)s.") % {"site": one.name}, "more")
    context = {
        "form": form,
        "zones": sorted(available_timezones()),
        "title": _("The site"),
        "act_word": _("Keep it"),
        "back": reverse("more"),
    }
    return render(request, "heapwright/more/form.html", context)


def count_days_anew(site: Site) -> None:
    """Make the daily summaries anew, since the site's calendar days are others now."""
    spans = (
        Reading.objects.filter(struck=False)
        .order_by()
        .values_list("lot_id")
        .annotate(Min("time_s"), Max("time_s"))
    )
    lots = Lot.objects.in_bulk()
    for lot_id, first_s, last_s in spans:
        first, last = (datetime.fromtimestamp(end, site.tz).date() for end in (first_s, last_s))
        lots[lot_id].summaries.all().delete()
        readings.summarise(lots[lot_id], first, last, site.tz)
