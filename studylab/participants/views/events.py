"""Recording an adverse event, adding to it and correcting it."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.forms import local_minute
from studylab.http import StaffRequest, answer_form, next_url, posted
from studylab.participants.forms.events import (
    EventCorrectForm,
    EventForm,
    EventMoreForm,
    initial_of,
)
from studylab.participants.models import AdverseEvent, EventEntry, Hold
from studylab.participants.selectors.events import access_event, newest_entry
from studylab.participants.services import event_add, event_record
from studylab.participants.views.acts import Act, answer_act, page_of
from studylab.studies.models import Study
from studylab.studies.rules.safety import SafetyPlan
from studylab.studies.selectors import current_protocol

FORM = "participants/events/form.html"
ADD = Act(
    "Record an adverse event", "", "Record the event", "The event is recorded.", template=FORM
)
MORE = Act(
    "Add what is new", "Change what is different now. The earlier entries stay as they were written.",
    "Add this entry", "Added to the event.", template=FORM,
)  # fmt: skip
CORRECT = Act(
    "Correct this event", "What was wrong stays readable. What you write counts as known as early as what it corrects.",
    "Correct the event", "The event is corrected.", template=FORM,
)  # fmt: skip


@requires(Cap.EVENT_RECORD)
@require_http_methods(["GET", "POST"])
def event_add_view(request: StaffRequest, study: str) -> HttpResponse:
    """Record an event; ?volunteer=CODE, ?source= and ?hold= fill in what a page already knows."""
    hold = _hold(request, request.study)
    source = request.GET.get("source", "")
    if hold and hold.words.exists():
        source = AdverseEvent.Source.OWN_PAGE
    initial = {
        "volunteer": hold.participant.code if hold else request.GET.get("volunteer", "")[:20],
        "source": source if source in AdverseEvent.Source.values else "",
        "aware_at": local_minute(hold.opened_at if hold else clock.now()),
        "what": hold.reason if hold else "",
    }
    form = EventForm(
        posted(request), initial=initial, study=request.study, terms=_plan(request).terms
    )

    def write() -> EventEntry:
        cleaned = form.cleaned_data
        person = cleaned["volunteer"]
        return event_record(
            participant=person, source=cleaned["source"], aware_at=cleaned["aware_at"],
            hold=hold if hold and hold.participant_id == person.pk else None, event=form.said(),
            actor=request.actor,
        )  # fmt: skip

    back = next_url(request) or reverse("events", args=[request.study.slug])
    return answer_form(
        request, form=form, template=FORM, write=write,
        done=lambda made: page_of(request, made.event),
        message=ADD.done, context={"act": ADD, "back": back, "next": next_url(request), "hold": hold},
    )  # fmt: skip


@requires(Cap.EVENT_RECORD)
@require_http_methods(["GET", "POST"])
def event_more(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Add what became known since."""
    event = access_event(request.study, uid)
    entry = newest_entry(event)
    initial = {**initial_of(entry), "aware_at": local_minute(clock.now())}
    form = EventMoreForm(posted(request), initial=initial, terms=_plan(request).terms)

    def write() -> EventEntry:
        cleaned = form.cleaned_data
        return event_add(
            entry=entry, aware_at=cleaned["aware_at"], event=form.said(),
            note=cleaned["note"], actor=request.actor,
        )  # fmt: skip

    def now() -> EventMoreForm:
        return EventMoreForm(initial=initial_of(newest_entry(event)), terms=_plan(request).terms)

    return answer_act(request, act=MORE, form=form, write=write, subject=event, edits=now)


@requires(Cap.EVENT_RECORD)
@require_http_methods(["GET", "POST"])
def event_correct(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Correct the newest entry by a further one."""
    event = access_event(request.study, uid)
    entry = newest_entry(event)
    form = EventCorrectForm(posted(request), initial=initial_of(entry), terms=_plan(request).terms)

    def write() -> EventEntry:
        return event_add(
            entry=entry, aware_at=None, event=form.said(),
            note=form.cleaned_data["note"], actor=request.actor,
        )  # fmt: skip

    def now() -> EventCorrectForm:
        return EventCorrectForm(initial=initial_of(newest_entry(event)), terms=_plan(request).terms)

    return answer_act(request, act=CORRECT, form=form, write=write, subject=event, edits=now)


def _plan(request: StaffRequest) -> SafetyPlan:
    return current_protocol(request.study).plan.safety


def _hold(request: HttpRequest, study: Study) -> Hold | None:
    """Return the hold for symptoms that the event explains, if the address names one of this study."""
    try:
        uid = UUID(request.GET.get("hold", ""))
    except ValueError:
        return None
    holds = Hold.objects.select_related("participant")
    return holds.filter(uid=uid, participant__study=study, kind=Hold.Kind.SYMPTOM).first()
