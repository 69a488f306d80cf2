"""The check after the dose outside its time: recorded together with its deviation, or not at all."""

from datetime import datetime, timedelta
from typing import Any, Literal

from screening.models import VitalSet
from screening.rules.after_dose import hours_and_minutes
from screening.services.device_times import is_uncertain
from screening.services.vitals import vitals_record
from studylab.access import Actor, Cap, require
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.doses import doses_of
from studylab.participants.models import Deviation, Participant
from studylab.participants.services import deviation_explain, deviation_found
from studylab.studies.rules.protocol import Wait
from studylab.studies.selectors import current_protocol


@service
def post_dose_record(
    *,
    participant: Participant,
    why: str,
    visit_number: int,
    supersedes: VitalSet | None = None,
    actor: Actor,
    **values: Any,
) -> VitalSet:
    """Record the set after the dose. Before the end of the wait, or after the latest time, `why` is asked for.

    It then explains a deviation that the set names; `values` are the other arguments of `vitals_record`. A
    correction goes on with the deviation of the set that it corrects.
    """
    require(actor, Cap.VITALS_RECORD)
    deviation = supersedes.deviation if supersedes else None
    if deviation is None:
        at, wait = values["readings"][0].at, current_protocol(participant.study).plan.dose_wait
        given = doses_of(participant.study).get(participant.pk)
        word, late = _placed(at, given, wait)
        word = "uncertain" if is_uncertain(participant, values) else word
        if word == "late" and not why.strip():
            raise Refused(
                f"This is {late} after the latest time for the check. Say why; it is a deviation.",
                field="why_off_time",
            )
        if word == "uncertain" and not why.strip():
            raise Refused(
                "The clock of this device was not compared with the server’s today, so its times cannot show that the "
                "wait was kept. Compare it and enter the set again, or say why not; it is a deviation.",
                field="why_off_time",
            )
        if not word and why.strip():
            raise Refused("This check is on time, so leave this empty.", field="why_off_time")
        if word and why.strip():
            deviation = _deviation(participant, word, late, why, visit_number, wait, at, actor)
    return vitals_record(
        participant=participant, deviation=deviation, supersedes=supersedes, actor=actor, **values
    )


def _placed(
    at: datetime, given: datetime | None, wait: Wait
) -> tuple[Literal["early", "late", "uncertain", ""], str]:
    """Return whether a check at `at` is early or late, and by how much it is late, in words."""
    if given is None or at - given < wait.length:  # without a dose the wait never ends
        return "early", ""
    beyond = at - given - wait.length - wait.tolerance
    if beyond <= timedelta(0):
        return "", ""
    return "late", hours_and_minutes(beyond / timedelta(minutes=1))


def _deviation(
    participant: Participant,
    word: str,
    late: str,
    why: str,
    visit_number: int,
    wait: Wait,
    at: datetime,
    actor: Actor,
) -> Deviation:
    what = {
        "late": f"The check after the dose was taken {late} after the latest time for it.",
        "early": "The check after the dose was taken before the end of the wait.",
        "uncertain": "The check after the dose was timed by a device whose clock nobody had compared that day.",
    }[word]
    found = deviation_found(
        study=participant.study, participant=participant, kind=Deviation.Kind.WAIT, what=what,
        subject=f"visit {visit_number}, step {wait.before}, {word}", occurred_at=at, actor=actor,
    )  # fmt: skip
    return deviation_explain(deviation=found, explanation=why, actor=actor)
