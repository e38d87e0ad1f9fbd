"""The recipe: its own limits, more stock, impossible wishes and what mends them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from heapwright.data import materials
from heapwright.data.mixing import (
    acceptable_limits,
    candidates,
    mix_facts,
    preferred_limits,
    water,
)
from heapwright.errors import InputError
from heapwright.science.goals import AMOUNT_TOLERANCE, Goals, Stock
from heapwright.science.ingredients import complete
from heapwright.science.limits import limit_rows
from heapwright.science.mixing import Limit, mix_of, spread_of
from heapwright.science.programme import Programme
from heapwright.science.recipe import additions, judged, outside_of, solve

FACTS = mix_facts()
GOALS = Goals(acceptable_limits(), preferred_limits(), volume_m3=1.5)

FOODS = ["food_scraps_mixed", "spent_grain", "coffee_grounds", "apple_pomace", "grass_clippings"]
BROWNS = ["leaves_loose", "wood_chips", "straw_wheat", "cardboard", "wood_shavings", "sawdust"]
OTHERS = ["horse_straw", "horse_shavings", "cattle_manure", "hay_grass"]


def of(name):
    return complete(materials()[name], FACTS)


def stock(name, available_kg, litres=None, urgency=0.0):
    it = of(name)
    unit = it.bulk_density_kg_m3.typical * litres / 2000 if litres else None
    if unit is not None and unit > available_kg:
        unit = None
    return Stock(it, available_kg, unit, urgency)


RICH = [
    stock("food_scraps_mixed", 500, 20, 1.0),
    stock("coffee_grounds", 60, 20, 0.1),
    stock("horse_straw", 700, 85, 0.1),
    stock("leaves_loose", 500, 150),
    stock("wood_chips", 900, 85),
    stock("straw_wheat", 80, None),
]

stocks = st.lists(
    st.builds(
        stock,
        st.sampled_from(FOODS + BROWNS + OTHERS),
        st.floats(min_value=5, max_value=900),
        st.sampled_from([None, 20.0, 85.0]),
        st.sampled_from([0.0, 0.3, 1.0]),
    ),
    min_size=2,
    max_size=8,
    unique_by=lambda s: s.ingredient.id,
)


def used(recipe, name):
    return sum(p.mass_kg for p in recipe.parts if p.ingredient.id == name)


def test_a_rich_stock_makes_the_wanted_pile_in_range_and_sure():
    recipe = solve(RICH, GOALS, FACTS, water())
    assert recipe.feasible
    assert recipe.blocked_by == ()
    assert recipe.mix.volume_m3 == pytest.approx(1.5, rel=AMOUNT_TOLERANCE)
    assert recipe.spread.chance_in_range >= 0.9
    assert outside_of(recipe.mix, GOALS.limits) == ()


@given(stocks, st.floats(min_value=0.3, max_value=3.0))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_an_answer_satisfies_its_own_limits_when_recomputed(on_hand, volume_m3):
    goals = replace(GOALS, volume_m3=volume_m3)
    recipe = solve(on_hand, goals, FACTS, water())
    if not recipe.parts:
        assert not recipe.feasible
        assert recipe.blocked_by
        return
    again = mix_of(recipe.parts, FACTS)
    spread = spread_of(recipe.parts, judged(goals.limits), FACTS)
    assert again == recipe.mix
    assert spread.chance_in_range == recipe.spread.chance_in_range
    if recipe.feasible:
        assert outside_of(again, goals.limits) == ()
        assert again.volume_m3 == pytest.approx(volume_m3, rel=AMOUNT_TOLERANCE + 1e-6)
    else:
        # outside the acceptable range only with a word for every limit that is crossed
        said = {b.limit for b in recipe.blocked_by}
        assert {o.property for o in outside_of(again, goals.limits)} <= said
        assert said
    for part in recipe.parts:
        if part.ingredient.is_water:
            continue
        source = next(s for s in on_hand if s.ingredient.id == part.ingredient.id)
        assert part.mass_kg <= source.available_kg * (1 + 1e-9)
        if source.unit_kg:
            halves = part.mass_kg / source.unit_kg
            assert halves == pytest.approx(round(halves), abs=1e-6)


@given(stocks, st.integers(min_value=0, max_value=7), st.floats(min_value=1.1, max_value=4.0))
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_more_stock_never_makes_the_programme_worse(on_hand, which, factor):
    which %= len(on_hand)
    more = list(on_hand)
    more[which] = replace(more[which], available_kg=factor * more[which].available_kg)
    before = _optimum(on_hand)
    assume(before is not None)
    after = _optimum(more)
    assert after is not None
    assert after <= before + 0.02


def _optimum(on_hand):
    """The optimum of the programme at the typical values, to a gap of one in 100,000."""
    from heapwright.science.relaxation import Infeasible

    try:
        return Programme(on_hand, GOALS, FACTS, 1.5).integral(0.0, [], gap=1e-5)[1]
    except Infeasible:
        return None


def test_perishables_go_in_first():
    fresh = [replace(s, urgency=0.0) for s in RICH]
    pressing = [
        replace(s, urgency=1.0 if s.ingredient.id == "coffee_grounds" else 0.0) for s in RICH
    ]
    without = used(solve(fresh, GOALS, FACTS, water()), "coffee_grounds")
    with_haste = used(solve(pressing, GOALS, FACTS, water()), "coffee_grounds")
    assert with_haste > without
    assert with_haste >= 0.9 * 60 - 7


def test_a_scarce_brown_is_spared_when_another_is_plenty():
    plenty = [
        stock("food_scraps_mixed", 400, None, 1.0),
        stock("leaves_loose", 2000),
        stock("leaves_shredded", 150),
    ]
    recipe = solve(plenty, GOALS, FACTS, water())
    assert recipe.feasible
    assert used(recipe, "leaves_shredded") == 0


def test_caps_hold_by_volume():
    capped = replace(GOALS, caps={"horse_straw": 0.1})
    recipe = solve(RICH, capped, FACTS, water())
    assert recipe.feasible
    bedding = used(recipe, "horse_straw") / of("horse_straw").bulk_density_kg_m3.typical
    assert bedding <= 0.1 * recipe.mix.volume_m3 * (1 + 1e-6)


def test_a_cap_on_a_category_holds_for_its_materials_together():
    on_hand = [
        stock("food_scraps_mixed", 300),
        stock("coffee_grounds", 200),
        stock("wood_chips", 300),
        stock("wood_shavings", 200),
        stock("leaves_loose", 20),
    ]
    goals = replace(GOALS, volume_m3=1.0, caps={"wood": 0.25})
    recipe = solve(on_hand, goals, FACTS, water())
    assert recipe.feasible
    wood = sum(
        used(recipe, name) / of(name).bulk_density_kg_m3.typical
        for name in ("wood_chips", "wood_shavings")
    )
    assert 0 < wood <= 0.25 * recipe.mix.volume_m3 * (1 + 1e-6)


def test_no_more_water_is_added_than_there_is():
    dry = [stock("bread_bakery", 200), stock("leaves_loose", 300), stock("horse_shavings", 300)]
    goals = replace(GOALS, limits=GOALS.limits | {"moisture_pct": Limit(55, 60)})
    assert used(solve(dry, goals, FACTS, water()), "water") > 50
    for there_is in (0.0, 50.0):
        recipe = solve(dry, replace(goals, water_kg=there_is), FACTS, water())
        assert used(recipe, "water") <= there_is


def test_no_water_means_no_water():
    dry = [stock("bread_bakery", 200), stock("leaves_loose", 300), stock("horse_shavings", 300)]
    wet = solve(dry, GOALS, FACTS, water())
    assert used(wet, "water") > 0
    assert used(solve(dry, replace(GOALS, water_allowed=False), FACTS, water()), "water") == 0


def test_an_asked_for_chance_is_reached_or_refused():
    for chance in (0.6, 0.8, 0.95, 0.99):
        recipe = solve(RICH, replace(GOALS, chance=chance), FACTS, water())
        if recipe.feasible:
            assert recipe.spread.chance_in_range >= chance
        else:
            assert "chance" in {b.limit for b in recipe.blocked_by}
    narrow = replace(GOALS, chance=0.9, limits=GOALS.limits | {"moisture_pct": Limit(57, 58)})
    refused = solve(RICH, narrow, FACTS, water())
    assert not refused.feasible
    assert [b.limit for b in refused.blocked_by] == ["chance"]
    assert "moisture_pct" in refused.blocked_by[0].why


def test_surer_costs_no_less():
    points = [
        solve(RICH, replace(GOALS, chance=c), FACTS, water()).points for c in (0.7, 0.9, 0.97)
    ]
    assert points[0] <= points[1] + 0.1
    assert points[1] <= points[2] + 0.1


ALL_WET = [
    stock("food_scraps_mixed", 400, 20),
    stock("apple_pomace", 300, 60),
    stock("spent_grain", 200, 60),
    stock("grass_clippings", 150, 120),
]


def test_all_wet_stock_is_blocked_by_moisture():
    recipe = solve(ALL_WET, GOALS, FACTS, water())
    assert not recipe.feasible
    assert "moisture_pct" in {b.limit for b in recipe.blocked_by}


def test_each_least_addition_mends_it_and_a_tenth_less_does_not():
    loose = [replace(s, unit_kg=None) for s in ALL_WET]
    goals = replace(GOALS, chance=0.9)
    found = additions(
        loose, goals, FACTS, water(), candidates(materials(), FACTS, [s.ingredient for s in loose])
    )
    assert len(found) == 6
    assert [a.mass_kg for a in found] == sorted(a.mass_kg for a in found)
    for addition in found:
        enough = [*loose, Stock(addition.ingredient, 1.03 * addition.mass_kg)]
        less = [*loose, Stock(addition.ingredient, 0.9 * addition.mass_kg)]
        assert _possible_at_90(enough, goals), addition.ingredient.id
        assert not _possible_at_90(less, goals), addition.ingredient.id


@pytest.mark.parametrize(
    "goals",
    [
        GOALS,
        replace(GOALS, volume_m3=None),
        replace(GOALS, volume_m3=None, mass_kg=800.0),
        replace(GOALS, chance=0.8),
        replace(GOALS, volume_m3=1.0, limits=GOALS.limits | {"cn": Limit(28, 33)}),
        replace(GOALS, volume_m3=1.0, caps={"wood": 0.2, "straw_wheat": 0.1}),
    ],
    ids=["volume", "no wish", "mass", "sureness", "narrow", "caps"],
)
def test_the_wish_is_met_with_each_addition_laid_to_the_stock(goals):
    """Counted in containers and solved again, as a person who fetched it would."""
    on_hand = [*ALL_WET]
    if goals.volume_m3 or goals.mass_kg:
        on_hand += [stock("wood_chips", 30, 60), stock("leaves_loose", 18, 120)]
    assert not solve(on_hand, goals, FACTS, water()).feasible
    found = additions(
        on_hand,
        goals,
        FACTS,
        water(),
        candidates(materials(), FACTS, [s.ingredient for s in on_hand]),
    )
    assert found
    together = [found] if found[0].together else [[one] for one in found]
    for fetched in together:
        more = {a.ingredient.id: a.mass_kg for a in fetched}
        laid = [
            replace(s, available_kg=s.available_kg + more.pop(s.ingredient.id, 0.0))
            for s in on_hand
        ]
        laid += [Stock(a.ingredient, a.mass_kg) for a in fetched if a.ingredient.id in more]
        assert solve(laid, goals, FACTS, water()).feasible, [a.ingredient.id for a in fetched]


def test_a_mix_on_the_very_edge_of_its_limits_is_a_mix():
    """Spent grounds alone: C:N 20 and moisture 60 %, where 20 and 60 are the least."""
    edge = [stock("food_scraps_mixed", 348, 60), stock("coffee_grounds", 27)]
    limits = GOALS.limits | {"moisture_pct": Limit(60, 65)}
    recipe = solve(edge, replace(GOALS, volume_m3=None, limits=limits), FACTS, water())
    assert recipe.feasible
    assert recipe.blocked_by == ()
    assert outside_of(recipe.mix, limits) == ()


def _possible_at_90(on_hand, goals):
    from heapwright.science.relaxation import Infeasible

    try:
        Programme(on_hand, goals, FACTS, 1.5).relaxed(1.2815515655446004)
    except Infeasible:
        return False
    return True


def test_additions_are_ordered_by_cost_where_prices_are_known():
    loose = [replace(s, unit_kg=None) for s in ALL_WET]
    few = [of("straw_wheat"), of("leaves_loose"), of("sawdust")]
    prices = {"straw_wheat": 200.0, "leaves_loose": 1.0, "sawdust": 90.0}
    found = additions(loose, GOALS, FACTS, water(), few, prices_per_tonne=prices)
    assert found[0].ingredient.id == "leaves_loose"
    assert [a.cost for a in found] == sorted(a.cost for a in found)


def test_when_no_single_material_mends_it_a_set_does():
    """Wet sawdust and a ban on water: nitrogen and dryness must come from two materials."""
    only = [stock("sawdust", 10)]
    few = [
        of("cottonseed_meal") if _enters("cottonseed_meal") else of("poultry_layer"),
        of("straw_wheat"),
    ]
    goals = replace(GOALS, volume_m3=1.0)
    found = additions(only, goals, FACTS, water(), few)
    assert len(found) >= 1
    assert all(a.together for a in found)
    enough = [*only, *(Stock(a.ingredient, 1.05 * a.mass_kg) for a in found)]
    assert solve(enough, goals, FACTS, water()).feasible


def _enters(name):
    return name in {i.id for i in candidates(materials(), FACTS, [])}


def test_too_little_stock_is_blocked_by_the_amount_and_by_what_stops_it():
    recipe = solve(RICH, replace(GOALS, volume_m3=60.0), FACTS, water())
    assert not recipe.feasible
    assert recipe.blocked_by[0].limit == "amount"
    assert "60" in recipe.blocked_by[0].why


def test_a_little_off_is_offered_as_a_compromise_that_names_its_cost():
    slightly = [stock("food_scraps_mixed", 700), stock("leaves_loose", 74)]
    goals = replace(GOALS, volume_m3=2.0)
    recipe = solve(slightly, goals, FACTS, water())
    assert not recipe.feasible
    assert recipe.parts
    assert recipe.outside
    assert {o.property for o in recipe.outside} <= {b.limit for b in recipe.blocked_by}


def test_far_off_is_not_offered():
    recipe = solve([stock("spent_grain", 800)], GOALS, FACTS, water())
    assert not recipe.feasible
    assert recipe.parts == ()


def test_without_a_wish_the_pile_is_as_large_as_the_stock_makes():
    free = replace(GOALS, volume_m3=None)
    small, large = solve(RICH[:4], free, FACTS, water()), solve(RICH, free, FACTS, water())
    assert small.feasible
    assert large.mix.volume_m3 >= 0.99 * small.mix.volume_m3


def test_a_wanted_mass_is_met():
    recipe = solve(RICH, replace(GOALS, volume_m3=None, mass_kg=600), FACTS, water())
    assert recipe.feasible
    assert recipe.mix.mass_kg == pytest.approx(600, rel=AMOUNT_TOLERANCE + 1e-6)


def test_nothing_on_hand_is_an_error():
    with pytest.raises(InputError, match="nothing is on hand"):
        solve([stock("leaves_loose", 0)], GOALS, FACTS, water())


@pytest.mark.parametrize("bad", [{"mass_kg": 3.0}, {"volume_m3": -1.0}, {"chance": 1.0}])
def test_impossible_wishes_are_refused(bad):
    with pytest.raises(InputError):
        replace(GOALS, **bad)


def test_the_relaxation_agrees_with_an_independent_cone_programme():
    """The same wish written as a second-order cone programme in CVXPY, solved by Clarabel."""
    import cvxpy as cp

    k = 1.3
    on_hand = [replace(s, unit_kg=None) for s in RICH]
    goals = replace(GOALS, preferred={})
    programme = Programme(on_hand, goals, FACTS, 1.5)
    # without the fixed cost of an ingredient the continuous programme is the whole programme
    programme.cost[programme.chosen_at : programme.soft_at] = 0.0
    masses, cuts = programme.relaxed(k)
    mine = float(programme.cost[: programme.count + 1] @ masses)

    x = cp.Variable(len(on_hand) + 1, nonneg=True)
    volume = programme.volume_m3_kg
    rows = limit_rows([s.ingredient for s in on_hand], goals.limits, goals, FACTS)
    limits = [x[: len(on_hand)] <= [s.available_kg for s in on_hand]]
    for row in rows:
        scale = 1.0 / np.abs(row.typical).max()
        limits.append(scale * row.typical @ x <= 0)
        limits.append(scale * row.mean @ x + k * cp.norm(cp.multiply(scale * row.sd, x)) <= 0)
    limits += [volume @ x <= 1.5 * 1.05, volume @ x >= 1.5 * 0.95]
    deviation = cp.abs(volume @ x - 1.5) * (100.0 * programme.weights.amount_per_pct / 1.5)
    cost = programme.cost[: len(on_hand) + 1] @ x + deviation
    problem = cp.Problem(cp.Minimize(cost), limits)
    problem.solve(solver=cp.CLARABEL)
    assert problem.status == "optimal"
    mine += 100.0 * programme.weights.amount_per_pct / 1.5 * abs(volume @ masses - 1.5)
    assert cuts
    assert mine == pytest.approx(problem.value, abs=0.05)


def test_whole_containers_agree_with_an_independent_search():
    """Two materials in half containers: every pair of counts tried."""
    on_hand = [stock("food_scraps_mixed", 300, 60, 1.0), stock("leaves_loose", 200, 150)]
    goals = replace(GOALS, volume_m3=1.2, water_allowed=False, preferred={})
    programme = Programme(on_hand, goals, FACTS, 1.2)
    _, points = programme.integral(0.0, [], gap=1e-6)
    best = np.inf
    for food in range(int(300 / on_hand[0].unit_kg) + 1):
        for leaves in range(int(200 / on_hand[1].unit_kg) + 1):
            masses = np.array([food * on_hand[0].unit_kg, leaves * on_hand[1].unit_kg, 0.0])
            volume = float(programme.volume_m3_kg @ masses)
            if abs(volume / 1.2 - 1) > AMOUNT_TOLERANCE:
                continue
            if any(row.typical @ masses > 0 for row in programme.hard):
                continue
            cost = float(programme.cost[:2] @ [food, leaves])
            cost += programme.weights.ingredient * ((food > 0) + (leaves > 0))
            cost += 100 * programme.weights.amount_per_pct * abs(volume - 1.2) / 1.2
            best = min(best, cost)
    assert points == pytest.approx(best, abs=1e-3)
