"""A logger's file of a million readings taken into the site, and taken in once more.

Ours is the whole way: reading and checking the file, the entry, the rows, the daily summaries,
one transaction on disk. The peer is ``sqlite3.executemany`` alone, of the same rows made
ready in memory, into the same table with the same constraints, committed with the same
durability.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from benchmarks.proof import write_log

ROWS = 1_000_000
BAR = 2.0


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that ``work`` takes."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def run(rows: int = ROWS) -> list[dict[str, object]]:
    """Return name, our and the peer's seconds, their ratio, the bar and whether it is met."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["HEAPWRIGHT_DATA"] = folder
        os.environ["DJANGO_SETTINGS_MODULE"] = "heapwright.settings"
        return list(_run(Path(folder), rows))


def _run(folder: Path, rows: int) -> Iterator[dict[str, object]]:
    import django
    from django.core.management import call_command

    django.setup()
    call_command("migrate", verbosity=0)

    from django.conf import settings
    from django.db import connection

    from heapwright.files.log import read_log
    from heapwright.people.models import User
    from heapwright.yard import mix, receive, tend
    from heapwright.yard.acts import Take, first_lot
    from heapwright.yard.amounts import Quantity
    from heapwright.yard.models import Place, Reading, Site, Source
    from heapwright.yard.readings import Columns

    Site.objects.create(id=1, name="Bench yard", zone="UTC")
    Place.objects.create(code="B1", name="Bay 1", kind="bay", width_m=1.2, depth_m=1.2)
    Source.objects.create(code="kitchen", name="A kitchen")
    lead = User.objects.create(username="lead", role="lead")
    built_at = datetime(2016, 1, 1, tzinfo=UTC)
    stock = first_lot(
        receive.receive_delivery(
            receive.ReceiveDelivery(
                happened_at=built_at - timedelta(days=1),
                source="kitchen",
                lines=(
                    receive.DeliveryLine(
                        material="leaves_loose", quantity=Quantity(mass_kg=500.0), place="B1"
                    ),
                ),
            ),
            lead,
        )
    )
    pile = first_lot(
        mix.build_pile(
            mix.BuildPile(happened_at=built_at, place="B1", takes=(Take(lot=stock.code),)), lead
        )
    )
    file = folder / "logger.csv"
    write_log(file, rows)
    database = Path(settings.DATABASES["default"]["NAME"])

    connection.close()
    bare = folder / "bare.sqlite3"
    bare.write_bytes(database.read_bytes())
    columns = Columns.of_log(read_log(file, time_zone="UTC").log)
    ready = [(1, pile.id, *row, False) for row in columns.rows()]
    peer = sqlite3.connect(bare, isolation_level=None)
    peer.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;")

    def bare_insert() -> None:
        peer.execute("BEGIN IMMEDIATE")
        peer.executemany(
            "INSERT INTO yard_reading (entry_id, lot_id, time_s, point, depth_cm, temp_c, struck)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            ready,
        )
        peer.execute("COMMIT")

    def take_in() -> None:
        columns = Columns.of_log(read_log(file, time_zone="UTC").log)
        act = tend.logger_act(pile.code, file.name, columns, built_at)
        tend.log_readings(act, lead)

    peer_s = timed(bare_insert)
    peer.close()
    ready.clear()
    del columns
    first_s = timed(take_in)
    kept = Reading.objects.count()
    again_s = timed(take_in)
    assert Reading.objects.count() == kept == rows
    for name, ours_s, bar in (
        (f"logger file of {rows:,} rows taken in", first_s, BAR),
        ("the same file taken in again, nothing changed", again_s, first_s / peer_s),
    ):
        ratio = ours_s / peer_s
        yield {
            "name": name,
            "ours_s": ours_s,
            "peer_s": peer_s,
            "ratio": ratio,
            "bar": f"at most {bar:.3g} times the bare insert",
            "met": ratio <= bar,
        }
    connection.close()
