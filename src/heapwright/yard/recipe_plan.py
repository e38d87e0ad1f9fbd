"""A mix with its amounts, as one page hands it to another, and what it comes to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from django.http import QueryDict
from django.utils.translation import gettext as _

from heapwright.data.mixing import acceptable_limits, water
from heapwright.errors import InputError
from heapwright.files.table import parse_number
from heapwright.science.layers import Layer
from heapwright.science.mixing import PROPERTIES, Limit, Part
from heapwright.science.recipe import Recipe
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.errors import FieldError, NotFoundError
from heapwright.yard.heap_shape import footprint_m2
from heapwright.yard.models import Place
from heapwright.yard.recipe import goals, judge, layers_of
from heapwright.yard.stock import Supply, supply


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A mix with its amounts, as one page hands it to another (``mass.<id>`` in kg)."""

    place: Place
    amounts_kg: Mapping[str, float]
    water_kg: float = 0.0
    limits: Mapping[str, Limit]
    only: tuple[str, ...] = ()

    def query(self) -> str:
        """Return the plan as the query of an address; :func:`plan_of` reads it."""
        said: list[tuple[str, str]] = [("place", self.place.code)]
        said += [(f"mass.{name}", f"{kg:.6g}") for name, kg in self.amounts_kg.items() if kg > 0]
        if self.water_kg > 0:
            said.append(("water_kg", f"{self.water_kg:.6g}"))
        for name, limit in self.limits.items():
            if name in PROPERTIES:
                said += [
                    (f"{side}.{name}", f"{value:.6g}")
                    for side, value in (("least", limit.low), ("most", limit.high))
                    if value is not None
                ]
        return urlencode(said + [("lot", code) for code in self.only])


@dataclass(frozen=True, slots=True)
class Worked:
    """A plan worked out: what it draws on, its properties and its layers."""

    plan: Plan
    of: Supply
    recipe: Recipe
    layers: tuple[Layer, ...]


def plan_of(query: QueryDict) -> Plan:
    """Return the plan that a query states.

    Raises
    ------
    FieldError
        If a figure in it is none, or it states no amount.
    NotFoundError
        If there is no such place.
    """
    place = Place.objects.filter(code=query.get("place", "")).first()
    if place is None:
        raise NotFoundError(
            _("there is no place %(code)s") % {"code": query.get("place", "")}, field="place"
        )

    def figure(name: str) -> float:
        try:
            value = parse_number(query[name])
        except InputError as error:
            raise FieldError(error.message, field=name) from None
        if value < 0:
            raise FieldError(_("this must not be below zero"), field=name)
        return value

    amounts = {name.partition(".")[2]: figure(name) for name in query if name.startswith("mass.")}
    if not any(amounts.values()):
        raise FieldError(_("state at least one amount"), field="mass")
    limits = acceptable_limits()
    for name in PROPERTIES:
        low, high = (
            figure(f"{side}.{name}") if f"{side}.{name}" in query else None
            for side in ("least", "most")
        )
        if low is not None or high is not None:
            limits[name] = Limit(low, high)
    return Plan(
        place=place,
        amounts_kg=amounts,
        water_kg=figure("water_kg") if "water_kg" in query else 0.0,
        limits=limits,
        only=tuple(query.getlist("lot")),
    )


def work_out(plan: Plan, of: Supply | None = None) -> Worked:
    """Return the properties and layers of a plan.

    Raises
    ------
    NotFoundError
        If the plan names what is no longer on hand.
    InputError
        If its amounts hold no solids.
    """
    of = of or supply()
    if plan.only:
        of = of.of_lots(plan.only)
    known = of.by_id()
    for name in plan.amounts_kg:
        if name not in known:
            material = of.library.get(name)
            raise NotFoundError(
                _("%(name)s is not among the stock to use")
                % {"name": material.name if material else name},
                field=name,
            )
    parts = [
        Part(known[name].ingredient, kg) for name, kg in plan.amounts_kg.items() if kg > EMPTY_KG
    ]
    if plan.water_kg > 0:
        parts.append(Part(water(), plan.water_kg))
    recipe = judge(parts, goals(limits=plan.limits))
    return worked(plan, recipe, of)


def worked(plan: Plan, recipe: Recipe, of: Supply) -> Worked:
    """Return a plan with the recipe it came from, laid out in layers."""
    ground_m2 = footprint_m2(plan.place, recipe.mix.volume_m3) if recipe.mix else 0.0
    layers = layers_of(recipe.parts, ground_m2, of) if recipe.parts else []
    return Worked(plan, of, recipe, tuple(layers))
