"""What happened: lots, entries, and the double-entry lines between lots and the world.

An :class:`Entry` is one act or observation. Its :class:`Flow` lines move mass, its
:class:`Standing` lines say what is known of a lot after it (where it stands, its stage, its
cover, what the scales said). Everything that a page shows of a lot is computed from these;
no total is stored. Entries and their lines are never changed or deleted: an entry is struck,
once, with a reason, and entered again. Triggers in the database hold that (migration 0002).
"""

from __future__ import annotations

import uuid
from functools import reduce
from operator import or_
from typing import Any, ClassVar, NoReturn

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from heapwright.yard.errors import LedgerError
from heapwright.yard.models.site import CODE, Cover, Place, Source


class LotKind(models.TextChoices):
    """What a lot is."""

    STOCK = "stock", _("stock")
    PILE = "pile", _("pile")
    COMPOST = "compost", _("compost")
    OVERS = "overs", _("overs")


class Stage(models.TextChoices):
    """How far a pile has come."""

    FILLING = "filling", _("filling")
    HOT = "hot", _("hot")
    CURING = "curing", _("curing")
    READY = "ready", _("ready")


class Kind(models.TextChoices):
    """The kinds of entries."""

    DELIVERY = "delivery", _("delivery")
    BUILD = "build", _("built")
    ADD = "add", _("added")
    TURN = "turn", _("turned")
    MOVE = "move", _("moved")
    COMBINE = "combine", _("combined")
    DIVIDE = "divide", _("divided")
    WATER = "water", _("watered")
    COVER = "cover", _("covered or uncovered")
    CHECK = "check", _("checked")
    READINGS = "readings", _("readings of a logger")
    MEASURE = "measure", _("weighed or measured")
    STAGE = "stage", _("stage declared")
    SAMPLE = "sample", _("sample taken")
    LAB = "lab", _("laboratory result")
    SCREEN = "screen", _("screened")
    USE = "use", _("used")
    DISCARD = "discard", _("discarded")
    LABOUR = "labour", _("labour")
    FUEL = "fuel", _("fuel")
    WEATHER = "weather", _("weather")
    OPENING = "opening", _("stood when the records began")
    SETTINGS = "settings", _("settings of the proofs")


class Known(models.TextChoices):
    """How a quantity is known."""

    WEIGHED = "weighed", _("weighed")
    COUNTED = "counted", _("counted containers")
    MEASURED = "measured", _("measured volume")
    ESTIMATED = "estimated", _("estimated")
    COMPUTED = "computed", _("worked out from the books")


class End(models.TextChoices):
    """What stands at an end of a ledger line."""

    LOT = "lot", _("lot")
    SOURCE = "source", _("source")
    WATER = "water", _("water tap, butt or rain")
    OPENING = "opening", _("stood when the records began")
    AIR = "air", _("air")
    PLACE = "place", _("bed")
    PERSON = "person", _("taken by a person")
    DISPOSAL = "disposal", _("disposal")


