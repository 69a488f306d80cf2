"""Inviting people to a study: the list, one more, the link again, withdrawing."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studylab.access import ROLE_NAMES, Cap, Role, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.invitation_forms import InvitationForm, WithdrawForm
from studylab.people.invite_mail import invitation_mail
from studylab.people.models import Invitation
from studylab.people.rules.invitations import STATE_WORDS, InvitationState
from studylab.people.selectors import today_in
from studylab.people.selectors.invitations import (
    access_invitation,
    invitation_address,
    invitations_of_study,
    state_of,
)
from studylab.people.services.invitations import (
    invitation_make,
    invitation_send_again,
    invitation_withdraw,
)
from studylab.squares import qr_picture

_SHAPES = {InvitationState.OPEN: "wait", InvitationState.ACCEPTED: "ok"}


def roles_in_words(invitation: Invitation) -> str:
    """Return the roles of an invitation for people to read."""
    return ", ".join(ROLE_NAMES[Role(role)] for role in invitation.roles)


def _list(study: str) -> str:
    return reverse("people_invitations", kwargs={"study": study})


@requires(Cap.PEOPLE_MANAGE)
@require_safe
def invitations(request: StaffRequest, study: str) -> HttpResponse:
    """List every invitation with what became of it."""
    rows = list(invitations_of_study(request.study))
    mail = invitation_mail()
    mails = mail.states([row for row in rows if row.ended_at is None and not row.handed_over])
    shown = []
    for row in rows:
        state, mailed = state_of(row), mails.get(row.pk)
        failed = mailed is not None and mailed.failed
        shown.append({
            "row": row, "roles": roles_in_words(row), "state": STATE_WORDS[state],
            "shape": "stop" if failed else _SHAPES.get(state, "info"), "mail": mailed,
            "by_hand": mail.is_on() and failed, "unended": row.ended_at is None,
        })  # fmt: skip
    context = {"rows": shown, "mail_is_on": mail.is_on()}
    return render(request, "people/invitations/list.html", context)


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def people_add(request: StaffRequest, study: str) -> HttpResponse:
    """Invite somebody; where mail is off the link is shown once, in this answer."""
    form = InvitationForm(posted(request), today=today_in(request.study.timezone))
    return answer_form(
        request, form=form, template="people/invitations/add.html",
        write=lambda: invitation_make(study=request.study, actor=request.actor, **form.cleaned_data),
        done=lambda made: invitation_sent(request, made, _list(study)),
        context={"mail_is_on": invitation_mail().is_on(), "cancel": reverse("people", args=[study])},
    )  # fmt: skip


@requires(Cap.PEOPLE_MANAGE)
@require_POST
def invitation_again(request: StaffRequest, study: str, invitation: UUID) -> HttpResponse:
    """Make a new link for an invitation; the one before it is closed."""
    row = access_invitation(request.study, invitation)
    by_hand = "by_hand" in request.POST
    made = invitation_send_again(invitation=row, by_hand=by_hand, actor=request.actor)
    return invitation_sent(request, made, _list(study))


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def invitation_end(request: StaffRequest, study: str, invitation: UUID) -> HttpResponse:
    """Withdraw an invitation, after asking."""
    row = access_invitation(request.study, invitation)
    form = WithdrawForm(posted(request))
    return answer_form(
        request, form=form, template="people/invitations/withdraw.html",
        write=lambda: invitation_withdraw(
            invitation=row, reason=form.cleaned_data["reason"], actor=request.actor
        ),
        done=lambda _row: _list(study), message=f"The invitation of {row.name} is withdrawn.",
        context={
            "row": row, "roles": roles_in_words(row), "state": STATE_WORDS[state_of(row)],
            "unended": row.ended_at is None, "cancel": _list(study),
        },
    )  # fmt: skip


def invitation_sent(request: StaffRequest, invitation: Invitation, back: str) -> HttpResponse:
    """Say that the link is on its way, or show it this once, to be handed over."""
    if not invitation.handed_over:
        messages.success(request, f"An invitation is on its way to {invitation.email}.")
        return redirect(back)
    address = invitation_address(invitation)
    context = {
        "row": invitation, "roles": roles_in_words(invitation), "address": address, "back": back,
        "picture": qr_picture(address),
    }  # fmt: skip
    return render(request, "people/invitations/hand_over.html", context)
