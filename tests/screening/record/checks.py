"""Checks besides the readings that pass, for tests that only need them done."""

from datetime import timedelta
from typing import Any

from screening.models import Check
from screening.rules.taking import BothArms
from screening.services import check_record
from screening.services.check_records import Where
from screening.services.readings import HowTaken
from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant

HOW = HowTaken(
    rhythm="regular", both_arms=BothArms(120, 78, 116, 77)
)  # the left arm is the higher one


def fine(kind: str) -> dict[str, Any]:
    """Return values that pass, taken just now."""
    now = clock.now()
    stood = now - timedelta(minutes=3, seconds=10)
    return {
        "standing_test": {
            "start": "lying", "rest_seconds": 300, "symptoms": False, "stood_at": stood,
            "one_at": stood + timedelta(seconds=60), "three_at": stood + timedelta(seconds=180),
            "before_systolic": 118, "before_diastolic": 74, "one_systolic": 112, "one_diastolic": 73,
            "three_systolic": 114, "three_diastolic": 75,
        },
        "last_meal": {"eaten_at": now - timedelta(hours=2), "what": "bread"},
        "breath_alcohol": {"value": 0.0},
        "pregnancy_test": {"result": "negative"},
        "ecg": {"pr": 160, "qrs": 90, "qt": 400, "rate": 60},
    }[kind]  # fmt: skip


def check(
    participant: Participant, actor: Actor, kind: Any, gate: str = "screening", visit_uid: Any = None,
    **changes: Any,
) -> Check:  # fmt: skip
    """Record one check; `changes` replace arguments of the service, `values` are added to those that pass."""
    values = fine(kind) | changes.pop("values", {})
    arguments = {"taken_at": clock.now(), "device": "D-1", **changes}
    return check_record(
        participant=participant, kind=kind, where=Where(gate, visit_uid), values=values, actor=actor,
        **arguments,
    )  # fmt: skip
