"""A told story is kept, copied at the next start, and told on when days have gone by."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

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
kept.make(
    folder / "heapwright.sqlite3", datetime.fromisoformat(sys.argv[2]), site.ZONE, told.append
)
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
    "findings": [one.what for one in audit(deep=True).findings],
}))
"""


@pytest.fixture
def make(tmp_path):
    def run(name: str, now: str) -> dict:
        done = subprocess.run(
            [sys.executable, "-c", MAKE, str(tmp_path / name), now],
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
