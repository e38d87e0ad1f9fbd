"""``heapwright load``: deliveries, logs, stock and weather from files into the site."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from heapwright.errors import InputError

if TYPE_CHECKING:
    from heapwright.people.models import User

OPTIONS: Final = {
    "deliveries": ("--source", "--place"),
    "log": ("--lot",),
    "stock": ("--source", "--place", "--on"),
    "standing": ("--place", "--on"),
    "weather": ("--units", "--station", "--here", "--replace"),
}
"""The options that have a meaning for each kind of file."""


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--as", "kind", type=click.Choice(list(OPTIONS)),
              help="What the file holds, when its columns do not say.")  # fmt: skip
@click.option("--lot", metavar="CODE", help="The pile (or compost) whose log it is.")
@click.option("--source", metavar="CODE", help="Who gave it, where the file does not say.")
@click.option("--place", metavar="CODE", help="Where it lies, where the file does not say.")
@click.option("--on", "on_day", metavar="DATE",
              help="Of a stock-taking, or when the records begin.  [default: today]")  # fmt: skip
@click.option("--units", type=click.Choice(["tenths", "metric", "us"]),
              help="Of daily weather that does not say its units.")  # fmt: skip
@click.option("--station", metavar="ID", help="Of weather that holds several stations.")
@click.option("--here", is_flag=True, help="The weather was measured at the site itself.")
@click.option("--replace", is_flag=True,
              help="Where weather is known with other figures, the new ones hold.")  # fmt: skip
@click.option("--by", "username", metavar="NAME", help="Who records it.  [the first lead]")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as JSON.")
def load(
    file: Path,
    kind: str | None,
    lot: str | None,
    source: str | None,
    place: str | None,
    on_day: str | None,
    units: str | None,
    station: str | None,
    here: bool,
    replace: bool,
    username: str | None,
    as_json: bool,
) -> None:
    """Load FILE into the site in HEAPWRIGHT_DATA: all of it, or nothing when a row is wrong.

    \b
    deliveries  time,source,material,place and an amount: mass_kg, mass_lb, volume_m3,
                volume_yd3, volume_gal, or container and count; optionally code,
                contamination (none, little, much), found, note
    log         a pile's log, as “heapwright prove” reads it; needs --lot
    stock       what is on hand, as “heapwright mix solve” reads it; needs --source, --place
    standing    what stood before the records: kind, place and an amount; optionally stage,
                since, materials
    weather     time,temp_c,rain_mm by hour or day, or NOAA's daily records (GHCN-Daily: .dly,
                or a CSV of one station)

    Loading a file again changes nothing and says so, also when rows were added to it.
    """
    from heapwright.cli.load_lots import load_deliveries, load_standing, load_stock
    from heapwright.cli.load_readings import load_log, load_weather
    from heapwright.cli.site import open_records

    open_records()
    from django.db import transaction

    by = recorder(username)
    kind = kind or _kind(file)
    given = {
        "--units": units, "--station": station, "--here": here or None,
        "--replace": replace or None, "--lot": lot, "--source": source, "--place": place,
        "--on": on_day,
    }  # fmt: skip
    for option, value in given.items():
        if value is not None and option not in OPTIONS[kind]:
            raise InputError(f"{option} has no meaning for a file of {kind}")
    with transaction.atomic():
        if kind == "weather":
            done = load_weather(file, units, station, by, here=here, replace=replace)
        elif kind == "log":
            done = load_log(file, lot, by)
        elif kind == "standing":
            done = load_standing(file, place, on_day, by)
        elif kind == "stock":
            done = load_stock(file, source, place, on_day, by)
        else:
            done = load_deliveries(file, source, place, by)
    if as_json:
        click.echo(json.dumps({"as": kind, "new": done.new, "there_already": done.there,
                               "notes": done.notes}, ensure_ascii=False))  # fmt: skip
        return
    for note in done.notes:
        click.echo(note)
    if done.new:
        there = f"; {done.there} were there already" if done.there else ""
        click.echo(f"Loaded {', '.join(done.new)}{there}.")
    else:
        click.echo(f"Nothing new: all of {file.name} was there already.")


def recorder(username: str | None) -> User:
    """Return who records: the one named, or the first lead."""
    from heapwright.people.models import Role, User

    people = User.objects.filter(is_active=True).order_by("id")
    if username is not None:
        found = people.filter(username=username).first()
        if found is None:
            raise InputError(f"--by: there is no account {username}")
        return found
    found = people.filter(role=Role.LEAD).first()
    if found is None:
        raise InputError("the site has no lead yet; set it up in the browser first")
    return found


def _kind(file: Path) -> str:
    """Return what a file holds, by its columns."""
    from heapwright.files.log import LOG_BYTES
    from heapwright.files.table import decode, read_bytes
    from heapwright.files.weather_import import recognise

    text = decode(read_bytes(file, max_bytes=LOG_BYTES), file.name)
    if recognise(text) is not None:
        return "weather"
    header = next((line for line in text.splitlines() if line.strip(", \t")), "")
    columns = {cell.strip().lower() for cell in header.split(",")}
    if "event" in columns:
        return "log"
    if any(column.startswith("available_") for column in columns):
        return "stock"
    if {"time", "material"} <= columns:
        return "deliveries"
    if "kind" in columns:
        return "standing"
    raise InputError(
        "its columns are those of no file that can be loaded; say what it is with --as", row=1,
        file=file.name,
    )  # fmt: skip
