"""Sources that give, and the containers in which it comes."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Count, Max, Q, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.dates import WEEKDAYS
from django.utils.html import format_html
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST, require_safe

from heapwright.people.models import User
from heapwright.web.answers import done
from heapwright.web.fields import MeasureField
from heapwright.web.measures import to_three_digits, with_unit
from heapwright.web.more.rows import CodedForm, RowForm
from heapwright.web.shell import lead_only
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import day_words
from heapwright.yard import materials
from heapwright.yard.models import Container, Site, Source


class SourceForm(CodedForm):
    """Who gives."""

    distance_km = MeasureField(
        "distance", label=gettext_lazy("Distance"), required=False, low=0, high=10_000
    )
    material_ids = forms.MultipleChoiceField(
        label=gettext_lazy("What it usually gives"),
        required=False,
        widget=forms.SelectMultiple({"size": 6}),
        help_text=gettext_lazy("Several: with a keyboard, hold Ctrl while you choose."),
    )
    weekdays = forms.TypedMultipleChoiceField(
        label=gettext_lazy("Usual days"),
        required=False,
        coerce=int,
        choices=list(WEEKDAYS.items()),
        widget=forms.CheckboxSelectMultiple,
    )

    class Meta:
        """What a lead states of a source."""

        model = Source
        fields = (
            "name",
            "code",
            "contact",
            "phone",
            "email",
            "material_ids",
            "containers",
            "weekdays",
            "distance_km",
            "note",
        )
        widgets = {  # noqa: RUF012
            "note": forms.Textarea({"rows": 2}),
            "phone": forms.TextInput({"type": "tel"}),
            "containers": forms.CheckboxSelectMultiple,
        }
        help_texts = {  # noqa: RUF012
            "code": gettext_lazy("Short, such as oak-school. Left empty, it is made from the name.")
        }

    def __init__(self, *args: Any, person: User, **kwargs: Any) -> None:
        super().__init__(*args, person=person, **kwargs)
        known = materials.library()
        self.fields["material_ids"].choices = sorted(
            ((name, one.name) for name, one in known.items()), key=lambda pair: pair[1].casefold()
        )
        in_use = Q(retired_at=None)
        if self.instance.pk:
            in_use |= Q(source=self.instance)
        self.fields["containers"].queryset = Container.objects.filter(in_use).distinct()


class ContainerForm(CodedForm):
    """A container."""

    volume_m3 = MeasureField(
        "capacity",
        label=gettext_lazy("It holds, struck level"),
        low=0.1,
        high=50_000,
        help_text=gettext_lazy("As full as you count it as one."),
    )
    tare_kg = MeasureField(
        "mass", label=gettext_lazy("Empty weight"), required=False, low=0, high=20_000
    )

    class Meta:
        """What a lead states of a container."""

        model = Container
        fields = ("name", "code", "volume_m3", "tare_kg")
        help_texts = {  # noqa: RUF012
            "code": gettext_lazy("Short, such as tote32. Left empty, it is made from the name.")
        }


@require_safe
def sources(request: HttpRequest) -> HttpResponse:
    """List who gives, what they gave in all, and when last."""
    units, tz = request.user.units, Site.load().tz
    counts = Q(flows__entry__struck_at=None)
    rows = Source.objects.annotate(
        gave_kg=Sum("flows__mass_kg", filter=counts),
        times=Count("flows__entry", filter=counts, distinct=True),
        last_at=Max("flows__entry__happened_at", filter=counts),
    ).order_by("retired_at", "name")
    if wants_csv(request):
        return csv_file(
            "sources",
            [
                "code",
                "name",
                "contact",
                "phone",
                "email",
                "distance_km",
                "deliveries",
                "kg",
                "last",
            ],
            (
                (
                    one.code,
                    one.name,
                    one.contact,
                    one.phone,
                    one.email,
                    one.distance_km,
                    one.times,
                    one.gave_kg and round(one.gave_kg, 1),
                    one.last_at and one.last_at.isoformat(),
                )
                for one in rows
            ),
        )
    columns = [
        Column(_("Name")),
        Column(_("In all"), number=True, may_lack=True),
        Column(_("Deliveries"), number=True),
        Column(_("Last"), number=True, may_lack=True),
        Column(_("Distance"), number=True, may_lack=True),
        Column(_("Contact"), may_lack=True),
    ]
    shown = [
        Row(
            (
                _source_link(one, request.user),
                with_unit(one.gave_kg, "mass", units),
                one.times,
                day_words(one.last_at, tz),
                with_unit(one.distance_km, "distance", units),
                ", ".join(filter(None, (one.contact, one.phone, one.email))) or "–",
            ),
            struck=one.retired_at is not None,
        )
        for one in rows
    ]
    listed = table("sources", _("Who gives"), columns, shown, download_href=csv_href(request))
    return render(
        request,
        "heapwright/more/list.html",
        {
            "table": listed,
            "title": _("Sources"),
            "lede": _("Who gives, how much in all, and when last."),
            "new_href": reverse("source-new"),
            "new_word": _("Add a source"),
            "empty_text": _("A source is a kitchen, a bakery, a stable: whoever brings something."),
        },
    )


def brought_href(one: Source) -> str:
    """Return the address of what a source brought of late."""
    return f"{reverse('deliveries')}?{urlencode({'source': one.code})}"


def _source_link(one: Source, person: User) -> str:
    """Return a source's name as a link: a lead may mend it, others see what it brought."""
    href = reverse("source", args=[one.code]) if person.may_lead else brought_href(one)
    return format_html('<a href="{}">{}</a>', href, one.name)


