"""The frame of every use case: who may, once only, all or nothing, and the books still add up.

A use case is a function ``(draft, act)`` that writes one entry; :func:`use_case` turns it into
``(act, by, *, now=None) -> Entry``: it authorises, opens the transaction, answers an act that
was sent before with the entry it made, strikes the entry that this one replaces, and settles
the books at the end.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any, Final, Generic, Protocol, TypeVar
from uuid import UUID, uuid4

from django.core.exceptions import ValidationError
from django.core.serializers.json import DjangoJSONEncoder
from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext as _

from heapwright.people.models import User
from heapwright.yard import ledger, materials
from heapwright.yard.amounts import EMPTY_KG, Amount, Quantity, resolve
from heapwright.yard.errors import FieldError, NotFoundError, RoleError, StockError
from heapwright.yard.ledger import Holding, Moment, Step
from heapwright.yard.models import (
    End,
    Entry,
    Flow,
    Kind,
    Known,
    Lot,
    LotKind,
    Place,
    Source,
    Standing,
)
from heapwright.yard.stages import Course, course

CLOCK_SKEW: Final = timedelta(minutes=10)
"""A phone's clock may run ahead by this much before "when it happened" is refused."""

LETTERS: Final = {
    LotKind.STOCK: "D",
    LotKind.PILE: "K",
    LotKind.COMPOST: "C",
    LotKind.OVERS: "V",
}
"""First letter of a code: one that cannot be taken for a digit on a wet stake."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """What every act states.

    ``id`` is made where the act is written, so that sending it twice is harmless. An act that
    ``replaces`` an entry strikes it for the ``reason`` and takes over the lots it made.
    """

    happened_at: datetime
    id: UUID = field(default_factory=uuid4)
    note: str = ""
    replaces: UUID | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """So much from a lot.

    Without a ``quantity``, all that the lot holds. ``empties`` says that nothing was left
    behind although a quantity is stated; what the books hold beyond it goes to the air.
    """

    lot: str
    quantity: Quantity | None = None
    empties: bool = False


A = TypeVar("A", bound=Act)
A_contra = TypeVar("A_contra", bound=Act, contravariant=True)


class UseCase(Protocol[A_contra]):
    """A use case as pages call it."""

    def __call__(self, act: A_contra, by: User, *, now: datetime | None = None) -> Entry:
        """Write the act's entry, or return the one that it made before."""
        ...


