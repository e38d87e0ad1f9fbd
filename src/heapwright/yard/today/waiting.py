"""Tasks from the stock: what spoils, what is dirty, what runs short."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.data import constants, default_ranges, storage_life
from heapwright.data.mixing import mix_facts
from heapwright.data.tables import Fact
from heapwright.data.today import figure
from heapwright.errors import NotMeasuredError
from heapwright.science.ingredients import complete
from heapwright.science.materials import Mark, Material
from heapwright.yard import materials
from heapwright.yard.models import Contamination, LotKind
from heapwright.yard.today.tasks import Rank, Say, Sight, Task, Waiting, in_words

_MARKS: Final[tuple[Mark, ...]] = ("published", "common practice", "from memory")


def spoiling(sight: Sight, say: Say) -> Iterator[Task]:
    """See stock that has waited past its storage life, one task a place.

    Scraps and greens are used or buried; what is dry and woody is only used first. What cannot
    be mixed yet is a task of its own, and what is dirty is :func:`dirty`'s.
    """
    warm = figure("warm_week_c")
    means = [
        (one.temp_min_c + one.temp_max_c) / 2
        for one in sight.weather
        if one.temp_min_c is not None and one.temp_max_c is not None
    ]
    is_warm = not means or sum(means) / len(means) >= warm.value
    usual = _("such weather") if means else _("warm weather (no weather was logged this week)")
    lots: dict[tuple[str, str], list[Waiting]] = defaultdict(list)
    for one in sight.waiting:
        if one.material is None or one.state.kind != LotKind.STOCK:
            continue
        keeps = _keeps(one.material, is_warm)
        if one.state.contamination == Contamination.MUCH or (
            sight.now - one.state.begun_at < timedelta(days=keeps)
        ):
            continue
        lots[one.state.place.code if one.state.place else "", one.material.id].append(one)
    places: dict[tuple[str, str], list[_Late]] = defaultdict(list)
    for (place, _name), late in lots.items():
        found = _Late(late, _keeps(late[0].material, is_warm), sight)
        places[place, _what_of(found.material)].append(found)
    tell = {"use": _use_or_bury, "first": _use_first, "measure": _measure_or_bury}
    for (place, what), lates in places.items():
        task = tell[what](sorted(lates, key=lambda one: one.order), usual, say)
        yield replace(task, key=f"{task.key}:{place}")


def _keeps(material: Material | None, is_warm: bool) -> float:
    assert material is not None
    life = storage_life(material)
    return life.days_warm if is_warm else life.days_cool


def _what_of(material: Material) -> str:
    """Return what is to be done with a material that has waited too long."""
    try:
        complete(material, mix_facts())
    except NotMeasuredError:
        return "measure"
    return "first" if materials.role(material) in ("brown", "woody") else "use"


class _Late:
    """The lots of one material in one place that have waited past its storage life."""

    def __init__(self, lots: list[Waiting], keeps: float, sight: Sight) -> None:
        assert lots[0].material is not None
        self.lots, self.keeps, self.material = lots, keeps, lots[0].material
        self.waited = max(sight.days_since(one.state.begun_at) for one in lots)
        self.mass_kg = sum(one.state.mass_kg for one in lots)
        self.life = storage_life(self.material)
        self.order = -self.waited / max(keeps, 1.0)

    def why(self, usual: str) -> str:
        return ngettext(
            "It has waited %(waited)d day; in %(usual)s it keeps %(keeps)g.",
            "It has waited %(waited)d days; in %(usual)s it keeps %(keeps)g.",
            self.waited,
        ) % {"waited": self.waited, "usual": usual, "keeps": self.keeps}

    def among(self) -> str:
        """Return how long it has waited where several do: plate waste 6 days of 3."""
        return ngettext(
            "%(material)s %(waited)d day of %(keeps)g",
            "%(material)s %(waited)d days of %(keeps)g",
            self.waited,
        ) % {"material": in_words(self.material), "waited": self.waited, "keeps": self.keeps}


def _waiting_task(lates: list[_Late], say: Say, **said: Any) -> Task:
    place = lates[0].lots[0].state.place
    where = _(" in %(place)s") % {"place": place.name} if place else ""
    if len(lates) == 1:
        much = say(lates[0].mass_kg, "mass")
    else:
        much = ", ".join(f"{in_words(one.material)} {say(one.mass_kg, 'mass')}" for one in lates)
    codes = [lot.state.code for one in lates for lot in one.lots]
    return Task(
        how_much=_("%(mass)s%(where)s.") % {"mass": much, "where": where},
        sources=tuple(dict.fromkeys(name for one in lates for name in one.life.sources)),
        mark=max((one.life.mark for one in lates), key=_MARKS.index),
        lot=codes[0] if len(codes) == 1 else "",
        order=lates[0].order,
        **said,
    )


def _why(lates: list[_Late], usual: str) -> str:
    if len(lates) == 1:
        return lates[0].why(usual)
    return _("They have waited longer than they keep in %(usual)s: %(which)s.") % {
        "usual": usual,
        "which": ", ".join(one.among() for one in lates),
    }


def _use_or_bury(lates: list[_Late], usual: str, say: Say) -> Task:
    names = [in_words(one.material) for one in lates]
    return _waiting_task(
        lates,
        say,
        key="spoils",
        rank=Rank.SPOILING,
        title=_("Use or bury the %(material)s") % {"material": names[0]}
        if len(names) == 1
        else _("Use or bury the %(material)s and %(count)d more")
        % {"material": names[0], "count": len(names) - 1},
        why=_why(lates, usual),
        left=_("it sours, smells and draws flies and rats."),
        place=_("the mix"),
        form="mix",
    )


def _use_first(lates: list[_Late], usual: str, say: Say) -> Task:
    return _waiting_task(
        lates,
        say,
        key="old",
        rank=Rank.BROWN,
        title=_("Use the %(material)s first") % {"material": in_words(lates[0].material)},
        why=_why(lates, usual),
        left=_("it rots down and packs, and keeps a heap less open."),
        place=_("the mix"),
        form="mix",
    )


def _measure_or_bury(lates: list[_Late], usual: str, say: Say) -> Task:
    return _waiting_task(
        lates,
        say,
        key="unmeasured",
        rank=Rank.SPOILING,
        title=_("Measure or bury the %(material)s") % {"material": in_words(lates[0].material)},
        why=f"{_why(lates, usual)} "
        + _("It cannot be mixed until somebody enters what nobody published of it."),
        left=_("it sours, smells and draws flies and rats."),
        place=_("the stock"),
        form="receive",
    )


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
        role = "woody" if one.material is None else materials.role(one.material)
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
        % {"short": say(short, "volume"), "there": say(volumes[True], "volume")}
        if volumes[True]
        else _("%(short)s at least.") % {"short": say(short, "volume")},
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
