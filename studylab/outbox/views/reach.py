"""How a volunteer is reached, and looking after mails that came back."""

from zoneinfo import available_timezones

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.forms import local_minute
from studylab.http import StaffRequest, answer_form, posted
from studylab.outbox.forms.reach import ReachForm, SettledForm
from studylab.outbox.selectors.messages import titles
from studylab.outbox.selectors.reach import reach_of
from studylab.outbox.selectors.undelivered import bad_address, open_of
from studylab.outbox.services.reach import reach_write
from studylab.outbox.services.undelivered import undelivered_settle
from studylab.outbox.texting import gateway
from studylab.participants.selectors import access_participant


@requires(Cap.VOLUNTEER_ADD)
@require_http_methods(["GET", "POST"])
def volunteer_reach(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show and record what a volunteer said about messages."""
    person = access_participant(request.study, code)
    row = reach_of(person)
    initial = {
        "channel": row.channel if row else "mail", "short_agreed": row.short_agreed if row else False,
        "zone": row.zone if row else "", "said_at": local_minute(clock.now()),
    }  # fmt: skip
    form = ReachForm(posted(request), initial=initial)
    back, seen = reverse("volunteer", args=[study, person.code]), row.pk if row else 0
    return answer_form(
        request, form=form, template="outbox/reach.html",
        write=lambda: reach_write(participant=person, seen=seen, actor=request.actor, **form.cleaned_data),
        done=lambda _row: back, message="It is on record.", shown=f"{seen}",
        context={
            "participant": person, "back": back, "bad": bad_address(person), "texting": gateway() is not None,
            "zones": sorted(available_timezones()),
        },
    )  # fmt: skip


@requires(Cap.VOLUNTEER_ADD)
@require_http_methods(["GET", "POST"])
def message_settle(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record what was done about a volunteer's mails that came back."""
    person = access_participant(request.study, code)
    form = SettledForm(posted(request))
    rows = list(open_of(person))
    bad, names = bad_address(person), titles()
    back = reverse("volunteer", args=[study, person.code])
    return answer_form(
        request, form=form, template="outbox/settle.html",
        write=lambda: undelivered_settle(participant=person, actor=request.actor, **form.cleaned_data),
        done=lambda _count: back, message="It is on record.",
        shown="-".join(str(row.pk) for row in rows) or "0",
        context={"participant": person, "rows": [(row, names.get(row.message.kind, row.message.kind)) for row in rows], "bad": bad, "back": back},
    )  # fmt: skip
