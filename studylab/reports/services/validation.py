"""Running the checks of the validation pack, and keeping what was found."""

from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import NotAllowed
from studylab.people.services.signatures import content_hash
from studylab.reports.models import ValidationRun
from studylab.reports.selectors.validation import look, passed


@service
def validation_run(*, actor: Actor) -> ValidationRun:
    """Look at everything now and keep it for good, whatever came out."""
    if actor.user_id is None or not (actor.may(Cap.SITE_CARE) or actor.may(Cap.ACCOUNTS_MANAGE)):
        raise NotAllowed("A lead or an administrator of accounts runs this.", code="site_care")
    now = clock.now()
    content = look(now)
    run = ValidationRun.objects.create(
        ran_at=now, ran_by_id=actor.user_id, passed=passed(content), content=content,
        sha256=content_hash(content),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.SITE_VALIDATED, subject_type="validation", subject_code=run.uid,
        study_id=actor.study_id, data={"passed": run.passed, "sha256": run.sha256},
    )  # fmt: skip
    return run
