"""Settings. Everything that differs between places comes from the environment, read strictly."""

from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

from kombu import Queue

from studylab import env
from studylab.backups.settings import backup_settings
from studylab.headers import SOURCES
from studylab.logs import logging_settings
from studylab.outbox.rules.return_path import base_problem
from studylab.request_counts import metrics_token
from studylab.sign_in_settings import *  # noqa: F403

BASE_DIR = Path(__file__).resolve().parent.parent
ENVIRONMENT = env.choice("STUDYLAB_ENV", ("demo", "test", "production"), "production")
PRODUCTION = ENVIRONMENT == "production"
STATE_DIR = Path(env.text("STUDYLAB_STATE_DIR", str(BASE_DIR / ".studylab")))

# A development key stands in outside production only; production has no default to fall back on.
_SPARE_KEY = b"only for demonstrations & tests!"
SECRET_KEY = env.text(
    "STUDYLAB_SECRET_KEY", None if PRODUCTION else "demonstration-only-" + "x" * 40
)
if PRODUCTION and (len(SECRET_KEY) < 50 or SECRET_KEY.startswith("demonstration-only")):
    raise env.EnvProblem("STUDYLAB_SECRET_KEY must be at least 50 random characters of your own.")
# Keys of before: what was made under them still opens. One a line, since a key may hold any other sign.
SECRET_KEY_FALLBACKS = env.lines("STUDYLAB_SECRET_KEY_FALLBACKS")
if PRODUCTION and any(len(one) < 50 or one == SECRET_KEY for one in SECRET_KEY_FALLBACKS):
    raise env.EnvProblem(
        "STUDYLAB_SECRET_KEY_FALLBACKS holds the keys before STUDYLAB_SECRET_KEY, one a line, each of at least 50 "
        "characters and another than it."
    )
ALLOCATION_KEY = env.key("STUDYLAB_ALLOCATION_KEY", None if PRODUCTION else _SPARE_KEY)
CONTACT_KEY = env.key("STUDYLAB_CONTACT_KEY", None if PRODUCTION else _SPARE_KEY[::-1])
if PRODUCTION and ALLOCATION_KEY == CONTACT_KEY:
    raise env.EnvProblem("STUDYLAB_ALLOCATION_KEY and STUDYLAB_CONTACT_KEY must differ.")
BACKUP = backup_settings(STATE_DIR, PRODUCTION, (ALLOCATION_KEY, CONTACT_KEY))

DEBUG = env.boolean("STUDYLAB_DEBUG", False)
if PRODUCTION and DEBUG:
    raise env.EnvProblem(
        "STUDYLAB_DEBUG must be false in production: error pages would show records."
    )
ALLOWED_HOSTS = env.words(
    "STUDYLAB_HOSTS", "" if PRODUCTION else "localhost,127.0.0.1,[::1],testserver"
)
if PRODUCTION and not ALLOWED_HOSTS:
    raise env.EnvProblem("STUDYLAB_HOSTS is not set: name the hosts this site answers to.")
# Where links in mails lead; no mail is made from a request, so no request can say it.
SITE_ADDRESS = env.text("STUDYLAB_ADDRESS", f"https://{ALLOWED_HOSTS[0].lstrip('.*')}").rstrip("/")
# Passkeys are bound to this name for good: a site that is renamed keeps the old one here, or all are lost.
PASSKEY_DOMAIN = env.text(
    "STUDYLAB_PASSKEY_DOMAIN", (urlsplit(SITE_ADDRESS).hostname or "") if PRODUCTION else ""
)

# Read in every place, so that nonsense stops the start.
if env.day("STUDYLAB_TODAY") and PRODUCTION:
    raise env.EnvProblem("STUDYLAB_TODAY is for demonstrations; server time rules in production.")
# The demonstration keeps its own time, so that its day's visits are there whenever it runs: `load_demo`
# writes how far its clock is from the real one. Everywhere else there is no such file and no offset.
_demo_clock = STATE_DIR / "demo-clock"
CLOCK_OFFSET = timedelta(
    seconds=int(_demo_clock.read_text("ascii"))
    if ENVIRONMENT == "demo" and _demo_clock.exists()
    else 0
)

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.postgres",
    "django.contrib.staticfiles",
    "django.forms",
    "crispy_forms",
    "crispy_bootstrap5",
    "django_htmx",
    "js_lib_bootstrap5",
    "pgtrigger",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "studylab",
    "studylab.operation",
    "studylab.audit",
    "studylab.people",
    "studylab.studies",
    "studylab.participants",
    "studylab.outbox",
    "studylab.allocation",
    "screening",
    "scheduling",
    "studylab.backups",
    "studylab.reports",
    "studylab.notices",
    "studylab.help",
]
MIDDLEWARE = [
    "studylab.logs.RequestLogMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "studylab.headers.PermissionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "studylab.participants.middleware.LinkMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "studylab.people.device_middleware.DeviceMiddleware",
    "studylab.people.middleware.StudyMiddleware",
    "studylab.operation.read_only.ReadOnlyMiddleware",
    "studylab.participants.middleware.KeptAwayMiddleware",
    "studylab.people.refusals.RefusalMiddleware",
    "studylab.audit.middleware.SubmissionMiddleware",
    "studylab.notices.middleware.NoticesMiddleware",
]
ROOT_URLCONF = "studylab.urls"
WSGI_APPLICATION = "studylab.wsgi.application"
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
                "studylab.people.context.page",
                "studylab.studies.context.notices",
            ],
            "builtins": ["studylab.templatetags.studylab"],
        },
    }
]
FORM_RENDERER = "django.forms.renderers.TemplatesSetting"
CRISPY_ALLOWED_TEMPLATE_PACKS = CRISPY_TEMPLATE_PACK = "bootstrap5"

