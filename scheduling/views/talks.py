"""Reading booked times back, and confirming a visit after the clocks went forward."""

from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from scheduling.forms.absence import TalkForm
from scheduling.models import Series
from scheduling.selectors.series import current_series
from scheduling.selectors.sheet import access_visit
from scheduling.selectors.talks import to_read_back
from scheduling.services.talks import confirm_talk, read_back_talk
from scheduling.views.series_notes import read_back_form
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors import access_participant


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def series_read_back(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record that the volunteer repeated every time that is booked."""
    participant = access_participant(request.study, code)
    series = current_series(participant)
    if series is None or series.state != Series.State.OPEN:
        raise Conflict("Nothing is booked that could be read back.")
    visits = to_read_back(series, clock.now())
    form = read_back_form(visits, posted(request))

    def write() -> object:
        already = {row.number for row in series.visits.all()} - {row.number for row in visits}
        said = {*form.cleaned_data["said"], *already}
        return read_back_talk(
            series=series, said=said, note=form.cleaned_data["note"],
            medicine=form.cleaned_data["medicine"], actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request, form=form, template="scheduling/absence/read_back.html", write=write,
        done=lambda _: reverse("series_view", args=[study, code]), message="Read back and recorded.",
        context={"participant": participant, "zone": request.study.timezone},
    )  # fmt: skip


@requires(Cap.ABSENCE_RECORD)
@require_http_methods(["GET", "POST"])
def visit_confirm(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record that a coming visit was confirmed, or that nobody was reached: by a tap beside the visits, or here."""
    visit = access_visit(request.study, uid)
    form = TalkForm(posted(request))
    back = reverse("series_view", args=[study, visit.participant.code])
    return answer_form(
        request, form=form, template="scheduling/absence/confirm.html",
        write=lambda: confirm_talk(visit=visit, actor=request.actor, **form.said()),
        done=lambda _: back, message="Recorded.",
        context={"visit": visit, "participant": visit.participant, "back": back},
    )  # fmt: skip
