"""Telling the story to a database: every act through the use case that a page would call."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, time, timedelta
from io import BytesIO
from typing import Any, Final
from uuid import NAMESPACE_OID, uuid5
from zoneinfo import ZoneInfo

from django.db import transaction

from heapwright.demo import lately, picture, site, sky
from heapwright.demo.books import PERISHABLE, Strike, Trouble, Written
from heapwright.demo.plan import Plan
from heapwright.people.models import User
from heapwright.units import KG_PER_LB
from heapwright.yard import mix, photos, prove, receive, state, tend, use, yardstick
from heapwright.yard.acts import Act, Take, UseCase
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Contamination, LotKind, Smell, Stage
from heapwright.yard.strike import strike

YEAR_DAYS: Final = 365
MORNING: Final = time(7, 30)
"""The story ends on this morning: scraps have come, and nothing else of the day is done yet."""
FOR_A_PILE_KG: Final = 230.0
"""Scraps that wait this morning at the least, so that the visitor can mix and build a pile."""

PICTURE_AFTER: Final = timedelta(minutes=6)

EARLY_CALLS: Final = (
    ("school", (("food_scraps_mixed", 148),)),
    ("hospital", (("food_post_consumer", 171), ("coffee_grounds", 43))),
    ("stable", (("horse_straw", 190),)),
    ("bakery", (("bread_bakery", 38),)),
)

USE_CASES: Final[Mapping[type[Act], UseCase[Any]]] = {
    receive.OpenLot: receive.open_lot,
    receive.ReceiveDelivery: receive.receive_delivery,
    mix.BuildPile: mix.build_pile,
    mix.AddToPile: mix.add_to_pile,
    tend.Turn: tend.turn,
    tend.Move: tend.move,
    tend.Combine: tend.combine,
    tend.Water: tend.water,
    tend.CoverLot: tend.cover,
    tend.CheckLot: tend.check,
    tend.WeighOrMeasure: tend.weigh_or_measure,
    tend.DeclareStage: tend.declare_stage,
    tend.LogLabour: tend.log_labour,
    tend.LogFuel: tend.log_fuel,
    tend.LogWeather: tend.log_weather,
    prove.TakeSample: prove.take_sample,
    prove.LogResult: prove.log_result,
    use.Screen: use.screen,
    use.UseCompost: use.use_compost,
    use.Discard: use.discard,
    yardstick.SetYardstick: yardstick.set_yardstick,
}


def first_day(today: date) -> date:
    """Return the first day of the year that ends today."""
    return today - timedelta(days=YEAR_DAYS - 1)


def ends_at(now: datetime, zone: str = site.ZONE) -> datetime:
    """Return when a story told at ``now`` ends: this morning, or now when it is earlier."""
    here = now.astimezone(ZoneInfo(zone))
    return min(here, datetime.combine(here.date(), MORNING, here.tzinfo))


def tell(
    now: datetime,
    *,
    seed: int = 1,
    zone: str = site.ZONE,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Trouble]:
    """Fill an empty, migrated database with the yard and the year that ends today.

    Parameters
    ----------
    now : datetime
        With its zone. Today is its day in the yard's ``zone``.
    seed : int
        The same seed, day and zone give the same records.
    zone : str
        IANA name of the yard's time zone.
    progress : callable, optional
        Called with the share told, 0 to 1.

    Returns
    -------
    dict
        What went wrong in it, by name.
    """
    end = ends_at(now, zone)
    with transaction.atomic():
        site.set_up(zone)
        plan = Plan(first_day(end.date()), zone, seed)
        tell_on(plan, None, end, progress)
        lately.happened(plan.first, end, zone, seed)
        this_morning(end)
        sky.look_up(plan.first, end, zone, seed)
    return plan.troubles


def tell_on(
    plan: Plan,
    since: datetime | None,
    until: datetime,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write the acts of a plan that were recorded from ``since`` until ``until``.

    Acts that are there already change nothing, as with every use case.
    """
    people = {user.username: user for user in User.objects.all()}
    span_s = (until.date() - plan.first).days * 86_400.0
    with transaction.atomic():
        for written in plan.acts():
            if written.recorded_at > until:
                break
            if since is None or written.recorded_at >= since:
                write(written, people)
                if progress is not None:
                    told_s = span_s - (until - written.recorded_at).total_seconds()
                    progress(min(max(told_s / max(span_s, 1.0), 0.0), 1.0))


