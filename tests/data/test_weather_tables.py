"""Climates, weather figures and water figures: whole, possible, and refused when they are not."""

from __future__ import annotations

from itertools import pairwise

import pytest

from heapwright.data import materials, water, weather
from heapwright.data.pile import pile_parameters
from heapwright.data.tables import FactRow, check_rows, parse_rows, read_text, sources
from heapwright.errors import FactError


def test_every_climate_has_its_year_and_the_seasons_run_as_they_must():
    for climate in weather.climates().values():
        assert len(climate.months) == 12
        for month in climate.months:
            assert month.temp_min_c < month.temp_max_c
        if climate.letters[0] in "CD":  # winters in the north
            assert climate.month(1).temp_max_c < climate.month(7).temp_max_c
            assert climate.month(1, southern=True) == climate.month(7)
    assert weather.climates()["mediterranean"].month(7).rain_mm < 10
    assert weather.climates()["boreal"].month(1).temp_max_c < -5


def test_each_latitude_has_a_climate_to_assume():
    bands = sorted(
        climate.assumed_deg for climate in weather.climates().values() if climate.assumed_deg
    )
    assert bands[0][0] == 0.0
    assert bands[-1][1] == 90.0
    assert all(low[1] == high[0] for low, high in pairwise(bands))
    for latitude in (0.0, 23.0, -23.0, 41.99, 42.0, 90.0, -90.0, None):
        assert weather.assumed_climate(latitude)


def test_a_figure_that_is_not_there_is_an_error():
    assert weather.figure("ground_days").unit == "d"
    with pytest.raises(KeyError):
        weather.figure("moon_phase")
    with pytest.raises(FactError, match="column value: is blank"):
        weather.figure("climate_unknown")


def test_the_water_answers_share_their_figures_with_the_pile_model():
    facts, model = water.water_facts(), pile_parameters()
    assert facts.water_cap == model["water_cap_fraction"].typical
    assert facts.rain_bypass == model["rain_bypass"].typical
    assert facts.rain_share.typical == model["rain_share"].typical
    assert facts.water_made_kg_kg == model["water_kg_kg"].typical


def test_what_soaks_up_water_is_in_the_library():
    assert set(water.absorbencies()) <= set(materials())


@pytest.mark.parametrize(
    ("table", "shapes", "cells", "message"),
    [
        ("climate_months.csv", weather.SHAPES, {"temp_min_c": "40"}, "40 is above"),
        ("climate_months.csv", weather.SHAPES, {"month": "13"}, "13 is impossible"),
        ("climates.csv", weather.SHAPES, {"assumed_from_deg": "91"}, "91 is impossible"),
        ("water.csv", water.SHAPES, {"low": "2.6"}, "2.6 is above 2.5"),
        ("absorbency.csv", water.SHAPES, {"kg_kg_dry": "-1"}, "-1 is impossible"),
    ],
)
def test_a_row_that_cannot_be_is_refused(table, shapes, cells, message):
    row = parse_rows(table, read_text(table))[0]
    broken = FactRow(table, row.number, {**row.cells, **cells})
    with pytest.raises(FactError, match=table) as caught:
        check_rows([broken], sources(), shapes[table])
    assert message in str(caught.value)
