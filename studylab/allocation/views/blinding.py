"""Accidental unblinding, guesses, practising an opening, and paper cards."""

from datetime import datetime, timedelta
from typing import Any

from django.core import signing
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_GET, require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.blinding import (
    CardOpenedForm,
    CardSettleForm,
    CardsForm,
    DrillForm,
    GuessForm,
    LearntForm,
)
from studylab.allocation.models import CodeCard, Guess
from studylab.allocation.rules.rescue import RESCUE_FACTS
from studylab.allocation.selectors.blinding import cards_of, drill_valid_until, drills_of
from studylab.allocation.services.cards import entries_without_card
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal
from studylab.participants.selectors.volunteers import access_participant
from studylab.studies.selectors import current_protocol

_BEGAN = "studylab.allocation.drill"
_LONGEST_DRILL = timedelta(hours=2)


def _page(request: StaffRequest, name: str, **more: str) -> str:
    return reverse(name, kwargs={"study": request.study.slug, **more})


@requires(Cap.DEVIATION_RECORD)
@require_http_methods(["GET", "POST"])
def learnt_add(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record that somebody learnt an arm, or believes to know it."""
    person = access_participant(request.study, code)
    form = LearntForm(posted(request))
    back = _page(request, "volunteer", code=person.code)
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.learnt_record(
            participant=person, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _row: back,
        message="The accidental unblinding is on record, as a deviation too.",
        context={
            "heading": f"Accidental unblinding: {person.code}",
            "text": "For an arm that somebody learnt outside an emergency opening, or believes to know. Record it as "
            "soon as it happened, whoever it was. Which arm it is stays unsaid.",
            "submit": "Record it",
            "cancel": back,
        },
    )


@requires(Cap.GUESS_RECORD)
@require_http_methods(["GET", "POST"])
def guess_add(
    request: StaffRequest, study: str, code: str, stage: str, teller: str
) -> HttpResponse:
    """Ask the volunteer or the experimenter what they believe, before or after the last visit."""
    if teller not in Guess.Teller.values or stage not in Guess.Stage.values:
        raise Http404
    person = access_participant(request.study, code)
    arms = current_protocol(request.study).plan.allocation.arms
    form = GuessForm(posted(request), arms=arms)
    back = _page(request, "volunteer", code=person.code)
    whose = Guess.Teller(teller).label
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.guess_record(
            participant=person, teller=teller, stage=stage, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _row: back,
        message="The guess is on record. Nobody is shown it before the list is open.",
        context={
            "heading": f"Guess of {whose}: {person.code}",
            "text": f"Asked once {Guess.Stage(stage).label}, and not changed afterwards. Do not tell your own guess before "
            "the volunteer has answered.",
            "submit": "Record the guess",
            "cancel": back,
        },
    )


@requires(Cap.CODE_OPEN)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def drill(request: StaffRequest, study: str) -> HttpResponse:
    """Practise an emergency opening from the first page to the arm, on somebody who does not exist."""
    plan = current_protocol(request.study).plan
    began = signing.dumps(clock.now().isoformat(), salt=_BEGAN)
    form = DrillForm(posted(request), initial={"began": began})
    context: dict[str, Any] = {
        "form": form,
        "plan": plan,
        "facts": RESCUE_FACTS,
        "drills": drills_of(request.study),
        "until": drill_valid_until(request.study, request.actor.user_id or 0),
    }
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            given = dict(form.cleaned_data)
            try:
                made = services.drill_finish(
                    study=request.study,
                    began_at=_began(given.pop("began")),
                    actor=request.actor,
                    **given,
                )
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                return render(request, "allocation/drill_done.html", {**context, "drill": made})
    return render(request, "allocation/drill.html", context, status=status)


def _began(text: str) -> datetime:
    """Return when the page was opened; the present when the mark is damaged or too old to be one go."""
    try:
        began = datetime.fromisoformat(signing.loads(text, salt=_BEGAN))
    except (signing.BadSignature, ValueError):
        return clock.now()
    return began if clock.now() - _LONGEST_DRILL <= began <= clock.now() else clock.now()


@requires(Cap.REVEALS_VIEW)
@require_GET
def cards(request: StaffRequest, study: str) -> HttpResponse:
    """Show which paper cards there are and what became of each; never an arm."""
    return render(request, "allocation/cards.html", {"cards": cards_of(request.study)})


@requires(Cap.LIST_MANAGE)
@sensitive_post_parameters("password")
@sensitive_variables()
@require_http_methods(["GET", "POST"])
def cards_print(request: StaffRequest, study: str) -> HttpResponse:
    """Make cards for issued numbers and show them once, to be printed, folded and sealed."""
    form = CardsForm(posted(request))
    missing = entries_without_card(request.study)
    context: dict[str, Any] = {"form": form, "missing": missing}
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = services.cards_print(
                    study=request.study, actor=request.actor, **form.cleaned_data
                )
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                plan = current_protocol(request.study).plan
                return render(
                    request, "allocation/cards_printed.html", {"printed": made, "plan": plan}
                )
    return render(request, "allocation/cards_print.html", context, status=status)


def _card(request: StaffRequest, serial: str) -> CodeCard:
    cards = CodeCard.objects.select_related("entry__list", "entry__participant").defer(
        "entry__box", "entry__list__box"
    )
    return get_object_or_404(cards, entry__list__study=request.study, serial=serial)


@requires(Cap.CODE_OPEN)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def card_opened(request: StaffRequest, study: str, serial: str) -> HttpResponse:
    """Record afterwards that a paper card was opened."""
    card = _card(request, serial)
    form = CardOpenedForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.card_opened(card=card, actor=request.actor, **form.cleaned_data),
        done=lambda _line: _page(request, "cards"),
        message="The opening is on record; nothing more is given to this volunteer.",
        context={
            "heading": f"Card {card.serial} was opened",
            "text": f"Number {card.entry.number}. It counts as an opening of the code: lead and pharmacist see that it "
            "happened, and nothing more is given to this volunteer. Do not write the arm.",
            "submit": "Record the opening",
            "cancel": _page(request, "cards"),
            "danger": True,
        },
    )


@requires(Cap.LIST_MANAGE)
@require_http_methods(["GET", "POST"])
def card_settle(request: StaffRequest, study: str, serial: str) -> HttpResponse:
    """Record that a card was destroyed sealed, or cannot be found."""
    card = _card(request, serial)
    form = CardSettleForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.card_settle(card=card, actor=request.actor, **form.cleaned_data),
        done=lambda _line: _page(request, "cards"),
        message=f"Card {card.serial} is settled.",
        context={
            "heading": f"Card {card.serial}",
            "text": f"For number {card.entry.number}, kept: {card.kept}.",
            "submit": "Record it",
            "cancel": _page(request, "cards"),
        },
    )
