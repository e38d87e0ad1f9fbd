"""Django settings. Everything that a site keeps lies in one folder, ``HEAPWRIGHT_DATA``.

Environment
-----------
HEAPWRIGHT_DATA
    The folder of the site's records; the user's own data folder when unset.
HEAPWRIGHT_HOSTS
    Names, parted by commas, under which the site is reached besides this machine's own.
HEAPWRIGHT_DEBUG
    ``1`` shows tracebacks in the browser; only for work on the program itself.
"""

from __future__ import annotations

import os
import secrets
import sys
from pathlib import Path


def user_data_folder() -> Path:
    """Return the folder where this system keeps a user's data for the program."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "heapwright"


def secret_key(folder: Path) -> str:
    """Return the site's secret key, made on first use and readable by its owner only."""
    path = folder / "secret_key"
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_text(encoding="ascii")
    with os.fdopen(handle, "w", encoding="ascii") as file:
        key = secrets.token_urlsafe(50)
        file.write(key)
    return key


DATA_FOLDER = Path(os.environ.get("HEAPWRIGHT_DATA") or user_data_folder()).expanduser()
DATA_FOLDER.mkdir(parents=True, exist_ok=True, mode=0o700)

SECRET_KEY = secret_key(DATA_FOLDER)
DEMO = os.environ.get("HEAPWRIGHT_DEMO") == "1"
DEBUG = os.environ.get("HEAPWRIGHT_DEBUG") == "1"
ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]"] + [
    host.strip() for host in os.environ.get("HEAPWRIGHT_HOSTS", "").split(",") if host.strip()
]

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "axes",
    "csp",
    "heapwright.people",
    "heapwright.yard",
    "heapwright.web",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "heapwright.urls"
WSGI_APPLICATION = "heapwright.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "heapwright.web.shell.page",
            ],
        },
    },
]

DATABASES = {
    "default": {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": DATA_FOLDER / "heapwright.sqlite3",
        # A write takes its lock when its transaction opens, so that two people saving at once
        # queue instead of failing half-way; FULL makes an acknowledged entry survive a power cut.
        "OPTIONS": {
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;",
        },
    }
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# What the pile model foresees is kept in the site's folder, so that it survives a restart.
CACHES = {
    "default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"},
    "forecasts": {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": DATA_FOLDER / "forecasts",
        "TIMEOUT": None,
        "OPTIONS": {"MAX_ENTRIES": 1000},
    },
    "charts": {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": DATA_FOLDER / "charts",
        "TIMEOUT": 60 * 60 * 24 * 30,
        "OPTIONS": {"MAX_ENTRIES": 3000},
    },
}
FORECASTS = "background"  # who runs the model for pages: a thread of this server
# The model's matrices are small: several threads of the linear algebra would only wait for each
# other and hold up the pages. Read when NumPy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

AUTH_USER_MODEL = "people.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_LOCKOUT_TEMPLATE = "heapwright/more/locked_out.html"

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "object-src": ["'none'"],
        "base-uri": ["'none'"],
        "form-action": ["'self'"],
        "frame-ancestors": ["'none'"],
    }
}
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 60 * 60 * 24 * 60

LANGUAGE_CODE = "en"
LANGUAGES = [("en", "English"), ("es", "Español")]
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"  # what is stored; the site's own zone is a field of yard.Site

LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "yard"
LOGOUT_REDIRECT_URL = "sign-in"

STATIC_URL = "static/"
STATIC_ROOT = DATA_FOLDER / "static"
WHITENOISE_USE_FINDERS = True  # the pages' own files, straight from the package
MEDIA_ROOT = DATA_FOLDER / "media"
