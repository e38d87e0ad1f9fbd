"""Materials: the library beside what was measured here, and the site's own."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST, require_safe

from heapwright.data import category_defaults
from heapwright.data import materials as library_rows
from heapwright.data.library import LAYER_ROLES, POSSIBLE
from heapwright.science.ingredients import WATER
from heapwright.science.materials import Material, Span
from heapwright.web.answers import done
from heapwright.web.fields import MeasureField, NumberField
from heapwright.web.forms import OnceForm
from heapwright.web.measures import MEASURES, with_unit
from heapwright.web.more.facts import matches
from heapwright.web.more.rows import RowForm
from heapwright.web.shell import helper_only, lead_only
from heapwright.web.tables import Column, Row, csv_file, csv_href, table, wants_csv
from heapwright.web.telling import day_words
from heapwright.yard import materials as known_here
from heapwright.yard import prove
from heapwright.yard.errors import YardError
from heapwright.yard.materials import FIGURES
from heapwright.yard.models import Kind, Measurement, OwnMaterial, Site

LABELS: Final = {
    "moisture_pct": gettext_lazy("Moisture, % of wet mass"),
    "n_pct_dry": gettext_lazy("Nitrogen, % of dry mass"),
    "c_pct_dry": gettext_lazy("Carbon, % of dry mass"),
    "cn": gettext_lazy("C:N, by mass"),
    "vs_pct_dry": gettext_lazy("Volatile solids, % of dry mass"),
    "bulk_density_kg_m3": gettext_lazy("Bulk density"),
}


def kind_words(category: str) -> str:
    """Return a category of materials as people say it."""
    return category.replace("_", " and ") if category == "hay_straw" else category


def value_words(name: str, value: float | None, units: str) -> str:
    """Return a figure of a material in the person's units."""
    if value is None:
        return "–"
    return with_unit(value, "density", units) if name == "bulk_density_kg_m3" else f"{value:.3g}"


def span_words(name: str, span: Span | None, units: str) -> str:
    """Return a typical value with its range."""
    if span is None:
        return "–"
    typical = value_words(name, span.typical, units)
    if span.low >= span.high:
        return typical
    low, high = (value_words(name, end, units) for end in (span.low, span.high))
    if name == "bulk_density_kg_m3":
        low, high = (end.split("\u00a0")[0] for end in (low, high))
    return _("%(typical)s (%(low)s to %(high)s)") % {
        "typical": typical,
        "low": low,
        "high": high,
    }


CHOOSE = ("", gettext_lazy("choose"))


