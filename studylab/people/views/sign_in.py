"""Signing in and out, one's own password, and the first page after sign-in."""

from typing import Any

from allauth.core import ratelimit
from django.conf import settings
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import NoReverseMatch, reverse
from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires, while_locked, while_read_only
from studylab.http import answer_form, posted
from studylab.people.adapters import passkeys_work
from studylab.people.entering import enter
from studylab.people.forms import PasswordForm, SignInForm
from studylab.people.models import User
from studylab.people.selectors import studies_of
from studylab.people.selectors.devices import quick_people
from studylab.people.selectors.first_run import is_first_run
from studylab.people.selectors.invitations import invitations_for
from studylab.people.selectors.second_step import password_minimum
from studylab.people.services.accounts import password_change as change
from studylab.people.services.passwords import password_again
from studylab.people.views.errors import too_many
from studylab.people.views.lock import DeviceRequest


@method_decorator(while_read_only, name="dispatch")
@method_decorator(requires(Cap.ANYONE), name="dispatch")
class SignIn(LoginView):
    """Sign in by e-mail address and password."""

    template_name = "people/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Lead to the first run while nobody could sign in."""
        if is_first_run():
            return redirect("first_run")
        return super().get(request, *args, **kwargs)

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """Add whom this device knows, so that nobody types an address on a tablet."""
        device = self.request.device  # type: ignore[attr-defined]
        known = quick_people(device) if device is not None else []
        return super().get_context_data(**kwargs) | {
            "device": device, "known": known, "passkeys": passkeys_work(self.request),
            "waived": settings.SECOND_STEP_WAIVED,
        }  # fmt: skip

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Take address and password, unless this network tried too often."""
        if not ratelimit.consume(request, action="login"):
            return too_many(request)
        return super().post(request, *args, **kwargs)

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """Go on to the second step, or in."""
        user = form.get_user()
        assert isinstance(user, User)
        return enter(self.request, user, self.get_redirect_url())

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        """Show the form again; 429 while the address is closed."""
        response = self.render_to_response(self.get_context_data(form=form))
        response.status_code = 429 if getattr(form, "blocked", False) else 422
        return response


@method_decorator(while_locked, name="dispatch")
@method_decorator(while_read_only, name="dispatch")
@method_decorator(requires(Cap.ANYONE), name="dispatch")
class SignOut(LogoutView):
    """End the sign-in; by POST only. Open to anyone, so that a sign-in that ended meanwhile is no error."""


@requires(Cap.SIGNED_IN)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def password_change(request: DeviceRequest) -> HttpResponse:
    """Choose a new password; the first thing after a starting password."""
    user = request.user
    assert isinstance(user, User)
    form = PasswordForm(posted(request))

    def write() -> User:
        old = form.cleaned_data["old_password"]
        password_again(user=user, password=old, actor=request.actor, field="old_password")
        changed = change(
            user=user,
            old=old,
            new=form.cleaned_data["new_password1"],
            sign_in=request.sign_in,
            actor=request.actor,
        )
        update_session_auth_hash(request, changed)
        return changed

    return answer_form(
        request,
        form=form,
        template="people/password_change.html",
        write=write,
        done=lambda _user: reverse("home_site"),
        message="Your new password counts from now on.",
        context={"first": user.must_change_password, "minimum": password_minimum(user)},
    )


@requires(Cap.SIGNED_IN)
@require_GET
def home_site(request: HttpRequest) -> HttpResponse:
    """Show the studies somebody works in, or go straight to the only one; what they are invited to comes first."""
    assert isinstance(request.user, User)
    if "later" not in request.GET and invitations_for(request.user):
        return redirect("own_invitations")
    studies = list(studies_of(request.user))
    if len(studies) == 1:
        try:
            return redirect("home", study=studies[0].slug)
        except NoReverseMatch:
            return redirect("set_up", study=studies[0].slug)
    return render(request, "people/studies.html", {"studies": studies})
