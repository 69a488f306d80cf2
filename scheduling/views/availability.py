"""When a volunteer can come."""

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from scheduling.forms.availability import AvailabilityForm
from scheduling.models import Availability
from scheduling.selectors.wishes import availability_of
from scheduling.services.availability import availability_note
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors import access_participant


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def series_times(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Note when a volunteer can come; searches and plans keep to it."""
    participant = access_participant(request.study, code)
    form = AvailabilityForm(posted(request), noted=availability_of(participant))

    def write() -> Availability:
        return availability_note(
            participant=participant,
            times=form.times(),
            same_clock=form.cleaned_data["same_clock"],
            same_person=form.cleaned_data["same_person"],
            actor=request.actor,
        )

    back = reverse("series_book", args=[request.study.slug, participant.code])
    return answer_form(
        request, form=form, template="scheduling/booking/times.html", write=write,
        done=lambda _: back, message="Noted. Searches and plans keep to it.",
        context={"participant": participant, "back": back, "zone": request.study.timezone},
    )  # fmt: skip
