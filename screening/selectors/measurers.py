"""Who may take readings in a study."""

from django.db.models import QuerySet

from studylab.access import ROLE_CAPS, Cap
from studylab.participants.models import Participant
from studylab.people.models import Membership, User
from studylab.people.selectors import holding_on, today_in

_ROLES = tuple(role.value for role, caps in ROLE_CAPS.items() if Cap.VITALS_RECORD in caps)


def measurers(participant: Participant) -> QuerySet[User]:
    """Return the people who measure in the person's study today, by name."""
    study = participant.study
    held = Membership.objects.filter(
        holding_on(today_in(study.timezone)), study=study, role__in=_ROLES
    )
    return User.objects.filter(memberships__in=held).distinct().order_by("name", "pk")


def may_measure(participant: Participant, user_id: int) -> bool:
    """Whether this user measures in the person's study today."""
    return measurers(participant).filter(pk=user_id).exists()
