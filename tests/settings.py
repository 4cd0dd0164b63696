"""The project's own settings with the values that tests need in the environment."""

import os
import tempfile

os.environ.setdefault("SECRET_KEY", "only-for-tests-not-secret-0123456789-0123456789")
os.environ.setdefault("DATA_DIR", os.path.join(tempfile.gettempdir(), f"clubcoach-tests-{os.getuid()}"))
os.makedirs(os.environ["DATA_DIR"], exist_ok=True)
os.environ.setdefault("STATIC_STORAGE", "django.contrib.staticfiles.storage.StaticFilesStorage")
os.environ.setdefault("EMAIL_BACKEND", "django.core.mail.backends.locmem.EmailBackend")
os.environ.setdefault("API_RATE", "100000/min")
os.environ.setdefault("DEBUG", "false")

from clubcoach.settings import *  # noqa: E402, F403

ALLOWED_HOSTS = ["*"]
# Argon2 is slow on purpose; hundreds of test logins need not be.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
EMBEDDED_JOBS = True
