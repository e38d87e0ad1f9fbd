"""Tests that commit must be able to empty the tables, which the ledger's triggers forbid."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.db import connection
from django.db.backends.sqlite3.operations import DatabaseOperations

# As the command line has it; several workers on two cores would wait for each other's threads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture(scope="session", autouse=True)
def _flush_past_the_triggers():
    """Let the flush between committing tests drop the triggers and put them back."""
    plain = DatabaseOperations.sql_flush

    def sql_flush(self, style, tables, **options):
        with connection.cursor() as cursor:
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            triggers = cursor.fetchall()
        drop = [f"DROP TRIGGER {name}" for name, _sql in triggers]
        return drop + plain(self, style, tables, **options) + [sql for _name, sql in triggers]

    patch = pytest.MonkeyPatch()
    patch.setattr(DatabaseOperations, "sql_flush", sql_flush)
    yield
    patch.undo()


CHROMIUM = Path("/usr/bin/chromium")


@pytest.fixture(scope="session")
def chromium() -> Iterator[object]:
    """One browser for all tests; the system's where there is one.

    Playwright's synchronous interface runs once in a process, so every test shares this one.
    """
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM if CHROMIUM.exists() else None,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--no-first-run",
            ],
        )
        yield browser
        browser.close()
