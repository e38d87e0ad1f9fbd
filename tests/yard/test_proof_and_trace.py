"""The log of a lot as the proof takes it, and tracing a lot back and forward."""

from __future__ import annotations

import pytest
from tests.yard.acting import NOW, Yard, at, kg

from heapwright.data.sanitation import rules, terms
from heapwright.science.sanitation import Stated, evaluate
from heapwright.yard import materials, prove, state, tend, trace, use
from heapwright.yard.acts import first_lot
from heapwright.yard.models import Lot, LotKind, OwnMaterial
from heapwright.yard.strike import strike


def hot_pile(yard: Yard, start: float, place: str = "B1") -> Lot:
    """Return a pile with fifteen hot days and five turnings from bay to bay."""
    pile = yard.build(start, (yard.deliver(start - 0.5, 100), None), place=place)
    for day in range(1, 18):
        yard.read(start + day, pile, 62.0)
        if day in (3, 6, 9, 12, 15):
            yard.turn(start + day + 0.1, pile)
    return pile


def verdicts(lot: Lot, rule: str = "NY-W") -> list[str]:
    """Return the verdict of each strand of a lot."""
    return [
        evaluate(prove.lot_log(lot, strand), [rules()[rule]], Stated(method="turned"), terms())[
            0
        ].verdict
        for strand in prove.strands(lot)
    ]


def screen(yard: Yard, day: float, pile: Lot) -> tuple[Lot, Lot]:
    yard.declare(day, pile, "curing")
    entry = use.screen(
        use.Screen(
            happened_at=at(day + 1),
            lot=pile.code,
            compost=use.Output(place="SC", quantity=kg(40)),
            overs=use.Output(place="S2", quantity=kg(20)),
        ),
        yard.lead,
        now=NOW,
    )
    return first_lot(entry, LotKind.COMPOST), first_lot(entry, LotKind.OVERS)


def test_the_log_of_a_pile_holds_its_readings_and_acts_in_the_words_of_the_proof(yard: Yard):
    pile = yard.build(0.5, (yard.deliver(0, 100), 50), full=False)
    yard.add(2, pile, (yard.deliver(1, 20), None))
    yard.turn(4, pile, "B2")
    tend.cover(tend.CoverLot(happened_at=at(5), lot=pile.code, cover="tarp"), yard.lead, now=NOW)
    tend.cover(tend.CoverLot(happened_at=at(6), lot=pile.code, cover="open"), yard.lead, now=NOW)
    tend.move(tend.Move(happened_at=at(7), lot=pile.code, to_place="B3"), yard.lead, now=NOW)
    yard.read(8, pile, 61.0, "core")
    log = prove.lot_log(pile)
    assert [act.kind for act in log.acts] == ["built", "added", "turned", "covered", "moved"]
    assert [act.time_s for act in log.acts] == [
        int(at(day).timestamp()) for day in (0.5, 2, 4, 5, 7)
    ]
    assert log.readings.points == ("core",)
    assert log.readings.temp_c.tolist() == [61]
    # 9 March 2026 10:00 UTC is 3 in the morning by daylight saving time in Los Angeles
    assert log.clock.wall(int(at(8).timestamp())).hour == 2
    assert log.clock.wall(int(at(6).timestamp())).hour == 1


def test_a_hot_turned_pile_meets_a_windrow_rule_and_one_turning_less_does_not(yard: Yard):
    pile = hot_pile(yard, 10)
    assert verdicts(pile) == ["met"]
    strike(pile.entries.filter(kind="turn").first().uuid, "not done", yard.lead, now=NOW)
    assert verdicts(pile) != ["met"]


def test_raw_material_added_later_starts_the_proof_again(yard: Yard):
    pile = hot_pile(yard, 10)
    yard.add(28, pile, (yard.deliver(27, 20), None))
    assert verdicts(pile) != ["met"]


def test_compost_carries_the_log_of_its_pile(yard: Yard):
    pile = hot_pile(yard, 10)
    compost, _overs = screen(yard, 60, pile)
    assert verdicts(compost) == ["met"]
    divided = tend.divide(
        tend.Divide(
            happened_at=at(62),
            lot=compost.code,
            parts=(tend.Part(place="CP", quantity=kg(10)),),
        ),
        yard.lead,
        now=NOW,
    )
    assert verdicts(first_lot(divided)) == ["met"]


def test_cured_piles_put_together_are_proven_when_each_was(yard: Yard):
    good, other = hot_pile(yard, 10), yard.build(10, (yard.deliver(9, 80), None), place="B2")
    yard.read(12, other, 35.0)
    for pile in (good, other):
        yard.declare(60, pile, "curing")
    combined = tend.combine(
        tend.Combine(happened_at=at(61), lots=(good.code, other.code), place="CP"),
        yard.lead,
        now=NOW,
    )
    both = verdicts(first_lot(combined))
    assert len(both) == 2
    assert sorted(verdict == "met" for verdict in both) == [False, True]


