"""``heapwright forecast``: what to do with the pile today, beside what it will do."""

from __future__ import annotations

import json
from typing import get_args

import pytest
from click.testing import CliRunner

from heapwright.cli import cli, forecast_advice
from heapwright.data.decisions import decision_facts, decision_figures
from heapwright.data.tables import sources
from heapwright.science.decide_asked import Amount, Decision, DecisionKind, Why

DRY = """
[pile]
shape = "bay"
width_m = 1.2
length_m = 1.2
height_m = 1.1
cover = "tarp"
built = 2026-06-01T10:00:00
start_temp_c = 15.0
[[pile.material]]
material = "straw_general"
mass_kg = 120
[[pile.material]]
material = "leaves_loose"
mass_kg = 60
[[pile.material]]
material = "bread_bakery"
mass_kg = 60
[weather]
temp_mean_c = 18.0
temp_swing_c = 6.0
rain_mm_day = 0.0
soil_temp_c = 15.0
[forecast]
days = 30
members = 40
seed = 1
"""
CORE_C = (20, 35, 48, 55, 57, 58, 56, 55, 52, 50)
LOG = "time,event,point,depth_cm,temp_c\n2026-06-01T10:00,built,,,\n" + "".join(
    f"2026-06-{day:02d}T09:00,read,core,45,{temp_c}\n" for day, temp_c in enumerate(CORE_C, start=2)
)
"""Ten days of readings, the last on the 11th of June."""


@pytest.fixture
def run(tmp_path):
    def answer(*more: str, log: str = LOG, pile: str = DRY) -> str:
        (tmp_path / "PILE.toml").write_text(pile)
        args = ["forecast", str(tmp_path / "PILE.toml"), *more]
        if log:
            (tmp_path / "LOG.csv").write_text(log)
            args += ["--log", str(tmp_path / "LOG.csv")]
        result = CliRunner().invoke(cli, args, catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.stdout

    return answer


def test_a_dry_pile_is_to_be_wetted_with_amount_reason_gain_and_sources(run):
    found = json.loads(run("--json"))
    one = found["advice"][0]
    assert (one["do"], one["verdict"], one["unit"]) == ("wet", "do", "L")
    assert 60.0 < one["amount"] < 250.0
    assert one["reason"] == "below 40 % of water now and in 3 days"
    water = one["gain"]["moisture_pct"]
    assert water["done"]["p50"] - water["left"]["p50"] > 10.0
    assert water["difference"]["p5"] <= water["difference"]["p50"] <= water["difference"]["p95"]
    assert one["gain"]["core_c"]["unit"] == "°C"
    assert set(one["sources"]) <= set(sources())
    assert set(one["rests_on"]) <= set(decision_figures())
    assert one["mark"] in ("published", "common practice", "from memory")
    # what the contract names is as it was
    assert {"time", "core_temp_c", "moisture_pct", "peak_temp_c", "balance"} <= found.keys()


def test_a_person_reads_it_too(run):
    text = run()
    assert "Today, doing it against leaving it" in text
    assert "turn it and wet it" in text
    assert "never count as proof" in text


def test_what_is_advised_is_of_the_logs_last_row_and_what_was_done_until_then(run):
    wetted = DRY.replace("[weather]", '[[act]]\nday = 9.5\nact = "wetted"\nlitres = 150\n[weather]')
    found = json.loads(run("--json", pile=wetted))
    assert "wet" not in [one["do"] for one in found["advice"]]


def test_a_moist_pile_that_runs_well_asks_for_nothing(run):
    moist = DRY.replace('"straw_general"\nmass_kg = 120', '"food_scraps_mixed"\nmass_kg = 250')
    hot = LOG.replace(",50\n", ",62\n").replace(",52\n", ",62\n")
    text = run(pile=moist.replace('cover = "tarp"', 'cover = "roof"'), log=hot)
    assert "turn it and wet it" not in text


@pytest.mark.parametrize(
    ("more", "log"),
    [
        (("--days", "20"), LOG),  # ten days ahead: fewer than are looked at
        ((), ""),  # nothing was read: it has not begun
        ((), "time,event,point,depth_cm,temp_c\n2026-06-01T10:00,built,,,\n"),
    ],
)
def test_where_the_records_do_not_allow_it_nothing_is_told(run, more, log):
    found = json.loads(run("--json", *more, log=log))
    assert "advice" not in found
    assert "Today" not in run(*more, log=log)


@pytest.mark.parametrize("kind", get_args(DecisionKind))
def test_every_kind_has_its_title(kind):
    assert forecast_advice.TITLES[kind]


@pytest.mark.parametrize("why", get_args(Why))
def test_every_reason_is_a_sentence_with_the_figures_of_the_tables(why):
    said = forecast_advice.reason(Decision("turn", "do", (why,), 1.0, rain_mm=12.0))
    assert len(said) > 8
    facts = decision_facts()
    if why == "cold outside":
        assert f"{facts.thresholds.cold_c:g} °C" in said


def test_amounts_have_their_unit():
    def told(kind, **amount):
        one = Decision(
            kind, "do", ("small",), 0.9, Amount(**amount), rests_on=("small_m3", "likely_pct")
        )
        return forecast_advice.as_json([one])[0]

    grown = told("build up", volume_m3=0.5, height_m=0.7, mass_kg=250.0)
    assert (grown["amount"], grown["unit"], grown["height_m"]) == (0.5, "m3", 0.7)
    chips = told("add", volume_m3=0.2, mass_kg=60.0, material="wood_chips", on_hand_kg=10.0)
    assert (chips["amount"], chips["unit"], chips["material"]) == (60.0, "kg", "wood_chips")
    both = told("combine", volume_m3=0.9, other="K-002")
    assert (both["with"], both["unit"]) == ("K-002", "m3")
    assert (told("cover")["amount"], told("cover")["unit"]) == (None, None)
