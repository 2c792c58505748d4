"""Django's settings. One laptop is the default; every larger part is named by an environment variable."""

from __future__ import annotations

import os
from pathlib import Path

import dj_database_url
from csp.constants import NONE, SELF
from kombu import Exchange, Queue

from academy.config import environment

ROOT = Path(__file__).resolve().parents[2]
DATA_DIR = Path(os.environ.get("DATA_DIR") or ROOT / ".data").resolve()
DATA_DIR.mkdir(parents=True, exist_ok=True)

DEBUG = environment.switch("DEBUG", default=False)
SECRET_KEY = environment.secret_key(DATA_DIR)
SIGNING_SEED = environment.signing_seed(DATA_DIR)
LOCAL_HOSTS = ["localhost", "127.0.0.1", "[::1]"]
ALLOWED_HOSTS = environment.words("ALLOWED_HOSTS") or LOCAL_HOSTS

# A site with a name of its own is served over HTTPS; a laptop is not.
HTTPS = environment.switch("HTTPS", default=not set(ALLOWED_HOSTS) <= set(LOCAL_HOSTS))
CSRF_TRUSTED_ORIGINS = [f"https://{host.lstrip('.')}" for host in ALLOWED_HOSTS if HTTPS and host != "*"]

# Rooms, lowest floor first. Names by string are all that config knows of them.
INSTALLED_APPS = [
    "contests",
    "academy.practice",
    "academy.courses",
    "academy.recall",
    "academy.packs",
    "academy.members",
    "academy.letters",
    "academy",
    "analysis.listening",
    "analysis.measuring",
    "analysis.jobs",
    "analysis.intake",
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "csp",
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
    "academy.config.form_addresses.FormAddresses",  # last: its page asks who looks
]
# The sections of the site's menu: title, name of its address. The template asks no room.
SITE_SECTIONS = [
    ("Courses", "courses:list"),
    ("Stem packs", "packs:list"),
    ("Practice", "practice:mine"),
    ("Contests", "contests:list"),
]
# Functions that put further lines on a member's own page, each with what applies to that member. They are
# shown in this order: what waits for the member first.
MEMBER_SECTIONS = [
    "contests.judging.sections.judging",
    "contests.prizes.sections.own_prizes",
    "contests.voting.sections.own_votes",
    "contests.entering.sections.own_entries",
    "contests.hosting.sections.hosting",
    "academy.practice.sections.practising",
    "academy.courses.sections.following",
    "academy.courses.sections.hosting",
    "academy.packs.sections.hosting",
    "academy.recall.sections.sheets",
    "academy.members.hosting.sections.hosting",
]
# Functions that put further lines on the page of a stem pack, each with what the person who asks may open.
PACK_SECTIONS = [
    "academy.practice.sections.practising_on",
    "academy.courses.sections.courses_on",
    "academy.recall.sections.sheets_on",
]
# Functions that say what a room holds by a member, and what becomes of it when the member leaves.
MEMBER_DATA = [
    "academy.members.own_data.account",
    "academy.practice.own_data.held",
    "academy.packs.own_data.held",
    "academy.courses.own_data.held",
    "contests.own_data.held",
]
MEMBER_LEAVING = [
    "academy.practice.own_data.leaving",
    "academy.packs.own_data.leaving",
    "academy.courses.own_data.leaving",
    "contests.leaving.leaving",
]
SITE_NAME = os.environ.get("SITE_NAME", "The mixing school")
# Where the links in letters lead, and whom letters come from.
SITE_URL = os.environ.get("SITE_URL") or environment.site_url(ALLOWED_HOSTS, https=HTTPS)
DEFAULT_FROM_EMAIL = os.environ.get("DEFAULT_FROM_EMAIL") or "letters@localhost"
# Shared with whatever takes the payments and sends signed events; the old and the new one while they change.
MEMBERSHIP_SECRETS = environment.shared_secrets("MEMBERSHIP_SECRETS")
EMAIL_TIMEOUT = 20  # s; a mail server that hangs must not hold a worker
# After so many minutes of listening the booth reminds of a rest; each listener may set another time.
BOOTH_REST_AFTER_MIN = environment.whole_number("BOOTH_REST_AFTER_MIN", default=25)
# Days that a winner has to answer; days after which a postal address or a code is erased, arrived or not.
PRIZE_ANSWER_DAYS = environment.whole_number("PRIZE_ANSWER_DAYS", default=14)
PRIZE_ADDRESS_DAYS = environment.whole_number("PRIZE_ADDRESS_DAYS", default=60)

SERIALIZATION_MODULES = {"rows": "academy.config.backups.rows"}

ROOT_URLCONF = "academy.config.urls"
WSGI_APPLICATION = "academy.config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "academy.config.context.site",
            ],
        },
    }
]

