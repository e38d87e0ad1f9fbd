"""Mix: build a pile from what is on hand, and add to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from heapwright.data import constant
from heapwright.units import M3_PER_L
from heapwright.yard import materials
from heapwright.yard.acts import Act, Draft, Take, use_case
from heapwright.yard.amounts import VOLUME_MAX_M3, Amount, positive
from heapwright.yard.errors import FieldError
from heapwright.yard.models import End, Kind, Known, Lot, LotKind, Stage

INTO_A_PILE = (LotKind.STOCK, LotKind.OVERS, LotKind.COMPOST, LotKind.PILE)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPile(Act):
    """A new pile: ``takes`` in the order in which they were laid, bottom first.

    ``full`` is False while the filling goes on over days. ``volume_m3`` is the volume of the
    heap where it was measured or worked out; left out, the summed volumes count. ``water_l``
    is what was sprinkled on while building.
    """

    place: str
    takes: tuple[Take, ...]
    code: str = ""
    full: bool = True
    water_l: float = 0.0
    volume_m3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AddToPile(Act):
    """More material on a pile. On a pile that was full this starts the proof again.

    ``full`` says that a filling pile is full now.
    """

    lot: str
    takes: tuple[Take, ...]
    full: bool = False
    water_l: float = 0.0
    volume_m3: float | None = None


@use_case(Kind.BUILD)
def build_pile(draft: Draft[BuildPile], act: BuildPile) -> None:
    """Build a pile at a place from stock (overs, compost) on hand."""
    place = draft.place(act.place, "place")
    pile = draft.new_lot(LotKind.PILE, act.code)
    draft.stand(
        pile,
        place=place,
        cover=place.cover,
        stage=Stage.HOT if act.full else Stage.FILLING,
        raw_added=True,
    )
    _lay(draft, act, pile)


@use_case(Kind.ADD)
def add_to_pile(draft: Draft[AddToPile], act: AddToPile) -> None:
    """Add to a pile; after its filling this starts the proof again."""
    pile = draft.lot(act.lot, "lot", LotKind.PILE)
    filling = draft.course(pile).stage == Stage.FILLING
    if act.full and not filling:
        raise FieldError(_("%(lot)s was full already") % {"lot": pile.code}, field="full")
    draft.stand(pile, raw_added=True, stage=Stage.HOT if act.full else "")
    _lay(draft, act, pile)


def _lay(draft: Draft[Any], act: BuildPile | AddToPile, pile: Lot) -> None:
    """Write the lines into the pile, in the order laid, then the water."""
    if not act.takes:
        raise FieldError(_("from which stock?"), field="takes")
    for number, take in enumerate(act.takes):
        field = f"takes.{number}"
        lot = draft.lot(take.lot, f"{field}.lot", *INTO_A_PILE)
        if lot.id == pile.id:
            raise FieldError(_("a pile cannot be added to itself"), field=f"{field}.lot")
        draft.take(take, lot, pile, field)
    pour(draft, pile, act.water_l, "water_l")
    if act.volume_m3 is not None:
        draft.stand(pile, volume_m3=positive(act.volume_m3, "volume_m3", most=VOLUME_MAX_M3))


def pour(draft: Draft[Any], lot: Lot, litres: float, field: str) -> None:
    """Write the line of water poured on a lot; it fills pores and adds no volume."""
    if litres:
        volume_m3 = positive(litres, field, most=100_000.0) * M3_PER_L
        mass_kg = volume_m3 * constant("water_density_kg_m3").value
        amount = Amount(mass_kg, None, Known.ESTIMATED, "")
        draft.flow(amount, origin=End.WATER, goal=lot, material_id=materials.WATER)
