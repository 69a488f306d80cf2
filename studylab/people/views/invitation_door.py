"""Where somebody answers an invitation: by its link without an account, or signed in with the one they have.

The secret stands behind the "#" and travels in forms, never in an address that a server sees.
"""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studylab.access import Cap, requires
from studylab.errors import StudylabError
from studylab.http import StaffRequest, take_refusal
from studylab.people.invitation_forms import InvitationDoorForm, NewAccountForm
from studylab.people.models import Invitation, User
from studylab.people.rules.account_rules import ACCOUNT_RULES
from studylab.people.selectors import user_by_email
from studylab.people.selectors.invitations import (
    access_own_invitation,
    invitation_of_secret,
    invitations_for,
)
from studylab.people.services.invitation_answers import (
    invitation_accept,
    invitation_accept_new,
    invitation_decline,
    invitation_house,
)
from studylab.people.views.invitations import roles_in_words


@requires(Cap.ANYONE)
@require_http_methods(["GET", "POST"])
@sensitive_post_parameters()
def door(request: HttpRequest) -> HttpResponse:
    """Show the door, or what is behind a link that was shown at it."""
    if request.method == "GET":
        return _door(request, InvitationDoorForm())
    form = InvitationDoorForm(request.POST)
    invitation = invitation_of_secret(form.cleaned_data["token"]) if form.is_valid() else None
    if invitation is None:
        return _closed(request)
    return _account(request, invitation, NewAccountForm(initial=form.cleaned_data))


@requires(Cap.ANYONE)
@require_POST
@sensitive_post_parameters()
def accept(request: HttpRequest) -> HttpResponse:
    """Make the account of somebody who had none, and lead to the sign-in."""
    form = NewAccountForm(request.POST)
    valid = form.is_valid()
    invitation = invitation_of_secret(form.cleaned_data.get("token", ""))
    if invitation is None:
        return _closed(request)
    status = 422
    if valid and not request.user.is_authenticated:
        try:
            user = invitation_accept_new(
                invitation=invitation, turn=invitation.turn,
                password=form.cleaned_data["password1"], actor=invitation_house(),
            )  # fmt: skip
        except StudylabError as refusal:
            take_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, f"Your account is made, {user.name}. Sign in with it now.")
            return redirect("sign_in")
    return _account(request, invitation, form, status)


@requires(Cap.SIGNED_IN)
@require_safe
def own_invitations(request: StaffRequest) -> HttpResponse:
    """List the open invitations to whoever is signed in."""
    assert isinstance(request.user, User)
    rows = [(row, roles_in_words(row)) for row in invitations_for(request.user)]
    return render(request, "people/invitations/own.html", {"rows": rows, "rules": ACCOUNT_RULES})


@requires(Cap.SIGNED_IN)
@require_POST
def own_accept(request: StaffRequest, invitation: UUID) -> HttpResponse:
    """Accept an invitation with the account one is signed in with."""
    assert isinstance(request.user, User)
    row = access_own_invitation(request.user, invitation)
    invitation_accept(invitation=row, actor=request.actor)
    messages.success(request, f"You are {roles_in_words(row)} in {row.study.short_title}.")
    return redirect("home_site")


@requires(Cap.SIGNED_IN)
@require_POST
def own_decline(request: StaffRequest, invitation: UUID) -> HttpResponse:
    """Decline an invitation."""
    assert isinstance(request.user, User)
    row = access_own_invitation(request.user, invitation)
    invitation_decline(invitation=row, actor=request.actor)
    messages.success(request, f"You declined to work in {row.study.short_title}.")
    return redirect("home_site")


def _door(request: HttpRequest, form: InvitationDoorForm, status: int = 200) -> HttpResponse:
    return _plain(render(request, "people/invitations/door.html", {"form": form}, status=status))


def _closed(request: HttpRequest) -> HttpResponse:
    """One answer to every link that does not open: wrong, used, withdrawn, replaced and run out look alike."""
    return _plain(render(request, "people/invitations/closed.html", status=422))


def _account(
    request: HttpRequest, invitation: Invitation, form: NewAccountForm, status: int = 200
) -> HttpResponse:
    """Show what somebody is invited to, and how they accept: with a new account or with the one they have."""
    context = {
        "row": invitation, "roles": roles_in_words(invitation), "form": form, "rules": ACCOUNT_RULES,
        "known": user_by_email(invitation.email) is not None,
        "mine": request.user.is_authenticated and request.user.email.casefold() == invitation.email.casefold(),
        "sign_in": f"{reverse('sign_in')}?next={reverse('own_invitations')}",
    }  # fmt: skip
    return _plain(render(request, "people/invitations/accept.html", context, status=status))


def _plain(response: HttpResponse) -> HttpResponse:
    """Keep pages of a link out of caches and search engines."""
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Robots-Tag"] = "noindex, nofollow"
    return response
