"""Today's tasks, made in one place from the log, the rules and the forecast.

:func:`look` gathers what is known at a moment into plain records (:class:`Sight`); :func:`tasks`
asks each maker of :data:`MAKERS` what there is to do. A maker is a callable ``(sight, say) ->
tasks`` that sees the records only. Each task says what to do, how much, why, what happens if it is
left, the source of the fact that it rests on, and what one tap would write.
"""

from heapwright.yard.proofs import in_vessel, proofs_of, rule_for, spacing_days
from heapwright.yard.today.looking import look, with_advice
from heapwright.yard.today.merging import MAKERS, tasks
from heapwright.yard.today.tasks import (
    FRESH_DAYS,
    DayWeather,
    Heap,
    Maker,
    Rank,
    Say,
    Sight,
    Tap,
    Task,
    Waiting,
    in_words,
    plain,
)

__all__ = [
    "FRESH_DAYS",
    "MAKERS",
    "DayWeather",
    "Heap",
    "Maker",
    "Rank",
    "Say",
    "Sight",
    "Tap",
    "Task",
    "Waiting",
    "in_vessel",
    "in_words",
    "look",
    "plain",
    "proofs_of",
    "rule_for",
    "spacing_days",
    "tasks",
    "with_advice",
]
