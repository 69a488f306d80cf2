"""Steps of inviting, for several tests."""

from datetime import timedelta
from typing import Any

from studylab.access import Role
from studylab.people.models import Invitation, User
from studylab.people.selectors import today_in
from studylab.people.selectors.invitations import invitation_address
from studylab.people.services.invitation_answers import invitation_accept_new, invitation_house
from studylab.people.services.invitations import invitation_make

CHOSEN = "seven quiet lanterns"


def invite(study: Any, actor: Any, **changes: Any) -> Invitation:
    """Invite Nora Feldt as experimenter from today on."""
    given = {
        "name": "Nora Feldt", "email": "nora.feldt@lab.example", "identity": "known", "roles": [Role.EXPERIMENTER],
        "starts_on": today_in(study.timezone), **changes,
    }  # fmt: skip
    return invitation_make(study=study, actor=actor, **given)


def accepted(study: Any, actor: Any, **changes: Any) -> User:
    """Invite somebody who has no account and accept for them."""
    made = invite(study, actor, **changes)
    return invitation_accept_new(
        invitation=made, turn=made.turn, password=CHOSEN, actor=invitation_house()
    )


def secret_of(invitation: Invitation) -> str:
    """Return the secret of the newest link."""
    return invitation_address(invitation).rpartition("#")[2]


def day(study: Any, days: int = 0) -> str:
    """Return a day for a form, counted from today."""
    return (today_in(study.timezone) + timedelta(days=days)).isoformat()
