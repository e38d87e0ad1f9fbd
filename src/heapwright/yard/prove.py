"""Prove: samples, laboratory results, and the log of a lot as the proof needs it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np
from django.utils.translation import gettext as _

from heapwright.data.library import POSSIBLE
from heapwright.data.sanitation import terms
from heapwright.files.log import zone_clock
from heapwright.science.daily import Act as LogAct
from heapwright.science.daily import Event, Log, Readings
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Proof, Stated, evaluate
from heapwright.yard import ledger, materials
from heapwright.yard.acts import Act, Draft, join, use_case
from heapwright.yard.amounts import between
from heapwright.yard.errors import FieldError
from heapwright.yard.ledger import Moment
from heapwright.yard.models import (
    Cover,
    Entry,
    Flow,
    Kind,
    Lot,
    Measurement,
    Opening,
    Reading,
    Site,
    Standing,
)
from heapwright.yard.models.readings import NO_DEPTH_CM
from heapwright.yard.readings import Columns


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeSample(Act):
    """A sample taken of a lot: what its bag is called and what it is for."""

    lot: str
    label: str
    purpose: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One figure of a result: ``quantity`` as the tables of facts name it (``moisture_pct``)."""

    quantity: str
    value: float
    comparator: str = "="
    unit: str = ""
    method: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogResult(Act):
    """Figures of a laboratory or of a field test, of a ``lot`` or of a ``material``.

    Moisture, nitrogen, carbon, C:N, volatile solids and bulk density of a material override
    the library from then on; of a lot, only for that lot.
    """

    results: tuple[Result, ...]
    lot: str = ""
    material: str = ""
    sample: str = ""
    laboratory: str = ""


@use_case(Kind.SAMPLE)
def take_sample(draft: Draft[TakeSample], act: TakeSample) -> None:
    """Log that a sample was taken."""
    draft.lot(act.lot, "lot")
    if not act.label.strip():
        raise FieldError(_("what does the bag say?"), field="label")


@use_case(Kind.LAB)
def log_result(draft: Draft[LogResult], act: LogResult) -> None:
    """Log the figures of a laboratory or field test."""
    if bool(act.lot) == bool(act.material):
        raise FieldError(_("of a lot or of a material?"), field="lot")
    if not act.results:
        raise FieldError(_("state at least one figure"), field="results")
    lot = draft.lot(act.lot, "lot", may_be_empty=True) if act.lot else None
    material_id = materials.check_id(act.material, "material") if act.material else ""
    for number, result in enumerate(act.results):
        field = join("results", str(number))
        if not result.quantity.strip():
            raise FieldError(_("which figure?"), field=join(field, "quantity"))
        if result.comparator not in ("=", "<", ">"):
            raise FieldError(_("this is none of =, <, >"), field=join(field, "comparator"))
        low, high = POSSIBLE.get(result.quantity, (-1e12, 1e12))
        Measurement(
            entry=draft.entry,
            lot=lot,
            material_id=material_id,
            quantity=result.quantity.strip(),
            comparator=result.comparator,
            value=between(result.value, low, high, join(field, "value")),
            unit=result.unit,
            method=result.method,
            laboratory=act.laboratory.strip(),
        ).save()


@dataclass(frozen=True, slots=True)
class Span:
    """A lot from one moment until another (None: until now)."""

    lot_id: int
    since: Moment
    until: Moment | None


Strand = tuple[Span, ...]
"""The spans that one log is made of, the oldest first."""


_LAST_ENTRY: Final = 2**63 - 1
"""Above every id of an entry: a moment with it comes after all that happened at its time."""


def strands(lot: Lot, as_of: datetime | None = None) -> tuple[Strand, ...]:
    """Return the logs that together prove a lot: it is proven when each of them is.

    A pile has one. A part that was divided off, and compost that was screened, carry the log
    of the pile they came from. Where piles past their heat were put together without raw
    material, each must have been proven, so each brings its own; with raw material the proof
    starts again for the whole, in one.

    ``as_of`` leaves out what happened after that time. What is left is what is known *now*
    about then: entries that were written later count and those struck since do not, as in
    :func:`heapwright.yard.state.state_at`; :func:`written_later` says how many there are.
    """
    until = None if as_of is None else Moment(as_of, _LAST_ENTRY)
    return tuple(dict.fromkeys(_strands(lot.id, until)))


