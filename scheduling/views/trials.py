"""The order of trials of a visit, to look at and for the computer that shows the stimuli."""

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.models import Visit
from scheduling.selectors.evidence import protocol_of
from scheduling.selectors.sheet import access_visit
from scheduling.selectors.trials import VisitTrials, trials_csv, trials_of
from scheduling.views.words import sheet_url
from studylab.access import Cap, requires
from studylab.http import StaffRequest


@requires(Cap.TODAY_VIEW)
@require_GET
def trials(request: StaffRequest, study: str, uid: UUID, order: str) -> HttpResponse:
    """Show an order of trials."""
    visit, found = _trials(request, uid, order)
    context = {
        "current_section": "today",
        "visit": visit,
        "participant": visit.participant,
        "trials": found,
        "back": sheet_url(visit, "now"),
    }
    return render(request, "scheduling/sheet/trials.html", context)


@requires(Cap.TODAY_VIEW)
@require_GET
def trials_file(request: StaffRequest, study: str, uid: UUID, order: str) -> HttpResponse:
    """Hand out an order of trials as CSV."""
    visit, found = _trials(request, uid, order)
    answer = HttpResponse(trials_csv(visit, found), content_type="text/csv; charset=utf-8")
    name = f"{visit.participant.code}-visit{visit.number}-{order}.csv"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _trials(request: StaffRequest, uid: UUID, order: str) -> tuple[Visit, VisitTrials]:
    visit = access_visit(request.study, uid)
    try:
        return visit, trials_of(visit, protocol_of(visit), order)
    except KeyError:
        raise Http404("This visit has no such order of trials.") from None
