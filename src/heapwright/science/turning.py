"""How much of a heap passes through its hot part when it is turned.

A gauge, not a rule: f is the share of the heap that is hot enough, and each turning mixes
the heap anew. After R. T. Haug, The Practical Handbook of Compost Engineering (1993, from
memory); the formulas are derived so that they stand alone.
"""

from __future__ import annotations

import math


def never_hot_share(hot_share: float, turnings: int, *, mixing_efficiency: float = 1.0) -> float:
    """Return the share of the heap that is never in the hot part.

    p = (1 - f) (1 - m f)^turnings, where m is 1 for perfect mixing and 0 for none.

    Parameters
    ----------
    hot_share : float
        f, from 0 to 1.
    turnings : int
        Turnings, each followed by a hot period.
    mixing_efficiency : float
        m, from 0 to 1.

    Raises
    ------
    ValueError
        If a share lies outside 0 to 1 or turnings are negative.
    """
    _check_share(hot_share)
    _check_share(mixing_efficiency)
    if turnings < 0:
        raise ValueError("turnings cannot be negative")
    return float((1.0 - hot_share) * (1.0 - mixing_efficiency * hot_share) ** turnings)


def survivors(hot_share: float, turnings: int, log10_kill: float) -> float:
    """Return the share that survives when each hot period kills ``log10_kill`` of what is in it.

    s = [(1 - f) + f 10^-k]^(turnings + 1), for perfect mixing.
    """
    _check_share(hot_share)
    if turnings < 0 or log10_kill < 0:
        raise ValueError("turnings and the kill cannot be negative")
    return float(((1.0 - hot_share) + hot_share * 10.0**-log10_kill) ** (turnings + 1))


def turnings_needed(hot_share: float, target_share: float) -> int:
    """Return the turnings after which at most ``target_share`` was never hot.

    ceil(ln x / ln(1 - f)) - 1, for perfect mixing.

    Raises
    ------
    ValueError
        If nothing is hot, or the target is not above 0 and at most 1.
    """
    _check_share(hot_share)
    if hot_share == 0.0:
        raise ValueError("no number of turnings helps where nothing is hot")
    if not 0.0 < target_share <= 1.0:
        raise ValueError("the target share lies above 0 and up to 1")
    if hot_share == 1.0:
        return 0
    # A ratio of logarithms a hair above a whole number is that number.
    periods = math.ceil(math.log(target_share) / math.log1p(-hot_share) - 1e-9)
    return max(periods, 1) - 1


def hot_fraction_of_box(
    length_m: float,
    width_m: float,
    height_m: float,
    shell_m: float,
    *,
    top_m: float | None = None,
    base_m: float | None = None,
) -> float:
    """Return the share of a box that lies inside a cold shell.

    Parameters
    ----------
    length_m, width_m, height_m : float
        The outer size.
    shell_m : float
        The thickness that stays too cold, an assumption to be measured: probe at 10, 20, 30
        and 45 cm.
    top_m, base_m : float, optional
        The same above and below; as the sides where left out.
    """
    if min(length_m, width_m, height_m) <= 0:
        raise ValueError("the box has no size")
    top = shell_m if top_m is None else top_m
    base = shell_m if base_m is None else base_m
    if min(shell_m, top, base) < 0:
        raise ValueError("a shell cannot be negative")
    hot = (
        max(length_m - 2 * shell_m, 0.0)
        * max(width_m - 2 * shell_m, 0.0)
        * max(height_m - top - base, 0.0)
    )
    return hot / (length_m * width_m * height_m)


def _check_share(share: float) -> None:
    if not 0.0 <= share <= 1.0:
        raise ValueError("a share lies in 0 to 1")
