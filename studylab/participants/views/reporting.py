"""Reports, receipts and what the person was told: the same for an event and for a deviation."""

from collections.abc import Callable
from functools import wraps
from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET, require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.audit.history import STANDS
from studylab.http import StaffRequest, posted
from studylab.participants.forms.reporting import (
    AssessForm,
    NotToldForm,
    ReceiptForm,
    SentForm,
    ToldForm,
)
from studylab.participants.selectors import access_deviation
from studylab.participants.selectors.events import access_event
from studylab.participants.selectors.owed import assessments_of
from studylab.participants.services import (
    deviation_assess,
    person_not_told,
    person_told,
    report_received,
    report_sent,
)
from studylab.participants.services.reporting import NOT_TOLD, due_of
from studylab.participants.views.acts import Act, Subject, answer_act

TOLD = Act(
    "The volunteer was told", "What touched somebody's dose, blind or safety is told to them, honestly.",
    "Record that they were told", "Recorded that the volunteer was told.",
)  # fmt: skip
UNTOLD = Act("The volunteer is not told", "A clinician decides and signs.", "Sign", "Recorded and signed.", NOT_TOLD)  # fmt: skip
ASSESS = Act(
    "Assess the deviation", "What it means for the person and for the data, and what is changed.",
    "Record the assessment", "The assessment is recorded.",
)  # fmt: skip
Answer = Callable[..., HttpResponse]


def _of_event(view: Answer) -> Answer:
    @wraps(view)
    def run(request: StaffRequest, study: str, uid: UUID, **kwargs: str) -> HttpResponse:
        return view(request, access_event(request.study, uid), **kwargs)

    return run


def _of_deviation(view: Answer) -> Answer:
    @wraps(view)
    def run(request: StaffRequest, study: str, uid: UUID, **kwargs: str) -> HttpResponse:
        return view(request, access_deviation(request.study, uid), **kwargs)

    return run


def _report(request: StaffRequest, subject: Subject, rule: str, part: str) -> HttpResponse:
    """Take that a report was sent, or the receipt of one that was."""
    now = clock.now()
    due = next((one for one in due_of(subject, now) if (one.rule, one.part) == (rule, part)), None)
    if due is None:
        raise Http404("No such report is due about this.")
    sent = subject.reports.filter(STANDS, rule=rule, part=part).first()
    receipt = sent is not None and not sent.receipt
    form = ReceiptForm(posted(request)) if receipt else SentForm(posted(request))

    def write() -> object:
        if receipt:
            return report_received(report=sent, actor=request.actor, **form.cleaned_data)  # type: ignore[arg-type]
        return report_sent(
            subject=subject, rule=rule, part=part, actor=request.actor, **form.cleaned_data
        )

    act = (
        Act("Enter the receipt", "", "Enter the receipt", "The receipt is on record.")
        if receipt
        else Act("A report was sent", "Studylab sends nothing by itself: it keeps track of what was sent.",
                 "Record as sent", "The report is on record.")
    )  # fmt: skip
    return answer_act(
        request, act=act, form=form, write=write, subject=subject, context={"due": due}
    )


def _told(request: StaffRequest, subject: Subject) -> HttpResponse:
    """Take when, by whom and how the person was told."""
    form = ToldForm(posted(request))

    def write() -> object:
        return person_told(subject=subject, actor=request.actor, **form.cleaned_data)

    return answer_act(request, act=TOLD, form=form, write=write, subject=subject)


def _not_told(request: StaffRequest, subject: Subject) -> HttpResponse:
    """Take why the person is not told, signed."""
    form = NotToldForm(posted(request))

    def write() -> object:
        return person_not_told(subject=subject, actor=request.actor, **form.cleaned_data)

    return answer_act(request, act=UNTOLD, form=form, write=write, subject=subject)


@requires(Cap.DEVIATION_CLOSE)
@require_http_methods(["GET", "POST"])
def deviation_assess_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Assess a deviation."""
    found = access_deviation(request.study, uid)
    newest = next(iter(reversed(assessments_of(found))), None)
    initial = {}
    if newest is not None:
        initial = {name: getattr(newest, name) for name in AssessForm.base_fields}
        initial |= {name: "yes" if initial[name] else "no" for name in ("touches", "breach")}
    form = AssessForm(posted(request), initial=initial)

    def write() -> object:
        return deviation_assess(deviation=found, assessed=form.said(), actor=request.actor)

    return answer_act(request, act=ASSESS, form=form, write=write, subject=found)


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def deviation_notice(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show the draft of a notice of a serious breach: codes, no names, for print."""
    found = access_deviation(request.study, uid)
    due = next((one for one in due_of(found, clock.now()) if one.covers == "serious_breach"), None)
    newest = next(iter(reversed(assessments_of(found))), None)
    return render(
        request, "participants/deviation_notice.html",
        {"deviation": found, "due": due, "assessment": newest, "now": clock.now()},
    )  # fmt: skip


_forms = require_http_methods(["GET", "POST"])
event_report = requires(Cap.REPORT_RECORD)(_forms(_of_event(_report)))
deviation_report = requires(Cap.REPORT_RECORD)(_forms(_of_deviation(_report)))
event_told = requires(Cap.EVENT_RECORD)(_forms(_of_event(_told)))
deviation_told = requires(Cap.EVENT_RECORD)(_forms(_of_deviation(_told)))
event_not_told = requires(Cap.EVENT_JUDGE)(_forms(_of_event(_not_told)))
deviation_not_told = requires(Cap.EVENT_JUDGE)(_forms(_of_deviation(_not_told)))
