"""Telling twice writes the same rows."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
from django.db import transaction

from heapwright.demo import site, story
from heapwright.demo.plan import Plan
from heapwright.yard import readings
from heapwright.yard.models import Entry, Lot

FIRST = date(2025, 11, 26)


@pytest.mark.django_db
def test_two_tellings_write_the_same_records():
    until = datetime(2025, 12, 21, tzinfo=UTC)
    found = []
    for _time in range(2):
        with transaction.atomic():
            site.set_up()
            story.tell_on(Plan(FIRST), None, until)
            entries = list(
                Entry.objects.order_by("id").values_list(
                    "uuid", "kind", "happened_at", "recorded_at", "recorded_by__username",
                    "note", "sent",
                )
            )  # fmt: skip
            lot = Lot.objects.get(code="K-001")
            found.append((entries, rows_of(lot)))
            transaction.set_rollback(True)
    assert found[0] == found[1]
    assert len(found[0][0]) > 80
    assert found[0][1]


def rows_of(lot: Lot) -> list:
    return list(readings.Columns.of_rows(
        lot.readings.order_by("time_s", "point").values_list(
            "time_s", "point", "depth_cm", "temp_c"
        )
    ).rows())  # fmt: skip
