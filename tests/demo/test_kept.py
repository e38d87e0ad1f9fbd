"""A told story is kept, copied at the next start, and told on when days have gone by."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from heapwright.demo import picture

# A story of five weeks instead of a year, so that it is told in seconds.
MAKE = """
import json, os, sys
from datetime import UTC, datetime
from pathlib import Path
folder = Path(sys.argv[1])
folder.mkdir()
os.environ["HEAPWRIGHT_DATA"] = str(folder)
os.environ["DJANGO_SETTINGS_MODULE"] = "heapwright.settings"
import django
django.setup()
from heapwright.demo import kept, site, story
story.YEAR_DAYS = 35
told = []
from django.conf import settings
settings.FORECASTS = "off"
def is_there(known):
    return known.fresh and (known.outlook is not None or known.untold is not None)
now = datetime.fromisoformat(sys.argv[2])
path = kept.make(folder / "heapwright.sqlite3", now, site.ZONE, told.append)
from heapwright.yard import forecast, state
from heapwright.yard.models import Photo
from heapwright.yard.photos import path_of
found = [
    is_there(forecast.look([one], now=now)[one.id])
    for one in state.state_at(now) if one.stage in forecast.FORESEEN
]
charts = len(list((folder / "charts").glob("*")))
if len(sys.argv) > 3:
    kept.foresee(path, now)
from django.db.models import Max, Min
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry
times = Entry.objects.aggregate(first=Min("happened_at"), last=Max("happened_at"))
print(json.dumps({
    "anew": bool(told),
    "first": times["first"].date().isoformat(),
    "last": times["last"].date().isoformat(),
    "entries": Entry.objects.count(),
    "uuids": sorted(str(one) for one in Entry.objects.values_list("uuid", flat=True)),
    "foreseen": found,
    "charts": charts,
    "untold": [
        one.code for one in state.state_at(now)
        if one.kind == "pile" and forecast.look([one], now=now)[one.id].untold is not None
    ],
    "pictures": [path_of(one.digest).stat().st_size for one in Photo.objects.all()],
    "findings": [one.what for one in audit(deep=True).findings],
}))
"""


@pytest.fixture
def make(tmp_path):
    def run(name: str, now: str, *more: str) -> dict:
        done = subprocess.run(
            [sys.executable, "-c", MAKE, str(tmp_path / name), now, *more],
            env={**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache")},
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return run


def kept(tmp_path: Path) -> list[str]:
    return sorted(path.name for path in (tmp_path / "cache" / "heapwright").iterdir())


def test_a_kept_story_is_copied_told_on_and_told_anew_when_it_is_old(make, tmp_path):
    first = make("first", "2026-05-04T20:00:00+00:00")
    assert first["anew"]
    assert (first["first"], first["last"]) == ("2026-03-31", "2026-05-04")
    assert first["findings"] == []
    names = kept(tmp_path)
    assert len(names) == 1

    again = make("again", "2026-05-04T21:00:00+00:00")
    assert not again["anew"]
    assert again["uuids"] == first["uuids"]

    later = make("later", "2026-05-14T20:00:00+00:00")
    assert not later["anew"]
    assert (later["first"], later["last"]) == ("2026-03-31", "2026-05-14")
    assert later["entries"] > first["entries"] + 40
    assert later["findings"] == []
    assert kept(tmp_path) == names

    old = make("old", "2026-07-30T20:00:00+00:00")
    assert old["anew"]
    assert old["last"] == "2026-07-30"
    assert len(kept(tmp_path)) == 1
    assert kept(tmp_path) != names


def test_a_kept_file_that_was_cut_short_is_not_served(make, tmp_path):
    make("first", "2026-05-04T20:00:00+00:00")
    path = next((tmp_path / "cache" / "heapwright").iterdir())
    path.write_bytes(path.read_bytes()[:9000])
    mended = make("second", "2026-05-04T20:00:00+00:00")
    assert mended["anew"]
    assert mended["findings"] == []


def test_what_its_heaps_will_do_is_kept_with_it_charts_and_all(make, tmp_path):
    now = "2026-05-04T20:00:00+00:00"
    first = make("first", now, "foresee")
    assert first["foreseen"]
    assert not any(first["foreseen"])
    again = make("again", now)
    assert all(again["foreseen"])
    assert again["untold"] == ["K-001"]  # it stood there, and nobody knows how it was built
    assert again["charts"] >= 6 * (sum(again["foreseen"]) - 1)
    assert sorted(one.rpartition(".")[2] for one in kept(tmp_path)) == [
        "charts", "forecasts", "sqlite3",
    ]  # fmt: skip
    later = make("later", "2026-05-05T20:00:00+00:00")
    assert not any(later["foreseen"])  # a day has gone by: shown with its time, and made anew


def test_the_copy_that_is_shown_has_a_picture_that_was_drawn(make):
    shown = make("first", "2026-05-04T20:00:00+00:00")
    assert len(shown["pictures"]) == 1
    assert 5_000 < shown["pictures"][0] < 200_000
    assert picture.drawn() == picture.drawn()
