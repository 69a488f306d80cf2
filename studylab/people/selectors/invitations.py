"""Reading invitations."""

from datetime import date
from typing import TYPE_CHECKING
from uuid import UUID

from django.conf import settings
from django.db.models import QuerySet
from django.http import Http404
from django.urls import reverse

from studylab import clock
from studylab.access import ROLE_CAPS, Cap, Role
from studylab.keys import site_keys
from studylab.people.models import Invitation, User
from studylab.people.rules.invitations import (
    InvitationFacts,
    InvitationState,
    invitation_secret,
    invitation_state,
    secret_digest,
)
from studylab.people.selectors.people import current_memberships, holding_on, today_in

if TYPE_CHECKING:
    from studylab.studies.models import Study

_INVITING = [role.value for role in Role if Cap.PEOPLE_MANAGE in ROLE_CAPS[role]]


def invitation_key() -> bytes:
    """Return the key of the secret of an invitation that is sent now, derived from the site's own."""
    return _invitation_keys()[0]


def _invitation_keys() -> tuple[bytes, ...]:
    return site_keys("studylab invitations 1")


def invitation_address(invitation: Invitation) -> str:
    """Return the address with the newest link of an invitation; the secret stands behind the "#"."""
    # A mail tried again after the site's key changed carries the link that was sent, not one that opens nothing.
    secrets = [
        (invitation_secret(invitation.uid, invitation.turn, key), key) for key in _invitation_keys()
    ]
    stored = invitation.token_digest
    secret = next((one for one, key in secrets if secret_digest(one, key) == stored), secrets[0][0])
    return f"{settings.SITE_ADDRESS}{reverse('invitation')}#{secret}"


def may_invite(user: User, study: "Study") -> bool:
    """Whether this person may invite to the study today: who manages its people, or the administrator of accounts."""
    if not user.is_active:
        return False
    if user.is_account_admin:
        return True
    rows = current_memberships(user, study, today_in(study.timezone))
    return rows.filter(role__in=_INVITING).exists()


def has_lead(study: "Study", on: date) -> bool:
    """Whether somebody can manage the people of a study on a day."""
    rows = study.memberships.filter(holding_on(on), role__in=_INVITING, user__is_active=True)
    return rows.exists()


def state_of(invitation: Invitation) -> InvitationState:
    """Return what has become of an invitation by now."""
    facts = InvitationFacts(
        expires_at=invitation.expires_at, ended_how=invitation.ended_how,
        inviter_stands=bool(invitation.ended_how) or may_invite(invitation.sent_by, invitation.study),
    )  # fmt: skip
    return invitation_state(facts, clock.now())


def invitations_of_study(study: "Study") -> QuerySet[Invitation]:
    """Every invitation to a study, those that nobody ended first, then the newest."""
    rows = study.invitations.select_related("study", "sent_by", "ended_by")
    return rows.order_by("-ended_at", "-pk")


def access_invitation(study: "Study", uid: UUID) -> Invitation:
    """Return an invitation to this study, else 404."""
    found = invitations_of_study(study).filter(uid=uid).first()
    if found is None:
        raise Http404("There is no such invitation in this study.")
    return found


def invitation_of_secret(secret: str) -> Invitation | None:
    """Return the invitation whose newest link has this secret and opens now; None otherwise."""
    digests = [secret_digest(secret, key) for key in _invitation_keys()]
    rows = Invitation.objects.select_related("study", "sent_by")
    found = rows.filter(token_digest__in=digests).first()
    return found if found is not None and state_of(found) is InvitationState.OPEN else None


def invitations_for(user: User) -> list[Invitation]:
    """Return the open invitations to somebody who has an account."""
    rows = Invitation.objects.filter(email__iexact=user.email, ended_at=None)
    found = rows.select_related("study", "sent_by").order_by("pk")
    return [one for one in found if state_of(one) is InvitationState.OPEN]


def access_own_invitation(user: User, uid: UUID) -> Invitation:
    """Return an open invitation to this person, else 404."""
    for one in invitations_for(user):
        if one.uid == uid:
            return one
    raise Http404("There is no such invitation to you.")
