"""The site's stock as the recipe takes it, and a recipe as lines to write."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from django.http import QueryDict
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st
from tests.web.small_site import kg

from heapwright.science.layers import Layer
from heapwright.science.mixing import Part
from heapwright.yard import heap_shape, prove, recipe, recipe_plan, state, stock
from heapwright.yard.errors import FieldError, NotFoundError
from heapwright.yard.mix import BuildPile, build_pile
from heapwright.yard.models import Container, Place, Source
from heapwright.yard.receive import DeliveryLine, ReceiveDelivery, receive_delivery

pytestmark = pytest.mark.django_db


def deliver(site, days, material, *, quantity=None, source="kitchen"):
    line = DeliveryLine(material=material, quantity=quantity or kg(100), place="S1")
    act = ReceiveDelivery(
        happened_at=timezone.now() - timedelta(days=days), source=source, lines=(line,)
    )
    return receive_delivery(act, site.lead).lots.get()


def test_lots_of_one_material_stand_together_the_oldest_first(small_site):
    newer = deliver(small_site, 1, "food_scraps_mixed")
    scraps = stock.supply().by_id()["food_scraps_mixed"]
    codes = [lot.code for lot in scraps.lots]
    assert codes.index(small_site.scraps.code) < codes.index(newer.code)
    assert scraps.available_kg == pytest.approx(10 + 75 + 100)
    # nothing says in what they came: the kitchen's own container
    assert scraps.container.code == "tote"
    offered = scraps.stock()
    half_kg = scraps.ingredient.bulk_density_kg_m3.typical * 0.121 / 2
    assert offered.unit_kg == pytest.approx(half_kg)
    assert 0.9 <= offered.urgency <= 1.0


def test_a_container_that_holds_more_than_there_is_leaves_the_amount_free(small_site):
    Container.objects.create(code="vat", name="vat", volume_m3=3.0)
    Source.objects.get(code="stable").containers.add(Container.objects.get(code="vat"))
    lot = deliver(small_site, 1, "horse_straw", quantity=kg(30), source="stable")
    straw = stock.supply().by_id()["horse_straw"]
    assert [one.code for one in straw.lots] == [lot.code]
    assert straw.stock().unit_kg is None


def test_what_was_measured_of_a_lot_holds_for_that_lot_only(small_site):
    measured = deliver(small_site, 1, "food_scraps_mixed")
    prove.log_result(
        prove.LogResult(
            happened_at=timezone.now(),
            lot=measured.code,
            results=(prove.Result(quantity="moisture_pct", value=80.0),),
        ),
        small_site.lead,
    )
    known = stock.supply().by_id()
    own = known[f"food_scraps_mixed~{measured.code}"]
    assert own.ingredient.moisture_pct.typical == 80.0
    assert own.ingredient.moisture_pct.origin == "measured"
    assert [lot.code for lot in own.lots] == [measured.code]
    assert known["food_scraps_mixed"].ingredient.moisture_pct.typical == 69.0


def test_a_measured_grass_lot_keeps_its_thin_layers(small_site):
    grass = deliver(small_site, 1, "grass_clippings")
    prove.log_result(
        prove.LogResult(
            happened_at=timezone.now(),
            lot=grass.code,
            results=(prove.Result(quantity="moisture_pct", value=70.0),),
        ),
        small_site.lead,
    )
    of = stock.supply()
    one = of.by_id()[f"grass_clippings~{grass.code}"]
    layers = recipe.layers_of([Part(one.ingredient, 100.0)], 1.44, replace(of, on_hand=(one,)))
    assert max(layer.thickness_m for layer in layers if layer.kind == "wet") <= 0.05 + 1e-9


def test_what_cannot_be_mixed_is_left_out_with_what_would_let_it(small_site):
    trimmings = deliver(small_site, 1, "veg_trimmings")  # nobody published its moisture
    left = {one.lot.code: one.missing for one in stock.supply().left_out}
    assert left[small_site.overs.code] == ("moisture_pct", "n_pct_dry")
    assert left[trimmings.code] == ("moisture_pct",)
    prove.log_result(
        prove.LogResult(
            happened_at=timezone.now(),
            material="veg_trimmings",
            results=(prove.Result(quantity="moisture_pct", value=88.0),),
        ),
        small_site.lead,
    )
    assert stock.supply().by_id()["veg_trimmings"].ingredient.moisture_pct.typical == 88.0


def test_stock_that_nothing_came_of_is_what_stood_then(small_site):
    then = timezone.now() - timedelta(days=60)
    of = stock.supply(then)
    assert "food_scraps_mixed" not in of.by_id()  # all of it was in the first pile
    assert of.by_id()["leaves_loose"].available_kg == pytest.approx(370)


def layers(*masses: float) -> list[Layer]:
    return [
        Layer(number, "wet", number, "food_scraps_mixed", mass_kg, mass_kg / 455, 0.1, None, 0.0)
        for number, mass_kg in enumerate(masses, start=1)
    ]


def test_used_up_lots_are_taken_whole_so_that_nothing_is_left(small_site):
    of = stock.supply()
    scraps = of.by_id()["food_scraps_mixed"]
    old, new = scraps.lots
    takes = recipe.takes_of(layers(6.0, 44.0, 35.0), of)
    assert [(take.lot, take.quantity and round(take.quantity.mass_kg, 6)) for take in takes] == [
        (old.code, 6.0), (old.code, None), (new.code, 40.0), (new.code, None),
    ]  # fmt: skip
    assert sum(layer.mass_kg for layer in layers(6.0, 44.0, 35.0)) == scraps.available_kg


def test_a_lot_said_to_be_gone_is_emptied_by_its_last_take(small_site):
    of = stock.supply()
    new = of.by_id()["food_scraps_mixed"].lots[1]
    takes = recipe.takes_of(layers(20.0, 60.0), of, gone=[new.code])
    assert [take.empties for take in takes] == [False, False, True]
    pile = build_pile(
        BuildPile(happened_at=timezone.now(), place="B1", takes=takes), small_site.lead
    ).lots.get(kind="pile")
    assert state.lot_state(new.code) is None
    assert state.lot_state(pile.code).mass_kg == pytest.approx(80.0)


@given(masses=st.lists(st.floats(0.01, 40.0), min_size=1, max_size=8))
def test_takes_hold_every_kilogram_in_the_order_of_the_layers(masses):
    first, second = WAITING
    of = stock.Supply((SCRAPS,), (), {})
    takes = recipe.takes_of(layers(*masses), of)
    held = {first.code: first.mass_kg, second.code: second.mass_kg}
    total = 0.0
    for take in takes:
        kg_taken = held[take.lot] if take.quantity is None else take.quantity.mass_kg
        total += kg_taken
        held[take.lot] -= kg_taken
    assert total == pytest.approx(sum(masses), abs=1e-4)
    order = [take.lot for take in takes]
    assert order == sorted(order, key=[first.code, second.code].index)
    # the newer lot is only begun when the older one is used up
    if second.code in order:
        assert held[first.code] == pytest.approx(0.0, abs=1e-5)


def waiting(code: str, mass_kg: float) -> stock.WaitingLot:
    now = timezone.now()
    held = state.LotState(
        id=1, code=code, kind="stock", mass_kg=mass_kg, volume_m3=None, begun_at=now, place=None,
        cover="", stage="", stage_at=None, filled_at=None, proof_from=None, restarts=(),
        material_id="food_scraps_mixed", source="", contamination="", last={},
    )  # fmt: skip
    return stock.WaitingLot(held, None, 0.0, None, None)


def scraps_of(*lots: stock.WaitingLot) -> stock.OnHand:
    from heapwright.data import materials
    from heapwright.data.mixing import mix_facts
    from heapwright.science.ingredients import complete

    material = materials()["food_scraps_mixed"]
    return stock.OnHand(material, complete(material, mix_facts()), lots, None)


WAITING = waiting("D-1", 50.0), waiting("D-2", 400.0)
SCRAPS = scraps_of(*WAITING)


def test_an_amount_as_typed_is_all_of_it_when_it_is_but_for_rounding():
    assert SCRAPS.settled_kg(449.0) == 450.0
    assert SCRAPS.settled_kg(451.0) == 450.0
    assert SCRAPS.settled_kg(440.0) == 440.0
    assert SCRAPS.settled_kg(460.0) == 460.0


def test_a_plan_reads_back_from_its_own_query(small_site):
    of = stock.supply()
    plan = recipe_plan.Plan(
        place=Place.objects.get(code="B1"),
        amounts_kg={"food_scraps_mixed": 64.25, "leaves_loose": 51.5},
        water_kg=12.0,
        limits=recipe.goals().limits,
        only=tuple(lot.code for one in of.on_hand for lot in one.lots),
    )
    again = recipe_plan.plan_of(QueryDict(plan.query()))
    assert (again.place, again.amounts_kg, again.water_kg, again.only) == (
        plan.place, plan.amounts_kg, plan.water_kg, plan.only,
    )  # fmt: skip
    for name, limit in plan.limits.items():
        for side in ("low", "high"):
            assert getattr(again.limits[name], side) == pytest.approx(getattr(limit, side))
    one, other = recipe_plan.work_out(plan, of), recipe_plan.work_out(again)
    assert one.recipe.mix.moisture_pct == other.recipe.mix.moisture_pct
    assert one.layers == other.layers


@pytest.mark.parametrize(
    ("query", "error", "field"),
    [
        ("place=B9&mass.leaves_loose=3", NotFoundError, "place"),
        ("place=B1", FieldError, "mass"),
        ("place=B1&mass.leaves_loose=0", FieldError, "mass"),
        ("place=B1&mass.leaves_loose=-3", FieldError, "mass.leaves_loose"),
        ("place=B1&mass.leaves_loose=1,5", FieldError, "mass.leaves_loose"),
        ("place=B1&mass.leaves_loose=nan", FieldError, "mass.leaves_loose"),
        ("place=B1&mass.leaves_loose=3&water_kg=wet", FieldError, "water_kg"),
        ("place=B1&mass.leaves_loose=3&least.cn=x", FieldError, "least.cn"),
    ],
)
def test_a_query_that_is_no_plan_is_refused(small_site, query, error, field):
    with pytest.raises(error) as refused:
        recipe_plan.plan_of(QueryDict(query))
    assert refused.value.field == field


def test_a_plan_of_what_is_gone_is_refused(small_site):
    plan = recipe_plan.plan_of(QueryDict("place=B1&mass.spent_grain=3"))
    with pytest.raises(NotFoundError, match="not among the stock to use"):
        recipe_plan.work_out(plan)


def test_a_bay_is_filled_where_the_stock_fills_it(small_site):
    deliver(small_site, 1, "horse_straw", quantity=kg(800), source="stable")
    deliver(small_site, 1, "food_scraps_mixed", quantity=kg(600))
    bay = Place.objects.get(code="B1")
    room_m3 = heap_shape.room_m3(bay)
    assert room_m3 == pytest.approx(1.2**3)
    found = recipe.propose(stock.supply(), recipe.goals(), most_m3=room_m3)
    assert found.feasible
    assert found.mix.volume_m3 == pytest.approx(room_m3, rel=0.05)


def test_little_stock_makes_a_small_pile_not_a_full_bay(small_site):
    found = recipe.propose(stock.supply(), recipe.goals(), most_m3=30.0)
    assert found.feasible
    assert found.mix.volume_m3 < 5.0


def test_the_height_is_what_place_and_hands_allow(small_site):
    bay = Place.objects.get(code="B1")
    assert heap_shape.height_limit_m(bay) == 1.2
    bay.height_m = 3.0
    assert heap_shape.height_limit_m(bay) == pytest.approx(1.8288)
    lane = Place(code="L1", kind="lane", width_m=2.0, depth_m=20.0)
    assert heap_shape.room_m3(lane) is None
    assert heap_shape.footprint_m2(lane, 3.6576) == pytest.approx(2.0)  # 1 m of the lane
    assert heap_shape.footprint_m2(lane, 1000.0) == pytest.approx(40.0)  # no more than there is


def test_additions_come_first_from_those_who_give(small_site):
    Source.objects.filter(code="stable").update(material_ids=["horse_straw", "wood_chips"])
    of = stock.supply().of_lots([small_site.scraps.code])
    wish = recipe.goals(volume_m3=0.8)
    assert not recipe.propose(of, wish).feasible
    mends = recipe.would_mend(of, wish)
    assert mends
    assert {one.ingredient.id for one in mends} <= {
        "horse_straw", "wood_chips", "food_scraps_mixed",
    }  # fmt: skip
