"""A check after the dose that cannot wait: recorded together with its deviation, or not at all."""

from typing import Any

from screening.models import VitalSet
from screening.services.vitals import vitals_record
from studylab.access import Actor, Cap, require
from studylab.db import service
from studylab.participants.models import Deviation, Participant
from studylab.participants.services import deviation_record


@service
def early_check_record(
    *, participant: Participant, why_early: str, visit_number: int, actor: Actor, **values: Any
) -> VitalSet:
    """Record a deviation from the wait and the set taken before its end.

    `values` are the arguments of `vitals_record`; `why_early` is what made the check necessary.
    """
    require(actor, Cap.VITALS_RECORD)
    deviation = deviation_record(
        study=participant.study,
        participant=participant,
        kind=Deviation.Kind.WAIT,
        what=f"Checked before the end of the wait: {why_early}",
        subject=f"visit {visit_number}, vitals after the dose",
        occurred_at=values["readings"][0].at,
        actor=actor,
    )
    return vitals_record(participant=participant, deviation=deviation, actor=actor, **values)
