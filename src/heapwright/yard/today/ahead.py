"""Tasks from the forecast: what is gained by an act against leaving it, in words.

Only what the forecast says freshly is told; where it is missing or something has changed since,
the tasks of log and rules stand alone. What a rule or a squeeze in the hand says comes first:
the forecast adds to it (``remarks_on``), says how much (``sharpens``) or contains it
(``takes_in``), and is silent where a hand felt the contrary.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.data import water
from heapwright.data.decisions import decision_facts, decision_figures
from heapwright.data.library import materials
from heapwright.data.pile import heat_alarms
from heapwright.science.materials import Mark
from heapwright.yard.models import Container, Cover, Kind, Squeeze
from heapwright.yard.today.tasks import Heap, Rank, Say, Sight, Tap, Task, in_words, turn_tap

if TYPE_CHECKING:
    from heapwright.science.decide_asked import Chance, Decision
    from heapwright.science.decide_ways import Compared, Spread

WET: Final = (Squeeze.DRIPS, Squeeze.RUNS)
DRY: Final = (Squeeze.DUSTY,)
BARROW_M3: Final = 0.085
"""A wheelbarrow of 3 cubic feet: of the site's containers the one nearest to it is counted in."""

_MARKS: Final[tuple[Mark, ...]] = ("published", "common practice", "from memory")


def foreseen(sight: Sight, say: Say) -> Iterator[Task]:
    """See what the forecast advises for each heap."""
    pairs: set[frozenset[str]] = set()
    for heap in sight.heaps:
        advised = sight.ahead.get(heap.state.id)
        if advised is None or not advised.fresh:
            continue
        for one in advised.decisions:
            if felt_otherwise(heap, one.kind, sight):
                continue
            if one.kind == "combine":
                pair = frozenset((heap.state.code, one.amount.other))
                if pair in pairs:
                    continue  # the other heap says the same
                pairs.add(pair)
            yield told_alone(sight, say, heap, one)


def felt_otherwise(heap: Heap, kind: str, sight: Sight) -> bool:
    """Tell whether the last squeeze, fresh and not answered since, says the contrary."""
    check = heap.check
    if check is None or kind not in ("wet", "add"):
        return False
    days = water.figures()["felt_days"].value
    if sight.now - check.entry.happened_at > timedelta(days=days):
        return False
    return check.squeeze in (WET if kind == "wet" else DRY)


