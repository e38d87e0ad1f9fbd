from datetime import UTC, datetime

import pytest
from django.core.management import call_command
from django.db import connection

from heapwright.demo import story

NOW = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def told(django_db_blocker, tmp_path_factory):
    """Return the troubles of the year, told to a database file that these tests share."""
    file = tmp_path_factory.mktemp("story") / "heapwright.sqlite3"
    own = connection.settings_dict["NAME"]
    with django_db_blocker.unblock():
        connection.close()
        connection.settings_dict["NAME"] = file
        try:
            call_command("migrate", verbosity=0)
            yield story.tell(NOW)
        finally:
            connection.close()
            connection.settings_dict["NAME"] = own