class Unchangeable(models.Model):
    """A row that is written once."""

    class Meta:
        """No table of its own."""

        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Write a new row; a row that exists cannot be written again."""
        if not self._state.adding:
            self._refuse()
        super().save(*args, **kwargs)

    def delete(self, *_args: Any, **_kwargs: Any) -> NoReturn:
        """Refuse: the ledger forgets nothing."""
        self._refuse()

    def _refuse(self) -> NoReturn:
        raise LedgerError(
            "entries are never changed or deleted; strike the entry and enter it anew"
        )


class Lot(models.Model):
    """A quantity that keeps its identity; what it holds and where it stands is computed.

    A lot whose making entry was struck is void until an entry makes it again.
    """

    code = models.CharField(_("code"), max_length=20, unique=True, validators=[CODE])
    kind = models.CharField(_("kind"), max_length=8, choices=LotKind)
    number = models.PositiveIntegerField(_("number"))

    class Meta:
        """Kinds are known; the highest number of a kind is found by index."""

        ordering: ClassVar = ["id"]
        verbose_name = _("lot")
        indexes: ClassVar = [models.Index(fields=["kind", "number"], name="lot_kind_number")]
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(kind__in=LotKind.values), name="lot_kind_known")
        ]

    def __str__(self) -> str:
        return self.code


class Entry(models.Model):
    """One act or observation.

    ``uuid`` is made where the entry was written, so that sending it twice is harmless;
    ``sent`` is the act as it was sent, typed text included. The order of events is
    ``(happened_at, id)``.
    """

    uuid = models.UUIDField(_("id"), unique=True, default=uuid.uuid4)
    kind = models.CharField(_("kind"), max_length=10, choices=Kind)
    happened_at = models.DateTimeField(_("when it happened"))
    recorded_at = models.DateTimeField(_("when it was recorded"))
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", verbose_name=_("recorded by")
    )
    note = models.TextField(_("note"), blank=True)
    sent = models.JSONField(_("as sent"), default=dict)
    lots = models.ManyToManyField(Lot, related_name="entries", verbose_name=_("lots"))
    replaces = models.OneToOneField(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="replaced_by",
        verbose_name=_("entered again for"),
    )
    struck_at = models.DateTimeField(_("struck"), null=True, blank=True)
    struck_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        verbose_name=_("struck by"),
    )
    struck_reason = models.TextField(_("reason for striking"), blank=True)

    class Meta:
        """Struck means by whom, when and why."""

        ordering: ClassVar = ["happened_at", "id"]
        verbose_name = _("entry")
        verbose_name_plural = _("entries")
        indexes: ClassVar = [
            models.Index(fields=["happened_at", "id"], name="entry_in_time"),
            models.Index(fields=["kind", "happened_at"], name="entry_kind_in_time"),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(kind__in=Kind.values), name="entry_kind_known"),
            models.CheckConstraint(
                condition=(Q(struck_at=None) & Q(struck_by=None) & Q(struck_reason=""))
                | (Q(struck_at__isnull=False) & Q(struck_by__isnull=False) & ~Q(struck_reason="")),
                name="entry_struck_whole",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.happened_at:%Y-%m-%d %H:%M}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Write a new entry; an existing one can only be struck (see :mod:`yard.strike`)."""
        if not self._state.adding and set(kwargs.get("update_fields") or ()) != {
            "struck_at",
            "struck_by",
            "struck_reason",
        }:
            raise LedgerError(
                "entries are never changed or deleted; strike the entry and enter it anew"
            )
        super().save(*args, **kwargs)

    def delete(self, *_args: Any, **_kwargs: Any) -> NoReturn:
        """Refuse: the ledger forgets nothing."""
        raise LedgerError("entries are never changed or deleted; strike the entry instead")

    @property
    def is_struck(self) -> bool:
        """Whether the entry no longer counts."""
        return self.struck_at is not None


def _end(side: str, kinds: tuple[End, ...], columns: dict[str, str]) -> Q:
    """Return the condition that one end of a line is of a known kind and names just that."""

    def names_just_that(kind: End) -> Q:
        condition = Q(**{f"{side}_kind": kind.value})
        for column, of_kind in columns.items():
            blank = Q(**{column: "" if column.endswith("_person") else None})
            condition &= ~blank if of_kind == kind.value else blank
        return condition

    return reduce(or_, map(names_just_that, kinds))


class Flow(Unchangeable):
    """A ledger line: so much went from here to there.

    A line may be a correction of an earlier line of the same entry (``corrects``); only then
    may its mass be negative. Corrections are written when a late or struck entry changes what
    an act that took *everything* had taken; the sum over an entry's lines is what counts.
    """

    entry = models.ForeignKey(Entry, models.PROTECT, related_name="flows")
    from_kind = models.CharField(_("from"), max_length=8, choices=End)
    from_lot = models.ForeignKey(Lot, models.PROTECT, null=True, related_name="flows_out")
    from_source = models.ForeignKey(Source, models.PROTECT, null=True, related_name="flows")
    to_kind = models.CharField(_("to"), max_length=8, choices=End)
    to_lot = models.ForeignKey(Lot, models.PROTECT, null=True, related_name="flows_in")
    to_place = models.ForeignKey(Place, models.PROTECT, null=True, related_name="flows")
    to_person = models.CharField(_("taken by"), max_length=80, blank=True)
    material_id = models.CharField(_("material"), max_length=60, blank=True)
    mass_kg = models.FloatField(_("mass"))
    volume_m3 = models.FloatField(_("volume"), null=True)
    known = models.CharField(_("how known"), max_length=9, choices=Known)
    as_typed = models.CharField(_("as typed"), max_length=120, blank=True)
    corrects = models.ForeignKey(
        "self", models.PROTECT, null=True, related_name="corrections", verbose_name=_("corrects")
    )

    class Meta:
        """Exactly one end each; mass is positive unless the line corrects another."""

        ordering: ClassVar = ["id"]
        verbose_name = _("ledger line")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(mass_kg__gt=0) | (Q(corrects__isnull=False) & ~Q(mass_kg=0)),
                name="flow_mass_positive",
            ),
            models.CheckConstraint(
                condition=Q(volume_m3=None) | Q(volume_m3__gt=0) | Q(corrects__isnull=False),
                name="flow_volume_positive",
            ),
            models.CheckConstraint(
                condition=_end(
                    "from",
                    (End.LOT, End.SOURCE, End.WATER, End.OPENING, End.AIR),
                    {"from_lot": "lot", "from_source": "source"},
                ),
                name="flow_one_from",
            ),
            models.CheckConstraint(
                condition=_end(
                    "to",
                    (
                        End.LOT,
                        End.PLACE,
                        End.PERSON,
                        End.DISPOSAL,
                        End.AIR,
                    ),
                    {"to_lot": "lot", "to_place": "place", "to_person": "person"},
                ),
                name="flow_one_to",
            ),
            models.CheckConstraint(
                condition=Q(from_kind="lot") | Q(to_kind="lot"), name="flow_touches_a_lot"
            ),
            models.CheckConstraint(
                condition=Q(from_lot=None) | Q(to_lot=None) | ~Q(from_lot=F("to_lot")),
                name="flow_goes_elsewhere",
            ),
            models.CheckConstraint(
                condition=~Q(from_kind__in=["source", "water"]) | ~Q(material_id=""),
                name="flow_in_names_material",
            ),
            models.CheckConstraint(condition=Q(known__in=Known.values), name="flow_known_known"),
        ]

    def __str__(self) -> str:
        return f"{self.mass_kg:g} kg {self.from_kind} → {self.to_kind}"


