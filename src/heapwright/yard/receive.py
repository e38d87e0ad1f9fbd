"""Receive: what came in, from whom, and where it waits."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _

from heapwright.yard import materials
from heapwright.yard.acts import Act, Draft, use_case
from heapwright.yard.amounts import Quantity, resolve
from heapwright.yard.errors import FieldError
from heapwright.yard.models import Contamination, Inspection, Kind, LotKind


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryLine:
    """So much of one material, put at one place; it becomes a stock lot of its own.

    ``code`` is the lot's wanted code, the next free one when blank. ``contamination`` and
    ``found`` say what was in it that does not belong there; blank when nobody looked.
    """

    material: str
    quantity: Quantity
    place: str
    code: str = ""
    contamination: str = ""
    found: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiveDelivery(Act):
    """A delivery from a source."""

    source: str
    lines: tuple[DeliveryLine, ...]


@use_case(Kind.DELIVERY)
def receive_delivery(draft: Draft[ReceiveDelivery], act: ReceiveDelivery) -> None:
    """Log a delivery: each line becomes a stock lot at its place."""
    source = draft.source(act.source, "source")
    if not act.lines:
        raise FieldError(_("a delivery has at least one material"), field="lines")
    for number, line in enumerate(act.lines):
        field = f"lines.{number}"
        material_id = materials.check_id(line.material, f"{field}.material")
        density = materials.bulk_density_kg_m3(material_id, act.happened_at)
        amount = resolve(line.quantity, density, f"{field}.quantity")
        place = draft.place(line.place, f"{field}.place")
        lot = draft.new_lot(LotKind.STOCK, line.code, f"{field}.code")
        draft.flow(amount, origin=source, goal=lot, material_id=material_id)
        draft.stand(lot, place=place, cover=place.cover)
        if line.contamination or line.found:
            if line.contamination not in Contamination.values:
                raise FieldError(_("how much of it?"), field=f"{field}.contamination")
            Inspection(
                entry=draft.entry,
                lot=lot,
                contamination=line.contamination,
                found=line.found.strip(),
            ).save()