DATABASES = {"default": env.database("DATABASE_URL")}
DATABASES["default"]["OPTIONS"] = {
    **DATABASES["default"]["OPTIONS"],  # type: ignore[dict-item]
    # A request never waits for ever on another's lock, nor runs for ever (gunicorn stops at 30 s). PostgreSQL compiles no
    # statement to machine code (jit): it takes longer than any page's statement runs.
    "options": "-c lock_timeout=8000 -c statement_timeout=15000 -c jit=off",
}
DATABASES["default"]["CONN_MAX_AGE"] = env.integer(
    # In tests a server's thread may outlive its test; no connection may.
    "STUDYLAB_CONN_MAX_AGE",
    0 if ENVIRONMENT == "test" else 60,
    low=0,
    high=3600,
)
# A session that PostgreSQL ended meanwhile is found before the page needs it: a restart breaks no page. One "SELECT 1" a request.
DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

LANGUAGE_CODE = "en"
LANGUAGES = [("en", "English"), ("fr-ca", "Français (Canada)")]
LOCALE_PATHS = [BASE_DIR / "studylab" / "locale"]
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"  # the study's own zone is activated per request

STATIC_URL = "static/"
# Tests take static files from where they lie, so nothing is collected for them.
STATIC_ROOT = None if ENVIRONMENT == "test" else STATE_DIR / "static"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if ENVIRONMENT == "test"
        else "studylab.static_files.HashedFiles"
    },
}
# Looked up when asked for: else each test's client would read all of them first.
WHITENOISE_USE_FINDERS = WHITENOISE_AUTOREFRESH = ENVIRONMENT == "test"

