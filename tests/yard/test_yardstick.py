"""What proofs are judged by: its rule, method, probe error, zone, cover; what each unset means."""

from __future__ import annotations

import pytest
from tests.yard.acting import NOW, Yard, at
from tests.yard.test_proof_and_trace import hot_pile

from heapwright.data.sanitation import rules
from heapwright.data.today import chosen_rule
from heapwright.science.sanitation import Stated
from heapwright.yard import prove, state, today
from heapwright.yard.errors import FieldError, LedgerError, NotFoundError, RoleError
from heapwright.yard.models import Entry, Kind, Lot, Place, Site, Yardstick
from heapwright.yard.strike import strike
from heapwright.yard.yardstick import SetYardstick, in_force, in_words, set_yardstick


def put(yard: Yard, day: float = 0.0, **said: object) -> Entry:
    return set_yardstick(SetYardstick(happened_at=at(day), **said), yard.lead, now=NOW)


def proof_of(lot: Lot):
    return today.proofs_of(state.state_at(lot_ids=[lot.id]), Site.load())[lot.id]


def test_nothing_set_is_the_usual_rule_and_states_nothing(yard: Yard):
    found = in_force()
    assert found.rule().id == chosen_rule().rule
    assert found.rule(vessel=True).id == chosen_rule(vessel=True).rule
    assert found.stated(found.rule()) == Stated()
    assert found.stated(rules()["NY-W"], assume=True) == Stated(method="turned")
    assert found.set_at is None
    assert "has set nothing" in in_words(found)


def test_today_and_the_pile_follow_what_is_set(yard: Yard):
    pile = hot_pile(yard, 10)
    assert proof_of(pile).rule.id == chosen_rule().rule
    put(yard, rule="NY-W", probe_error_c=1.0, probe_error_typed="1.8 °F", zone="core")
    proof = proof_of(pile)
    assert (proof.rule.id, proof.verdict) == ("NY-W", "met")
    assert proof.stated == Stated(method="turned", probe_error_c=1.0, zone="core")
    put(yard, 1, rule="NY-W", probe_error_c=8.0, probe_error_typed="8 °C")
    assert proof_of(pile).verdict != "met"  # 62 °C less 8 °C is below 55 °C
    assert today.look(NOW).yardstick.probe_error_c == 8.0


def test_a_vessel_keeps_the_usual_rule_of_vessels_unless_the_sites_is_for_them(yard: Yard):
    put(yard, rule="NY-W")
    assert in_force().rule(vessel=True).id == chosen_rule(vessel=True).rule
    put(yard, 1, rule="NY-S", method="aerated")
    assert in_force().rule(vessel=True).id == "NY-S"
    Place.objects.filter(code="B1").update(kind="vessel")
    pile = yard.build(1, (yard.deliver(0.5, 100), None))
    proof = proof_of(pile)
    assert (proof.rule.id, proof.stated.method) == ("NY-S", "vessel")


def test_it_counts_from_its_time_on_and_what_was_before_stays(yard: Yard):
    first = put(yard, 10, rule="NY-W")
    put(yard, 20, rule="CA-W", insulation_cm=15.24, insulation_typed="6 in")
    assert in_force(at(5)).rule_id == ""
    assert in_force(at(15)).rule_id == "NY-W"
    assert in_force(at(15)).entry == first.uuid
    now = in_force()
    assert (now.rule_id, now.insulation_typed, now.set_by) == ("CA-W", "6 in", "lead")
    assert "insulation 6 in" in in_words(now)
    assert "by lead" in in_words(now)
    assert Entry.objects.filter(kind=Kind.SETTINGS).count() == 2
    strike(Entry.objects.latest("id").uuid, "the county says no", yard.lead, now=NOW)
    assert in_force().rule_id == "NY-W"


def test_of_two_who_change_it_at_once_the_second_is_told(yard: Yard):
    first = put(yard, rule="NY-W", looked=True)
    with pytest.raises(FieldError, match="somebody changed this"):
        put(yard, 0.1, rule="CA-W", looked=True)
    assert in_force().rule_id == "NY-W"
    put(yard, 0.2, rule="CA-W", looked=True, instead_of=first.uuid)
    assert in_force().rule_id == "CA-W"


def test_setting_what_is_set_writes_nothing(yard: Yard):
    put(yard, rule="NY-W", probe_error_c=1.0)
    with pytest.raises(FieldError, match="in force already"):
        put(yard, 1, rule="NY-W", probe_error_c=1.0)
    assert Yardstick.objects.count() == 1


@pytest.mark.parametrize(
    ("said", "error", "field"),
    [
        ({"rule": "NOWHERE"}, NotFoundError, "rule"),
        ({"method": "stirred"}, FieldError, "method"),
        ({"rule": "NY-W", "method": "vessel"}, FieldError, "method"),
        ({"probe_error_c": -1.0}, FieldError, "probe_error_c"),
        ({"probe_error_c": 21.0}, FieldError, "probe_error_c"),
        ({"probe_error_c": float("nan")}, FieldError, "probe_error_c"),
        ({"zone": "top"}, FieldError, "zone"),
        ({"insulation_cm": 501.0}, FieldError, "insulation_cm"),
    ],
)
def test_what_cannot_be_set_is_refused(yard: Yard, said, error, field):
    with pytest.raises(error) as refused:
        put(yard, **said)
    assert refused.value.field == field
    assert not Entry.objects.exists()


def test_only_a_lead_may_and_nobody_may_edit_it(yard: Yard):
    for person in (yard.helper, yard.reader):
        with pytest.raises(RoleError):
            set_yardstick(SetYardstick(happened_at=at(0), rule="NY-W"), person, now=NOW)
    put(yard, rule="NY-W")
    row = Yardstick.objects.get()
    row.rule_id = "CA-W"
    with pytest.raises(LedgerError):
        row.save()
    with pytest.raises(Exception, match="never changed"):
        Yardstick.objects.update(rule_id="CA-W")


def test_a_rule_that_the_tables_lost_is_said_so(yard: Yard):
    found = in_force().__class__(rule_id="OLD-1")
    assert found.lost_rule == "OLD-1"
    assert found.rule().id == chosen_rule().rule
    assert in_force().lost_rule == ""


def test_a_past_proof_is_judged_by_what_was_in_force_then(yard: Yard):
    pile = hot_pile(yard, 10)
    put(yard, 0, rule="NY-W")
    put(yard, 100, rule="NY-W", probe_error_c=10.0)
    for day, verdict in ((40, "met"), (120, "not yet")):
        now = in_force(at(day))
        (log,) = prove.lot_logs(pile, at(day))
        proof = log.judged([now.rule()], now.stated(now.rule(), assume=True))[0]
        assert (day, proof.verdict) == (day, verdict)
