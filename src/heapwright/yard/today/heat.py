"""Tasks from the log: heaps that are too hot, or may burn."""

from __future__ import annotations

from collections.abc import Iterator

from django.utils.translation import gettext as _

from heapwright.data.pile import HeatAlarm, heat_alarms
from heapwright.yard.models import Kind, Smell
from heapwright.yard.today.tasks import Rank, Say, Sight, Task, fresh, turn_tap


def _alarm(name: str) -> HeatAlarm:
    return next(one for one in heat_alarms() if one.id == name)


def fire(sight: Sight, say: Say) -> Iterator[Task]:
    """See heaps that may burn: above the alarm, or a burnt smell at any reading."""
    alarm = _alarm("fire")
    for heap in sight.heaps:
        lot, temps, check = heap.state, heap.temps, heap.check
        hot = temps is not None and temps.highest_c > alarm.temp_c
        burnt = check is not None and check.smell == Smell.BURNT
        if not hot and not burnt:
            continue
        if hot and temps is not None:
            why = _("%(temp)s was read %(when)s. Above %(limit)s heating is chemical.") % {
                "temp": say(temps.highest_c, "temp"),
                "when": sight.said(temps.last_at),
                "limit": say(alarm.temp_c, "temp"),
            }
        else:
            assert check is not None
            why = _("It smelled burnt %(when)s; that is an alarm at any reading.") % {
                "when": sight.said(check.entry.happened_at)
            }
        yield Task(
            key=f"fire:{lot.code}",
            rank=Rank.ALARM,
            title=_("Keep %(heap)s closed and get help") % {"heap": sight.called(lot)},
            how_much=_(
                "Do not open it alone. Have water and a telephone ready. Smoke, or heat over a "
                "large part: call the fire service."
            ),
            why=why,
            left=_("it can glow and burn from within, unseen until it is opened."),
            sources=alarm.sources,
            mark=alarm.mark,
            lot=lot.code,
            place=sight.called(lot),
            form="log",
            alarm=True,
        )


def too_hot(sight: Sight, say: Say) -> Iterator[Task]:
    """See heaps that should be turned and wetted, or watched, for their heat."""
    warm, hot, closed = _alarm("warm"), _alarm("hot"), _alarm("fire")
    for heap in sight.heaps:
        lot, temps = heap.state, fresh(sight, heap)
        if temps is None or not warm.temp_c < temps.highest_c <= closed.temp_c:
            continue
        turned = lot.last.get(Kind.TURN)
        if turned is not None and turned >= temps.last_at:
            continue  # nobody knows how hot it is since; the reading is asked for
        named = {"heap": sight.called(lot)}
        read = _("%(temp)s was read %(when)s.") % {
            "temp": say(temps.highest_c, "temp"),
            "when": sight.said(temps.last_at),
        }
        if temps.highest_c > hot.temp_c:
            yield Task(
                key=f"hot:{lot.code}",
                rank=Rank.HEAT,
                title=_("Turn and wet %(heap)s today") % named,
                how_much=_(
                    "All of it, with water on whatever is dry, until a squeezed handful just holds."
                ),
                why=f"{read} "
                + _("Above %(limit)s the microbes that you need die back.")
                % {"limit": say(hot.temp_c, "temp")},
                left=_("it dries and goes on heating; above %(limit)s it can catch fire.")
                % {"limit": say(closed.temp_c, "temp")},
                sources=hot.sources,
                mark=hot.mark,
                lot=lot.code,
                place=sight.called(lot),
                tap=turn_tap(lot.code),
                order=-temps.highest_c,
            )
        else:
            yield Task(
                key=f"warm:{lot.code}",
                rank=Rank.WATCH,
                title=_("Watch %(heap)s") % named,
                how_much=_("Read it again tomorrow; turn it if it climbs."),
                why=f"{read} "
                + _("Above %(limit)s the microbes slow down.")
                % {"limit": say(warm.temp_c, "temp")},
                left=_("it may pass %(limit)s and dry out.") % {"limit": say(hot.temp_c, "temp")},
                sources=warm.sources,
                mark=warm.mark,
                lot=lot.code,
                place=sight.called(lot),
                form="log",
                does="watch",
            )