class _Told:
    """A decision to be told: shows figures in the reader's units."""

    def __init__(self, sight: Sight, say: Say, heap: Heap, decision: Decision) -> None:
        self.sight, self.say, self.heap, self.one = sight, say, heap, decision
        self.name = sight.called(heap.state)
        self.lot = heap.state.code

    def figure(self, name: str) -> Compared:
        return next(one for one in self.one.compared if one.figure == name)

    def chance(self, of: str) -> Chance | None:
        return next((one for one in self.one.chances if one.of == of), None)

    def spread(self, spread: Spread, measure: str) -> str:
        """Return a figure with its likely range: 34 °C (25 °C to 38 °C)."""
        return _("%(middle)s (%(low)s to %(high)s)") % {
            name: self.say(getattr(spread, name), measure).replace("-", "\u2212")
            for name in ("middle", "low", "high")
        }

    def warmer(self) -> str:
        """Return by how much the core gets warmer or cooler over the week."""
        gain = self.figure("core_c").gain
        days = self.figure("core_c").days
        cooler = gain.middle < 0.0
        size = gain
        if cooler:
            size = replace(gain, low=-gain.high, middle=-gain.middle, high=-gain.low)
        words = (
            _("Over %(days).0f days the core is %(by)s cooler for it.")
            if cooler
            else _("Over %(days).0f days the core is %(by)s warmer for it.")
        )
        return words % {"days": days, "by": self.spread(size, "warmth")}

    def cools_if_left(self) -> bool:
        """Tell whether it is a degree warmer for it: less, nobody can read."""
        return self.figure("core_c").gain.middle >= 1.0

    def moister(self) -> str:
        """Return to which moisture it comes if it is done, against if it is left."""
        one = self.figure("moisture_pct")
        return _("In %(days).0f days it is at %(done).0f\u00a0%% of water, left at %(left).0f.") % {
            "days": one.days,
            "done": one.done.middle,
            "left": one.left.middle,
        }

    def heats(self) -> str:
        one = self.chance("heats")
        if one is None:
            return ""
        return _("It reaches %(hot)s in %(done)s of 100 runs, left in %(left)s.") % {
            "hot": self.say(_hot_c(), "temp"),
            "done": per_hundred(one.done),
            "left": per_hundred(one.left),
        }

    def back(self) -> str:
        one = self.chance("back")
        if one is None:
            return ""
        return _("Turned, it is at %(hot)s within %(days).0f days in %(done)s of 100 runs.") % {
            "hot": self.say(_hot_c(), "temp"),
            "days": decision_facts().thresholds.reheat_days,
            "done": per_hundred(one.done),
        }

    def proven(self) -> str:
        """Return the chance that the rule is met by a date, turned now and turned later."""
        one = self.chance("proven")
        if one is None or self.heap.proof is None:
            return ""
        days = {
            "rule": self.heap.proof.rule.id,
            "day": date_format(self.sight.today + timedelta(days=one.day), "j F"),
            "done": per_hundred(one.done),
            "left": per_hundred(one.left),
            "wait": self.one.amount.wait_days,
        }
        if self.one.amount.wait_days:
            return (
                _(
                    "%(rule)s is met by %(day)s in %(done)s of 100 runs if it is turned today, in "
                    "%(left)s if %(wait).0f days later."
                )
                % days
            )
        return (
            _(
                "%(rule)s is met by %(day)s in %(done)s of 100 runs if it is turned today, in "
                "%(left)s if it is turned as evenly as the rule allows."
            )
            % days
        )

    def restarts(self) -> str:
        """Return what raw material costs a heap that has days of proof."""
        days = self.one.proof_days_lost
        if not days:
            return ""
        return ngettext(
            "Raw material starts the proof again: %(days)d credited day is lost.",
            "Raw material starts the proof again: %(days)d credited days are lost.",
            days,
        ) % {"days": days}

    def task(self, key: str, rank: Rank, title: str, *why: str, **more: Any) -> Task:
        """Return the task, with the sources and the mark of the figures it rests on."""
        facts = [decision_figures()[name] for name in self.one.rests_on]
        found: dict[str, Any] = {
            "sources": tuple(dict.fromkeys(one for fact in facts for one in fact.sources)),
            "mark": max((fact.mark for fact in facts), key=_MARKS.index),
        }
        said = " ".join(one for one in why if one)
        if said[1:2].islower():  # a word, not the name of a rule
            said = f"{said[:1].lower()}{said[1:]}"
        return Task(
            key=f"{key}:{self.lot}",
            rank=rank,
            title=title,
            why=_("By the forecast: %(why)s") % {"why": said},
            lot=self.lot,
            place=self.name,
            compares=self.one.kind,
            **(found | more),
        )


def per_hundred(share: float) -> str:
    """Return a share as a whole number of a hundred, never quite none or all of what is not."""
    if 0.0 < share < 0.01:
        return "1"
    if 0.99 < share < 1.0:
        return "99"
    return f"{100.0 * share:.0f}"


def _hot_c() -> float:
    from heapwright.science.pile import HOT_C

    return HOT_C


