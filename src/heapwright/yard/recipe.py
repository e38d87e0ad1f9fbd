"""The recipe on the site's own records: what is on hand, the goals, the lines to write.

Lots of one material are offered together, the one that has waited longest first, and are
counted in the container in which most of it came. A lot of which something was measured stands
for itself. The science is :mod:`heapwright.science.recipe`; nothing is written here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Final
from urllib.parse import urlencode

from django.http import QueryDict
from django.utils import timezone
from django.utils.translation import gettext as _

from heapwright.data import constant, storage_life
from heapwright.data.mixing import (
    acceptable_limits,
    candidates,
    layer_thickness,
    mix_facts,
    preferred_limits,
    urgency,
    water,
)
from heapwright.data.recipe import StorageLife
from heapwright.errors import InputError, NotMeasuredError
from heapwright.files.table import parse_number
from heapwright.science.goals import Goals, Stock
from heapwright.science.ingredients import Ingredient, complete, measured, with_measured
from heapwright.science.layers import Layer, plan_layers
from heapwright.science.materials import Material
from heapwright.science.mixing import PROPERTIES, Limit, Part, mix_of, spread_of
from heapwright.science.recipe import (
    Addition,
    Blocked,
    Recipe,
    additions,
    judged,
    outside_of,
    range_in_words,
    solve,
)
from heapwright.yard import materials, state
from heapwright.yard.acts import Take
from heapwright.yard.amounts import EMPTY_KG, Quantity
from heapwright.yard.errors import FieldError, NotFoundError
from heapwright.yard.models import (
    Container,
    Flow,
    Known,
    Lot,
    LotKind,
    Measurement,
    Place,
    PlaceKind,
    Source,
)
from heapwright.yard.state import LotState

OVERS: Final = "compost_overs"
"""The library's row for what is screened out of compost and goes round again."""

_DAY_S: Final = 86_400.0
_ROUNDING: Final = 0.005  # what a person types is rounded: nearer to all of it than this is all


@dataclass(frozen=True, slots=True)
class WaitingLot:
    """A lot on hand. ``container`` is the one it came in, else the first that its source uses."""

    state: LotState
    material: Material | None
    waited_days: float
    container: Container | None
    weighed_kg_m3: float | None

    @property
    def code(self) -> str:
        """The lot's code."""
        return self.state.code

    @property
    def mass_kg(self) -> float:
        """What the books hold of it."""
        return self.state.mass_kg

    @property
    def keeps(self) -> StorageLife | None:
        """How long its material keeps; None where nobody knows what it is."""
        return None if self.material is None else storage_life(self.material)

    @property
    def left_days(self) -> tuple[float, float] | None:
        """How many days it can still wait in warm and in cool weather; negative when over."""
        if self.keeps is None:
            return None
        return self.keeps.days_warm - self.waited_days, self.keeps.days_cool - self.waited_days


@dataclass(frozen=True, slots=True)
class OnHand:
    """What is on hand of one ingredient, in one or several lots, the oldest first.

    ``ingredient.id`` is the material's id, or that and the lot's code where something was
    measured of this very lot.
    """

    material: Material
    ingredient: Ingredient
    lots: tuple[WaitingLot, ...]
    container: Container | None

    @property
    def id(self) -> str:
        """The ingredient's id."""
        return self.ingredient.id

    @property
    def available_kg(self) -> float:
        """What all its lots hold."""
        return sum(lot.mass_kg for lot in self.lots)

    @property
    def container_kg(self) -> float | None:
        """Mass of a full container of it; None where it has none."""
        if self.container is None:
            return None
        return self.ingredient.bulk_density_kg_m3.typical * self.container.volume_m3

    def settled_kg(self, mass_kg: float) -> float:
        """Return an amount, or all that is there where that was meant but for rounding."""
        near = abs(mass_kg - self.available_kg) <= _ROUNDING * self.available_kg
        return self.available_kg if near else mass_kg

    def stock(self) -> Stock:
        """Return it as the recipe takes it: whole half containers, urgent by its waiting."""
        full_kg, available_kg = self.container_kg, self.available_kg
        half_kg = full_kg / 2 if full_kg and full_kg / 2 <= available_kg else None
        pressing = sum(
            lot.mass_kg * urgency(replace(self.ingredient, id=self.material.id), lot.waited_days)
            for lot in self.lots
        )
        # in steps, so that the same question within the day has the same answer
        return Stock(self.ingredient, available_kg, half_kg, round(pressing / available_kg, 1))


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A lot that cannot enter a mix: the figures that nobody published or measured.

    None are ``missing`` where nobody knows of what it is made.
    """

    lot: WaitingLot
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Supply:
    """What is on hand for the next mix."""

    on_hand: tuple[OnHand, ...]
    left_out: tuple[LeftOut, ...]
    library: Mapping[str, Material]

    def stock(self) -> list[Stock]:
        """Return it as the recipe takes it."""
        return [one.stock() for one in self.on_hand]

    def of_lots(self, codes: Collection[str]) -> Supply:
        """Return what of it these lots hold."""
        kept = []
        for one in self.on_hand:
            lots = tuple(lot for lot in one.lots if lot.code in codes)
            if lots:
                kept.append(replace(one, lots=lots))
        return replace(self, on_hand=tuple(kept))

    def by_id(self) -> dict[str, OnHand]:
        """Return what is on hand by the ingredient's id."""
        return {one.id: one for one in self.on_hand}


