"""``heapwright forecast --lot``: a pile of the site's own records, as a person runs it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from tests.cli.test_site import COMMAND, SMALL_SITE

READ = """
from datetime import timedelta
from heapwright.yard import tend
for day, temp_c in ((1, 34.0), (2, 55.0), (3, 61.0)):
    act = tend.CheckLot(
        happened_at=at + timedelta(days=day), lot="K-001",
        temps=(tend.Temp(point="core", temp_c=temp_c, depth_cm=50.0),),
    )
    tend.check(act, lead)
"""
RECENT = SMALL_SITE.replace(
    "at = datetime(2026, 3, 2, 9, 0, tzinfo=ZoneInfo(site.ZONE))",
    "from datetime import timedelta\n"
    "at = datetime.now(ZoneInfo(site.ZONE)).replace(hour=9, minute=0) - timedelta(days=5)",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Make a site with a pile of five days, read three times."""
    assert RECENT != SMALL_SITE
    made = tmp_path_factory.mktemp("site")
    subprocess.run([sys.executable, "-c", RECENT + READ, str(made)], check=True)
    return made


def run(folder: Path, *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, "forecast", *args],
        env={**os.environ, "HEAPWRIGHT_DATA": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_pile_is_forecast_from_its_entries_and_bends_to_its_readings(folder):
    answer = run(folder, "--lot", "K-001", "--members", "40", "--days", "10", "--json")
    assert answer.returncode == 0, answer.stderr
    found = json.loads(answer.stdout)
    assert found["lot"] == "K-001"
    assert found["readings"]["used"] + len(found["readings"]["set_aside"]) == 3
    assert found["balance"]["energy_residual"] < 1e-6
    assert len(found["core_temp_c"]["p50"]) == len(found["time"])
    days = (len(found["time"]) - 1) * 3.0 / 24.0
    assert 14.0 < days < 16.5  # five that passed and ten to come
    assert found["turnings"]


def test_what_to_do_with_it_is_told_where_enough_lies_ahead(folder):
    answer = run(folder, "--lot", "K-001", "--members", "40", "--json")
    assert answer.returncode == 0, answer.stderr
    for one in json.loads(answer.stdout)["advice"]:
        assert {"do", "verdict", "amount", "unit", "reason", "gain", "sources"} <= one.keys()
        assert one["verdict"] in ("do", "wait", "weigh")
    short = run(folder, "--lot", "K-001", "--members", "40", "--days", "10", "--json")
    assert "advice" not in json.loads(short.stdout)


def test_the_text_says_what_it_rests_on_and_that_it_proves_nothing(folder):
    answer = run(folder, "--lot", "K-001", "--members", "40", "--days", "5", "--working")
    assert answer.returncode == 0, answer.stderr
    assert "From the records of K-001" in answer.stdout
    assert "3 readings used" in answer.stdout
    assert "weather from now: 100 % typical year" in answer.stdout
    assert "turnings reckoned with" in answer.stdout
    assert "never count as proof" in answer.stdout
    assert "Where the heat came from" in answer.stdout


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("--lot", "K-999"), "--lot: there is no lot K-999"),
        (("--lot", "D-001"), "only a pile is forecast"),
        (("--lot", "K-001", "pile.toml"), "PILE.toml is for a pile that is no lot"),
        (("--lot", "K-001", "--weather", "w.csv"), "--weather is for a pile that is no lot"),
        (("--lot", "K-001", "--days", "-3"), "--days: -3"),
        ((), "name a PILE.toml, or a pile of the site with --lot CODE"),
    ],
)
def test_what_cannot_be_is_one_line(folder, args, message):
    answer = run(folder, *args)
    assert answer.returncode == 2
    assert message in answer.stderr
    assert len(answer.stderr.strip().splitlines()) == 1
