"""Inviting people to a study, sending the link again, withdrawing it."""

from datetime import date
from typing import TYPE_CHECKING

from studylab import clock
from studylab.access import ROLE_NAMES, UNBLINDED_ROLES, Actor, Cap, Role
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.invite_mail import invitation_mail
from studylab.people.models import Invitation, User
from studylab.people.rules.account_rules import IDENTITY, RULES_DIGEST
from studylab.people.rules.invitations import (
    OPEN_FOR,
    InvitationState,
    both_sides,
    in_order,
    invitation_secret,
    secret_digest,
)
from studylab.people.selectors import blind_clash, today_in, user_by_email
from studylab.people.selectors.invitations import has_lead, invitation_key, state_of
from studylab.people.services.accounts import refuse_bad_address
from studylab.people.services.roles import BLIND_CLASH, overlapping, require_in

if TYPE_CHECKING:
    from studylab.studies.models import Study

_ENDED = "This invitation has ended. Make another one."


@service
def invitation_make(
    *,
    study: "Study",
    name: str,
    email: str,
    identity: str,
    roles: list[Role],
    starts_on: date,
    ends_on: date | None = None,
    actor: Actor,
) -> Invitation:
    """Invite somebody to take roles in a study, by mail, or by a link to hand over where mail is off.

    `identity` is how whoever invites knows who they are, a key of IDENTITY: roles bring the right to sign.

    Whether the address has an account elsewhere makes no difference here and is told to nobody.
    """
    require_inviter(actor, study, roles)
    name, email = " ".join(name.split()), email.strip()
    if not name:
        raise Refused("Enter the person's full name.", field="name")
    refuse_bad_address(email)
    _refuse_unknown(identity)
    _refuse_bad_days(study, starts_on, ends_on)
    chosen = in_order([role.value for role in roles], [role.value for role in Role])
    _refuse_bad_roles(study, email, [Role(one) for one in chosen], starts_on, ends_on)
    _refuse_second(study, email)
    now = clock.now()
    invitation = Invitation(
        study=study, name=name, email=email, identity=identity, roles=chosen, starts_on=starts_on, ends_on=ends_on,
        invited_at=now,
    )  # fmt: skip
    _send(invitation, turn=1, by_hand=not invitation_mail().is_on(), actor=actor)
    note(actor, Action.INVITED, invitation, {
        "roles": chosen, "identity": identity, "starts_on": starts_on.isoformat(),
        "ends_on": ends_on.isoformat() if ends_on else None, "handed_over": invitation.handed_over,
    })  # fmt: skip
    return invitation


@service
def invitation_send_again(
    *, invitation: Invitation, by_hand: bool = False, actor: Actor
) -> Invitation:
    """Make a new link, open for another week, in the name of whoever sends it; the link before it is closed.

    `by_hand` shows it once instead of mailing it: only where mail is off or did not go out, since whoever sees the
    link could choose the password.
    """
    require_inviter(actor, invitation.study, [Role(role) for role in invitation.roles])
    invitation = lock(Invitation, "study", "sent_by", pk=invitation.pk)
    if invitation.ended_at is not None:
        raise Conflict(_ENDED)
    mail = invitation_mail()
    before = mail.states([invitation]).get(invitation.pk)
    if by_hand and mail.is_on() and not (before is not None and before.failed):
        raise Refused("The link goes out by mail. It is shown only when a mail did not go out.")
    mail.drop(invitation, "Another link was made.")
    by_hand = by_hand or not mail.is_on()
    _send(invitation, turn=invitation.turn + 1, by_hand=by_hand, actor=actor)
    note(
        actor,
        Action.INVITED_AGAIN,
        invitation,
        {"turn": invitation.turn, "handed_over": invitation.handed_over},
    )
    return invitation


@service
def invitation_withdraw(*, invitation: Invitation, reason: str, actor: Actor) -> Invitation:
    """Close an invitation for good, at once."""
    require_inviter(actor, invitation.study, [Role(role) for role in invitation.roles])
    invitation = lock(Invitation, "study", "sent_by", pk=invitation.pk)
    if invitation.ended_at is not None:
        raise Conflict("This invitation has ended already.")
    if not reason.strip():
        raise Refused("Say why the invitation is withdrawn.", field="reason")
    invitation_mail().drop(invitation, "The invitation was withdrawn.")
    end(invitation, Invitation.Ended.WITHDRAWN, by=actor.user_id, reason=reason.strip())
    note(actor, Action.INVITATION_WITHDRAWN, invitation, {}, reason.strip())
    return invitation


