import os
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import connection

from heapwright.demo import story

NOW = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
PATIENCE_S = 600


def told_once(folder: Path) -> Path:
    """Return the file of the told story, which one of the test processes makes for all."""
    file, part = folder / "story.sqlite3", folder / "story.part"
    try:
        os.close(os.open(folder / "story.lock", os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        end = time.monotonic() + PATIENCE_S
        while not file.exists():
            assert time.monotonic() < end, "the process that tells the story did not finish"
            time.sleep(0.2)
        return file
    connection.settings_dict["NAME"] = part
    call_command("migrate", verbosity=0)
    story.tell(NOW)
    connection.close()
    return part.rename(file)


@pytest.fixture(scope="module")
def told(django_db_blocker, tmp_path_factory):
    """Return the troubles of the year; the default database holds it while tests here run."""
    base = tmp_path_factory.getbasetemp()
    folder = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    own = connection.settings_dict["NAME"]
    with django_db_blocker.unblock():
        connection.close()
        try:
            connection.settings_dict["NAME"] = told_once(folder)
            yield story.troubles(NOW)
        finally:
            connection.close()
            connection.settings_dict["NAME"] = own