def waiting(when: datetime | None = None) -> tuple[WaitingLot, ...]:
    """Return the stock and overs on hand, those that have waited longest first.

    A dozen queries, however much there is.
    """
    return _waiting(state.state_at(when), when, materials.library(when))


def supply(when: datetime | None = None, *, standing: Sequence[LotState] | None = None) -> Supply:
    """Return what is on hand for a mix.

    Parameters
    ----------
    when : datetime, optional
        Now when left out.
    standing : sequence of LotState, optional
        What stood then, where :func:`~heapwright.yard.state.state_at` was asked already.
    """
    known = materials.library(when)
    facts = mix_facts()
    own_figures = set(
        Measurement.objects.filter(
            entry__struck_at=None,
            lot__isnull=False,
            lot__kind__in=(LotKind.STOCK, LotKind.OVERS),
            quantity__in=materials.FIGURES,
        ).values_list("lot_id", flat=True)
    )
    grouped: dict[str, list[WaitingLot]] = defaultdict(list)
    left_out: list[LeftOut] = []
    for lot in _waiting(state.state_at(when) if standing is None else standing, when, known):
        if lot.material is None:
            left_out.append(LeftOut(lot, ()))
        elif lot.state.id in own_figures:
            grouped[f"{lot.material.id}~{lot.code}"].append(lot)
        else:
            grouped[lot.material.id].append(lot)
    on_hand = []
    for name, lots in grouped.items():
        material = lots[0].material
        assert material is not None
        if "~" in name:
            material = materials.of_lot(Lot.objects.get(id=lots[0].state.id), material.id, when)
        try:
            ingredient = replace(complete(_as_weighed(material, lots), facts), id=name)
        except NotMeasuredError:
            left_out += (LeftOut(lot, _missing(material)) for lot in lots)
            continue
        on_hand.append(OnHand(material, ingredient, tuple(lots), _commonest(lots)))
    return Supply(tuple(on_hand), tuple(left_out), known)


def goals(
    *,
    limits: Mapping[str, Limit] | None = None,
    volume_m3: float | None = None,
    water_allowed: bool = True,
    chance: float | None = None,
) -> Goals:
    """Return the goals of a mix: the default ranges, with those that a person states instead."""
    hard = acceptable_limits() | dict(limits or {})
    return Goals(
        limits=hard,
        preferred={
            name: _narrowed(limit, hard.get(name)) for name, limit in preferred_limits().items()
        },
        volume_m3=volume_m3,
        water_allowed=water_allowed,
        chance=chance,
    )


def _narrowed(preferred: Limit, hard: Limit | None) -> Limit:
    """Return the part of a preferred range that is acceptable, or all that is acceptable."""
    if hard is None:
        return preferred
    low = max((v for v in (preferred.low, hard.low) if v is not None), default=None)
    high = min((v for v in (preferred.high, hard.high) if v is not None), default=None)
    return hard if low is not None and high is not None and low > high else Limit(low, high)


