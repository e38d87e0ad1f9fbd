"""A row of weather as every reader of a file or service gives it: a stretch of time in UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StationRow:
    """The weather from ``starts_at`` to ``ends_at`` (with their zone); None is not known.

    ``temp_c`` is the mean of a day, or the temperature at the start of a shorter stretch;
    ``rain_mm`` fell in the whole of it.
    """

    starts_at: datetime
    ends_at: datetime
    temp_c: float | None = None
    temp_min_c: float | None = None
    temp_max_c: float | None = None
    rain_mm: float | None = None
    humidity_pct: float | None = None
    wind_m_s: float | None = None
