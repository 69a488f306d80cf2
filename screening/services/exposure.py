"""Noting who looks at values from after a dose: whoever rates the volunteer later should not have."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from screening.models import VitalSet
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import Exposure
from studylab.allocation.selectors import given_at
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.participants.models import Participant
from studylab.studies.models import Study

_EFFECT = timedelta(minutes=20)  # from then on a pulse on the run sheet may tell (common practice)
_AFTER = (VitalSet.Gate.POST_DOSE, VitalSet.Gate.LEAVE)


def saw_after_dose(*, participant: Participant, page: str, actor: Actor) -> None:
    """Note the first time that somebody looks at a page with values from after the volunteer's dose.

    Called by the pages that show them, whatever the values are. While there are none nothing is noted.
    """
    if actor.user_id is None or not _measured(participant):
        return
    if not Exposure.objects.filter(participant=participant, user_id=actor.user_id).exists():
        _note(participant=participant, user_id=actor.user_id, page=page, actor=actor)


@service
def pooled_seen(*, study: Study, people: Sequence[int], as_of: datetime, actor: Actor) -> None:
    """Note that somebody looks at values pooled over `people`, by id: each look, and for each of them the first.

    Pooled values tell of everybody in them, so who looked has seen values from after the dose of each.
    """
    require(actor, Cap.POOLED_VIEW)
    if actor.user_id is None:
        return
    at = clock.now()
    Exposure.objects.bulk_create(
        [
            Exposure(participant_id=one, user_id=actor.user_id, page="pooled values", at=at)
            for one in sorted(people)
        ],
        ignore_conflicts=True,  # only the first time counts
    )
    audit(
        actor=actor, action=Action.POOLED_SEEN, subject_type="study", subject_code=study.slug,
        study_id=study.pk, data={"people": len(people), "as_of": as_of.isoformat()},
    )  # fmt: skip


def note_seen(study: Study, codes: Iterable[str], page: str, actor: Actor) -> None:
    """Do the same for a page about many volunteers, for those who may rate one of them later."""
    if actor.user_id is not None and actor.may(Cap.VISIT_RUN):
        for one in Participant.objects.filter(
            study=study, code__in=set(codes), doses__isnull=False
        ).distinct():
            saw_after_dose(participant=one, page=page, actor=actor)


def _measured(participant: Participant) -> bool:
    given = given_at(participant)
    if given is None:
        return False
    taken = VitalSet.objects.filter(participant=participant, gate__in=_AFTER).exists()
    return taken or clock.now() - given >= _EFFECT


@service
def _note(*, participant: Participant, user_id: int, page: str, actor: Actor) -> None:
    made = Exposure.objects.bulk_create(
        [Exposure(participant=participant, user_id=user_id, page=page, at=clock.now())],
        ignore_conflicts=True,  # two pages opened at once are one first time
    )
    if made:
        audit(
            actor=actor, action=Action.VALUES_SEEN, subject_type="participant",
            subject_code=participant.code, participant_code=participant.code, data={"page": page},
        )  # fmt: skip