def require_inviter(actor: Actor, study: "Study", roles: list[Role]) -> None:
    """Raise NotAllowed unless the actor manages this study's people, or gives a study that has no lead its lead.

    An administrator of accounts who could invite anybody to anything could let themselves in.
    """
    if not actor.may(Cap.ACCOUNTS_MANAGE) or actor.is_system:
        require_in(actor, Cap.PEOPLE_MANAGE, study)
    elif roles != [Role.LEAD] or has_lead(study, today_in(study.timezone)):
        raise NotAllowed(
            "An administrator of accounts invites a study lead where there is none. Everybody else is invited by the lead.",
            code=Cap.PEOPLE_MANAGE.value,
        )


def end(invitation: Invitation, how: Invitation.Ended, *, by: int | None, reason: str = "") -> None:
    """Write that an invitation ended, inside the caller's transaction."""
    invitation.ended_at, invitation.ended_how = clock.now(), how.value
    invitation.ended_by_id, invitation.end_reason = by, reason
    if how is Invitation.Ended.ACCEPTED:
        invitation.rules = RULES_DIGEST
    invitation.save(update_fields=["ended_at", "ended_how", "ended_by", "end_reason", "rules"])


def require_open(invitation: Invitation) -> None:
    """Raise Conflict unless the invitation can be accepted now."""
    if state_of(invitation) is not InvitationState.OPEN:
        raise Conflict(
            "This invitation is not open any more. Ask whoever invited you for another one."
        )


def note(
    actor: Actor, action: Action, invitation: Invitation, data: dict[str, object], reason: str = ""
) -> None:
    """Write the trail of one act on an invitation: the name, never the address."""
    audit(
        actor=actor, action=action, subject_type="invitation", subject_code=invitation.uid,
        study_id=invitation.study_id, reason=reason, data={"person": invitation.name, **data},
    )  # fmt: skip


def _send(invitation: Invitation, *, turn: int, by_hand: bool, actor: Actor) -> None:
    assert actor.user_id is not None, "somebody invites"
    key, now = invitation_key(), clock.now()
    invitation.turn, invitation.sent_at, invitation.sent_by_id = turn, now, actor.user_id
    invitation.expires_at, invitation.handed_over = now + OPEN_FOR, by_hand
    invitation.token_digest = secret_digest(invitation_secret(invitation.uid, turn, key), key)
    invitation.save()
    if not by_hand:
        invitation_mail().queue(invitation)


def _refuse_unknown(identity: str) -> None:
    if identity not in IDENTITY:
        raise Refused(
            "Say how you know who this is: what they sign will carry this name.", field="identity"
        )


def _refuse_second(study: "Study", email: str) -> None:
    if study.invitations.filter(email__iexact=email, ended_at=None).exists():
        raise Conflict(
            f"{email} is invited to this study already. Withdraw that invitation first, or send it again.",
            field="email",
        )


def _refuse_bad_days(study: "Study", starts_on: date, ends_on: date | None) -> None:
    if starts_on < today_in(study.timezone):
        raise Refused("The first day is over already. Enter today or a later day.", field="starts_on")  # fmt: skip
    if ends_on is not None and ends_on < starts_on:
        raise Refused("The role ends before it starts. Check the two dates.", field="ends_on")


def _refuse_bad_roles(
    study: "Study", email: str, roles: list[Role], starts_on: date, ends_on: date | None
) -> None:
    """Refuse what the person could not accept, as far as this study's own roles tell."""
    if not roles:
        raise Refused("Choose at least one role.", field="roles")
    if both_sides(roles, UNBLINDED_ROLES):
        raise Refused(BLIND_CLASH, field="roles", code="membership_blind_kept")
    user: User | None = user_by_email(email)
    if user is None:
        return
    for role in roles:
        if blind_clash(user, study, role):
            raise Refused(BLIND_CLASH, field="roles", code="membership_blind_kept")
        if overlapping(study, user, role, starts_on, ends_on):
            raise Conflict(
                f"{user.name} is already {ROLE_NAMES[role]} on some of these days. Choose other dates or "
                "another role.",
                field="roles",
            )