class Standing(Unchangeable):
    """What is known of a lot after an entry; blank where the entry says nothing of it.

    ``begins``: the entry makes the lot. ``holds_kg``: the lot holds just this mass afterwards
    (the scales said so, or everything was taken); the line ``taken_up_by`` carries the
    difference to the books, or the air where there is none. ``volume_m3``: the volume was
    known anew. ``raw_added``: raw material came to it (added, or with a pile that joined it);
    whether that starts the proof again depends on its stage then, which is computed.
    """

    entry = models.ForeignKey(Entry, models.PROTECT, related_name="standings")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="standings")
    begins = models.BooleanField(default=False)
    place = models.ForeignKey(Place, models.PROTECT, null=True, related_name="standings")
    stage = models.CharField(_("stage"), max_length=8, choices=Stage, blank=True)
    cover = models.CharField(_("cover"), max_length=10, choices=Cover, blank=True)
    holds_kg = models.FloatField(_("holds"), null=True)
    volume_m3 = models.FloatField(_("volume"), null=True)
    taken_up_by = models.ForeignKey(Flow, models.PROTECT, null=True, related_name="+")
    raw_added = models.BooleanField(default=False)

    class Meta:
        """One line an entry and lot; what it says is possible."""

        verbose_name = _("standing")
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lot", "entry"], name="standing_once"),
            models.CheckConstraint(
                condition=Q(holds_kg=None) | Q(holds_kg__gte=0), name="standing_holds_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(volume_m3=None) | Q(volume_m3__gt=0), name="standing_volume_positive"
            ),
            models.CheckConstraint(
                condition=Q(stage__in=["", *Stage.values]), name="standing_stage_known"
            ),
            models.CheckConstraint(
                condition=Q(cover__in=["", *Cover.values]), name="standing_cover_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot_id} after {self.entry_id}"


class Contamination(models.TextChoices):
    """How much that does not belong there came with a delivery."""

    NONE = "none", _("none seen")
    LITTLE = "little", _("a little, picked out")
    MUCH = "much", _("much")


class Inspection(Unchangeable):
    """What was seen of one lot of a delivery."""

    entry = models.ForeignKey(Entry, models.PROTECT, related_name="inspections")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="inspections")
    contamination = models.CharField(_("contamination"), max_length=6, choices=Contamination)
    found = models.CharField(_("found"), max_length=200, blank=True)

    class Meta:
        """Once an entry and lot."""

        verbose_name = _("inspection")
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lot", "entry"], name="inspection_once"),
            models.CheckConstraint(
                condition=Q(contamination__in=Contamination.values),
                name="inspection_contamination_known",
            ),
        ]


