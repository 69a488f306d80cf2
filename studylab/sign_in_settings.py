"""Settings of the sign-in: passwords, second steps, how long a sign-in lasts. `settings` takes them over."""

from datetime import timedelta

from studylab import env

ENVIRONMENT = env.choice("STUDYLAB_ENV", ("demo", "test", "production"), "production")
PRODUCTION = ENVIRONMENT == "production"

AUTH_USER_MODEL = "people.User"
LOGIN_URL = "sign_in"
LOGIN_REDIRECT_URL = "home_site"
LOGOUT_REDIRECT_URL = "sign_in"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "studylab.people.password_validator.HouseValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator",
        "OPTIONS": {"user_attributes": ("name", "email")},
    },
]
if ENVIRONMENT == "test":
    PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
elif ENVIRONMENT == "demo":
    # Its passwords are printed on the screen; a hundred signatures should not take a minute.
    PASSWORD_HASHERS = ["studylab.people.hashers.DemonstrationHasher"]

# Who must give a second step is in `people.rules.second_step`. Demonstrations and most tests go without, and every
# page of the sign-in says so there.
SECOND_STEP_WAIVED = env.boolean("STUDYLAB_SECOND_STEP_WAIVED", not PRODUCTION)
if PRODUCTION and SECOND_STEP_WAIVED:
    raise env.EnvProblem(
        "STUDYLAB_SECOND_STEP_WAIVED is for demonstrations; in production pharmacists and clinicians "
        "sign in with a second step."
    )

# NIST SP 800-63B-4, AAL2: at most 24 h in all, and an hour without an act, are what should be. A day in the lab is 12 h.
SESSION_COOKIE_AGE = env.integer("STUDYLAB_SESSION_SECONDS", 12 * 3600, low=300, high=86400)
SIGN_IN_LONGEST = timedelta(seconds=SESSION_COOKIE_AGE)
SIGN_IN_IDLE = timedelta(seconds=env.integer("STUDYLAB_IDLE_SECONDS", 3600, low=300, high=14400))
if (
    ENVIRONMENT == "test"
):  # they travel through weeks within one sign-in; those of the limits set their own
    SIGN_IN_IDLE = SIGN_IN_LONGEST = timedelta(days=3650)

# What counts attempts and remembers used codes must be the same for every process.
CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.db.DatabaseCache",
        "LOCATION": "studylab_cache",
        "OPTIONS": {"MAX_ENTRIES": 100_000},
    }
}
ACCOUNT_ADAPTER = "studylab.people.adapters.AccountAdapter"
ACCOUNT_USER_MODEL_USERNAME_FIELD = "email"
# Its own forms for passwords and signing up are not in use; these two satisfy its checks.
ACCOUNT_LOGIN_METHODS = {"username"}
ACCOUNT_SIGNUP_FIELDS = ["username*", "password1*"]
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_LOGIN_TIMEOUT = 600  # seconds between the password and the second step
# Wrong passwords and codes are counted on the trail, address by address (`sign_in_blocked_until`).
ACCOUNT_RATE_LIMITS = {"login": "60/m/ip", "login_failed": None}
MFA_ADAPTER = "studylab.people.adapters.MfaAdapter"
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_PASSKEY_LOGIN_ENABLED = True
MFA_WEBAUTHN_USER_VERIFICATION = "required"
MFA_ALLOW_UNVERIFIED_EMAIL = True  # addresses come from the study lead, not from a sign-up
MFA_RATE_LIMITS = {"webauthn_login": "60/m/ip"}
MFA_TOTP_TOLERANCE = 1  # steps of 30 s before and after: RFC 6238, 5.2
MFA_TOTP_ISSUER = "Studylab"
MFA_RECOVERY_CODE_COUNT = 10
MFA_RECOVERY_CODE_DIGITS = 12