def test_a_raw_pile_put_into_a_proven_one_starts_the_proof_again(yard: Yard):
    good = hot_pile(yard, 10)
    raw = yard.build(40, (yard.deliver(39, 80), None), place="B2")
    tend.combine(
        tend.Combine(happened_at=at(41), lots=(raw.code,), into=good.code), yard.lead, now=NOW
    )
    assert len(prove.strands(good)) == 1
    assert verdicts(good) != ["met"]


def test_fractions_follow_combining_dividing_screening_and_overs_going_round(yard: Yard):
    first = yard.build(1, (yard.deliver(0, 60), None), (yard.deliver(0, 40, "leaves_loose"), None))
    yard.weigh(30, first, 50)  # what is lost changes no fraction
    _compost, overs = screen(yard, 40, first)
    second = yard.build(60, (overs, None), (yard.deliver(59, 80, "leaves_loose"), None), place="B2")
    parts = trace.composition(second)
    assert trace.materials_of(parts) == pytest.approx(
        {"leaves_loose": (80 + 20 * 0.4) / 100, "food_scraps_mixed": 20 * 0.6 / 100}
    )
    assert [part.source.code for part in parts] == ["kitchen"] * 3
    assert sum(part.fraction for part in parts) == pytest.approx(1)


def test_a_recall_finds_every_bed_person_and_lot_a_delivery_reached_and_no_other(yard: Yard):
    bad, fine = yard.deliver(0, 50), yard.deliver(0, 50)
    first = yard.build(1, (bad, 30), (fine, 10))
    clean = yard.build(2, (fine, 40), place="B2")
    compost, overs = screen(yard, 40, first)
    yard.to_bed(50, compost, 10)
    use.use_compost(
        use.UseCompost(happened_at=at(51), lot=compost.code, person="Bean group", quantity=kg(5)),
        yard.lead,
        now=NOW,
    )
    later = yard.build(60, (overs, None), place="B3")
    yard.to_bed(70, clean, 10, "BED2")

    found = trace.recall(bad)
    assert {lot.code for lot in found.lots_after} == {
        first.code, compost.code, overs.code, later.code,
    }  # fmt: skip
    went = {
        (one.place.code if one.place else one.person or one.lot.code): one.mass_kg
        for one in found.forward
    }
    assert went == pytest.approx(
        {
            "BED1": 7.5,
            "Bean group": 3.75,
            bad.code: 20,
            compost.code: 25 * 0.75,
            later.code: 20 * 0.75,
        }
    )
    back = trace.recall(later)
    assert {lot.code for lot in back.lots_before} == {
        bad.code, fine.code, first.code, overs.code,
    }  # fmt: skip


def test_a_bunker_filled_again_does_not_accuse_what_left_it_before(yard: Yard):
    heap = yard.deliver(0, 50)
    early = yard.build(1, (heap, 40))
    late = yard.deliver(5, 30)
    tend.combine(
        tend.Combine(happened_at=at(6), lots=(late.code,), into=heap.code), yard.lead, now=NOW
    )
    after = yard.build(7, (heap, None), place="B2")
    reached = {lot.code for lot in trace.recall(late).lots_after}
    assert reached == {heap.code, after.code}
    assert early.code not in reached


def test_a_measurement_overrides_the_library_from_its_date_on_and_a_strike_takes_it_back(
    yard: Yard,
):
    entry = prove.log_result(
        prove.LogResult(
            happened_at=at(5),
            material="food_scraps_mixed",
            results=(prove.Result(quantity="bulk_density_kg_m3", value=520.0, method="bucket"),),
        ),
        yard.lead,
        now=NOW,
    )
    density = materials.bulk_density_kg_m3
    assert density("food_scraps_mixed", at(4)) == 455
    assert density("food_scraps_mixed", at(6)) == 520
    measured = materials.material("food_scraps_mixed").bulk_density_kg_m3
    assert measured.origin == "measured"
    assert measured.low < 520 < measured.high
    strike(entry.uuid, "bucket not full", yard.lead, now=NOW)
    assert density("food_scraps_mixed") == 455


def test_a_material_of_the_site_can_be_received(yard: Yard):
    OwnMaterial.objects.create(
        code="apple-pomace", name="Apple pomace", category="food", moisture_pct=75, cn=48,
        n_pct_dry=1.1, bulk_density_kg_m3=650,
    )  # fmt: skip
    pomace = yard.deliver(0, 65, "apple-pomace")
    held = state.lot_state(pomace.code)
    assert held.material_id == "apple-pomace"
    assert held.volume_m3 == pytest.approx(0.1)
    assert materials.of_lot(pomace, held.material_id).cn.typical == 48
