"""What a sanitation rule is: a record of what a code asks, as read on a date.

No numerical library is imported here, so that a rule can be listed without one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from heapwright.science.materials import Mark

Method = Literal["turned", "aerated", "vessel"]
Zone = Literal["core", "edge", "base", "all"]
Continuity = Literal["consecutive", "total", "unsaid"]
JudgedBy = Literal["days", "hold", "nothing in a log"]


@dataclass(frozen=True, slots=True)
class Rule:
    """A time-temperature rule of a named code.

    Attributes
    ----------
    judged_by
        ``days``: hot calendar days are counted. ``hold``: an unbroken time at or above the
        limit. ``nothing in a log``: the rule sets a product limit or a duty that no log of
        temperatures can show.
    methods
        The methods that the rule is written for; all three for any pile.
    min_temp_c, strict
        The limit; ``strict`` where the document says "above", not "at or above".
    max_temp_c
        The top of the band, where there is one.
    days, hold_min
        The hot days, or the minutes unbroken, that are asked.
    said, judged_as
        What the document says of the days, and how they are judged here: ``consecutive``,
        ``total`` (need not be consecutive) or ``unsaid`` (met by an unbroken run; a mere count
        of days is a question for the agency).
    turnings, turn_spacing_days, hot_days_before_turn
        The turnings asked of a turned pile, the least difference of their calendar dates and
        the unbroken hot days before each.
    cover_cm
        The least depth of the insulating cover.
    depth_low_cm, depth_high_cm
        The depth below the surface at which readings are to be taken.
    all_zones
        True where all of the material has to be shown hot, not the core only.
    peak_temp_c, peak_min, peak_strict
        A second limit that has to be held for some minutes within the days.
    mean_temp_c
        A second limit that the mean over the days has to be above.
    max_gap_min
        The most minutes between two readings over which a hold is taken as shown.
    beyond_log
        Conditions that a log cannot show.
    """

    id: str
    name: str
    jurisdiction: str
    document: str
    edition: str
    as_read: str
    judged_by: JudgedBy
    methods: tuple[Method, ...]
    min_temp_c: float = 0.0
    strict: bool = False
    max_temp_c: float | None = None
    days: int = 0
    hold_min: float = 0.0
    said: Continuity = "unsaid"
    judged_as: Continuity = "consecutive"
    turnings: int = 0
    turn_spacing_days: int = 0
    hot_days_before_turn: int = 0
    cover_cm: float = 0.0
    depth_low_cm: float | None = None
    depth_high_cm: float | None = None
    all_zones: bool = False
    peak_temp_c: float | None = None
    peak_min: float = 0.0
    peak_strict: bool = False
    mean_temp_c: float | None = None
    max_gap_min: float = 0.0
    beyond_log: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    mark: Mark = "from memory"
    note: str = ""


@dataclass(frozen=True, slots=True)
class Terms:
    """Figures that the judging of a log needs and that no code gives.

    Attributes
    ----------
    cooled_temp_c, cooled_days, young_days
        A pile has cooled out when none of the readings of its last ``cooled_days`` read days
        reaches ``cooled_temp_c``, after it was hot once or is older than ``young_days``.
    logger_hours
        A point read in so many different hours of one day is read by a logger.
    kill_gap_h
        The most hours between two readings over which thermal death is credited.
    credible_log10
        A reduction beyond this is more than there is to kill, and is shown as "over".
    watch_temp_c, alarm_temp_c
        Readings at which a pile is to be watched for fire, and at which help is at hand.
    """

    cooled_temp_c: float
    cooled_days: int
    young_days: int
    logger_hours: int
    kill_gap_h: float
    credible_log10: float
    watch_temp_c: float
    alarm_temp_c: float


@dataclass(frozen=True, slots=True)
class DeathPoint:
    """At ``temp_c`` an organism is reduced by ``log10_reduction`` within ``time_min``.

    ``log10_reduction`` is None where the source says only that it was killed.
    """

    temp_c: float
    time_min: float
    log10_reduction: float | None


@dataclass(frozen=True, slots=True)
class Organism:
    """An organism with its published thermal death.

    ``tested_to_log10`` is the reduction beyond which the source could see nothing.
    """

    id: str
    name: str
    kind: str
    points: tuple[DeathPoint, ...]
    tested_to_log10: float | None = None
    sources: tuple[str, ...] = ()
    mark: Mark = "from memory"
    note: str = ""


@dataclass(frozen=True, slots=True)
class FederalRegime:
    """A regime of the federal time-temperature equations, D = a / 10^(slope x t), in days."""

    id: str
    coefficient_days: float
    slope_per_c: float
    min_temp_c: float
    min_time_min: float
    condition: str
    sources: tuple[str, ...] = ()
    mark: Mark = "published"
