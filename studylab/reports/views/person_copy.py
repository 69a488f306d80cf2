"""A copy for the person of what is stored about them: made on request, printed or as a file, its handing over recorded."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from screening.services.exposure import saw_after_dose
from studylab.access import Cap, requires
from studylab.errors import NotAllowed, StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal
from studylab.participants.selectors import access_participant
from studylab.reports.forms_copy import CopyForm, HandOverForm
from studylab.reports.selectors.person_copy import copies_of
from studylab.reports.services.person_copy import copy_hand_over, copy_make


@requires(Cap.VOLUNTEER_ADD)
@require_http_methods(["GET", "POST"])
def person_copy(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Say what a copy is and list those made; make one and hand it out at once, as page or as file."""
    person = access_participant(request.study, code)
    form = CopyForm(posted(request))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                saw_after_dose(participant=person, page="copy", actor=request.actor)
                made = copy_make(
                    participant=person, asked=form.cleaned_data["asked"], actor=request.actor
                )
            except NotAllowed:
                raise
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                if form.cleaned_data["form"] == "file":
                    answer = HttpResponse(made.file, content_type="application/json")
                    answer["Content-Disposition"] = f'attachment; filename="{code}-copy.json"'
                    return answer
                return render(request, "reports/person_copy.html", {"person": person, "made": made})
    context = {"person": person, "form": form, "copies": copies_of(person), "current_section": "volunteers"}  # fmt: skip
    return render(request, "reports/person_copies.html", context, status=status)


@requires(Cap.VOLUNTEER_ADD)
@require_http_methods(["GET", "POST"])
def person_copy_handed(request: StaffRequest, study: str, code: str, copy: str) -> HttpResponse:
    """Record the handing over of one copy."""
    person = access_participant(request.study, code)
    back = reverse("volunteer_copy", args=[study, code])
    if copy not in {made.subject_code for made, _handed in copies_of(person)}:
        raise Http404("There is no such copy of this volunteer's data.")
    form = HandOverForm(posted(request))
    return answer_form(
        request, form=form, template="parts/confirm_page.html", done=lambda _: back,
        write=lambda: copy_hand_over(
            participant=person, copy=copy, actor=request.actor, **form.cleaned_data
        ),
        message="The handing over is on record.",
        context={
            "heading": f"Copy for {code}: handed over", "submit": "Record", "cancel": back,
            "text": "Make sure who stands before you: the copy names the person and holds their health data.",
            "current_section": "volunteers",
        },
    )  # fmt: skip
