"""``heapwright demo`` and ``heapwright serve``: the running site."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from heapwright.errors import HeapwrightError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

DEMO_PORT, SERVE_PORT = 8750, 8700
NEXT_PORTS = 20
THREADS = 8
GARBAGE = 25_000
"""So many new objects before the garbage collector looks at them; Python's own is 700."""

_PORT = click.IntRange(1, 65535)


@click.command(
    epilog="Everybody and everything in it is invented. What you change is gone when it ends."
)
@click.option("--port", type=_PORT, metavar="N", help=f"Port.  [default: {DEMO_PORT} or next free]")
@click.option("--no-browser", is_flag=True, help="Print the address only; open no browser.")
@click.option("--prepare", is_flag=True, help="Only make the demo's records and keep them ready.")
def demo(port: int | None, no_browser: bool, prepare: bool) -> None:
    """Show an invented yard with a year behind it, in a throwaway database.

    The first start makes the year's records and keeps a copy in the user's cache folder;
    later starts take it from there.
    """
    import os
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory(
        prefix="heapwright-demo-", ignore_cleanup_errors=True
    ) as folder:
        os.environ["HEAPWRIGHT_DATA"] = folder
        os.environ["HEAPWRIGHT_DEMO"] = "1"
        set_up_django()
        from datetime import UTC, datetime

        from django.db import connections

        from heapwright.demo import kept, site

        now = datetime.now(UTC)
        with _progress("Making the year's records") as progress:
            path = kept.make(Path(folder) / "heapwright.sqlite3", now, kept.zone_here(), progress)
        if prepare:
            with _progress("Foreseeing its heaps") as progress:
                kept.foresee(path, now, progress)
        else:
            people = ", ".join(
                f"{one.username} ({one.first_name} {one.last_name})" for one in site.PEOPLE
            )
            _serve(
                "127.0.0.1",
                port or DEMO_PORT,
                any_port=port is None,
                browser=not no_browser,
                say=f"An invented yard; nothing you change is kept. Sign in with one click as "
                f"lead, helper or reader.\nPeople: {people}",
            )
        connections.close_all()


@click.command(
    epilog="Before others reach it from outside, put it behind a server that speaks HTTPS."
)
@click.option(
    "--port", type=_PORT, metavar="N", default=SERVE_PORT, help=f"Port.  [default: {SERVE_PORT}]"
)
@click.option("--host", metavar="ADDRESS", default="127.0.0.1", show_default=True,
              help="Address to listen at; 0.0.0.0 for all of this machine's.")  # fmt: skip
def serve(port: int, host: str) -> None:
    """Serve the site whose records lie in HEAPWRIGHT_DATA.

    Without HEAPWRIGHT_DATA the records lie in the user's own data folder. The database is made
    or brought up to date first. Names under which others reach the site go into
    HEAPWRIGHT_HOSTS, parted by commas.
    """
    open_site()
    from django.conf import settings

    _serve(host, port, any_port=False, browser=False, say=f"Records: {settings.DATA_FOLDER}")


def set_up_django() -> None:
    """Load Django with the site's settings; a folder that cannot be used is one line."""
    import os

    os.environ["DJANGO_SETTINGS_MODULE"] = "heapwright.settings"
    try:
        import django

        django.setup()
    except OSError as error:
        raise HeapwrightError(
            f"the folder of the records cannot be used: {error.strerror} ({error.filename})"
        ) from None


def open_site() -> None:
    """Load Django and bring the database of HEAPWRIGHT_DATA up to date."""
    set_up_django()
    from django.core.management import call_command
    from django.db import DatabaseError
    from django.db.migrations.exceptions import InconsistentMigrationHistory

    try:
        call_command("migrate", verbosity=0)
    except (DatabaseError, InconsistentMigrationHistory) as error:
        from django.conf import settings

        name = settings.DATABASES["default"]["NAME"]
        raise HeapwrightError(f"the database {name} cannot be used: {error}") from None


def open_records() -> None:
    """Load Django on the records of a site that exists; one line when there is none."""
    import os
    from pathlib import Path

    name = "heapwright.sqlite3"
    stated = os.environ.get("HEAPWRIGHT_DATA")
    if stated and not (Path(stated).expanduser() / name).is_file():
        raise HeapwrightError(f"HEAPWRIGHT_DATA: there is no site in {stated}")
    set_up_django()
    from django.conf import settings

    if not (settings.DATA_FOLDER / name).is_file():
        raise HeapwrightError(
            f"there is no site in {settings.DATA_FOLDER}; set HEAPWRIGHT_DATA, or make one with "
            "“heapwright serve”"
        )
    open_site()


def set_apart() -> None:
    """Have the garbage collector leave alone what is loaded by now, and look less often.

    What is loaded stays; looking through it held a page up by 60 ms now and then. A page that
    reads thousands of rows makes thousands of objects, none of which is garbage in a circle:
    at the usual pace each such page was held up by several collections.
    """
    import gc

    gc.collect()
    gc.freeze()
    gc.set_threshold(GARBAGE, 10, 10)


def _serve(host: str, port: int, *, any_port: bool, browser: bool, say: str) -> None:
    """Serve until Ctrl-C (or the signal to end)."""
    import signal
    import threading
    import webbrowser
    from pathlib import Path

    from django.conf import settings
    from django.urls import get_resolver
    from waitress.server import create_server

    Path(settings.STATIC_ROOT).mkdir(parents=True, exist_ok=True)
    from heapwright.wsgi import application

    list(get_resolver().url_patterns)  # loads the pages, so that the first visitor need not wait
    set_apart()
    for number in range(port, port + (NEXT_PORTS if any_port else 1)):
        try:
            server = create_server(application, host=host, port=number, threads=THREADS)
        except OSError as error:
            problem = error
            continue
        break
    else:
        raise HeapwrightError(f"{host}, port {port} cannot be used: {problem.strerror}")
    address = f"http://{'localhost' if host in ('127.0.0.1', '0.0.0.0') else host}:{number}/"
    click.echo(f"{address}\n{say}\nCtrl-C ends it.")

    def end(*_signal: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)
    if browser:
        threading.Timer(0.3, webbrowser.open, (address,)).start()
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.close()
    click.echo("Ended.")


class _progress:  # noqa: N801
    """A bar on a terminal, one line where output is piped; nothing for work that is quick."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.bar: Iterator[object] | None = None

    def __enter__(self) -> Callable[[float], None]:
        self._rich = None
        return self._told

    def _told(self, share: float) -> None:
        import sys

        if not sys.stderr.isatty():
            if self._rich is None:
                self._rich = True
                click.echo(f"{self.what} …", err=True)
            return
        if self._rich is None:
            from rich.console import Console
            from rich.progress import Progress

            self._rich = Progress(console=Console(stderr=True), transient=True)
            self._task = self._rich.add_task(self.what, total=1.0)
            self._rich.start()
        self._rich.update(self._task, completed=share)

    def __exit__(self, *exception: object) -> None:
        if self._rich not in (None, True):
            self._rich.stop()
