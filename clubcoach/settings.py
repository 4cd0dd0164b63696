"""Everything here comes from the environment; a wrong value is said by a system check with a hint."""

from pathlib import Path
from typing import Any

import environ
from csp.constants import NONE, SELF
from django.utils.translation import gettext_lazy as _

env = environ.Env()

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(env.str("DATA_DIR", default=str(BASE_DIR / "var")))

DATA_DIR.mkdir(parents=True, exist_ok=True)

DEBUG = env.bool("DEBUG", default=False)
SECRET_KEY = env.str("SECRET_KEY", default="")
ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", default=["127.0.0.1", "localhost", "[::1]"])
CSRF_TRUSTED_ORIGINS = env.list("CSRF_TRUSTED_ORIGINS", default=[])
SITE_URL = env.str("SITE_URL", default="http://127.0.0.1:8000")
HTTPS = env.bool("HTTPS", default=SITE_URL.startswith("https://"))

INSTALLED_APPS = [
    "clubcoach.apps.CoreConfig",
    "players.apps.PlayersConfig",
    "sessions.apps.TrainingConfig",
    "reports.apps.ReportsConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.forms",
    "django_htmx",
    "template_partials",
    "csp",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.usersessions",
    "rest_framework",
    "django_filters",
    "drf_spectacular",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "allauth.usersessions.middleware.UserSessionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "clubcoach.middleware.PrivatePagesMiddleware",
    "clubcoach.middleware.ClubLocaleMiddleware",
]

ROOT_URLCONF = "clubcoach.urls"
WSGI_APPLICATION = "clubcoach.wsgi.application"
FORM_RENDERER = "django.forms.renderers.TemplatesSetting"

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "clubcoach.context.club_context",
            ],
        },
    }
]

DATABASES = {"default": env.db_url("DATABASE_URL", default=f"sqlite:///{DATA_DIR / 'clubcoach.sqlite3'}")}
DATABASES["default"]["CONN_MAX_AGE"] = 60
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
    }
    # An in-memory test database is shared between threads and locks; a file behaves like the real one.
    DATABASES["default"]["TEST"] = {"NAME": str(DATA_DIR / "test.sqlite3")}
else:
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# Redis where it is named, otherwise one process does everything.
REDIS_URL = env.str("REDIS_URL", default="")
EMBEDDED_JOBS = env.bool("EMBEDDED_JOBS", default=not REDIS_URL)
CACHES = {
    "default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}
    if REDIS_URL
    else {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
}

CELERY_BROKER_URL = REDIS_URL or "memory://localhost/"
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_TIME_LIMIT = None if EMBEDDED_JOBS else 1800
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
if REDIS_URL:
    # Without the last two a killed worker's message comes back only after minutes.
    CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, float] = {
        "visibility_timeout": 2100,
        "unacked_restore_interval": 5,
        "unacked_restore_throttle": 1,
    }
else:
    # Once a second would make a row of small jobs last as long as there are jobs.
    CELERY_BROKER_TRANSPORT_OPTIONS = {"polling_interval": 0.1}
CELERY_BEAT_SCHEDULE = {"sweep-jobs": {"task": "clubcoach.jobs.sweep", "schedule": 60.0}}
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat-schedule")
JOB_LEASE_SECONDS = env.int("JOB_LEASE_SECONDS", default=120)

AUTH_USER_MODEL = "clubcoach.User"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {
        "NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator",
        "OPTIONS": {"user_attributes": ("email", "given_name", "family_name")},
    },
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 10},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "home"
ACCOUNT_ADAPTER = "clubcoach.accounts.ClosedAdapter"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_USER_DISPLAY = "clubcoach.accounts.display_name"
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_PREVENT_ENUMERATION = True
ACCOUNT_LOGOUT_ON_GET = False
ACCOUNT_DEFAULT_HTTP_PROTOCOL = "https" if HTTPS else "http"
# A club shares one address: limits are per account, not per address.
ACCOUNT_RATE_LIMITS = {"login_failed": "10/5m/key,300/5m/ip", "login": "600/m/ip"}
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_PASSKEY_LOGIN_ENABLED = True
MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = not HTTPS
INVITATION_DAYS = env.int("INVITATION_DAYS", default=14)

