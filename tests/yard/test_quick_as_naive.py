"""What is worked out quickly is what a plain replay of every line says, whatever was done."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise
from unittest.mock import patch

import pytest
from django.db import connection
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import invariant, run_state_machine_as_test
from tests.yard.acting import NOW, Yard, at
from tests.yard.test_ledger_laws import YardOfActs

from heapwright.yard import history, state, tend, trace, trace_play
from heapwright.yard.amounts import EMPTY_KG
from heapwright.yard.audit import audit, books, oddities
from heapwright.yard.models import (
    DailySummary,
    Entry,
    Flow,
    Kind,
    Lot,
    Place,
    Source,
    Standing,
)
from heapwright.yard.strike import strike

WATER = 0


@dataclass
class Replay:
    """Every line played in order, each lot as a dictionary of kilograms by origin.

    ``tagged`` has the kilograms of each lot that once were in the lot ``of`` (an id).
    """

    of: int = -1
    held: dict[int, dict[tuple[int, str], float]] = field(default_factory=lambda: defaultdict(dict))
    last: dict[int, dict[tuple[int, str], float]] = field(default_factory=dict)
    tagged: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    went: dict[object, float] = field(default_factory=lambda: defaultdict(float))
    on_beds: dict[tuple[int, int, int], dict[str, float]] = field(default_factory=dict)

    def play(self, until=None) -> Replay:
        entries = [one for one in Entry.objects.all() if one.struck_at is None]
        for entry in sorted(entries, key=lambda one: (one.happened_at, one.id)):
            if until is None or entry.happened_at <= until:
                net: dict[tuple, float] = defaultdict(float)
                for line in Flow.objects.filter(entry=entry).order_by("id"):
                    net[
                        line.from_kind, line.from_lot_id, line.to_kind, line.to_lot_id,
                        line.to_place_id, line.to_person, line.material_id,
                    ] += line.mass_kg  # fmt: skip
                lines = [(ends, mass_kg) for ends, mass_kg in net.items() if mass_kg > EMPTY_KG]
                for ends, mass_kg in sorted(
                    lines, key=lambda line: (line[0][1] is not None, line[0][2] == "air")
                ):
                    self.line(entry.id, ends, mass_kg)
        return self

    def line(self, entry_id: int, ends: tuple, mass_kg: float) -> None:
        from_kind, giver, to_kind, taker, place, person, material = ends
        if giver is None:
            carried, tagged = self.from_outside(from_kind, taker, material, mass_kg)
        else:
            there = self.held[giver]
            total = sum(there.values())
            share = min(mass_kg / total, 1.0)
            carried = {origin: one * share for origin, one in there.items()}
            mine = total if giver == self.of else self.tagged[giver]
            tagged = mine * share
            self.last[giver] = dict(there)
            self.tagged[giver] = mine - tagged if share < 1.0 - 1e-12 else 0.0
            self.held[giver] = (
                {origin: one * (1.0 - share) for origin, one in there.items()}
                if share < 1.0 - 1e-12
                else {}
            )
        if taker is not None:
            for origin, one in carried.items():
                self.held[taker][origin] = self.held[taker].get(origin, 0.0) + one
            self.tagged[taker] += tagged
        elif to_kind != "air":
            self.went[entry_id, place, person] += tagged
            if place is not None:
                self.on_beds[place, entry_id, giver] = by_material(carried)

    def from_outside(self, kind, taker, material, mass_kg):
        there = self.held[taker]
        total = sum(there.values())
        if kind != "air":
            lot = WATER if kind == "water" else taker
            return {(lot, material): mass_kg}, 0.0
        if total <= EMPTY_KG:
            return {}, 0.0
        more = mass_kg / total
        return {origin: one * more for origin, one in there.items()}, self.tagged[taker] * more

    def made_of(self, lot_id: int) -> dict[tuple[int, str], float]:
        there = self.held[lot_id]
        if sum(there.values()) <= EMPTY_KG:
            there = self.last.get(lot_id, {})
        return there


def by_material(held: dict[tuple[int, str], float]) -> dict[str, float]:
    total, found = sum(held.values()), defaultdict(float)
    for (_lot, material), mass_kg in held.items():
        found[material] += mass_kg / total
    return dict(found)


def quick_made_of(lot: Lot, when=None) -> dict[tuple[int, str], float]:
    return {
        (part.lot.id if part.lot else WATER, part.material_id): part.mass_kg
        for part in trace.composition(lot, when)
    }


def check_against_a_replay(days: tuple[float, ...] = (7.25, 30.0)) -> None:
    """Compare shares, recalls and beds with the replay, now and at past times."""
    now = Replay().play()
    lots = list(Lot.objects.all())
    for lot in lots:
        assert quick_made_of(lot) == pytest.approx(now.made_of(lot.id), rel=1e-9, abs=1e-9)
    for day in days:
        then = Replay().play(until=at(day))
        for lot in lots:
            quick = quick_made_of(lot, at(day))
            assert quick == pytest.approx(then.made_of(lot.id), rel=1e-9, abs=1e-9)
    for lot in lots[-2:]:
        check_recall(lot)
    for bed in Place.objects.filter(kind="bed"):
        said = {key: one for key, one in now.on_beds.items() if key[0] == bed.id}
        quick = trace.materials_of_uses(bed)
        assert {(bed.id, *key) for key in quick} == set(said)
        for (_bed, *key), fractions in said.items():
            assert quick[tuple(key)] == pytest.approx(fractions, rel=1e-9, abs=1e-12)


def check_recall(lot: Lot) -> None:
    played = Replay(of=lot.id).play()
    goals: dict[object, float] = defaultdict(float)
    stands: dict[int, float] = {}
    for one in trace.recall(lot).forward:
        if one.lot is not None:
            stands[one.lot.id] = one.mass_kg
        else:
            goals[one.entry_id, one.place and one.place.id, one.person] += one.mass_kg
    assert goals == pytest.approx(
        {key: kilos for key, kilos in played.went.items() if kilos > 0}, rel=1e-6, abs=1e-9
    )
    here = {lot_id: kilos for lot_id, kilos in played.tagged.items() if kilos > EMPTY_KG}
    here.pop(lot.id, None)
    if (own := sum(played.held[lot.id].values())) > EMPTY_KG:
        here[lot.id] = own
    assert stands == pytest.approx(here, rel=1e-6, abs=2 * EMPTY_KG)


class TracedYard(YardOfActs):
    """Whatever is done, struck and entered late, the quick answers are the replay's."""

    @invariant()
    def kept_as_anew(self) -> None:
        """What is kept and gone on with step by step is what is worked out anew."""
        with patch.object(connection, "in_atomic_block", False):
            standing, played, came = state.state_at(), trace_play.played(), trace.deliveries()
        assert standing == state._standing(None, None)
        assert played == trace_play.play_anew()
        assert came == trace._deliveries()

    def teardown(self) -> None:
        try:
            if hasattr(self, "yard"):
                check_against_a_replay()
        finally:
            super().teardown()


