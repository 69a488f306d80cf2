"""Ending somebody's way through the study, with what follows from it said first."""

from django.contrib import messages
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.end_hooks import end_hooks
from studylab.participants.forms.wishes import LeavingForm
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.participants.services import participant_end

_ALWAYS = [
    "Nothing more is booked or recorded on the path. What was recorded stays.",
    "The code is never given to anybody else.",
]


@requires(Cap.WITHDRAW)
@require_http_methods(["GET", "POST"])
def volunteer_withdraw(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record a withdrawal."""
    return _end_page(request, code, Participant.Status.WITHDRAWN, "Record a withdrawal")


@requires(Cap.WITHDRAW)
@require_http_methods(["GET", "POST"])
def volunteer_end(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record that somebody withdrew, was screened out or is lost to contact."""
    return _end_page(request, code, "", "End taking part")


def _end_page(request: StaffRequest, code: str, status: str, heading: str) -> HttpResponse:
    participant = access_participant(request.study, code)
    form = LeavingForm(posted(request), status=status)

    def write() -> list[str]:
        return participant_end(
            participant=participant,
            status=status or form.cleaned_data["status"],
            reason=form.cleaned_data["reason"],
            wishes=form.said(),
            actor=request.actor,
        )

    def done(consequences: list[str]) -> str:
        messages.success(request, " ".join([f"{participant.code}: recorded.", *consequences]))
        return reverse("volunteer", args=[request.study.slug, participant.code])

    follows = [line for hook in end_hooks() for line in hook.consequences(participant)]
    context = {"participant": participant, "heading": heading, "consequences": [*_ALWAYS, *follows]}
    return answer_form(
        request, form=form, template="participants/volunteer_end.html", write=write, done=done,
        context=context,
    )  # fmt: skip