class Draft(Generic[A]):
    """An entry being written: looks up what the act names, adds lines, remembers fields."""

    def __init__(self, entry: Entry, inherits: Collection[Lot] = ()) -> None:
        self.entry = entry
        self.fields: dict[int, str] = {}
        self.changed: set[int] = set()
        self._inherits = list(inherits)
        self._standings: dict[int, Standing] = {}
        self._steps: dict[int, list[Step]] = {}

    @property
    def by(self) -> User:
        """Who records the entry."""
        return self.entry.recorded_by

    @property
    def latest(self) -> datetime:
        """The latest time that anything in the entry may have."""
        return self.entry.recorded_at + CLOCK_SKEW

    @cached_property
    def moment(self) -> Moment:
        """When the act happened, in the order of events."""
        return Moment(self.entry.happened_at, self.entry.id)

    # what the act names

    def lot(self, code: str, field: str, *kinds: LotKind, may_be_empty: bool = False) -> Lot:
        """Return the lot of this code, which must exist then, hold something, be of a kind.

        Raises
        ------
        NotFoundError, FieldError
            If there is no such lot, or it was not made yet, is empty by then, or is another
            kind of thing.
        """
        lot = Lot.objects.filter(code=code).first()
        if lot is None:
            raise NotFoundError(_("there is no lot %(code)s") % {"code": code}, field=field)
        if kinds and lot.kind not in kinds:
            raise FieldError(
                _("%(code)s is %(kind)s; this needs %(wanted)s")
                % {
                    "code": code,
                    "kind": lot.get_kind_display(),
                    "wanted": _(" or ").join(str(kind.label) for kind in kinds),
                },
                field=field,
            )
        of_lot = self.steps(lot)
        if not any(step.standing is not None and step.standing.begins for step in of_lot):
            raise FieldError(
                _("%(code)s was not there yet on %(when)s")
                % {"code": code, "when": ledger.local(self.entry.happened_at)},
                field=field,
            )
        if not may_be_empty and self.holding(lot).mass_kg <= EMPTY_KG:
            raise StockError(
                _("nothing of %(code)s was left on %(when)s")
                % {"code": code, "when": ledger.local(self.entry.happened_at)},
                field=field,
                lot=code,
                there_kg=0.0,
                asked_kg=0.0,
            )
        self.touch(lot, field)
        return lot

    def place(self, code: str, field: str) -> Place:
        """Return the place of this code, or raise NotFoundError."""
        place = Place.objects.filter(code=code).first()
        if place is None:
            raise NotFoundError(_("there is no place %(code)s") % {"code": code}, field=field)
        if place.retired_at and place.retired_at <= self.entry.happened_at:
            raise FieldError(
                _("%(place)s was no longer in use then") % {"place": place.name}, field=field
            )
        return place

    def source(self, code: str, field: str) -> Source:
        """Return the source of this code, or raise NotFoundError."""
        source = Source.objects.filter(code=code).first()
        if source is None:
            raise NotFoundError(_("there is no source %(code)s") % {"code": code}, field=field)
        return source

    # what is there at that moment

    def steps(self, lot: Lot) -> list[Step]:
        """Return what the lot went through before this entry."""
        if lot.id not in self._steps:
            self._steps[lot.id] = ledger.steps([lot.id], at=self.moment)[lot.id]
        return self._steps[lot.id]

    def holding(self, lot: Lot) -> Holding:
        """Return what the lot holds at that moment, this entry's own lines included."""
        held = ledger.holdings(self.steps(lot))
        return held[-1] if held else Holding(self.moment, 0.0, None)

    def course(self, lot: Lot) -> Course:
        """Return how far the lot has come at that moment."""
        return course(self.steps(lot))

    def density(self, lot: Lot) -> float | None:
        """Return the lot's bulk density (kg/m³) at that moment, its material's where unknown."""
        held = self.holding(lot)
        if held.volume_m3 and held.mass_kg > EMPTY_KG:
            return held.mass_kg / held.volume_m3
        named = {name for step in self.steps(lot) for name, _kg in step.sources}
        if len(named) == 1:
            return materials.bulk_density_kg_m3(named.pop(), self.entry.happened_at)
        return None

    # what the act writes

    def touch(self, lot: Lot, field: str = "") -> None:
        """Say that the entry is about this lot."""
        self.fields.setdefault(lot.id, field)

    def new_lot(self, kind: LotKind, code: str = "", field: str = "code") -> Lot:
        """Return a new lot that this entry makes, or one inherited from the replaced entry.

        Raises
        ------
        FieldError
            If the wanted code is taken or is no code.
        """
        lot = self._inherited(kind, code)
        if lot is None and code:
            lot = self._coded(kind, code, field)
        if lot is None:
            top = Lot.objects.filter(kind=kind).aggregate(top=Max("number"))["top"] or 0
            number = top + 1
            while Lot.objects.filter(code=f"{LETTERS[kind]}-{number:03d}").exists():
                number += 1
            lot = Lot.objects.create(code=f"{LETTERS[kind]}-{number:03d}", kind=kind, number=number)
        self.touch(lot, field)
        self.stand(lot, begins=True)
        return lot

    def _inherited(self, kind: LotKind, code: str) -> Lot | None:
        for lot in self._inherits:
            if lot.kind == kind and code in ("", lot.code):
                self._inherits.remove(lot)
                return lot
        return None

    def _coded(self, kind: LotKind, code: str, field: str) -> Lot:
        lot = Lot.objects.filter(code=code).first()
        if lot is not None:
            void = not Standing.objects.filter(ledger.counts(), lot=lot, begins=True).exists()
            if void and lot.kind == kind:
                return lot
            raise FieldError(_("the code %(code)s is taken") % {"code": code}, field=field)
        digits = code.rpartition("-")[2]
        own = code.startswith(f"{LETTERS[kind]}-") and digits.isdecimal() and len(digits) < 7
        lot = Lot(code=code, kind=kind, number=int(digits) if own else 0)
        try:
            lot.full_clean()
        except ValidationError as error:
            raise FieldError(" ".join(error.messages), field=field) from None
        lot.save()
        return lot

    def stand(self, lot: Lot, **said: Any) -> None:
        """Say what is known of the lot after the entry (fields of Standing)."""
        standing = self._standings.setdefault(lot.id, Standing(entry=self.entry, lot=lot))
        for name, value in said.items():
            setattr(standing, name, value)

    def flow(
        self,
        amount: Amount,
        *,
        origin: Lot | Source | End,
        goal: Lot | Place | str | End,
        material_id: str = "",
    ) -> Flow:
        """Write a ledger line; ``goal`` may be a person's name."""
        line = Flow(
            entry=self.entry,
            mass_kg=amount.mass_kg,
            volume_m3=amount.volume_m3,
            known=amount.known,
            as_typed=amount.as_typed,
            material_id=material_id,
        )
        if isinstance(origin, Lot):
            line.from_kind, line.from_lot = End.LOT, origin
        elif isinstance(origin, Source):
            line.from_kind, line.from_source = End.SOURCE, origin
        else:
            line.from_kind = origin
        if isinstance(goal, Lot):
            line.to_kind, line.to_lot = End.LOT, goal
        elif isinstance(goal, Place):
            line.to_kind, line.to_place = End.PLACE, goal
        elif isinstance(goal, End):
            line.to_kind = goal
        else:
            line.to_kind, line.to_person = End.PERSON, goal
        line.save()
        for lot in (origin, goal):
            if isinstance(lot, Lot):
                self.touch(lot)
                self.changed.add(lot.id)
                self._steps.pop(lot.id, None)
        return line

    def take(self, take: Take, lot: Lot, goal: Lot | Place | str | End, field: str) -> Flow:
        """Write the line of a take from a lot, which all of it may be."""
        if take.quantity is None:
            held = self.holding(lot)
            all_of_it = Amount(held.mass_kg, held.volume_m3, Known.COMPUTED, "")
            line = self.flow(all_of_it, origin=lot, goal=goal)
            self.stand(lot, holds_kg=0.0, taken_up_by=line)
            return line
        amount = resolve(take.quantity, self.density(lot), join(field, "quantity"))
        if amount.mass_kg > self.holding(lot).mass_kg + EMPTY_KG and not take.empties:
            raise ledger.not_enough(
                lot,
                self.holding(lot).mass_kg,
                amount.mass_kg,
                self.entry.happened_at,
                join(field, "quantity"),
            )
        line = self.flow(amount, origin=lot, goal=goal)
        if take.empties:
            self.stand(lot, holds_kg=0.0)
        return line

    def finish(self) -> None:
        """Write what was said of the lots and settle the books."""
        Standing.objects.bulk_create(self._standings.values())
        self.entry.lots.set(sorted(self.fields))
        ledger.settle(
            self.changed
            | {lot_id for lot_id, one in self._standings.items() if one.holds_kg is not None},
            by=self.entry,
            fields=self.fields,
        )


