"""``heapwright forecast``: what a pile will do over the coming weeks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from heapwright.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from heapwright.files.pile import PileFacts
    from heapwright.files.pile_log import PileLog
    from heapwright.science.assimilate import Assimilated
    from heapwright.science.decide_asked import Decision
    from heapwright.science.pile_forecast import PilePlan

_FILE = click.Path(path_type=Path)
_Number = TypeVar("_Number", int, float)


@click.command(
    epilog="Modelled temperatures never count as proof of sanitation; only readings do. A hot "
    "pile can burn: follow the local fire service."
)
@click.argument("pile", type=_FILE, metavar="PILE.toml", required=False)
@click.option("--lot", metavar="CODE", help="A pile of the site's own records, not a PILE.toml.")
@click.option(
    "--weather",
    "weather_file",
    type=_FILE,
    metavar="FILE.csv",
    help="Weather record (time,temp_c,rain_mm[,humidity_pct,wind_m_s]) instead of the file's.",
)
@click.option(
    "--log",
    "log_file",
    type=_FILE,
    metavar="LOG.csv",
    help="Readings (as for prove) that correct the forecast; its turnings replace planned ones.",
)
@click.option("--days", type=float, metavar="D", help="How long (with --lot: from now).")
@click.option("--members", type=int, metavar="N", help="Size of the ensemble.  [1000]")
@click.option("--seed", type=int, metavar="N", help="Seed of the draws.  [1]")
@click.option("--plot", type=_FILE, metavar="FILE", help="Draw it to FILE (.svg or .png).")
@click.option("--working", is_flag=True, help="Show balance, recipe and parameters with sources.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def forecast(
    pile: Path | None,
    lot: str | None,
    weather_file: Path | None,
    log_file: Path | None,
    days: float | None,
    members: int | None,
    seed: int | None,
    plot: Path | None,
    working: bool,
    as_json: bool,
) -> None:
    """Forecast temperature, water, oxygen and mass of the pile in PILE.toml.

    The file states the pile as built ([pile] with one [[pile.material]] a material), what is
    done to it ([[act]]), the weather ([weather]) and what to forecast ([forecast]). The spread
    comes from what is not known of materials and pile; one member has none. With --log the
    readings so far correct the forecast, and what was set aside is told with its reason. With
    --lot all of this comes from the records of the site.
    """
    from heapwright.cli import forecast_advice, forecast_text
    from heapwright.data.pile import decay_classes, heat_alarms, pile_parameters
    from heapwright.files.pile import (
        DAYS_MOST,
        MEMBERS_MOST,
        SEED_MOST,
        read_pile,
        weather_for,
        with_others,
    )
    from heapwright.science import pile_forecast
    from heapwright.science.assimilate import assimilate

    if plot is not None and plot.suffix.lower() not in (".svg", ".png"):
        raise InputError(f"--plot: {plot.name} ends neither in .svg nor in .png")
    if plot is not None and not plot.resolve().parent.is_dir():
        raise InputError(f"--plot: there is no folder {plot.parent}")
    if days is not None:
        _in_range(days, "--days", 0.0, DAYS_MOST)
    if members is not None:
        _in_range(members, "--members", 0, MEMBERS_MOST)
    if seed is not None and not 0 <= seed <= SEED_MOST:
        raise InputError(f"--seed: {seed} is not a seed from 0 on")
    if lot is not None:
        if log_file is not None:
            raise InputError("--lot: --log is for a pile that is no lot; leave it out")
        _of_lot(lot, pile, weather_file, days, members, seed, plot, working, as_json)
        return
    if pile is None:
        raise InputError("name a PILE.toml, or a pile of the site with --lot CODE")
    facts = _facts()
    read = read_pile(pile, facts, weather_file=weather_file)
    length = read.days if days is None else _in_range(days, "--days", 0.0, DAYS_MOST)
    size = read.members if members is None else _in_range(members, "--members", 0, MEMBERS_MOST)
    drawn_from = read.seed if seed is None else seed
    plan = pile_forecast.shortened(with_others(read, facts), length)
    log = _log(log_file, read.built, plan, length)
    plan = plan if log is None else log.plan
    weather = weather_for(read, length * 24.0, facts)
    with _progress() as progress:
        corrected = assimilate(
            plan,
            weather,
            pile_parameters(),
            decay_classes(),
            () if log is None else log.readings,
            days=length,
            members=size,
            seed=drawn_from,
            progress=progress,
        )
    found = corrected.forecast
    decisions = None if log is None else _decided(log, corrected)
    if plot is not None:
        from heapwright.cli.forecast_plot import draw

        draw(found, read.built, plan, plot)
    if as_json:
        import json

        told = forecast_text.as_json(found, read.built)
        if log is not None:
            told |= forecast_text.readings_json(corrected, read.built)
        if decisions is not None:
            told["advice"] = forecast_advice.as_json(decisions)
        click.echo(json.dumps(told))
        return
    click.echo(forecast_text.as_text(found, read.built, plan, length, heat_alarms()))
    if log is not None:
        click.echo(forecast_text.readings_text(corrected, read.built, log.notes))
    for line in forecast_advice.as_lines(decisions):
        click.echo(line)
    if working:
        click.echo(forecast_text.as_working(found, plan, pile_parameters(), decay_classes()))


def _log(path: Path | None, built: datetime, plan: PilePlan, days: float) -> PileLog | None:
    """Return what the log says of the pile."""
    if path is None:
        return None
    from heapwright.files.log import read_log
    from heapwright.files.pile_log import of_pile

    return of_pile(read_log(path), path.name, built, plan, days)


def _decided(log: PileLog, corrected: Assimilated) -> tuple[Decision, ...] | None:
    """Return what to do at the last row of a log; None where it cannot be told."""
    from heapwright.cli.forecast_advice import DAY_H, of_file

    last = max((one.hour for one in log.readings), default=None)
    if last is None:
        return None
    fresh = [one.temp_c for one in log.readings if one.hour > log.last_hour - DAY_H]
    return of_file(corrected, log.plan, log.last_hour, max(fresh, default=None))


def _of_lot(
    lot: str,
    pile: Path | None,
    weather_file: Path | None,
    days: float | None,
    members: int | None,
    seed: int | None,
    plot: Path | None,
    working: bool,
    as_json: bool,
) -> None:
    """Print the forecast of a pile of the site's records."""
    from heapwright.cli import forecast_advice, forecast_site, forecast_text
    from heapwright.data.pile import decay_classes, heat_alarms, pile_parameters

    for given, name in ((pile, "PILE.toml"), (weather_file, "--weather")):
        if given is not None:
            raise InputError(f"--lot: {name} is for a pile that is no lot; leave it out")
    with _progress() as progress:
        outlook = forecast_site.foreseen(
            lot, days=days, members=members, seed=1 if seed is None else seed, progress=progress
        )
    found, built, plan = outlook.forecast, outlook.built, outlook.told.plan
    if plot is not None:
        from heapwright.cli.forecast_plot import draw

        draw(found, built, plan, plot)
    if as_json:
        import json

        told = forecast_text.as_json(found, built)
        click.echo(json.dumps({**told, **forecast_site.as_json(outlook)}))
        return
    length = float(found.hours[-1]) / 24.0
    click.echo(forecast_text.as_text(found, built, plan, length, heat_alarms()))
    click.echo("\n".join(forecast_site.about(outlook)))
    for line in forecast_advice.as_lines(forecast_site.advised(outlook)):
        click.echo(line)
    if working:
        click.echo(forecast_text.as_working(found, plan, pile_parameters(), decay_classes()))


def _facts() -> PileFacts:
    from heapwright.data import materials
    from heapwright.data.mixing import mix_facts
    from heapwright.data.pile import pile_covers, pile_parameters
    from heapwright.files.pile import PileFacts

    return PileFacts(
        library=materials(),
        mix=mix_facts(),
        covers=pile_covers(),
        shelter=pile_parameters()["shelter"].typical,
    )


def _in_range(value: _Number, option: str, low: float, high: float) -> _Number:
    """Return a value above ``low`` and at most ``high``."""
    if not low < value <= high:
        raise InputError(f"{option}: {value:g} is not above {low:g} and at most {high:g}")
    return value


class _progress:  # noqa: N801
    """A bar on a terminal that appears for long work only; nothing where output is piped."""

    def __enter__(self) -> Callable[[float], None] | None:
        import sys

        self._bar = None
        if not sys.stderr.isatty():
            return None
        from rich.console import Console
        from rich.progress import Progress

        self._bar = Progress(console=Console(stderr=True), transient=True)
        task = self._bar.add_task("Forecasting", total=1.0)
        self._bar.start()
        bar = self._bar
        return lambda share: bar.update(task, completed=share)

    def __exit__(self, *exception: object) -> None:
        if self._bar is not None:
            self._bar.stop()
