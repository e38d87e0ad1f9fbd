"""Quantities as people state them: a weight, a volume, or so many of a container."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from django.utils.translation import gettext as _

from heapwright.yard.errors import FieldError, NotFoundError
from heapwright.yard.models import Container, Known

MASS_MAX_KG: Final = 1_000_000.0
VOLUME_MAX_M3: Final = 5_000.0
EMPTY_KG: Final = 1e-6
"""A lot that holds less than a milligram holds nothing: the rest is rounding of the sums."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """How much, as a person states it.

    One of: ``mass_kg``; ``volume_m3``; ``container`` with ``count`` (halves allowed). Mass and
    one of the others may both be given; the mass then counts and the volume is kept beside it.
    ``known`` is a :class:`~heapwright.yard.models.Known`; blank takes *counted* for containers,
    *measured* for a volume, *estimated* for a bare mass. ``as_typed`` is what the person wrote.
    """

    mass_kg: float | None = None
    volume_m3: float | None = None
    container: str = ""
    count: float | None = None
    known: str = ""
    as_typed: str = ""


@dataclass(frozen=True, slots=True)
class Amount:
    """A quantity as the ledger keeps it."""

    mass_kg: float
    volume_m3: float | None
    known: str
    as_typed: str


def positive(value: float, field: str, *, most: float = math.inf) -> float:
    """Return ``value`` when it is a finite number above zero and at most ``most``.

    Raises
    ------
    FieldError
        Otherwise.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise FieldError(_("this is not a number"), field=field)
    if value <= 0:
        raise FieldError(_("this must be more than zero"), field=field)
    if value > most:
        raise FieldError(
            _("%(value)g is more than a site can hold") % {"value": value}, field=field
        )
    return float(value)


def between(value: float, low: float, high: float, field: str) -> float:
    """Return ``value`` when it is a finite number from ``low`` to ``high``.

    Raises
    ------
    FieldError
        Otherwise.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise FieldError(_("this is not a number"), field=field)
    if not low <= value <= high:
        raise FieldError(
            _("%(value)g lies outside %(low)g to %(high)g")
            % {"value": value, "low": low, "high": high},
            field=field,
        )
    return float(value)


def resolve(quantity: Quantity, density_kg_m3: float | None, field: str) -> Amount:
    """Return mass and volume of a quantity.

    Parameters
    ----------
    quantity : Quantity
        What the person stated.
    density_kg_m3 : float or None
        Bulk density that turns one into the other; None when nobody knows it.
    field : str
        Where the quantity stands in the act, for the error.

    Raises
    ------
    FieldError
        If nothing or a contradiction is stated, or a volume whose density nobody knows.
    NotFoundError
        If there is no such container.
    """
    volume_m3 = quantity.volume_m3
    known = Known.MEASURED
    if quantity.container:
        if volume_m3 is not None:
            raise FieldError(
                _("state a volume or containers, not both"), field=f"{field}.volume_m3"
            )
        if quantity.count is None:
            raise FieldError(_("how many containers?"), field=f"{field}.count")
        container = Container.objects.filter(code=quantity.container).first()
        if container is None:
            raise NotFoundError(
                _("there is no container %(code)s") % {"code": quantity.container},
                field=f"{field}.container",
            )
        volume_m3 = positive(quantity.count, f"{field}.count", most=10_000) * container.volume_m3
        known = Known.COUNTED
    elif quantity.count is not None:
        raise FieldError(_("of which container?"), field=f"{field}.container")
    if volume_m3 is not None:
        volume_m3 = positive(volume_m3, f"{field}.volume_m3", most=VOLUME_MAX_M3)
    if quantity.mass_kg is not None:
        mass_kg = positive(quantity.mass_kg, f"{field}.mass_kg", most=MASS_MAX_KG)
        known = Known.ESTIMATED
        if volume_m3 is None and density_kg_m3:
            volume_m3 = mass_kg / density_kg_m3
    elif volume_m3 is None:
        raise FieldError(_("how much? State a weight, a volume or containers"), field=field)
    elif not density_kg_m3:
        raise FieldError(
            _("nobody knows how heavy a cubic metre of this is; state its weight"),
            field=f"{field}.mass_kg",
        )
    else:
        mass_kg = positive(volume_m3 * density_kg_m3, f"{field}.volume_m3", most=MASS_MAX_KG)
    if quantity.known and quantity.known not in Known.values:
        raise FieldError(_("this is not a way of knowing"), field=f"{field}.known")
    return Amount(mass_kg, volume_m3, quantity.known or known.value, quantity.as_typed)