DATABASES = {
    "default": dj_database_url.config(default=f"sqlite:///{DATA_DIR / 'site.sqlite3'}", conn_max_age=60)
}
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    DATABASES["default"]["OPTIONS"] = {
        # IMMEDIATE: a writer waits for its turn at the start, instead of failing in the middle.
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;",
    }
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "members.Member"
LOGIN_URL = "members:sign_in"
LOGIN_REDIRECT_URL = "front"
LOGOUT_REDIRECT_URL = "front"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"django.contrib.auth.password_validation.{name}"}
    for name in ("UserAttributeSimilarityValidator", "MinimumLengthValidator", "CommonPasswordValidator")
]

USE_TZ = True
TIME_ZONE = "UTC"
# By whose clocks the pages go, where a thing has no zone of its own; TIME_ZONE is that of the database.
SITE_ZONE = environment.zone("SITE_ZONE")
LANGUAGE_CODE = "en-gb"
USE_I18N = False

STATIC_URL = "/static/"
STATIC_ROOT = DATA_DIR / "static"
# Who sends a pack: a front server below this prefix (X-Accel-Redirect), or a bucket by signed addresses.
INTERNAL_REDIRECT = os.environ.get("INTERNAL_REDIRECT", "")
SIGNED_ADDRESSES = environment.switch("SIGNED_ADDRESSES", default=False)
STORAGES = {
    "default": {
        "BACKEND": "django.core.files.storage.FileSystemStorage",
        "OPTIONS": {"location": DATA_DIR / "files"},
    },
    "recordings": environment.storage(
        os.environ.get("STORAGE_URL", ""), DATA_DIR, may_group_read=bool(INTERNAL_REDIRECT)
    ),
    "staticfiles": {"BACKEND": "academy.config.static_files.HashedStaticFiles"},
}

# Downloads that one member may start in a day; a pack of 24 stems fetched one by one, in both forms, is 48.
PACK_DOWNLOADS_A_DAY = environment.whole_number("PACK_DOWNLOADS_A_DAY", default=200)

# Uploads go to a spool folder on disk in blocks, never whole through memory.
INCOMING_DIR = DATA_DIR / "incoming"
INCOMING_DIR.mkdir(exist_ok=True)
FILE_UPLOAD_HANDLERS = ["analysis.intake.spooling.SpoolToDisk"]
FILE_UPLOAD_TEMP_DIR = INCOMING_DIR
LARGEST_UPLOAD_BYTES = environment.whole_number("LARGEST_UPLOAD_BYTES", default=1024**3)
# What one member's unfinished uploads may announce together.
MEMBER_UPLOAD_BYTES = environment.whole_number("MEMBER_UPLOAD_BYTES", default=2 * LARGEST_UPLOAD_BYTES)

# The row is the truth and the message a nudge: early acknowledgement, no results, no publish retries.
CELERY_BROKER_URL, CELERY_BROKER_TRANSPORT_OPTIONS = environment.broker(
    os.environ.get("REDIS_URL", ""), DATA_DIR
)
CELERY_BROKER_CONNECTION_TIMEOUT = 2  # s
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = False
CELERY_TASK_PUBLISH_RETRY = False
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_MAX_TASKS_PER_CHILD = 200
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TASK_SOFT_TIME_LIMIT = 900  # s; the last resort, decoders have limits of their own
CELERY_TASK_TIME_LIMIT = 960  # s
CELERY_TASK_DEFAULT_QUEUE = "work"
# The clock has a queue of its own, and a worker takes from both in turn: what it rings expires within
# seconds or minutes, and behind thousands of other bells would never be heard in time.
CLOCK = "clock"
CELERY_TASK_QUEUES = [
    Queue(name, Exchange(name), routing_key=name) for name in (CELERY_TASK_DEFAULT_QUEUE, CLOCK)
]
CELERY_BEAT_SCHEDULER = "academy.config.clock:Clock"
CELERY_BEAT_SCHEDULE = {
    task.rpartition(".")[2]: {"task": task, "schedule": every_s, "options": {"queue": CLOCK}}
    for task, every_s in {
        "analysis.jobs.tasks.sweep": 30.0,
        "academy.letters.tasks.sweep_letters": 60.0,
        "academy.members.tasks.sweep_members": 3600.0,
        "contests.tasks.publish_due": 15.0,
        "contests.tasks.sweep_prizes": 3600.0,
        "contests.tasks.sweep_reminders": 300.0,
        "analysis.intake.tasks.sweep_uploads": 900.0,
    }.items()
}

vars().update(environment.email(os.environ.get("EMAIL_URL", ""), DATA_DIR))

SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = SECURE_SSL_REDIRECT = HTTPS
SESSION_COOKIE_NAME = "__Host-session" if HTTPS else "session"
CSRF_COOKIE_NAME = "__Host-csrf" if HTTPS else "csrf"
SECURE_HSTS_SECONDS = 365 * 24 * 3600 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS
BEHIND_PROXY = environment.switch("BEHIND_PROXY", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF],
        "connect-src": [SELF],
        "font-src": [SELF],
        "media-src": [SELF, "blob:"],
        "worker-src": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": "INFO"},
    "loggers": {"celery.beat": {"level": "WARNING"}, "celery.worker.strategy": {"level": "WARNING"}},
}
