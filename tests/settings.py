"""The site's own settings in a folder that goes with the test run, whatever the environment says."""

import atexit
import os
import shutil
import tempfile

for _name in ("DATABASE_URL", "REDIS_URL", "STORAGE_URL", "EMAIL_URL", "ALLOWED_HOSTS", "DEBUG", "HTTPS"):
    os.environ.pop(_name, None)
os.environ["DATA_DIR"] = tempfile.mkdtemp(prefix="site-tests-")
os.environ["SECRET_KEY"] = "only for the tests " * 4
# The browser's driver keeps an event loop in the main thread, which Django would take for asynchronous code.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
atexit.register(shutil.rmtree, os.environ["DATA_DIR"], ignore_errors=True)

from academy.config.settings import *  # noqa: E402, F403  the environment above must come first

# Quick on purpose: what is tested is not the hash, and names without a hash need no collecting.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}  # noqa: F405
STATIC_ROOT.mkdir()  # noqa: F405
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
