"""What is on hand for a mix, from the site's own records.

Lots of one material are offered together, the one that has waited longest first, and are
counted in the container in which most of it came. A lot of which something was measured stands
for itself.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from django.utils import timezone

from heapwright.data import storage_life
from heapwright.data.mixing import mix_facts, urgency
from heapwright.data.recipe import StorageLife
from heapwright.errors import NotMeasuredError
from heapwright.science.goals import Stock
from heapwright.science.ingredients import Ingredient, complete, measured, with_measured
from heapwright.science.materials import Material
from heapwright.yard import materials, state
from heapwright.yard.models import Container, Flow, Lot, LotKind, Measurement, Source
from heapwright.yard.state import LotState

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
        name = materials.OVERS if lot.kind == LotKind.OVERS else lot.material_id
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
