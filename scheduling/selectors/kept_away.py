"""Whether somebody of the staff is kept away from the volunteer of a visit."""

from uuid import UUID

from screening.models import StaffDecision


def visit_kept_away(study_id: int, uid: UUID, user_id: int) -> bool:
    """Whether the newest decision about the visit's volunteer and this user keeps them apart; one query."""
    decisions = StaffDecision.objects.filter(
        participant__study_id=study_id, participant__visits__uid=uid, user_id=user_id
    )
    return bool(decisions.order_by("-id").values_list("kept_away", flat=True).first())
