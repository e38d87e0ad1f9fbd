"""Today's tasks, made in one place from the log and the rules, the most pressing first.

:func:`look` gathers what is known at a moment into plain records (:class:`Sight`);
:func:`tasks` asks each maker of :data:`MAKERS` what there is to do. A maker sees the records
only, so that a forecast can add its own: a callable ``(sight, say) -> tasks``. Each task says
what to do, how much, why, what happens if it is left, the source of the fact that it rests on,
and what one tap would write.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import IntEnum
from functools import cached_property, lru_cache
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from django.db.models import Count, Max
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.data import (
    category_defaults,
    constants,
    default_ranges,
    field_tests,
    storage_life,
)
from heapwright.data.pile import HeatAlarm, heat_alarms
from heapwright.data.sanitation import rules, terms
from heapwright.data.tables import Fact
from heapwright.data.today import chosen_rule, figure
from heapwright.science.materials import Mark, Material
from heapwright.science.periods import Stated
from heapwright.science.rules import Rule
from heapwright.science.sanitation import Proof, evaluate
from heapwright.yard import materials, prove, state
from heapwright.yard.models import (
    Check,
    Contamination,
    Cover,
    Entry,
    Flow,
    Kind,
    Lot,
    LotKind,
    Place,
    PlaceKind,
    Site,
    Smell,
    Squeeze,
    Stage,
    Weather,
)
from heapwright.yard.state import DayTemp, LotState

Say = Callable[[float, str], str]
"""Shows an SI value of a measure (``temp``, ``mass``, ``volume``, ``length``) with its unit."""

_SI: Final = {"temp": "°C", "mass": "kg", "volume": "m³", "length": "m"}
FRESH_DAYS: Final = 1
"""A reading of today or yesterday tells how the pile is; an older one only how it was."""


def plain(value: float, measure: str) -> str:
    """Show a value in SI units."""
    digits = 2 if measure == "volume" else 0
    return f"{value:.{digits}f}\u00a0{_SI[measure]}"


class Rank(IntEnum):
    """How pressing a task is: danger, then what is lost today, then what can wait."""

    ALARM = 0
    HEAT = 10
    TURN = 20
    SPOILING = 30
    DIRTY = 40
    WATER = 50
    RAIN = 60
    READ = 70
    COOLED = 80
    BROWN = 90
    PROVEN = 100
    CURED = 110
    WATCH = 120


@dataclass(frozen=True, slots=True)
class Tap:
    """What one tap writes: the kind of entry, its fields, and the word on the button."""

    kind: Kind
    fields: tuple[tuple[str, str], ...]
    word: str
    lead_only: bool = False


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do today.

    ``key`` names the task from one look to the next. ``form`` says which form serves when
    one tap cannot: ``log``, ``wet``, ``move``, ``discard``, ``stage`` of the lot, or the room
    ``mix``, ``receive`` or ``prove``. ``alarm`` is danger to people.
    """

    key: str
    rank: Rank
    title: str
    why: str
    how_much: str = ""
    left: str = ""
    sources: tuple[str, ...] = ()
    mark: Mark = "published"
    lot: str = ""
    place: str = ""
    tap: Tap | None = None
    form: str = ""
    order: float = 0.0
    alarm: bool = False

    @property
    def can_wait(self) -> bool:
        """Whether nothing is lost when it is done another day."""
        return self.rank >= Rank.PROVEN


@dataclass(frozen=True, slots=True)
class Heap:
    """A standing pile or compost with what was last read and seen of it."""

    state: LotState
    temps: DayTemp | None = None
    check: Check | None = None
    proof: Proof | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """Stock or overs on hand, with what it is (None where it was mixed)."""

    state: LotState
    material: Material | None = None


@dataclass(frozen=True, slots=True)
class DayWeather:
    """The rain gauge and thermometer of a day."""

    day: date
    rain_mm: float | None = None
    temp_min_c: float | None = None
    temp_max_c: float | None = None


