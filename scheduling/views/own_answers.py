"""What staff does about what volunteers wrote or asked for on their own page."""

from datetime import UTC, datetime
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from scheduling.forms.own_answers import MoveDeclineForm, WordDoneForm
from scheduling.models import Visit
from scheduling.rules.search import SeriesOption
from scheduling.selectors.own_options import free_again
from scheduling.selectors.own_page import LAPSED, Asked, access_proposal, proposal_shown
from scheduling.selectors.series import current_series
from scheduling.services.own_moves import own_move_answer
from screening.services.exposure import saw_after_dose
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import NotAllowed, StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.doses import doses_of
from studylab.participants.selectors import access_participant
from studylab.participants.selectors.words import access_word, word_shown
from studylab.participants.services import words


@requires(Cap.EVENT_RECORD)
@require_http_methods(["GET", "POST"])
def word(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """What a volunteer wrote, who looks after it, and what was done."""
    participant = access_participant(request.study, code)
    found = access_word(participant, uid)
    saw_after_dose(participant=participant, page="volunteer's own words", actor=request.actor)
    form = WordDoneForm(posted(request))
    here = reverse("word", args=[study, code, uid])
    return answer_form(
        request, form=form, template="scheduling/own/word.html",
        write=lambda: words.word_done(word=found, text=form.cleaned_data["text"], actor=request.actor),
        done=lambda _: here, message="What was done is recorded. The volunteer sees that you have seen to it.",
        context={
            "one": word_shown(found, clock.now()), "participant": participant,
            "dosed_at": doses_of(request.study).get(participant.pk),
        },
    )  # fmt: skip


@requires(Cap.EVENT_RECORD)
@require_POST
def word_take(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Look after it from now on."""
    found = access_word(access_participant(request.study, code), uid)
    words.word_take(word=found, actor=request.actor)
    messages.success(request, "You look after it. The volunteer sees your name.")
    return redirect("word", study, code, uid)


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def move_asked(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Another time that a volunteer asks for: accept it with one press, or decline it with a word."""
    participant = access_participant(request.study, code)
    proposal = access_proposal(participant, uid)
    form = MoveDeclineForm(posted(request))
    series, now = current_series(participant), clock.now()
    asked = proposal_shown(proposal, now)
    return answer_form(
        request, form=form, template="scheduling/own/asked.html",
        write=lambda: own_move_answer(
            proposal=proposal, accepted=False, word=form.cleaned_data["word"], actor=request.actor
        ),
        done=lambda _: reverse("series_view", args=[study, code]),
        message="Declined. The volunteer reads your word on their page.",
        context={
            "asked": asked, "participant": participant, "again": _again(asked, now),
            "visits": list(series.visits.all()) if series else [],
            "new_times": [(row[0], datetime.fromtimestamp(row[1], UTC)) for row in proposal.hold.option],
        },
    )  # fmt: skip


@requires(Cap.SERIES_BOOK)
@require_POST
def move_accept(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Move the visit to the time asked for; where it is no longer held, if it is free all the same."""
    proposal = access_proposal(access_participant(request.study, code), uid)
    now = clock.now()
    try:
        own_move_answer(
            proposal=proposal, accepted=True, word="", actor=request.actor,
            again=_again(proposal_shown(proposal, now), now),
        )  # fmt: skip
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.error(request, refusal.message)
        return redirect("move_asked", study, code, uid)
    messages.success(request, "Moved. The volunteer sees the new time on their page.")
    return redirect("series_view", study, code)


def _again(asked: Asked, now: datetime) -> SeriesOption | None:
    """Search once more for times whose hold has lapsed while the visit still stands where it was."""
    visit = asked.proposal.visit
    stands = visit.state == Visit.State.BOOKED and visit.planned.lower == asked.proposal.old_start
    if asked.state != LAPSED or not stands or asked.proposal.new_start <= now:
        return None
    return free_again(asked.proposal, now)
