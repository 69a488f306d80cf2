"""Accepting and declining an invitation: the constraints of roles are asked once more here."""

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Role, system_actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Invitation, User
from studylab.people.selectors import today_in, user_by_email
from studylab.people.services.invitations import end, note, require_open
from studylab.people.services.passwords import password_set
from studylab.people.services.roles import grant


@service
@sensitive_variables()
def invitation_accept_new(
    *, invitation: Invitation, turn: int, password: str, actor: Actor
) -> User:
    """Make the account of somebody who had none and give the roles. `turn` is that of the link that was shown.

    The actor is the house: nobody is signed in yet. What follows is on the trail in the person's own name.
    """
    if not actor.is_system:
        raise NotAllowed("Sign out first: an account is made by the person it is for.")
    invitation = _locked(invitation)
    if invitation.turn != turn:
        raise Conflict("This link was replaced by a newer one. Look for the newest message.")
    if user_by_email(invitation.email) is not None:
        raise Conflict("There is an account with this e-mail address. Sign in to accept.")
    user = User(name=invitation.name, email=invitation.email, added_at=clock.now())
    password_set(user=user, new=password, field="password1")
    user.save()
    person = Actor(user_id=user.pk, label=user.name, study_id=invitation.study_id)
    audit(
        actor=person, action=Action.USER_ADDED, subject_type="person", subject_code=user.pk,
        data={"person": user.name, "invitation": str(invitation.uid)},
    )  # fmt: skip
    _take(invitation, user, person)
    return user


def invitation_house() -> Actor:
    """Return the actor of whoever accepts before they have an account."""
    return system_actor("invitation")


@service
def invitation_accept(*, invitation: Invitation, actor: Actor) -> Invitation:
    """Give the roles to somebody who has an account and is signed in with it."""
    invitation = _locked(invitation)
    user = _invited(invitation, actor)
    _take(invitation, user, actor)
    return invitation


@service
def invitation_decline(*, invitation: Invitation, actor: Actor) -> Invitation:
    """Decline, for somebody who has an account and is signed in with it."""
    invitation = _locked(invitation)
    _invited(invitation, actor)
    end(invitation, Invitation.Ended.DECLINED, by=actor.user_id)
    note(actor, Action.INVITATION_DECLINED, invitation, {})
    return invitation


def _locked(invitation: Invitation) -> Invitation:
    locked: Invitation = lock(Invitation, "study", "sent_by", pk=invitation.pk)
    require_open(locked)
    return locked


def _invited(invitation: Invitation, actor: Actor) -> User:
    """Return the actor's user if the invitation is to them."""
    user = User.objects.filter(pk=actor.user_id or 0, is_active=True).first()
    if user is None or user.email.casefold() != invitation.email.casefold():
        raise NotAllowed("This invitation is for somebody else.", code="invitation")
    return user


def _take(invitation: Invitation, user: User, actor: Actor) -> None:
    """Give every role of the invitation, from today at the earliest: nobody had access before they accepted."""
    today = today_in(invitation.study.timezone)
    if invitation.ends_on is not None and invitation.ends_on < today:
        raise Refused("The days you were invited for are over. Ask for another invitation.")
    for role in invitation.roles:
        grant(
            study=invitation.study, user=user, role=Role(role),
            starts_on=max(invitation.starts_on, today), ends_on=invitation.ends_on,
            granted_by=invitation.sent_by_id, actor=actor,
        )  # fmt: skip
    end(invitation, Invitation.Ended.ACCEPTED, by=user.pk)
    note(actor, Action.INVITATION_ACCEPTED, invitation, {
        "handed_over": invitation.handed_over, "rules": invitation.rules,
    })  # fmt: skip
