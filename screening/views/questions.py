"""The questionnaire at screening and the questions of the dosing day."""

from functools import partial
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from screening.forms.medicines import with_more_rows
from screening.forms.questions import QuestionsForm
from screening.models import AnswerSet
from screening.rules.catalogue import ONLY_THE_GROUP, READ_THE_PACK, load_catalogue
from screening.rules.medicine_names import fold
from screening.rules.rows import Gate
from screening.selectors.answers import answer_sets, as_medicines, newest_answers
from screening.selectors.history import Change, changes
from screening.selectors.inputs import table_of
from screening.selectors.provenance import answer_origins, report_state
from screening.selectors.self_report import screens_of
from screening.selectors.visits import access_visit
from screening.services import answers_record
from screening.views.origin_words import mostly_own
from screening.views.words import next_url, said_by_topic
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.studies.selectors import current_protocol

TEMPLATE = "screening/questions.html"
STALE = (
    "Somebody changed these answers after you opened the page, so nothing was saved. Open the page again in a "
    "second window and compare before you save."
)


@requires(Cap.QUESTIONS_RECORD)
@require_http_methods(["GET", "POST"])
def questions(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """The whole questionnaire, by topic."""
    participant = access_participant(request.study, code)
    done = reverse("assessment", args=[study, code])
    return _ask(request, participant, gate="screening", visit_uid=None, done=done)


@requires(Cap.QUESTIONS_RECORD)
@require_http_methods(["GET", "POST"])
def dosing_day_questions(
    request: StaffRequest, study: str, code: str, visit_uid: UUID
) -> HttpResponse:
    """The questions of the dosing day, and what is taken by then."""
    participant = access_participant(request.study, code)
    access_visit(participant, visit_uid)
    done = reverse("dosing_day_assessment", args=[study, code, visit_uid])
    return _ask(request, participant, gate="dosing_day", visit_uid=visit_uid, done=done)


@requires(Cap.QUESTIONS_RECORD)
@require_http_methods(["GET", "POST"])
def ahead_questions(request: StaffRequest, study: str, code: str, visit_uid: UUID) -> HttpResponse:
    """The questions of the dosing day as they are asked in the days before it."""
    participant = access_participant(request.study, code)
    access_visit(participant, visit_uid)
    done = reverse("ahead_assessment", args=[study, code, visit_uid])
    return _ask(request, participant, gate="ahead", visit_uid=visit_uid, done=done)


def _ask(
    request: StaffRequest,
    participant: Participant,
    *,
    gate: Gate,
    visit_uid: UUID | None,
    done: str,
) -> HttpResponse:
    standing = newest_answers(participant, gate, visit_uid)
    protocol = current_protocol(request.study)
    screening = newest_answers(participant, AnswerSet.When.SCREENING)
    ahead = newest_answers(participant, AnswerSet.When.AHEAD, visit_uid) if visit_uid else None
    make = partial(
        QuestionsForm,
        table=table_of(protocol),
        gate=gate,
        standing=standing,
        known=ahead or screening,
        earlier=ahead if gate == "dosing_day" else None,
        today=clock.now().astimezone(ZoneInfo(request.study.timezone)).date(),
        offers_url=reverse("medicine_offers", args=[request.study.slug]),
    )
    context = {
        "participant": participant,
        "gate": gate,
        "standing": standing,
        "ahead": ahead if gate == "dosing_day" else None,
        "numbers": protocol.plan.limits.numbers,
        "next": next_url(request),
        "history_url": reverse("answers", args=[request.study.slug, participant.code]),
    }
    if request.method == "POST" and "more_medicines" in request.POST:
        form = make(with_more_rows(request.POST)).unjudged()
        return render(request, TEMPLATE, {"form": form, **context})
    form = make(request.POST if request.method == "POST" else None)
    base = str(standing.uid) if standing else ""
    if request.method == "POST" and request.POST.get("base", "") != base:
        form.full_clean()  # a form takes no error before it has looked at itself
        form.add_error(None, STALE)
        return render(request, TEMPLATE, {"form": form, **context}, status=409)

    def write() -> AnswerSet:
        return answers_record(
            participant=participant, when=gate, visit_uid=visit_uid, supersedes=standing,
            actor=request.actor, **form.service_values(clock.now()),
        )  # fmt: skip

    return answer_form(
        request,
        form=form,
        template=TEMPLATE,
        write=write,
        done=lambda _: next_url(request) or done,
        message="The answers are saved.",
        context=context,
    )


@requires(Cap.HEALTH_VIEW)
@require_GET
def answers(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """What stands, who answered what when, and what was changed."""
    participant = access_participant(request.study, code)
    table = table_of(current_protocol(request.study))
    sets = list(answer_sets(participant, AnswerSet.When.SCREENING).select_related("recorded_by"))
    visit_sets = {
        gate: list(answer_sets(participant, gate).select_related("recorded_by"))
        for gate in (AnswerSet.When.AHEAD, AnswerSet.When.DOSING_DAY)
    }
    newest = sets[-1] if sets else None
    origins = answer_origins(sets)
    sittings: list[dict[str, Any]] = [
        *_sittings(sets, table.asked("screening")),
        *_sittings(visit_sets[AnswerSet.When.AHEAD], table.asked("ahead")),
        *_sittings(visit_sets[AnswerSet.When.DOSING_DAY], table.asked("dosing_day")),
    ]
    return render(
        request,
        "screening/answers.html",
        {
            "participant": participant,
            "newest": newest,
            "topics": said_by_topic(table, "screening", newest, origins) if newest else [],
            "alone": mostly_own(origins),
            "report": report_state(participant),
            "screens": len(screens_of(participant)),
            "medicines": as_medicines(newest.medicines) if newest else (),
            "sittings": sorted(sittings, key=lambda one: one["set"].recorded_at, reverse=True),
        },
    )


def _sittings(sets: list[AnswerSet], rows: Any) -> list[dict[str, Any]]:
    before: dict[tuple[str, UUID | None], AnswerSet] = {}
    found = []
    for answer_set in sets:
        earlier = before.get((answer_set.when, answer_set.visit_uid))
        differences: list[Change] = changes(earlier, answer_set, rows) if earlier else []
        before[answer_set.when, answer_set.visit_uid] = answer_set
        found.append({"set": answer_set, "first": earlier is None, "changes": differences})
    return found


@requires(Cap.QUESTIONS_RECORD)
@require_GET
def medicine_offers(request: StaffRequest, study: str) -> HttpResponse:
    """A part of a page: names that look like what is being typed, and whether it is in the list as it is.

    The text is the one value sent, whatever its row is called. The person chooses; nothing is chosen for them.
    """
    text = str(next(iter(request.GET.values()), "")).strip()
    catalogue = load_catalogue()
    rows = catalogue.resolve(text, None, "")
    known = bool(text) and None not in rows
    read_pack = known and any(row.reason == READ_THE_PACK for row in rows if row)
    offers = [offer for offer in catalogue.offers(text) if fold(offer.write) != fold(text)]
    if read_pack:
        offers = [offer for offer in offers if fold(offer.name) == fold(text)]
    context = {
        "text": text if len(text) > 1 else "",
        "known": known,
        "read_pack": read_pack,
        "group": any(row.reason.endswith(ONLY_THE_GROUP) for row in rows if row),
        "offers": offers,
    }
    return render(request, "screening/_medicine_offers.html", context)
