"""Arms learnt by accident, guesses after the last visit, and practising the emergency opening."""

from datetime import datetime

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import Drill, Guess, Learnt
from studylab.allocation.rules.wording import names_an_arm
from studylab.allocation.selectors.blinding import emergency_numbers, opening_rests_on
from studylab.allocation.selectors.facts import entry_of
from studylab.allocation.selectors.knowing import SOMEBODY_ELSE, may_know_arm
from studylab.allocation.services.checks import person_of, require_study
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Deviation, Participant
from studylab.participants.services.deviations import deviation_found
from studylab.people.services.signatures import check_password
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol


def _refuse_arms(study: Study, **texts: str) -> None:
    arms = current_protocol(study).plan.allocation.arms
    for field, text in texts.items():
        word = names_an_arm(text, arms)
        if word:
            raise Refused(
                f"“{word}” would tell everybody who reads this. Say what happened without naming an arm.",
                field=field,
            )


@service
def learnt_record(
    *,
    participant: Participant,
    who: str,
    names: str,
    certain: bool,
    how: str,
    effect: str,
    occurred_at: datetime,
    actor: Actor,
) -> Learnt:
    """Record that somebody learnt an arm, or believes to know it, without saying which. It is a deviation."""
    require(actor, Cap.DEVIATION_RECORD)
    require_study(actor, participant.study_id)
    given = {"names": names, "how": how, "effect": effect}
    for field, text in given.items():
        if not text.strip():
            raise Refused("Fill this in: it belongs to the record.", field=field)
    _refuse_arms(participant.study, **given)
    if who not in Learnt.Who.values:
        raise Refused("Choose who learnt it.", field="who")
    if occurred_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="occurred_at")
    made = Learnt.objects.create(
        participant=participant, who=who, names=names.strip(), certain=certain, how=how.strip(),
        effect=effect.strip(), occurred_at=occurred_at, recorded_at=clock.now(),
        by_id=person_of(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.ARM_LEARNT, subject_type="learnt", subject_code=made.uid,
        participant_code=participant.code, data={"who": who, "certain": certain},
    )  # fmt: skip
    knows = "learnt" if certain else "believes to know"
    deviation_found(
        actor=actor,
        study=participant.study,
        participant=participant,
        kind=Deviation.Kind.CODE,
        what=f"Accidental unblinding: {made.get_who_display()} {knows} the arm. {made.how}",
        subject=f"accidental unblinding {str(made.uid)[:8]}",
        occurred_at=occurred_at,
    )
    return made


@service
def guess_record(
    *,
    participant: Participant,
    teller: str,
    stage: str = Guess.Stage.AFTER,
    arm_place: int,
    sure: int,
    why: str,
    actor: Actor,
) -> Guess:
    """Record what the volunteer or the experimenter believes before or after the last visit; asked once each.

    `arm_place` counts the protocol's arms from 1, 0 means "don't know". Nobody is shown a guess before the
    list is open.
    """
    require(actor, Cap.GUESS_RECORD)
    require_study(actor, participant.study_id)
    if entry_of(participant) is None:
        raise Refused("This volunteer has no allocation number, so there is nothing to guess.")
    if may_know_arm(participant, actor.user_id):
        raise Refused(SOMEBODY_ELSE, code="somebody_else")
    if teller not in Guess.Teller.values:
        raise Refused("Choose whose guess it is.", field="teller")
    if stage not in Guess.Stage.values:
        raise Refused("Say whether it is asked before or after the last visit.", field="stage")
    arms = current_protocol(participant.study).plan.allocation.arms
    if not 0 <= arm_place <= len(arms):
        raise Refused("Choose one of the answers.", field="arm_place")
    if not 0 <= sure <= 100:
        raise Refused("Give a whole number from 0 to 100.", field="sure")
    _refuse_arms(participant.study, why=why)
    made = Guess.objects.create(
        participant=participant, teller=teller, stage=stage, arm_place=arm_place, sure=sure if arm_place else 0,
        why=why.strip(), at=clock.now(), by_id=person_of(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.GUESS_RECORDED, subject_type="guess", subject_code=made.uid,
        participant_code=participant.code, data={"teller": teller, "stage": stage},
    )  # fmt: skip
    return made


@sensitive_variables("password")
def drill_finish(
    *,
    study: Study,
    began_at: datetime,
    outside: bool,
    reason: str,
    told: str,
    password: str,
    actor: Actor,
) -> Drill:
    """Record a practised opening: the same steps as an emergency, for somebody who does not exist."""
    require(actor, Cap.CODE_OPEN)
    require_study(actor, study.pk)
    for name, text in (("reason", reason), ("told", told)):
        if not text.strip():
            raise Refused("Fill this in, as in an emergency.", field=name)
    check_password(actor=actor, password=password, subject_type="drill", subject_code=study.slug)
    return _drill_finish(study=study, began_at=began_at, outside=outside, actor=actor)


@service
def _drill_finish(*, study: Study, began_at: datetime, outside: bool, actor: Actor) -> Drill:
    made = Drill.objects.create(
        study=study, by_id=person_of(actor), began_at=began_at, ended_at=clock.now(),
        outside=outside, numbers=emergency_numbers(study), rests_on=opening_rests_on(study),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.CODE_PRACTISED, subject_type="drill", subject_code=made.uid,
        data={"seconds": made.seconds, "outside": outside},
    )  # fmt: skip
    return made