def _strands(lot_id: int, until: Moment | None) -> list[Strand]:
    steps = ledger.steps([lot_id], at=until)[lot_id]
    if not steps:
        return []
    found: list[Strand] = [(Span(lot_id, steps[0].moment, until),)]
    for step in steps:
        said = step.standing
        begins = said is not None and said.begins
        if begins and step.kind not in (Kind.DIVIDE, Kind.SCREEN, Kind.COMBINE):
            continue
        if step.kind == Kind.COMBINE and (said is None or said.raw_added):
            found = [(Span(lot_id, steps[0].moment, until),)]
            continue
        if not (begins or step.kind == Kind.COMBINE):
            continue
        came_from = (
            Flow.objects.filter(entry_id=step.moment.entry_id, to_lot=lot_id)
            .exclude(from_lot=None)
            .order_by("id")
            .values_list("from_lot_id", flat=True)
        )
        brought = [
            (*strand, Span(lot_id, step.moment, until))
            for other in dict.fromkeys(came_from)
            for strand in _strands(other, step.moment)
        ]
        found = brought if begins else found + brought
    return found


def lot_log(lot: Lot, strand: Strand | None = None, *, as_of: datetime | None = None) -> Log:
    """Return a log as :func:`heapwright.science.sanitation.evaluate` takes it.

    Parameters
    ----------
    lot : Lot
        A pile, or compost.
    strand : Strand, optional
        One of :func:`strands`; the first when left out, which is the only one unless piles
        past their heat were put together.
    as_of : datetime, optional
        Without a strand: only what happened until then (see :func:`strands`).
    """
    if strand is None:
        found = strands(lot, as_of)
        strand = found[0] if found else ()
    acts: list[LogAct] = []
    parts: list[Columns] = []
    for number, span in enumerate(strand):
        acts += _acts(span, first=number == 0)
        parts.append(_readings(span))
    columns = Columns.join(parts)
    order = np.argsort(columns.time_s, kind="stable")
    columns = columns[order]
    times = [act.time_s for act in acts] + columns.time_s.tolist()[:: max(len(columns) - 1, 1)]
    return Log(
        readings=Readings(
            time_s=columns.time_s,
            point=columns.point,
            temp_c=columns.temp_c,
            depth_cm=np.where(columns.depth_cm == NO_DEPTH_CM, np.nan, columns.depth_cm),
            points=columns.points,
        ),
        acts=tuple(sorted(acts, key=lambda act: act.time_s)),
        clock=zone_clock(Site.load().zone, min(times, default=0), max(times, default=0)),
    )


_EVENTS: Final[dict[str, Event]] = {
    Kind.BUILD: "built",
    Kind.OPENING: "built",
    Kind.ADD: "added",
    Kind.TURN: "turned",
    Kind.MOVE: "moved",
    Kind.COMBINE: "combined",
    Kind.COVER: "covered",
}


def _acts(span: Span, *, first: bool) -> list[LogAct]:
    """Return what was done to a lot within a span, in the words of the proof."""
    touched = Entry.objects.filter(lots=span.lot_id, struck_at=None, kind__in=_EVENTS)
    said = {
        one.entry_id: one for one in Standing.objects.filter(lot=span.lot_id, entry__in=touched)
    }
    unknown = set(
        Opening.objects.filter(lot=span.lot_id, start_known=False).values_list(
            "entry_id", flat=True
        )
    )
    acts = []
    for entry in touched.order_by("happened_at", "id"):
        moment = Moment(entry.happened_at, entry.id)
        if moment < span.since or (span.until is not None and moment > span.until):
            continue
        if entry.id in unknown:
            continue  # nobody knows when it was built
        standing = said.get(entry.id)
        event = _EVENTS[entry.kind]
        begins = standing is not None and standing.begins
        if begins:
            event = "built"
            if not first:
                continue
        elif entry.kind in (Kind.BUILD, Kind.ADD, Kind.COMBINE) and (
            standing is None or not standing.raw_added
        ):
            continue  # it gave material, or what came had left its heat behind
        if event == "covered" and (standing is None or standing.cover in ("", Cover.OPEN)):
            continue
        acts.append(LogAct(int(entry.happened_at.timestamp()), event))
    return acts


