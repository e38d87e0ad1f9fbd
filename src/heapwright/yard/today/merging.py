"""All that see tasks, and how what they see becomes one list that does not contradict itself."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from heapwright.science.materials import Mark
from heapwright.yard.today.ahead import foreseen
from heapwright.yard.today.by_rule import (
    cooled,
    cure_end,
    proof_reached,
    reading_missing,
    turning_due,
)
from heapwright.yard.today.heat import fire, too_hot
from heapwright.yard.today.looking import look
from heapwright.yard.today.tasks import Maker, Rank, Say, Sight, Task, plain
from heapwright.yard.today.waiting import browns_short, dirty, spoiling
from heapwright.yard.today.wetness import rain_cover, squeezed

MAKERS: tuple[Maker, ...] = (
    fire,
    too_hot,
    turning_due,
    spoiling,
    dirty,
    squeezed,
    rain_cover,
    reading_missing,
    cooled,
    proof_reached,
    browns_short,
    cure_end,
    foreseen,
)
"""All that see tasks: by the log and the rules, and by the forecast."""

_MARKS: Final[tuple[Mark, ...]] = ("published", "common practice", "from memory")


def tasks(
    sight: Sight | None = None, say: Say = plain, makers: tuple[Maker, ...] | None = None
) -> tuple[Task, ...]:
    """Return today's tasks, the most pressing first.

    Parameters
    ----------
    sight : Sight, optional
        What is known; a fresh look when left out.
    say : callable
        Shows a figure in the reader's units.
    makers : tuple of Maker, optional
        Who sees tasks; :data:`MAKERS` when left out.

    Returns
    -------
    tuple of Task
        Two tasks that one act settles become one, which gives both reasons; so does an act that
        contains another. Where people are in danger at a lot nothing else is asked of it, and
        nobody is told to watch a lot that they have something to do at.
    """
    sight = sight or look()
    found = [task for make in makers or MAKERS for task in make(sight, say)]
    alarmed = {task.lot for task in found if task.alarm and task.lot}
    calm = [task for task in found if task.alarm or task.lot not in alarmed]
    merged = _merged(task for task in calm if not task.remarks_on)
    remarks = [task for task in calm if task.remarks_on]
    settled = _taken_in([_remarked(task, remarks) for task in merged])
    busy = {task.lot for task in settled if task.rank < Rank.WATCH}
    return tuple(task for task in settled if task.rank < Rank.WATCH or task.lot not in busy)


def _pressing(task: Task) -> tuple[int, float, str]:
    return task.rank, task.order, task.key


def _merged(found: Iterable[Task]) -> list[Task]:
    """Return the tasks by how pressing they are, those that one act settles as one."""
    merged: dict[object, Task] = {}
    for task in sorted(found, key=_pressing):
        key = (task.lot, task.act) if task.lot and task.act else task.key
        first = merged.setdefault(key, task)
        if first is not task:
            merged[key] = _both(first, task)
    return list(merged.values())


def _both(first: Task, second: Task) -> Task:
    """Return one task for two that one act settles; the one that knows how much says it."""
    sharp = second if second.sharpens else first
    return replace(
        first,
        title=sharp.title,
        how_much=sharp.how_much,
        tap=sharp.tap or first.tap or second.tap,
        takes_in=tuple(dict.fromkeys((*first.takes_in, *second.takes_in))),
        compares=first.compares or second.compares,
        **_reasons(first, second),
    )


def _reasons(first: Task, second: Task) -> dict[str, object]:
    return {
        "why": f"{first.why} {second.why}",
        "sources": tuple(dict.fromkeys((*first.sources, *second.sources))),
        "mark": max(first.mark, second.mark, key=_MARKS.index),
    }


def _remarked(task: Task, remarks: Iterable[Task]) -> Task:
    """Return a task with what is remarked on it: more reasons, and another title where one is."""
    for one in remarks:
        if (one.lot, one.act) != (task.lot, task.act):
            continue
        if task.key.partition(":")[0] not in one.remarks_on:
            continue
        task = replace(
            task,
            title=one.title or task.title,
            how_much=one.how_much if one.sharpens else f"{task.how_much} {one.how_much}".strip(),
            compares=task.compares or one.compares,
            **_reasons(task, one),
        )
    return task


def _taken_in(found: list[Task]) -> list[Task]:
    """Return the tasks without those that another one at the same lot contains, with its reasons.

    The one that contains becomes as pressing as what it took in.
    """
    gone: set[str] = set()
    whole: list[Task] = []
    for task in found:
        if task.key in gone:
            continue
        for other in found:
            inside = other is not task and other.lot == task.lot and other.act in task.takes_in
            if not inside or other.key in gone or task.act in other.takes_in:
                continue
            gone.add(other.key)
            task = replace(
                task,
                rank=min(task.rank, other.rank),
                order=min(task.order, other.order),
                **_reasons(other, task),
            )
        whole.append(task)
    return sorted((task for task in whole if task.key not in gone), key=_pressing)