def _row_page(
    request: HttpRequest,
    form: RowForm,
    *,
    title: str,
    back: str,
    lede: str = "",
    retire_href: str = "",
    brought: str = "",
) -> HttpResponse:
    """Show the form of a row; take it from a lead."""
    if request.method == "POST" and form.is_valid():
        one = form.save()
        return done(request, _("Kept: %(what)s.") % {"what": one}, back)
    context = {
        "form": form,
        "title": title,
        "lede": lede,
        "act_word": _("Keep it"),
        "back": reverse(back),
        "retire_href": retire_href,
        "brought_href": brought,
        "retired": form.instance.pk and form.instance.retired_at,
    }
    return render(request, "heapwright/more/form.html", context)


@lead_only
def new_source(request: HttpRequest) -> HttpResponse:
    """Add a source."""
    form = SourceForm(request.POST or None, person=request.user)
    return _row_page(request, form, title=_("A new source"), back="sources")


@lead_only
def source(request: HttpRequest, code: str) -> HttpResponse:
    """Mend a source."""
    one = get_object_or_404(Source, code=code)
    title = one.name
    form = SourceForm(request.POST or None, instance=one, person=request.user)
    retire = reverse("source-retire", args=[code])
    return _row_page(
        request, form, title=title, back="sources", retire_href=retire, brought=brought_href(one)
    )


@require_safe
def containers(request: HttpRequest) -> HttpResponse:
    """List the containers."""
    units = request.user.units
    rows = Container.objects.order_by("retired_at", "name")
    if wants_csv(request):
        return csv_file(
            "containers",
            ["code", "name", "volume_m3", "tare_kg"],
            ((one.code, one.name, one.volume_m3, one.tare_kg) for one in rows),
        )
    columns = [
        Column(_("Name")),
        Column(_("Code"), short=True),
        Column(_("Holds"), number=True),
        Column(_("Weighs empty"), number=True, may_lack=True),
    ]
    shown = [
        Row(
            (
                format_html('<a href="{}">{}</a>', reverse("container", args=[one.code]), one.name)
                if request.user.may_lead
                else one.name,
                one.code,
                to_three_digits(one.volume_m3, "capacity", units),
                with_unit(one.tare_kg, "mass", units),
            ),
            struck=one.retired_at is not None,
        )
        for one in rows
    ]
    listed = table("containers", _("Containers"), columns, shown, download_href=csv_href(request))
    return render(
        request,
        "heapwright/more/list.html",
        {
            "table": listed,
            "title": _("Containers"),
            "lede": _("With these, so many totes or barrows turn into a volume and a weight."),
            "new_href": reverse("container-new"),
            "new_word": _("Add a container"),
            "empty_text": _("Totes, buckets, barrows: whatever you count in."),
        },
    )


@lead_only
def new_container(request: HttpRequest) -> HttpResponse:
    """Add a container."""
    form = ContainerForm(request.POST or None, person=request.user)
    return _row_page(request, form, title=_("A new container"), back="containers")


@lead_only
def container(request: HttpRequest, code: str) -> HttpResponse:
    """Mend a container; deliveries that were counted with it before keep their figures."""
    one = get_object_or_404(Container, code=code)
    title = one.name
    form = ContainerForm(request.POST or None, instance=one, person=request.user)
    return _row_page(
        request,
        form,
        title=title,
        lede=_("Entries that counted with it before keep their figures."),
        back="containers",
        retire_href=reverse("container-retire", args=[code]),
    )


@lead_only
@require_POST
def retire_source(request: HttpRequest, code: str) -> HttpResponse:
    """Take a source out of use, or into use again; what it gave stays."""
    return _retire(request, get_object_or_404(Source, code=code), "sources")


@lead_only
@require_POST
def retire_container(request: HttpRequest, code: str) -> HttpResponse:
    """Take a container out of use, or into use again."""
    return _retire(request, get_object_or_404(Container, code=code), "containers")


def _retire(request: HttpRequest, one: Source | Container, to: str) -> HttpResponse:
    again = one.retired_at is not None
    one.retired_at = None if again else timezone.now()
    one.save(update_fields=["retired_at"])
    said = _("%(what)s is in use again.") if again else _("%(what)s is no longer in use.")
    return done(request, said % {"what": one.name}, to)
