"""The page of commands: each command with its options and examples, and examples that work."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest
from tests.cli.test_mix import run

from heapwright.cli import cli

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
NEEDS_A_SITE = ("demo", "serve", "load", "weather", "audit")


def commands(group: click.Group, name: str = "heapwright"):
    """Yield the full name of every command and the command."""
    context = click.Context(group)
    for word in group.list_commands(context):
        command = group.get_command(context, word)
        if isinstance(command, click.Group):
            yield from commands(command, f"{name} {word}")
        else:
            yield f"{name} {word}", command


COMMANDS = dict(commands(cli))
SECTIONS = {
    title.strip(): body
    for title, body in re.findall(r"^## (heapwright [^\n]+)\n(.*?)(?=^## |\Z)", PAGE, re.M | re.S)
}


def examples(name: str) -> list[list[str]]:
    """Return the example lines of a command's section as arguments, variables left out."""
    found = []
    for block in re.findall(r"^```\n(.*?)^```", SECTIONS[name], re.M | re.S):
        for line in block.splitlines():
            words = shlex.split(line)
            while "=" in words[0]:
                words.pop(0)
            found.append(words)
    return found


def test_the_page_has_a_section_for_each_command_and_no_other():
    assert SECTIONS.keys() == COMMANDS.keys()


@pytest.mark.parametrize("name", COMMANDS)
def test_each_section_names_every_option_and_shows_an_example(name):
    options = {
        option
        for parameter in COMMANDS[name].params
        if isinstance(parameter, click.Option)
        for option in parameter.opts
    }
    section = SECTIONS[name]
    missing = [one for one in options if not re.search(rf"{one}(?![\w-])", section)]
    assert not missing
    shown = examples(name)
    assert shown
    for words in shown:
        assert " ".join(words).startswith(name)
        used = {word for word in words if word.startswith("--")}
        assert used <= options


def runnable() -> list[list[str]]:
    return [
        words[1:]
        for name in COMMANDS
        if name.split()[1] not in NEEDS_A_SITE
        for words in examples(name)
        if "AMOUNTS.csv" not in words
    ]


@pytest.mark.parametrize("words", runnable(), ids=" ".join)
def test_the_examples_on_plain_files_work(words, tmp_path):
    words = [
        str(ROOT / word) if word.startswith("examples/")
        else str(tmp_path / word) if word.endswith(".svg")
        else word
        for word in words
    ]  # fmt: skip
    if words[0] == "forecast" and "--members" not in words:
        words += ["--members", "2", "--days", "5"]
    done = run(*words)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