def propose(of: Supply, wanted: Goals, *, most_m3: float | None = None) -> Recipe:
    """Return the best mix from what is on hand.

    Parameters
    ----------
    of : Supply
        At least one ingredient.
    wanted : Goals
    most_m3 : float, optional
        Where no volume is wanted: what the place holds. The pile fills it where the stock
        allows, and is else as large as the stock makes well.

    Raises
    ------
    InputError
        If nothing is on hand.
    """
    stock = tuple(of.stock())
    if wanted.volume_m3 is None and most_m3 is not None:
        heaped_m3 = sum(s.usable_kg / s.ingredient.bulk_density_kg_m3.typical for s in stock)
        if heaped_m3 >= most_m3:
            filled = _solved(stock, *_key(replace(wanted, volume_m3=most_m3)))
            if filled.feasible:
                return filled
    return _solved(stock, *_key(wanted))


Ranges = tuple[tuple[str, Limit], ...]


def _key(wanted: Goals) -> tuple[Ranges, Ranges, float | None, bool, float | None]:
    return (
        tuple(wanted.limits.items()),
        tuple(wanted.preferred.items()),
        wanted.volume_m3,
        wanted.water_allowed,
        wanted.chance,
    )


@lru_cache(maxsize=128)
def _solved(
    stock: tuple[Stock, ...],
    limits: Ranges,
    preferred: Ranges,
    volume_m3: float | None,
    water_allowed: bool,
    chance: float | None,
) -> Recipe:
    """Solve once for the same stock and wish; the answer rests on nothing else."""
    wanted = Goals(
        limits=dict(limits),
        preferred=dict(preferred),
        volume_m3=volume_m3,
        water_allowed=water_allowed,
        chance=chance,
    )
    return solve(stock, wanted, mix_facts(), water(), thorough=False)


def judge(parts: Sequence[Part], wanted: Goals) -> Recipe:
    """Return the properties of stated amounts, their spread and what is out of range.

    Raises
    ------
    InputError
        If the parts hold no solids.
    """
    facts = mix_facts()
    mix = mix_of(parts, facts, shrink=wanted.shrink, densities=wanted.densities)
    outside = outside_of(mix, wanted.limits)
    return Recipe(
        feasible=not outside,
        parts=tuple(parts),
        mix=mix,
        spread=spread_of(
            parts, judged(wanted.limits), facts, shrink=wanted.shrink, densities=wanted.densities
        ),
        chance_wanted=wanted.chance or 0.0,
        amount_wanted=mix.volume_m3,
        outside=outside,
        blocked_by=tuple(Blocked(one.property, range_in_words(one.limit)) for one in outside),
    )


def would_mend(of: Supply, wanted: Goals) -> list[Addition]:
    """Return the least additions that would make the wish possible.

    First of what the sources give and the site's own materials; of the whole library where
    none of those mends it.
    """
    near = {name for names in _given().values() for name in names} | {
        one.material.id for one in of.on_hand
    }
    near |= {name for name, one in of.library.items() if one.price_per_tonne is not None}
    prices = {
        one.id: one.price_per_tonne
        for one in of.library.values()
        if one.price_per_tonne is not None
    }
    on_hand = [one.ingredient for one in of.on_hand]
    stock, facts = of.stock(), mix_facts()
    for library in ({name: of.library[name] for name in near & of.library.keys()}, of.library):
        found = additions(
            stock,
            wanted,
            facts,
            candidates(library, facts, on_hand),
            prices_per_tonne=prices,
            most=4,
        )
        if found:
            return found
    return []


def layers_of(parts: Sequence[Part], footprint_m2: float, of: Supply) -> list[Layer]:
    """Return the layers of a mix on a footprint, bottom first."""
    limits, known = layer_thickness(), of.by_id()
    own = {
        one.id: limits.material_m[one.material.id]
        for one in of.on_hand
        if one.material.id in limits.material_m
    }
    halves = {
        part.ingredient.id: full_kg / 2
        for part in parts
        if part.ingredient.id in known
        and (full_kg := known[part.ingredient.id].container_kg)
        and part.mass_kg >= full_kg / 2
    }
    return plan_layers(
        parts,
        footprint_m2,
        replace(limits, material_m={**limits.material_m, **own}),
        half_container_kg=halves,
    )


