"""The list of volunteers, the search, and adding somebody."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab import codes
from studylab.access import Cap, requires
from studylab.db import storable
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.forms.volunteers import VolunteerAddForm
from studylab.participants.models import Participant
from studylab.participants.selectors import (
    ON_HOLD,
    find_volunteers,
    volunteers_of,
)
from studylab.participants.services import DuplicateFound, participant_add

PER_PAGE = 50
SHOWS = [("", "All"), *Participant.Status.choices, (ON_HOLD, "on hold")]


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def volunteers(request: StaffRequest, study: str) -> HttpResponse:
    """Show the study's volunteers, newest first, a page at a time."""
    show = request.GET.get("show", "")
    show = show if show in dict(SHOWS) else ""
    pages = Paginator(volunteers_of(request.study, show), PER_PAGE)
    page = pages.get_page(request.GET.get("page"))
    context = {"page": page, "people": page.object_list, "shows": SHOWS, "show": show}
    return render(request, "participants/volunteers.html", context)


@requires(Cap.VOLUNTEER_VIEW)
@require_POST
def volunteer_find(request: StaffRequest, study: str) -> HttpResponse:
    """Find volunteers by code or, for whoever may see contact details, by name, e-mail or phone.

    Sent by POST, so that no name lands in an address, a browser's history or a server's log.
    """
    text = storable(request.POST.get("sought", "")).strip()[:120]
    if not text:
        return redirect("volunteers", request.study.slug)
    by_contact = request.actor.may(Cap.CONTACT_VIEW)
    found = list(find_volunteers(request.study, text, by_contact=by_contact)[:PER_PAGE])
    if len(found) == 1 and codes.normalise(text) == found[0].code:
        return redirect("volunteer", request.study.slug, found[0].code)
    context = {"people": found, "sought": text, "shows": SHOWS,
               "hint": codes.explain(text, "participant")}  # fmt: skip
    return render(request, "participants/volunteers.html", context)


@requires(Cap.VOLUNTEER_ADD)
@require_http_methods(["GET", "POST"])
def volunteer_add(request: StaffRequest, study: str) -> HttpResponse:
    """Add a volunteer; likely duplicates are shown and decided before anything is written."""
    form = VolunteerAddForm(posted(request), study=request.study)

    def write() -> Participant:
        assert form.details is not None, "a valid form has details"
        cleaned = form.cleaned_data
        try:
            return participant_add(
                study=request.study,
                details=form.details,
                agreed_at=cleaned["agreed_at"],
                agreed_method=cleaned["agreed_method"],
                heard_from=cleaned["heard_from"],
                language=cleaned.get("language", ""),
                decision=form.duplicate_decision(),
                actor=request.actor,
            )
        except DuplicateFound as found:  # somebody was added between the check and the write
            form.offer(found.matches)
            raise

    def done(participant: Participant) -> str:
        messages.success(request, f"Added. The code is {participant.code}.")
        return reverse("volunteer", args=[request.study.slug, participant.code])

    return answer_form(
        request, form=form, template="participants/volunteer_add.html", write=write, done=done
    )