@dataclass(frozen=True)
class Sight:
    """All that today's tasks are made from; ``pads`` are the curing pads in use."""

    now: datetime
    tz: ZoneInfo
    heaps: tuple[Heap, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    weather: tuple[DayWeather, ...] = ()
    pads: tuple[Place, ...] = ()

    @cached_property
    def today(self) -> date:
        """The site's calendar day."""
        return self.now.astimezone(self.tz).date()

    def day_of(self, when: datetime) -> date:
        """Return the site's calendar day of a moment."""
        return when.astimezone(self.tz).date()

    def days_since(self, when: datetime) -> int:
        """Return the calendar days since a moment."""
        return (self.today - self.day_of(when)).days

    def said(self, when: datetime) -> str:
        """Return a moment as a colleague says it: today 08:40, Sunday 08:40, 3 March."""
        days = self.days_since(when)
        local = when.astimezone(self.tz)
        if days == 0:
            return _("today %(time)s") % {"time": date_format(local, "H:i")}
        if days == 1:
            return _("yesterday %(time)s") % {"time": date_format(local, "H:i")}
        return date_format(local, "l H:i" if days < 7 else "j F")

    def called(self, lot: LotState) -> str:
        """Return what people call a lot: its place, with its code where others stand there."""
        if lot.place is None:
            return lot.code
        here = sum(heap.state.place == lot.place for heap in self.heaps)
        own = lot.place.kind in (PlaceKind.BAY, PlaceKind.VESSEL, PlaceKind.LANE)
        if own and here == 1:
            return lot.place.name
        return f"{lot.code} ({lot.place.name})"


def rule_for(lot: LotState) -> Rule:
    """Return the rule that the list follows for a lot, by where it stands."""
    vessel = lot.place is not None and lot.place.kind == PlaceKind.VESSEL
    return rules()[chosen_rule(vessel=vessel).rule]


class Maker(Protocol):
    """Something that sees tasks: a rule of thumb here, a forecast elsewhere."""

    def __call__(self, sight: Sight, say: Say, /) -> Iterable[Task]:
        """Return the tasks seen, in any order."""
        ...


# Looking


def look(
    now: datetime | None = None, *, judge: bool = True, lot_ids: Collection[int] | None = None
) -> Sight:
    """Gather what is known now (or was at a time), in a few queries however much stands.

    Parameters
    ----------
    now : datetime, optional
        The time.
    judge : bool
        Whether to judge the proofs. They rest on the log as it is, so for a past time they
        are left out.
    lot_ids : collection of int, optional
        Only these lots, for the page of one; all that stand when left out.
    """
    now = now or timezone.now()
    site = Site.load()
    standing = state.state_at(now, lot_ids=lot_ids)
    ids = [one.id for one in standing if one.kind in (LotKind.PILE, LotKind.COMPOST)]
    temps = state.day_temps(ids, now)
    checks = state.last_checks(ids, now)
    proving = [one for one in standing if judge and one.stage in (Stage.HOT, Stage.CURING)]
    proofs = proofs_of(proving, site)
    library = materials.library(now)
    days = figure("wet_week_days").value
    today = now.astimezone(site.tz).date()
    gauge = {
        one.day: DayWeather(one.day, one.rain_mm, one.temp_min_c, one.temp_max_c)
        for one in Weather.objects.filter(
            entry__struck_at=None, day__gt=today - timedelta(days=days), day__lte=today
        ).order_by("entry_id")
    }
    return Sight(
        now=now,
        tz=site.tz,
        heaps=tuple(
            Heap(one, temps.get(one.id), checks.get(one.id), proofs.get(one.id))
            for one in standing
            if one.kind in (LotKind.PILE, LotKind.COMPOST)
        ),
        waiting=tuple(
            Waiting(one, library.get(one.material_id))
            for one in standing
            if one.kind in (LotKind.STOCK, LotKind.OVERS)
        ),
        weather=tuple(gauge[day] for day in sorted(gauge)),
        pads=tuple(Place.objects.filter(kind=PlaceKind.CURING, retired_at=None)),
    )


_VERDICTS: Final = ("not met", "cannot be shown", "not yet", "met")


def proofs_of(lots: Collection[LotState], site: Site) -> dict[int, Proof]:
    """Return how far each lot is with the rule that the list follows.

    Where piles past their heat were put together each log has to meet the rule, so the one
    that is furthest from it stands for all. A judgement is kept until something is written
    about the lot or about one that it came from.
    """
    marks = _marks([one.id for one in lots])
    return {
        one.id: _judged(one.id, rule_for(one).id, site.zone, marks[one.id])
        for one in lots
        if rule_for(one).judged_by != "nothing in a log"
    }


@lru_cache(maxsize=1024)
def _judged(lot_id: int, rule_id: str, _zone: str, _mark: object) -> Proof:
    lot = Lot.objects.get(id=lot_id)
    rule = rules()[rule_id]
    method = rule.methods[0] if len(rule.methods) == 1 else None
    judged = [
        evaluate(prove.lot_log(lot, strand), (rule,), Stated(method=method), terms())[0]
        for strand in prove.strands(lot)
    ]
    return min(judged, key=lambda proof: (_VERDICTS.index(proof.verdict), proof.days_credited))


def _marks(lot_ids: Collection[int]) -> dict[int, object]:
    """Return for each lot a mark that changes when its log or a forebear's does."""
    forebears: dict[int, set[int]] = {one: {one} for one in lot_ids}
    parents: dict[int, set[int]] = {}
    unknown = set(lot_ids)
    while unknown:
        parents.update((one, set()) for one in unknown)
        for to_lot, from_lot in Flow.objects.filter(
            to_lot__in=unknown,
            from_lot__isnull=False,
            entry__kind__in=(Kind.DIVIDE, Kind.SCREEN, Kind.COMBINE),
        ).values_list("to_lot_id", "from_lot_id"):
            parents[to_lot].add(from_lot)
        unknown = {one for of_lot in parents.values() for one in of_lot} - parents.keys()
    for line in forebears.values():
        waiting = list(line)
        while waiting:
            new = parents[waiting.pop()] - line
            line |= new
            waiting += new
    last = {
        lot_id: (lot_id, count, struck, str(uuid))
        for lot_id, count, struck, uuid in Entry.lots.through.objects.filter(lot__in=parents)
        .order_by()
        .values_list("lot_id")
        .annotate(Count("entry"), Count("entry__struck_at"), Max("entry__uuid"))
    }
    return {
        lot_id: tuple(last.get(one, (one,)) for one in sorted(line))
        for lot_id, line in forebears.items()
    }


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
        Two tasks that one act settles become one, which gives both reasons. Where people are
        in danger at a lot nothing else is asked of it, and nobody is told to watch a lot that
        they have something to do at.
    """
    sight = sight or look()
    found = [task for make in makers or MAKERS for task in make(sight, say)]
    alarmed = {task.lot for task in found if task.alarm and task.lot}
    merged: dict[object, Task] = {}
    for task in sorted(found, key=lambda one: (one.rank, one.order, one.key)):
        if task.lot in alarmed and not task.alarm:
            continue
        key = (task.lot, task.tap.kind) if task.lot and task.tap else task.key
        first = merged.setdefault(key, task)
        if first is not task:
            merged[key] = replace(
                first,
                why=f"{first.why} {task.why}",
                sources=tuple(dict.fromkeys((*first.sources, *task.sources))),
                mark=max(first.mark, task.mark, key=_MARKS.index),
            )
    busy = {task.lot for task in merged.values() if task.rank < Rank.WATCH}
    return tuple(task for task in merged.values() if task.rank < Rank.WATCH or task.lot not in busy)


_MARKS: Final[tuple[Mark, ...]] = ("published", "common practice", "from memory")


# Seeing: what is hot


def _alarm(name: str) -> HeatAlarm:
    return next(one for one in heat_alarms() if one.id == name)


def _fresh(sight: Sight, heap: Heap) -> DayTemp | None:
    """Return the temperatures when they are of today or yesterday."""
    temps = heap.temps
    if temps is None or (sight.today - temps.day).days > FRESH_DAYS:
        return None
    return temps


def _turn(lot: str) -> Tap:
    return Tap(Kind.TURN, (("lot", lot),), _("Log it: turned"))


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
        lot, temps = heap.state, _fresh(sight, heap)
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
                tap=_turn(lot.code),
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
            )


# Seeing: what the rule asks


def spacing_days(rule: Rule) -> int:
    """Return how many hot days come before a turning: as the rule says, or evenly spread."""
    said = max(rule.turn_spacing_days, rule.hot_days_before_turn)
    return said or max(rule.days // rule.turnings, 1)


def turning_due(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that have been hot long enough for the next turning of the rule."""
    for heap in sight.heaps:
        lot, proof, temps = heap.state, heap.proof, _fresh(sight, heap)
        if proof is None or temps is None or lot.stage != Stage.HOT or proof.verdict == "met":
            continue
        rule = proof.rule
        more = proof.turnings_needed - proof.turnings_credited
        if more <= 0 or temps.lowest_c < rule.min_temp_c:
            continue
        turned = lot.last.get(Kind.TURN)
        since = None if turned is None else sight.day_of(turned)
        hot = [day for day in proof.days if day.counts and (since is None or day.date > since)]
        if len(hot) < spacing_days(rule):
            continue
        counted = ngettext("%(count)d hot day", "%(count)d hot days", len(hot)) % {
            "count": len(hot)
        }
        after = (
            _("%(days)s and not turned yet.") % {"days": counted}
            if turned is None
            else _("%(days)s since it was turned %(when)s.")
            % {"days": counted, "when": sight.said(turned)}
        )
        first = "" if temps.day == sight.today else _("Read it first. ")
        yield Task(
            key=f"turn:{lot.code}",
            rank=Rank.TURN,
            title=_("Turn %(heap)s") % {"heap": sight.called(lot)},
            how_much=first + _("All of it, what was outside into the middle."),
            why=f"{after} "
            + _("The coolest point was %(temp)s %(when)s.")
            % {"temp": say(temps.lowest_c, "temp"), "when": sight.said(temps.last_at)}
            + " "
            + _("%(rule)s counts this as turning %(number)d of %(needed)d.")
            % {
                "rule": rule.id,
                "number": proof.turnings_credited + 1,
                "needed": proof.turnings_needed,
            },
            left=_(
                "the proof waits for %(more)d turnings, and one counts only while the pile is hot."
            )
            % {"more": more}
            if more > 1
            else _("the proof waits for this turning, and it counts only while the pile is hot."),
            sources=rule.sources,
            mark=rule.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=_turn(lot.code),
            order=-len(hot),
        )


def reading_missing(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that nobody has read today, and resting ones that nobody read for a week."""
    weekly = figure("curing_read_days")
    for heap in sight.heaps:
        lot, temps, proof = heap.state, heap.temps, heap.proof
        idle = sight.days_since(lot.begun_at) if temps is None else (sight.today - temps.day).days
        proving = lot.stage == Stage.HOT and (proof is None or proof.verdict != "met")
        if idle < 1 or lot.stage not in (Stage.HOT, Stage.CURING):
            continue
        if not proving and idle <= weekly.value:
            continue
        why = (
            _("Nobody has read it since it was made on %(when)s.")
            % {"when": sight.said(lot.begun_at)}
            if temps is None
            else _("Nothing since %(when)s, when it was %(temp)s.")
            % {"when": sight.said(temps.last_at), "temp": say(temps.highest_c, "temp")}
        )
        rule = rule_for(lot)
        yield Task(
            key=f"read:{lot.code}",
            rank=Rank.READ if proving else Rank.WATCH,
            title=_("Read %(heap)s") % {"heap": sight.called(lot)},
            how_much=_("Every point that was read before, at the same depth."),
            why=why,
            left=_("today does not count for %(rule)s; a gap never does.") % {"rule": rule.id}
            if proving
            else _("heat deep inside goes unseen."),
            sources=rule.sources if proving else weekly.sources,
            mark=rule.mark if proving else weekly.mark,
            lot=lot.code,
            place=sight.called(lot),
            form="log",
            order=-idle,
        )


def cooled(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that have cooled before their proof, or that never heated."""
    bounds = terms()
    for heap in sight.heaps:
        lot, proof, temps = heap.state, heap.proof, _fresh(sight, heap)
        if lot.stage != Stage.HOT or proof is None or temps is None or proof.verdict == "met":
            continue
        if temps.highest_c >= bounds.cooled_temp_c:
            continue
        turned = lot.last.get(Kind.TURN)
        if turned is not None and sight.day_of(turned) >= temps.day - timedelta(days=1):
            continue  # it may yet come back
        limit = proof.rule.min_temp_c
        was_hot = any(
            day.lowest_temp_c is not None and day.lowest_temp_c >= limit for day in proof.days
        )
        named = {"heap": sight.called(lot)}
        read = _("At most %(temp)s was read %(when)s.") % {
            "temp": say(temps.highest_c, "temp"),
            "when": sight.said(temps.last_at),
        }
        common = {
            "rank": Rank.COOLED,
            "sources": proof.rule.sources,
            "mark": proof.rule.mark,
            "lot": lot.code,
            "place": sight.called(lot),
        }
        credit = _("%(rule)s has %(days)d of %(needed)d days.") % {
            "rule": proof.rule.id,
            "days": proof.days_credited,
            "needed": proof.rule.days,
        }
        if was_hot and proof.verdict != "not met":
            yield Task(
                key=f"cooled:{lot.code}",
                title=_("Turn %(heap)s and see whether it heats again") % named,
                how_much=_("All of it, wetted where it is dry."),
                why=f"{read} {credit}",
                left=_("it cools out, and the days that are missing cannot be made up."),
                tap=_turn(lot.code),
                **common,
            )
        elif was_hot:
            yield Task(
                key=f"cooled:{lot.code}",
                title=_("Mix fresh material into %(heap)s") % named,
                how_much=_("As the mix proposes; the proof starts again from there."),
                why=f"{read} {credit} " + _("It has cooled out."),
                left=_("it cannot be shown to be sanitised; keep it off food beds."),
                form="mix",
                **common,
            )
        elif sight.days_since(lot.begun_at) >= bounds.young_days:
            yield Task(
                key=f"cold:{lot.code}",
                title=_("Build %(heap)s again") % named,
                how_much=_("Squeeze and smell it first: too dry, too wet, or too little food?"),
                why=f"{read} "
                + _("It is %(days)d days old and never reached %(limit)s.")
                % {"days": sight.days_since(lot.begun_at), "limit": say(limit, "temp")},
                left=_("it stays as raw as it came in."),
                form="log",
                **common,
            )


def proof_reached(sight: Sight, say: Say) -> Iterator[Task]:
    """See hot piles that have met the rule and may be moved to cure."""
    for heap in sight.heaps:
        lot, proof = heap.state, heap.proof
        if lot.stage != Stage.HOT or proof is None or proof.verdict != "met":
            continue
        assert proof.met_at is not None
        if len(sight.pads) == 1 and lot.place != sight.pads[0]:
            pad = sight.pads[0]
            tap = Tap(
                Kind.MOVE,
                (("lot", lot.code), ("to_place", pad.code)),
                _("Log it: moved to %(pad)s") % {"pad": pad.name},
            )
        else:
            tap = Tap(
                Kind.STAGE,
                (("lot", lot.code), ("stage", Stage.CURING.value)),
                _("Declare it curing"),
                lead_only=True,
            )
        yield Task(
            key=f"proven:{lot.code}",
            rank=Rank.PROVEN,
            title=_("Let %(heap)s cure") % {"heap": sight.called(lot)},
            how_much=_("All of it, once it no longer heats, onto ground where nothing raw lay."),
            why=_(
                "%(rule)s was met on %(day)s: %(days)d days at %(limit)s or more, "
                "%(turnings)d turnings."
            )
            % {
                "rule": proof.rule.id,
                "limit": say(proof.rule.min_temp_c, "temp"),
                "day": date_format(proof.met_at, "j F"),
                "days": proof.days_credited,
                "turnings": proof.turnings_credited,
            },
            left=_("the bay stays taken, and any scrap that falls in starts the proof again."),
            sources=proof.rule.sources,
            mark=proof.rule.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=tap,
            form="move" if len(sight.pads) > 1 else "",
        )


def cure_end(sight: Sight, say: Say) -> Iterator[Task]:
    """See heaps that have cured long enough to be tested and declared ready."""
    least, cool = figure("cure_days"), terms().cooled_temp_c
    for heap in sight.heaps:
        lot, temps, proof = heap.state, heap.temps, heap.proof
        if lot.stage != Stage.CURING or lot.stage_at is None:
            continue
        days = sight.days_since(lot.stage_at)
        if days < least.value or (temps is not None and temps.highest_c >= cool):
            continue
        proven = proof is not None and proof.verdict == "met"
        since = _("It has cured for %(days)d days; %(least)g are the least.") % {
            "days": days,
            "least": least.value,
        }
        if temps is not None:
            since += " " + _("It was %(temp)s %(when)s.") % {
                "temp": say(temps.highest_c, "temp"),
                "when": sight.said(temps.last_at),
            }
        yield Task(
            key=f"cured:{lot.code}",
            rank=Rank.CURED,
            title=_("Test %(heap)s and declare it ready") % {"heap": sight.called(lot)}
            if proven
            else _("Judge %(heap)s: cured, and not proven") % {"heap": sight.called(lot)},
            how_much=_("One sample mixed from ten places; smell it after a few days in a bag.")
            if proven
            else _("Open its proof and decide: heat it again, or keep it off food beds."),
            why=since
            if proven
            else f"{since} "
            + _("Its log does not show that %(rule)s was met.") % {"rule": rule_for(lot).id},
            left=_("nothing spoils; the pad stays taken.")
            if proven
            else _("somebody may take it for finished."),
            sources=least.sources,
            mark=least.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=Tap(
                Kind.STAGE,
                (("lot", lot.code), ("stage", Stage.READY.value)),
                _("Declare it ready"),
                lead_only=True,
            )
            if proven
            else None,
            form="" if proven else "prove",
            order=-days,
        )


# Seeing: water and rain


def squeezed(sight: Sight, _say: Say) -> Iterator[Task]:
    """See heaps whose last squeeze was too dry or too wet, nothing done about it since."""
    fact = field_tests()["squeeze"]
    for heap in sight.heaps:
        lot, check = heap.state, heap.check
        if check is None or lot.stage not in (Stage.FILLING, Stage.HOT, Stage.CURING):
            continue
        when = check.entry.happened_at
        dry = check.squeeze == Squeeze.DUSTY
        wet = check.squeeze in (Squeeze.DRIPS, Squeeze.RUNS)
        answers = (Kind.WATER,) if dry else (Kind.TURN, Kind.ADD)
        if not (dry or wet) or any(lot.last.get(kind, when) > when for kind in answers):
            continue
        named = {"heap": sight.called(lot)}
        felt = _("The squeeze test said “%(felt)s” %(when)s.") % {
            "felt": str(Squeeze(check.squeeze).label).partition(":")[0],
            "when": sight.said(when),
        }
        yield Task(
            key=f"{'dry' if dry else 'wet'}:{lot.code}",
            rank=Rank.WATER,
            title=(_("Wet %(heap)s") if dry else _("Turn dry browns into %(heap)s")) % named,
            how_much=_("A little at a time while turning, until a squeezed handful just holds.")
            if dry
            else _("Chips or dry leaves until no drop comes; then keep the rain off."),
            why=felt,
            left=_("it stops heating, and a big dry heap can catch fire.")
            if dry
            else _("it goes airless, smells, and leaches."),
            sources=fact.sources,
            mark=fact.mark,
            lot=lot.code,
            place=sight.called(lot),
            form="wet" if dry else "mix",
        )


def rain_cover(sight: Sight, _say: Say) -> Iterator[Task]:
    """See open heaps in a wet week, where the rain gauge is logged."""
    days, limit = figure("wet_week_days"), figure("wet_week_mm")
    read = [one.rain_mm for one in sight.weather if one.rain_mm is not None]
    if sum(read) < limit.value:
        return
    first = (Stage.CURING, Stage.READY, Stage.HOT, Stage.FILLING)
    for heap in sight.heaps:
        lot = heap.state
        if lot.cover not in ("", Cover.OPEN):
            continue
        yield Task(
            key=f"cover:{lot.code}",
            rank=Rank.RAIN,
            title=_("Cover %(heap)s") % {"heap": sight.called(lot)},
            how_much=_("The whole top, with a fall so that water runs off."),
            why=_("%(rain).0f mm of rain in the last %(days).0f days (%(read)d logged).")
            % {"rain": sum(read), "days": days.value, "read": len(read)},
            left=_("it soaks, cools and leaches."),
            sources=limit.sources,
            mark=limit.mark,
            lot=lot.code,
            place=sight.called(lot),
            tap=Tap(
                Kind.COVER,
                (("lot", lot.code), ("cover", Cover.TARP.value)),
                _("Log it: under a tarp"),
            ),
            order=first.index(Stage(lot.stage)) if lot.stage else len(first),
        )


# Seeing: what waits


def _role(material: Material) -> str:
    return material.layer_role or category_defaults()[material.category].layer_role


def spoiling(sight: Sight, say: Say) -> Iterator[Task]:
    """See stock that has waited past its storage life, one task a material and place."""
    warm = figure("warm_week_c")
    means = [
        (one.temp_min_c + one.temp_max_c) / 2
        for one in sight.weather
        if one.temp_min_c is not None and one.temp_max_c is not None
    ]
    is_warm = not means or sum(means) / len(means) >= warm.value
    grouped: dict[tuple[str, str], list[Waiting]] = defaultdict(list)
    for one in sight.waiting:
        if one.material is None or one.state.kind != LotKind.STOCK:
            continue
        life = storage_life(one.material)
        keeps = life.days_warm if is_warm else life.days_cool
        if (sight.now - one.state.begun_at) >= timedelta(days=keeps):
            place = one.state.place.code if one.state.place else ""
            grouped[one.material.id, place].append(one)
    for late in grouped.values():
        material, place = late[0].material, late[0].state.place
        assert material is not None
        life = storage_life(material)
        keeps = life.days_warm if is_warm else life.days_cool
        waited = max(sight.days_since(one.state.begun_at) for one in late)
        where = _(" in %(place)s") % {"place": place.name} if place else ""
        usual = _("such weather") if means else _("warm weather (no weather was logged this week)")
        yield Task(
            key=f"spoils:{material.id}:{place.code if place else ''}",
            rank=Rank.SPOILING,
            title=_("Use or bury the %(material)s") % {"material": in_words(material)},
            how_much=_("%(mass)s%(where)s.")
            % {"mass": say(sum(one.state.mass_kg for one in late), "mass"), "where": where},
            why=ngettext(
                "It has waited %(waited)d day; in %(usual)s it keeps %(keeps)g.",
                "It has waited %(waited)d days; in %(usual)s it keeps %(keeps)g.",
                waited,
            )
            % {"waited": waited, "usual": usual, "keeps": keeps},
            left=_("it sours, smells and draws flies and rats."),
            sources=life.sources,
            mark=life.mark,
            lot=late[0].state.code if len(late) == 1 else "",
            place=_("the mix"),
            form="mix",
            order=-waited / max(keeps, 1.0),
        )


def in_words(material: Material) -> str:
    """Return the name of a material as it stands within a sentence: food scraps."""
    head = material.name.partition(" (")[0].partition(", ")[0]
    return head[:1].lower() + head[1:]


def dirty(sight: Sight, say: Say) -> Iterator[Task]:
    """See deliveries with much in them that does not belong there, still on hand."""
    for one in sight.waiting:
        lot = one.state
        if lot.contamination != Contamination.MUCH:
            continue
        what = in_words(one.material) if one.material else _("stock")
        yield Task(
            key=f"dirty:{lot.code}",
            rank=Rank.DIRTY,
            title=_("Sort or discard %(lot)s") % {"lot": lot.code},
            how_much=_("%(mass)s of %(what)s.") % {"mass": say(lot.mass_kg, "mass"), "what": what},
            why=_("Much that does not belong there was seen in it when it came %(when)s.")
            % {"when": sight.said(lot.begun_at)},
            left=_("one load in a mix spoils the whole pile, and glass goes to the beds."),
            sources=("trade-knowledge",),
            mark="common practice",
            lot=lot.code,
            place=lot.code,
            form="discard",
        )


def browns_short(sight: Sight, say: Say) -> Iterator[Task]:
    """See when what is wet on hand has too little brown beside it for the next build."""
    share = default_ranges()["food_volume_pct"]
    least_pile: Fact = constants()["min_pile_volume_m3"]
    assert share.preferred_high is not None
    volumes: dict[bool, float] = {False: 0.0, True: 0.0}
    for one in sight.waiting:
        if one.material is None and one.state.kind != LotKind.OVERS:
            continue
        role = "woody" if one.material is None else _role(one.material)
        if role in ("food", "green", "brown", "woody"):
            volumes[role in ("brown", "woody")] += one.state.volume_m3 or 0.0
    food = share.preferred_high / 100.0
    wanted = volumes[False] * (1.0 - food) / food
    fact: Fact = share
    reason = _("%(wet)s of food and green is on hand; at most %(share).0f %% of a mix by volume.")
    if not volumes[False]:
        wanted = constants()["min_pile_volume_m3"].value * (1.0 - food)
        reason = _("Nothing is on hand for the smallest pile that holds its heat, %(least)s.")
        fact = least_pile
    if volumes[True] >= wanted:
        return
    short = wanted - volumes[True]
    yield Task(
        key="browns",
        rank=Rank.BROWN,
        title=_("Fetch leaves, straw or chips"),
        how_much=_("%(short)s more, besides %(there)s on hand.")
        % {"short": say(short, "volume"), "there": say(volumes[True], "volume")},
        why=reason
        % {
            "wet": say(volumes[False], "volume"),
            "share": share.preferred_high,
            "least": say(constants()["min_pile_volume_m3"].value, "volume"),
        },
        left=_("the next scraps go in too wet and too close, and smell."),
        sources=fact.sources,
        mark=fact.mark,
        place=_("the stock"),
        form="receive",
    )


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
)
"""All that see tasks; a forecast adds its own here."""
