"""Somebody leaves the study: what they still hold, and ending everything at once."""

from django.contrib import messages
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.forms import LeaveForm
from studylab.people.leaving import held_by
from studylab.people.selectors.leaving import access_person, roles_left
from studylab.people.services.leaving import Left, person_leave


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def person_leaves(request: StaffRequest, study: str, person: int) -> HttpResponse:
    """Show what somebody still holds, and end all their roles at once after asking."""
    user = access_person(request.study, person)
    form = LeaveForm(posted(request))
    people = reverse("people", args=[study])

    def write() -> Left:
        left = person_leave(
            study=request.study, user=user, reason=form.cleaned_data["reason"], actor=request.actor
        )
        for said in (f"{user.name} has no access to this study any more.", *left.followed):
            messages.success(request, said)
        return left

    return answer_form(
        request, form=form, template="people/leave.html", write=write, done=lambda _left: people,
        context={
            "person": user, "rows": roles_left(user, request.study),
            "held": held_by(request.study, user, request.actor), "cancel": people,
        },
    )  # fmt: skip
