"""The prove command: the contract of its JSON, its tables, and every kind of bad file."""

from __future__ import annotations

import io
import json
import re
import shlex
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from heapwright.cli import main

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
KEYS = {
    "rule", "verdict", "met_at", "days_credited", "longest_run_days", "turnings_credited",
    "earliest_possible", "gaps", "notes", "days",
}  # fmt: skip
DAY_KEYS = {"date", "lowest_temp_c", "counts", "why"}
VERDICTS = {"met", "not met", "not yet", "cannot be shown"}


def run(*args: object) -> subprocess.CompletedProcess[str]:
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


def prove(name: str, *args: object) -> list[dict[str, Any]]:
    done = run("prove", EXAMPLES / name, "--json", *args)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, list)
    return found


def write(folder: Path, text: str, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_json_keeps_its_contract_for_every_rule_and_example() -> None:
    for path in sorted(EXAMPLES.glob("log_*.csv")):
        proofs = prove(path.name, "--organisms")
        assert len(proofs) == 37
        for proof in proofs:
            assert proof.keys() >= KEYS
            assert proof["verdict"] in VERDICTS
            assert all(day.keys() == DAY_KEYS for day in proof["days"])
            assert sum(day["counts"] for day in proof["days"]) == proof["days_credited"]
            assert all(isinstance(text, str) for text in proof["gaps"] + proof["notes"])
            assert (proof["met_at"] is not None) == (proof["verdict"] == "met")
            for organism in proof["organisms"]:
                assert organism.keys() >= {"name", "log10_reduction", "lethality_h"}


@pytest.mark.parametrize(
    ("name", "verdicts"),
    [
        ("log_clean_pass.csv", {"CA-W": "met", "NY-W": "met", "US-FDA-T": "met"}),
        (
            "log_one_turning_short.csv",
            {"CA-W": "not yet", "NY-W": "not yet", "US-FDA-T": "not yet"},
        ),
        (
            "log_holiday_gap.csv",
            {"CA-W": "cannot be shown", "NY-W": "cannot be shown", "US-FDA-T": "met"},
        ),
        ("log_late_scraps.csv", {"CA-W": "not yet", "NY-W": "not yet", "US-FDA-T": "not yet"}),
        (
            "log_fahrenheit.csv",
            {"CA-W": "cannot be shown", "NY-W": "not yet", "US-FDA-T": "met"},
        ),
    ],
)
def test_the_examples_tell_their_stories(name: str, verdicts: dict[str, str]) -> None:
    rules = [part for rule in verdicts for part in ("--rule", rule)]
    assert {proof["rule"]: proof["verdict"] for proof in prove(name, *rules)} == verdicts


def test_the_logger_example() -> None:
    (bare,) = prove("log_logger_10min.csv", "--rule", "CA-A")
    assert bare["verdict"] == "cannot be shown"
    (proof,) = prove(
        "log_logger_10min.csv", "--rule", "CA-A", "--method", "aerated", "--insulation-cm", 20
    )
    assert proof["verdict"] == "met"
    outage = next(day for day in proof["days"] if day["date"] == "2026-03-11")
    assert not outage["counts"]
    change = next(day for day in proof["days"] if day["date"] == "2026-03-08")
    assert change["counts"]


def test_the_example_logs_are_those_of_their_script(tmp_path: Path) -> None:
    script = tmp_path / "make_logs.py"
    script.write_text((EXAMPLES / "make_logs.py").read_text(encoding="utf-8"), encoding="utf-8")
    subprocess.run([sys.executable, str(script)], check=True)
    made = sorted(tmp_path.glob("log_*.csv"))
    assert [path.name for path in made] == [p.name for p in sorted(EXAMPLES.glob("log_*.csv"))]
    for path in made:
        assert path.read_bytes() == (EXAMPLES / path.name).read_bytes()


def test_the_document_shows_what_the_command_prints(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    text = (ROOT / "docs" / "prove.md").read_text(encoding="utf-8")
    shown = re.findall(r"```console\n\$ heapwright (.*)\n((?:.*\n)*?)```", text)
    assert shown
    for command, output in shown:
        assert run(*shlex.split(command)).stdout == output


def test_the_rule_of_the_document_can_be_added(tmp_path: Path) -> None:
    text = (ROOT / "docs" / "prove.md").read_text(encoding="utf-8")
    own = re.search(r"```\n(id,name,(?:.*\n)*?)```", text)
    assert own
    path = write(tmp_path, own[1], "own.csv")
    proof, *rest = prove("log_clean_pass.csv", "--rules", path, "--rule", "our-permit")
    assert (proof["rule"], proof["verdict"], rest) == ("OUR-PERMIT", "met", [])


def test_what_a_person_reads() -> None:
    done = run("prove", EXAMPLES / "log_one_turning_short.csv", "--rule", "NY-W", "--days")
    assert "NY-W: NOT YET" in done.stdout
    assert "Turnings 4; needed 5." in done.stdout
    assert "Turn once more while it is hot." in done.stdout
    assert "2026-03-04" in done.stdout
    every = run("prove", EXAMPLES / "log_one_turning_short.csv")
    for text in (done.stdout, every.stdout):
        flat = " ".join(text.split())
        assert "not a laboratory result" in flat
        assert "the local code, the permit and the enforcement agency decide" in flat
    assert "UK-ABP-x" in every.stdout
    assert max(map(len, every.stdout.splitlines())) <= 100


def test_days_in_fahrenheit_for_a_log_in_fahrenheit() -> None:
    done = run("prove", EXAMPLES / "log_fahrenheit.csv", "--rule", "NY-W", "--days")
    assert "lowest °F" in done.stdout
    assert re.search(r"2026-03-11\s+130\.9\s+no", done.stdout)


def test_the_working_names_formula_inputs_origin_and_source() -> None:
    done = run(
        "prove", EXAMPLES / "log_clean_pass.csv", "--rule", "NY-W", "--working", "--organisms",
        "--box", "1.2,1.2,1.2", "--shell", "0.15",
    )  # fmt: skip
    flat = " ".join(done.stdout.split())
    for words in (
        "°C = (°F − 32) × 5 / 9",
        "6 NYCRR 361-3.7",
        "as read 2026-11-25",
        "measured: the log",
        "source ny-361-3-7:",
        "turned while hot",
        "time(T)",
        "source singh-2010:",
        "E = ",
        "never hot = (1 − f)",
        "3.7 % of it never hot",
    ):
        assert words in flat


def test_organisms_without_a_figure_are_null_and_say_why() -> None:
    (proof,) = prove("log_clean_pass.csv", "--rule", "NY-W", "--organisms")
    by_name = {organism["name"]: organism for organism in proof["organisms"]}
    seed = by_name["Common purslane seed"]
    assert seed["log10_reduction"] is None
    assert seed["lethality_h"] is None
    assert "no time was readable" in seed["missing"]
    assert by_name["Salmonella"]["log10_reduction"] > 7


def test_a_site_can_fill_in_death_times(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "organism,name,kind,temp_c,time_min,log10_reduction,sources,mark\n"
        "seed-common-purslane,Purslane seed,weed seed,55,600,1,own-trial,published\n"
        "seed-common-purslane,Purslane seed,weed seed,60,60,1,own-trial,published\n",
        "deaths.csv",
    )
    (proof,) = prove("log_clean_pass.csv", "--rule", "NY-W", "--deaths", path)
    names = [organism["name"] for organism in proof["organisms"]]
    assert names[0] == "Purslane seed"
    assert "Common purslane seed" not in names
    assert proof["organisms"][0]["z_c"] == pytest.approx(5.0)
    assert proof["organisms"][0]["log10_reduction"] > 1


def test_the_hot_zone_is_a_gauge_beside_the_rule() -> None:
    (proof,) = prove("log_clean_pass.csv", "--rule", "NY-W", "--hot-share", "0.42")
    assert proof["hot_zone"]["turnings"] == 5
    assert proof["hot_zone"]["never_hot_share"] == pytest.approx(0.58**6)


BAD_OPTIONS = [
    (["--rule", "NY-X"], "did you mean NY-"),
    (["--points", "core,rim"], "no point “rim”; it has"),
    (["--points", "0"], "at least 1 point"),
    (["--points", ","], "--points is blank"),
    (["--probe-error-c", "-1"], "probe error"),
    (["--probe-error-c", "nan"], "probe error"),
    (["--probe-error-c", "1", "--probe-error-f", "2"], "give one"),
    (["--insulation-cm", "-3"], "--insulation-cm"),
    (["--hot-share", "42"], "--hot-share"),
    (["--box", "1,1,1"], "--shell"),
    (["--box", "1,1", "--shell", "0.1"], "three lengths"),
    (["--box", "1,1,1", "--shell", "nan"], "--shell"),
    (["--box", "1,1,1", "--shell", "0.1", "--hot-share", "0.5"], "give one"),
    (["--mixing", "2"], "--mixing"),
    (["--time-zone", "Mars/Base"], "not a time zone"),
    (["--rules", "none.csv"], "none.csv: there is no such file"),
]


@pytest.mark.parametrize(("options", "words"), BAD_OPTIONS)
def test_bad_options_are_one_line_and_exit_2(options: list[str], words: str) -> None:
    done = run("prove", EXAMPLES / "log_clean_pass.csv", *options)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert words in done.stderr


OWN = "id,name,jurisdiction,document,as_read,min_temp_c,days,sources,mark\n"
BAD_RULES = [
    ("NY-W,x,y,z,2026-03-01,55,3,s,published", "id of a shipped rule", "id"),
    ("A,x,y,z,2026-03-01,55,3,,published", "is blank", "sources"),
    ("A,x,y,z,2026-03-01,55,3,s,sure", "none of published", "mark"),
    ("A,x,y,z,3/1/2026,55,3,s,published", "not a date", "as_read"),
    ("A,x,y,z,2026-03-01,550,3,s,published", "impossible", "min_temp_c"),
    ("A,x,y,z,2026-03-01,,3,s,published", "a limit", "min_temp_c"),
    ("A,x,y,z,2026-03-01,55,1.5,s,published", "whole number", "days"),
    ("A,x,y,z,2026-03-01,55,,s,published", "asks for some", "days"),
]


@pytest.mark.parametrize(("row", "words", "column"), BAD_RULES)
def test_a_bad_rule_names_its_place(tmp_path: Path, row: str, words: str, column: str) -> None:
    path = write(tmp_path, OWN + row + "\n", "own.csv")
    done = run("prove", EXAMPLES / "log_clean_pass.csv", "--rules", path)
    assert (done.returncode, done.stdout) == (2, "")
    assert f"own.csv, row 2, column {column}: " in done.stderr
    assert words in done.stderr


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time,event,temp_c\n3/4/2026,read,57\n", "bad.csv, row 2, column time:"),
        ("time,event,temp_c\n2026-03-01T08:00,read,131\n", "bad.csv, row 2, column temp_c:"),
        ("time;event;temp_c\n", "bad.csv, row 1: its columns are parted by semicolons"),
        ("", "bad.csv: is empty"),
    ],
)
def test_a_bad_log_is_one_line_and_exit_2(tmp_path: Path, text: str, words: str) -> None:
    done = run("prove", write(tmp_path, text, "bad.csv"))
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert words in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["bad.csv"]


def test_help_loads_no_numerical_library() -> None:
    code = (
        "import sys\n"
        "sys.argv = ['heapwright', 'prove', '--help']\n"
        "from heapwright.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "import heapwright.data.sanitation as facts\n"
        "facts.rules(), facts.organisms(), facts.terms()\n"
        "assert not {'numpy', 'scipy', 'django'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
