"""Taking all second steps from somebody who lost them, by an account administrator."""

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.errors import Refused
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.models import User
from studylab.people.second_step_forms import ResetForm
from studylab.people.selectors import user_by_email
from studylab.people.services.passwords import password_again
from studylab.people.services.second_step import second_steps_reset


@requires(Cap.ACCOUNTS_MANAGE)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def second_step_reset(request: StaffRequest) -> HttpResponse:
    """Take whose second steps go, why, and how it was made sure who is asking."""
    admin = request.user
    assert isinstance(admin, User)
    form = ResetForm(posted(request), initial={"email": request.GET.get("of", "")})

    def write() -> None:
        data = form.cleaned_data
        user = user_by_email(data["email"])
        if user is None:
            raise Refused("Nobody has an account with this address.", field="email")
        password_again(user=admin, password=data["password"], actor=request.actor)
        second_steps_reset(
            user=user, reason=data["reason"], checked=data["checked"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="people/second_step/reset.html", write=write,
        done=lambda _none: reverse("my_sign_in"),
        message="Done. They are signed out, and add a new second step at their next sign-in.",
        context={"cancel": reverse("my_sign_in")},
    )  # fmt: skip
