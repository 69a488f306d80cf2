"""The steps of a sign-in after the password, and the sign-in by a passkey alone."""

from collections.abc import Callable
from typing import Any

from allauth.account.internal.stagekit import clear_login
from allauth.mfa.base.views import AuthenticateView
from allauth.mfa.webauthn.forms import AuthenticateWebAuthnForm, LoginWebAuthnForm
from allauth.mfa.webauthn.views import LoginWebAuthnView
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from studylab.access import Cap, requires, while_locked, while_read_only
from studylab.people.adapters import passkeys_work
from studylab.people.selectors import blocked_words
from studylab.people.selectors.second_step import factors_of
from studylab.people.services.sign_in import note_refusal

_NONSENSE = (TypeError, ValueError, KeyError, AttributeError)
_NOT_THIS = "The passkey was not accepted. Try again, or sign in with your password."


def _careful(check: Callable[[], Any]) -> Any:
    """Return what a passkey proves. What a page never sends, a program may: refused, not a broken page."""
    try:
        return check()
    except _NONSENSE:
        raise ValidationError(_NOT_THIS) from None


class StepPasskeyForm(AuthenticateWebAuthnForm):
    """A passkey as the second step."""

    def clean_credential(self) -> Any:
        """Check what the passkey answered."""
        return _careful(super().clean_credential)


class PasskeySignInForm(LoginWebAuthnForm):
    """A passkey in place of password and second step."""

    def clean_credential(self) -> Any:
        """Check what the passkey answered, and whose it is."""
        return _careful(super().clean_credential)


@method_decorator(sensitive_post_parameters(), name="dispatch")
@method_decorator(while_locked, name="dispatch")
@method_decorator(while_read_only, name="dispatch")
@method_decorator(requires(Cap.ANYONE), name="dispatch")
class SecondStep(AuthenticateView):
    """Ask for the second step of somebody whose password fitted."""

    template_name = "people/second_step/ask.html"
    webauthn_form_class = StepPasskeyForm

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Take a code or a passkey, unless too many were wrong."""
        user = self.stage.login.user
        if words := blocked_words(user.email):
            clear_login(request)
            messages.error(request, words)
            return redirect("sign_in")
        if self.form.is_valid():
            answer: HttpResponse = self.form_valid(self.form)
            return answer
        note_refusal(user.email)
        response = self.render_to_response(self.get_context_data())
        response.status_code = 422
        return response

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """Say what the person has, and whether a passkey works under this address."""
        found = super().get_context_data(**kwargs)
        kinds = {one.kind for one in factors_of(self.stage.login.user)}
        return {
            **found, "has_codes": "totp" in kinds, "posted": self.form,
            "has_passkey": "webauthn" in kinds and passkeys_work(self.request),
        }  # fmt: skip


@method_decorator(sensitive_post_parameters(), name="dispatch")
@method_decorator(while_locked, name="dispatch")
@method_decorator(while_read_only, name="dispatch")
@method_decorator(requires(Cap.ANYONE), name="dispatch")
class PasskeySignIn(LoginWebAuthnView):
    """Sign in by a passkey alone: it is something that one has, opened by something that one knows or is."""

    form_class = PasskeySignInForm

    def form_invalid(self, form: Any) -> HttpResponse:
        """Note the refusal, of which nobody can say whose it was, and go back."""
        note_refusal("")
        messages.error(self.request, _NOT_THIS)
        return redirect("sign_in")


@requires(Cap.ANYONE)
@while_locked
@while_read_only
@require_POST
def step_back(request: HttpRequest) -> HttpResponse:
    """Give a sign-in up that waits for its second step."""
    clear_login(request)
    return redirect("sign_in")
