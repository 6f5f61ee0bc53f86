"""Django's settings, all from the environment. Read .env.example for what each variable means."""

import secrets
from pathlib import Path

from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured

from shared.chart_process import folder_of
from shared.config.env import (
    database_settings,
    origin_of,
    read_choice,
    read_flag,
    read_list,
    read_some,
    read_text,
    read_tile_address,
    read_whole,
)
from shared.config.logs import logging_settings
from shared.roles import Role

BASE_DIR = Path(__file__).resolve().parent.parent.parent
DATA_DIR = Path(read_text("TAPWARD_DATA_DIR", str(BASE_DIR / ".data")))
DEBUG = read_flag("TAPWARD_DEBUG", False)


def embedded_secret() -> str:
    """Return this machine's own key, made once, readable by its owner only."""
    path = DATA_DIR / "secret_key"
    if not path.exists():
        DATA_DIR.mkdir(parents=True, exist_ok=True)
        fresh = path.with_name(f"secret_key.{secrets.token_hex(4)}")
        fresh.write_text(secrets.token_urlsafe(60), encoding="utf-8")
        fresh.chmod(0o600)
        fresh.replace(path)
    return path.read_text(encoding="utf-8")


DATABASE_URL = read_text("DATABASE_URL", "")
DATABASES = {"default": database_settings(DATABASE_URL, DATA_DIR)}
IS_EMBEDDED = "sqlite" in DATABASES["default"]["ENGINE"]
SECRET_KEY = read_text("TAPWARD_SECRET_KEY", "")
if not SECRET_KEY:
    if not IS_EMBEDDED and not DEBUG:
        raise ImproperlyConfigured(
            "TAPWARD_SECRET_KEY is not set. With PostgreSQL set it to 50 or more random characters, "
            "the same for every process."
        )
    SECRET_KEY = embedded_secret()

ALLOWED_HOSTS = read_list("TAPWARD_HOSTS", ["localhost", "127.0.0.1", "[::1]"])
if "*" in ALLOWED_HOSTS:
    raise ImproperlyConfigured(
        "TAPWARD_HOSTS may not be *. Name the hosts people type, e.g. tapward.example.com."
    )
CSRF_TRUSTED_ORIGINS = read_list("TAPWARD_ORIGINS", [])
IS_BEHIND_TLS = read_flag("TAPWARD_TLS", False)
COMPANY_NAME = read_text("TAPWARD_COMPANY", "Our company")
CURRENCY = read_text("TAPWARD_CURRENCY", "USD")
# Whose towns and postal codes addresses name: ISO 3166-1, two letters.
COUNTRY = read_text("TAPWARD_COUNTRY", "US").upper()
# Where a photo was taken is left out on the phone and here unless the company wants it.
PHOTOS_KEEP_PLACE = read_flag("TAPWARD_PHOTOS_KEEP_PLACE", False)

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.humanize",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "csp",
    "django_htmx",
    "django_filters",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "fleet",
    "scheduling",
    "api",
]

MIDDLEWARE = [
    "shared.config.logs.RequestLog",
    "shared.config.middleware.BodyReadOn",
    "shared.config.middleware.TlsOnly",
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "shared.config.middleware.SecurityHeaders",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "fleet.people.middleware.SessionLimits",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "fleet.people.middleware.user_preferences",
    "fleet.people.middleware.SecondFactorRequired",
    "shared.config.middleware.ExportAudit",
    "django.contrib.messages.middleware.MessageMiddleware",
    "shared.config.middleware.UploadSize",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
]

ROOT_URLCONF = "shared.config.urls"
WSGI_APPLICATION = "shared.config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "shared.access.page_frame",
            ],
        },
    }
]

AUTH_USER_MODEL = "fleet.Person"
LOGIN_URL = "log_in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "log_in"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "fleet.people.validators.WithoutOwnWords"},
]
# A file of SHA-1 sums of leaked passwords on this machine; empty: none is looked at.
LEAKED_PASSWORDS = read_text("TAPWARD_LEAKED_PASSWORDS", "")
if LEAKED_PASSWORDS:
    AUTH_PASSWORD_VALIDATORS.append({"NAME": "fleet.people.validators.NotLeaked"})

LANGUAGE_CODE = "en"
LANGUAGES = [("en", "English"), ("es", "Español")]
# Beside the catalogues of the rooms that are Django's: words of the pages, words of shared/.
LOCALE_PATHS = [BASE_DIR / "templates" / "locale", BASE_DIR / "shared" / "locale"]
FORMAT_MODULE_PATH = "shared.formats"
TIME_ZONE = read_text("TAPWARD_TIME_ZONE", "America/Chicago")
USE_TZ = True
USE_I18N = True

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATICFILES_DIRS = [BASE_DIR / "shared" / "static"]
STATIC_ROOT.mkdir(parents=True, exist_ok=True)
# Until collectstatic has run, files come from where they lie.
WHITENOISE_USE_FINDERS = not any(STATIC_ROOT.iterdir())
MEDIA_ROOT = DATA_DIR / "media"
DATA_UPLOAD_MAX_MEMORY_SIZE = 12 * 1024 * 1024
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedStaticFilesStorage"},
}

