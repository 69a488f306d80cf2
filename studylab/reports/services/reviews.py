"""Signing a planned review of data and trail: what was looked through, and what was found."""

from typing import Any

from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.people.models import Signature, User
from studylab.people.services.signatures import check_password, signature_write
from studylab.reports.selectors.reviews import SUBJECT
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

MEANING = "I looked through this part of the record, as planned"
LONGEST = 1000


@sensitive_variables("password")
def review_sign(
    *, study: Study, key: str, looked_at: str, found: str, password: str, actor: Actor
) -> Signature:
    """Sign for a review that the study document plans. Refused unless it says what was looked at and what came of it."""
    require(actor, Cap.REVIEW_SIGN)
    plan = next((one for one in current_protocol(study).plan.reviews if one.key == key), None)
    if plan is None:
        raise Refused("The study document plans no such review.")
    said = {"looked_at": looked_at.strip(), "found": found.strip()}
    for field, text in said.items():
        if not text or len(text) > LONGEST:
            ask = "Say what you looked at" if field == "looked_at" else "Say what you found"
            raise Refused(f"{ask}, in at most {LONGEST} characters.", field=field)
    user = check_password(actor=actor, password=password, subject_type=SUBJECT, subject_code=key)
    content = {"review": key, "what": plan.what, "risk": plan.risk, **said}
    return _sign(study=study, key=key, user=user, content=content, actor=actor)


@service
def _sign(
    *, study: Study, key: str, user: User, content: dict[str, Any], actor: Actor
) -> Signature:
    signature = signature_write(
        actor=actor, user=user, meaning=MEANING, subject_type=SUBJECT, subject_code=key,
        content=content,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.REVIEW_SIGNED, subject_type=SUBJECT, subject_code=key,
        study_id=study.pk, reason=content["found"][:300],
    )  # fmt: skip
    return signature
