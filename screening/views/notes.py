"""What was noted about a volunteer, one more note, and a physician's answer to a note that names a medicine."""

from django.http import Http404, HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from screening.forms.notes import ContactNoteForm, NoteAnswerForm
from screening.models import ContactNote
from screening.selectors.notes import note_lines, open_notes
from screening.services.notes import note_answer, note_record
from screening.views.words import next_url, with_query
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form
from studylab.participants.selectors import access_participant


@requires(Cap.HEALTH_VIEW)
@require_http_methods(["GET", "POST"])
def notes(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """List what was noted, the newest first, and take one more note."""
    participant = access_participant(request.study, code)
    form = ContactNoteForm(request.POST if request.method == "POST" else None)

    def write() -> ContactNote:
        return note_record(participant=participant, actor=request.actor, **form.cleaned_data)

    return answer_form(
        request,
        form=form,
        template="screening/notes.html",
        write=write,
        done=lambda _: request.path,
        message="The note is on record.",
        context={
            "participant": participant,
            "lines": note_lines(participant),
            "current_section": "volunteers",
        },
    )


@requires(Cap.SIGN_OFF)
@require_http_methods(["GET", "POST"])
def answer(request: StaffRequest, study: str, code: str, key: str) -> HttpResponse:
    """Say whether what a note names stands in the way of a dose."""
    participant = access_participant(request.study, code)
    asked = next((one for one in open_notes(participant) if one.note.key == key), None)
    if asked is None and request.method == "GET":
        raise Http404("Nothing is asked about this note any more.")
    shown = "\n".join(asked.words) if asked else ""
    form = NoteAnswerForm(
        request.POST if request.method == "POST" else None, initial={"words": shown}
    )
    back = next_url(request) or reverse("volunteer_notes", args=[study, code])
    return answer_form(
        request,
        form=form,
        template="screening/note_answer.html",
        write=lambda: note_answer(
            participant=participant, note=key, actor=request.actor, **form.said()
        ),
        done=lambda _: back,
        message="The answer is on record.",
        context={
            "participant": participant,
            "asked": asked,
            "next": next_url(request),
            "here": with_query(request.path, next=next_url(request)),
            "current_section": "volunteers",
        },
    )
