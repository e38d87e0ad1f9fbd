"""What the program imports is what it declares, so that a fresh machine has all of it."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

from django.conf import settings

ROOT = Path(__file__).parents[1]
# carries no module that is imported: time zones for zoneinfo, a face that typst finds
DATA_ONLY = {"tzdata", "font-source-sans-pro"}
# named in the settings or loaded by Django
BY_NAME = {"argon2-cffi"}


def declared():
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return {re.split(r"[<>=!~ ]", line)[0].lower() for line in stated["project"]["dependencies"]}


def imported():
    found = set()
    for path in (ROOT / "src").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.partition(".")[0])
    found |= {app.partition(".")[0] for app in settings.INSTALLED_APPS}
    found |= {layer.partition(".")[0] for layer in settings.MIDDLEWARE}
    return found - set(sys.stdlib_module_names) - {"heapwright"}


def distributions(modules):
    known = packages_distributions()
    return {known[module][0].lower() for module in modules}


def test_every_import_is_declared():
    assert distributions(imported()) <= declared()


def test_everything_declared_is_used():
    assert declared() <= distributions(imported()) | DATA_ONLY | BY_NAME
