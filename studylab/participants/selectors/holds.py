"""Reading holds."""

from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from studylab.participants.models import Hold, Participant
from studylab.studies.models import Study


def access_hold(study: Study, uid: UUID) -> Hold:
    """Return a hold of this study, or raise Http404."""
    found = (
        Hold.objects.select_related("participant", "opened_by", "release").filter(uid=uid).first()
    )
    if found is None or found.participant.study_id != study.pk:
        raise Http404("There is no such hold in this study.")
    return found


def open_holds(study: Study) -> QuerySet[Hold]:
    """Return the study's open holds, oldest first."""
    held = Hold.objects.filter(participant__study=study, released_at=None)
    return held.select_related("participant", "opened_by").order_by("opened_at", "id")


def holds_of(participant: Participant) -> QuerySet[Hold]:
    """Return all holds of a volunteer, newest first."""
    held = Hold.objects.filter(participant=participant)
    return held.select_related("opened_by", "release").order_by("-opened_at", "-id")
