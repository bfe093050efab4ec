"""Every setting of the service, read from the environment.

Without any variable the service is safe for a laptop: SQLite and a file-system queue below one data folder,
listening on this machine alone. What would be unsafe for others to reach is refused by coordinator/checks.py.
"""

import ipaddress
import os
import secrets
from datetime import timedelta
from pathlib import Path

import dj_database_url

BASE_DIR = Path(__file__).resolve().parent.parent


def env_bool(name: str, default: bool) -> bool:
    text = os.environ.get(name, "")
    if not text:
        return default
    if text.lower() in ("1", "true", "yes", "on"):
        return True
    if text.lower() in ("0", "false", "no", "off"):
        return False
    raise SystemExit(f"{name}={text!r}: use true or false")


def env_number(name: str, default: float) -> float:
    text = os.environ.get(name, "")
    try:
        return float(text) if text else default
    except ValueError:
        raise SystemExit(f"{name}={text!r}: use a number") from None


def env_list(name: str, default: str) -> list[str]:
    return [item.strip() for item in os.environ.get(name, default).split(",") if item.strip()]


def env_numbers(name: str, default: str) -> list[float]:
    try:
        return [float(item) for item in env_list(name, default)]
    except ValueError:
        raise SystemExit(f"{name}={os.environ[name]!r}: use numbers with commas between them") from None


def env_networks(name: str) -> list[ipaddress.IPv4Network | ipaddress.IPv6Network]:
    try:
        return [ipaddress.ip_network(item) for item in env_list(name, "")]
    except ValueError as error:
        raise SystemExit(f"{name}: {error}; use networks such as 10.20.0.0/16") from None


DATA_DIR = Path(os.environ.get("FAIRBAND_DATA") or BASE_DIR / "var" / "data").resolve()
DATA_DIR.mkdir(parents=True, exist_ok=True)


def own_secret() -> str:
    """A key made at the first start and kept in the data folder, readable by its owner alone."""
    path = DATA_DIR / "secret-key"
    try:
        with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secrets.token_urlsafe(50))
    except FileExistsError:
        pass
    return path.read_text()


DEBUG = env_bool("FAIRBAND_DEBUG", False)
PRODUCTION = env_bool("FAIRBAND_PRODUCTION", False)
SECRET_KEY = os.environ.get("FAIRBAND_SECRET_KEY") or own_secret()
SECRET_KEY_IS_OWN = not os.environ.get("FAIRBAND_SECRET_KEY")
ALLOWED_HOSTS = env_list("FAIRBAND_ALLOWED_HOSTS", "127.0.0.1,localhost,[::1]")
PUBLIC_ADDRESS = os.environ.get("FAIRBAND_ADDRESS", "").rstrip("/")
if PUBLIC_ADDRESS:
    CSRF_TRUSTED_ORIGINS = [PUBLIC_ADDRESS]
BEHIND_TLS = PUBLIC_ADDRESS.startswith("https://")
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = BEHIND_TLS
SECURE_SSL_REDIRECT = BEHIND_TLS
SECURE_HSTS_SECONDS = 31_536_000 if BEHIND_TLS else 0
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if BEHIND_TLS else None
SECURE_CONTENT_TYPE_NOSNIFF = True
X_FRAME_OPTIONS = "DENY"

INSTALLED_APPS = [
    "apps.journal",
    "apps.events",
    "apps.spectrum",
    "apps.registry",
    "apps.planning",
    "apps.publishing",
    "apps.onsite",
    "apps.overview",
    "coordinator",
    "knox",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "django_filters",
    "django_htmx",
    "crispy_forms",
    "crispy_bootstrap5",
    "axes",
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "axes.middleware.AxesMiddleware",
]

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "style-src": ["'self'"],
        "script-src": ["'self'"],
        "frame-ancestors": ["'none'"],
        "base-uri": ["'self'"],
        "form-action": ["'self'"],
    }
}

ROOT_URLCONF = "coordinator.urls"
WSGI_APPLICATION = "coordinator.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    }
]

DATABASE_URL = os.environ.get("DATABASE_URL", "")
if DATABASE_URL:
    DATABASES = {"default": dj_database_url.parse(DATABASE_URL, conn_max_age=60, conn_health_checks=True)}
    DATABASES["default"]["TEST"] = {"NAME": f"test_fairband_{secrets.token_hex(4)}"}
else:
    # Write-ahead log and immediate transactions: the only combination of four tried under which several
    # processes never see "database is locked". ATOMIC_REQUESTS stays off, or every page view would lock.
    DATABASES = {
        "default": {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": str(DATA_DIR / "fairband.sqlite3"),
            "OPTIONS": {
                "timeout": 20,
                "transaction_mode": "IMMEDIATE",
                "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
            },
            "TEST": {"NAME": str(DATA_DIR / f"test-{os.getpid()}.sqlite3")},
        }
    }
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "events.Person"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "/login/"
LOGIN_REDIRECT_URL = "/"
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_LOCKOUT_TEMPLATE = "events/locked_out.html"
INVITATION_DAYS = 14

