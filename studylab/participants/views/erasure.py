"""Erasing contact details, with what keeps them and what would break said first."""

from hashlib import sha256

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.forms.erasure import EraseForm
from studylab.participants.selectors import access_participant
from studylab.participants.selectors.erasure import is_erased, kept_because, would_break
from studylab.participants.services.erasure import contact_erase

FOLLOWS = [
    "Name, birth date, addresses and the emergency contact are gone for good. Nobody can be called any more.",
    "Everything recorded under the code stays, and so do list and trail.",
    "Keyed digests stay: when the same person enquires again, they are still recognised as known to the site.",
    "Copies in backups last until those are overwritten.",
]


@requires(Cap.VOLUNTEER_ADD)
@require_http_methods(["GET", "POST"])
def volunteer_contact_erase(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Ask, then erase."""
    participant = access_participant(request.study, code)
    kept, breaks = kept_because(participant), would_break(participant)
    form = EraseForm(posted(request))
    back = reverse("volunteer_contact", args=[study, code])

    def write() -> list[str]:
        return contact_erase(
            participant=participant, reason=form.cleaned_data["reason"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="participants/contact_erase.html", write=write,
        done=lambda _: back, message=f"The contact details of {code} are erased.",
        shown=sha256("|".join([*kept, *breaks]).encode()).hexdigest(),
        context={
            "participant": participant, "kept": kept, "breaks": breaks, "follows": FOLLOWS,
            "back": back, "erased": is_erased(participant), "current_section": "volunteers",
        },
    )  # fmt: skip
