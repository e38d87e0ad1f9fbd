"""demo, serve, load and audit as a person runs them, each on a folder of records of its own."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from heapwright.data import materials as library

EXAMPLES = Path(__file__).parents[2] / "examples"
COMMAND = (sys.executable, "-m", "heapwright")

SMALL_SITE = """
import os, sys
os.environ["HEAPWRIGHT_DATA"] = sys.argv[1]
os.environ["DJANGO_SETTINGS_MODULE"] = "heapwright.settings"
import django
django.setup()
from django.core.management import call_command
call_command("migrate", verbosity=0)
from datetime import datetime
from zoneinfo import ZoneInfo
from heapwright.demo import site
from heapwright.people.models import User
from heapwright.yard import mix, receive
from heapwright.yard.acts import Take
from heapwright.yard.amounts import Quantity
site.set_up()
lead = User.objects.get(username="lead")
at = datetime(2026, 3, 2, 9, 0, tzinfo=ZoneInfo(site.ZONE))
receive.receive_delivery(
    receive.ReceiveDelivery(
        happened_at=at,
        source="school",
        lines=(
            receive.DeliveryLine(
                material="food_scraps_mixed", quantity=Quantity(mass_kg=300.0), place="S1"
            ),
            receive.DeliveryLine(
                material="leaves_shredded", quantity=Quantity(mass_kg=300.0), place="S2"
            ),
        ),
    ),
    lead,
)
mix.build_pile(
    mix.BuildPile(
        happened_at=at.replace(hour=10),
        place="B1",
        takes=(
            Take(lot="D-001", quantity=Quantity(mass_kg=200.0)),
            Take(lot="D-002", quantity=Quantity(mass_kg=150.0)),
        ),
    ),
    lead,
)
"""

FAULT = """
import sqlite3, sys
records = sqlite3.connect(sys.argv[1] + "/heapwright.sqlite3")
names = [name for (name,) in records.execute(
    "SELECT name FROM sqlite_master WHERE type = 'trigger'")]
for name in names:
    records.execute(f"DROP TRIGGER {name}")
records.execute(
    "UPDATE yard_flow SET mass_kg = 5000 WHERE id = (SELECT max(id) FROM yard_flow)")
