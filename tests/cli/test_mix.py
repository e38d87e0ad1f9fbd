"""The mix commands: the contract of their JSON, their tables, and every kind of bad file."""

import csv
import io
import json
import os
import subprocess
import sys
import warnings
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from unittest import mock

import pytest

from heapwright.cli import main

EXAMPLES = Path(__file__).parents[2] / "examples"
MIX_KEYS = {
    "mass_kg", "volume_m3", "moisture_pct", "c_pct_dry", "n_pct_dry", "cn",
    "bulk_density_kg_m3", "free_air_space_pct",
}  # fmt: skip
KEYS = {
    "feasible", "ingredients", "water_kg", "mix", "spread", "chance_in_range", "blocked_by",
    "short_of", "layers",
}  # fmt: skip


def run(*args):
    """Run the command in this process, as the console script does."""
    out, err = io.StringIO(), io.StringIO()
    argv = ["heapwright", *map(str, args)]
    with (
        mock.patch.object(sys, "argv", argv),
        redirect_stdout(out),
        redirect_stderr(err),
        pytest.raises(SystemExit) as stop,
    ):
        main()
    return subprocess.CompletedProcess(argv, stop.value.code, out.getvalue(), err.getvalue())


def answer(*args):
    done = run(*args, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def refused(*args):
    """Return the one line that says what is wrong."""
    done = run(*args)
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr


@pytest.fixture
def amounts(tmp_path):
    def write(text, *, encoding="utf-8", name="AMOUNTS.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


def test_check_gives_the_contract(amounts):
    path = amounts("material,mass_kg\nfood_scraps_mixed,240\nleaves_loose,80\nwater,20\n")
    found = answer("mix", "check", path)
    assert found.keys() >= KEYS
    assert found["mix"].keys() >= MIX_KEYS
    assert found["water_kg"] == 20
    assert [i["material"] for i in found["ingredients"]] == ["food_scraps_mixed", "leaves_loose"]
    assert found["mix"]["mass_kg"] == pytest.approx(340)
    water = 240 * 0.69 + 80 * 0.38 + 20
    assert found["mix"]["moisture_pct"] == pytest.approx(100 * water / 340)
    for low, mid, high in found["spread"].values():
        assert low <= mid <= high
    assert 0 <= found["chance_in_range"] <= 1


def test_amounts_in_other_units_are_the_same_mix(amounts):
    kg = answer("mix", "check", amounts("material,mass_kg\nfood_scraps_mixed,100\nstraw_wheat,50"))
    lb = answer(
        "mix",
        "check",
        amounts("material,mass_lb\nfood_scraps_mixed,220.462262185\nstraw_wheat,110.2311310924"),
    )
    m3 = answer(
        "mix",
        "check",
        amounts(
            "material,volume_m3,volume_yd3,volume_gal\n"
            f"food_scraps_mixed,,,{100 / 455 / 0.003785411784!r}\n"
            f"straw_wheat,,{50 / 135 / 0.764554857984!r},\n"
        ),
    )
    for other in (lb, m3):
        for key in MIX_KEYS:
            assert other["mix"][key] == pytest.approx(kg["mix"][key], rel=1e-6)


def test_measured_values_override_and_an_unknown_material_may_state_its_own(amounts):
    path = amounts(
        "material,mass_kg,moisture_pct,n_pct_dry,cn,bulk_density_kg_m3\n"
        "food_scraps_mixed,100,75,,,\n"
        "hedge mulch,60,40,0.8,55,210\n"
    )
    found = answer("mix", "check", path)
    assert found["mix"]["moisture_pct"] == pytest.approx((75 + 24) / 1.6)
    carbon = 25 * 0.36 + 36 * 0.8 * 55 / 100
    nitrogen = 25 * 0.36 / 15 + 36 * 0.008
    assert found["mix"]["cn"] == pytest.approx(carbon / nitrogen)
    assert found["ingredients"][1]["volume_m3"] == pytest.approx(60 / 210)


def test_what_solve_proposes_check_confirms(amounts, tmp_path):
    solved = answer("mix", "solve", EXAMPLES / "stock_rich.csv", "--volume-m3", "1.5")
    assert solved["feasible"]
    assert solved["blocked_by"] == []
    rows = [(i["material"], repr(i["mass_kg"])) for i in solved["ingredients"]]
    rows.append(("water", repr(solved["water_kg"])))
    path = tmp_path / "PROPOSED.csv"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([("material", "mass_kg"), *rows])
    checked = answer("mix", "check", path)
    assert checked["feasible"]
    for key in MIX_KEYS:
        assert checked["mix"][key] == pytest.approx(solved["mix"][key])
    assert checked["chance_in_range"] == pytest.approx(solved["chance_in_range"])
    assert 40 <= checked["mix"]["moisture_pct"] <= 65
    assert 20 <= checked["mix"]["cn"] <= 40
    layered = {}
    for layer in solved["layers"]:
        layered[layer["material"]] = layered.get(layer["material"], 0) + layer["mass_kg"]
    assert layered == pytest.approx({i["material"]: i["mass_kg"] for i in solved["ingredients"]})


def test_amounts_are_whole_or_half_containers():
    solved = answer("mix", "solve", EXAMPLES / "stock_short_of_browns.csv", "--volume-m3", "1.5")
    with (EXAMPLES / "stock_short_of_browns.csv").open() as file:
        litres = {row["material"]: float(row["container_l"]) for row in csv.DictReader(file)}
    for item in solved["ingredients"]:
        assert 2 * item["containers"] == int(2 * item["containers"])
        each = item["volume_m3"] / item["containers"] * 1000
        assert each == pytest.approx(litres[item["material"]])


def test_all_wet_says_what_blocks_and_what_would_mend_it():
    found = answer("mix", "solve", EXAMPLES / "stock_all_wet.csv", "--volume-m3", "1.5")
    assert not found["feasible"]
    assert any(b.startswith("moisture_pct:") for b in found["blocked_by"])
    assert len(found["short_of"]) == 6
    assert {"material", "mass_kg", "why"} <= found["short_of"][0].keys()
    masses = [s["mass_kg"] for s in found["short_of"]]
    assert masses == sorted(masses)


def test_limits_on_the_command_line_bind():
    args = ("mix", "solve", EXAMPLES / "stock_rich.csv", "--volume-m3", "1.2")
    found = answer(*args, "--cn", "28:34", "--moisture", "45:58", "--no-water")
    assert found["feasible"]
    assert found["water_kg"] == 0
    assert 28 <= found["mix"]["cn"] <= 34
    assert 45 <= found["mix"]["moisture_pct"] <= 58
    light = answer(*args, "--density-max", "420", "--air-min", "60", "--cap", "food:20")
    assert light["feasible"]
    assert light["mix"]["bulk_density_kg_m3"] <= 420
    assert light["mix"]["free_air_space_pct"] >= 60


def test_own_materials_and_measurements_count(amounts):
    own = amounts(
        "material,name,category,moisture_pct,n_pct_dry,cn,bulk_density_kg_m3\n"
        "weed_bag,Bagged weeds,vegetation,76,2.1,18,260\n"
        "leaves_loose,,,22,,,\n",
        name="own.csv",
    )
    mix = amounts("material,mass_kg\nweed_bag,100\nleaves_loose,50\n")
    found = answer("mix", "check", mix, "--own", own)
    assert found["mix"]["moisture_pct"] == pytest.approx((76 + 11) / 1.5)


def test_tables_say_the_verdict_the_caution_and_the_working():
    done = run("mix", "solve", EXAMPLES / "stock_rich.csv", "--volume-m3", "1.5", "--working")
    assert done.returncode == 0
    assert done.stdout.startswith("Build 1.5")
    assert "gloves on" in done.stdout
    assert "green bucket" in done.stdout
    assert "C:N = carbon / nitrogen" in done.stdout
    assert "Haug" in done.stdout
    assert " None" not in done.stdout  # a source without a year
    wet = run("mix", "solve", EXAMPLES / "stock_all_wet.csv", "--volume-m3", "1.5").stdout
    assert "No mix of what is on hand" in wet
    assert "It would work with" in wet


BAD = {
    "unknown material": (
        "material,mass_kg\nfood_scraps_mixd,10\n",
        ["row 2", "column material", "food_scraps_mixed"],
    ),
    "negative amount": ("material,mass_kg\nleaves_loose,-3\n", ["row 2", "mass_kg", "below 0"]),
    "absurd amount": ("material,mass_kg\nleaves_loose,9e9\n", ["row 2", "more than a site"]),
    "moisture above 100": (
        "material,mass_kg,moisture_pct\nleaves_loose,5,104\n",
        ["row 2", "moisture_pct", "above 100"],
    ),
    "date for a number": (
        "material,mass_kg,moisture_pct\nstraw_general,5,27-Apr\n",
        ["row 2", "moisture_pct", "date"],
    ),
    "semicolons": ("material;mass_kg\nleaves_loose;5\n", ["row 1", "semicolons"]),
    "decimal comma": ('material,mass_kg\nleaves_loose,"5,5"\n', ["row 2", "mass_kg", "point"]),
    "grouped thousands": ('material,mass_kg\nleaves_loose,"1,500"\n', ["row 2", "mass_kg"]),
    "empty file": ("", ["empty"]),
    "header alone": ("material,mass_kg\n", ["no line of data"]),
    "unknown column": ("material,mass_kgs\nleaves_loose,5\n", ["mass_kgs", "mass_kg"]),
    "column twice": ("material,mass_kg,mass_kg\nleaves_loose,5,5\n", ["mass_kg", "twice"]),
    "no amount": ("material,mass_kg\nleaves_loose,\n", ["row 2", "no amount"]),
    "two amounts": (
        "material,mass_kg,volume_m3\nleaves_loose,5,1\n",
        ["row 2", "twice"],
    ),
    "too many cells": ("material,mass_kg\nleaves_loose,5,7\n", ["row 2", "3 cells"]),
    "not a number": ("material,mass_kg\nleaves_loose,many\n", ["row 2", "mass_kg", "many"]),
    "infinite": ("material,mass_kg\nleaves_loose,inf\n", ["row 2", "mass_kg"]),
    "unmeasured": ("material,mass_kg\ndairy_waste,5\n", ["row 2", "dairy_waste", "laboratory"]),
    "contradiction": (
        "material,mass_kg,n_pct_dry,c_pct_dry,cn\nleaves_loose,5,1,45,90\n",
        ["row 2", "cn", "two of the three"],
    ),
    "impossible carbon": (
        "material,mass_kg,c_pct_dry\nleaves_loose,5,71\n",
        ["row 2", "c_pct_dry", "60"],
    ),
    "nothing above zero": ("material,mass_kg\nleaves_loose,0\n", ["above zero"]),
    "only water": ("material,mass_kg\nwater,10\n", ["no material"]),
    "line break in a name": ('material,mass_kg\n"gold\ndust",5\n', ["row 3", "gold dust"]),
    "unclosed quote": ('material,mass_kg\n"leaves_loose,5\n', ["row"]),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_amounts_get_one_clear_line(amounts, name):
    text, words = BAD[name]
    line = refused("mix", "check", amounts(text))
    assert "AMOUNTS.csv" in line
    for word in words:
        assert word in line


def test_wrong_encodings_are_named(amounts):
    text = "material,mass_kg\nleaves_loose,5\n# Kräuter,3\n"
    assert "row 3" in refused("mix", "check", amounts(text, encoding="cp1252"))
    assert "UTF-16" in refused("mix", "check", amounts(text, encoding="utf-16"))


def test_a_byte_order_mark_is_harmless(amounts):
    path = amounts("\ufeffmaterial,mass_kg\nleaves_loose,5\n")
    assert answer("mix", "check", path)["mix"]["mass_kg"] == 5


def test_a_file_of_100_mb_is_refused_at_once(tmp_path):
    path = tmp_path / "AMOUNTS.csv"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    assert "100 MB" in refused("mix", "check", path)


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    assert "no such file" in refused("mix", "solve", tmp_path / "NOTHERE.csv")
    assert "folder" in refused("mix", "solve", tmp_path)


@pytest.mark.parametrize(
    "option",
    [
        ("--cn", "40:20"), ("--cn", "25"), ("--moisture", "50:130"), ("--density-max", "3"),
        ("--chance", "1.2"), ("--volume-m3", "0"), ("--volume-m3", "1,5"), ("--shrink", "2"),
        ("--cap", "gold:5"), ("--densities", "mine"), ("--width-m", "0"),
    ],
)  # fmt: skip
def test_bad_options_get_one_clear_line(option):
    line = refused("mix", "solve", EXAMPLES / "stock_rich.csv", *option)
    assert option[0] in line or option[0].strip("-").replace("-", "_") in line or "chance" in line


def test_a_stock_with_a_container_but_no_volume_is_refused(amounts):
    path = amounts("material,available_kg,container\nleaves_loose,5,bag\n", name="STOCK.csv")
    line = refused("mix", "solve", path)
    assert "STOCK.csv, row 2, column container_l" in line


def test_nothing_on_hand_is_said(amounts):
    path = amounts("material,available_kg\nleaves_loose,0\n", name="STOCK.csv")
    line = refused("mix", "solve", path)
    assert "STOCK.csv" in line
    assert "nothing is on hand" in line


def test_a_figure_just_outside_is_told_from_its_range(amounts):
    head = "material,mass_kg,moisture_pct,n_pct_dry,c_pct_dry,bulk_density_kg_m3\n"
    just = answer("mix", "check", amounts(f"{head}mash,100,65.01,1.5,40,1012.4\n"))
    assert just["blocked_by"] == [
        "free_air_space_pct: 4.71, and at least 35 is acceptable",
        "bulk_density_kg_m3: 1012, and at most 712 is acceptable",
        "moisture_pct: 65.01, and 40 to 65 is acceptable",
    ]
    much = answer("mix", "solve", EXAMPLES / "stock_rich.csv", "--mass-kg", "98765")
    assert "and 98765 kg is asked" in much["blocked_by"][0]


@pytest.mark.parametrize(
    "wish", [(), ("--volume-m3", "1.5"), ("--mass-kg", "700", "--cn", "25:30", "--chance", "0.7")]
)
def test_what_is_short_mends_it_when_it_is_fetched(amounts, wish):
    stock = (EXAMPLES / "stock_all_wet.csv").read_text(encoding="utf-8")
    blocked = answer("mix", "solve", EXAMPLES / "stock_all_wet.csv", *wish)
    assert not blocked["feasible"]
    assert blocked["short_of"]
    columns = stock.splitlines()[0].split(",")
    for each in blocked["short_of"]:
        row = {"material": each["material"], "available_kg": repr(each["mass_kg"])}
        fetched = ",".join(row.get(column, "") for column in columns)
        path = amounts(f"{stock.rstrip()}\n{fetched}\n", name="STOCK.csv")
        assert answer("mix", "solve", path, *wish)["feasible"], each


def test_a_cap_on_a_category_is_for_all_of_it(amounts):
    path = amounts(
        "material,available_kg\nfood_scraps_mixed,300\ncoffee_grounds,200\nwood_chips,300\n"
        "wood_shavings,200\nleaves_loose,20\n",
        name="STOCK.csv",
    )
    mix = answer("mix", "solve", path, "--volume-m3", "1", "--cap", "wood:25")
    wood = sum(i["volume_m3"] for i in mix["ingredients"] if i["material"].startswith("wood"))
    assert mix["feasible"]
    assert wood <= 0.25 * mix["mix"]["volume_m3"] * (1 + 1e-6)


def test_water_in_the_stock_is_all_the_water_there_is(amounts):
    dry = "material,available_kg\nbread_bakery,200\nleaves_loose,300\nhorse_shavings,300\n"
    wish = ("--volume-m3", "1.5", "--moisture", "55:60")
    free = answer("mix", "solve", amounts(dry, name="STOCK.csv"), *wish)
    assert free["water_kg"] > 100
    little = answer("mix", "solve", amounts(dry + "water,100\n", name="STOCK.csv"), *wish)
    assert little["water_kg"] <= 100


def test_a_material_without_nitrogen_has_no_ratio_and_no_remark(amounts):
    path = amounts("material,mass_kg,moisture_pct,n_pct_dry,c_pct_dry\nash of ours,3,5,0,2\n")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = answer("mix", "check", path)
    assert found["mix"]["cn"] is None
    assert found["spread"]["cn"] == [None, None, None]


def test_what_is_printed_is_utf_8_wherever_it_runs(amounts):
    path = amounts("material,mass_kg,moisture_pct,n_pct_dry,cn\nÖlkuchen ☃,3,40,2,20\n")
    bare = {
        "LC_ALL": "C",
        "PYTHONUTF8": "0",
        "PYTHONCOERCECLOCALE": "0",
        "PATH": os.environ["PATH"],
    }
    for options in ((), ("--json",)):
        done = subprocess.run(
            [sys.executable, "-m", "heapwright", "mix", "check", str(path), *options],
            capture_output=True,
            env=bare,
            timeout=60,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, b"")
        assert "Ölkuchen ☃" in done.stdout.decode()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_one_line():
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "heapwright", "materials", "--json"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == "heapwright: No space left on device\n"


def test_the_installed_command_prints_one_line_and_exits_2(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "heapwright", "mix", "check", str(tmp_path / "NONE.csv")],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "heapwright: NONE.csv: there is no such file\n"


def test_help_is_quick_to_load():
    """No numerical or web library comes in for help (start-up under 0.3 s rests on this)."""
    code = (
        "import sys; sys.argv = ['heapwright', '--help']\n"
        "from heapwright.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'django', 'rich', 'pydantic'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "mix" in done.stdout
