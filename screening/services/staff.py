"""The lead's decision about a relation between a volunteer and staff."""

from screening.models import StaffDecision, StaffPhone
from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.contact import phone_key
from studylab.participants.models import Participant
from studylab.participants.rules.details import phone_problem
from studylab.participants.services.checks import lock_participant, said
from studylab.people.models import User
from studylab.people.services.roles import require_in
from studylab.studies.models import Study


@service
def staff_decide(
    *, participant: Participant, user: User | None, kept_away: bool, reason: str, actor: Actor
) -> StaffDecision:
    """Decide whether somebody of the staff is kept away from a volunteer's visits.

    Refused while that person is booked for a visit of the volunteer that has not begun.
    """
    require_in(actor, Cap.SETUP_EDIT, participant.study)
    participant = lock_participant(participant, actor)
    if kept_away and user is None:
        raise Refused("Name who is kept away.", field="user")
    if kept_away and user is not None:
        _check_not_booked(participant, user)
    decision = StaffDecision.objects.create(
        participant=participant,
        user=user,
        kept_away=kept_away,
        reason=said(reason, field="reason", ask="Say why."),
        decided_at=clock.now(),
        decided_by_id=actor.user_id,
    )
    audit(
        actor=actor,
        action=Action.RELATION_DECIDED,
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
        reason=decision.reason,
        data={"person": user.name if user else "", "kept_away": kept_away},
    )
    return decision


def _check_not_booked(participant: Participant, user: User) -> None:
    booked = participant.visits.filter(
        state="booked", bookings__is_active=True, bookings__place__resource__user=user
    ).values_list("number", flat=True)
    numbers = sorted(set(booked))
    if numbers:
        raise Refused(
            f"{user.name} is booked for visit {', '.join(map(str, numbers))} of {participant.code}. Have the "
            "coordinator move that first.",
            field="user",
        )


@service
def staff_phone_set(
    *, study: Study, user: User, kind: str, phone: str, actor: Actor
) -> StaffPhone | None:
    """Keep the digest of a phone number of staff, to be compared with those of volunteers; "" takes it away.

    Returns None once it is taken away. The number itself is stored nowhere.
    """
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    if not user.memberships.filter(study=study).exists():
        raise Refused("This person holds no role in this study.", field="user")
    if kind not in StaffPhone.Kind.values:
        raise Refused("Say whose number it is.", field="kind")
    problem = phone_problem(phone) if phone else ""
    digest = phone_key(phone)
    if problem or (phone and not digest):
        raise Refused(problem or "This has too few digits for a phone number.", field="phone")
    StaffPhone.objects.filter(user=user, kind=kind).delete()
    made = None
    if digest:
        made = StaffPhone.objects.create(
            user=user, kind=kind, digest=digest, set_at=clock.now(), set_by_id=actor.user_id
        )
    audit(
        actor=actor,
        action=Action.STAFF_PHONE_SET,
        subject_type="person",
        subject_code=user.pk,
        study_id=study.pk,
        data={"person": user.name, "whose": kind, "kept": made is not None},
    )
    return made
