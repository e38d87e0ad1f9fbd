"""Two people saving at once, on a real database file."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection
from tests.yard.acting import NOW, Yard, at, kg

from heapwright.yard import receive, state, use
from heapwright.yard.audit import audit
from heapwright.yard.errors import StockError
from heapwright.yard.models import Entry, Lot

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def yard(transactional_db) -> Yard:
    return Yard()


def at_once(*works: Callable[[], object]) -> list[object]:
    """Return what each work gave or raised, all started at the same moment."""
    barrier = Barrier(len(works))

    def one(work: Callable[[], object]) -> object:
        try:
            barrier.wait()
            return work()
        except StockError as error:
            return error
        finally:
            connection.close()

    with ThreadPoolExecutor(len(works)) as pool:
        return list(pool.map(one, works))


def test_the_database_is_as_durable_as_said(yard: Yard):
    with connection.cursor() as cursor:
        answers = {}
        for pragma in ("journal_mode", "synchronous", "foreign_keys"):
            cursor.execute(f"PRAGMA {pragma}")
            answers[pragma] = cursor.fetchone()[0]
    assert answers == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}


def test_the_same_act_sent_by_two_at_once_is_written_once(yard: Yard):
    line = receive.DeliveryLine(material="food_scraps_mixed", quantity=kg(100), place="S1")
    act = receive.ReceiveDelivery(happened_at=at(0), source="kitchen", lines=(line,))

    def send() -> int:
        return receive.receive_delivery(act, yard.lead, now=NOW).id

    assert len(set(at_once(*[send] * 6))) == 1
    assert Entry.objects.count() == Lot.objects.count() == 1


def test_two_who_take_the_last_of_a_lot_cannot_both_have_it(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))

    def take(bed: str) -> Callable[[], object]:
        act = use.UseCompost(happened_at=at(5), lot=pile.code, bed=bed, quantity=kg(60))
        return lambda: use.use_compost(act, yard.lead, now=NOW)

    got = at_once(take("BED1"), take("BED2"))
    assert sum(isinstance(one, StockError) for one in got) == 1
    assert state.lot_state(pile.code).mass_kg == pytest.approx(40)
    assert audit().findings == ()


def test_many_at_once_get_codes_of_their_own(yard: Yard):
    def send() -> Lot:
        return yard.deliver(0, 10)

    lots = at_once(*[send] * 8)
    assert {lot.code for lot in lots} == {f"D-{number:03d}" for number in range(1, 9)}