def _fire(told: _Told) -> Task:
    alarms = {one.id: one for one in heat_alarms()}
    say, hot, fire = told.say, alarms["hot"], alarms["fire"]
    moisture = told.figure("moisture_pct").left
    reasons = {
        "very hot": _("the last reading is above %(limit)s.") % {"limit": say(hot.temp_c, "temp")},
        "hot and dry": _("it is hot and dry, at about %(water).0f\u00a0%% of water.")
        % {"water": moisture.middle},
        "on the way": _(
            "the core likely passes %(limit)s within %(days).0f days (%(share)s of 100)."
        )
        % {
            "limit": say(hot.temp_c, "temp"),
            "days": decision_facts().thresholds.soon_days,
            "share": per_hundred(chance.left if (chance := told.chance("too hot")) else 0.0),
        },
    }
    return told.task(
        "fire-watch",
        Rank.HEAT,
        _("Watch %(heap)s for fire") % {"heap": told.name},
        *(reasons[why] for why in told.one.why),
        _("The model knows heat by decay only: it cannot show a fire, and this is no all-clear."),
        how_much=_(
            "Read it morning and evening, deep, at three points or more. Water and a telephone at "
            "hand; nobody opens it alone."
        ),
        left=_(
            "above %(limit)s it heats by itself: keep it closed. Smoke, a burnt smell or heat over "
            "a large part: call the fire service."
        )
        % {"limit": say(fire.temp_c, "temp")},
        sources=tuple(dict.fromkeys((*hot.sources, *fire.sources))),
        mark=max(hot.mark, fire.mark, key=_MARKS.index),
        form="log",
        does="watch",
    )


def _cure(told: _Told) -> Task:
    peak = told.figure("peak_c").done
    more: dict[str, Any] = {}
    if told.one.verdict == "do":
        title = ""
        more = {"how_much": _("All of it, onto ground where nothing raw lay."), "sharpens": True}
        why = _("turned now it would reach %(peak)s at most: it heats no more.") % {
            "peak": told.spread(peak, "temp")
        }
    else:
        title = _("Let %(heap)s finish heating, then cure it") % {"heap": told.name}
        share = per_hundred(told.one.sure)
        why = _(
            "turned now it would heat again, to %(peak)s (%(share)s of 100 above %(limit)s): there "
            "is food left in it."
        ) % {
            "peak": told.spread(peak, "temp"),
            "share": share,
            "limit": told.say(decision_facts().cooled_c, "temp"),
        }
    return told.task("cure", Rank.PROVEN, title, why, does="cure", remarks_on=("proven",), **more)


def _wet(told: _Told) -> Task:
    amount, dry = told.one.amount, decision_facts().moisture.dry_pct
    litres = told.say(amount.litres, "liquid")
    rounds = ngettext(
        "Poured in %(rounds)d round while turning, on what is dry.",
        "Poured in %(rounds)d rounds while turning, on what is dry, so that it does not run out.",
        amount.rounds,
    ) % {"rounds": amount.rounds}
    return told.task(
        "wet-by",
        Rank.WATER,
        _("Turn %(heap)s and wet it with %(litres)s") % {"heap": told.name, "litres": litres},
        _("it is below %(dry).0f\u00a0%% of water and stays so (%(sure)s of 100).")
        % {"dry": dry, "sure": per_hundred(told.one.sure)},
        told.moister(),
        told.warmer(),
        how_much=f"{rounds} " + _("A squeezed handful just holds when it is enough."),
        left=_("it stays cool, and hardly decays; a big dry heap can catch fire."),
        tap=Tap(
            Kind.WATER,
            (("lot", told.lot), ("litres", f"{amount.litres:.0f}")),
            _("Log it: turned, and %(litres)s poured") % {"litres": litres},
            turned=True,
        ),
        form="wet",
        does="wet",
        sharpens=True,
        takes_in=(Kind.TURN, Kind.COVER, "rebuild", "mix in"),
    )


