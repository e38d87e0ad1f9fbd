"""Records of before the openings, settings and photos are carried over whole, triggers included."""

from __future__ import annotations

import json
import os
import subprocess
import sys

SCRIPT = """
import json
import django
django.setup()
from django.core.management import call_command
from django.db import connection
call_command("migrate", verbosity=0)
call_command("migrate", "yard", "0002_weather", verbosity=0)
from tests.yard.acting import NOW, Yard, at, kg
from tests.web.small_site import photo
yard = Yard()
pile = yard.build(1, (yard.deliver(0, 100), None))
READ = "INSERT INTO yard_reading (entry_id, lot_id, time_s, point, depth_cm, temp_c, struck) "
from heapwright.yard.models import Entry, Flow
with connection.cursor() as cursor:
    cursor.execute(READ + f"VALUES (1, {pile.id}, 1, '1', -1, 60, 0)")
before = [Entry.objects.count(), Flow.objects.count(), str(list(Flow.objects.values()))]
call_command("migrate", verbosity=0)
after = [Entry.objects.count(), Flow.objects.count(), str(list(Flow.objects.values()))]
refused = []
for statement in (
    "UPDATE yard_entry SET note = 'x'", "DELETE FROM yard_entry",
    "UPDATE yard_flow SET mass_kg = 1", "DELETE FROM yard_flow",
    "UPDATE yard_standing SET stage = ''", "DELETE FROM yard_lot",
):
    try:
        with connection.cursor() as cursor:
            cursor.execute(statement)
    except Exception as error:
        refused.append("never changed" in str(error))
from heapwright.yard import receive, tend
from heapwright.yard.audit import audit
receive.open_lot(
    receive.OpenLot(happened_at=at(2), kind="pile", place="B2", quantity=kg(50), stage="hot"),
    yard.lead, now=NOW,
)
tend.check(tend.CheckLot(happened_at=at(3), lot=pile.code, photo=photo()), yard.lead, now=NOW)
yard.read(4, pile, 60.0)
from heapwright.yard.strike import strike
strike(Entry.objects.latest("id").uuid, "not done", yard.lead, now=NOW)
with connection.cursor() as cursor:
    cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' ORDER BY name")
    triggers = [name for (name,) in cursor.fetchall()]
    cursor.execute("PRAGMA foreign_key_check")
    broken = cursor.fetchall()
print(json.dumps({
    "same": before == after, "refused": refused, "adds_up": audit().adds_up,
    "triggers": triggers, "broken": broken,
}))
"""


def test_records_of_before_are_carried_over_with_their_triggers(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        env={
            **os.environ,
            "HEAPWRIGHT_DATA": str(tmp_path),
            "DJANGO_SETTINGS_MODULE": "heapwright.settings",
        },
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["same"]
    assert found["refused"] == [True] * 6
    assert found["adds_up"]
    assert found["broken"] == []
    for table in ("entry", "flow", "opening", "photo", "yardstick", "standing", "reading"):
        assert f"yard_{table}_no_delete" in found["triggers"]
        assert f"yard_{table}_no_update" in found["triggers"]