def as_sent(act: Act) -> dict[str, Any]:
    """Return the act as JSON values, blanks left out, as the entry keeps it.

    Raises
    ------
    FieldError
        If a number in it is none.
    """

    def plain(value: Any, field: str) -> Any:
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            shown = {
                one.name: getattr(value, one.name)
                for one in dataclasses.fields(value)
                if one.metadata.get("sent", True)
            }
            return {
                name: plain(inner, join(field, name))
                for name, inner in shown.items()
                if not _blank(inner)
            }
        if isinstance(value, list | tuple):
            return [plain(inner, join(field, str(number))) for number, inner in enumerate(value)]
        if isinstance(value, float) and not math.isfinite(value):
            raise FieldError(_("this is not a number"), field=field)
        return value

    sent: dict[str, Any] = json.loads(json.dumps(plain(act, ""), cls=DjangoJSONEncoder))
    return sent


def _blank(value: Any) -> bool:
    return value is None or value is False or value in ("", ())


def join(*parts: str) -> str:
    """Return the dotted name of a field, blank parts left out."""
    return ".".join(part for part in parts if part)


def authorise(by: User, *, lead: bool = False) -> None:
    """Raise RoleError unless the person may write entries (or, with ``lead``, lead).

    Anybody who is no signed-in person of the site may do nothing.
    """
    if not isinstance(by, User) or not by.may_log:
        raise RoleError(_("your account may read but not write entries"))
    if lead and not by.may_lead:
        raise RoleError(_("only a lead may do this"))


