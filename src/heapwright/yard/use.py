"""Use: screen a pile, put compost on beds or hand it out, discard."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _

from heapwright.yard.acts import Act, Draft, Take, use_case
from heapwright.yard.amounts import Quantity, resolve
from heapwright.yard.errors import FieldError
from heapwright.yard.models import End, Kind, Lot, LotKind, Place, PlaceKind, Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """What fell through the screen, or over it, and where it was put."""

    place: str
    quantity: Quantity
    code: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen(Act):
    """A pile screened into compost and overs.

    With ``all_of_it`` nothing is left of the pile, and what the books hold beyond the two
    outputs goes to the air; without, the rest stays in the pile.
    """

    lot: str
    compost: Output
    overs: Output | None = None
    all_of_it: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class UseCompost(Act):
    """Compost put on a ``bed`` or taken by a ``person``; without a quantity, all of it."""

    lot: str
    bed: str = ""
    person: str = ""
    quantity: Quantity | None = None
    empties: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Discard(Act):
    """Part (or, without a quantity, all) of a lot disposed of, and why."""

    lot: str
    why: str
    quantity: Quantity | None = None
    empties: bool = False


@use_case(Kind.SCREEN)
def screen(draft: Draft[Screen], act: Screen) -> None:
    """Screen a pile: compost, and overs that go round again."""
    lot = draft.lot(act.lot, "lot", LotKind.PILE, LotKind.COMPOST)
    stage = draft.course(lot).stage or Stage.CURING
    if stage not in (Stage.CURING, Stage.READY):
        raise FieldError(
            _("%(lot)s is %(stage)s; declare it curing or ready before it is screened")
            % {"lot": lot.code, "stage": Stage(stage).label},
            field="lot",
        )
    outputs = [(act.compost, LotKind.COMPOST, stage, "compost")]
    if act.overs is not None:
        outputs.append((act.overs, LotKind.OVERS, "", "overs"))
    for output, kind, new_stage, field in outputs:
        place = draft.place(output.place, f"{field}.place")
        new = draft.new_lot(kind, output.code, f"{field}.code")
        draft.stand(new, place=place, cover=place.cover, stage=new_stage)
        if act.all_of_it:
            amount = resolve(output.quantity, draft.density(lot), f"{field}.quantity")
            draft.flow(amount, origin=lot, goal=new)
        else:
            take = Take(lot=lot.code, quantity=output.quantity)
            draft.take(take, lot, new, field)
    if act.all_of_it:
        draft.stand(lot, holds_kg=0.0)


@use_case(Kind.USE)
def use_compost(draft: Draft[UseCompost], act: UseCompost) -> None:
    """Put compost on a bed, or hand it to a person or group."""
    lot = draft.lot(act.lot, "lot", LotKind.COMPOST, LotKind.PILE, LotKind.OVERS)
    if bool(act.bed) == bool(act.person.strip()):
        raise FieldError(_("on which bed, or taken by whom?"), field="bed")
    if act.bed:
        bed = draft.place(act.bed, "bed")
        if bed.kind not in (PlaceKind.BED, PlaceKind.TRENCH):
            raise FieldError(_("%(place)s is no bed") % {"place": bed.name}, field="bed")
        _take(draft, act, lot, bed)
    else:
        _take(draft, act, lot, act.person.strip())


@use_case(Kind.DISCARD)
def discard(draft: Draft[Discard], act: Discard) -> None:
    """Dispose of part or all of a lot."""
    lot = draft.lot(act.lot, "lot")
    if not act.why.strip():
        raise FieldError(_("say why it is discarded"), field="why")
    _take(draft, act, lot, End.DISPOSAL)


def _take(
    draft: Draft[UseCompost] | Draft[Discard],
    act: UseCompost | Discard,
    lot: Lot,
    goal: Place | str | End,
) -> None:
    take = Take(lot=lot.code, quantity=act.quantity, empties=act.empties)
    draft.take(take, lot, goal, "")
