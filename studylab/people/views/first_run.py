"""The first page of a new site: makes the first account, once, for whoever holds the code from the server."""

from django.conf import settings
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires, system_actor
from studylab.http import answer_form, posted
from studylab.people.first_run_form import FirstRunForm
from studylab.people.models import User
from studylab.people.selectors.first_run import is_first_run
from studylab.people.services.first_run import first_account_make


@requires(Cap.ANYONE)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def first_run(request: HttpRequest) -> HttpResponse:
    """Take the first account; once anybody has one this page only leads to the sign-in."""
    if not is_first_run():
        return redirect("sign_in")
    form = FirstRunForm(posted(request))

    def write() -> User:
        data = form.cleaned_data
        user = first_account_make(
            code=data["code"], name=data["name"], email=data["email"], password=data["password1"],
            actor=system_actor("first run"),
        )  # fmt: skip
        login(request, user, backend=settings.AUTHENTICATION_BACKENDS[0])
        return user

    return answer_form(
        request,
        form=form,
        template="people/first_run.html",
        write=write,
        done=lambda _user: reverse("home_site"),
        message="The site is yours to set up. Begin with the first study.",
    )