def _readings(span: Span) -> Columns:
    rows = Reading.objects.filter(
        lot=span.lot_id, struck=False, time_s__gte=int(span.since.happened_at.timestamp())
    )
    if span.until is not None:
        rows = rows.filter(time_s__lte=int(span.until.happened_at.timestamp()))
    return Columns.of_rows(
        rows.order_by("time_s", "point", "depth_cm").values_list(
            "time_s", "point", "depth_cm", "temp_c"
        )
    )


@dataclass(frozen=True, slots=True)
class Opened:
    """That the lot whose log it is stood when the records began, and what was known then."""

    at: datetime
    start_known: bool
    raw: bool


@dataclass(frozen=True, slots=True, eq=False)
class LotLog:
    """A log of a lot, and whether it begins with a lot that stood when the records began."""

    log: Log
    opened: Opened | None = None

    def judged(
        self, rules: Sequence[Rule], stated: Stated, log: Log | None = None
    ) -> tuple[Proof, ...]:
        """Judge the log (or ``log``, the same with days that went by unread) by each rule."""
        log = log or self.log
        return tuple(self.honest(one, log) for one in evaluate(log, rules, stated, terms()))

    def honest(self, proof: Proof, log: Log | None = None) -> Proof:
        """Say in a proof that the lot stood when the records began, and what follows from it.

        Where nobody knows when it was built, or where it was past its heat then, the log holds
        only a part of what it went through. What was logged since may meet the rule by itself;
        if it does not, the rule cannot be shown, whatever it looks like. Raw material that came
        since starts the proof again, from a time that is known.
        """
        opened = self.opened
        if opened is None:
            return proof
        said = _("It stood there when the site's records began, on %(day)s.") % {
            "day": ledger.local(opened.at)
        }
        known = opened.start_known and opened.raw
        again = any(act.kind in ("added", "combined") for act in (log or self.log).acts)
        if known or again:
            said += " " + _("What was read before counts only where it was entered.")
            return replace(proof, notes=(said, *proof.notes))
        said += " " + (
            _("When it was built and what was put on it before is not in the records;")
            if not opened.start_known
            else _("It was past its heat then;")
        )
        said += " " + _("nothing of before counts.")
        if proof.verdict == "met":
            return replace(proof, notes=(said, *proof.notes))
        return replace(proof, verdict="cannot be shown", gaps=(said, *proof.gaps))


def lot_logs(lot: Lot, as_of: datetime | None = None) -> tuple[LotLog, ...]:
    """Return the logs that together prove a lot, ready to be judged (see :func:`strands`)."""
    return tuple(LotLog(lot_log(lot, one), _opened(one)) for one in strands(lot, as_of))


def _opened(strand: Strand) -> Opened | None:
    first = strand[0]
    found = (
        Opening.objects.filter(lot=first.lot_id, entry=first.since.entry_id)
        .select_related("entry")
        .first()
    )
    if found is None:
        return None
    raw = Standing.objects.filter(lot=first.lot_id, entry=found.entry, raw_added=True).exists()
    return Opened(found.entry.happened_at, found.start_known, raw)


@dataclass(frozen=True, slots=True)
class Later:
    """How the log of a past day differs from what was written by then.

    ``written`` entries about that time were written after it; ``struck`` ones that stood then
    were struck since.
    """

    written: int
    struck: int


def written_later(lot: Lot, as_of: datetime) -> Later:
    """Return how many entries of the lot's logs were written, or struck, after ``as_of``."""
    lots = {span.lot_id for strand in strands(lot, as_of) for span in strand} | {lot.id}
    about = Entry.objects.filter(lots__in=lots, happened_at__lte=as_of).distinct()
    return Later(
        written=about.filter(recorded_at__gt=as_of, struck_at=None).count(),
        struck=about.filter(recorded_at__lte=as_of, struck_at__gt=as_of).count(),
    )
