"""The second person of a check: another member of the study, with their own password."""

from django.views.decorators.debug import sensitive_variables

from studylab.access import UNBLINDED_ROLES, Actor
from studylab.errors import Refused
from studylab.people.models import User
from studylab.people.selectors import actor_for, current_memberships, today_in
from studylab.people.services.signatures import check_second_password
from studylab.studies.models import Study


@sensitive_variables("password")
def second_person(
    *,
    study: Study,
    email: str,
    password: str,
    actor: Actor,
    subject_type: str,
    subject_code: str,
    unblinded: bool = False,
) -> User:
    """Return the second person; Refused unless they are somebody else of the study and gave their password.

    `unblinded` asks for somebody who may know arms: another pharmacist.
    """
    user = User.objects.filter(email__iexact=email.strip(), is_active=True).first()
    if user is not None and user.pk == actor.user_id:
        raise Refused("The second person must be somebody else.", field="second_email")
    today = today_in(study.timezone)
    held = current_memberships(user, study, today) if user is not None else None
    if user is None or held is None or not held.exists():
        raise Refused(
            "Nobody with this e-mail address is in the study today.", field="second_email"
        )
    if unblinded and not held.filter(role__in=UNBLINDED_ROLES).exists():
        raise Refused(
            "The second person would learn what the kits hold, so they must be a pharmacist of this study too.",
            field="second_email",
        )
    return check_second_password(
        actor=actor_for(user, study),
        password=password,
        subject_type=subject_type,
        subject_code=subject_code,
        page_of=actor,
    )
