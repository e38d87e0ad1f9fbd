"""The command line. Every import of weight happens inside the command that needs it."""

from __future__ import annotations

import os
import sys
from io import TextIOWrapper
from typing import NoReturn

import click

from heapwright import __version__
from heapwright.errors import HeapwrightError

COMMANDS = {
    "demo": "heapwright.cli.site:demo",
    "serve": "heapwright.cli.site:serve",
    "load": "heapwright.cli.load:load",
    "weather": "heapwright.cli.weather:weather",
    "audit": "heapwright.cli.audit:audit",
    "mix": "heapwright.cli.mix:mix",
    "forecast": "heapwright.cli.forecast:forecast",
    "water": "heapwright.cli.water:water",
    "prove": "heapwright.cli.prove:prove",
    "materials": "heapwright.cli.facts:materials",
    "rules": "heapwright.cli.facts:rules",
    "sources": "heapwright.cli.facts:sources",
}


class _LazyGroup(click.Group):
    """A group that imports a command's module only when that command is named."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's own
        return list(COMMANDS)

    def get_command(
        self,
        ctx: click.Context,  # noqa: ARG002 - click's own
        cmd_name: str,
    ) -> click.Command | None:
        target = COMMANDS.get(cmd_name)
        if target is None:
            return None
        from importlib import import_module

        module, name = target.split(":")
        command: click.Command = getattr(import_module(module), name)
        return command


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Sanitation verdicts report what the log shows; local codes, the permit and "
    "licensed practice decide.",
)
@click.version_option(__version__, prog_name="heapwright")
def cli() -> None:
    """For the lead of a composting site: receive, mix, tend, prove, use, account, plan."""


def _one_line(error: click.UsageError) -> str:
    """Return what is wrong with the options as one line that says where to read on."""
    where = error.ctx.command_path if error.ctx else "heapwright"
    said = " ".join(error.format_message().split())
    if said and said[-1] not in ".?":
        said += "."
    return f"{where}: {said} See {where} --help."


def _write_utf_8() -> None:
    """Write files and pipes as UTF-8 wherever it runs; a terminal shows what it can."""
    for stream in (sys.stdout, sys.stderr):
        if not isinstance(stream, TextIOWrapper):
            continue
        if stream.isatty():
            stream.reconfigure(errors="replace")
        else:
            stream.reconfigure(encoding="utf-8", errors=stream.errors)


def main() -> NoReturn:
    """Run the command line; an error that a person can mend is one line and exit code 2."""
    # Matrices are small here: threads of the linear algebra would only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _write_utf_8()
    try:
        cli.main(prog_name="heapwright", standalone_mode=False)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        sys.exit(2)
    except click.UsageError as error:
        click.echo(_one_line(error), err=True)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except HeapwrightError as error:
        # a name that was read from a file may hold a line break
        click.echo(f"heapwright: {' '.join(str(error).split())}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        sys.exit(0)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        click.echo(f"heapwright: {where}{error.strerror or error}", err=True)
        sys.exit(1)
    sys.exit(0)
