"""What is done about an event: judged, read, closed; how somebody in care is; what others are told."""

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods, require_POST

from studylab.access import Cap, open_to_kept_away, requires
from studylab.http import StaffRequest, posted
from studylab.participants.forms.events import CareForm, JudgeForm, NewsAnswerForm, NewsForm
from studylab.participants.forms.path import CloseForm
from studylab.participants.models import SafetyNews
from studylab.participants.selectors import access_participant
from studylab.participants.selectors.events import access_event, entries_of, newest_entry
from studylab.participants.services import (
    care_status_record,
    event_close,
    event_judge,
    event_read,
    news_answer,
    news_decide,
)
from studylab.participants.services.event_close import MEANING, open_ends
from studylab.participants.services.reporting import NEWS, NO_NEWS
from studylab.participants.views.acts import Act, answer_act, page_of

JUDGE = Act(
    "Judge the cause", "Every serious event needs a clinician's view. Nobody needs to know which capsule it was.",
    "Record my view", "Your view is recorded.",
)  # fmt: skip
CLOSE = Act("Close the event", "", "Sign and close", "The event is closed.", MEANING)
CARE = Act(
    "How is the person in care?", "Only news from a named source counts, and only for some hours. Silence is not recovery.",
    "Record this news", "The news is recorded.",
)  # fmt: skip
DECIDE = Act(
    "What volunteers with a dose to come are told", "", "Sign", "Decided and signed.",
    f"{NEWS}”, or “{NO_NEWS}",
)  # fmt: skip
TELL = Act("Tell the volunteer, and ask", "", "Record what they chose", "What the volunteer chose is recorded.")  # fmt: skip


@requires(Cap.EVENT_JUDGE)
@require_http_methods(["GET", "POST"])
def event_judge_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Judge what caused an event, blind."""
    event = access_event(request.study, uid)
    entry = newest_entry(event)
    initial = {
        "relation": entry.relation, "why": entry.relation_why, "beyond_list": entry.beyond_list,
        "sponsor_relation": entry.sponsor_relation,
    }  # fmt: skip
    form = JudgeForm(posted(request), initial=initial)

    def write() -> object:
        return event_judge(entry=entry, judgement=form.judged(), actor=request.actor)

    return answer_act(request, act=JUDGE, form=form, write=write, subject=event)


@requires(Cap.EVENT_JUDGE)
@require_POST
def event_read_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Note that the clinician has read the newest entry."""
    event = access_event(request.study, uid)
    event_read(entry=newest_entry(event), actor=request.actor)
    messages.success(request, "Marked as read.")
    return redirect(page_of(request, event))


@requires(Cap.EVENT_JUDGE)
@require_http_methods(["GET", "POST"])
def event_close_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Close an event by signature; what is still open is listed before it is tried."""
    event = access_event(request.study, uid)
    form = CloseForm(posted(request))

    def write() -> object:
        return event_close(event=event, password=form.cleaned_data["password"], actor=request.actor)

    context = {"open_ends": open_ends(event, entries_of(event))}
    return answer_act(request, act=CLOSE, form=form, write=write, subject=event, context=context)


@requires(Cap.EVENT_JUDGE)
@open_to_kept_away  # somebody is in care, and the physician on duty may be the only one
@require_http_methods(["GET", "POST"])
def event_care(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record how somebody in care is."""
    event = access_event(request.study, uid)
    form = CareForm(posted(request))

    def write() -> object:
        return care_status_record(event=event, actor=request.actor, **form.cleaned_data)

    return answer_act(request, act=CARE, form=form, write=write, subject=event)


@requires(Cap.EVENT_JUDGE)
@require_http_methods(["GET", "POST"])
def event_news(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Approve what others are told about an event, or sign that they need not be."""
    event = access_event(request.study, uid)
    form = NewsForm(posted(request))

    def write() -> object:
        cleaned = dict(form.cleaned_data)
        needed = cleaned.pop("needed") == "yes"
        return news_decide(event=event, needed=needed, actor=request.actor, **cleaned)

    return answer_act(request, act=DECIDE, form=form, write=write, subject=event)


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def news_tell(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Read the approved text to a volunteer and record what they choose. Whose event it was is not shown."""
    participant = access_participant(request.study, code)
    event = access_event(request.study, uid)
    news = SafetyNews.objects.filter(event=event).order_by("-version").first()
    if news is None or not news.needed:
        raise Http404("There is no approved text about this.")
    form = NewsAnswerForm(posted(request))

    def write() -> object:
        return news_answer(
            news=news, participant=participant, actor=request.actor, **form.cleaned_data
        )

    return answer_act(
        request, act=TELL, form=form, write=write,
        back=f"/s/{request.study.slug}/volunteers/{participant.code}/",
        context={"news": news, "participant": participant},
    )  # fmt: skip