def play(max_examples: int, steps: int) -> None:
    run_state_machine_as_test(
        TracedYard,
        settings=settings(
            max_examples=max_examples,
            stateful_step_count=steps,
            deadline=None,
            phases=(Phase.explicit, Phase.reuse, Phase.generate),
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.mark.django_db
def test_shares_recalls_and_beds_are_those_of_a_replay():
    play(10, 14)


@pytest.mark.soak
@pytest.mark.django_db
def test_shares_recalls_and_beds_are_those_of_a_replay_for_long():
    play(60, 30)


def test_overs_that_go_round_are_traced_as_a_replay_does(yard: Yard):
    """One lot of overs that is never emptied, fed by each pile and fed to the next."""
    from tests.yard.test_proof_and_trace import screen

    round_again: Lot | None = None
    for number in range(6):
        day = 30.0 * number
        takes = [(yard.deliver(day, 60 + number), None)]
        if round_again is not None:
            takes.append((round_again, 15))
        pile = yard.build(day + 1, *takes)
        _compost, overs = screen(yard, day + 20, pile)
        if round_again is None:
            round_again = overs
        else:
            tend.combine(
                tend.Combine(happened_at=at(day + 22), lots=(overs.code,), into=round_again.code),
                yard.lead,
                now=NOW,
            )
    check_against_a_replay(days=(50.0, 130.0))
    first = Entry.objects.filter(kind=Kind.DELIVERY).earliest("id")
    late = yard.deliver(1.5, 20)
    yard.add(1.75, Lot.objects.get(code="K-001"), (late, None))
    check_against_a_replay(days=(50.0, 130.0))
    reached = {part.lot.code for part in trace.composition(round_again) if part.lot}
    assert {first.lots.get().code, late.code} <= reached


def test_an_emptied_lot_is_made_of_what_it_held_last(yard: Yard):
    scraps, leaves = yard.deliver(0, 50), yard.deliver(0, 30, "leaves_loose")
    pile = yard.build(1, (scraps, None), (leaves, None))
    yard.to_bed(2, pile, 20)
    yard.to_bed(3, pile, None)
    shares = trace.materials_of(trace.composition(pile))
    assert shares == pytest.approx({"food_scraps_mixed": 50 / 80, "leaves_loose": 30 / 80})
    assert sum(quick_made_of(pile).values()) == pytest.approx(60)
    check_against_a_replay(days=(0.5, 2.5))


def deliveries_in_bulk(yard: Yard, count: int) -> None:
    """Write so many deliveries, each of a lot of its own, with the rows of the use case."""
    entries = Entry.objects.bulk_create(
        Entry(kind=Kind.DELIVERY, happened_at=at(0), recorded_at=NOW, recorded_by=yard.lead)
        for _ in range(count)
    )
    lots = Lot.objects.bulk_create(
        Lot(code=f"D-{number:04d}", kind="stock", number=number) for number in range(count)
    )
    source, place = Source.objects.get(code="kitchen"), Place.objects.get(code="S1")
    pairs = list(zip(entries, lots, strict=True))
    Flow.objects.bulk_create(
        Flow(entry=entry, from_kind="source", from_source=source, to_kind="lot", to_lot=lot,
             material_id="leaves_loose", mass_kg=5.0, volume_m3=0.1, known="weighed")
        for entry, lot in pairs
    )  # fmt: skip
    Standing.objects.bulk_create(
        Standing(entry=entry, lot=lot, begins=True, place=place) for entry, lot in pairs
    )
    through = Entry.lots.through
    through.objects.bulk_create(through(entry=entry, lot=lot) for entry, lot in pairs)


def test_more_than_a_thousand_entries_are_told_at_once(yard: Yard):
    deliveries_in_bulk(yard, 1050)
    lots = {
        line.to_lot.code: (line.from_source.code, [one.place.code for one in entry.standings.all()])
        for entry in history.entries()
        for line in entry.flows.all()
    }
    assert len(lots) == 1050
    assert set(map(str, lots.values())) == {"('kitchen', ['S1'])"}
    standing = state.state_at()
    assert len(standing) == 1050
    assert {one.material_id for one in standing} == {"leaves_loose"}
    assert audit().findings == ()
    heap = yard.build(1, (Lot.objects.get(code="D-0000"), None))
    assert [part.source.code for part in trace.composition(heap)] == ["kitchen"]


def test_the_temperatures_of_more_than_a_thousand_lots_are_read_at_once(yard: Yard):
    deliveries_in_bulk(yard, 1050)
    lots = list(Lot.objects.order_by("id"))
    first_s = int(at(3).timestamp())
    DailySummary.objects.bulk_create(
        DailySummary(lot=lot, day=at(3 + day).date(), point=point, depth_cm=30.0, min_c=40.0,
                     max_c=50.0 + number % 7 + day, sum_c=90.0, count=2, first_s=first_s,
                     last_s=first_s + 60)
        for number, lot in enumerate(lots)
        for day in range(1 + number % 2)
        for point in ("1", "2")
    )  # fmt: skip
    found = state.day_temps([lot.id for lot in lots])
    assert [found[lot.id].highest_c for lot in lots] == [
        50.0 + number % 7 + number % 2 for number in range(1050)
    ]
    assert {one.count for one in found.values()} == {4}


def test_a_pile_that_was_only_watered_is_not_of_water(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))
    stock = yard.deliver(0, 40, "leaves_loose")
    for lot in (pile, stock):
        tend.water(tend.Water(happened_at=at(2), lot=lot.code, litres=20.0), yard.lead, now=NOW)
    states = {one.code: one for one in state.state_at()}
    assert states[pile.code].material_id == ""
    assert states[stock.code].material_id == ""  # leaves and water: two things
    before = {one.code: one for one in state.state_at(at(1.5))}
    assert before[pile.code].material_id == ""
    assert before[stock.code].material_id == "leaves_loose"


@pytest.mark.django_db(transaction=True)
def test_what_is_kept_in_memory_is_what_is_worked_out_anew():
    """Outside of a transaction answers are kept; each thing written must do away with them."""
    yard = Yard()

    def same() -> tuple[object, object]:
        kept = state.state_at(), trace_play.played()
        assert kept == (state._standing(None, None), trace_play.play_anew())
        assert state.state_at() is kept[0]
        for one in kept[0]:
            assert state.state_at(lot_ids=[one.id]) == state._standing(None, [one.id])
        assert trace_play.played() is kept[1]
        assert trace.deliveries() == trace._deliveries()
        return kept

    seen = [same()]
    scraps = yard.deliver(0, 100)
    seen.append(same())
    pile = yard.build(1, (scraps, 60))
    seen.append(same())
    yard.turn(2, pile, "B2")  # no line, but another place
    seen.append(same())
    yard.deliver(-1, 30)  # entered late
    seen.append(same())
    turned = Entry.objects.get(kind=Kind.TURN)
    strike(turned.uuid, "the other pile", yard.lead, now=NOW)
    seen.append(same())
    wrong = yard.turn(3, pile, "B3")
    seen.append(same())
    strike(wrong.uuid, "not at all", yard.lead, now=NOW)  # at the same moment as the other
    seen.append(same())
    yard.to_bed(5, pile, 20)
    seen.append(same())
    yard.to_bed(6, pile, None)  # all of it: what comes late corrects this line
    seen.append(same())
    yard.add(4, pile, (yard.deliver(3, 10, "leaves_loose"), None))
    seen.append(same())
    second = yard.build(7, (scraps, None))
    seen.append(same())
    tend.weigh_or_measure(
        tend.WeighOrMeasure(happened_at=at(7), lot=second.code, mass_kg=35.0), yard.lead, now=NOW
    )  # at the very moment of the last line
    seen.append(same())
    assert all(one != other for one, other in pairwise(seen))
    Place.objects.filter(code="B1").update(name="The first bay")
    names = {one.code: one.place.name for one in same()[0]}
    assert names[second.code] == "The first bay"


def test_the_audit_finds_what_is_wrong_in_the_books_of_one_lot_among_many(yard: Yard):
    """Lines that no use case would write, put straight into the tables."""
    deliveries_in_bulk(yard, 30)
    pile = yard.build(1, (Lot.objects.get(code="D-0003"), None))
    yard.turn(2, pile, "B2")
    assert (books().findings, oddities()) == ((), ())
    entry = Entry.objects.create(
        kind=Kind.DISCARD, happened_at=at(5), recorded_at=NOW, recorded_by=yard.lead
    )

    def taken(code: str, mass_kg: float) -> None:
        lot = Lot.objects.get(code=code)
        Flow.objects.create(entry=entry, from_kind="lot", from_lot=lot, to_kind="disposal",
                            mass_kg=mass_kg, known="weighed")  # fmt: skip

    taken("D-0007", 5.002)  # of five
    taken("D-0009", 4.0)
    Standing.objects.create(entry=entry, lot=Lot.objects.get(code="D-0009"), holds_kg=1.002)
    taken("D-0011", 5.0)
    never = Lot.objects.create(code="D-0099", kind="stock", number=99)
    kitchen = Source.objects.get(code="kitchen")
    Flow.objects.create(entry=entry, from_kind="source", from_source=kitchen,
                        to_kind="lot", to_lot=never, material_id="leaves_loose", mass_kg=3.0,
                        known="weighed")  # fmt: skip
    for found in (books(), books(every=False)):
        about = [(one.lot, one.what.partition(" kg")[0]) for one in found.findings]
        assert about == [
            ("D-0007", "D-0007 held -0.002"),
            ("D-0009", "the books of D-0009 differ by -0.002"),
            ("D-0099", "D-0099 was used before it was made"),
            ("", "over the whole site 2.998"),
        ]
    every, few = books(), books(every=False)
    assert few.lots.items() <= every.lots.items()
    assert "D-0011" in every.lots
    assert "D-0011" not in few.lots
    assert {lot: one.standing_kg for lot, one in every.lots.items() if one.standing_kg > 1e-6} == {
        lot: pytest.approx(one.standing_kg)
        for lot, one in few.lots.items()
        if one.standing_kg > 1e-6
    }
