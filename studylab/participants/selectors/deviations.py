"""Reading deviations."""

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.models import Event
from studylab.participants.models import Consent, Deviation, Participant
from studylab.people.services.signatures import content_hash
from studylab.studies.models import Study


def access_deviation(study: Study, uid: UUID) -> Deviation:
    """Return a deviation of this study, or raise Http404."""
    related = ("participant", "recorded_by", "explained_by", "closing")
    found = Deviation.objects.select_related(*related).filter(study=study, uid=uid).first()
    if found is None:
        raise Http404("There is no such deviation in this study.")
    return found


def deviations_of(study: Study, state: str = "") -> QuerySet[Deviation]:
    """Return the study's deviations, newest first; `state` keeps one state only."""
    found = Deviation.objects.filter(study=study)
    if state in Deviation.State.values:
        found = found.filter(state=state)
    related = ("participant", "recorded_by", "explained_by")
    return found.select_related(*related).order_by("-recorded_at", "-id")


def deviations_about(participant: Participant) -> QuerySet[Deviation]:
    """Return the deviations of one volunteer, newest first."""
    return deviations_of(participant.study).filter(participant=participant)


def barred_from_closing(deviation: Deviation) -> set[int]:
    """Return the ids of everybody who had a hand in explaining it, or recorded the consent it is about."""
    explained = Event.objects.filter(
        action=Action.DEVIATION_EXPLAINED, subject_type="deviation", subject_code=str(deviation.uid)
    )
    barred = set(explained.values_list("actor_id", flat=True)) | {deviation.explained_by_id}
    if deviation.kind == Deviation.Kind.CONSENT_ORDER:
        consents = Consent.objects.filter(participant=deviation.participant)
        barred |= set(consents.values_list("recorded_by_id", flat=True))
    return {user_id for user_id in barred if user_id is not None}


def signed_content(deviation: Deviation) -> dict[str, Any]:
    """Return what a closing signature stands under, as plain JSON."""
    content: dict[str, Any] = {
        "uid": str(deviation.uid),
        "participant": deviation.participant.code if deviation.participant else "",
        "kind": deviation.kind,
        "what": deviation.what,
        "subject": deviation.subject,
        "occurred_at": deviation.occurred_at.isoformat(),
        "explanation": deviation.explanation,
    }
    newest = deviation.assessments.filter(STANDS).first()
    if (
        newest is not None
    ):  # deviations closed before assessments existed keep what they stand under
        content["assessment"] = {
            name: getattr(newest, name)
            for name in ("importance", "effect_person", "effect_data", "corrective", "touches", "breach", "breach_why")
        }  # fmt: skip
    return content


def shown_deviation(deviation: Deviation) -> str:
    """Return the state that a page about a deviation shows, as a hash."""
    return content_hash({**signed_content(deviation), "state": deviation.state})


def closing_is_void(deviation: Deviation) -> bool:
    """Whether the closing signature stands under other content than the deviation now has."""
    if deviation.closing is None:
        return False
    return not deviation.closing.covers(content_hash(signed_content(deviation)))
