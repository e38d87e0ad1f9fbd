"""Receive: what came in, from whom, and where it waits; what stood when the records began."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _

from heapwright.yard import materials
from heapwright.yard.acts import Act, Draft, use_case
from heapwright.yard.amounts import Amount, Quantity, between, resolve
from heapwright.yard.errors import FieldError
from heapwright.yard.models import (
    Contamination,
    Cover,
    End,
    Inspection,
    Kind,
    LotKind,
    Opening,
    Stage,
)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningPart:
    """A material in what stood there; ``share_pct`` of its mass, all of it when left out."""

    material: str
    share_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenLot(Act):
    """A lot that stood when the site's records began.

    Parameters
    ----------
    kind : str
        A :class:`~heapwright.yard.models.LotKind`.
    place : str
    quantity : Quantity
        What stood there at the time of the act.
    materials : tuple of OpeningPart
        What it is made of, as far as anybody knows. Stock has just one.
    stage : str
        Of a pile or compost. *Filling* and *hot* say that there is raw material in it; *curing*
        and *ready* that there is none, as far as the site knows.
    start_known : bool
        The time of the act is when it was built or came; else only when the records begin.
    bulk_density_kg_m3 : float, optional
        From a bucket that was weighed, where only a volume is known.
    """

    kind: str
    place: str
    quantity: Quantity
    materials: tuple[OpeningPart, ...] = ()
    stage: str = ""
    start_known: bool = False
    cover: str = ""
    code: str = ""
    bulk_density_kg_m3: float | None = None


@use_case(Kind.OPENING, lead=True)
def open_lot(draft: Draft[OpenLot], act: OpenLot) -> None:
    """Enter a lot that stood when the records began; nothing of before is known but this."""
    if act.kind not in LotKind.values:
        raise FieldError(_("what is it?"), field="kind")
    kind = LotKind(act.kind)
    stage = _opening_stage(kind, act.stage)
    if act.cover and act.cover not in Cover.values:
        raise FieldError(_("with what?"), field="cover")
    place = draft.place(act.place, "place")
    shares = _shares(kind, act.materials)
    amount = resolve(act.quantity, _opening_density(act, kind, shares), "quantity")
    lot = draft.new_lot(kind, act.code)
    for material_id, share in shares:
        draft.flow(
            Amount(
                amount.mass_kg * share,
                None if amount.volume_m3 is None else amount.volume_m3 * share,
                amount.known,
                amount.as_typed,
            ),
            origin=End.OPENING,
            goal=lot,
            material_id=material_id,
        )
    draft.stand(
        lot,
        place=place,
        cover=act.cover or place.cover,
        stage=stage,
        raw_added=stage in (Stage.FILLING, Stage.HOT),
    )
    Opening(entry=draft.entry, lot=lot, start_known=act.start_known).save()


def _opening_stage(kind: LotKind, stage: str) -> str:
    if kind in (LotKind.STOCK, LotKind.OVERS):
        if stage:
            raise FieldError(_("only a pile or compost has come so far"), field="stage")
        return ""
    allowed = Stage.values if kind == LotKind.PILE else (Stage.CURING.value, Stage.READY.value)
    if stage not in allowed:
        raise FieldError(_("how far has it come?"), field="stage")
    return stage


def _shares(kind: LotKind, parts: tuple[OpeningPart, ...]) -> list[tuple[str, float]]:
    """Return each material with its share of the mass; blank stands for what nobody knows."""
    if kind == LotKind.STOCK and len(parts) != 1:
        raise FieldError(_("stock is of one material"), field="materials")
    found: list[tuple[str, float]] = []
    for number, part in enumerate(parts):
        field = f"materials.{number}"
        material_id = materials.check_id(part.material, f"{field}.material")
        if material_id in dict(found):
            raise FieldError(_("this material is named twice"), field=f"{field}.material")
        if part.share_pct is None and len(parts) > 1:
            raise FieldError(_("about how much of it, in per cent?"), field=f"{field}.share_pct")
        percent = 100.0 if part.share_pct is None else part.share_pct
        found.append((material_id, between(percent, 0.1, 100.0, f"{field}.share_pct") / 100.0))
    rest = 1.0 - sum(share for _name, share in found)
    if rest < -1e-9:
        raise FieldError(
            _("the shares come to %(sum).4g %%, more than all of it")
            % {"sum": 100.0 * (1.0 - rest)},
            field=f"materials.{len(parts) - 1}.share_pct",
        )
    if kind == LotKind.STOCK and rest > 1e-9:
        raise FieldError(_("stock is of one material"), field="materials.0.share_pct")
    return [*found, ("", rest)] if rest > 1e-9 else found


def _opening_density(act: OpenLot, kind: LotKind, shares: list[tuple[str, float]]) -> float | None:
    """Return the bulk density: weighed, or of the materials where all of them are known.

    What is composted already is no longer as dense as what went in, so of that only a weighed
    bucket tells.
    """
    if act.bulk_density_kg_m3 is not None:
        return between(act.bulk_density_kg_m3, 10.0, 2500.0, "bulk_density_kg_m3")
    raw = kind == LotKind.STOCK or act.stage in (Stage.FILLING, Stage.HOT)
    if not raw:
        return None
    volume = 0.0
    for material_id, share in shares:
        density = materials.bulk_density_kg_m3(material_id, act.happened_at)
        if not material_id or not density:
            return None
        volume += share / density
    return 1.0 / volume if volume else None
