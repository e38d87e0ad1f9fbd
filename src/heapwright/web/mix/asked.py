"""From a query to a mix: proposed from what is on hand, or the stated amounts worked out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from django.http import QueryDict
from django.utils.translation import gettext as _

from heapwright.data import constant
from heapwright.errors import InputError
from heapwright.people.models import User
from heapwright.science.goals import Goals
from heapwright.science.recipe import Addition
from heapwright.web.mix.forms import MixForm
from heapwright.web.mix.words import short_names
from heapwright.web.receive.stock import can_wait, name_of
from heapwright.yard import heap_shape, recipe, recipe_plan, state, stock
from heapwright.yard.errors import YardError
from heapwright.yard.models import LotKind, Place, PlaceKind, Stage
from heapwright.yard.recipe_plan import Plan, Worked
from heapwright.yard.state import LotState
from heapwright.yard.stock import Supply, WaitingLot

BUILT_AT = (PlaceKind.BAY, PlaceKind.VESSEL, PlaceKind.LANE)


@dataclass(slots=True)
class Asked:
    """A question about a mix with its answer; ``worked`` is None where there is none.

    ``stated``: the amounts are the person's, not proposed. ``fault`` says in a sentence what
    stands in the way of an answer.
    """

    form: MixForm
    supply: Supply
    standing: dict[str, LotState]
    wanted: Goals | None = None
    worked: Worked | None = None
    additions: list[Addition] | None = None
    stated: bool = False
    fault: str = ""

    @property
    def filling(self) -> list[LotState]:
        """The piles that still take raw material."""
        return [one for one in self.standing.values() if one.stage == Stage.FILLING]

    def stands_at(self, place: Place) -> LotState | None:
        """Return what stands at a place already."""
        return self.standing.get(place.code)


def ask(query: QueryDict, person: User) -> Asked:
    """Return the answer to a query; what is wrong with it stands beside its fields."""
    lots_there = state.state_at()
    standing = {
        one.place.code: one
        for one in lots_there
        if one.place is not None and one.kind in (LotKind.PILE, LotKind.COMPOST)
    }
    everything = stock.supply(standing=lots_there)
    lots = [lot for one in everything.on_hand for lot in one.lots]
    lots.sort(key=lambda lot: lot.state.begun_at)
    names = short_names(everything.on_hand)
    form = MixForm(
        query,
        person=person,
        places=_places(standing),
        lots=[
            (lot, _("%(code)s %(name)s, can wait %(wait)s") % {
                "code": lot.code, "name": _named(lot, names), "wait": can_wait(lot),
            })
            for lot in lots
        ],
        on_hand=everything.on_hand,
    )  # fmt: skip
    asked = Asked(form, everything, standing)
    if form.places and everything.on_hand and form.is_valid():
        _answer(asked, query)
    return asked


def _named(lot: WaitingLot, names: Mapping[str, str]) -> str:
    return (names.get(lot.material.id) if lot.material else None) or name_of(lot)


def _answer(asked: Asked, query: QueryDict) -> None:
    form, place = asked.form, asked.form.at
    only = set(form.cleaned_data["lot"])
    asked.stated = "asked" in query and query.get("do") != "solve"
    asked.wanted = recipe.goals(
        limits=form.limits(),
        volume_m3=form.volume_m3(),
        water_allowed=not form.cleaned_data["no_water"],
        chance=form.sureness(),
    )
    all_lots = {lot.code for one in asked.supply.on_hand for lot in one.lots}
    plan = Plan(
        place=place,
        amounts_kg={},
        limits=form.limits(),
        only=() if only >= all_lots else tuple(sorted(only)),
    )
    used = asked.supply.of_lots(only)
    if not used.on_hand:
        asked.fault = _("No stock is ticked: tick at least one.")
        return
    try:
        if asked.stated:
            plan = replace(plan, amounts_kg=form.amounts_kg(), water_kg=form.water_kg())
            asked.worked = recipe_plan.work_out(plan, asked.supply)
            return
        found = recipe.propose(used, asked.wanted, most_m3=heap_shape.room_m3(place))
    except (InputError, YardError) as error:
        asked.fault = f"{error.message[:1].upper()}{error.message[1:]}."
        return
    least_m3 = constant("min_pile_volume_m3").value
    if not found.feasible:
        wish = replace(asked.wanted, volume_m3=asked.wanted.volume_m3 or found.amount_wanted)
        asked.additions = recipe.would_mend(used, wish)
    elif asked.wanted.volume_m3 is None and found.mix and found.mix.volume_m3 < least_m3:
        asked.additions = recipe.would_mend(used, replace(asked.wanted, volume_m3=least_m3))
    amounts = {p.ingredient.id: p.mass_kg for p in found.parts if not p.ingredient.is_water}
    water_kg = sum(p.mass_kg for p in found.parts if p.ingredient.is_water)
    form.put(amounts, water_kg)
    plan = replace(plan, amounts_kg=amounts, water_kg=water_kg)
    asked.worked = recipe_plan.worked(plan, found, used)


def _places(standing: dict[str, LotState]) -> list[tuple[Place, str]]:
    """Return where a pile can be built, empty places first, each with what it is like."""
    places = list(Place.objects.filter(retired_at=None, kind__in=BUILT_AT))
    places.sort(key=lambda place: (place.code in standing, BUILT_AT.index(place.kind)))
    return [
        (
            place,
            _("%(name)s, %(code)s stands there")
            % {"name": place.name, "code": standing[place.code].code}
            if place.code in standing
            else _("%(name)s, empty") % {"name": place.name},
        )
        for place in places
    ]
