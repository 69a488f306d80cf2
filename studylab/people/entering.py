"""The way in after a password or a passkey: allauth's steps, and what they answer."""

from allauth.account.internal.flows.login import perform_password_login
from allauth.account.models import Login
from django.http import HttpRequest, HttpResponse

from studylab.people.models import User


def enter(request: HttpRequest, user: User, to: str) -> HttpResponse:
    """Go on after a right password: to the second step where the person has one, else in.

    `to` is a page of this site, or "".
    """
    answer: HttpResponse = perform_password_login(
        request, {}, Login(user=user, redirect_url=to or None)
    )
    return answer
