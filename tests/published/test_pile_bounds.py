"""The model against published piles: benchmarks B1 to B16 of the process facts, section 4.

Conditions and bounds, each with its source and how firm it is, stand in ``docs/pile_cases.py``;
no source gives hourly tables, so the bounds are wide, and several were chosen by this project
from what the source says. Tolerances: within the bound as stated there. The model's parameters
were chosen with these bounds in view, so passing them is agreement, not validation.
"""

from __future__ import annotations

import numpy as np
import pytest
from docs.pile_cases import BOUNDS, NOT_SET, measure, misfit

from heapwright.data.pile import pile_parameters
from heapwright.science.pile_parameters import fixed

KNOWN_MISSES = {
    "76 L indoors: peak": "from cold to hot with size the step is sharper than in the field",
}
"""What the model does not reproduce; docs/pile-model.md tells them."""


@pytest.fixture(scope="module")
def measured():
    """Member 0 has the prototype's parameters, member 1 those in use."""
    facts = pile_parameters()
    parameters, first = fixed(facts, 2), fixed(facts, 2, prototype=True)
    for key, value in parameters.items():
        value[0] = first[key][0]
    return measure(parameters)


@pytest.mark.parametrize("bound", BOUNDS, ids=lambda b: f"{b.benchmark}: {b.quantity}")
def test_bound(measured, bound):
    value = measured[bound.quantity][1]
    inside = bound.low <= value <= bound.high
    if bound.quantity in KNOWN_MISSES:
        assert not inside, "now within its bound: take it off the known misses"
        assert abs(value - np.clip(value, bound.low, bound.high)) < 5.0
    else:
        assert inside, f"{value:.3g} is outside of {bound.low:g} to {bound.high:g}"


def test_each_mended_weakness_is_nearer_to_its_bound_than_the_prototype(measured):
    before, now = misfit(measured)
    assert now < 0.2 * before
    wet = measured["bay 20 °C: wet mass lost"]
    assert wet[0] < 0.30 < 0.40 <= wet[1] <= 0.60
    rain = measured["bay in winter rain: wet mass lost"]
    assert rain[0] < 0.0 < rain[1]
    assert measured["bay 20 °C: peak"][0] > 71.0 > 68.0 >= measured["bay 20 °C: peak"][1]
    cold = measured["cubic yard at 5 °C: day of 55 °C"]
    assert cold[0] > 15.0 > 12.0 >= cold[1]
    small = measured["0.5 m cube at 20 °C: peak"]
    assert small[0] > 65.0 > 62.0 >= small[1]


def test_every_benchmark_is_run_or_said_why_not():
    told = " ".join(bound.benchmark for bound in BOUNDS)
    for number in range(1, 17):
        name = f"B{number}"
        assert name in NOT_SET or name in told.replace(",", " ").split(), name
    assert not set(NOT_SET) & {b for bound in BOUNDS for b in bound.benchmark.split(", ")}


def test_every_bound_names_its_source_and_how_firm_it_is():
    for bound in BOUNDS:
        assert bound.source
        assert bound.firm
        assert bound.low < bound.high
