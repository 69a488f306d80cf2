"""Contact details: seen only by asking for them, and every look is on the trail."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.edits import opened
from studylab.http import StaffRequest, answer_form
from studylab.participants.forms.volunteers import ContactChangeForm
from studylab.participants.models import Participant
from studylab.participants.rules.details import ContactDetails
from studylab.participants.selectors import access_participant, contact_details
from studylab.participants.selectors.wishes import standing_wish, unwell_since
from studylab.participants.services import DuplicateFound, contact_change, contact_read


@requires(Cap.CONTACT_VIEW)
@require_http_methods(["GET", "POST"])
def volunteer_contact(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Ask whether to show the details; shown after a click (POST), which is written down."""
    participant = access_participant(request.study, code)
    wish = standing_wish(participant)
    context: dict[str, object] = {
        "participant": participant, "wish": wish, "unwell": unwell_since(wish) if wish else None,
    }  # fmt: skip
    if request.method == "POST":
        details = contact_read(participant=participant, actor=request.actor)
        context |= {"shown": True, "facts": _facts(details) if details else None}
    return render(request, "participants/volunteer_contact.html", context)


@requires(Cap.VOLUNTEER_ADD)
@require_http_methods(["GET", "POST"])
def volunteer_contact_change(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Change the details. The form holds them, so opening it is a look too and needs a POST."""
    participant = access_participant(request.study, code)
    address = reverse("volunteer_contact", args=[request.study.slug, participant.code])
    if request.method == "GET":
        return redirect(address)
    template, context = "participants/volunteer_contact_change.html", {"participant": participant}
    if "family_name" not in request.POST:
        details = contact_read(participant=participant, actor=request.actor)
        if details is None:
            return redirect(address)
        form = _form(request, participant, details, bound=False)
        return render(request, template, {"form": form, "shown": ";" + opened(form), **context})
    before = contact_details(participant.person)
    if before is None:
        return redirect(address)
    form = _form(request, participant, before, bound=True)

    def write() -> list[str]:
        assert form.details is not None, "a valid form has details"
        try:
            return contact_change(
                participant=participant, details=form.details, decision=form.duplicate_decision(),
                actor=request.actor,
            )  # fmt: skip
        except DuplicateFound as found:  # somebody was added between the check and the write
            form.offer(found.matches)
            raise

    def done(changed: list[str]) -> str:
        messages.success(
            request, "Contact details changed." if changed else "Nothing was different."
        )
        return address

    return answer_form(
        request, form=form, template=template, write=write, done=done, context=context,
        edits=lambda: _as_it_stands(request, participant, before),
    )  # fmt: skip


def _as_it_stands(
    request: StaffRequest, participant: Participant, before: ContactDetails
) -> ContactChangeForm:
    """Return the form as it would be opened now. Once the details are erased it stays, and the service says so."""
    person = access_participant(request.study, participant.code).person
    return _form(request, participant, contact_details(person) or before, bound=False)


def _form(
    request: StaffRequest, participant: Participant, before: ContactDetails, *, bound: bool
) -> ContactChangeForm:
    data = request.POST if bound else None
    return ContactChangeForm(data, study=request.study, person=participant.person, before=before)


def _facts(details: ContactDetails) -> list[tuple[str, object]]:
    none = "not given"
    return [
        ("Family name", details.family_name),
        ("Given names", details.given_names),
        ("Birth date", f"{details.birth_date.day} {details.birth_date:%B %Y}"),
        ("E-mail address", details.email or none),
        ("Phone number", details.phone or none),
        ("Postal address", details.address or none),
        ("Emergency contact", details.emergency_name or none),
        ("Emergency contact's phone", details.emergency_phone or none),
    ]