def check_time(happened_at: datetime, now: datetime) -> None:
    """Raise FieldError unless the time has a zone and is not in the future."""
    if timezone.is_naive(happened_at):
        raise FieldError(_("state the time with its zone"), field="happened_at")
    if happened_at > now + CLOCK_SKEW:
        raise FieldError(
            _("%(when)s has not come yet") % {"when": ledger.local(happened_at)},
            field="happened_at",
        )


def sent_before(act: Act, kind: Kind) -> Entry | None:
    """Return the entry that this act made before.

    Raises
    ------
    FieldError
        If the id belongs to another act.
    """
    entry = Entry.objects.filter(uuid=act.id).first()
    if entry is not None and (entry.kind != kind or entry.sent != as_sent(act)):
        raise FieldError(_("this id belongs to another entry; make a new one"), field="id")
    return entry


def use_case(
    kind: Kind, *, lead: bool = False
) -> Callable[[Callable[[Draft[A], A], None]], UseCase[A]]:
    """Return the decorator that turns ``(draft, act)`` into a use case of this kind of entry."""

    def decorate(write: Callable[[Draft[A], A], None]) -> UseCase[A]:
        def run(act: A, by: User, *, now: datetime | None = None) -> Entry:
            from heapwright.yard.strike import replace

            authorise(by, lead=lead)
            recorded_at = now or timezone.now()
            with transaction.atomic():
                before = sent_before(act, kind)
                if before is not None:
                    return before
                check_time(act.happened_at, recorded_at)
                replaced, inherits = replace(act, by, recorded_at)
                entry = Entry.objects.create(
                    uuid=act.id,
                    kind=kind,
                    happened_at=act.happened_at,
                    recorded_at=recorded_at,
                    recorded_by=by,
                    note=act.note.strip(),
                    sent=as_sent(act),
                    replaces=replaced,
                )
                draft: Draft[A] = Draft(entry, inherits)
                if replaced is not None:
                    draft.changed.update(replaced.lots.values_list("id", flat=True))
                write(draft, act)
                draft.finish()
                if replaced is not None:
                    ledger.check_begun(draft.changed)
                return entry

        run.__name__ = run.__qualname__ = write.__name__
        run.__doc__ = write.__doc__
        run.__module__ = write.__module__
        return run

    return decorate


def first_lot(entry: Entry, kind: LotKind | None = None) -> Lot:
    """Return the (first) lot that an entry made, such as the pile of a build."""
    made = Lot.objects.filter(standings__entry=entry, standings__begins=True)
    if kind is not None:
        made = made.filter(kind=kind)
    return made.earliest("id")
