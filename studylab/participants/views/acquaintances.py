"""Volunteers who know each other."""

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.forms.acquaintances import AcquaintanceForm
from studylab.participants.selectors.acquaintances import acquaintances_of
from studylab.participants.selectors.volunteers import access_participant
from studylab.participants.services.acquaintances import acquaintance_decide


@requires(Cap.QUESTIONS_RECORD)
@require_http_methods(["GET", "POST"])
def acquaintances(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show whom a volunteer knows, and take what is decided about it."""
    person = access_participant(request.study, code)
    form = AcquaintanceForm(posted(request))
    here = reverse("volunteer_acquaintances", args=[study, person.code])
    return answer_form(
        request,
        form=form,
        template="participants/acquaintances.html",
        write=lambda: acquaintance_decide(
            participant=person, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _row: here,
        message="It is on record.",
        context={"participant": person, "rows": acquaintances_of(person)},
    )
