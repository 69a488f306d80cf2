"""Recording what people were trained in."""

from datetime import date
from typing import TYPE_CHECKING

from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.people.models import Training, User
from studylab.people.selectors import today_in
from studylab.people.services.roles import require_in

if TYPE_CHECKING:
    from studylab.studies.models import Study


@service
def training_record(
    *, study: "Study", people: list[User], topic: str, given_by: str, held_on: date, actor: Actor
) -> list[Training]:
    """Record one training of several people of the study."""
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    assert actor.user_id is not None, "somebody of the study records it"
    topic, given_by = " ".join(topic.split()), " ".join(given_by.split())
    today = today_in(study.timezone)
    if not topic:
        raise Refused("Say what the training was about.", field="topic")
    if not given_by:
        raise Refused("Say who gave it, or what was read.", field="given_by")
    if held_on > today:
        raise Refused(
            "This day has not come. Enter it once the training was held.", field="held_on"
        )
    if not people:
        raise Refused("Choose who was trained.", field="people")
    of_study = set(study.memberships.values_list("user_id", flat=True))
    if any(person.pk not in of_study for person in people):
        raise Refused("Choose people who hold or held a role in this study.", field="people")
    made = [
        Training.objects.create(
            study=study, user=person, topic=topic[:120], given_by=given_by[:120], held_on=held_on,
            recorded_on=today, recorded_at=clock.now(), recorded_by_id=actor.user_id,
        )
        for person in people
    ]  # fmt: skip
    for one in made:
        _note(actor, Action.TRAINING_RECORDED, one)
    return made


@service
def training_take_back(*, training: Training, reason: str, actor: Actor) -> Training:
    """Take an entry back that was wrong; it stays on record with the reason."""
    require_in(actor, Cap.PEOPLE_MANAGE, training.study)
    assert actor.user_id is not None, "somebody of the study takes it back"
    reason = " ".join(reason.split())
    if not reason:
        raise Refused("Say why the entry is taken back.", field="reason")
    if training.withdrawn or Training.objects.filter(supersedes=training).exists():
        raise Conflict("This entry was taken back already.")
    made = Training.objects.create(
        study=training.study, user=training.user, topic=training.topic, given_by=training.given_by,
        held_on=training.held_on, recorded_on=today_in(training.study.timezone), recorded_at=clock.now(),
        recorded_by_id=actor.user_id, withdrawn=True, supersedes=training, reason=reason[:300],
    )  # fmt: skip
    _note(actor, Action.TRAINING_TAKEN_BACK, made, reason)
    return made


def _note(actor: Actor, action: Action, training: Training, reason: str = "") -> None:
    audit(
        actor=actor, action=action, subject_type="person", subject_code=training.user_id,
        study_id=training.study_id, reason=reason,
        data={
            "person": training.user.name, "topic": training.topic, "held_on": training.held_on.isoformat(),
        },
    )  # fmt: skip
