"""Half-typed sets of readings: kept while somebody types, taken over, emptied."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from screening.forms.vital_drafts import typed
from screening.models import VitalDraft, VitalSet
from screening.selectors.visits import access_visit
from screening.selectors.vital_drafts import access_draft, drafts_of
from screening.selectors.vitals import access_vital_set
from screening.services.check_records import Where
from screening.services.vital_drafts import draft_drop, draft_keep, draft_take_over
from screening.views.words import next_url, with_query
from studylab.access import Cap, requires
from studylab.errors import StudylabError
from studylab.http import StaffRequest
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant


@requires(Cap.VITALS_RECORD)
@require_POST
def draft(request: StaffRequest, study: str, code: str, gate: str) -> HttpResponse:
    """What is being typed at screening."""
    if gate != VitalSet.Gate.SCREENING:
        raise Http404("Readings of the dosing day belong to a visit.")
    participant = access_participant(request.study, code)
    return _answer(
        request, participant, Where(gate), reverse("vitals_add", args=[study, code, gate])
    )


@requires(Cap.VITALS_RECORD)
@require_POST
def visit_draft(
    request: StaffRequest, study: str, code: str, visit_uid: UUID, gate: str
) -> HttpResponse:
    """What is being typed at a gate of a visit."""
    participant = access_participant(request.study, code)
    access_visit(participant, visit_uid)
    if gate not in VitalSet.Gate.values or gate == VitalSet.Gate.SCREENING:
        raise Http404("There is no such check at a visit.")
    page = reverse("visit_vitals_add", args=[study, code, visit_uid, gate])
    return _answer(request, participant, Where(gate, visit_uid), page)


@requires(Cap.VITALS_RECORD)
@require_POST
def correct_draft(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """What is being typed to correct a set."""
    participant = access_participant(request.study, code)
    wrong = access_vital_set(participant, uid)
    page = reverse("vitals_correct", args=[study, code, uid])
    return _answer(request, participant, Where(wrong.gate, wrong.visit_uid), page, wrong)


def _answer(
    request: StaffRequest,
    participant: Participant,
    where: Where,
    page: str,
    corrects: VitalSet | None = None,
) -> HttpResponse:
    do, known = request.POST.get("draft_do", "keep"), _uid(request.POST.get("draft", ""))
    if do == "keep":
        return _keep(request, participant, where, known, corrects)
    if do not in ("take_over", "drop") or known is None:
        raise Http404("There is no such thing to do with a half-typed set.")
    found = access_draft(participant, known)
    try:
        if do == "take_over":
            draft_take_over(draft=found, actor=request.actor)
            messages.success(request, "The half-typed set is yours now.")
        else:
            draft_drop(draft=found, actor=request.actor)
            messages.success(request, "The form is empty again.")
    except StudylabError as refusal:
        messages.error(request, refusal.message)
    return redirect(with_query(page, next=next_url(request)))


def _keep(
    request: StaffRequest,
    participant: Participant,
    where: Where,
    known: UUID | None,
    corrects: VitalSet | None,
) -> HttpResponse:
    try:
        kept = draft_keep(
            participant=participant, where=where, content=typed(request.POST), known=known,
            corrects=corrects, actor=request.actor,
        )  # fmt: skip
    except StudylabError as refusal:
        return JsonResponse({"said": refusal.message}, status=refusal.status)
    at = timezone.localtime(kept.kept_at, participant.study.zone)
    return JsonResponse({"draft": str(kept.uid), "said": f"Kept on the server at {at:%H:%M:%S}."})


def _uid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None


def draft_context(
    request: StaffRequest, participant: Participant, where: Where, corrects: VitalSet | None
) -> dict[str, Any]:
    """Return what the form of a set says about half-typed ones: one's own, and those of others."""
    found: list[VitalDraft] = list(drafts_of(participant, where.gate, where.visit_uid, corrects))
    own = next((one for one in found if one.holder_id == request.actor.user_id), None)
    slug, code = participant.study.slug, participant.code
    if corrects is not None:
        url = reverse("vitals_correct_draft", args=[slug, code, corrects.uid])
    elif where.visit_uid is None:
        url = reverse("vitals_draft", args=[slug, code, where.gate])
    else:
        url = reverse("visit_vitals_draft", args=[slug, code, where.visit_uid, where.gate])
    others = [one for one in found if one is not own]
    return {"own_draft": own, "other_drafts": others, "draft_url": url}


def keep_refused(
    request: StaffRequest, participant: Participant, where: Where, corrects: VitalSet | None
) -> None:
    """Keep what was sent and could not be recorded; a page that is left behind keeps nothing."""
    try:
        draft_keep(
            participant=participant, where=where, content=typed(request.POST), corrects=corrects,
            actor=request.actor,
        )  # fmt: skip
    except StudylabError:
        return
