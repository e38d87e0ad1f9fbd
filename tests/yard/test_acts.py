"""Who may act, once only, what is refused and how it is said, striking and entering again."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from uuid import uuid4

import pytest
from django.contrib.auth.models import AnonymousUser
from django.db import DatabaseError, connection, transaction
from tests.yard.acting import NOW, Yard, at, kg

from heapwright.yard import mix, receive, state, tend, use
from heapwright.yard.acts import Take
from heapwright.yard.amounts import Quantity
from heapwright.yard.audit import audit
from heapwright.yard.errors import (
    FieldError,
    LedgerError,
    NotFoundError,
    RoleError,
    StockError,
    TimelineError,
)
from heapwright.yard.models import Entry, Flow, Lot, Stage
from heapwright.yard.strike import strike


def delivery(day: float = 0, **changed: object) -> receive.ReceiveDelivery:
    line = receive.DeliveryLine(material="food_scraps_mixed", quantity=kg(100), place="S1")
    act = receive.ReceiveDelivery(happened_at=at(day), source="kitchen", lines=(line,))
    return replace(act, **changed)


def test_a_reader_and_a_stranger_write_nothing(yard: Yard):
    for person in (yard.reader, AnonymousUser()):
        with pytest.raises(RoleError):
            receive.receive_delivery(delivery(), person, now=NOW)
    yard.helper.is_active = False
    with pytest.raises(RoleError):
        receive.receive_delivery(delivery(), yard.helper, now=NOW)
    assert not Entry.objects.exists()


def test_a_helper_logs_but_a_lead_declares_a_pile_ready(yard: Yard):
    entry = receive.receive_delivery(delivery(), yard.helper, now=NOW)
    assert entry.recorded_by == yard.helper
    pile = yard.build(1, (entry.lots.get(), None))
    ready = tend.DeclareStage(happened_at=at(50), lot=pile.code, stage="ready")
    with pytest.raises(RoleError):
        tend.declare_stage(ready, yard.helper, now=NOW)
    tend.declare_stage(ready, yard.lead, now=NOW)
    assert state.lot_state(pile.code).stage == Stage.READY


def test_a_helper_strikes_only_what_they_recorded(yard: Yard):
    mine = receive.receive_delivery(delivery(), yard.helper, now=NOW)
    theirs = receive.receive_delivery(delivery(), yard.lead, now=NOW)
    with pytest.raises(RoleError, match="ask a lead"):
        strike(theirs.uuid, "mistyped", yard.helper, now=NOW)
    strike(mine.uuid, "mistyped", yard.helper, now=NOW)
    assert [one.is_struck for one in Entry.objects.order_by("id")] == [True, False]


def test_sending_an_act_twice_writes_it_once(yard: Yard):
    act = delivery()
    first = receive.receive_delivery(act, yard.lead, now=NOW)
    again = receive.receive_delivery(act, yard.helper, now=NOW + timedelta(days=3))
    assert again.id == first.id
    assert Entry.objects.count() == Lot.objects.count() == Flow.objects.count() == 1


def test_another_act_under_a_used_id_is_refused(yard: Yard):
    act = delivery()
    receive.receive_delivery(act, yard.lead, now=NOW)
    with pytest.raises(FieldError) as refused:
        receive.receive_delivery(replace(act, source="stable"), yard.lead, now=NOW)
    assert refused.value.field == "id"


@pytest.mark.parametrize(
    ("changed", "error", "field"),
    [
        ({"source": "nobody"}, NotFoundError, "source"),
        ({"lines": ()}, FieldError, "lines"),
        ({"happened_at": NOW + timedelta(hours=1)}, FieldError, "happened_at"),
        ({"happened_at": datetime(2026, 3, 1)}, FieldError, "happened_at"),
    ],
)
def test_a_wrong_delivery_is_refused_with_its_field(yard: Yard, changed, error, field):
    with pytest.raises(error) as refused:
        receive.receive_delivery(delivery(**changed), yard.lead, now=NOW)
    assert refused.value.field == field
    assert not Entry.objects.exists()
    assert not Lot.objects.exists()


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"material": "food_scrap_mixed"}, "lines.0.material"),
        ({"place": "S9"}, "lines.0.place"),
        ({"quantity": kg(0)}, "lines.0.quantity.mass_kg"),
        ({"quantity": kg(float("nan"))}, "lines.0.quantity.mass_kg"),
        ({"quantity": Quantity()}, "lines.0.quantity"),
        ({"quantity": Quantity(container="tote")}, "lines.0.quantity.count"),
        ({"quantity": Quantity(container="skip", count=1)}, "lines.0.quantity.container"),
        ({"code": "no blanks please"}, "lines.0.code"),
        ({"contamination": "lots"}, "lines.0.contamination"),
    ],
)
def test_a_wrong_line_is_refused_with_its_field(yard: Yard, changed, field):
    act = delivery()
    act = replace(act, lines=(replace(act.lines[0], **changed),))
    with pytest.raises((FieldError, NotFoundError)) as refused:
        receive.receive_delivery(act, yard.lead, now=NOW)
    assert refused.value.field == field
    assert not Lot.objects.exists()


def test_counted_containers_become_mass_by_bulk_density(yard: Yard):
    act = delivery()
    line = replace(act.lines[0], quantity=Quantity(container="tote", count=2.5, as_typed="2½"))
    receive.receive_delivery(replace(act, lines=(line,)), yard.lead, now=NOW)
    flow = Flow.objects.get()
    assert flow.volume_m3 == pytest.approx(0.25)
    assert flow.mass_kg == pytest.approx(0.25 * 455)
    assert (flow.known, flow.as_typed) == ("counted", "2½")


def test_taking_more_than_is_there_says_how_much_there_is(yard: Yard):
    lot = yard.deliver(0, 100)
    with pytest.raises(StockError, match="held 100 kg") as refused:
        yard.build(1, (lot, 120))
    assert (refused.value.there_kg, refused.value.asked_kg) == (100, 120)
    assert refused.value.field == "takes.0.quantity"
    assert state.lot_state(lot.code).mass_kg == 100


def test_a_late_entry_that_leaves_a_later_one_short_is_refused(yard: Yard):
    lot = yard.deliver(0, 100)
    yard.build(10, (lot, 80))
    with pytest.raises(TimelineError, match="built"):
        use.discard(
            use.Discard(happened_at=at(5), lot=lot.code, why="mouldy", quantity=kg(30)),
            yard.lead,
            now=NOW,
        )
    use.discard(
        use.Discard(happened_at=at(5), lot=lot.code, why="mouldy", quantity=kg(20)),
        yard.lead,
        now=NOW,
    )
    assert state.lot_state(lot.code) is None


def test_what_took_everything_follows_a_late_entry(yard: Yard):
    lot = yard.deliver(0, 100)
    pile = yard.build(10, (lot, None))
    late = use.discard(
        use.Discard(happened_at=at(5), lot=lot.code, why="mouldy", quantity=kg(30)),
        yard.lead,
        now=NOW,
    )
    assert state.lot_state(pile.code).mass_kg == pytest.approx(70)
    strike(late.uuid, "another lot", yard.lead, now=NOW)
    assert state.lot_state(pile.code).mass_kg == pytest.approx(100)
    assert audit().findings == ()


def test_a_weighing_stays_true_when_a_late_entry_comes(yard: Yard):
    lot = yard.deliver(0, 100)
    yard.weigh(10, lot, 80)
    assert audit().site.to_air_kg == pytest.approx(20)
    yard.build(5, (lot, 10))
    assert state.lot_state(lot.code).mass_kg == pytest.approx(80)
    site = audit().site
    assert site.to_air_kg - site.gained_kg == pytest.approx(10)
    assert audit().findings == ()


def test_an_entry_that_others_rest_on_cannot_be_struck(yard: Yard):
    lot = yard.deliver(0, 100)
    pile = yard.build(1, (lot, 50))
    yard.read(2, pile, 60)
    with pytest.raises(TimelineError, match="checked"):
        strike(pile.entries.get(kind="build").uuid, "typed wrong", yard.lead, now=NOW)
    with pytest.raises(TimelineError):
        strike(lot.entries.get(kind="delivery").uuid, "typed wrong", yard.lead, now=NOW)
    assert not Entry.objects.exclude(struck_at=None).exists()


def test_a_build_entered_again_keeps_its_lot_and_what_was_logged_of_it(yard: Yard):
    lot = yard.deliver(0, 100)
    pile = yard.build(1, (lot, 50))
    yard.read(2, pile, 60)
    wrong = pile.entries.get(kind="build")
    right = mix.BuildPile(
        happened_at=at(1),
        place="B2",
        takes=(Take(lot=lot.code, quantity=kg(70)),),
        replaces=wrong.uuid,
        reason="it was 70",
    )
    entry = mix.build_pile(right, yard.lead, now=NOW)
    wrong.refresh_from_db()
    assert wrong.struck_reason == "it was 70"
    assert wrong.replaced_by == entry
    held = state.lot_state(pile.code)
    assert (held.mass_kg, held.place.code) == (70, "B2")
    assert state.lot_state(lot.code).mass_kg == pytest.approx(30)
    with pytest.raises(TimelineError, match="not exist yet"):
        mix.build_pile(
            replace(right, id=uuid4(), happened_at=at(3), replaces=entry.uuid), yard.lead, now=NOW
        )


def test_a_strike_needs_a_reason_and_counts_once(yard: Yard):
    entry = receive.receive_delivery(delivery(), yard.lead, now=NOW)
    with pytest.raises(FieldError, match="why"):
        strike(entry.uuid, "  ", yard.lead, now=NOW)
    strike(entry.uuid, "mistyped", yard.lead, now=NOW)
    strike(entry.uuid, "again", yard.lead, now=NOW + timedelta(days=1))
    entry.refresh_from_db()
    assert (entry.struck_reason, entry.struck_at) == ("mistyped", NOW)


def test_nothing_written_can_be_changed_or_deleted(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), 50))
    yard.read(2, pile, 60)
    entry = Entry.objects.first()
    entry.note = "changed"
    with pytest.raises(LedgerError):
        entry.save()
    with pytest.raises(LedgerError):
        entry.delete()
    with pytest.raises(LedgerError):
        Flow.objects.first().save()
    for sql in (
        "UPDATE yard_flow SET mass_kg = 1",
        "DELETE FROM yard_flow",
        "UPDATE yard_entry SET note = 'x'",
        "UPDATE yard_entry SET struck_reason = 'x', struck_at = NULL",
        "DELETE FROM yard_entry",
        "UPDATE yard_standing SET stage = 'ready'",
        "DELETE FROM yard_standing",
        "UPDATE yard_reading SET temp_c = 70",
        "DELETE FROM yard_reading",
        "DELETE FROM yard_entry_lots",
        "DELETE FROM yard_lot",
    ):
        with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(sql)


@pytest.mark.parametrize(
    "line",
    [
        {"from_kind": "source", "to_kind": "lot", "mass_kg": 1},  # no source, no lot
        {"from_kind": "water", "to_kind": "air", "mass_kg": 1, "material_id": "water"},
        {"from_kind": "air", "to_kind": "lot", "to_lot_id": 1, "mass_kg": 0},
        {"from_kind": "air", "to_kind": "lot", "to_lot_id": 1, "mass_kg": -1},
        {"from_kind": "lot", "from_lot_id": 1, "to_kind": "lot", "to_lot_id": 1, "mass_kg": 1},
        {"from_kind": "water", "to_kind": "lot", "to_lot_id": 1, "mass_kg": 1},
        {"from_kind": "lot", "from_lot_id": 1, "to_kind": "source", "mass_kg": 1},
    ],
)
def test_the_database_refuses_an_impossible_line(yard: Yard, line):
    lot = yard.deliver(0, 100)
    line = {key: lot.id if key.endswith("_lot_id") else value for key, value in line.items()}
    with pytest.raises(DatabaseError, match="CHECK"), transaction.atomic():
        Flow.objects.create(entry=Entry.objects.first(), known="weighed", **line)


def test_stages_follow_what_is_done(yard: Yard):
    scraps, chips = yard.deliver(0, 100), yard.deliver(0, 100, "leaves_loose")
    pile = yard.build(1, (scraps, 20), full=False)

    def stage(day: float) -> str:
        return state.lot_state(pile.code, at(day)).stage

    yard.add(3, pile, (scraps, 20), (chips, 20))
    yard.add(5, pile, (chips, 20), full=True)
    yard.declare(40, pile, "curing")
    yard.add(50, pile, (scraps, 5))
    assert [stage(day) for day in (1, 4, 6, 41, 51)] == [
        "filling", "filling", "hot", "curing", "hot",
    ]  # fmt: skip
    held = state.lot_state(pile.code)
    assert held.filled_at == at(5)
    assert held.restarts == (at(50),)
    assert held.proof_from == at(50)
    with pytest.raises(FieldError, match="full already"):
        yard.add(52, pile, (scraps, 5), full=True)


def test_a_pile_joined_with_a_raw_one_is_raw_again(yard: Yard):
    old = yard.build(1, (yard.deliver(0, 100), None))
    yard.declare(60, old, "curing")
    raw = yard.build(70, (yard.deliver(69, 50), None), place="B2")
    tend.combine(
        tend.Combine(happened_at=at(71), lots=(raw.code,), into=old.code), yard.lead, now=NOW
    )
    held = state.lot_state(old.code)
    assert (held.stage, held.mass_kg, held.restarts) == ("hot", 150, (at(71),))
    assert state.lot_state(raw.code) is None


def test_volume_alone_books_the_shrinkage_unless_the_heap_only_sank(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None), volume_m3=0.4)
    sank = tend.WeighOrMeasure(happened_at=at(2), lot=pile.code, volume_m3=0.3, settled=True)
    tend.weigh_or_measure(sank, yard.lead, now=NOW)
    held = state.lot_state(pile.code)
    assert (held.mass_kg, held.volume_m3) == (100, 0.3)
    shrunk = tend.WeighOrMeasure(happened_at=at(30), lot=pile.code, volume_m3=0.15)
    tend.weigh_or_measure(shrunk, yard.lead, now=NOW)
    held = state.lot_state(pile.code)
    assert held.mass_kg == pytest.approx(50)
    assert held.volume_m3 == pytest.approx(0.15)
    assert audit().site.to_air_kg == pytest.approx(50)


def test_two_piles_in_one_bay_are_pointed_out(yard: Yard):
    yard.build(1, (yard.deliver(0, 100), None))
    yard.build(2, (yard.deliver(0, 100), None))
    (finding,) = audit().findings
    assert not finding.grave
    assert "K-001, K-002" in finding.what
