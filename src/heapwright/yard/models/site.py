"""What the site has: itself, its places, sources, containers and own materials.

These rows describe, they do not account: they may be edited. Nothing is deleted that an entry
names (foreign keys protect it); a place or source no longer in use is retired.
"""

from __future__ import annotations

import re
from typing import ClassVar
from zoneinfo import ZoneInfo, available_timezones

from django.core.exceptions import ValidationError
from django.core.validators import MinValueValidator, RegexValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

CODE = RegexValidator(
    re.compile(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,19}\Z"),
    _("Use up to 20 letters, digits, points or dashes, such as B3 or north-bunker."),
)


def check_zone(name: str) -> None:
    """Raise a validation error when ``name`` is no IANA time zone."""
    if name not in available_timezones():
        raise ValidationError(
            _("“%(name)s” is not a time zone; an example is America/Los_Angeles.") % {"name": name}
        )


class Site(models.Model):
    """The site itself: one row."""

    name = models.CharField(_("name"), max_length=80)
    zone = models.CharField(
        _("time zone"),
        max_length=64,
        default="UTC",
        validators=[check_zone],
        help_text=_("A day of the proof is a calendar day in this zone."),
    )
    currency = models.CharField(_("currency"), max_length=3, default="USD")
    latitude_deg = models.FloatField(_("latitude"), null=True, blank=True)
    longitude_deg = models.FloatField(_("longitude"), null=True, blank=True)
    width_m = models.FloatField(_("width of the plan"), null=True, blank=True)
    depth_m = models.FloatField(_("depth of the plan"), null=True, blank=True)

    class Meta:
        """There is one site in a database."""

        verbose_name = _("site")
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(id=1), name="site_is_one"),
            models.CheckConstraint(
                condition=Q(latitude_deg=None) | Q(latitude_deg__range=(-90, 90)),
                name="site_latitude_possible",
            ),
            models.CheckConstraint(
                condition=Q(longitude_deg=None) | Q(longitude_deg__range=(-180, 180)),
                name="site_longitude_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @classmethod
    def load(cls) -> Site:
        """Return the site, or an unsaved one with the defaults before set-up."""
        return cls.objects.filter(id=1).first() or cls(id=1)

    @property
    def tz(self) -> ZoneInfo:
        """The zone in which the site's calendar days are counted."""
        return ZoneInfo(self.zone)


class PlaceKind(models.TextChoices):
    """What a place is for."""

    BAY = "bay", _("bay")
    STOCKPILE = "stockpile", _("stockpile")
    LANE = "lane", _("windrow lane")
    CURING = "curing", _("curing pad")
    VESSEL = "vessel", _("vessel")
    TRENCH = "trench", _("trench plot")
    SCREENING = "screening", _("screening corner")
    BED = "bed", _("bed")


class Cover(models.TextChoices):
    """What keeps the rain out of a heap."""

    OPEN = "open", _("open")
    BREATHABLE = "breathable", _("breathable cover")
    TARP = "tarp", _("tarp")
    ROOF = "roof", _("roof")


class Place(models.Model):
    """Anything with a position and a size on the yard plan.

    Positions are of the corner nearest the plan's origin (metres east and north of it), the
    place turned by ``angle_deg`` counter-clockwise about that corner.
    """

    code = models.CharField(_("code"), max_length=20, unique=True, validators=[CODE])
    name = models.CharField(_("name"), max_length=80)
    kind = models.CharField(_("kind"), max_length=10, choices=PlaceKind)
    x_m = models.FloatField(_("metres east"), default=0.0)
    y_m = models.FloatField(_("metres north"), default=0.0)
    width_m = models.FloatField(_("width"), validators=[MinValueValidator(0.01)])
    depth_m = models.FloatField(_("depth"), validators=[MinValueValidator(0.01)])
    height_m = models.FloatField(_("height"), null=True, blank=True)
    angle_deg = models.FloatField(_("angle"), default=0.0)
    cover = models.CharField(_("cover"), max_length=10, choices=Cover, default=Cover.OPEN)
    note = models.TextField(_("note"), blank=True)
    retired_at = models.DateTimeField(_("no longer in use since"), null=True, blank=True)

    class Meta:
        """Sizes are positive."""

        ordering: ClassVar = ["code"]
        verbose_name = _("place")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(width_m__gt=0) & Q(depth_m__gt=0), name="place_has_a_size"
            ),
            models.CheckConstraint(
                condition=Q(height_m=None) | Q(height_m__gt=0), name="place_height_positive"
            ),
            models.CheckConstraint(condition=Q(kind__in=PlaceKind.values), name="place_kind_known"),
            models.CheckConstraint(condition=Q(cover__in=Cover.values), name="place_cover_known"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def capacity_m3(self) -> float | None:
        """Volume of the box that the place describes; None where it has no height."""
        return None if self.height_m is None else self.width_m * self.depth_m * self.height_m


class Source(models.Model):
    """Who gives."""

    code = models.CharField(_("code"), max_length=20, unique=True, validators=[CODE])
    name = models.CharField(_("name"), max_length=80)
    contact = models.CharField(_("contact"), max_length=200, blank=True)
    phone = models.CharField(_("phone"), max_length=40, blank=True)
    email = models.EmailField(_("e-mail"), blank=True)
    distance_km = models.FloatField(
        _("distance"), null=True, blank=True, validators=[MinValueValidator(0)]
    )
    material_ids = models.JSONField(_("materials"), default=list, blank=True)
    weekdays = models.JSONField(
        _("usual days"), default=list, blank=True, help_text=_("0 is Monday, 6 is Sunday.")
    )
    containers = models.ManyToManyField("yard.Container", blank=True, verbose_name=_("containers"))
    note = models.TextField(_("note"), blank=True)
    retired_at = models.DateTimeField(_("no longer in use since"), null=True, blank=True)

    class Meta:
        """A distance is not negative."""

        ordering: ClassVar = ["code"]
        verbose_name = _("source")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(distance_km=None) | Q(distance_km__gte=0),
                name="source_distance_not_negative",
            )
        ]

    def __str__(self) -> str:
        return self.name


