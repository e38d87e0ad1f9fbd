"""heapwright load WEATHER.csv, heapwright weather, heapwright water: as a person runs them."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from tests.cli import test_mix, test_site
from tests.cli.test_site import loaded, refused, run
from tests.published import seattle

ROOT = Path(__file__).parents[2]
PILE = ROOT / "examples" / "pile_winter_bay.toml"

small = test_site.small  # a yard in Los Angeles time, built in March 2026


@pytest.fixture
def records(small, tmp_path) -> Path:
    return Path(shutil.copytree(small, tmp_path / "records"))


@pytest.fixture
def file(tmp_path):
    def write(text: str, name: str) -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def rows(folder: Path) -> int:
    with sqlite3.connect(folder / "heapwright.sqlite3") as kept:
        return kept.execute("SELECT count(*) FROM yard_weatherrow").fetchone()[0]


HOURS = "time,temp_c,rain_mm\n2026-03-01T10:00,4,0.5\n2026-03-01T11:00,5,0\n2026-03-01T12:00,6,1\n"


def test_weather_is_told_by_its_columns_and_loaded_once(records, file):
    path = file(HOURS, "MARCH.csv")
    assert loaded(records, path) == {
        "as": "weather", "new": ["3 stretches of weather"], "there_already": 0, "notes": [],
    }  # fmt: skip
    again = run(records, "load", path)
    assert again.stdout == "Nothing new: all of MARCH.csv was there already.\n"
    assert rows(records) == 3
    other = file(HOURS.replace("4,0.5", "4,9.5"), "OTHER.csv")
    said = refused(records, "load", other)
    assert "OTHER.csv: 1 stretch is known with other figures" in said
    assert said.endswith("(--replace)\n")
    assert loaded(records, other, "--replace")["new"] == ["1 with new figures"]
    assert rows(records) == 3
    assert loaded(records, other, "--here")["new"] == ["3 stretches of weather"]


def test_four_years_of_a_station(records, file):
    done = loaded(records, file(seattle.as_dly(), "USW00024233.dly"))
    assert done["new"] == ["1461 stretches of weather of USW00024233"]
    assert loaded(records, file(seattle.as_long(), "LONG.csv"), "--replace")["there_already"] < 1461
    shown = run(records, "weather", "show", "--back", "1", "--ahead", "2")
    assert shown.returncode == 0, shown.stderr
    assert "typical year" in shown.stdout


def test_what_is_wrong_is_one_line_and_nothing_is_kept(records, file):
    ambiguous = file("STATION,DATE,PRCP,TMAX,TMIN\nX,2026-01-01,0,40,30\n", "WIDE.csv")
    assert "WIDE.csv: does not say its units" in refused(records, "load", ambiguous)
    assert loaded(records, ambiguous, "--units", "us")["new"] == ["1 stretches of weather of X"]
    assert "--lot has no meaning for a file of weather" in refused(
        records, "load", ambiguous, "--lot", "K-001"
    )
    deliveries = file("time,source,material,place,mass_kg\n2026-03-04,x,y,z,1\n", "D.csv")
    assert "--here has no meaning for a file of deliveries" in refused(
        records, "load", deliveries, "--here"
    )
    late = file("time,temp_c,rain_mm\n2199-03-01,4,0\n2199-03-02,4,0\n", "LATE.csv")
    assert "has not come yet" in refused(records, "load", late)
    assert rows(records) == 1


def test_days_are_shown_with_their_origins(records, file):
    loaded(records, file(HOURS, "MARCH.csv"))
    done = run(records, "weather", "show", "--back", "0", "--ahead", "3", "--json")
    told = json.loads(done.stdout)
    assert len(told["days"]) == 4
    assert told["days"][0]["origins"] == ["typical"]
    assert told["typical_year"] == {"climate": "wet_winter", "assumed": True, "own_months": []}


def test_fetching_is_off_by_default(records):
    assert "fetching the forecast is not set on" in refused(records, "weather", "fetch")
    assert "there is no site in" in refused(records / "none", "weather", "show")


# water, on figures alone


def water(*args):
    return test_mix.run("water", *args)


def test_the_tarp_decision_of_a_pile():
    done = water("tarp", PILE, "--days", "5", "--latitude", "47", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["advice"] in ("cover", "leave open", "no matter")
    for side in ("open", "covered"):
        parts = told[side]
        total = sum(parts[name] for name in ("kept_off_l", "shed_l", "through_l", "soaked_l"))
        assert total == pytest.approx(parts["fallen_l"])
        assert len(parts["days"]) == 5
    text = water("tarp", PILE).stdout
    assert "moisture at the end, %" in text
    assert "lift it when the rain is over" in text


def test_soaked_and_dry_heaps():
    told = json.loads(
        water("dry", "--mass-kg", 1000, "--moisture", 70, "--target", 60, "--with", "straw_wheat",
              "--material-moisture", 12, "--json").stdout
    )  # fmt: skip
    assert told["mass_kg"] == pytest.approx(208.3, abs=0.05)
    assert told["limited_by"] == "moisture"
    told = json.loads(
        water("wet", "--mass-kg", 1000, "--moisture", 40, "--volume-m3", 2, "--json").stdout
    )
    assert told["missing_l"] == pytest.approx(1000 / 3)
    assert told["pour_l"] == pytest.approx(1000 / 3 / 0.9)
    on_top = json.loads(
        water("wet", "--mass-kg", 1000, "--moisture", 40, "--on-top", "--json").stdout
    )
    assert on_top["pour_l"] > told["pour_l"]
    assert "Pour 370 litres in 5 rounds." in water(
        "wet", "--mass-kg", 1000, "--moisture", 40, "--volume-m3", 2
    ).stdout  # fmt: skip


def test_sheets_and_roofs():
    told = json.loads(water("sheet", "windrow", 3, 10, 1.5, "--json").stdout)
    assert (told["length_m"] - told["width_m"]) == pytest.approx(7.0)
    assert "1.80 × 1.80 m" in water("sheet", "bay", 1.2, 1.2, 1.2).stdout
    told = json.loads(water("roof", 6, 3, "--rain-mm", 10, "--json").stdout)
    assert told["runoff_l"] == pytest.approx(28 * 10 * 0.92)


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("dry", "--mass-kg", 9, "--moisture", 70, "--with", "unobtainium"), "no material unobt"),
        (("dry", "--mass-kg", 9, "--moisture", 70, "--with", "food_scraps_mixed"), "cannot dry"),
        (("dry", "--mass-kg", -9, "--moisture", 70, "--with", "sawdust"), "-kg': -9 is"),
        (("wet", "--mass-kg", 9, "--moisture", 140), "'--moisture': 140 is not from 0 to 100"),
        (("wet", "--mass-kg", 9, "--moisture", 40, "--on-top", "--temp-c", 50), "not with --on"),
        (("wet", "--mass-kg", 9, "--moisture", 40, "--volume-m3", 0), "--volume-m3: 0"),
        (("sheet", "bay", 0, 1, 1), "width_m 0"),
        (("roof", 6, 3, "--pitch-deg", 80), "pitch_deg 80"),
        (("roof", 6, 3, "--rain-mm", -1), "'--rain-mm': -1 is"),
        (("roof", 6, "inf"), "'WIDTH_M': “inf” is not a number"),
        (("dry", "--mass-kg", "nan", "--moisture", 70, "--with", "sawdust"), "“nan” is not a num"),
        (("wet", "--mass-kg", "9,5", "--moisture", 40), "“9,5” has a comma"),
        (("sheet", "bay", 1, "1e308", 1), "'LENGTH_M': 1e308 is not from"),
        (("tarp", "nothing.toml"), "nothing.toml: there is no such file"),
    ],
)
def test_what_cannot_be_is_one_line(args, message):
    done = water(*args)
    assert done.returncode == 2
    assert message in done.stderr
    assert done.stdout == ""