def takes_of(
    layers: Iterable[Layer], of: Supply, *, gone: Collection[str] = ()
) -> tuple[Take, ...]:
    """Return the lines of a build in the order of its layers, oldest lots first.

    A lot that is used up is taken whole, so that the books say nothing is left of it.

    Parameters
    ----------
    layers : iterable of Layer
    of : Supply
        As the layers were planned from.
    gone : collection of lot codes
        Lots of which nothing was left behind, although the books hold a little more.
    """
    cut = _cut(layers, of)
    last = {code: at for at, (_one, code, _mass_kg) in enumerate(cut)}
    held = {lot.code: lot.mass_kg for one in of.on_hand for lot in one.lots}
    takes = []
    for at, (one, code, mass_kg) in enumerate(cut):
        held[code] -= mass_kg
        final = at == last[code]
        if final and held[code] <= EMPTY_KG:
            takes.append(Take(lot=code))
            continue
        takes.append(
            Take(lot=code, quantity=_quantity(one, mass_kg), empties=final and code in gone)
        )
    return tuple(takes)


def lots_used(masses_kg: Mapping[str, float], of: Supply) -> list[tuple[WaitingLot, float, float]]:
    """Return (lot, kg taken, kg left) of the lots that these amounts draw on."""
    used = []
    for one in of.on_hand:
        wanted_kg = masses_kg.get(one.id, 0.0)
        for lot in one.lots:
            taken_kg = min(lot.mass_kg, wanted_kg)
            if taken_kg > EMPTY_KG:
                used.append((lot, taken_kg, lot.mass_kg - taken_kg))
            wanted_kg -= taken_kg
    return used


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


def footprint_m2(place: Place, volume_m3: float) -> float:
    """Return the ground that a heap stands on: the whole place, or of a lane what it needs.

    A heap in a lane is made as long as it must be to stay within the height limit.
    """
    if place.kind != PlaceKind.LANE:
        return place.width_m * place.depth_m
    return min(volume_m3 / height_limit_m(place), place.width_m * place.depth_m)


def room_m3(place: Place) -> float | None:
    """Return the volume that a place holds within the height limit; None for a lane."""
    if place.kind == PlaceKind.LANE:
        return None
    return place.width_m * place.depth_m * height_limit_m(place)


def height_limit_m(place: Place) -> float:
    """Return how high a heap may stand there: the place's height, and what hands can turn."""
    most_m = constant("max_height_m").value
    return most_m if place.height_m is None else min(place.height_m, most_m)


def _cut(layers: Iterable[Layer], of: Supply) -> list[tuple[OnHand, str, float]]:
    """Return (stock, lot, kg) for each layer, a layer over two lots in two parts."""
    known = of.by_id()
    left = {one.id: [[lot.code, lot.mass_kg] for lot in one.lots] for one in of.on_hand}
    cut: list[tuple[OnHand, str, float]] = []
    for layer in layers:
        wanted_kg = layer.mass_kg
        lots = left[layer.material]
        while wanted_kg > EMPTY_KG:
            code, there_kg = lots[0]
            # the rounding of the sums, and a person who asks for more than the books hold,
            # are the use case's to settle: the last lot takes all that is still asked
            mass_kg = wanted_kg if len(lots) == 1 else min(there_kg, wanted_kg)
            if abs(mass_kg - there_kg) <= EMPTY_KG:
                mass_kg = there_kg
            cut.append((known[layer.material], code, mass_kg))
            wanted_kg -= mass_kg
            lots[0][1] -= mass_kg
            if lots[0][1] <= EMPTY_KG and len(lots) > 1:
                lots.pop(0)
    return cut


def _quantity(one: OnHand, mass_kg: float) -> Quantity:
    volume_m3 = mass_kg / one.ingredient.bulk_density_kg_m3.typical
    if one.container is None:
        return Quantity(mass_kg=mass_kg, volume_m3=volume_m3, known=Known.ESTIMATED)
    count = volume_m3 / one.container.volume_m3
    return Quantity(
        mass_kg=mass_kg,
        volume_m3=volume_m3,
        known=Known.COUNTED,
        as_typed=f"{count:.3g} × {one.container.name}",
    )