def _add(told: _Told) -> Task:
    amount, sight = told.one.amount, told.sight
    known = materials().get(amount.material)
    name = in_words(known) if known else amount.material
    many = in_containers(amount.volume_m3, sight.containers)
    size = _("%(volume)s, %(mass)s") % {
        "volume": told.say(amount.volume_m3, "volume"),
        "mass": told.say(amount.mass_kg, "mass"),
    }
    takes, there_kg = _takes(sight, amount.material, amount.mass_kg)
    short = amount.mass_kg - max(there_kg, 0.0 if takes else amount.on_hand_kg)
    stock = (
        _("%(short)s more has to be fetched first.") % {"short": told.say(short, "mass")}
        if short > 1.0
        else _("It is on hand.")
    )
    tap = None
    if takes and short <= 1.0:
        tap = Tap(
            Kind.ADD,
            (("lot", told.lot), *(("take", f"{code}={kg:.1f}") for code, kg in takes)),
            _("Log it: turned in"),
            turned=True,
        )
    wet = told.figure("moisture_pct").left.middle
    airless = "air lacks" in told.one.why
    return told.task(
        "dry-with",
        Rank.WATER,
        _("Turn %(much)s of %(what)s into %(heap)s")
        % {"much": many or told.say(amount.volume_m3, "volume"), "what": name, "heap": told.name},
        _("it is too wet, at about %(water).0f\u00a0%% of water, and air is short in it.")
        % {"water": wet}
        if airless
        else _("it is too wet to heat, at about %(water).0f\u00a0%% of water.") % {"water": wet},
        told.moister(),
        told.warmer(),
        told.heats(),
        told.restarts(),
        how_much=f"{size}. {stock}",
        left=_("it stays airless and cool, smells and leaches."),
        tap=tap,
        form="mix",
        does="add",
        sharpens=True,
        takes_in=(Kind.TURN, "rebuild", "mix in"),
    )


def _takes(sight: Sight, material_id: str, mass_kg: float) -> tuple[list[tuple[str, float]], float]:
    """Return of which lots a material is taken, the oldest first, and how much there is of it."""
    lots = [
        one.state
        for one in sight.on_hand
        if (one.state.material_id or "compost_overs") == material_id
    ]
    takes, left = [], mass_kg
    for lot in sorted(lots, key=lambda one: one.begun_at):
        part = min(lot.mass_kg, left)
        if part > 0.05:
            takes.append((lot.code, part))
            left -= part
    return takes, sum(lot.mass_kg for lot in lots)


def in_containers(volume_m3: float, containers: tuple[Container, ...]) -> str:
    """Return a volume in the site's barrow-like container, in halves: 6½ × wheelbarrow."""
    if not containers:
        return ""
    one = min(containers, key=lambda each: abs(math.log(each.volume_m3 / BARROW_M3)))
    whole, half = divmod(max(round(2.0 * volume_m3 / one.volume_m3), 1), 2)
    return f"{whole or ''}{'½' if half else ''}\u00a0×\u00a0{one.name}"


def _cover(told: _Told) -> Task:
    one = told.one
    leachate = -told.figure("leachate_l").gain.middle
    spared = (
        _("It spares %(litres)s of leachate.") % {"litres": told.say(leachate, "liquid")}
        if "leaches" in one.why
        else ""
    )
    return told.task(
        "cover-before",
        Rank.RAIN,
        _("Cover %(heap)s before the rain") % {"heap": told.name},
        _("%(rain)s of rain within %(days).0f days.")
        % {
            "rain": told.say(one.rain_mm, "rain"),
            "days": decision_facts().thresholds.rain_days,
        },
        told.moister(),
        spared,
        how_much=_(
            "The whole top, with a fall so that water runs off; lift it when the rain is over."
        ),
        left=_soaked(cools=told.cools_if_left(), leaches="leaches" in one.why),
        tap=Tap(
            Kind.COVER,
            (("lot", told.lot), ("cover", Cover.TARP.value)),
            _("Log it: under a tarp"),
        ),
    )


def _soaked(*, cools: bool, leaches: bool) -> str:
    if cools and leaches:
        return _("it soaks, cools and leaches.")
    if cools:
        return _("it soaks and cools.")
    return _("it soaks and leaches.") if leaches else _("it soaks.")


def _combine(told: _Told) -> Task:
    other = told.one.amount.other
    return told.task(
        "combine",
        Rank.COOLED,
        _("Put %(other)s onto %(heap)s") % {"other": other, "heap": told.name},
        _("each alone is too small to heat."),
        told.heats(),
        told.warmer(),
        told.restarts(),
        how_much=_("All of it, turned in: together %(volume)s.")
        % {"volume": told.say(told.one.amount.volume_m3, "volume")},
        left=_("both stay cold, and nothing in them is sanitised."),
        form="combine",
        does="combine",
        takes_in=(Kind.TURN, "rebuild", "mix in"),
    )


