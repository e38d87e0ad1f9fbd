"""What stood when the records began: in the books, traced, and honest in every proof."""

from __future__ import annotations

import pytest
from tests.yard.acting import NOW, Yard, at, kg
from tests.yard.test_proof_and_trace import screen

from heapwright.data.sanitation import rules
from heapwright.science.sanitation import Proof, Stated
from heapwright.yard import prove, state, tend, today, trace
from heapwright.yard.acts import first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.audit import audit, totals
from heapwright.yard.errors import FieldError, NotFoundError, RoleError, YardError
from heapwright.yard.models import Entry, Flow, Lot, Site
from heapwright.yard.receive import OpeningPart, OpenLot, open_lot
from heapwright.yard.strike import strike


def opened(yard: Yard, day: float = 0.0, **said: object) -> Lot:
    """Return a lot that stood there: a hot pile of 200 kg unless something else is said."""
    act = {"kind": "pile", "place": "B1", "quantity": kg(200), "stage": "hot"} | said
    return first_lot(open_lot(OpenLot(happened_at=at(day), **act), yard.lead, now=NOW))


def judged(lot: Lot, rule: str = "NY-W") -> Proof:
    (log,) = prove.lot_logs(lot)
    return log.judged([rules()[rule]], Stated(method="turned"))[0]


def heat(yard: Yard, pile: Lot, start: float) -> None:
    """Read a pile hot for seventeen days and turn it five times."""
    for day in range(1, 18):
        yard.read(start + day, pile, 62.0)
        if day in (3, 6, 9, 12, 15):
            yard.turn(start + day + 0.1, pile)


def test_it_stands_there_from_its_time_on_and_the_books_add_up(yard: Yard):
    pile = opened(
        yard,
        3,
        materials=(OpeningPart(material="leaves_loose", share_pct=60),
                   OpeningPart(material="food_scraps_mixed", share_pct=15)),
    )  # fmt: skip
    assert state.lot_state(pile.code, at(2)) is None
    there = state.lot_state(pile.code, at(4))
    assert (there.mass_kg, there.place.code, there.stage) == (pytest.approx(200), "B1", "hot")
    assert there.proof_from == at(3)
    result = audit()
    assert result.adds_up
    assert result.site.opening_kg == pytest.approx(200)
    assert result.site.in_kg == 0
    assert totals()["opening"] == {"": pytest.approx(200)}
    shares = trace.materials_of(trace.composition(pile))
    assert shares == pytest.approx({"leaves_loose": 0.6, "": 0.25, "food_scraps_mixed": 0.15})


def test_it_is_worked_with_like_any_other_lot(yard: Yard):
    pile = opened(yard, stage="curing")
    yard.declare(1, pile, "ready")
    compost, overs = screen(yard, 2, pile)
    second = yard.build(5, (overs, None), (yard.deliver(4, 50), None), place="B2")
    yard.to_bed(6, compost, 10)
    assert audit().adds_up
    assert trace.composition(second)[-1].lot == pile


def test_stock_that_stood_there_is_on_hand_and_weighs_by_its_material(yard: Yard):
    leaves = opened(
        yard,
        kind="stock",
        place="S1",
        stage="",
        quantity=Quantity(volume_m3=2.0, as_typed="2 m³"),
        materials=(OpeningPart(material="leaves_loose"),),
    )
    there = state.stock(at(1))
    assert [(one.code, one.material_id) for one in there] == [(leaves.code, "leaves_loose")]
    assert Flow.objects.get(to_lot=leaves).as_typed == "2 m³"
    assert there[0].volume_m3 == pytest.approx(2.0)


def test_nobody_knows_when_it_was_built_so_the_rule_cannot_be_shown(yard: Yard):
    pile = opened(yard)
    assert judged(pile).verdict == "cannot be shown"
    for day in range(1, 5):
        yard.read(day, pile, 62.0)
    proof = judged(pile)
    assert proof.verdict == "cannot be shown"
    assert proof.gaps[0].startswith("It stood there when the site's records began, on 1 Mar 2026")
    assert "nothing of before counts" in proof.gaps[0]
    assert proof.days_credited == 4
    assert proof.earliest_possible is not None  # what is logged from now on can still show it
    assert today.proofs_of(state.state_at(at(5)), Site.load())[pile.id].verdict == proof.verdict


def test_a_cold_heap_that_nobody_read_is_not_called_unproven_or_proven(yard: Yard):
    pile = opened(yard, stage="curing")
    for day in range(1, 12):
        yard.read(day, pile, 18.0)
    proof = judged(pile)
    assert proof.verdict == "cannot be shown"
    assert proof.met_at is None


def test_what_is_logged_since_may_meet_the_rule_by_itself(yard: Yard):
    pile = opened(yard)
    heat(yard, pile, 1)
    proof = judged(pile)
    assert proof.verdict == "met"
    assert "It stood there when the site's records began" in proof.notes[0]
    compost, _overs = screen(yard, 40, pile)
    assert judged(compost).verdict == "met"
    assert "It stood there" in judged(compost).notes[0]


