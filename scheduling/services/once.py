"""An act is taken once: sent again, it is answered with what was recorded when it came first."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any
from uuid import UUID

from scheduling.models import StepRecord
from scheduling.services.running import Work, user_of
from studylab.access import Actor
from studylab.errors import Conflict


def content_of(what: str, value: Mapping[str, Any]) -> str:
    """Return the SHA-256 of what was entered: the kind of act and its value, without times.

    The times of an act that is sent again may be told anew, by a page that was loaded anew; the first ones count.
    """
    entered = {key: kept for key, kept in value.items() if key != "started_at"}
    text = json.dumps([what, entered], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def sent_before(
    client_id: UUID, work: Work, step_key: str, content: str, actor: Actor
) -> StepRecord | None:
    """Return what this act wrote when it came the first time; None for a new one.

    Conflict when the id stands for another step, another person's act or other content: an id is one act.
    """
    record = StepRecord.objects.filter(client_id=client_id).first()
    if record is None:
        return None
    if record.visit_id != work.visit.pk or record.step != step_key:
        raise Conflict(
            "This entry was sent for another step. Reload the page and enter it again.",
            code="another_act",
        )
    if record.recorded_by_id != user_of(actor):
        raise Conflict(
            "Somebody else sent this entry, so it is not yours. Reload the page and enter your own.",
            code="another_act",
        )
    if record.content and record.content != content:
        raise Conflict(
            "This entry was recorded before with something else in it. Look at the run sheet; what is wrong there "
            "is corrected there.",
            code="another_act",
        )
    return record
