"""``heapwright materials``, ``rules`` and ``sources`` as a person or a script runs them."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "heapwright", *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def listed(*words: str):
    done = run(*words, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_materials_as_json():
    found = listed("materials")
    assert len(found) >= 90
    by_id = {one["id"]: one for one in found}
    assert len(by_id) == len(found)
    oats = by_id["straw_oat"]
    assert (oats["cn_min"], oats["cn_typ"], oats["cn_max"]) == (48, 60, 98)
    assert oats["sources"] == ["rynk-1992", "agri-fact-sheet-table-3"]
    assert oats["mark"] == "published"
    assert by_id["comfrey_nettle"]["n_pct_dry_typ"] is None
    assert by_id["straw_wheat"]["moisture_pct_min"] is None
    assert by_id["wood_chips"]["cn_origin"] == "assumed"
    sources = {one["id"] for one in listed("sources")}
    assert {name for one in found for name in one["sources"]} <= sources


def test_materials_are_searched_and_narrowed():
    assert [one["id"] for one in listed("materials", "straw_oat")] == ["straw_oat"]
    assert {one["category"] for one in listed("materials", "--category", "wood")} == {"wood"}
    horses = {one["id"] for one in listed("materials", "horse")}
    assert horses == {"horse_general", "horse_straw", "horse_shavings", "horse_race"}
    assert listed("materials", "qqqq") == []


def test_a_list_of_materials_is_plain_lines_into_a_pipe():
    done = run("materials", "--category", "hay_straw")
    head, *lines = done.stdout.splitlines()
    assert head.split()[:2] == ["id", "name"]
    assert len(lines) == 7
    barley = next(line for line in lines if line.startswith("straw_barley"))
    assert "15 (12–18)" in barley
    assert "–  " in barley
    assert "\x1b" not in done.stdout


def test_one_material_shows_its_notes_and_sources():
    text = run("materials", "food_scraps_mixed").stdout
    assert "69 (50–80)" in text
    assert "from memory" in text
    assert "On-Farm Composting Handbook" in text
    assert "EPA" in text
    assert run("materials", "Food scraps, mixed (kitchen and restaurant)").stdout == text


def test_an_unknown_material_offers_near_ones():
    done = run("materials", "foodscraps")
    assert done.stdout == ""
    assert "did you mean food_scraps_mixed?" in done.stderr


def test_an_unknown_category_is_one_line_and_exit_2():
    done = run("materials", "--category", "hays")
    assert done.returncode == 2
    assert done.stderr.startswith("heapwright: there is no category “hays”; known: food,")
    assert done.stderr.count("\n") == 1


def test_own_materials_are_listed_beside_the_library(tmp_path):
    path = tmp_path / "OWN.csv"
    path.write_text(
        "material,name,category,moisture_pct,cn,n_pct_dry,price_per_tonne\n"
        "cider_lees,Lees of our cider,processing,90,20,1.5,12\n"
        "straw_wheat,,,14,,,\n",
        encoding="utf-8",
    )
    by_id = {one["id"]: one for one in listed("materials", "--own", str(path))}
    assert by_id["cider_lees"]["price_per_tonne"] == 12
    assert by_id["straw_wheat"]["moisture_pct_typ"] == 14
    assert by_id["straw_wheat"]["moisture_pct_origin"] == "measured"
    text = run("materials", "cider_lees", "--own", str(path)).stdout
    assert "measured here" in text


def test_a_bad_own_file_is_one_line_and_exit_2(tmp_path):
    path = tmp_path / "OWN.csv"
    path.write_text("material,moisture_pct\nsawdust,140\n", encoding="utf-8")
    done = run("materials", "--own", str(path))
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == (
        "heapwright: OWN.csv, row 2, column moisture_pct: "
        "140 is above 100, the most that is possible\n"
    )


def test_rules_as_json():
    found = {one["id"]: one for one in listed("rules")}
    assert {"US-PFRP-W", "NY-W", "US-FDA-T"} <= set(found)
    rule = found["NY-W"]
    assert (rule["days"], rule["min_temp_c"], rule["turnings"]) == (15, 55, 5)
    assert rule["mark"] == "published"
    assert isinstance(rule["sources"], list)
    assert rule["as_read"]


def test_rules_are_searched_and_shown():
    assert {one["jurisdiction"] for one in listed("rules", "california")} == {"California"}
    text = run("rules", "ny-w").stdout
    assert "361-3.7" in text
    assert "as_read" in text
    assert "did you mean NY-W" in run("rules", "NYW").stderr
    assert "turnings" in run("rules").stdout.splitlines()[0]


def test_sources_as_json_and_searched():
    found = {one["id"]: one for one in listed("sources")}
    assert found["rynk-1992"]["year"] == 1992
    assert found["haug-1993"]["seen"] == "memory"
    assert [one["id"] for one in listed("sources", "fidanza")] == ["fidanza-2010"]


def test_one_source_shows_what_cites_it():
    text = run("sources", "fidanza-2010").stdout
    assert "materials.csv: mushroom_substrate" in text


@pytest.mark.parametrize("command", ["materials", "rules", "sources"])
def test_listing_facts_needs_no_numerical_library(command):
    code = (
        "import sys\n"
        "from heapwright.cli import cli\n"
        f"cli.main([{command!r}, '--json'], standalone_mode=False)\n"
        "heavy = {'numpy', 'scipy', 'django'} & set(sys.modules)\n"
        "sys.exit(1 if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