class Squeeze(models.TextChoices):
    """Moisture felt by squeezing a handful."""

    DUSTY = "dusty", _("dusty: falls apart, feels dry")
    CRUMBLES = "crumbles", _("crumbles: damp, but the ball falls apart")
    HOLDS = "holds", _("holds: a ball that keeps together, a drop or two at most")
    DRIPS = "drips", _("drips: several drops between the fingers")
    RUNS = "runs", _("runs: water streams out")


class Smell(models.TextChoices):
    """What a pile smells of."""

    EARTHY = "earthy", _("earthy")
    NONE = "none", _("of nothing")
    SWEET = "sweet", _("sweet, like silage or fruit")
    SOUR = "sour", _("sour, like vinegar")
    AMMONIA = "ammonia", _("sharp, like ammonia")
    ROTTEN = "rotten", _("rotten, like eggs or meat")
    BURNT = "burnt", _("burnt or smoky")


class Check(Unchangeable):
    """What was seen at a pile; temperatures are :class:`Reading` rows of the same entry."""

    entry = models.OneToOneField(Entry, models.PROTECT, primary_key=True, related_name="check_of")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="checks")
    squeeze = models.CharField(_("squeeze"), max_length=8, choices=Squeeze, blank=True)
    smell = models.CharField(_("smell"), max_length=8, choices=Smell, blank=True)
    pests = models.CharField(_("pests"), max_length=120, blank=True)
    height_m = models.FloatField(_("height"), null=True)
    oxygen_pct = models.FloatField(_("oxygen"), null=True)

    class Meta:
        """What was seen is possible."""

        verbose_name = _("check")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(height_m=None) | Q(height_m__gt=0), name="check_height_positive"
            ),
            models.CheckConstraint(
                condition=Q(oxygen_pct=None) | Q(oxygen_pct__range=(0, 21)),
                name="check_oxygen_possible",
            ),
            models.CheckConstraint(
                condition=Q(squeeze__in=["", *Squeeze.values]), name="check_squeeze_known"
            ),
            models.CheckConstraint(
                condition=Q(smell__in=["", *Smell.values]), name="check_smell_known"
            ),
        ]


class Measurement(Unchangeable):
    """One figure of a laboratory, an oven or a bucket, for a material or for one lot."""

    entry = models.ForeignKey(Entry, models.PROTECT, related_name="measurements")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, related_name="measurements")
    material_id = models.CharField(_("material"), max_length=60, blank=True)
    quantity = models.CharField(_("quantity"), max_length=60)
    comparator = models.CharField(_("comparator"), max_length=1, default="=")
    value = models.FloatField(_("value"))
    unit = models.CharField(_("unit"), max_length=30, blank=True)
    method = models.CharField(_("method"), max_length=120, blank=True)
    laboratory = models.CharField(_("laboratory"), max_length=80, blank=True)

    class Meta:
        """Of a lot or of a material, not both."""

        verbose_name = _("measurement")
        indexes: ClassVar = [
            models.Index(fields=["material_id", "quantity"], name="measurement_of_material")
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=(Q(lot=None) & ~Q(material_id=""))
                | (Q(lot__isnull=False) & Q(material_id="")),
                name="measurement_of_one_thing",
            ),
            models.CheckConstraint(
                condition=Q(comparator__in=["=", "<", ">"]), name="measurement_comparator_known"
            ),
        ]


class Labour(Unchangeable):
    """Hours of work."""

    entry = models.OneToOneField(Entry, models.PROTECT, primary_key=True, related_name="labour")
    hours = models.FloatField(_("person-hours"))
    task = models.CharField(_("task"), max_length=40)
    who = models.CharField(_("who"), max_length=80, blank=True)
    paid = models.BooleanField(_("paid"), default=False)

    class Meta:
        """Hours are positive."""

        verbose_name = _("labour")
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(hours__gt=0), name="labour_hours_positive")
        ]


class Fuel(Unchangeable):
    """Fuel or power spent: litres, or kilowatt-hours of electricity."""

    entry = models.OneToOneField(Entry, models.PROTECT, primary_key=True, related_name="fuel")
    fuel = models.CharField(_("fuel"), max_length=20)
    volume_l = models.FloatField(_("litres"), null=True)
    energy_kwh = models.FloatField(_("kilowatt-hours"), null=True)
    machine = models.CharField(_("machine"), max_length=60, blank=True)

    class Meta:
        """Litres or kilowatt-hours, one of them."""

        verbose_name = _("fuel")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=(Q(volume_l__gt=0) & Q(energy_kwh=None))
                | (Q(energy_kwh__gt=0) & Q(volume_l=None)),
                name="fuel_litres_or_kwh",
            )
        ]


