"""The application's own settings, on the database the tests are to run on.

``TAPWARD_TEST_ON=postgres`` (the default) starts a PostgreSQL where none is given;
``TAPWARD_TEST_ON=sqlite`` needs no server.
"""

import os
import tempfile

from tests import servers

TEST_ON = os.environ.get("TAPWARD_TEST_ON", "postgres")
if TEST_ON == "postgres":
    os.environ["DATABASE_URL"] = servers.postgres_url()
elif TEST_ON == "sqlite":
    os.environ.pop("DATABASE_URL", None)
else:
    raise ValueError(f"TAPWARD_TEST_ON={TEST_ON!r} is unknown. Write postgres or sqlite.")
os.environ.setdefault("TAPWARD_DATA_DIR", tempfile.mkdtemp(prefix="tapward-tests-"))
os.environ.setdefault("TAPWARD_SECRET_KEY", "only-for-tests-" + "x" * 50)
os.environ.pop("REDIS_URL", None)
# Playwright's own loop runs in the test's thread; the tests still touch the database there.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

from shared.config.settings import *  # noqa: E402, F403

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
ALLOWED_HOSTS = ["localhost", "127.0.0.1", "testserver"]
DATABASES["default"]["CONN_MAX_AGE"] = 0  # noqa: F405
# At once, in the test's own thread; the tests of long work switch it on.
TASKS_BESIDE = False
# In place; the tests of the one renderer have a folder of their own.
CHART_FOLDER = None
# In this process, so that a test begins from nothing; the tests of counting have a folder of their own.
COUNTS_FOLDER = None
# Tests post as fast as they can; the test of this limit sets it.
HEAVY_POSTS_PER_MINUTE = 0
# WhiteNoise warns of a missing folder, and a warning is an error here.
STATIC_ROOT.mkdir(parents=True, exist_ok=True)  # noqa: F405
if TEST_ON == "sqlite":
    # A file, as in real life: in memory, threads of the live server would lock each other's tables out.
    DATABASES["default"]["TEST"] = {"NAME": str(DATA_DIR / "test.sqlite3")}  # noqa: F405
# Look for a static file when asked, not for all of them before each test's first page.
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
