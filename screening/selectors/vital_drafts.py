"""Sets of readings that are being typed and are not recorded yet."""

from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from screening.models import VitalDraft, VitalSet
from studylab.participants.models import Participant


def drafts_of(
    participant: Participant, gate: str, visit_uid: UUID | None, corrects: VitalSet | None = None
) -> QuerySet[VitalDraft]:
    """Return what is being typed for a check of a person, or to correct a set of it, the newest first."""
    return (
        VitalDraft.objects.filter(
            participant=participant, gate=gate, visit_uid=visit_uid, corrects=corrects
        )
        .select_related("holder", "begun_by")
        .order_by("-kept_at", "-id")
    )


def access_draft(participant: Participant, uid: UUID) -> VitalDraft:
    """Return one of the person's half-typed sets, or answer "not found"."""
    found = VitalDraft.objects.filter(participant=participant, uid=uid).first()
    if found is None:
        raise Http404("This half-typed set is gone: it was recorded or emptied.")
    return found
