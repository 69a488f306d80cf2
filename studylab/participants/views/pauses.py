"""A pause of dosing: what it is about, and the two signatures that end it."""

from typing import Any
from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.audit.history import STANDS
from studylab.http import StaffRequest, posted
from studylab.participants.forms.reporting import PauseForm
from studylab.participants.models import DosingPause, EventEntry, Hold
from studylab.participants.services import pause_sign
from studylab.participants.services.pauses import LEAD, PHYSICIAN
from studylab.participants.views.acts import Act, answer_act
from studylab.people.services.signatures import content_hash
from studylab.studies.models import Study

SIGN = Act(
    "Dosing may go on", "Dosing goes on when the supervising physician and the study lead, two people, have both signed.",
    "Sign", "Signed.", PHYSICIAN, template="participants/events/pause_sign.html",
)  # fmt: skip


def access_pause(study: Study, uid: UUID) -> DosingPause:
    """Return a pause of this study, or raise Http404."""
    related = ("physician", "lead", "opened_by", "event__participant")
    found = DosingPause.objects.select_related(*related).filter(study=study, uid=uid).first()
    if found is None:
        raise Http404("There is no such pause in this study.")
    return found


@requires(Cap.SAFETY_VIEW)
@require_GET
def pause(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show a pause and everything that counted."""
    return render(request, "participants/events/pause.html", _context(access_pause(request.study, uid)))  # fmt: skip


@requires(Cap.EVENT_JUDGE)
@require_http_methods(["GET", "POST"])
def pause_physician(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take the supervising physician's signature."""
    return _sign(request, uid, as_lead=False)


@requires(Cap.DOSING_RESUME)
@require_http_methods(["GET", "POST"])
def pause_lead(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take the study lead's signature."""
    return _sign(request, uid, as_lead=True)


def _sign(request: StaffRequest, uid: UUID, *, as_lead: bool) -> HttpResponse:
    found = access_pause(request.study, uid)
    back = reverse("pause", args=[request.study.slug, found.uid])
    if request.method == "GET" and found.lifted_at is not None:
        return redirect(back)
    form = PauseForm(posted(request))

    def write() -> object:
        return pause_sign(pause=found, as_lead=as_lead, actor=request.actor, **form.cleaned_data)

    context = _context(found) | {"meaning": LEAD if as_lead else PHYSICIAN}
    return answer_act(request, act=SIGN, form=form, write=write, back=back, shown=content_hash(found.marks), context=context)  # fmt: skip


def _context(found: DosingPause) -> dict[str, Any]:
    entries = EventEntry.objects.filter(STANDS, event__uid__in=found.marks)
    holds = Hold.objects.filter(uid__in=found.marks).select_related("participant")
    return {
        "pause": found,
        "entries": entries.select_related("event__participant").order_by("event_id"),
        "holds": holds.order_by("opened_at", "id"),
    }
