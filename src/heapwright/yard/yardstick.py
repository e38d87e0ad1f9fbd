"""What the site's proofs are judged by: the rule it must meet, and what no log can say.

Each change is an entry of its own, with who made it and when, and counts from its time on; so
a proof as of a past day is judged by what was in force that day. What a person states for one
proof overrides it there and changes nothing here.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, cast
from uuid import UUID

from django.utils.translation import gettext as _

from heapwright.data.sanitation import rules
from heapwright.data.today import chosen_rule
from heapwright.science.periods import Stated
from heapwright.science.rules import Method as RuleMethod
from heapwright.science.rules import Rule
from heapwright.science.rules import Zone as RuleZone
from heapwright.yard import ledger
from heapwright.yard.acts import Act, Draft, use_case
from heapwright.yard.amounts import between
from heapwright.yard.errors import FieldError, NotFoundError
from heapwright.yard.models import Kind, Method, Yardstick, Zone

PROBE_ERROR_MOST_C: Final = 20.0
INSULATION_MOST_CM: Final = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SetYardstick(Act):
    """What proofs are judged by from now on; whatever is left out is not set.

    ``instead_of`` is the entry that was in force when the person looked; where another came
    since, the act is refused, so that of two people who change it at once the second sees what
    the first did. ``looked`` says that they looked at all.
    """

    rule: str = ""
    method: str = ""
    probe_error_c: float | None = None
    probe_error_typed: str = ""
    zone: str = ""
    insulation_cm: float | None = None
    insulation_typed: str = ""
    instead_of: UUID | None = None
    looked: bool = False


@use_case(Kind.SETTINGS, lead=True)
def set_yardstick(draft: Draft[SetYardstick], act: SetYardstick) -> None:
    """Set what proofs are judged by."""
    if act.looked and act.instead_of != in_force().entry:
        raise FieldError(
            _("somebody changed this while you had it open; look at what it is now"),
            field="instead_of",
        )
    rule = rules().get(act.rule)
    if act.rule and rule is None:
        raise NotFoundError(_("there is no rule %(rule)s") % {"rule": act.rule}, field="rule")
    if act.method and act.method not in Method.values:
        raise FieldError(_("this is no way of composting"), field="method")
    if rule is not None and act.method and rule.methods and act.method not in rule.methods:
        raise FieldError(
            _("%(rule)s is for heaps that are %(methods)s")
            % {
                "rule": rule.id,
                "methods": _(" or ").join(str(Method(one).label) for one in rule.methods),
            },
            field="method",
        )
    if act.zone and act.zone not in Zone.values:
        raise FieldError(_("this is no part of a heap"), field="zone")
    before = in_force(act.happened_at)
    if all(
        getattr(act, said) == getattr(before, name)
        for said, name in (
            ("rule", "rule_id"),
            ("method", "method"),
            ("probe_error_c", "probe_error_c"),
            ("zone", "zone"),
            ("insulation_cm", "insulation_cm"),
        )
    ):
        raise FieldError(_("this is what is in force already; nothing was changed"))
    Yardstick(
        entry=draft.entry,
        rule_id=act.rule,
        method=act.method,
        probe_error_c=None
        if act.probe_error_c is None
        else between(act.probe_error_c, 0.0, PROBE_ERROR_MOST_C, "probe_error_c"),
        probe_error_typed=act.probe_error_typed,
        zone=act.zone,
        insulation_cm=None
        if act.insulation_cm is None
        else between(act.insulation_cm, 0.0, INSULATION_MOST_CM, "insulation_cm"),
        insulation_typed=act.insulation_typed,
    ).save()


@dataclass(frozen=True, slots=True)
class InForce:
    """What proofs are judged by at a time; all blank where nobody set anything yet.

    ``entry`` is the id of the entry that set it, ``set_at`` and ``set_by`` when and who.
    """

    rule_id: str = ""
    method: str = ""
    probe_error_c: float | None = None
    probe_error_typed: str = ""
    zone: str = ""
    insulation_cm: float | None = None
    insulation_typed: str = ""
    entry: UUID | None = None
    set_at: datetime | None = None
    set_by: str = ""

    @property
    def lost_rule(self) -> str:
        """The rule that was set, where the tables no longer have it; blank otherwise."""
        return self.rule_id if self.rule_id not in rules() else ""

    def rule(self, *, vessel: bool = False) -> Rule:
        """Return the rule that a lot is held to: the site's, or the usual one where none is set.

        A lot in a vessel is held to the usual rule for vessels where the site's is not for them.
        """
        own = rules().get(self.rule_id)
        if own is not None and not (vessel and own.methods and "vessel" not in own.methods):
            return own
        return rules()[chosen_rule(vessel=vessel).rule]

    def is_own(self, rule: Rule) -> bool:
        """Tell whether a rule is the one that the site set, not the usual one."""
        return rule.id == self.rule_id

    def stated(self, rule: Rule, *, vessel: bool = False, assume: bool = False) -> Stated:
        """Return what is stated beside the log of a lot when it is judged by this rule.

        ``assume`` takes the rule's own way of composting where it is for one only and the site
        has not set any: for a list of heaps, not for a proof.
        """
        method: str | None = self.method or None
        if vessel and "vessel" in rule.methods:
            method = "vessel"
        elif assume and method is None and len(rule.methods) == 1:
            method = rule.methods[0]
        return Stated(
            method=cast("RuleMethod | None", method),
            insulation_cm=self.insulation_cm,
            probe_error_c=self.probe_error_c or 0.0,
            zone=cast("RuleZone | None", self.zone or None),
        )


NOT_SET: Final = InForce()


def in_force(when: datetime | None = None) -> InForce:
    """Return what proofs are judged by at a time (now when left out), in one query."""
    # chosen here: they are few, and SQLite would look through all entries for those that count
    found = max(
        (
            one
            for one in Yardstick.objects.order_by().select_related("entry__recorded_by")
            if not one.entry.is_struck and (when is None or one.entry.happened_at <= when)
        ),
        key=lambda one: (one.entry.happened_at, one.entry_id),
        default=None,
    )
    if found is None:
        return NOT_SET
    return InForce(
        rule_id=found.rule_id,
        method=found.method,
        probe_error_c=found.probe_error_c,
        probe_error_typed=found.probe_error_typed,
        zone=found.zone,
        insulation_cm=found.insulation_cm,
        insulation_typed=found.insulation_typed,
        entry=found.entry.uuid,
        set_at=found.entry.happened_at,
        set_by=str(found.entry.recorded_by),
    )


def in_words(found: InForce) -> str:
    """Return one sentence that says by whose settings a proof was judged, in SI units."""
    if found.set_at is None:
        return _("The site has set nothing about its proofs: what follows is the usual.")
    return _("Judged under the site's settings of %(when)s, by %(who)s: %(what)s.") % {
        "when": ledger.local(found.set_at),
        "who": found.set_by,
        "what": "; ".join(
            (
                _("rule %(rule)s") % {"rule": found.rule_id or _("not set")},
                _("method %(method)s")
                % {"method": Method(found.method).label if found.method else _("not set")},
                _("probe error %(error)s") % {"error": _error(found)},
                _("the readings stand for %(zone)s")
                % {"zone": Zone(found.zone).label if found.zone else _("what their points say")},
                _("insulation %(depth)s") % {"depth": _depth(found)},
            )
        ),
    }


def _error(found: InForce) -> str:
    if found.probe_error_c is None:
        return _("not set")
    return found.probe_error_typed or f"{found.probe_error_c:g}\u00a0°C"


def _depth(found: InForce) -> str:
    if found.insulation_cm is None:
        return _("not set")
    return found.insulation_typed or f"{found.insulation_cm:g}\u00a0cm"
