"""The proof as of a past day: what is known now about then, against a naive replay."""

from __future__ import annotations

import random
from datetime import datetime, timedelta

import pytest
from tests.yard.acting import NOW, Yard, at
from tests.yard.test_proof_and_trace import hot_pile, screen

from heapwright.data.sanitation import rules
from heapwright.science.sanitation import Stated
from heapwright.yard import prove, tend
from heapwright.yard.models import Entry, Lot, Reading
from heapwright.yard.prove import Later, written_later
from heapwright.yard.strike import strike


def replay(lot: Lot, when: datetime) -> tuple[list[tuple[str, int]], list[tuple[int, float]]]:
    """Return acts and readings of one lot until a time, by walking all entries one by one."""
    words = {"build": "built", "turn": "turned", "move": "moved", "add": "added"}
    acts, readings = [], []
    for entry in sorted(Entry.objects.all(), key=lambda one: (one.happened_at, one.id)):
        if entry.struck_at is not None or entry.happened_at > when:
            continue
        if lot not in entry.lots.all():
            continue
        if entry.kind in words:
            acts.append((words[entry.kind], int(entry.happened_at.timestamp())))
        for one in Reading.objects.filter(entry=entry, lot=lot):
            if one.time_s <= when.timestamp():
                readings.append((one.time_s, one.temp_c))
    return acts, sorted(readings)


def logged(lot: Lot, when: datetime) -> tuple[list[tuple[str, int]], list[tuple[int, float]]]:
    log = prove.lot_log(lot, as_of=when)
    return (
        [(act.kind, act.time_s) for act in log.acts],
        list(zip(log.readings.time_s.tolist(), log.readings.temp_c.tolist(), strict=True)),
    )


@pytest.mark.parametrize("seed", range(4))
def test_it_is_what_a_replay_says_whatever_was_written_late_or_struck(yard: Yard, seed: int):
    chance = random.Random(seed)
    pile = yard.build(1, (yard.deliver(0, 100), None))
    written = []
    for number in range(40):
        day = chance.uniform(1.01, 30)
        if chance.random() < 0.3:
            written.append(yard.turn(day, pile))
        elif chance.random() < 0.1:
            written.append(yard.add(day, pile, (yard.deliver(0.5, 5), None)))
        else:
            written.append(yard.read(day, pile, float(chance.randint(30, 70)), f"p{number % 3}"))
    for entry in chance.sample([one for one in written if one.kind != "add"], 8):
        strike(entry.uuid, "wrong", yard.lead, now=NOW)
    moments = [at(chance.uniform(1.005, 32)) for _ in range(12)]
    moments += [one.happened_at for one in written[:6]]  # at the very time of an entry
    for when in moments:
        assert logged(pile, when) == replay(pile, when)
    assert prove.strands(pile, at(0.9)) == ()
    assert prove.lot_logs(pile, at(0.9)) == ()


def test_a_proof_grows_day_by_day_and_ends_as_the_one_of_now(yard: Yard):
    pile = hot_pile(yard, 10)
    rule = [rules()["NY-W"]]
    verdicts = []
    for day in range(11, 32):
        (log,) = prove.lot_logs(pile, at(day))
        verdicts.append(log.judged(rule, Stated(method="turned"))[0])
    counted = [one.days_credited for one in verdicts]
    assert counted == sorted(counted)
    assert verdicts[0].verdict == "not yet"
    (now,) = prove.lot_logs(pile)
    assert verdicts[-1] == now.judged(rule, Stated(method="turned"))[0]
    met = now.judged(rule, Stated(method="turned"))[0].met_at
    first_met = next(one for one in verdicts if one.verdict == "met")
    assert first_met.met_at == met


def test_what_came_of_a_pile_later_is_not_in_its_past(yard: Yard):
    good, other = hot_pile(yard, 10), hot_pile(yard, 10, "B2")
    for pile in (good, other):
        yard.declare(60, pile, "curing")
    tend.combine(
        tend.Combine(happened_at=at(61), lots=(other.code,), into=good.code), yard.lead, now=NOW
    )
    assert len(prove.strands(good)) == 2
    assert len(prove.strands(good, at(60.5))) == 1
    yard.declare(69, good, "ready")
    compost, _overs = screen(yard, 70, good)
    assert prove.strands(compost, at(70)) == ()
    assert [len(one) for one in prove.strands(compost)] == [2, 3]


def test_raw_material_of_later_does_not_undo_the_past(yard: Yard):
    pile = hot_pile(yard, 10)
    yard.add(40, pile, (yard.deliver(39, 20), None))
    rule, stated = [rules()["NY-W"]], Stated(method="turned")
    (then,) = prove.lot_logs(pile, at(35))
    (now,) = prove.lot_logs(pile)
    assert then.judged(rule, stated)[0].verdict == "met"
    assert now.judged(rule, stated)[0].verdict != "met"


def test_it_says_how_much_of_it_was_written_or_struck_later(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))

    def read(day: float, recorded: float) -> Entry:
        act = tend.CheckLot(
            happened_at=at(day), lot=pile.code, temps=(tend.Temp(point="1", temp_c=60.0),)
        )
        return tend.check(act, yard.lead, now=at(recorded))

    in_time, late = read(2, 2), read(3, 8)
    taken_back = read(4, 4)
    read(9, 9)
    strike(taken_back.uuid, "wrong pile", yard.lead, now=at(6))
    # what Yard itself writes is recorded long after, at NOW: the build and the delivery
    built = 1
    assert written_later(pile, at(5)) == Later(written=1 + built, struck=1)
    assert written_later(pile, at(7)) == Later(written=1 + built, struck=0)
    assert written_later(pile, at(8)) == Later(written=built, struck=0)
    times = logged(pile, at(5))[1]
    assert [int((at(0) + timedelta(days=day)).timestamp()) for day in (2, 3)] == [
        time_s for time_s, _temp in times
    ]
    assert in_time.recorded_at < late.recorded_at
