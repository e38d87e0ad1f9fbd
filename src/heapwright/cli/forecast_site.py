"""The forecast of a pile of the site's own records, for ``heapwright forecast --lot``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from heapwright.cli import forecast_advice
from heapwright.data.decisions import decision_facts
from heapwright.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from heapwright.science.decide_asked import Decision
    from heapwright.yard.forecast import Outlook


def foreseen(
    code: str,
    *,
    days: float | None,
    members: int | None,
    seed: int,
    progress: Callable[[float], None] | None,
) -> Outlook:
    """Return what a lot of the site will do from now on, by its entries and readings.

    Parameters
    ----------
    code : str
        The lot's code.
    days : float or None
        How far ahead of now.

    Raises
    ------
    HeapwrightError
        If there is no site, no such lot, or the records do not say how it was built.
    """
    from heapwright.cli.site import open_records

    open_records()
    from heapwright.yard import forecast, forecast_learned, forecast_marks, forecast_told
    from heapwright.yard.models import Lot, LotKind

    lot = Lot.objects.filter(code=code).first()
    if lot is None:
        raise InputError(f"--lot: there is no lot {code}")
    if lot.kind != LotKind.PILE:
        raise InputError(f"--lot: {code} is {lot.get_kind_display()}; only a pile is forecast")
    version = forecast_marks.model_version()
    for past in forecast_learned.lessons(version).missing:
        forecast_learned.learn(past, version)
    _digest, answer = forecast.foresee(
        lot, days=days, members=members, seed=seed, progress=progress
    )
    if isinstance(answer, forecast_told.UntoldError):
        raise InputError(f"--lot: {code} cannot be forecast: {answer.said()}")
    return answer


def advised(outlook: Outlook) -> tuple[Decision, ...] | None:
    """Return what to do with it today; None where too little of it is foreseen to tell."""
    ahead_h = float(outlook.forecast.hours[-1]) - outlook.hour_now
    if outlook.forecast.members < 2 or ahead_h < 24.0 * decision_facts().thresholds.ahead_days:
        return None
    return outlook.decisions


def about(outlook: Outlook) -> list[str]:
    """Return what the forecast rests on, as lines of text."""
    from heapwright.yard.models import Origin

    told = outlook.told
    lines = [
        "",
        f"From the records of {outlook.lot} as of {outlook.now:%Y-%m-%d %H:%M} UTC: "
        f"{outlook.used} readings used, {len(outlook.set_aside)} set aside",
    ]
    lines.append(f"  starting guess from {outlook.piles} past piles of the site")
    lines += [f"  set aside: {one.in_words()}" for one in outlook.set_aside]
    for when, shares in (("until now", outlook.weather.past), ("from now", outlook.weather.ahead)):
        said = ", ".join(
            f"{100.0 * share:.0f} % {Origin(origin).label}" for origin, share in shares
        )
        lines.append(f"  weather {when}: {said or 'none'}")
    if outlook.turns:
        days = ", ".join(f"{when:%Y-%m-%d}" for when in outlook.turns)
        lines.append(f"  turnings reckoned with, as the rule asks: {days}")
    lines += [f"  assumed: {one.said()}" for one in told.assumed]
    return lines


def as_json(outlook: Outlook) -> dict[str, Any]:
    """Return the names that the records add to those of a file's forecast."""
    decisions = advised(outlook)
    return {
        **({} if decisions is None else {"advice": forecast_advice.as_json(decisions)}),
        "lot": outlook.lot,
        "now": outlook.now.isoformat(),
        "turnings": [when.isoformat() for when in outlook.turns],
        "readings": {
            "used": outlook.used,
            "set_aside": [one.in_words() for one in outlook.set_aside],
        },
        "past_piles": outlook.piles,
        "assumed": [one.said() for one in outlook.told.assumed],
    }