EMAIL_BACKEND = env.str("EMAIL_BACKEND", default="django.core.mail.backends.console.EmailBackend")
EMAIL_FILE_PATH = env.str("EMAIL_FILE_PATH", default=str(DATA_DIR / "mail"))
EMAIL_HOST = env.str("EMAIL_HOST", default="localhost")
EMAIL_PORT = env.int("EMAIL_PORT", default=25)
EMAIL_HOST_USER = env.str("EMAIL_HOST_USER", default="")
EMAIL_HOST_PASSWORD = env.str("EMAIL_HOST_PASSWORD", default="")
EMAIL_USE_TLS = env.bool("EMAIL_USE_TLS", default=False)
DEFAULT_FROM_EMAIL = env.str("DEFAULT_FROM_EMAIL", default="clubcoach@localhost")

LANGUAGE_CODE = "en"
# A language is offered once its catalogue is whole; every string is marked for it already.
LANGUAGES = [("en", _("English"))]
LOCALE_PATHS = [BASE_DIR / "clubcoach" / "locale"]
TIME_ZONE = "UTC"
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "clubcoach.finders.PlotlyFinder",
]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": env.str(
            "STATIC_STORAGE", default="whitenoise.storage.CompressedManifestStaticFilesStorage"
        )
    },
}
# Served from where they lie, without a collecting step: for development and the demo.
WHITENOISE_USE_FINDERS = env.bool("STATIC_IN_PLACE", default=DEBUG)
# Media are never served by address: films and pictures go through views that know who asks.
MEDIA_ROOT = Path(env.str("MEDIA_ROOT", default=str(DATA_DIR / "media")))
MEDIA_URL = ""
FILM_MAX_MB = env.int("FILM_MAX_MB", default=4096)
# What all films of one club may take together, where nothing else is said for the club.
FILM_QUOTA_GB = env.int("FILM_QUOTA_GB", default=200)
# An upload that nobody goes on with is removed after so many hours.
UPLOAD_HOURS = env.int("UPLOAD_HOURS", default=72)
EXCHANGE_MAX_MB = env.int("EXCHANGE_MAX_MB", default=512)
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
FILE_UPLOAD_PERMISSIONS = 0o640

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        # The hash is that of an empty style element, which Plotly creates and fills by rule.
        "style-src": [SELF, "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"],
        "img-src": [SELF, "data:", "blob:"],
        "media-src": [SELF, "blob:"],
        "connect-src": [SELF],
        "object-src": [NONE],
        "base-uri": [SELF],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = HTTPS
SECURE_SSL_REDIRECT = HTTPS
SECURE_HSTS_SECONDS = 31536000 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS
if env.bool("BEHIND_PROXY", default=False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "clubcoach.api.auth.TokenAuthentication",
        "clubcoach.api.auth.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["clubcoach.api.permissions.InClub"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["clubcoach.api.parsers.BoundedJSONParser"],
    "DEFAULT_PAGINATION_CLASS": "rest_framework.pagination.PageNumberPagination",
    "PAGE_SIZE": 50,
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_THROTTLE_CLASSES": [
        "rest_framework.throttling.UserRateThrottle",
        "rest_framework.throttling.AnonRateThrottle",
    ],
    "DEFAULT_THROTTLE_RATES": {
        "user": env.str("API_RATE", default="1200/min"),
        "anon": env.str("API_RATE_ANONYMOUS", default="60/min"),
    },
    "EXCEPTION_HANDLER": "clubcoach.api.errors.handle",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "clubcoach",
    "DESCRIPTION": "Matches, analyses, marks and scores of a padel club.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "FocusStateEnum": "reports.models.FocusPoint.State",
        "AnalysisStateEnum": "sessions.models.Analysis.State",
    },
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"plain": {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"}},
    "filters": {"secrets": {"()": "clubcoach.logs.HideSecrets"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain", "filters": ["secrets"]}},
    "root": {"handlers": ["console"], "level": env.str("LOG_LEVEL", default="INFO")},
}
