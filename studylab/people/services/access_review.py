"""Signing that somebody looked at who has access."""

from datetime import date
from typing import TYPE_CHECKING, Any

from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.people.models import AccessReview, User
from studylab.people.rules.access_review import REVIEW_MONTHS_MOST, months_later
from studylab.people.selectors import today_in
from studylab.people.selectors.access_review import people_seen, review_content
from studylab.people.services.roles import require_in
from studylab.people.services.signatures import check_password, signature_write

if TYPE_CHECKING:
    from studylab.studies.models import Study

MEANING = "Reviewed who has access to the study"
LONGEST = 500


def access_reviewed(
    *, study: "Study", found: str, months: int, password: str, actor: Actor
) -> AccessReview:
    """Sign that everybody's access of today was looked at; the next review is due `months` later."""
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    said = found.strip()
    if not said or len(said) > LONGEST:
        raise Refused(f"Say what you found, in at most {LONGEST} characters.", field="found")
    if not 1 <= months <= REVIEW_MONTHS_MOST:
        raise Refused(f"Choose 1 to {REVIEW_MONTHS_MOST} months.", field="months")
    user = check_password(
        actor=actor, password=password, subject_type="access_review", subject_code=study.slug
    )
    return _sign(study=study, found=said, months=months, user=user, actor=actor)


@service
def _sign(*, study: "Study", found: str, months: int, user: User, actor: Actor) -> AccessReview:
    today = today_in(study.timezone)
    due = months_later(today, months)
    content = _content(study, today, found, due)
    signature = signature_write(
        actor=actor, user=user, meaning=MEANING, subject_type="access_review", subject_code=study.slug,
        content=content,
    )  # fmt: skip
    review = AccessReview.objects.create(
        study=study, as_at=today, found=found, people=len(content["people"]), reviewed_at=clock.now(),
        next_due_on=due, signature=signature,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.ACCESS_REVIEWED, subject_type="access_review", subject_code=review.uid,
        study_id=study.pk, data={"people": review.people, "next_due_on": due.isoformat()},
    )  # fmt: skip
    return review


def _content(study: "Study", today: date, found: str, due: date) -> dict[str, Any]:
    seen = review_content(people_seen(study, today), today)
    return {**seen, "found": found, "next_due_on": due.isoformat()}
