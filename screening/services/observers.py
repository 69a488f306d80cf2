"""Signing that somebody looked at how an observer writes readings down, and why it stands."""

from typing import Any

from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.people.models import Signature, User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.models import Study

MEANING = "Looked at how readings are written down"
LONGEST = 500


def observer_looked_at(
    *,
    study: Study,
    observer: User,
    figures: dict[str, Any],
    because: str,
    password: str,
    actor: Actor,
) -> Signature:
    """Sign that the checks of one observer were looked at, because of what. `figures` are what was shown.

    Raises Refused without a reason, or for the observer's own checks.
    """
    require(actor, Cap.OBSERVERS_SIGN)
    if observer.pk == actor.user_id:
        raise Refused("These are your own readings. Somebody else looks at them.")
    said = because.strip()
    if not said or len(said) > LONGEST:
        text = f"Say what you found, in at most {LONGEST} characters."
        raise Refused(text, field="because")
    user = check_password(
        actor=actor, password=password, subject_type="observer", subject_code=observer.pk
    )
    content = {"observer": observer.pk, "figures": figures, "because": said}
    return _sign(study=study, observer=observer, user=user, content=content, actor=actor)


@service
def _sign(
    *, study: Study, observer: User, user: User, content: dict[str, Any], actor: Actor
) -> Signature:
    signature = signature_write(
        actor=actor, user=user, meaning=MEANING, subject_type="observer", subject_code=observer.pk,
        content=content,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.OBSERVER_LOOKED_AT, subject_type="observer",
        subject_code=observer.pk, study_id=study.pk, reason=content["because"],
    )  # fmt: skip
    return signature
