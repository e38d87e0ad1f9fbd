"""Tasks from the stock: what spoils, what is dirty, what runs short."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import timedelta

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.data import constants, default_ranges, storage_life
from heapwright.data.tables import Fact
from heapwright.data.today import figure
from heapwright.yard import materials
from heapwright.yard.models import Contamination, LotKind
from heapwright.yard.today.tasks import Rank, Say, Sight, Task, Waiting, in_words


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