def _as_weighed(material: Material, lots: Sequence[WaitingLot]) -> Material:
    """Return a material with the density at which these lots were weighed, where they were."""
    weighed = [lot for lot in lots if lot.weighed_kg_m3]
    known = material.bulk_density_kg_m3
    if not weighed or (known is not None and known.origin == "measured"):
        return material
    volume_m3 = sum(lot.mass_kg / lot.weighed_kg_m3 for lot in weighed if lot.weighed_kg_m3)
    density = sum(lot.mass_kg for lot in weighed) / volume_m3
    facts = mix_facts()
    span = measured(density, facts.measured["bulk_density_kg_m3"], highest=2500.0)
    return with_measured(material, {"bulk_density_kg_m3": span}, facts)


def _missing(material: Material) -> tuple[str, ...]:
    """Return the figures without which a material cannot enter a mix, and which it lacks."""
    missing = [] if material.moisture_pct else ["moisture_pct"]
    known = [material.n_pct_dry, material.c_pct_dry, material.cn]
    if sum(one is not None for one in known) < 2:
        missing.append("n_pct_dry" if material.n_pct_dry is None else "cn")
    return tuple(missing)


def _commonest(lots: Sequence[WaitingLot]) -> Container | None:
    """Return the container in which most of it came."""
    held: dict[Container | None, float] = defaultdict(float)
    for lot in lots:
        held[lot.container] += lot.mass_kg
    return max(held, key=lambda one: held[one])


def _given() -> dict[str, list[str]]:
    return dict(Source.objects.filter(retired_at=None).values_list("code", "material_ids"))


def _waiting(
    standing: Sequence[LotState], when: datetime | None, known: Mapping[str, Material]
) -> tuple[WaitingLot, ...]:
    lots = [one for one in standing if one.kind in (LotKind.STOCK, LotKind.OVERS)]
    brought = _deliveries(lots)
    containers = {one.code: one for one in Container.objects.all()}
    usual = _usual_containers(lots)
    now = when or timezone.now()
    found = []
    for lot in lots:
        name = OVERS if lot.kind == LotKind.OVERS else lot.material_id
        in_code, weighed = brought.get(lot.id, ("", None))
        found.append(
            WaitingLot(
                state=lot,
                material=known.get(name),
                waited_days=(now - lot.begun_at).total_seconds() / _DAY_S,
                container=containers.get(in_code) or usual.get(lot.source),
                weighed_kg_m3=weighed,
            )
        )
    return tuple(sorted(found, key=lambda one: one.state.begun_at))


def _deliveries(lots: Sequence[LotState]) -> dict[int, tuple[str, float | None]]:
    """Return by lot the code of the container it came in and the density it was weighed at."""
    ids = [lot.id for lot in lots]
    entries = Flow.objects.filter(
        to_lot__in=ids, from_source__isnull=False, entry__struck_at=None
    ).values("entry")
    lines: dict[int, list[Flow]] = defaultdict(list)
    for flow in (
        Flow.objects.filter(entry__in=entries, from_source__isnull=False, corrects=None)
        .select_related("entry")
        .order_by("id")
    ):
        lines[flow.entry_id].append(flow)
    found: dict[int, tuple[str, float | None]] = {}
    for flows in lines.values():
        for flow, said in zip(flows, flows[0].entry.sent.get("lines", ()), strict=False):
            stated = said.get("quantity", {})
            weighed = stated.get("mass_kg") and (stated.get("container") or stated.get("volume_m3"))
            density = flow.mass_kg / flow.volume_m3 if weighed and flow.volume_m3 else None
            if flow.to_lot_id is not None:
                found[flow.to_lot_id] = (stated.get("container", ""), density)
    return found


def _usual_containers(lots: Sequence[LotState]) -> dict[str, Container]:
    sources = Source.objects.filter(code__in={lot.source for lot in lots}).prefetch_related(
        "containers"
    )
    usual = {}
    for source in sources:
        used = [one for one in source.containers.all() if one.retired_at is None]
        if used:
            usual[source.code] = used[0]
    return usual