def _build_up(told: _Told) -> Task:
    amount = told.one.amount
    return told.task(
        "build-up",
        Rank.COOLED,
        _("Build %(heap)s up to %(height)s")
        % {"heap": told.name, "height": told.say(amount.height_m, "length")},
        _("it is too small to heat."),
        told.heats(),
        told.warmer(),
        told.restarts(),
        how_much=_("%(volume)s more of the same mix, %(mass)s, turned in.")
        % {
            "volume": told.say(amount.volume_m3, "volume"),
            "mass": told.say(amount.mass_kg, "mass"),
        },
        left=_("it stays cold, and nothing in it is sanitised."),
        form="mix",
        does="build up",
        takes_in=(Kind.TURN, "rebuild", "mix in"),
    )


def _insulate(told: _Told) -> Task:
    hot = told.figure("hot_days")
    return told.task(
        "insulate",
        Rank.RAIN,
        _("Keep the cold off %(heap)s") % {"heap": told.name},
        _(
            "the coming days are cold. Wrapped up it is hot on %(done).0f of %(days).0f days, left "
            "on %(left).0f."
        )
        % {"done": hot.done.middle, "days": hot.days, "left": hot.left.middle},
        told.heats(),
        how_much=_(
            "15 cm of dry leaves or straw over the top, bales or bags of leaves against its sides. "
            "Lift it off to read and to turn."
        ),
        left=_("it cools sooner, and the rule counts hot days only."),
        form="cover",
        does="insulate",
    )  # fmt: skip


def _turn(told: _Told) -> Task:
    one = told.one
    if one.verdict == "weigh":
        return told.task(
            "turn-weighed", Rank.TURN, "", told.proven(), told.back(), told.warmer(),
            does=Kind.TURN, remarks_on=("turn", "cooled"),
        )  # fmt: skip
    if one.verdict == "wait":
        return told.task(
            "turn-later",
            Rank.TURN,
            _("Turn %(heap)s, or wait %(days).0f days")
            % {"heap": told.name, "days": one.amount.wait_days},
            told.proven(),
            told.back(),
            told.warmer(),
            how_much=_("The rule lets it count today; the forecast favours waiting."),
            does=Kind.TURN,
            remarks_on=("turn",),
        )
    reasons: Mapping[str, Callable[[], tuple[str, ...]]] = {
        "proof sooner": lambda: (told.proven(), told.back(), told.warmer()),
        "stalled": lambda: (
            _("it is cold and does not heat by itself."), told.warmer(), told.heats(),
        ),
        "air lacks": lambda: (_airless(told), told.warmer()),
    }  # fmt: skip
    return told.task(
        "turn-now",
        Rank.COOLED if "stalled" in one.why else Rank.TURN,
        _("Turn %(heap)s") % {"heap": told.name},
        *(line for why in one.why for line in reasons[why]()),
        how_much=_("All of it, what was outside into the middle."),
        left=_("the proof comes later, or not at all.")
        if "proof sooner" in one.why
        else _("it stays short of air and cools."),
        tap=turn_tap(told.lot),
    )


def _airless(told: _Told) -> str:
    oxygen = told.figure("oxygen_pct")
    return _(
        "air is short in it. The least oxygen of the week is %(done).0f\u00a0%% if it is turned, "
        "%(left).0f if not."
    ) % {"done": oxygen.done.middle, "left": oxygen.left.middle}


_TELL: Final[Mapping[str, Callable[[_Told], Task]]] = {
    "fire": _fire,
    "cure": _cure,
    "wet": _wet,
    "add": _add,
    "cover": _cover,
    "combine": _combine,
    "build up": _build_up,
    "turn": _turn,
    "insulate": _insulate,
}


def told_alone(sight: Sight, say: Say, heap: Heap, decision: Decision) -> Task:
    """Return one decision in words, whatever log and rules say of the heap."""
    return _TELL[decision.kind](_Told(sight, say, heap, decision))
