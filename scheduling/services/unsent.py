"""The trail of a file of entries that a tablet could not send."""

from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.people.services.roles import require_in
from studylab.studies.models import Study


@service
def unsent_note(
    *, study: Study, sha256: str, taken: int, before: int, refused: int, actor: Actor
) -> None:
    """Note that somebody took in a file, by its digest: what was written, stood already, or was refused.

    The entries themselves were written one by one, each with its own line.
    """
    require_in(actor, Cap.VISIT_RUN, study)
    audit(
        actor=actor, action=Action.UNSENT_TAKEN, subject_type="study", subject_code=study.slug,
        study_id=study.pk,
        data={"sha256": sha256, "taken": taken, "before": before, "refused": refused},
    )  # fmt: skip
