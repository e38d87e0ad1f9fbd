"""What the weather is taken for where nobody measured it: climates, and how a day runs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from heapwright.data.tables import Fact, Shape, read_rows, row_named

if TYPE_CHECKING:
    from heapwright.science.weather_series import DayCurve, TypicalMonth
    from heapwright.science.weather_spread import DayVariation

FIGURES = "weather.csv"
CLIMATES = "climates.csv"
MONTHS = "climate_months.csv"
SHAPES = {
    FIGURES: Shape(numbers={"value": (0.0, 1000.0)}),
    CLIMATES: Shape(
        numbers={
            "assumed_from_deg": (0.0, 90.0),
            "assumed_to_deg": (0.0, 90.0),
            "dew_below_min_c": (0.0, 10.0),
        },
        ordered=[("assumed_from_deg", "assumed_to_deg")],
    ),
    MONTHS: Shape(
        numbers={
            "month": (1, 12),
            "temp_min_c": (-70.0, 60.0),
            "temp_max_c": (-70.0, 60.0),
            "rain_mm": (0.0, 3000.0),
            "wind_m_s": (0.0, 40.0),
        },
        ordered=[("temp_min_c", "temp_max_c")],
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherFigure(Fact):
    """A number that is taken for weather, in its unit."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate(Fact):
    """A kind of climate, its letters after Köppen and Geiger, and its twelve months.

    ``assumed_deg`` is the band of latitudes, north or south, in which it is taken for a site
    that has not said its climate. Months are those of the northern hemisphere.
    """

    name: str
    letters: str
    assumed_deg: tuple[float, float] | None
    months: tuple[TypicalMonth, ...]

    def month(self, number: int, *, southern: bool = False) -> TypicalMonth:
        """Return a month of the year (1 to 12); south of the equator half a year later."""
        return self.months[(number - 1 + (6 if southern else 0)) % 12]


@cache
def figure(name: str) -> WeatherFigure:
    """Return a figure by its id, such as ``ground_days``.

    Raises
    ------
    KeyError
        If the table has no such row.
    FactError
        If the row states no number.
    """
    row = row_named(name, FIGURES, SHAPES[FIGURES])
    return WeatherFigure(
        **row.provenance(), value=row.need_number("value"), unit=row.need_text("unit")
    )


@cache
def day_curve() -> DayCurve:
    """Return when a day is coldest and warmest."""
    from heapwright.science.weather_series import DayCurve

    return DayCurve(figure("coldest_hour").value, figure("warmest_hour").value)


@cache
def day_variation() -> DayVariation:
    """Return how days vary about what is usual for their time of year."""
    from heapwright.science.weather_spread import DayVariation

    return DayVariation(
        figure("day_temp_sd_c").value,
        figure("day_temp_keeps").value,
        figure("wet_day_share").value,
        figure("rain_keeps").value,
    )


@cache
def climates() -> dict[str, Climate]:
    """Return the climates by id.

    Raises
    ------
    FactError
        If a climate lacks a month.
    """
    from heapwright.science.weather_series import TypicalMonth

    rows = {row.text("id"): row for row in read_rows(CLIMATES, SHAPES[CLIMATES])}
    months: dict[str, dict[int, TypicalMonth]] = {name: {} for name in rows}
    for row in read_rows(MONTHS, SHAPES[MONTHS]):
        climate = row.need_text("climate")
        if climate not in rows:
            raise row.error(f"“{climate}” is not in {CLIMATES}", "climate")
        months[climate][int(row.need_number("month"))] = TypicalMonth(
            temp_min_c=row.need_number("temp_min_c"),
            temp_max_c=row.need_number("temp_max_c"),
            rain_mm=row.need_number("rain_mm"),
            wind_m_s=row.need_number("wind_m_s"),
            dew_below_min_c=rows[climate].need_number("dew_below_min_c"),
        )
    found = {}
    for name, row in rows.items():
        if sorted(months[name]) != list(range(1, 13)):
            raise row.error(f"its twelve months do not all stand in {MONTHS}")
        low, high = row.number_or_none("assumed_from_deg"), row.number_or_none("assumed_to_deg")
        found[name] = Climate(
            **row.provenance(),
            name=row.need_text("name"),
            letters=row.need_text("class"),
            assumed_deg=None if low is None or high is None else (low, high),
            months=tuple(months[name][number] for number in range(1, 13)),
        )
    return found


def assumed_climate(latitude_deg: float | None) -> Climate:
    """Return the climate that is taken for a site that has not said its own."""
    if latitude_deg is not None:
        for climate in climates().values():
            band = climate.assumed_deg
            if band is not None and band[0] <= abs(latitude_deg) < band[1] + (band[1] == 90.0):
                return climate
    row = row_named("climate_unknown", FIGURES, SHAPES[FIGURES])
    name = row.need_text("word")
    if name not in climates():
        raise row.error(f"“{name}” is not in {CLIMATES}", "word")
    return climates()[name]
