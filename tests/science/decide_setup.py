"""Standing heaps for the tests of decisions: some mix in some weather, read for some days."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from heapwright.data import materials
from heapwright.data.decisions import decision_facts
from heapwright.data.mixing import mix_facts
from heapwright.data.pile import decay_classes, pile_covers, pile_parameters
from heapwright.data.sanitation import rules, terms
from heapwright.science.assimilate import assimilate
from heapwright.science.assimilate_readings import Moisture, Observation, Temperature
from heapwright.science.daily import Act as LogAct
from heapwright.science.daily import Log, Readings
from heapwright.science.decide_asked import Asked, DryChoice
from heapwright.science.decide_proof import Proving, ReadPoint
from heapwright.science.heap_shape import HeapShape
from heapwright.science.ingredients import Ingredient, complete
from heapwright.science.mixing import Part
from heapwright.science.periods import Stated
from heapwright.science.pile_forecast import Act, PilePlan
from heapwright.science.pile_weather import typical_weather
from heapwright.science.water import DryMaterial

FACTS = decision_facts()
COVERS = pile_covers()
MEMBERS = 40
BAY = HeapShape("bay", 1.2, 1.2, 1.1)
LOW = HeapShape("bay", 1.2, 1.2, 0.3)
COOL = {"temp_mean_c": 10.0, "temp_swing_c": 4.0, "rain_mm_day": 0.0, "soil_temp_c": 10.0}
RAIN = {"temp_mean_c": 8.0, "temp_swing_c": 3.0, "rain_mm_day": 8.0, "soil_temp_c": 9.0}
FROST = {"temp_mean_c": 0.0, "temp_swing_c": 4.0, "rain_mm_day": 1.0, "soil_temp_c": 5.0}
HEAT = {"temp_mean_c": 24.0, "temp_swing_c": 6.0, "rain_mm_day": 0.0, "soil_temp_c": 20.0}

Mix = Sequence[tuple[str, float]]
RICH: Mix = (("food_scraps_mixed", 220), ("leaves_shredded", 200), ("wood_chips", 80),
             ("water", 40))  # fmt: skip
LEAFY: Mix = (("food_scraps_mixed", 60), ("leaves_shredded", 200), ("wood_chips", 80))
SODDEN: Mix = (("food_scraps_mixed", 600), ("grass_clippings", 300), ("wood_chips", 40))
HANDFUL: Mix = (("food_scraps_mixed", 70), ("leaves_shredded", 55), ("wood_chips", 15),
                ("water", 10))  # fmt: skip
HOT = (25, 45, 58, 62, 63, 62, 61)
FINISHED = (25, 45, 58, 62, 63, 62, 61, 60, 60, 58, 55, 52, 50, 47, 45, 42, 40, 38, 36, 34, 32,
            30, 28, 26, 25, 24, 23)  # fmt: skip


def ingredient(name: str) -> Ingredient:
    return complete(materials()[name], mix_facts())


def chips(on_hand_kg: float = 500.0) -> DryChoice:
    one = ingredient("wood_chips")
    return DryChoice(
        DryMaterial("wood chips", 25.0, one.bulk_density_kg_m3.typical, 1.5), one, on_hand_kg
    )


def read(core_c: Sequence[float], depth_cm: float = 45.0) -> list[Observation]:
    """Return two readings a day at the same depth, from the first day on."""
    return [
        Temperature(24.0 * (day + 1), float(temp_c), point, depth_cm=depth_cm)
        for day, temp_c in enumerate(core_c)
        for point in ("1", "2")
    ]


def felt(day: float, moisture_pct: float) -> Observation:
    return Moisture(24.0 * day, moisture_pct, 3.0)


def heap(
    mix: Mix,
    weather: dict[str, float],
    core_c: Sequence[float] = (),
    *,
    shape: HeapShape = BAY,
    more: Sequence[Observation] = (),
    acts: Sequence[Act] = (),
    cover: str = "open",
    **asked: Any,
) -> Asked:
    """Return a heap that was read each day (the last reading two hours ago)."""
    now_day = len(core_c) + 0.2 if core_c else 2.2
    plan = PilePlan(
        shape,
        tuple(Part(ingredient(name), kg) for name, kg in mix),
        COVERS[cover],
        12.0,
        acts=tuple(acts),
    )
    ensemble = assimilate(
        plan,
        typical_weather((now_day + 15.0) * 24.0 + 30.0, **weather),
        pile_parameters(),
        decay_classes(),
        [*read(core_c), *more],
        days=now_day + 15.0,
        members=MEMBERS,
        seed=1,
    )
    given: dict[str, Any] = {
        "planned": (),
        "stage": "hot",
        "tarp": COVERS["tarp"] if cover == "open" else None,
        "dry": chips(),
        "read_c": float(core_c[-1]) if core_c else None,
    }
    return Asked(
        ensemble=ensemble, now_hour=24.0 * now_day, done=tuple(acts), shape=shape,
        cover=COVERS[cover], **{**given, **asked},
    )  # fmt: skip


BUILT_S = int(datetime(2026, 3, 1, 9, tzinfo=UTC).timestamp())


def proving(
    core_c: Sequence[float], *, turned: Sequence[float] = (), days: int = 15, rule: str = "US-FDA-T"
) -> Proving:
    """Return a log of one deep point read each day, to be read on each day to come."""
    count = len(core_c)
    time_s = BUILT_S + 86_400 * (np.arange(count) + 1)
    log = Log(
        Readings(
            time_s.astype(np.int64),
            np.zeros(count, dtype=np.int64),
            np.asarray(core_c, dtype=float),
            None,
            ("1",),
        ),
        (
            LogAct(BUILT_S, "built"),
            *(LogAct(BUILT_S + round(86_400 * day), "turned") for day in turned),
        ),
    )
    hours = tuple(24.0 * (count + 1 + day) for day in range(days))
    return Proving(
        log, rules()[rule], Stated(method="turned"), terms(), BUILT_S, (ReadPoint("1", 1.0),), hours
    )