records.commit()
"""


def run(folder: Path, *args: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *map(str, args)],
        env={**os.environ, "HEAPWRIGHT_DATA": str(folder)},
        capture_output=True,
        text=True,
        timeout=120,
    )


def refused(folder: Path, *args: object) -> str:
    """Return the one line that says what is wrong."""
    done = run(folder, *args)
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr


def loaded(folder: Path, *args: object) -> dict:
    done = run(folder, "load", *args, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def entries(folder: Path) -> int:
    import sqlite3

    with sqlite3.connect(folder / "heapwright.sqlite3") as records:
        return records.execute("SELECT count(*) FROM yard_entry").fetchone()[0]


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    """Return a folder with a yard, two stock lots and the pile K-001, built 2 March 2026."""
    folder = tmp_path_factory.mktemp("small")
    subprocess.run([sys.executable, "-c", SMALL_SITE, str(folder)], check=True, timeout=120)
    return folder


@pytest.fixture
def records(small, tmp_path) -> Path:
    return Path(shutil.copytree(small, tmp_path / "records"))


@pytest.fixture
def sheet(tmp_path):
    def write(text: str, name: str = "SHEET.csv") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


DELIVERIES = """time,source,material,place,mass_lb,container,count,contamination,found,note
2026-03-03T08:10,school,veg_trimmings,S1,84,,,none,,
2026-03-04,stable,horse_straw,S1,,loader,1,,,from the far stalls
2026-03-05T07:55,hospital,food_post_consumer,S1,101,,,little,two spoons,
2026-03-05T07:55,hospital,food_post_consumer,S1,101,,,little,two spoons,
"""


def test_deliveries_become_lots_and_loading_again_changes_nothing(records, sheet):
    path = sheet(DELIVERIES)
    assert loaded(records, path) == {
        "as": "deliveries",
        "new": ["D-003", "D-004", "D-005", "D-006"],
        "there_already": 0,
        "notes": [],
    }
    before = entries(records)
    again = run(records, "load", path)
    assert again.returncode == 0
    assert again.stdout == "Nothing new: all of SHEET.csv was there already.\n"
    assert entries(records) == before
    longer = sheet(DELIVERIES + "2026-03-06,bakery,bread_bakery,S1,30,,,,,\n", "LONGER.csv")
    assert loaded(records, longer)["new"] == ["D-007"]
    assert loaded(records, longer)["there_already"] == 5
    assert entries(records) == before + 1
    assert run(records, "audit").returncode == 0


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-03-06,bakery,bread,S1,30,,,,,", "SHEET.csv, row 6, column material"),
        ("2026-03-06,nobody,bread_bakery,S1,30,,,,,", "row 6, column source"),
        ("2026-03-06,bakery,bread_bakery,S9,30,,,,,", "row 6, column place"),
        ("6 March,bakery,bread_bakery,S1,30,,,,,", "row 6, column time"),
        ("2099-03-06,bakery,bread_bakery,S1,30,,,,,", "row 6, column time"),
        ("2026-03-06,bakery,bread_bakery,S1,,,,,,", "states no amount"),
        ("2026-03-06,bakery,bread_bakery,S1,30,cart64,1,,,", "states its amount twice"),
        ("2026-03-06,bakery,bread_bakery,S1,,cart64,,,,", "row 6, column count"),
        ('2026-03-06,bakery,bread_bakery,S1,"1,5",,,,,', "row 6, column mass_lb"),
        ("2026-03-06,bakery,bread_bakery,S1,30,,,lots,,", "row 6, column contamination"),
        ("2026-03-06,bakery,bread_bakery,S1,0,,,,,", "row 6"),
    ],
)
def test_one_wrong_row_is_named_and_nothing_of_the_file_is_kept(records, sheet, row, said):
    before = entries(records)
    assert said in refused(records, "load", sheet(DELIVERIES + row + "\n"))
    assert entries(records) == before


def test_stock_is_loaded_with_its_age_and_what_was_measured_of_it(records):
    path = EXAMPLES / "stock_rich.csv"
    options = ("--source", "parks", "--place", "S3", "--on", "2026-03-20")
    first = loaded(records, path, *options)
    assert first["as"] == "stock"
    assert len(first["new"]) >= 3
    before = entries(records)
    again = loaded(records, path, *options)
    assert again["new"] == []
    assert again["there_already"] == len(first["new"])
    assert entries(records) == before
    assert run(records, "audit").returncode == 0


def test_stock_of_a_material_that_nobody_knows_makes_it_the_sites_own(records, sheet):
    path = sheet(
        "material,available_kg,moisture_pct,n_pct_dry,cn,bulk_density_kg_m3\n"
        "marsh reed,120,22,0.7,65,110\n"
    )
    code = loaded(records, path, "--source", "parks", "--place", "S2")["new"][0]
    shown = rows_on_hand(records)
    (reed,) = [found for name, found in shown.items() if name.startswith("marsh")]
    assert reed["kg"] == 120
    assert reed["moisture_pct"] == 22
    assert code == "D-003"
    assert loaded(records, path, "--source", "parks", "--place", "S2")["new"] == []


MEASURED = """
import os, sys
os.environ["HEAPWRIGHT_DATA"] = sys.argv[1]
os.environ["DJANGO_SETTINGS_MODULE"] = "heapwright.settings"
import django
django.setup()
from django.utils import timezone
from heapwright.people.models import User
from heapwright.yard import prove
prove.log_result(
    prove.LogResult(
        happened_at=timezone.now(),
        material="leaves_shredded",
        results=(prove.Result(quantity="moisture_pct", value=44.0),),
    ),
    User.objects.get(username="lead"),
)
"""


def test_what_the_site_knows_already_is_not_taken_for_measured_of_a_loaded_lot(records, sheet):
    path = sheet("material,available_kg\nleaves_shredded,80\n")
    options = ("--source", "parks", "--place", "S2", "--on", "2026-03-20")
    loaded(records, path, *options)
    subprocess.run([sys.executable, "-c", MEASURED, str(records)], check=True, timeout=60)
    assert loaded(records, path, *options)["new"] == []
    other = sheet("material,available_kg\nleaves_shredded,70\n", "OTHER.csv")
    before = entries(records)
    loaded(records, other, *options)
    assert entries(records) == before + 1  # a delivery, no result of its lot


def rows_on_hand(folder: Path) -> dict:
    script = (
        "import json\n"
        "from heapwright.cli.site_records import site_stock_rows\n"
        "print(json.dumps({row.ingredient.id.partition('/')[0].partition(' ')[0]: {\n"
        "    'kg': row.available_kg, 'days': row.waiting_days, 'row': row.row,\n"
        "    'moisture_pct': row.ingredient.moisture_pct.typical}\n"
        "    for row in site_stock_rows()}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "HEAPWRIGHT_DATA": str(folder)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_what_is_on_hand_comes_as_rows_of_a_stock_file(records):
    rows = rows_on_hand(records)
    assert rows["food_scraps_mixed"]["kg"] == pytest.approx(100)
    assert rows["leaves_shredded"]["kg"] == pytest.approx(150)
    assert rows["leaves_shredded"]["days"] > 1


def log_text(*, turned: int = 5) -> str:
    rows = ["time,event,point,depth_cm,temp_c", "2026-03-02T10:00,built,,,"]
    for day in range(3, 21):
        rows += [f"2026-03-{day:02d}T08:0{n},read,{point},45,{62 - n}"
                 for n, point in enumerate(("core", "edge", "base"))]  # fmt: skip
    rows += [f"2026-03-{day:02d}T09:30,turned,,," for day in (5, 8, 11, 14, 17)[:turned]]
    return "\n".join(rows) + "\n"


def test_a_log_brings_readings_and_turnings_to_its_pile_once(records, sheet):
    path = sheet(log_text(turned=4), "LOG.csv")
    first = loaded(records, path, "--lot", "K-001")
    assert first["as"] == "log"
    assert len(first["new"]) == 5
    assert first["new"][-1] == "54 readings of K-001"
    assert first["there_already"] == 1  # when it was built
    before = entries(records)
    assert loaded(records, path, "--lot", "K-001")["new"] == []
    assert entries(records) == before
    whole = sheet(log_text(turned=5), "WHOLE.csv")
    assert len(loaded(records, whole, "--lot", "K-001")["new"]) == 1
    assert verdicts(records, "K-001") == ["met"]


def verdicts(folder: Path, code: str) -> list[str]:
    script = (
        "import sys\n"
        "from heapwright.cli.site_records import site_log\n"
        "from heapwright.data.sanitation import rules, terms\n"
        "from heapwright.science.sanitation import Stated, evaluate\n"
        "for log in [one.log for one in site_log(sys.argv[1])]:\n"
        "    print(evaluate(log, [rules()['NY-W']], Stated(method='turned'), terms())[0].verdict)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, code],
        env={**os.environ, "HEAPWRIGHT_DATA": str(folder)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def test_a_log_that_tells_too_little_or_of_another_pile_is_refused(records, sheet):
    before = entries(records)
    added = log_text() + "2026-03-12T10:00,added,,,\n"
    assert "a log does not tell what" in refused(records, "load", sheet(added), "--lot", "K-001")
    other = log_text().replace("2026-03-02T10:00,built", "2026-03-02T16:00,built")
    assert "but the site says" in refused(records, "load", sheet(other), "--lot", "K-001")
    assert "State --lot" in refused(records, "load", sheet(log_text()))
    assert "no lot K-009" in refused(records, "load", sheet(log_text()), "--lot", "K-009")
    early = "time,event,point,temp_c\n2026-03-01T09:00,read,core,20\n"
    assert "K-001 was not there yet" in refused(records, "load", sheet(early), "--lot", "K-001")
    assert entries(records) == before


def test_what_is_no_file_of_the_kind_is_one_line(records, sheet, tmp_path):
    assert "no file that can be loaded" in refused(records, "load", sheet("a,b\n1,2\n"))
    assert "there is no such file" in refused(records, "load", tmp_path / "none.csv")
    assert "--lot has no meaning" in refused(records, "load", sheet(DELIVERIES), "--lot", "K-001")
    assert "no account" in refused(records, "load", sheet(DELIVERIES), "--by", "nobody")
    assert "may read but not write" in refused(records, "load", sheet(DELIVERIES), "--by", "reader")
    assert "there is no site" in refused(tmp_path / "nowhere", "audit")
    assert not (tmp_path / "nowhere").exists()


def test_the_audit_finds_a_planted_fault_and_says_so_with_its_exit_code(records):
    books = json.loads(run(records, "audit", "--json").stdout)
    for one in (books["site"], *books["lots"].values()):
        came = one["in_kg"] + one["opening_kg"] + one["water_kg"] + one["gained_kg"]
        went = one["to_beds_kg"] + one["to_people_kg"] + one["disposed_kg"] + one["to_air_kg"]
        between = one["from_lots_kg"] - one["to_lots_kg"]
        assert came + between - went - one["standing_kg"] == pytest.approx(0, abs=1e-6)
    assert any(one["to_lots_kg"] > 0 for one in books["lots"].values())
    clean = run(records, "audit", "--deep")
    assert clean.returncode == 0
    assert "It adds up." in clean.stdout
    subprocess.run([sys.executable, "-c", FAULT, str(records)], check=True, timeout=60)
    found = run(records, "audit", "--json")
    assert found.returncode == 1
    told = json.loads(found.stdout)
    assert told["adds_up"] is False
    assert "D-002" in {one["lot"] for one in told["findings"]}
    assert "It does not add up:" in run(records, "audit").stdout


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def started(folder: Path, *args: object) -> tuple[subprocess.Popen[str], str, float]:
    """Start a command that serves; return it, the address it prints, and how long that took."""
    begin = time.monotonic()
    server = subprocess.Popen(
        [*COMMAND, *map(str, args)],
        env={**os.environ, "XDG_CACHE_HOME": str(folder), "HEAPWRIGHT_DATA": str(folder / "own"),
             "TMPDIR": str(folder / "tmp")},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        # a shell's background job ignores Ctrl-C, and so would what it starts
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    assert server.stdout is not None
    line = ""
    while not line.startswith("http"):
        line = server.stdout.readline()
        assert line or server.poll() is None, "it ended without an address"
    return server, line.strip(), time.monotonic() - begin


def ended(server: subprocess.Popen[str], how: signal.Signals) -> str:
    server.send_signal(how)
    said, _err = server.communicate(timeout=20)
    assert server.returncode == 0, said
    return said


def test_the_demo_starts_quickly_once_made_and_leaves_nothing_behind(tmp_path):
    (tmp_path / "tmp").mkdir()
    made = subprocess.run(
        [*COMMAND, "demo", "--prepare"],
        env={**os.environ, "XDG_CACHE_HOME": str(tmp_path), "TMPDIR": str(tmp_path / "tmp")},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert made.returncode == 0, made.stderr
    assert len(list((tmp_path / "heapwright").glob("*.sqlite3"))) == 1
    server, address, took_s = started(tmp_path, "demo", "--no-browser", "--port", free_port())
    try:
        assert took_s < 15  # five on an idle machine
        with urllib.request.urlopen(address, timeout=20) as page:
            assert page.status == 200
            assert b"Saltmarsh Lane" in page.read()
    finally:
        said = ended(server, signal.SIGINT)
    assert said.endswith("Ended.\n")
    assert list((tmp_path / "tmp").iterdir()) == []
    assert not (tmp_path / "own").exists()


def test_serve_makes_the_site_and_a_port_in_use_is_one_line(tmp_path):
    (tmp_path / "tmp").mkdir()
    port = free_port()
    server, address, _took_s = started(tmp_path, "serve", "--port", port)
    try:
        assert (tmp_path / "own" / "heapwright.sqlite3").is_file()
        assert f":{port}/" in address
        assert f"port {port} cannot be used" in refused(tmp_path / "own", "serve", "--port", port)
        assert f"port {port} cannot be used" in refused(tmp_path / "own", "serve", "--port", port)
        with urllib.request.urlopen(address, timeout=20) as page:
            assert page.status == 200
    finally:
        ended(server, signal.SIGTERM)


def test_mix_and_prove_work_on_the_sites_own_records(records, sheet):
    loaded(records, sheet(log_text()), "--lot", "K-001")
    by_file = run(records, "prove", sheet(log_text()), "--rule", "US-FDA-T", "--json")
    by_lot = run(records, "prove", "--lot", "K-001", "--rule", "US-FDA-T", "--json")
    assert by_lot.returncode == 0, by_lot.stderr
    (of_file,), (of_lot,) = json.loads(by_file.stdout), json.loads(by_lot.stdout)
    for name in ("rule", "verdict", "days_credited", "longest_run_days", "turnings_credited"):
        assert of_lot[name] == of_file[name]
    assert "no lot K-404" in refused(records, "prove", "--lot", "K-404")
    assert "one of the two" in refused(records, "prove", sheet(log_text()), "--lot", "K-001")

    mixed = run(records, "mix", "solve", "--site", "--json")
    assert mixed.returncode == 0, mixed.stderr
    found = json.loads(mixed.stdout)
    assert {i["material"] for i in found["ingredients"]} <= set(rows_on_hand(records))
    assert found["feasible"] or found["blocked_by"]
    assert "one of the two" in refused(records, "mix", "solve")


STANDING = """kind,place,stage,since,materials,mass_kg,volume_m3,bulk_density_kg_m3,code,note
pile,B2,hot,,leaves_shredded 60; food_scraps_mixed 25,400,,,,steams
compost,CP,ready,2026-02-01,,,1.5,600,C-900,
stock,S2,,,leaves_shredded,,2,,,
"""


def test_what_stood_already_is_loaded_once_and_says_that_nobody_knows(records, sheet):
    path = sheet(STANDING)
    done = loaded(records, path, "--on", "2026-03-01")
    assert done["as"] == "standing"
    assert done["new"] == ["K-002", "C-900", "D-003"]
    assert loaded(records, path, "--on", "2026-03-01") == {**done, "new": [], "there_already": 3}
    named = loaded(records, path, "--on", "2026-03-01", "--as", "standing")
    assert (named["new"], named["there_already"]) == ([], 3)
    site = json.loads(run(records, "audit", "--json").stdout)["site"]
    density = library()["leaves_shredded"].bulk_density_kg_m3.typical
    assert site["opening_kg"] == pytest.approx(400 + 900 + 2 * density)
    assert site["residual_kg"] == pytest.approx(0, abs=1e-6)
    (proof,) = json.loads(
        run(records, "prove", "--lot", "K-002", "--rule", "NY-W", "--json").stdout
    )
    assert proof["verdict"] == "cannot be shown"
    assert "nothing of before counts" in proof["gaps"][0]
    early = run(records, "prove", "--lot", "K-002", "--as-of", "2026-02-20")
    assert early.returncode == 2
    assert "K-002 was not there yet" in early.stderr


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("heap,B2,hot,,,400,,,,", "column kind:"),
        ("pile,B9,hot,,,400,,,,", "column place:"),
        ("pile,B2,,,,400,,,,", "column stage:"),
        ("pile,B2,hot,soon,,400,,,,", "column since:"),
        ("pile,B2,hot,,gold 50,400,,,,", "column materials:"),
        ("pile,B2,hot,,leaves_shredded 50; food_scraps_mixed,400,,,,", "column materials:"),
        ("pile,B2,ready,,,,2,,,", "state its weight"),
        ("pile,B2,hot,,,,,,,", "no amount"),
    ],
)
def test_a_row_of_what_stood_that_is_wrong_writes_nothing(records, sheet, row, words):
    before = entries(records)
    text = STANDING + row + "\n"
    said = refused(records, "load", sheet(text))
    assert words in said
    assert "row 5" in said
    assert entries(records) == before


SETTINGS = """
import os, sys
os.environ["HEAPWRIGHT_DATA"] = sys.argv[1]
os.environ["DJANGO_SETTINGS_MODULE"] = "heapwright.settings"
import django
django.setup()
from datetime import datetime, UTC
from heapwright.people.models import User
from heapwright.yard.yardstick import SetYardstick, set_yardstick
set_yardstick(
    SetYardstick(
        happened_at=datetime(2026, 3, 15, tzinfo=UTC),
        rule="NY-W", method="turned", probe_error_c=8.0, probe_error_typed="8 °C",
    ),
    User.objects.get(username="lead"),
)
"""


def test_a_lot_is_judged_by_what_the_site_has_set_unless_an_option_says_else(records, sheet):
    loaded(records, sheet(log_text(turned=5)), "--lot", "K-001")

    def proofs(*options: str) -> list[dict]:
        done = run(records, "prove", "--lot", "K-001", "--json", *options)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    every = proofs()
    assert len(every) > 20
    assert next(one for one in every if one["rule"] == "NY-W")["verdict"] == "met"
    assert "has set nothing" in every[0]["notes"][0]
    subprocess.run([sys.executable, "-c", SETTINGS, str(records)], check=True, timeout=60)
    (own,) = proofs()
    assert (own["rule"], own["days_credited"]) == ("NY-W", 0)  # 60 °C less 8 °C
    assert "probe error 8 °C" in own["notes"][0]
    (without,) = proofs("--probe-error-c", "0")
    assert without["verdict"] == "met"
    assert len(proofs("--rule", "all")) == len(every)
    assert proofs("--rule", "CA-W")[0]["rule"] == "CA-W"
    then = proofs("--as-of", "2026-03-12", "--rule", "NY-W")[0]
    assert then["verdict"] == "not yet"
    assert "has set nothing" in then["notes"][0]  # nothing was set by then
    assert "written later" in then["notes"][1]


def test_a_day_that_is_none_or_of_a_file_is_refused(records, sheet):
    assert "is no date" in refused(records, "prove", "--lot", "K-001", "--as-of", "soon")
    assert "not come yet" in refused(records, "prove", "--lot", "K-001", "--as-of", "2999-01-01")
    assert "goes with --lot" in refused(
        records, "prove", sheet(log_text()), "--as-of", "2026-03-12"
    )


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("audit", "--nope"), "heapwright audit: No such option '--nope'"),
        (("serve", "--port", "99999"), "heapwright serve: Invalid value for '--port'"),
        (("load",), "heapwright load: Missing argument 'FILE'"),
        (("prove", "--lot"), "heapwright: Option '--lot' requires an argument"),
        (("compost",), "heapwright: No such command 'compost'"),
        (("mix", "solve", "--site", "--place", "B9"), "heapwright mix solve: No such option"),
    ],
)
def test_a_wrong_option_is_one_line_that_says_where_to_read_on(tmp_path, words, says):
    line = refused(tmp_path, *words)
    assert line.startswith(says)
    assert line.endswith(" --help.\n")
    assert not list(tmp_path.iterdir())