class OwnMaterialForm(RowForm):
    """A material that the library lacks."""

    category = forms.ChoiceField(label=gettext_lazy("Kind"))
    layer_role = forms.ChoiceField(
        label=gettext_lazy("Laid as"),
        choices=[CHOOSE, *((role, role) for role in LAYER_ROLES if role != "water")],
    )
    moisture_pct = NumberField(label=LABELS["moisture_pct"], low=0, high=100)
    n_pct_dry = NumberField(label=LABELS["n_pct_dry"], required=False, low=0, high=20)
    c_pct_dry = NumberField(label=LABELS["c_pct_dry"], required=False, low=0, high=60)
    cn = NumberField(
        label=LABELS["cn"],
        required=False,
        low=1,
        high=2000,
        help_text=gettext_lazy("State two of nitrogen, carbon and C:N; the third follows."),
    )
    vs_pct_dry = NumberField(label=LABELS["vs_pct_dry"], required=False, low=0, high=100)
    bulk_density_kg_m3 = MeasureField(
        "density",
        label=LABELS["bulk_density_kg_m3"],
        required=False,
        help_text=gettext_lazy("Weigh a bucket of it; empty takes what is usual for its kind."),
    )
    price_per_tonne = NumberField(
        label=gettext_lazy("Price a tonne (1,000 kg)"), required=False, low=0, high=100_000
    )

    class Meta:
        """What a lead states of a material."""

        model = OwnMaterial
        fields = (
            "name",
            "code",
            "category",
            "layer_role",
            "moisture_pct",
            "n_pct_dry",
            "c_pct_dry",
            "cn",
            "vs_pct_dry",
            "bulk_density_kg_m3",
            "price_per_tonne",
            "note",
        )
        widgets = {"note": forms.Textarea({"rows": 2})}  # noqa: RUF012
        help_texts = {  # noqa: RUF012
            "code": gettext_lazy("Letters, digits and underscores, such as mill_chaff."),
            "note": gettext_lazy("Where the figures come from."),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = ((name, kind_words(name)) for name in category_defaults())
        self.fields["category"].choices = [CHOOSE, *kinds]  # a kind nobody chose would be mixed by
        if self.instance.pk:
            del self.fields["code"]  # deliveries name it by its code

    def clean_code(self) -> str:
        """Refuse a name that the library has."""
        code: str = self.cleaned_data["code"]
        if code in library_rows():
            raise ValidationError(_("The library has a material of this name; measure that one."))
        return code

    def clean_bulk_density_kg_m3(self) -> float | None:
        """Refuse a density that nothing has."""
        density: float | None = self.cleaned_data["bulk_density_kg_m3"]
        low, high = POSSIBLE["bulk_density_kg_m3"]
        if density is not None and not low <= density <= high:
            raise ValidationError(_("Nothing that is composted is so light or so heavy."))
        return density

    def clean(self) -> dict[str, Any]:
        """Ask for two of nitrogen, carbon and C:N, and that they agree."""
        cleaned = super().clean()
        three = [cleaned.get(name) for name in ("n_pct_dry", "c_pct_dry", "cn")]
        if not {"n_pct_dry", "c_pct_dry", "cn"} & set(self.errors):
            if sum(value is not None for value in three) < 2:
                self.add_error("cn", _("State two of nitrogen, carbon and C:N."))
            elif None not in three and abs(three[1] / max(three[0], 1e-9) / three[2] - 1) > 0.05:
                self.add_error(
                    "cn",
                    _("Carbon over nitrogen is %(ratio).3g here; leave one of the three empty.")
                    % {"ratio": three[1] / max(three[0], 1e-9)},
                )
        return cleaned


class MeasureForm(OnceForm):
    """What an oven, a bucket or a laboratory said of a material."""

    kind = Kind.LAB

    moisture_pct = NumberField(label=LABELS["moisture_pct"], required=False)
    n_pct_dry = NumberField(label=LABELS["n_pct_dry"], required=False)
    c_pct_dry = NumberField(label=LABELS["c_pct_dry"], required=False)
    cn = NumberField(label=LABELS["cn"], required=False)
    vs_pct_dry = NumberField(label=LABELS["vs_pct_dry"], required=False)
    bulk_density_kg_m3 = MeasureField("density", label=LABELS["bulk_density_kg_m3"], required=False)
    method = forms.CharField(
        label=gettext_lazy("How it was measured"), max_length=120, required=False
    )
    laboratory = forms.CharField(
        label=gettext_lazy("Laboratory"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("Empty when you measured it yourself."),
    )
    field_order = ("entry_id", *FIGURES, "method", "laboratory", "happened_at", "note")

    def __init__(self, *args: Any, material: Material, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.material = material
        for name in FIGURES:
            span = getattr(material, name)
            if span is not None:
                self.fields[name].help_text = _("Known so far: %(value)s.") % {
                    "value": span_words(name, span, self.person.units)
                }

    def stated(self) -> list[str]:
        """Return the names of the figures that were typed."""
        return [name for name in FIGURES if self.cleaned_data.get(name) is not None]

    def clean(self) -> dict[str, Any]:
        """Ask for at least one figure."""
        cleaned = super().clean() or self.cleaned_data
        if not self.errors and not self.stated():
            self.add_error("moisture_pct", _("State at least one figure."))
        return cleaned

    def act(self) -> prove.LogResult:
        """Return the figures as an act."""
        said = self.cleaned_data
        results = tuple(
            prove.Result(
                quantity=name,
                value=said[name],
                unit="kg/m³" if name == "bulk_density_kg_m3" else "",
                method=said["method"],
            )
            for name in self.stated()
        )
        return prove.LogResult(
            **self.said(),
            material=self.material.id,
            results=results,
            laboratory=said["laboratory"],
        )

    def refuse(self, error: YardError) -> None:
        """Put what is refused of a figure beside it."""
        part = error.field.split(".")
        if part[0] == "results" and len(part) == 3:
            name = self.stated()[int(part[1])]
            self.add_error(name, error.message[:1].upper() + error.message[1:])
        else:
            super().refuse(error)


@require_safe
def materials(request: HttpRequest) -> HttpResponse:
    """List the site's own materials and those that were measured here."""
    units, tz = request.user.units, Site.load().tz
    known = known_here.library()
    own = {one.code: one for one in OwnMaterial.objects.all()}
    measured: dict[str, Any] = {}
    for one in Measurement.objects.filter(entry__struck_at=None, lot=None).select_related("entry"):
        at = measured.get(one.material_id)
        measured[one.material_id] = max(at, one.entry.happened_at) if at else one.entry.happened_at
    if wants_csv(request):
        head = ["id", "name", "category", *FIGURES, "measured"]
        return csv_file(
            "materials",
            head,
            (
                (
                    name,
                    one.name,
                    one.category,
                    *(getattr(one, figure) and getattr(one, figure).typical for figure in FIGURES),
                    measured[name].isoformat() if name in measured else "",
                )
                for name, one in known.items()
            ),
        )
    ours = [name for name in known if name in own or name in measured]
    figures = [
        figure
        for figure in FIGURES
        if figure != "vs_pct_dry" and any(getattr(known[name], figure) for name in ours)
    ]
    columns = [
        Column(_("Material")),
        Column(_("Whose"), says_itself=True),
        *(Column(str(LABELS[figure]), number=True, may_lack=True) for figure in figures),
        Column(_("Last measured"), may_lack=True),
    ]
    rows = [
        Row(
            (
                format_html(
                    '<a href="{}">{}</a>', reverse("material", args=[name]), known[name].name
                ),
                _("our own") if name in own else _("of the library"),
                *(span_words(figure, getattr(known[name], figure), units) for figure in figures),
                day_words(measured.get(name), tz),
            ),
            struck=name in own and own[name].retired_at is not None,
        )
        for name in ours
    ]
    search = request.GET.get("q", "").strip()
    context = {
        "search": search,
        "table": table(
            "materials",
            _("Our own, and measured here"),
            columns,
            rows,
            download_href=csv_href(request),
            note=_("The file has the library’s too."),
        ),
        "others": sorted(
            (
                one
                for name, one in known.items()
                if name not in ours and name != WATER and matches(search, [one.name, one.category])
            ),
            key=lambda one: one.name.casefold(),
        ),
    }
    return render(request, "heapwright/more/materials.html", context)


@require_safe
def material(request: HttpRequest, name: str) -> HttpResponse:
    """Show what is known of a material: library, own, measured, and what counts now."""
    units, tz = request.user.units, Site.load().tz
    known = known_here.library().get(name)
    if known is None:
        raise Http404
    published = library_rows().get(name)
    own = OwnMaterial.objects.filter(code=name).first()
    columns = [
        Column(_("Figure")),
        Column(_("Library") if published else _("Stated by us"), number=True),
        Column(_("Counts now"), number=True),
        Column(_("Where from")),
    ]
    origins = {
        "published": _("published"),
        "measured": _("measured here"),
        "derived": _("derived"),
        "assumed": _("assumed"),
    }
    rows = []
    for figure, label in LABELS.items():
        span = getattr(known, figure)
        first = (
            span_words(figure, getattr(published, figure), units)
            if published
            else value_words(figure, getattr(own, figure), units)
        )
        origin = origins.get(span.origin, span.origin) if span else _("nobody published it")
        rows.append(Row((label, first, span_words(figure, span, units), origin)))
    history = (
        Measurement.objects.filter(lot=None, material_id=name)
        .select_related("entry")
        .order_by("-entry__happened_at", "-id")
    )
    measured = [
        Row(
            (
                format_html(
                    '<a href="{}">{}</a>',
                    reverse("entry", args=[one.entry.uuid]),
                    day_words(one.entry.happened_at, tz),
                ),
                LABELS.get(one.quantity, one.quantity),
                f"{'' if one.comparator == '=' else one.comparator}"
                f"{value_words(one.quantity, one.value, units)}",
                ", ".join(filter(None, (one.method, one.laboratory))) or "–",
            ),
            struck=one.entry.is_struck,
        )
        for one in history
    ]
    context = {
        "one": known,
        "kind": kind_words(known.category),
        "own": own,
        "published": published,
        "figures": table("figures", _("What is known of it"), columns, rows),
        "measured": table(
            "measured",
            _("Measured here"),
            [
                Column(_("When"), short=True),
                Column(_("Figure")),
                Column(_("Value"), number=True),
                Column(_("How")),
            ],
            measured,
            note=_("A measurement counts from its day on; the latest of a figure counts."),
        ),
        "any_measured": bool(measured),
        "unit": MEASURES["density"][units].sign,
    }
    return render(request, "heapwright/more/material.html", context)


@helper_only
def measure(request: HttpRequest, name: str) -> HttpResponse:
    """Log what was measured of a material, the library's figures beside it."""
    known = known_here.library().get(name)
    if known is None:
        raise Http404
    form = MeasureForm(request.POST or None, person=request.user, material=known)
    if request.method == "POST":
        entry = form.write(prove.log_result)
        if entry is not None:
            said = _("Logged what was measured of %(material)s.") % {"material": known.name}
            return done(request, said, "material", name, undo=entry)
    context = {
        "form": form,
        "title": _("Measured: %(material)s") % {"material": known.name},
        "lede": _(
            "From its day on this counts instead of the library’s figure. Where nobody measured "
            "it, a typical value lets it be mixed: say in the note where it is from."
        ),
        "act_word": _("Log it"),
        "back": reverse("material", args=[name]),
    }
    return render(request, "heapwright/more/log.html", context)


@lead_only
def new_material(request: HttpRequest) -> HttpResponse:
    """Add a material of the site's own."""
    form = OwnMaterialForm(request.POST or None, person=request.user)
    return _own_page(request, form, _("A material of our own"))


@lead_only
def mend_material(request: HttpRequest, name: str) -> HttpResponse:
    """Mend the first figures of an own material."""
    one = get_object_or_404(OwnMaterial, code=name)
    title = one.name
    form = OwnMaterialForm(request.POST or None, instance=one, person=request.user)
    return _own_page(request, form, title, reverse("material-retire", args=[name]))


def _own_page(
    request: HttpRequest, form: OwnMaterialForm, title: str, retire_href: str = ""
) -> HttpResponse:
    if request.method == "POST" and form.is_valid():
        one = form.save()
        return done(request, _("Kept: %(what)s.") % {"what": one}, "material", one.code)
    context = {
        "form": form,
        "title": title,
        "lede": _("Its first figures; what you measure later counts from its day on."),
        "act_word": _("Keep it"),
        "back": reverse("materials"),
        "retire_href": retire_href,
        "retired": form.instance.pk and form.instance.retired_at,
    }
    return render(request, "heapwright/more/form.html", context)


@lead_only
@require_POST
def retire_material(request: HttpRequest, name: str) -> HttpResponse:
    """Take an own material out of use, or into use again."""
    one = get_object_or_404(OwnMaterial, code=name)
    again = one.retired_at is not None
    one.retired_at = None if again else timezone.now()
    one.save(update_fields=["retired_at"])
    said = _("%(what)s is in use again.") if again else _("%(what)s is no longer in use.")
    return done(request, said % {"what": one.name}, "materials")
