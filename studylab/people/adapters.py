"""How allauth fits into this house: no sign-up, its messages and mails left to us, secrets sealed, one fixed passkey name."""

import ipaddress
import logging
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import generate_totp_secret
from cryptography.fernet import InvalidToken
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from studylab.http import client_address
from studylab.people.secrets import sealer
from studylab.squares import qr_picture

_log = logging.getLogger(__name__)
WRONG = (
    "This does not fit. A one-time code counts once and for about a minute: wait for the next one. "
    "A recovery code counts once."
)


class AccountAdapter(DefaultAccountAdapter):
    """The account part: used for the steps of a sign-in and for counting attempts by network address."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Nobody makes an account for themselves."""
        return False

    def get_login_stages(self) -> list[str]:
        """Return what follows the password: the second step, and nothing else."""
        return ["allauth.mfa.stages.AuthenticateStage"]

    def add_message(self, *args: Any, **kwargs: Any) -> None:
        """Say nothing: our pages say what happened themselves."""

    def send_notification_mail(self, *args: Any, **kwargs: Any) -> None:
        """Send nothing: our services tell people through the outbox."""

    def respond_user_inactive(self, request: HttpRequest, user: Any) -> HttpResponse:
        """Answer a closed account as a wrong key."""
        messages.error(request, "This account is closed. Ask the study lead.")
        return redirect("sign_in")

    def get_client_ip(self, request: HttpRequest) -> str:
        """Return the network address that attempts are counted by; behind a socket without one they share a count."""
        return client_address(request) or "unknown"


class MfaAdapter(DefaultMFAAdapter):
    """The second step: secrets are sealed at rest, and passkeys belong to one fixed name."""

    error_messages = DefaultMFAAdapter.error_messages | {"incorrect_code": WRONG}

    def encrypt(self, text: str) -> str:
        """Seal a secret for the database, under a key derived from the site's own."""
        return sealer().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        """Open a sealed secret. One that cannot be opened becomes a secret that nobody knows, so nothing fits it."""
        try:
            return sealer().decrypt(encrypted_text.encode()).decode()
        except InvalidToken:
            _log.error(
                "A second step cannot be read: STUDYLAB_SECRET_KEY changed since. Put the key of before into "
                "STUDYLAB_SECRET_KEY_FALLBACKS, or its owner needs a new one."
            )
            return str(generate_totp_secret())

    def build_totp_svg(self, url: str) -> str:
        """Return the drawing that an authenticator app reads, as a data address."""
        return qr_picture(url)

    def get_public_key_credential_rp_entity(self) -> dict[str, str]:
        """Return what passkeys are bound to: the site's name of record, or the host in demonstrations."""
        return {"id": passkey_domain(context.request), "name": "Studylab"}


def passkey_domain(request: HttpRequest) -> str:
    """Return the name that passkeys of this site belong to."""
    return (
        str(settings.PASSKEY_DOMAIN) or request.get_host().rpartition(":")[0] or request.get_host()
    )


def passkeys_work(request: HttpRequest) -> bool:
    """Whether browsers allow passkeys here: over https under the site's name, or on "localhost"."""
    host = request.get_host().partition(":")[0]
    try:
        ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        pass
    else:
        return False
    domain = passkey_domain(request)
    if host != domain and not host.endswith(f".{domain}"):
        return False
    return request.is_secure() or host == "localhost"


def has_factor(user: Any, *, besides: int | None = None) -> bool:
    """Whether somebody can give a second step; recovery codes alone are none."""
    rows = Authenticator.objects.filter(user=user).exclude(type=Authenticator.Type.RECOVERY_CODES)
    return bool(rows.exclude(pk=besides).exists())
