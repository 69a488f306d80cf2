"""Planned reviews of data and trail: which are due, and who signed what."""

from dataclasses import dataclass
from datetime import datetime

from studylab.people.models import Signature
from studylab.studies.models import Study
from studylab.studies.rules.reviews import ReviewDue, ReviewPlan, review_due
from studylab.studies.selectors import current_protocol

SUBJECT = "review"


@dataclass(frozen=True, slots=True)
class ReviewLine:
    """One planned review, by when it is due next, and every signature under it, the newest first."""

    plan: ReviewPlan
    due: ReviewDue
    signed: list[Signature]


def reviews_of(study: Study, at: datetime) -> list[ReviewLine]:
    """Return the reviews that the current protocol version plans, the most urgent first."""
    rows = Signature.objects.filter(study=study, subject_type=SUBJECT).order_by("-signed_at", "-id")
    signed: dict[str, list[Signature]] = {}
    for one in rows:
        signed.setdefault(one.subject_code, []).append(one)
    protocol = current_protocol(study)
    began = protocol.version.confirmed_at or protocol.version.added_at
    first = study.protocol_versions.filter(confirmed_at__isnull=False).order_by("number").first()
    if first is not None and first.confirmed_at is not None:
        began = first.confirmed_at
    found = []
    for plan in protocol.plan.reviews:
        mine = signed.get(plan.key, [])
        due = review_due(
            plan,
            begun=began.astimezone(study.zone).date(),
            last=mine[0].signed_at.astimezone(study.zone).date() if mine else None,
            today=at.astimezone(study.zone).date(),
        )
        found.append(ReviewLine(plan, due, mine))
    return sorted(found, key=lambda line: line.due.by)
