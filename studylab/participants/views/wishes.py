"""What somebody who left said may happen: every entry, and a further one."""

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.forms.wishes import WishForm
from studylab.participants.selectors import access_participant
from studylab.participants.selectors.wishes import wishes_of
from studylab.participants.services.wishes import wish_record


@requires(Cap.WITHDRAW)
@require_http_methods(["GET", "POST"])
def volunteer_wishes(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show the entries, the newest first, and take a further one."""
    participant = access_participant(request.study, code)
    entries = wishes_of(participant)
    form = WishForm(posted(request), further=bool(entries))

    def write() -> object:
        wishes = form.said()
        assert wishes is not None, "the form asks for every answer"
        return wish_record(
            participant=participant, wishes=wishes, actor=request.actor,
            reason=form.cleaned_data.get("reason", ""),
        )  # fmt: skip

    return answer_form(
        request, form=form, template="participants/volunteer_wishes.html", write=write,
        done=lambda _: reverse("volunteer", args=[study, code]), message="Recorded.",
        shown=str(entries[0].pk if entries else 0),
        context={"participant": participant, "entries": entries, "current_section": "volunteers"},
    )  # fmt: skip
