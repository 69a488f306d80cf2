"""The sign-in's own signals: noted on the trail, and on the list of who is signed in where. The only signals of the house."""

from typing import Any

from allauth.account.internal.flows.login import get_authentication_records
from allauth.mfa.models import Authenticator
from django.contrib.auth.signals import user_logged_in, user_logged_out, user_login_failed
from django.dispatch import receiver
from django.http import HttpRequest

from studylab.people.models import SignIn, User
from studylab.people.rules.browsers import browser_words
from studylab.people.selectors.devices import sign_in_of
from studylab.people.services.sign_in import note_refusal, note_sign_in, note_sign_out
from studylab.people.services.sign_ins import sign_in_begin, sign_in_end


@receiver(user_logged_in)
def on_sign_in(sender: Any, user: User, request: HttpRequest, **kwargs: Any) -> None:
    """Somebody signed in."""
    device = getattr(request, "device", None)
    how, browser = _how(request, user), browser_words(request.headers.get("User-Agent", ""))
    sign_in = sign_in_begin(user=user, device=device, how=how, browser=browser)
    request.session["sign_in"] = str(sign_in.uid)
    note_sign_in(user, device, how)


def _how(request: HttpRequest, user: User) -> str:
    """Return what this sign-in was made with; allauth keeps that in the session, step by step."""
    for record in reversed(get_authentication_records(request, user)):
        if record["method"] == "mfa":
            if record["type"] == Authenticator.Type.WEBAUTHN:
                return SignIn.How.PASSKEY if record.get("passwordless") else SignIn.How.KEY
            codes = record["type"] == Authenticator.Type.RECOVERY_CODES
            return SignIn.How.RECOVERY if codes else SignIn.How.CODE
    return SignIn.How.PASSWORD


@receiver(user_logged_out)
def on_sign_out(sender: Any, user: User | None, request: HttpRequest, **kwargs: Any) -> None:
    """Somebody signed out; `user` is None when the sign-in had ended before."""
    sign_in = sign_in_of(request.session.get("sign_in"))
    if sign_in is not None:
        how = getattr(request, "sign_out_how", SignIn.Ended.SIGNED_OUT)
        sign_in_end(sign_in=sign_in, how=how)
    if user is not None:
        note_sign_out(user)


@receiver(user_login_failed)
def on_refusal(sender: Any, credentials: dict[str, Any], **kwargs: Any) -> None:
    """A password did not fit, or nobody has that address."""
    note_refusal(str(credentials.get("username") or ""))
