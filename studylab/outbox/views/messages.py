"""The messages of a study, and those that need a person."""

from uuid import UUID

from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.outbox.forms.deciding import DecideForm
from studylab.outbox.rules.states import NEEDS_PERSON
from studylab.outbox.selectors.messages import (
    MOST,
    PERSON,
    chosen,
    counts,
    messages_to_volunteers,
    needs_person,
    titles,
    todo_of,
)
from studylab.outbox.services.deciding import message_decide
from studylab.outbox.texting import gateway, mail_is_on


@requires(Cap.MESSAGE_DECIDE)
@require_safe
def messages_list(request: StaffRequest, study: str) -> HttpResponse:
    """List messages to volunteers, by state."""
    seen = counts(request.study)
    state = request.GET.get("state", "")
    if state not in {PERSON, *(one[0] for one in seen)}:
        state = ""
    names = titles()
    now = clock.now()
    rows = chosen(request.study, state, now)
    return render(
        request, "outbox/messages.html",
        {
            "rows": [(row, names.get(row.kind, row.kind), row.state in NEEDS_PERSON and row.matters_until > now) for row in rows],
            "state": state, "counts": seen, "waiting": needs_person(request.study, now).count(),
            "full": len(rows) == MOST, "most": MOST, "is_on": mail_is_on(),
            "texting": gateway() is not None,
            "is_demo": settings.ENVIRONMENT == "demo",
        },
    )  # fmt: skip


@requires(Cap.MESSAGE_DECIDE)
@require_http_methods(["GET", "POST"])
def message_question(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show what is known of a message that needs a person, and take the decision."""
    row = get_object_or_404(messages_to_volunteers(request.study), uid=uid)
    form = DecideForm(posted(request))
    back = f"{reverse('messages', args=[study])}?state={PERSON}"
    return answer_form(
        request, form=form, template="outbox/question.html",
        write=lambda: message_decide(message=row, actor=request.actor, **form.cleaned_data),
        done=lambda _row: back, message="It is on record.", shown=f"{row.state}-{row.attempts}",
        context={
            "row": row, "title": titles().get(row.kind, row.kind), "back": back,
            "tries": row.tries.select_related("end").order_by("number"),
            "is_open": row.state in NEEDS_PERSON, "todo": todo_of(row),
        },
    )  # fmt: skip