# --- security ---
# Proxies of one's own between here and the world; each is believed about one address.
PROXY_COUNT = read_whole("TAPWARD_PROXIES", 1 if IS_BEHIND_TLS else 0)
if IS_BEHIND_TLS and not PROXY_COUNT:
    raise ImproperlyConfigured(
        "TAPWARD_TLS says that a proxy stands in front, TAPWARD_PROXIES that none does: each log-in would be "
        "counted as the proxy's. Leave TAPWARD_PROXIES empty, or say how many there are."
    )
# A session ends when unused for so long, and in any case after so many days.
SESSION_IDLE_MINUTES = read_whole("TAPWARD_IDLE_MINUTES", 3 * 24 * 60, 5)
SESSION_MOST_DAYS = read_whole("TAPWARD_SESSION_DAYS", 30, 1)
# Roles that must show a second factor at the log-in; behind TLS planners and owners, unless said otherwise.
SECOND_FACTOR_ROLES = read_some(
    "TAPWARD_SECOND_FACTOR_ROLES",
    [str(one) for one in Role],
    [str(Role.OWNER), str(Role.PLANNER)] if IS_BEHIND_TLS else [],
)
SESSION_COOKIE_AGE = SESSION_IDLE_MINUTES * 60
# A browser keeps a cookie named so for this host alone, and takes it by TLS only.
COOKIE_PREFIX = "__Host-" if IS_BEHIND_TLS else ""
SESSION_COOKIE_NAME = f"{COOKIE_PREFIX}sessionid"
CSRF_COOKIE_NAME = f"{COOKIE_PREFIX}csrftoken"
KNOWN_BROWSER_COOKIE = f"{COOKIE_PREFIX}known"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = IS_BEHIND_TLS
CSRF_COOKIE_SECURE = IS_BEHIND_TLS
SECURE_SSL_REDIRECT = IS_BEHIND_TLS
SECURE_REDIRECT_EXEMPT = [r"^healthz$", r"^readyz$", r"^metrics$"]  # programs: shared.config.middleware
SECURE_HSTS_SECONDS = 31_536_000 if IS_BEHIND_TLS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = IS_BEHIND_TLS
SECURE_HSTS_PRELOAD = IS_BEHIND_TLS
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
if IS_BEHIND_TLS:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "object-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "connect-src": [SELF],
        "font-src": [SELF],
        "manifest-src": [SELF],
        "worker-src": [SELF],
        "form-action": [SELF],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}

MAP_TILE_URL = read_tile_address("TAPWARD_MAP_TILE_URL")
if MAP_TILE_URL:
    CONTENT_SECURITY_POLICY["DIRECTIVES"]["img-src"].append(origin_of(MAP_TILE_URL))

