"""The emergency kit of the day, and who stays with a volunteer."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from scheduling.forms.acts import STALE
from scheduling.forms.presence import RescueForm, StayForm
from scheduling.models import RescueCheck
from scheduling.selectors.presence import rescue_check_today
from scheduling.selectors.sheet import access_visit
from scheduling.services.presence import rescue_check_record, staying_record
from scheduling.views.words import sheet_url
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import NotAllowed, StudylabError
from studylab.http import StaffRequest, answer_form, own_page, posted


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def rescue_check(request: StaffRequest, study: str) -> HttpResponse:
    """Record that the emergency kit was looked through."""
    form = RescueForm(posted(request))
    back = reverse("today", args=[request.study.slug])

    def write() -> RescueCheck:
        return rescue_check_record(
            complete=form.cleaned_data["complete"] == "yes", note=form.cleaned_data["note"],
            actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request, form=form, template="scheduling/today/rescue.html", write=write,
        done=lambda _: back, message="The emergency kit is on record for today.",
        context={
            "current_section": "today", "back": back,
            "standing": rescue_check_today(request.study, clock.now()),
        },
    )  # fmt: skip


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def stay(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Say to be with the volunteer; a page reloaded here shows the sheet again."""
    visit = access_visit(request.study, uid)
    back = own_page(request, request.POST.get("next", "")) or sheet_url(visit)
    if request.method != "POST":
        return redirect(back)
    form = StayForm(request.POST)
    if not form.is_valid():
        messages.error(request, STALE)
        return redirect(back)
    try:
        staying_record(visit=visit, client_id=form.client_id_value, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, f"You stay with {visit.participant.code}.")
    return redirect(back)