def test_a_known_start_takes_the_sites_own_log_of_before(yard: Yard):
    pile = opened(yard, 1, start_known=True)
    heat(yard, pile, 1)
    for rule in ("NY-W", "US-FDA-T"):
        assert judged(pile, rule).verdict == "met"
    assert prove.lot_log(pile).acts[0].kind == "built"
    assert prove.lot_log(opened(yard, place="B2")).acts == ()


def test_a_known_start_alone_proves_nothing(yard: Yard):
    pile = opened(yard, 1, start_known=True, stage="ready")
    assert judged(pile).verdict == "cannot be shown"
    assert "It was past its heat then" in judged(pile).gaps[0]


def test_raw_material_starts_the_proof_again_from_a_time_that_is_known(yard: Yard):
    pile = opened(yard)
    yard.add(2, pile, (yard.deliver(1, 20), None))
    for day in range(3, 8):
        yard.read(day, pile, 62.0)
    proof = judged(pile)
    assert proof.verdict == "not yet"
    assert "It stood there" in proof.notes[0]


def test_no_reading_of_before_is_taken(yard: Yard):
    pile = opened(yard, 5)
    with pytest.raises(FieldError, match="was not there yet"):
        yard.read(4, pile, 62.0)


@pytest.mark.parametrize(
    ("said", "field", "words"),
    [
        ({"kind": "heap"}, "kind", "what is it"),
        ({"place": "B9"}, "place", "no place B9"),
        ({"stage": ""}, "stage", "how far"),
        ({"kind": "compost", "stage": "hot"}, "stage", "how far"),
        ({"kind": "overs"}, "stage", "only a pile or compost"),
        ({"kind": "stock", "stage": ""}, "materials", "one material"),
        ({"quantity": Quantity()}, "quantity", "how much"),
        ({"quantity": Quantity(volume_m3=1.0)}, "quantity.mass_kg", "nobody knows how heavy"),
        ({"cover": "leaf"}, "cover", "with what"),
        ({"materials": (OpeningPart(material="gold"),)}, "materials.0.material", "gold"),
        (
            {"materials": (OpeningPart(material="leaves_loose"),) * 2},
            "materials.0.share_pct",
            "per cent",
        ),
        (
            {
                "materials": (
                    OpeningPart(material="leaves_loose", share_pct=70),
                    OpeningPart(material="food_scraps_mixed", share_pct=40),
                )
            },
            "materials.1.share_pct",
            "110 %",
        ),
        ({"bulk_density_kg_m3": 5.0}, "bulk_density_kg_m3", "outside"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(yard: Yard, said, field, words):
    before = Entry.objects.count(), Lot.objects.count(), Flow.objects.count()
    with pytest.raises((FieldError, NotFoundError)) as refused:
        opened(yard, **said)
    assert refused.value.field == field
    assert words in refused.value.message
    assert (Entry.objects.count(), Lot.objects.count(), Flow.objects.count()) == before


def test_only_a_lead_says_what_stood_there(yard: Yard):
    act = OpenLot(happened_at=at(0), kind="pile", place="B1", quantity=kg(9), stage="hot")
    for person in (yard.helper, yard.reader):
        with pytest.raises(RoleError):
            open_lot(act, person, now=NOW)
    first = open_lot(act, yard.lead, now=NOW)
    assert open_lot(act, yard.lead, now=NOW) == first
    assert Lot.objects.count() == 1


def test_it_can_be_struck_until_something_rests_on_it(yard: Yard):
    pile = opened(yard)
    yard.turn(2, pile)
    entry = pile.entries.get(kind="opening")
    with pytest.raises(YardError, match="strike that entry first"):
        strike(entry.uuid, "there was none", yard.lead, now=NOW)
    strike(pile.entries.get(kind="turn").uuid, "not done", yard.lead, now=NOW)
    strike(entry.uuid, "there was none", yard.lead, now=NOW)
    assert state.state_at(at(3)) == ()
    assert audit().adds_up


def test_put_together_with_a_proven_pile_each_brings_its_own_log(yard: Yard):
    old = opened(yard, stage="curing")
    fresh = yard.build(1, (yard.deliver(0.5, 100), None), place="B2")
    heat(yard, fresh, 1)
    yard.declare(30, fresh, "curing")
    both = tend.combine(
        tend.Combine(happened_at=at(31), lots=(old.code, fresh.code), place="CP"),
        yard.lead,
        now=NOW,
    )
    verdicts = [
        log.judged([rules()["NY-W"]], Stated(method="turned"))[0].verdict
        for log in prove.lot_logs(first_lot(both))
    ]
    assert sorted(verdicts) == ["cannot be shown", "met"]
