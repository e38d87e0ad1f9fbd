"""The site's own settings on a throwaway folder and a real database file."""

import os
import tempfile

_folder = tempfile.TemporaryDirectory(prefix="heapwright-tests-")
os.environ["HEAPWRIGHT_DATA"] = _folder.name

from heapwright.settings import *  # noqa: E402, F403
from heapwright.settings import DATA_FOLDER, DATABASES, STATIC_ROOT  # noqa: E402

DATABASES["default"]["TEST"] = {"NAME": DATA_FOLDER / "tests.sqlite3"}
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STATIC_ROOT.mkdir()  # the static files' middleware warns when it is missing
FORECASTS = "off"  # no thread of its own beside a test; those of the forecast ask for one