class Container(models.Model):
    """A vessel in which material arrives or is forked: a tote, a bucket, a barrow."""

    code = models.CharField(_("code"), max_length=20, unique=True, validators=[CODE])
    name = models.CharField(_("name"), max_length=80)
    volume_m3 = models.FloatField(_("volume"), validators=[MinValueValidator(0.0001)])
    tare_kg = models.FloatField(
        _("empty weight"), null=True, blank=True, validators=[MinValueValidator(0)]
    )
    retired_at = models.DateTimeField(_("no longer in use since"), null=True, blank=True)

    class Meta:
        """A container holds something and weighs no less than nothing."""

        ordering: ClassVar = ["code"]
        verbose_name = _("container")
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(volume_m3__gt=0), name="container_holds_something"),
            models.CheckConstraint(
                condition=Q(tare_kg=None) | Q(tare_kg__gte=0), name="container_tare_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class OwnMaterial(models.Model):
    """A material that the library lacks, with the site's first figures for it.

    Later figures, also for library materials, are dated measurements
    (:class:`~heapwright.yard.models.Measurement`) and override these.
    """

    code = models.SlugField(_("code"), max_length=60, unique=True)
    name = models.CharField(_("name"), max_length=80)
    category = models.CharField(_("category"), max_length=40)
    layer_role = models.CharField(_("layer role"), max_length=10, default="brown")
    moisture_pct = models.FloatField(_("moisture, % of wet mass"))
    n_pct_dry = models.FloatField(_("nitrogen, % of dry mass"), null=True, blank=True)
    c_pct_dry = models.FloatField(_("carbon, % of dry mass"), null=True, blank=True)
    cn = models.FloatField(_("C:N"), null=True, blank=True)
    bulk_density_kg_m3 = models.FloatField(_("bulk density"), null=True, blank=True)
    vs_pct_dry = models.FloatField(_("volatile solids, % of dry mass"), null=True, blank=True)
    price_per_tonne = models.FloatField(_("price a tonne"), null=True, blank=True)
    note = models.TextField(_("note"), blank=True)
    retired_at = models.DateTimeField(_("no longer in use since"), null=True, blank=True)

    class Meta:
        """Figures are possible ones, and two of nitrogen, carbon and C:N are stated."""

        ordering: ClassVar = ["name"]
        verbose_name = _("own material")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(moisture_pct__range=(0, 100)), name="own_material_moisture_possible"
            ),
            models.CheckConstraint(
                condition=(Q(n_pct_dry__range=(0, 20)) & Q(c_pct_dry__range=(0, 60)))
                | (Q(n_pct_dry__range=(0, 20)) & Q(cn__range=(1, 2000)))
                | (Q(c_pct_dry__range=(0, 60)) & Q(cn__range=(1, 2000))),
                name="own_material_two_of_n_c_cn",
            ),
            models.CheckConstraint(
                condition=Q(bulk_density_kg_m3=None) | Q(bulk_density_kg_m3__range=(1, 2500)),
                name="own_material_density_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.name
