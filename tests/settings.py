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
# Two processes on two cores: threads for a product of small matrices would wait for each other most of the time.
os.environ.setdefault("OMP_NUM_THREADS", "1")

from clubcoach.settings import *  # noqa: E402, F403

ALLOWED_HOSTS = ["*"]
# Two runs at once on one PostgreSQL have a database each; the processes of one run share its name.
if "sqlite" not in DATABASES["default"]["ENGINE"]:  # noqa: F405
    _run = os.environ.setdefault("TEST_RUN", str(os.getpid()))
    DATABASES["default"]["TEST"] = {"NAME": f"test_clubcoach_{_run}"}  # noqa: F405
    # What a test writes need not outlive a power cut.
    DATABASES["default"].setdefault("OPTIONS", {})["options"] = "-c synchronous_commit=off"  # noqa: F405
# A connection that a finished thread keeps would hold the test database when it is to be dropped.
DATABASES["default"]["CONN_MAX_AGE"] = 0  # noqa: F405
# Argon2 is slow on purpose; hundreds of test logins need not be.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
# Test processes side by side share one Redis: each has its own queue and its own cache keys.
_process = os.environ.get("PYTEST_XDIST_WORKER", "one")
CELERY_TASK_DEFAULT_QUEUE = f"tests-{_process}"
CACHES["default"]["KEY_PREFIX"] = f"tests-{_process}"  # noqa: F405