def write(written: Written, people: Mapping[str, User]) -> None:
    """Write one act (or strike) as the person who recorded it, at the time it was recorded."""
    by = people[written.by]
    if isinstance(written.act, Strike):
        strike(written.act.entry_id, written.act.reason, by, now=written.recorded_at)
    else:
        USE_CASES[type(written.act)](written.act, by, now=written.recorded_at)


def troubles(now: datetime, *, seed: int = 1, zone: str = site.ZONE) -> dict[str, Trouble]:
    """Return what went wrong in the story told at ``now``, without telling it."""
    end = ends_at(now, zone)
    plan = Plan(first_day(end.date()), zone, seed)
    for written in plan.acts():
        if written.recorded_at > end:
            break
    return plan.troubles


def this_morning(end: datetime) -> None:
    """See to it that scraps for a pile wait and one is being filled, whatever the day.

    For the copy that is shown, not for one that is kept to be told on.
    """
    helper = User.objects.get(username="helper")
    waiting_kg = sum(one.mass_kg for one in _on_hand(end, *PERISHABLE))
    for source, brought in EARLY_CALLS:
        if waiting_kg >= FOR_A_PILE_KG:
            break
        waiting_kg += sum(pounds * KG_PER_LB for _material, pounds in brought)
        act = receive.ReceiveDelivery(
            id=uuid5(NAMESPACE_OID, f"saltmarsh/brought/{source}/{end}"),
            happened_at=end,
            source=source,
            lines=tuple(
                receive.DeliveryLine(
                    material=material,
                    place=site.FOOD_BUNKER,
                    contamination=Contamination.NONE,
                    quantity=Quantity(
                        mass_kg=pounds * KG_PER_LB, known="weighed", as_typed=f"{pounds} lb"
                    ),
                )
                for material, pounds in brought
            ),
            note="Called ahead of their day.",
        )
        receive.receive_delivery(act, helper, now=end)
    standing = state.state_at(end)
    taken = {one.place.code for one in standing if one.kind == LotKind.PILE and one.place}
    free = [bay for bay in site.BAYS if bay not in taken | {site.CLASS_BAY}]
    leaves = _on_hand(end, "leaves_shredded", "wood_chips", "compost_overs")
    if any(one.stage == Stage.FILLING for one in standing) or not leaves or not free:
        return
    barrow = Quantity(container="barrow", count=0.5, as_typed="half a barrow")
    begun = mix.BuildPile(
        id=uuid5(NAMESPACE_OID, f"saltmarsh/begun/{end}"),
        happened_at=end,
        place=free[0],
        takes=(
            Take(lot=leaves[0].code, quantity=barrow),
            Take(lot=_on_hand(end, *PERISHABLE)[0].code),
        ),
        full=False,
        note="Begun before school; more scraps come this week.",
    )
    mix.build_pile(begun, helper, now=end)


def a_picture(end: datetime) -> None:
    """Add a photo, drawn by code, of the heap that was the hottest when it was read last.

    For the copy that is shown: a photo's file lies beside the database.
    """
    hot = [one for one in state.state_at(end) if one.stage == Stage.HOT]
    temps = state.day_temps([one.id for one in hot], end)
    if not temps:
        return
    heap = max((one for one in hot if one.id in temps), key=lambda one: temps[one.id].highest_c)
    drawn = picture.drawn()
    act = tend.CheckLot(
        id=uuid5(NAMESPACE_OID, f"saltmarsh/picture/{end}"),
        happened_at=temps[heap.id].last_at + PICTURE_AFTER,
        lot=heap.code,
        smell=Smell.EARTHY.value,
        photo=photos.picture(BytesIO(drawn), size_bytes=len(drawn)),
        photo_alt=picture.SHOWS,
        note="A drawing in place of a photo: nothing here is real.",
    )
    tend.check(act, User.objects.get(username="helper"), now=end)


def _on_hand(when: datetime, *materials: str) -> list[state.LotState]:
    """Return the stock of these materials, oldest first; what keeps, from half a barrow on."""
    return [
        one
        for one in state.stock(when)
        if one.material_id in materials
        and (one.material_id in PERISHABLE or (one.volume_m3 or 0.0) > 0.5 * site.BARROW_M3)
    ]
