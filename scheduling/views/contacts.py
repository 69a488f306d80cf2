"""The contact after a dose: whom to reach, and one attempt."""

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.forms.contacts import ContactForm
from scheduling.models import AfterContact
from scheduling.selectors.evidence import evidence_of
from scheduling.selectors.sheet import access_visit
from scheduling.selectors.today import ContactDue, contact_window, contacts_due
from scheduling.services.contacts import contact_record
from scheduling.views.words import CONTACT_KINDS
from screening.rules.after_dose import RED_FLAGS
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors.wishes import wants_no_safety_contact
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol


def contact_rows(study: Study) -> list[tuple[ContactDue, str]]:
    """Return who is to be contacted with the kind of state: overdue first, then by the end of the time."""
    order = {"overdue": 0, "due": 1, "early": 2}
    rows = contacts_due(study, clock.now())
    rows.sort(key=lambda row: (order[row.state], row.due_until))
    return [(row, CONTACT_KINDS[row.state]) for row in rows]


@requires(Cap.TODAY_VIEW)
@require_GET
def contacts(request: StaffRequest, study: str) -> HttpResponse:
    """List everybody who was dosed and is still to be reached."""
    context = {
        "rows": contact_rows(request.study),
        "declined": sorted(wants_no_safety_contact(request.study).values()),
        "now": clock.now(),
        "current_section": "today",
    }
    return render(request, "scheduling/contacts/contacts.html", context)


@requires(Cap.CONTACT_RECORD)
@require_http_methods(["GET", "POST"])
def contact_add(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record one attempt to reach somebody after their dose."""
    visit = access_visit(request.study, uid)
    dose = evidence_of([visit])[visit.pk].dose
    if dose is None:
        raise Http404("No dose is on record for this visit, so there is nobody to contact.")
    plan = current_protocol(request.study).plan
    form = ContactForm(posted(request), questions=plan.follow_up.questions)

    def write() -> AfterContact:
        return contact_record(dose=dose, actor=request.actor, **form.said())

    due_from, due_until = contact_window(dose, plan.follow_up)
    row = next((row for row in contacts_due(request.study, clock.now()) if row.dose == dose), None)
    return answer_form(
        request, form=form, template="scheduling/contacts/add.html", write=write,
        done=lambda _: reverse("contacts", args=[request.study.slug]), message="Contact recorded.",
        context={
            "current_section": "today", "visit": visit, "participant": visit.participant,
            "dose": dose, "due_from": due_from, "due_until": due_until, "row": row,
            "row_kind": CONTACT_KINDS[row.state] if row else "ok", "plan": plan,
            "red_flags": list(RED_FLAGS.values()),
            "back": reverse("contacts", args=[request.study.slug]),
        },
    )  # fmt: skip