# --- queue: Redis when there is one, else the same tasks in this process ---
REDIS_URL = read_text("REDIS_URL", "")
CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_TASK_ALWAYS_EAGER = not REDIS_URL
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat-schedule")
CELERY_TASK_EAGER_PROPAGATES = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": read_whole("TAPWARD_VISIBILITY_SECONDS", 3600, 1)}
CELERY_TASK_IGNORE_RESULT = True
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TIMEZONE = TIME_ZONE
# Without a queue, long work that somebody asked for on a page goes on in a thread beside the answer.
TASKS_BESIDE = True
_REDIS_CACHE = {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}
_HAS_REDIS_CACHE = REDIS_URL.startswith(("redis://", "rediss://"))
CACHES = {
    "default": _REDIS_CACHE
    if _HAS_REDIS_CACHE
    else {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"},
    # How far long work has come and whether somebody wants it stopped: outside the work's own transaction.
    "progress": {**_REDIS_CACHE, "KEY_PREFIX": "progress"}
    if _HAS_REDIS_CACHE
    else {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": DATA_DIR / "progress",
    },
    # Charts by the hash of their content: on disk, so that processes share them and restarts keep them.
    "drawings": {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": DATA_DIR / "drawings",
        "TIMEOUT": None,
        "OPTIONS": {"MAX_ENTRIES": 5000},
    },
}

# Where calls are counted without Redis, for all processes of this machine; None: in Redis.
COUNTS_FOLDER = None if _HAS_REDIS_CACHE else DATA_DIR / "counts"

# Where the process that draws for all web processes of this machine is met; None: each draws for itself.
CHART_FOLDER = folder_of(DATA_DIR) if read_flag("TAPWARD_ONE_RENDERER", True) else None

# --- the trade's settings ---
SHARD_SIZE = read_whole("TAPWARD_SHARD_SIZE", 2500, 1)
ROAD_ENGINE_URL = read_text("TAPWARD_ROAD_ENGINE_URL", "")
MAP_TILE_CREDIT = read_text("TAPWARD_MAP_TILE_CREDIT", "")
GEOCODER_URL = read_text("TAPWARD_GEOCODER_URL", "")
GEOCODER_CREDIT = read_text("TAPWARD_GEOCODER_CREDIT", "© OpenStreetMap contributors")

# --- telemetry and webhooks ---
MQTT_HOST = read_text("TAPWARD_MQTT_HOST", "")
MQTT_PORT = read_whole("TAPWARD_MQTT_PORT", 1883, 1)
MQTT_USER = read_text("TAPWARD_MQTT_USER", "")
MQTT_PASSWORD = read_text("TAPWARD_MQTT_PASSWORD", "")
MQTT_TLS = read_flag("TAPWARD_MQTT_TLS", False)
MQTT_CA_FILE = read_text("TAPWARD_MQTT_CA", "")
TELEMETRY_SILENT_HOURS = read_whole("TAPWARD_SILENT_HOURS", 36, 1)
# Networks of one's own that webhooks may reach, e.g. 10.1.0.0/16; none: public addresses by https only.
POSTGRES_PROGRAMS = read_text("TAPWARD_POSTGRES_PROGRAMS", "")
WEBHOOK_NETWORKS = read_list("TAPWARD_WEBHOOK_NETWORKS", [])

EMAIL_BACKEND = read_text("TAPWARD_EMAIL_BACKEND", "django.core.mail.backends.console.EmailBackend")
DEFAULT_FROM_EMAIL = read_text("TAPWARD_EMAIL_FROM", "tapward@localhost")
EMAIL_HOST = read_text("TAPWARD_EMAIL_HOST", "localhost")
EMAIL_PORT = read_whole("TAPWARD_EMAIL_PORT", 25, 1)
EMAIL_HOST_USER = read_text("TAPWARD_EMAIL_USER", "")
EMAIL_HOST_PASSWORD = read_text("TAPWARD_EMAIL_PASSWORD", "")
EMAIL_USE_TLS = read_flag("TAPWARD_EMAIL_TLS", False)
EMAIL_TIMEOUT = 20
# Off until the company says so: no customer is written to by accident.
NOTICES_ON = read_flag("TAPWARD_NOTICES", False)
NOTICE_SETTLE_MINUTES = read_whole("TAPWARD_NOTICE_SETTLE_MINUTES", 30)
NOTICE_QUIET_FROM_HOUR = read_whole("TAPWARD_NOTICE_QUIET_FROM_HOUR", 20)
NOTICE_QUIET_UNTIL_HOUR = read_whole("TAPWARD_NOTICE_QUIET_UNTIL_HOUR", 8)

# Imports, plans, assessments and files one person may ask pages for in a minute; 0: as many as wanted.
HEAVY_POSTS_PER_MINUTE = read_whole("TAPWARD_HEAVY_POSTS", 30, 0)

REST_FRAMEWORK = {
    "DEFAULT_SCHEMA_CLASS": "api.schema.OperationSchema",
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "api.authentication.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_PARSER_CLASSES": ["api.parsers.BoundedJsonParser"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_PAGINATION_CLASS": "api.paging.KeysetPagination",
    "DEFAULT_THROTTLE_CLASSES": ["api.authentication.CallRate"],
    "DEFAULT_THROTTLE_RATES": {
        "read": read_text("TAPWARD_API_READS", "600/min"),
        "write": read_text("TAPWARD_API_WRITES", "120/min"),
        "bulk": read_text("TAPWARD_API_BULK_CALLS", "30/min"),
    },
    "DEFAULT_METADATA_CLASS": None,
    "URL_FORMAT_OVERRIDE": None,
    "EXCEPTION_HANDLER": "api.errors.as_problem",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Tapward",
    "VERSION": "1",
    "DESCRIPTION": (
        "Names of quantities carry their measure, moments their zone. Refusals are problem details (RFC "
        "9457). Within this version fields and operations are added, never taken away or changed in meaning; "
        "what is to go is marked deprecated here and stays for twelve months at least."
    ),
    "OAS_VERSION": "3.1.0",
    "ENUM_NAME_OVERRIDES": {
        "WaterEnum": "fleet.models.MeterWater",
        "PositionWaterEnum": "fleet.models.PositionWater",
        "SupplyKindEnum": "fleet.models.SupplyKind",
    },
    "SCHEMA_PATH_PREFIX": "/api",
    "COMPONENT_SPLIT_REQUEST": True,
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "api.schema.add_fields",
        "api.schema.add_problems",
        "api.schema_examples.add_examples",
        "api.schema_examples.add_webhooks",
    ],
}

LOGGING = logging_settings(read_choice("TAPWARD_LOGS", ["json", "plain"], "plain" if IS_EMBEDDED else "json"))

# --- watching ---
# With a token, /metrics answers whoever shows it; without, this machine only.
METRICS_TOKEN = read_text("TAPWARD_METRICS_TOKEN", "")
OLDEST_WORK_MINUTES = read_whole("TAPWARD_OLDEST_WORK_MINUTES", 60, 1)

# --- upgrades while others work (PostgreSQL) ---
MIGRATE_LOCK_SECONDS = read_whole("TAPWARD_MIGRATE_LOCK_SECONDS", 5, 1)
MIGRATE_STATEMENT_SECONDS = read_whole("TAPWARD_MIGRATE_STATEMENT_SECONDS", 900, 1)
MIGRATE_TRIES = 5
MIGRATE_PAUSE_SECONDS = 10
