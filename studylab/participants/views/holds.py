"""Putting somebody on hold, and releasing a hold."""

from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, next_url, posted
from studylab.participants.forms.path import HoldForm, HoldReleaseForm
from studylab.participants.models import Hold
from studylab.participants.selectors import access_hold, access_participant
from studylab.participants.services import hold_open, hold_release


@requires(Cap.HOLD_OPEN)
@require_http_methods(["GET", "POST"])
def hold_add(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Put a volunteer on hold; `next` leads back to where somebody came from."""
    participant = access_participant(request.study, code)
    form = HoldForm(posted(request))

    def write() -> Hold:
        return hold_open(
            participant=participant,
            kind=form.cleaned_data["kind"],
            reason=form.cleaned_data["reason"],
            actor=request.actor,
        )

    page = reverse("volunteer", args=[request.study.slug, participant.code])
    back = next_url(request) or page
    return answer_form(
        request, form=form, template="participants/hold_add.html", write=write, done=lambda _: back,
        message="On hold. A clinician has to look before anything goes on.",
        context={"participant": participant, "next": next_url(request), "back": back},
    )  # fmt: skip


@requires(Cap.HOLD_RELEASE)
@require_http_methods(["GET", "POST"])
def hold_release_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Release a hold by signature; a released one is shown with its signature."""
    hold = access_hold(request.study, uid)
    form = HoldReleaseForm(posted(request))

    def write() -> Hold:
        return hold_release(
            hold=hold,
            reason=form.cleaned_data["reason"],
            password=form.cleaned_data["password"],
            actor=request.actor,
        )

    return answer_form(
        request, form=form, template="participants/hold_release.html", write=write,
        done=lambda _: reverse("volunteer", args=[request.study.slug, hold.participant.code]),
        message="The hold is released.", context={"hold": hold, "participant": hold.participant, "event": hold.events.order_by("id").first()},
    )  # fmt: skip
