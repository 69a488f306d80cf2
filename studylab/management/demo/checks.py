"""Checks besides the readings, as invented healthy volunteers show them."""

from datetime import datetime, timedelta
from random import Random
from typing import Any
from uuid import UUID

from screening.models import Timing
from screening.rules.taking import BothArms
from screening.selectors.checks import asked_at
from screening.services.check_records import Where, check_record, timing_start
from screening.services.readings import HowTaken
from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from studylab.studies.selectors import current_protocol

DEVICES = {
    "breath_alcohol": "Breath tester 1",
    "pregnancy_test": "Test strip, batch 0417",
    "standing_test": "Monitor 2",
}


def how_taken(
    systolic: int,
    diastolic: int,
    pulse: int,
    dice: Random,
    *,
    girth: int,
    both_arms: bool = False,
) -> HowTaken:
    """Return how a set was taken: on the left arm, which reads a little higher; a slow pulse was counted.

    `girth` is the person's own, in cm; measured again it is the same within a centimetre.
    """
    arms = None
    if both_arms:
        left = (systolic + 6 + dice.randint(0, 2), diastolic + 3)
        arms = BothArms(*left, systolic + dice.randint(0, 3), diastolic + 1)
    return HowTaken(
        rhythm="regular",
        counted_pulse=pulse if pulse < 58 else None,
        both_arms=arms,
        girth_cm=float(girth + dice.randint(0, 1)),
        timed=("clock",) * 3,
    )


def rest_from(
    participant: Participant, gate: str, visit_uid: UUID | None, at: datetime, actor: Actor
) -> Timing:
    """Start the rest before a set by the button, at an instant."""
    with clock.travel(at):
        return timing_start(
            participant=participant, kind="rest", where=Where(gate, visit_uid), actor=actor
        )


def record_checks(
    participant: Participant, gate: str, visit_uid: UUID | None, at: datetime, actor: Actor
) -> None:
    """Record every check that a gate asks of this person, all of them fine, ending at `at`."""
    limits = current_protocol(participant.study).plan.limits
    for kind in asked_at(participant, gate, limits):
        with clock.travel(at):
            check_record(
                participant=participant, kind=kind, where=Where(gate, visit_uid),
                values=fine_values(kind, at), taken_at=at - timedelta(seconds=20),
                device=DEVICES.get(kind, ""), actor=actor,
            )  # fmt: skip


def fine_values(kind: str, at: datetime) -> dict[str, Any]:
    """Return values of a check that passes, taken just before `at`."""
    if kind == "standing_test":
        stood = at - timedelta(minutes=3, seconds=30)
        return {
            "start": "lying", "rest_seconds": 305, "symptoms": False, "stood_at": stood,
            "one_at": stood + timedelta(seconds=62), "three_at": stood + timedelta(seconds=181),
            "before_systolic": 116, "before_diastolic": 72, "one_systolic": 111, "one_diastolic": 73,
            "three_systolic": 114, "three_diastolic": 75,
        }  # fmt: skip
    if kind == "last_meal":
        return {"eaten_at": at - timedelta(hours=1, minutes=40), "what": "bread, fruit, tea"}
    if kind == "ecg":
        return {"pr": 158, "qrs": 92, "qt": 402, "rate": 62}
    return {"value": 0.0} if kind == "breath_alcohol" else {"result": "negative"}
