"""Looking somebody up for a call from outside. It is on the trail, without what was asked for."""

from datetime import date

from scheduling.selectors.calls import Found, found_by
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.studies.models import Study


@service
def person_look_up(*, study: Study, code: str, born: date | None, actor: Actor) -> list[Found]:
    """Return who has this code, or without one this birth date; never a name."""
    require(actor, Cap.CONTACT_VIEW)
    found = found_by(study, code=code, born=born)
    for found_code in [one.code for one in found] or [""]:
        audit(
            actor=actor, action=Action.LOOKED_UP, subject_type="call", subject_code="",
            participant_code=found_code, data={"by": "code" if code else "birth date"},
        )  # fmt: skip
    return found