# Plain http serves demonstrations on this machine; a site runs behind TLS and says so by STUDYLAB_ENV.
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = PRODUCTION
SESSION_COOKIE_NAME = "__Host-session" if PRODUCTION else "studylab_session"
CSRF_COOKIE_NAME = "__Host-csrf" if PRODUCTION else "studylab_csrf"
DEVICE_COOKIE_NAME = "__Host-device" if PRODUCTION else "studylab_device"
LINK_COOKIE_NAME = "__Host-link" if PRODUCTION else "studylab_link"
LANGUAGE_COOKIE_NAME = "__Host-language" if PRODUCTION else "studylab_language"
CSRF_COOKIE_HTTPONLY = True
CSRF_FAILURE_VIEW = "studylab.people.views.errors.csrf_failed"
SECURE_SSL_REDIRECT = PRODUCTION and env.boolean("STUDYLAB_SSL_REDIRECT", True)
# Whoever watches the site asks the process itself, by plain http, and is told one word.
SECURE_REDIRECT_EXEMPT = [r"^healthz/"]
SECURE_HSTS_SECONDS = (
    env.integer("STUDYLAB_HSTS_SECONDS", 3600, low=0, high=63072000) if PRODUCTION else 0
)
SECURE_HSTS_INCLUDE_SUBDOMAINS = PRODUCTION and env.boolean("STUDYLAB_HSTS_SUBDOMAINS", False)
BEHIND_PROXY = PRODUCTION and env.boolean("STUDYLAB_BEHIND_PROXY", False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
CONTENT_SECURITY_POLICY = {"DIRECTIVES": SOURCES}
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"
DATA_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024

# Mail is off until a server is named; until then messages wait, and the page of messages says so.
SMTP_HOST = env.text("STUDYLAB_SMTP_HOST", "")
SMTP_SECURITY = env.choice("STUDYLAB_SMTP_SECURITY", ("starttls", "tls", "none"), "starttls")
_usual_port = {"tls": 465, "starttls": 587, "none": 25}[SMTP_SECURITY]
SMTP_PORT = env.integer("STUDYLAB_SMTP_PORT", _usual_port, low=1, high=65535)
SMTP_USER = env.text("STUDYLAB_SMTP_USER", "")
SMTP_PASSWORD = env.text("STUDYLAB_SMTP_PASSWORD", "" if not SMTP_USER else None)
SMTP_SECONDS = env.integer("STUDYLAB_SMTP_SECONDS", 20, low=1, high=60)
MAIL_FROM = env.mail_address("STUDYLAB_MAIL_FROM", None if SMTP_HOST else "")
if (
    PRODUCTION
    and SMTP_SECURITY == "none"
    and SMTP_HOST not in ("", "localhost", "127.0.0.1", "::1")
):
    raise env.EnvProblem(
        "STUDYLAB_SMTP_SECURITY=none sends names and times in the clear: use starttls or tls, "
        "or a mail server on this machine."
    )
if SMTP_USER and SMTP_SECURITY == "none":
    raise env.EnvProblem("STUDYLAB_SMTP_USER needs STUDYLAB_SMTP_SECURITY starttls or tls.")
# Where mails that could not be delivered come back to, with a token for each; "" when the site reads none of them.
MAIL_BOUNCES = env.mail_address("STUDYLAB_MAIL_BOUNCES", "")
if MAIL_BOUNCES and base_problem(MAIL_BOUNCES):
    raise env.EnvProblem(f"STUDYLAB_MAIL_BOUNCES: {base_problem(MAIL_BOUNCES)}")
# Short messages are off until a gateway is named. Its token comes from the environment only.
TEXT_URL = env.web_address("STUDYLAB_TEXT_URL", secure=PRODUCTION)
TEXT_TOKEN = env.text("STUDYLAB_TEXT_TOKEN", "")
TEXT_METHOD = env.choice("STUDYLAB_TEXT_METHOD", ("POST", "PUT"), "POST")
TEXT_SENDER = env.text("STUDYLAB_TEXT_SENDER", "")
TEXT_NAMES = env.pairs(
    "STUDYLAB_TEXT_NAMES",
    ("to", "text", "reference", "sender"),
    "to=to,text=text,reference=reference",
)
if not {"to", "text"} <= set(TEXT_NAMES):
    raise env.EnvProblem("STUDYLAB_TEXT_NAMES must name to and text: to=recipient,text=body.")
if ENVIRONMENT == "demo" and (SMTP_HOST or TEXT_URL):
    raise env.EnvProblem(
        "A demonstration sends nothing to anybody, since its people are invented and their addresses may be real: "
        "unset STUDYLAB_SMTP_HOST and STUDYLAB_TEXT_URL."
    )

REDIS_URL = env.text("REDIS_URL", "")
CELERY_BROKER_URL = REDIS_URL or "filesystem://"
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
if not REDIS_URL:
    _broker = STATE_DIR / "broker"
    # The same folder for in and out: every process of this machine writes and reads there.
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "data_folder_in": str(_broker / "messages"),
        "data_folder_out": str(_broker / "messages"),
        "control_folder": str(_broker / "control"),
        "store_processed": False,
    }
# What is sent has a queue of its own, so that a slow mail server keeps no tick waiting. A worker hears both unless -Q names one.
CELERY_TASK_QUEUES = [Queue("celery"), Queue("sends")]
CELERY_TASK_ROUTES = {"outbox.send": {"queue": "sends"}}
CELERY_TASK_IGNORE_RESULT = True
CELERY_WORKER_ENABLE_REMOTE_CONTROL = False
CELERY_WORKER_SEND_TASK_EVENTS = False
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TIMEZONE = "UTC"
CELERY_TASK_TIME_LIMIT = 600
CELERY_BEAT_SCHEDULE = {
    # Ticks only knock; what is due is decided by a query, so a lost or doubled tick does no harm.
    "tick": {"task": "operation.tick", "schedule": 60.0},
    "seal-audit": {"task": "audit.seal", "schedule": 60.0},
    "verify-audit": {"task": "audit.verify", "schedule": 60.0},
    "check-lists": {"task": "allocation.check_lists", "schedule": 600.0},
    "reassess-outdated": {"task": "screening.reassess_outdated", "schedule": 120.0},
    "sweep-scheduling": {"task": "scheduling.sweep", "schedule": 60.0},
    "plan-messages": {"task": "outbox.plan", "schedule": 600.0},
    "send-messages": {"task": "outbox.tick", "schedule": 15.0},
    "sweep-messages": {"task": "outbox.sweep", "schedule": 60.0},
    "stand-notices": {"task": "notices.stand", "schedule": 60.0},
    "make-backups": {"task": "backups.tick", "schedule": 60.0},
    "sweep-exports": {"task": "reports.sweep", "schedule": 60.0},
}

# Figures about the site are handed out to whoever brings this token; without one there are none, and nothing is counted.
METRICS_TOKEN = metrics_token(STATE_DIR / "figures")

LOGGING = logging_settings(
    env.choice("STUDYLAB_LOG", ("json", "line"), "json" if PRODUCTION else "line"),
    "INFO" if ENVIRONMENT != "test" else "WARNING",
)
# Whether other hosts of the domain speak TLS only, and whether browsers are to know it in advance, is for the site to say.
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W021"]
