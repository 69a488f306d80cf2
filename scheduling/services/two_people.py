"""The two people who give a dose: who may be the second, who takes no part, and whose first dose is supervised."""

from django.views.decorators.debug import sensitive_variables

from scheduling.models import Dose
from scheduling.selectors.today import clinicians_of
from scheduling.services.running import Work
from screening.services.outsiders import is_outsider
from studylab.access import UNBLINDED_ROLES, Actor, Role
from studylab.allocation.selectors import SOMEBODY_ELSE
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.people.selectors import actor_for, user_by_email
from studylab.people.services.signatures import check_second_password


@sensitive_variables("password")
def second_person(participant: Participant, email: str, password: str, actor: Actor) -> User:
    """Return the second person after their password is checked; somebody else, of the study, not a monitor."""
    study = participant.study
    user = user_by_email(email)
    if user is not None and user.pk == actor.user_id:
        raise Refused("The second person must be somebody else.", field="second_email")
    second = actor_for(user, study) if user is not None and user.is_active else None
    if second is None or not second.roles:
        raise Refused(
            "Nobody with this e-mail address is in the study today.", field="second_email"
        )
    if second.roles == {Role.MONITOR}:
        raise Refused(
            "A monitor reads and never takes part. Ask somebody else.", field="second_email"
        )
    if second.roles & UNBLINDED_ROLES:
        raise Refused(
            "A pharmacist takes no part in a visit. Ask somebody else.", field="second_email"
        )
    return check_second_password(
        actor=second,
        password=password,
        subject_type="dose_check",
        subject_code=participant.code,
        page_of=actor,
    )


def check_outsiders(work: Work, second: User, actor: Actor) -> None:
    """Refuse a giver or second person who takes no part in this volunteer's visits, for whatever reason."""
    if is_outsider(work.participant, actor.user_id):
        raise Refused(SOMEBODY_ELSE, code="somebody_else")
    if is_outsider(work.participant, second.pk):
        raise Refused(
            "Somebody else is the second person for this volunteer. Ask another member of the study.",
            field="second_email",
            code="somebody_else",
        )


def unsupervised(work: Work, giver_id: int, second: User) -> list[tuple[str, str]]:
    """Return why the two may not give this dose; empty when the giver has given one, or is supervised.

    Whoever has a dose on record was supervised at their first one, so they may supervise; so may a clinician
    of the study. The database asks the same once more.
    """
    given_by = Dose.objects.filter(given_by__in=(giver_id, second.pk)).exists()
    if given_by or second.pk in clinicians_of(work.participant.study, work.now):
        return []
    return [
        (
            "first_dose_unsupervised",
            "This would be your first dose, so it is supervised: the second person is a clinician of the study "
            "or somebody who has given a dose before.",
        )
    ]
