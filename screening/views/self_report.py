"""The questionnaire behind a personal link. Addresses carry the number of a screen and nothing else."""

from collections.abc import Mapping
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from screening.forms.self_report import BodyForm, TopicForm
from screening.forms.self_report_medicines import MedicinesForm
from screening.rules.self_report import Content, Screen, first_open, open_keys
from screening.rules.words import Words, words_for
from screening.selectors.self_report import open_report, screens_of, written_of
from screening.services.self_report import self_report_save, self_report_send
from screening.views.self_report_words import reviewed
from studylab import clock
from studylab.access import Actor, link_page
from studylab.errors import StudylabError
from studylab.participants.models import Participant, PersonalLink
from studylab.participants.rules.link import Door
from studylab.participants.selectors import agreed_to_questions
from studylab.participants.services import agreement_give
from studylab.studies.selectors import current_protocol

QUESTIONS = PersonalLink.Purpose.QUESTIONS


class LinkRequest(HttpRequest):
    """A request that the link's middleware let through."""

    link: PersonalLink
    link_door: Door
    actor: Actor
    languages: tuple[str, ...]


@link_page(QUESTIONS)
@require_GET
def start(request: LinkRequest) -> HttpResponse:
    """Go to where the volunteer stopped: the agreement, the first screen not gone through, the review, the
    end."""
    if request.link_door is Door.DONE:
        return redirect("self_report_sent")
    participant = request.link.participant
    if not agreed_to_questions(participant):
        return redirect("self_report_agreement")
    number = first_open(screens_of(participant), _seen(participant))
    if number > len(screens_of(participant)):
        return redirect("self_report_review")
    return redirect("self_report_screen", number)


@link_page(QUESTIONS)
@require_http_methods(["GET", "POST"])
def agreement(request: LinkRequest) -> HttpResponse:
    """Ask for the agreement to be asked health questions, before anything else is."""
    participant = request.link.participant
    if request.link_door is Door.DONE or agreed_to_questions(participant):
        return redirect("self_report")
    version = current_protocol(participant.study).plan.consent_version
    if request.method == "POST" and request.POST.get("version") == version:
        agreement_give(
            participant=participant, version=version, actor=request.actor,
            language=translation.get_language() or "",
        )  # fmt: skip
        return redirect("self_report")
    changed = request.method == "POST"
    status = 409 if changed else 200
    context = {"version": version, "changed": changed, "total": len(screens_of(participant))}
    return render(request, "links/questions/agreement.html", context, status=status)


@link_page(QUESTIONS)
@require_http_methods(["GET", "POST"])
@sensitive_post_parameters()
def screen(request: LinkRequest, number: int) -> HttpResponse:
    """Show one screen, or keep what was written on it and go on."""
    participant = request.link.participant
    if request.link_door is Door.DONE or not agreed_to_questions(participant):
        return redirect("self_report")
    shown = _screen(participant, number)
    written = written_of(open_report(participant))
    form = _form(shown, request.POST if request.method == "POST" else None, written, participant)
    if request.method == "GET":
        return _show(request, shown, form)
    if not form.is_valid():
        return _show(request, shown, form, status=422)
    contents = form.contents()
    still_open = open_keys(shown, {**written, **contents})
    stays = bool(still_open) and not {"leave_open", "more", "later"} & set(request.POST)
    try:
        self_report_save(
            participant=participant, screen=number, contents=contents, actor=request.actor,
            done=not stays and not {"more", "later"} & set(request.POST),
        )  # fmt: skip
    except StudylabError as refusal:
        # What a service says is meant for the staff, in English.
        form.add_error(
            None, _("This could not be saved. Look at your answers again, or call the team.")
        )
        return _show(request, shown, form, status=refusal.status)
    if stays:
        return _show(request, shown, form, still_open, status=422)
    return _go_on(request, shown)


@link_page(QUESTIONS)
@require_http_methods(["GET", "POST"])
def review(request: LinkRequest) -> HttpResponse:
    """Show everything once more, and send it."""
    participant = request.link.participant
    if request.link_door is Door.DONE or not agreed_to_questions(participant):
        return redirect("self_report")
    all_screens = screens_of(participant)
    written = written_of(open_report(participant))
    if first_open(all_screens, _seen(participant)) <= len(all_screens):
        return redirect("self_report")
    if request.method == "POST":
        self_report_send(
            participant=participant, link=request.link, actor=request.actor,
            language=translation.get_language() or "",
        )  # fmt: skip
        return redirect("self_report_sent")
    parts = [reviewed(one, written, _words(participant)) for one in all_screens]
    context = {"parts": parts, "open": sum(part.open for part in parts)}
    return render(request, "links/questions/review.html", context)


@link_page(QUESTIONS)
@require_GET
def sent(request: LinkRequest) -> HttpResponse:
    """Say that it was sent and what happens next: the same words for everybody."""
    if request.link_door is not Door.DONE:
        return redirect("self_report")
    return render(request, "links/questions/sent.html")


@link_page(QUESTIONS)
@require_GET
def later(request: LinkRequest) -> HttpResponse:
    """Say that everything is kept and how to go on."""
    if request.link_door is Door.DONE:
        return redirect("self_report")
    return render(request, "links/questions/later.html")


def _go_on(request: LinkRequest, shown: Screen) -> HttpResponse:
    """Return to where the button leads: the review when one came from there, else the next screen."""
    if "more" in request.POST:
        return redirect("self_report_screen", shown.number)
    if "later" in request.POST:
        return redirect("self_report_later")
    total = len(screens_of(request.link.participant))
    if "review" in request.POST or shown.number == total:
        return redirect("self_report_review")
    return redirect("self_report_screen", shown.number + 1)


def _screen(participant: Participant, number: int) -> Screen:
    for one in screens_of(participant):
        if one.number == number:
            return one
    raise Http404(_("There is no such page."))


def _form(
    shown: Screen, data: Any, written: Mapping[str, Content], participant: Participant
) -> Any:
    today = timezone.localtime(clock.now()).date()
    if shown.kind == "medicines":
        return MedicinesForm(data, written=written, today=today)
    if shown.kind == "body":
        return BodyForm(data, written=written)
    return TopicForm(data, screen=shown, written=written, words=_words(participant), today=today)


def _show(
    request: LinkRequest,
    shown: Screen,
    form: Any,
    still_open: tuple[str, ...] = (),
    status: int = 200,
) -> HttpResponse:
    participant = request.link.participant
    all_screens = screens_of(participant)
    context = {
        "form": form,
        "screen": shown,
        "total": len(all_screens),
        "title": _words(participant).say(shown.topic.title) if shown.topic else "",
        "reviewing": first_open(all_screens, _seen(participant)) > len(all_screens),
        "back": shown.number - 1,
        "still_open": len(still_open),
        "open_keys": still_open,
    }
    return render(request, f"links/questions/{shown.kind}.html", context, status=status)


def _seen(participant: Participant) -> dict[int, bool]:
    report = open_report(participant)
    return dict.fromkeys(report.screens_seen, True) if report else {}


def _words(participant: Participant) -> Words:
    plan = current_protocol(participant.study).plan
    return words_for(translation.get_language() or "en", plan.questions)
