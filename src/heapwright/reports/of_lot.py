"""The sheets of the site's own lots, filled from its records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from django.utils import timezone

from heapwright.data.sanitation import rules
from heapwright.reports.label import Label, LabelSheet, labels, what_of
from heapwright.reports.log_sheet import POINTS_MOST, LoggedPile, LogSheet, log_sheet
from heapwright.reports.measures import Units
from heapwright.reports.printing import Paper
from heapwright.reports.proof_sheet import MadeOf, ProofSheet, from_proof, proof_sheet
from heapwright.science.ingredients import WATER
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Stated
from heapwright.yard import materials, prove, trace
from heapwright.yard.errors import FieldError, NotFoundError
from heapwright.yard.models import Lot, LotKind, Site, Source
from heapwright.yard.points import usual_points
from heapwright.yard.state import LotState, state_at
from heapwright.yard.today import in_vessel
from heapwright.yard.yardstick import in_force, in_words


def proof_pdf(
    lot_code: str,
    rule_id: str,
    *,
    paper: Paper,
    units: Units,
    stated: Stated | None = None,
    as_of: datetime | None = None,
    now: datetime | None = None,
) -> bytes:
    """Return the proof of a lot by a rule, now or as of a past time.

    Parameters
    ----------
    lot_code : str
        A pile, or compost made of one.
    rule_id : str
        As the table of rules names it: ``NY-W``.
    paper : {"a4", "letter"}
    units : {"us", "metric"}
    stated : Stated, optional
        Method, cover, probe error, zone and points that a person states beside the log; what
        the site has set when left out.
    as_of : datetime, optional
        Only what happened until then, as it is known now, under the settings of then.
    now : datetime, optional
        When it is printed; the present when left out.

    Raises
    ------
    NotFoundError
        If there is no such lot or rule.
    FieldError
        If the lot is stock: nothing has been composted yet.
    """
    now = now or timezone.now()
    lot, rule, site = _lot(lot_code), _rule(rule_id), Site.load()
    if lot.kind not in (LotKind.PILE, LotKind.COMPOST):
        raise FieldError(
            f"{lot.code} is {lot.get_kind_display()}; a proof is for a pile or compost", field="lot"
        )
    logs, yardstick = prove.lot_logs(lot, as_of), in_force(as_of)
    state = _states([lot], as_of).get(lot.code)
    said = stated or yardstick.stated(rule, vessel=state is not None and in_vessel(state))
    sheet = ProofSheet(
        site=site.name,
        lot_code=lot.code,
        place=_place(state),
        printed_at=now.astimezone(site.tz),
        logs=tuple(from_proof(one.judged([rule], said)[0], one.log) for one in logs),
        made_of=made_of(lot, as_of),
        zone=site.zone,
        as_of=None if as_of is None else as_of.astimezone(site.tz).date(),
        later=_later(lot, as_of),
        settings=in_words(yardstick),
    )
    return proof_sheet(sheet, paper=paper, units=units)


def usual(
    lot_code: str, rule_id: str = "", *, as_of: datetime | None = None
) -> tuple[Rule, Stated]:
    """Return the rule for a lot (the site's when none is named) and what is stated by itself.

    Raises
    ------
    NotFoundError
        If there is no such lot or rule.
    """
    yardstick = in_force(as_of)
    state = _states([_lot(lot_code)], as_of).get(lot_code)
    vessel = state is not None and in_vessel(state)
    rule = _rule(rule_id) if rule_id else yardstick.rule(vessel=vessel)
    return rule, yardstick.stated(rule, vessel=vessel)


def _later(lot: Lot, as_of: datetime | None) -> tuple[int, int]:
    if as_of is None:
        return (0, 0)
    found = prove.written_later(lot, as_of)
    return (found.written, found.struck)


def log_sheet_pdf(
    lot_codes: Sequence[str],
    *,
    paper: Paper,
    units: Units,
    rule_id: str = "",
    urls: Mapping[str, str] | None = None,
    points: int = POINTS_MOST,
    as_round: bool = False,
    now: datetime | None = None,
) -> bytes:
    """Return blank log sheets: a page for each lot, or one row for each on a shared page.

    Parameters
    ----------
    lot_codes : sequence of str
        None of them: a sheet with room to write the code.
    rule_id : str, optional
        The rule whose needs are printed on the sheet.
    urls : mapping of lot code to str, optional
        The address of each lot's entry form, for the square code.
    points : int
        Columns of temperatures, 1 to 5.
    as_round : bool
        One row a lot, for a walk around all of them.

    Raises
    ------
    NotFoundError
        If there is no such lot or rule.
    """
    now = now or timezone.now()
    site, rule = Site.load(), _rule(rule_id) if rule_id else None
    lots = [_lot(code) for code in lot_codes]
    states = _states(lots)
    piles = tuple(
        LoggedPile(
            lot.code,
            _place(states.get(lot.code)),
            (urls or {}).get(lot.code, ""),
            rule,
            tuple(usual_points(lot.id, points).items()),
        )
        for lot in lots
    )
    sheet = LogSheet(
        site=site.name,
        piles=piles or (LoggedPile(rule=rule),),
        printed_at=now.astimezone(site.tz),
        points=points,
        as_round=as_round,
    )
    return log_sheet(sheet, paper=paper, units=units)


def label_pdf(
    lot_codes: Sequence[str],
    *,
    paper: Paper,
    urls: Mapping[str, str] | None = None,
    now: datetime | None = None,
) -> bytes:
    """Return stake labels of lots, four to a page; a single one fills the page.

    Parameters
    ----------
    lot_codes : sequence of str
    paper : {"a4", "letter"}
    urls : mapping of lot code to str, optional
        The address of each lot's entry form, for the square code.

    Raises
    ------
    NotFoundError
        If there is no such lot.
    InputError
        If no lot is named.
    """
    site, lots = Site.load(), [_lot(code) for code in lot_codes]
    states = _states(lots)

    def begun(state: LotState | None) -> date | None:
        return None if state is None else state.begun_at.astimezone(site.tz).date()

    sheet = LabelSheet(
        site=site.name,
        labels=tuple(
            Label(
                code=lot.code,
                what=what_of(lot.kind),
                place=_place(states.get(lot.code)),
                begun=begun(states.get(lot.code)),
                url=(urls or {}).get(lot.code, ""),
            )
            for lot in lots
        ),
        printed_at=(now or timezone.now()).astimezone(site.tz),
    )
    return labels(sheet, paper=paper)


def made_of(lot: Lot, at: datetime | None = None) -> tuple[MadeOf, ...]:
    """Return what a lot is made of (was, ``at`` a time) by material and source, the most first.

    Masses are as the material came in: what went to the air since is shared among all.
    """
    site, known = Site.load(), materials.library()
    sources = dict(Source.objects.values_list("id", "name"))
    came = trace.deliveries()
    grouped: dict[tuple[str, str], list[trace.Share]] = {}
    for share in trace.shares(lot, at):
        source_id, _came_at = came.get(share.lot_id, (None, None))
        source = sources.get(source_id, "")
        if not share.material_id:
            source = "stood when the records began"
        if share.material_id == WATER:
            source = "added water"
        grouped.setdefault((share.material_id, source), []).append(share)

    def day(when: datetime) -> date:
        return when.astimezone(site.tz).date()

    found = []
    for (material_id, source), shares in grouped.items():
        days = [came[share.lot_id][1] for share in shares if share.lot_id in came]
        named = known.get(material_id)
        found.append(
            MadeOf(
                material=named.name if named else material_id or "what nobody knows",
                source=source,
                mass_kg=sum(share.mass_kg for share in shares),
                share=sum(share.fraction for share in shares),
                first=day(min(days)) if days else None,
                last=day(max(days)) if days else None,
                deliveries=len(shares),
            )
        )
    return tuple(sorted(found, key=lambda one: -one.mass_kg))


def _lot(code: str) -> Lot:
    lot = Lot.objects.filter(code=code).first()
    if lot is None:
        raise NotFoundError(f"there is no lot “{code}”", field="lot")
    return lot


def _rule(rule_id: str) -> Rule:
    rule = rules().get(rule_id)
    if rule is None:
        raise NotFoundError(
            f"there is no rule “{rule_id}”; they are {', '.join(rules())}", field="rule"
        )
    return rule


def _states(lots: Sequence[Lot], at: datetime | None = None) -> dict[str, LotState]:
    return {state.code: state for state in state_at(at, lot_ids=[lot.id for lot in lots])}


def _place(state: LotState | None) -> str:
    return state.place.name if state is not None and state.place is not None else ""