class Weather(Unchangeable):
    """What the rain gauge and thermometer said of a day."""

    entry = models.OneToOneField(Entry, models.PROTECT, primary_key=True, related_name="weather")
    day = models.DateField(_("day"), db_index=True)
    rain_mm = models.FloatField(_("rain"), null=True)
    temp_min_c = models.FloatField(_("lowest temperature"), null=True)
    temp_max_c = models.FloatField(_("highest temperature"), null=True)
    wind_m_s = models.FloatField(_("wind"), null=True)

    class Meta:
        """Rain and wind are not negative; the lowest is not above the highest."""

        verbose_name = _("weather")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(rain_mm=None) | Q(rain_mm__gte=0), name="weather_rain_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(wind_m_s=None) | Q(wind_m_s__gte=0), name="weather_wind_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(temp_min_c=None)
                | Q(temp_max_c=None)
                | Q(temp_min_c__lte=F("temp_max_c")),
                name="weather_lowest_below_highest",
            ),
        ]


class Opening(Unchangeable):
    """A lot that stood when the site's records began; nothing of before is known but this.

    ``start_known``: the entry's own time is when the lot was built or came. Otherwise it is
    only the time from which the site has records of it, and no proof may rest on what was
    before.
    """

    entry = models.OneToOneField(Entry, models.PROTECT, primary_key=True, related_name="opening")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="openings")
    start_known = models.BooleanField(_("it is known when it was built"), default=False)

    class Meta:
        """One lot an entry."""

        verbose_name = _("opening")


class Method(models.TextChoices):
    """How a heap is composted, as the rules part the ways."""

    TURNED = "turned", _("turned")
    AERATED = "aerated", _("static, air is supplied")
    VESSEL = "vessel", _("in a closed vessel")


class Zone(models.TextChoices):
    """What the readings of a site stand for."""

    CORE = "core", _("the core")
    EDGE = "edge", _("the edge")
    BASE = "base", _("the base")
    ALL = "all", _("all of the material")


class Yardstick(Unchangeable):
    """What the site's proofs are judged by from the entry's time on, until the next such entry.

    Each may stay unset: no ``rule_id`` is the usual rule of today's list, no ``method`` turned
    (in a vessel, where it stands in one), no ``probe_error_c`` nothing taken off, no ``zone``
    what the points are called, no ``insulation_cm`` no cover. ``probe_error_typed`` and
    ``insulation_typed`` are what the person wrote.
    """

    entry = models.OneToOneField(Entry, models.PROTECT, primary_key=True, related_name="yardstick")
    rule_id = models.CharField(_("rule"), max_length=40, blank=True)
    method = models.CharField(_("method"), max_length=8, choices=Method, blank=True)
    probe_error_c = models.FloatField(_("probe error"), null=True)
    probe_error_typed = models.CharField(_("probe error as typed"), max_length=40, blank=True)
    zone = models.CharField(_("zone"), max_length=4, choices=Zone, blank=True)
    insulation_cm = models.FloatField(_("insulation"), null=True)
    insulation_typed = models.CharField(_("insulation as typed"), max_length=40, blank=True)

    class Meta:
        """What is set is possible."""

        verbose_name = _("settings of the proofs")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(method__in=["", *Method.values]), name="yardstick_method_known"
            ),
            models.CheckConstraint(
                condition=Q(zone__in=["", *Zone.values]), name="yardstick_zone_known"
            ),
            models.CheckConstraint(
                condition=Q(probe_error_c=None) | Q(probe_error_c__range=(0, 20)),
                name="yardstick_probe_error_possible",
            ),
            models.CheckConstraint(
                condition=Q(insulation_cm=None) | Q(insulation_cm__range=(0, 500)),
                name="yardstick_insulation_possible",
            ),
        ]


class Photo(Unchangeable):
    """A picture of a check. The file is named by its own digest and made anew from what was sent.

    ``digest`` is the SHA-256 of the file in hexadecimal; ``alt`` says what there is to see.
    """

    entry = models.OneToOneField(Entry, models.PROTECT, primary_key=True, related_name="photo")
    digest = models.CharField(_("digest"), max_length=64)
    width_px = models.PositiveIntegerField(_("width"))
    height_px = models.PositiveIntegerField(_("height"))
    alt = models.CharField(_("what it shows"), max_length=200, blank=True)

    class Meta:
        """A picture has a size."""

        verbose_name = _("photo")
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(width_px__gt=0) & Q(height_px__gt=0), name="photo_has_a_size"
            )
        ]
