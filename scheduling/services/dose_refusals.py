"""What stays on record of a dose that was refused."""

from scheduling.models import Visit
from scheduling.services.running import note_deviation
from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.codes import explain, normalise
from studylab.db import service
from studylab.participants.models import Deviation

NEAR_MISSES = {
    "kit_unscanned": "another kit than the volunteer's was read.",
    "amount_wrong": "the amount read from the container is not the protocol's dose.",
}


@service
def note_refusal(*, visit: Visit, codes: list[str], kit_number: str, actor: Actor) -> None:
    """Keep the refusal on the trail in a transaction of its own; a wrong kit or amount is a near miss too."""
    audit(
        actor=actor,
        action=Action.DOSE_REFUSED,
        subject_type="visit",
        subject_code=visit.uid,
        participant_code=visit.participant.code,
        data={"reasons": codes},
    )
    read = normalise(kit_number) if not explain(kit_number, "kit") else "number unreadable"
    for code, what in NEAR_MISSES.items():
        if code in codes:
            note_deviation(
                visit=visit, kind=Deviation.Kind.KIT, subject=f"kit {read}", at=clock.now(),
                what=f"Near miss at giving: {what} It was refused.", actor=actor,
            )  # fmt: skip
