"""Laws of the ledger under random acts, late entries, strikes and corrected entries."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from tests.yard.acting import NOW, Yard, at, kg

from heapwright.yard import ledger, mix, receive, state, tend, trace, use
from heapwright.yard.acts import Take
from heapwright.yard.audit import audit
from heapwright.yard.errors import YardError
from heapwright.yard.models import Entry, Flow, Kind, Lot, Standing
from heapwright.yard.strike import strike

DAYS = st.integers(0, 40).map(lambda half: half / 2)
MASSES = st.integers(1, 120).map(float)
PLACES = st.sampled_from(["B1", "B2", "B3", "S1", "CP"])
PICK = st.integers(0, 10_000)


def naive_state(when: datetime) -> dict[str, tuple[float, str | None]]:
    """Return mass and place of each lot by playing every line that was ever written."""
    masses: dict[str, float] = defaultdict(float)
    places: dict[str, str] = {}
    entries = sorted(Entry.objects.all(), key=lambda entry: (entry.happened_at, entry.id))
    for entry in entries:
        if entry.struck_at is not None or entry.happened_at > when:
            continue
        for line in Flow.objects.filter(entry=entry).select_related("from_lot", "to_lot"):
            if line.to_lot:
                masses[line.to_lot.code] += line.mass_kg
            if line.from_lot:
                masses[line.from_lot.code] -= line.mass_kg
        for said in Standing.objects.filter(entry=entry).select_related("lot", "place"):
            if said.place:
                places[said.lot.code] = said.place.code
    return {code: (mass_kg, places.get(code)) for code, mass_kg in masses.items() if mass_kg > 1e-6}


class YardOfActs(RuleBasedStateMachine):
    """Whatever is done, in whatever order, the books add up and never go below zero."""

    def __init__(self) -> None:
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.atomic.__exit__(None, None, None)

    @initialize()
    def begin(self) -> None:
        self.yard = Yard()
        self.refused = 0
        scraps = self.yard.deliver(0, 80)
        self.yard.build(1, (scraps, 50))

    def attempt(self, use_case, act) -> None:
        before = Entry.objects.count(), Flow.objects.count(), Lot.objects.count()
        try:
            with transaction.atomic():
                use_case(act, self.yard.lead, now=NOW)
        except YardError:
            after = Entry.objects.count(), Flow.objects.count(), Lot.objects.count()
            assert after == before

    def lot(self, pick: int, *kinds: str) -> str:
        codes = Lot.objects.filter(kind__in=kinds) if kinds else Lot.objects.all()
        codes = list(codes.values_list("code", flat=True))
        return codes[pick % len(codes)] if codes else "none"

    def replaces(self, pick: int, kind: Kind) -> dict:
        """Now and then the act is a correction of one of its kind."""
        entries = list(Entry.objects.filter(kind=kind, struck_at=None))
        if pick % 4 or not entries:
            return {}
        return {"replaces": entries[pick % len(entries)].uuid, "reason": "mistyped"}

    @rule(day=DAYS, mass_kg=MASSES, pick=PICK)
    def deliver(self, day, mass_kg, pick):
        self.attempt(
            receive.receive_delivery,
            receive.ReceiveDelivery(
                happened_at=at(day),
                source="kitchen",
                lines=(
                    receive.DeliveryLine(
                        material="leaves_loose" if pick % 2 else "food_scraps_mixed",
                        quantity=kg(mass_kg),
                        place="S1",
                    ),
                ),
                **self.replaces(pick, Kind.DELIVERY),
            ),
        )

    @rule(day=DAYS, mass_kg=MASSES, pick=PICK, stage=st.sampled_from(["hot", "curing", "ready"]))
    def open_lot(self, day, mass_kg, pick, stage):
        kind = ("pile", "stock", "compost", "overs")[pick % 4]
        parts = (
            receive.OpeningPart(material="leaves_loose", share_pct=100 if kind == "stock" else 60),
            receive.OpeningPart(material="food_scraps_mixed", share_pct=30),
        )
        self.attempt(
            receive.open_lot,
            receive.OpenLot(
                happened_at=at(day),
                kind=kind,
                place="B1",
                quantity=kg(mass_kg),
                materials=parts[: 1 if kind == "stock" else pick % 3],
                stage=stage if kind in ("pile", "compost") else "",
                **self.replaces(pick, Kind.OPENING),
            ),
        )

    @rule(day=DAYS, mass_kg=MASSES, pick=PICK, all_of_it=st.booleans(), empties=st.booleans())
    def build(self, day, mass_kg, pick, all_of_it, empties):
        take = Take(
            lot=self.lot(pick, "stock", "overs"),
            quantity=None if all_of_it else kg(mass_kg),
            empties=empties,
        )
        self.attempt(
            mix.build_pile,
            mix.BuildPile(
                happened_at=at(day),
                place="B2",
                takes=(take,),
                full=bool(pick % 2),
                **self.replaces(pick, Kind.BUILD),
            ),
        )

    @rule(day=DAYS, mass_kg=MASSES, pick=PICK, other=PICK, all_of_it=st.booleans())
    def add(self, day, mass_kg, pick, other, all_of_it):
        take = Take(lot=self.lot(other), quantity=None if all_of_it else kg(mass_kg))
        self.attempt(
            mix.add_to_pile,
            mix.AddToPile(
                happened_at=at(day),
                lot=self.lot(pick, "pile"),
                takes=(take,),
                **self.replaces(other, Kind.ADD),
            ),
        )

    @rule(day=DAYS, pick=PICK, other=PICK, into=st.booleans())
    def combine(self, day, pick, other, into):
        first, second = self.lot(pick, "pile"), self.lot(other, "pile")
        self.attempt(
            tend.combine,
            tend.Combine(happened_at=at(day), lots=(first,), into=second)
            if into
            else tend.Combine(happened_at=at(day), lots=(first, second), place="B3"),
        )

    @rule(day=DAYS, pick=PICK, mass_kg=MASSES)
    def divide(self, day, pick, mass_kg):
        self.attempt(
            tend.divide,
            tend.Divide(
                happened_at=at(day),
                lot=self.lot(pick),
                parts=(tend.Part(place="CP", quantity=kg(mass_kg)),),
            ),
        )

    @rule(day=DAYS, pick=PICK, place=PLACES)
    def move(self, day, pick, place):
        self.attempt(tend.move, tend.Move(happened_at=at(day), lot=self.lot(pick), to_place=place))

    @rule(day=DAYS, pick=PICK, mass_kg=MASSES)
    def weigh(self, day, pick, mass_kg):
        self.attempt(
            tend.weigh_or_measure,
            tend.WeighOrMeasure(happened_at=at(day), lot=self.lot(pick), mass_kg=mass_kg),
        )

    @rule(day=DAYS, pick=PICK, stage=st.sampled_from(["curing", "ready"]))
    def declare(self, day, pick, stage):
        self.attempt(
            tend.declare_stage,
            tend.DeclareStage(happened_at=at(day), lot=self.lot(pick, "pile"), stage=stage),
        )

    @rule(day=DAYS, pick=PICK, compost_kg=MASSES, overs_kg=MASSES, all_of_it=st.booleans())
    def screen(self, day, pick, compost_kg, overs_kg, all_of_it):
        self.attempt(
            use.screen,
            use.Screen(
                happened_at=at(day),
                lot=self.lot(pick, "pile"),
                compost=use.Output(place="SC", quantity=kg(compost_kg)),
                overs=use.Output(place="S2", quantity=kg(overs_kg)),
                all_of_it=all_of_it,
            ),
        )

    @rule(day=DAYS, pick=PICK, mass_kg=MASSES, all_of_it=st.booleans(), bed=st.booleans())
    def take_away(self, day, pick, mass_kg, all_of_it, bed):
        quantity = None if all_of_it else kg(mass_kg)
        lot = self.lot(pick)
        self.attempt(
            *(
                (
                    use.use_compost,
                    use.UseCompost(happened_at=at(day), lot=lot, bed="BED1", quantity=quantity),
                )
                if bed
                else (
                    use.discard,
                    use.Discard(happened_at=at(day), lot=lot, why="spoilt", quantity=quantity),
                )
            )
        )

    @precondition(lambda self: hasattr(self, "yard"))
    @rule(pick=PICK)
    def strike_one(self, pick):
        uuids = list(Entry.objects.values_list("uuid", flat=True))
        try:
            with transaction.atomic():
                strike(uuids[pick % len(uuids)], "typed wrong", self.yard.lead, now=NOW)
        except YardError:
            pass

    @invariant()
    def adds_up(self):
        if not hasattr(self, "yard"):
            return
        result = audit()
        assert result.adds_up, result.findings
        for balance in result.lots.values():
            assert balance.residual_kg == pytest.approx(0, abs=1e-6)
            assert balance.standing_kg > -1e-6

    @invariant()
    def every_past_moment_is_what_a_replay_says(self):
        if not hasattr(self, "yard"):
            return
        for day in (1.0, 7.25, 13.0, 30.0):
            seen = {
                one.code: (one.mass_kg, one.place.code if one.place else None)
                for one in state.state_at(at(day))
            }
            played = naive_state(at(day))
            assert seen.keys() == played.keys()
            for code, (mass_kg, place) in played.items():
                assert seen[code] == (pytest.approx(mass_kg, abs=1e-6), place)

    @invariant()
    def fractions_sum_to_one_and_origins_hold_what_stands(self):
        if not hasattr(self, "yard"):
            return
        held = ledger.held_kg()
        for lot in Lot.objects.filter(id__in=held):
            parts = trace.composition(lot)
            assert sum(part.fraction for part in parts) == pytest.approx(1)
            assert sum(part.mass_kg for part in parts) == pytest.approx(held[lot.id], rel=1e-6)


def play(max_examples: int, steps: int) -> None:
    run_state_machine_as_test(
        YardOfActs,
        settings=settings(
            max_examples=max_examples,
            stateful_step_count=steps,
            deadline=None,
            phases=(Phase.explicit, Phase.reuse, Phase.generate),  # shrinking takes minutes
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.mark.django_db
def test_books_add_up_under_any_acts():
    play(25, 16)


@pytest.mark.soak
@pytest.mark.django_db
def test_books_add_up_under_any_acts_for_long():
    play(60, 40)
