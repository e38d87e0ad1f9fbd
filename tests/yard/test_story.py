"""The main job on real records, from a delivery to a bed."""

from __future__ import annotations

import pytest
from tests.yard.acting import NOW, Yard, at, kg

from heapwright.yard import history, state, trace, use
from heapwright.yard.acts import first_lot
from heapwright.yard.audit import audit
from heapwright.yard.models import Kind, LotKind, Stage


def test_a_pile_goes_from_delivery_to_bed_and_every_kilogram_is_found(yard: Yard):
    scraps = yard.deliver(0, 100)
    leaves = yard.deliver(0, 60, "leaves_loose")
    pile = yard.build(1, (leaves, 20), (scraps, 100), (leaves, 30), water_l=20)
    held = state.lot_state(pile.code, at(1))
    assert held is not None
    assert held.mass_kg == pytest.approx(170)
    assert held.stage == Stage.HOT
    assert held.place.code == "B1"
    assert state.lot_state(scraps.code, at(1)) is None

    yard.weigh(60, pile, 90)
    yard.turn(61, pile, "CP")
    assert state.lot_state(pile.code, at(62)).stage == Stage.CURING
    screened = use.screen(
        use.Screen(
            happened_at=at(90),
            lot=pile.code,
            compost=use.Output(place="SC", quantity=kg(50)),
            overs=use.Output(place="S2", quantity=kg(25)),
        ),
        yard.lead,
        now=NOW,
    )
    compost = first_lot(screened, LotKind.COMPOST)
    yard.to_bed(91, compost, 40)

    result = audit(deep=True)
    assert result.findings == ()
    assert result.site.in_kg == pytest.approx(160)
    assert result.site.water_kg == pytest.approx(20)
    assert result.site.to_air_kg == pytest.approx(80 + 15)
    assert result.site.to_beds_kg == pytest.approx(40)
    assert result.site.standing_kg == pytest.approx(10 + 25 + 10)
    shares = trace.materials_of(trace.composition(compost))
    assert shares == pytest.approx(
        {"food_scraps_mixed": 100 / 170, "leaves_loose": 50 / 170, "water": 20 / 170}
    )
    assert [entry.kind for entry in history.entries(lot=pile)] == [
        Kind.SCREEN,
        Kind.TURN,
        Kind.MEASURE,
        Kind.BUILD,
    ]


def test_the_number_of_queries_does_not_grow_with_the_records(
    yard: Yard, django_assert_num_queries
):
    for day in range(0, 30, 10):
        for place in ("B1", "B2", "B3"):
            pile = yard.build(day + 1, (yard.deliver(day, 100), 60), place=place)
            yard.read(day + 2, pile, 55)
            yard.to_bed(day + 3, pile, None if day < 20 else 1)
    with django_assert_num_queries(7):
        standing = state.state_at()
    assert len(standing) == 9 + 3
    with django_assert_num_queries(3):
        temps = state.day_temps([one.id for one in standing])
    assert len(temps) == 3
