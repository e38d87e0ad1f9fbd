"""``heapwright weather``: what the site knows of its weather, and fetching the forecast."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from heapwright.errors import HeapwrightError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from heapwright.yard.weather import DayWeather, TypicalYear

DAYS_MOST = 400


@click.group()
def weather() -> None:
    """The site's weather in HEAPWRIGHT_DATA; “heapwright load” takes files of it."""


@weather.command()
@click.option("--back", type=click.IntRange(0, DAYS_MOST), default=14, show_default=True,
              metavar="N", help="Days before today.")  # fmt: skip
@click.option("--ahead", type=click.IntRange(0, DAYS_MOST), default=7, show_default=True,
              metavar="N", help="Days after today.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the days as JSON.")
def show(back: int, ahead: int, as_json: bool) -> None:
    """Show the days about today, each figure from the best origin that knows it.

    Measured at the site beats imported beats forecast; for coming days that nobody knows the
    typical year stands.
    """
    from heapwright.cli.site import open_records

    open_records()
    from datetime import timedelta

    from django.utils import timezone

    from heapwright.yard import weather as records
    from heapwright.yard.models import Site

    today = timezone.now().astimezone(Site.load().tz).date()
    days = records.days(today - timedelta(days=back), today - timedelta(days=1))
    days += records.days(today, today + timedelta(days=ahead), with_typical=True)
    year = records.typical_year()
    if as_json:
        import json

        told = {"days": [_as_json(one) for one in days], "typical_year": _year_as_json(year)}
        click.echo(json.dumps(told, ensure_ascii=False))
        return
    click.echo(_as_text(days, year))


@weather.command()
@click.option("--by", "username", metavar="NAME", help="Who fetches it.  [the first lead]")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as JSON.")
def fetch(username: str | None, as_json: bool) -> None:
    """Fetch the forecast for the site from an open public weather service.

    Off until a lead sets it on, with the site's coordinates and a contact, on the page Weather.
    Without a network it says so and changes nothing. Nothing else ever fetches.
    """
    from heapwright.cli.site import open_records

    open_records()
    from heapwright.cli.load import recorder
    from heapwright.yard.errors import YardError
    from heapwright.yard.weather_forecast import fetch as fetch_forecast

    try:
        stored = fetch_forecast(recorder(username))
    except YardError as error:
        raise HeapwrightError(f"{error.message}; a lead does that on the page Weather") from None
    if as_json:
        import json

        click.echo(json.dumps({"hours": stored.new, "replaced": stored.replaced}))
        return
    click.echo(f"Fetched {stored.new} hours; {stored.replaced} of an earlier forecast are gone.")


def _as_json(one: DayWeather) -> dict[str, object]:
    return {
        "day": one.day.isoformat(),
        "temp_min_c": one.temp_min_c,
        "temp_max_c": one.temp_max_c,
        "rain_mm": one.rain_mm,
        "wind_m_s": one.wind_m_s,
        "origins": [origin.value for origin in one.origins],
        "rain_origin": None if one.rain_origin is None else one.rain_origin.value,
    }


def _year_as_json(year: TypicalYear) -> dict[str, object]:
    return {
        "climate": year.climate.id,
        "assumed": year.assumed,
        "own_months": sorted(year.own),
    }


def _as_text(days: Sequence[DayWeather], year: TypicalYear) -> str:
    lines = [f"{'day':<12}{'lowest':>8}{'highest':>9}{'rain':>9}  from"]
    for one in days:
        origins = ", ".join(str(origin.label) for origin in one.origins) or "nobody knows"
        lines.append(
            f"{one.day.isoformat():<12}{_figure(one.temp_min_c):>8}{_figure(one.temp_max_c):>9}"
            f"{_figure(one.rain_mm):>9}  {origins}"
        )
    lines.append("°C, mm.")
    assumed = ", assumed: choose yours on the page Weather" if year.assumed else ""
    lines.append(f"Typical year: {year.climate.name}{assumed}.")
    if year.own:
        lines.append(f"{len(year.own)} of its months are means of the site's own past.")
    return "\n".join(lines)


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"