LANGUAGE_CODE = "en"
TIME_ZONE = "UTC"
USE_I18N = False
USE_TZ = True

STATIC_URL = "/static/"
STATIC_ROOT = DATA_DIR / "static"
STATIC_ROOT.mkdir(exist_ok=True)
# No collectstatic step to forget: files are served from the apps that own them.
WHITENOISE_USE_FINDERS = True
WHITENOISE_MAX_AGE = 3600
CRISPY_ALLOWED_TEMPLATE_PACKS = "bootstrap5"
CRISPY_TEMPLATE_PACK = "bootstrap5"

KNOX_TOKEN_MODEL = "events.Token"
# The library's own table would stand beside ours, empty, and hold on to people.
MIGRATION_MODULES = {"knox": None}
REST_KNOX = {
    "TOKEN_MODEL": "events.Token",
    "TOKEN_TTL": timedelta(days=90),
    "AUTH_HEADER_PREFIX": "Token",
}
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["apps.events.authentication.MachineAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["apps.common.envelope.JSONBody"],
    "DEFAULT_SCHEMA_CLASS": "apps.common.describing.Description",
    "DEFAULT_CONTENT_NEGOTIATION_CLASS": "apps.common.envelope.OneForm",
    "EXCEPTION_HANDLER": "apps.common.envelope.problem_details",
    "UNAUTHENTICATED_USER": None,
}
API_GUIDE = """\
Radio-frequency coordination for large events.

**Token.** `Authorization: Token …`, issued on the page «Tokens» or on the command line: for one event, one department or all
that its owner reaches, to read or to write, until it expires or is revoked.

**Versions of rows.** What can be edited carries a `version`, also as `ETag`. PATCH and DELETE name it in `If-Match` (or `*`):
428 without it, 412 when somebody else was faster. A row of a list may carry `version`, with the same meaning.

**Sending again.** Every writing request takes an `Idempotency-Key` of your own. Sent again with the same content it is not done
again and is answered as before; with other content it is refused (422); while the first is under way, 409. What was refused
is not remembered. Keys are kept for a day.

**Lists** come in pages, in an order that nothing changes: follow `next` to its end and you meet every row that is there all
the while exactly once. Filters that do not exist are refused. Lists that are written are answered row by row, counted from 1.

**Long work** is answered with 202 and the address of the job in `Location`.

**Refusals** are problem details (RFC 9457); `errors` names row, field, value and remedy, all at once. What you may not know of
is 404; what you may see and not do is 403, with the reason.

**The promise of v1.** Changes are additive only: no address, field or word goes away or changes its meaning, and no request
that is taken now will be refused for its form. New addresses, fields, filters and words of state come, so pass over what you
do not know. Anything else will be v2, beside v1, announced in CHANGELOG.md a release before.
"""
SPECTACULAR_SETTINGS = {
    "TITLE": "Fairband",
    "VERSION": "1",
    "DESCRIPTION": API_GUIDE,
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    # The pages link to it, so people may read it too.
    "SERVE_AUTHENTICATION": [
        "apps.events.authentication.MachineAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "SCHEMA_PATH_PREFIX": "/api/v1/",
    "ENABLE_LIST_MECHANICS_ON_NON_2XX": True,
    "WEBHOOKS": [
        f"apps.publishing.serializers.{name}"
        for name in ("ACCEPTED", "SENT_BACK", "PUBLISHED", "REPORTED", "RUN_ENDED")
    ],
    "ENUM_GENERATE_CHOICE_DESCRIPTION": False,
    "ENUM_NAME_OVERRIDES": {
        "ChannelState": "apps.spectrum.rules.CHANNEL_STATES",
        "RegistrationState": "apps.registry.states.RegistrationState",
        "RunState": "apps.planning.states.RunState",
        "PlanState": "apps.planning.queries.PLAN_STATES",
        "RowStatus": "apps.registry.judging.Status",
    },
}

REDIS_URL = os.environ.get("REDIS_URL", "")
QUEUE_PREFIX = os.environ.get("FAIRBAND_QUEUE_PREFIX", "fairband")
QUEUE_DIR = DATA_DIR / "queue"
CELERY = {
    "task_ignore_result": True,
    "task_acks_late": True,
    "worker_prefetch_multiplier": 1,
    "task_default_queue": "quick",
    "task_serializer": "json",
    "accept_content": ["json"],
    "broker_connection_retry_on_startup": True,
    "worker_hijack_root_logger": False,
    "worker_send_task_events": False,
    "timezone": "UTC",
}
if REDIS_URL:
    CELERY |= {
        "broker_url": REDIS_URL,
        "broker_transport_options": {"global_keyprefix": f"{QUEUE_PREFIX}:", "visibility_timeout": 3600},
    }
else:
    # All folders on one disk: the transport moves messages between them by renaming.
    for _folder in ("messages", "processed", "control"):
        (QUEUE_DIR / _folder).mkdir(parents=True, exist_ok=True)
    CELERY |= {
        "broker_url": "filesystem://",
        "broker_transport_options": {
            "data_folder_in": str(QUEUE_DIR / "messages"),
            "data_folder_out": str(QUEUE_DIR / "messages"),
            "processed_folder": str(QUEUE_DIR / "processed"),
            "control_folder": str(QUEUE_DIR / "control"),
            "store_processed": False,
            "polling_interval": 0.1,
        },
    }

# A run's lease must outlast the longest wait for SQLite's write lock (20 s above).
RUN_LEASE_S = env_number("FAIRBAND_RUN_LEASE_S", 30)
RUN_HEARTBEAT_S = env_number("FAIRBAND_RUN_HEARTBEAT_S", 2)
RUN_SWEEP_S = env_number("FAIRBAND_RUN_SWEEP_S", 10)
RUN_ATTEMPTS = int(env_number("FAIRBAND_RUN_ATTEMPTS", 3))
RUN_SECONDS = env_number("FAIRBAND_RUN_SECONDS", 30)
# Workers that take part in a run, each with a seed of its own; `serve` starts so many.
RUN_WORKERS = max(1, int(env_number("FAIRBAND_RUN_WORKERS", (os.cpu_count() or 1) // 2)))
# How long a worker may try what would place those left out before lists and surveys that wait have their turn.
INQUIRY_SECONDS = env_number("FAIRBAND_INQUIRY_SECONDS", 60)
# Pages that tell what the plan breaks count as many places and hours at once; more, and they show first and count then.
COUNT_AT_ONCE_PARTS = 40
# A request with an Idempotency-Key whose process died may be done anew after the lease; its answer is kept for a day.
REPEAT_LEASE_S = env_number("FAIRBAND_REPEAT_LEASE_S", 60)
REPEAT_DAYS = 1
# Webhooks and letters. Work that nobody took is rung for again; what fails is tried again after each of these waits in
# turn, then after the last of them, and given up when it is too old.
POST_SWEEP_S = env_number("FAIRBAND_POST_SWEEP_S", 3)
POST_LEASE_S = env_number("FAIRBAND_POST_LEASE_S", 90)
POST_TURN_S = env_number("FAIRBAND_POST_TURN_S", 10)
POST_WAITS_S = env_numbers("FAIRBAND_POST_WAITS_S", "5, 30, 120, 600, 1800, 3600, 7200") or [60.0]
POST_GIVEN_UP_AFTER_H = env_number("FAIRBAND_POST_GIVEN_UP_AFTER_H", 72)
POST_KEPT_DAYS = env_number("FAIRBAND_POST_KEPT_DAYS", 30)
WEBHOOK_TIMEOUT_S = env_number("FAIRBAND_WEBHOOK_TIMEOUT_S", 8)
WEBHOOK_OLD_SECRET_H = env_number("FAIRBAND_WEBHOOK_OLD_SECRET_H", 24)
# Networks that webhooks may reach though the public cannot, and without TLS.
WEBHOOK_NETWORKS = env_networks("FAIRBAND_WEBHOOK_NETWORKS")
NOTICE_GATHER_S = env_number("FAIRBAND_NOTICE_GATHER_S", 600)
NOTICE_DAILY_HOUR = int(env_number("FAIRBAND_NOTICE_DAILY_HOUR", 7))
NOTICE_DEADLINE_H = env_number("FAIRBAND_NOTICE_DEADLINE_H", 48)
IMPORT_MAX_ROWS = 20_000
IMPORT_MAX_BYTES = 10_000_000
IMPORT_MAX_EXPANDED_BYTES = 60_000_000  # of a workbook, which is an archive
# Longer lists are saved by a worker.
IMPORT_AT_ONCE_ROWS = int(env_number("FAIRBAND_IMPORT_AT_ONCE_ROWS", 500))
SURVEY_MAX_BYTES = 200_000_000
DATA_UPLOAD_MAX_MEMORY_SIZE = 12_000_000

# Without a mail server letters are written to the log; links of invitations are shown on the page as well.
EMAIL_HOST = os.environ.get("FAIRBAND_EMAIL_HOST", "")
EMAIL_BACKEND = f"django.core.mail.backends.{'smtp' if EMAIL_HOST else 'console'}.EmailBackend"
EMAIL_PORT = int(env_number("FAIRBAND_EMAIL_PORT", 587))
EMAIL_HOST_USER = os.environ.get("FAIRBAND_EMAIL_USER", "")
EMAIL_HOST_PASSWORD = os.environ.get("FAIRBAND_EMAIL_PASSWORD", "")
EMAIL_USE_TLS = env_bool("FAIRBAND_EMAIL_TLS", True)
EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = os.environ.get("FAIRBAND_EMAIL_FROM", "Fairband <fairband@localhost>")
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"plain": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain"}},
    "root": {"handlers": ["console"], "level": os.environ.get("FAIRBAND_LOG_LEVEL", "INFO")},
    "loggers": {"axes": {"level": "WARNING"}},
}
