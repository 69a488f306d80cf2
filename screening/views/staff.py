"""Possible relations between a volunteer and staff, decided by the lead."""

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from screening.forms.staff import StaffDecisionForm, StaffPhoneForm
from screening.selectors.staff_ties import decisions_of, phones_on_file, staff_ties
from screening.services.staff import staff_decide, staff_phone_set
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form
from studylab.participants.selectors import access_participant


@requires(Cap.SETUP_EDIT)
@require_http_methods(["GET", "POST"])
def relations(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """What points to a relation, what was decided before, and the decision."""
    participant = access_participant(request.study, code)
    ties = staff_ties(participant)
    first = next((tie.user.pk for tie in ties if tie.user), None)
    form = StaffDecisionForm(
        request.POST if request.method == "POST" else None, study=request.study,
        initial={"user": first},
    )  # fmt: skip
    return answer_form(
        request,
        form=form,
        template="screening/relations.html",
        write=lambda: staff_decide(
            participant=participant,
            user=form.cleaned_data["user"],
            kept_away=form.cleaned_data["kept_away"] == "yes",
            reason=form.cleaned_data["reason"],
            actor=request.actor,
        ),
        done=lambda _: reverse("assessment_relations", args=[study, code]),
        message="The decision is recorded.",
        context={
            "participant": participant,
            "ties": ties,
            "decisions": decisions_of(participant),
            "cancel": reverse("home", args=[study]),
        },
    )


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def phones(request: StaffRequest, study: str) -> HttpResponse:
    """Phone numbers of staff that can be compared with those of volunteers: which are on file, and one more."""
    form = StaffPhoneForm(request.POST if request.method == "POST" else None, study=request.study)
    return answer_form(
        request,
        form=form,
        template="screening/staff_phones.html",
        write=lambda: staff_phone_set(
            study=request.study,
            user=form.cleaned_data["user"],
            kind=form.cleaned_data["kind"],
            phone=form.cleaned_data["phone"].strip(),
            actor=request.actor,
        ),
        done=lambda _: reverse("set_up_staff_phones", args=[study]),
        message="Kept. Volunteers with the same number are raised to you.",
        context={"staff": phones_on_file(request.study), "cancel": reverse("people", args=[study])},
    )
