"""What a volunteer does about one of their own visits: confirm, cancel, ask for another time."""

from datetime import UTC, datetime
from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from scheduling.forms.own_page import TimesForm
from scheduling.models import Visit
from scheduling.rules.missed import rule_for
from scheduling.selectors.absent import was_dosed
from scheduling.selectors.own_options import own_options
from scheduling.selectors.own_page import held_for_visit, own_visit, waits_for_answer
from scheduling.selectors.sealed import open_option, seal_option
from scheduling.services.own_moves import own_move_ask, own_move_hold
from scheduling.services.own_page import visit_cancel_own, visit_confirm_own
from scheduling.views.my_visits import VISITS, LinkRequest, own_context
from studylab import clock
from studylab.access import link_page
from studylab.errors import Refused, StudylabError
from studylab.participants.services.knocks import too_often
from studylab.people.selectors import today_in
from studylab.studies.rules.volunteer_texts import ALONE
from studylab.studies.selectors import current_protocol, plan_of

SEARCHES_AT_MOST = 30  # per link and ten minutes: each looks through the whole calendar


@link_page(VISITS)
@require_POST
def confirm(request: LinkRequest, number: int) -> HttpResponse:
    """Say that one comes."""
    visit = own_visit(request.link.participant, number)
    try:
        visit_confirm_own(visit=visit, start=_start(request), actor=request.actor)
    except StudylabError as refusal:
        return _changed(request, refusal)
    return redirect("my_visits")


@link_page(VISITS)
@require_http_methods(["GET", "POST"])
def cancel(request: LinkRequest, number: int) -> HttpResponse:
    """What cancelling one visit means, then one press."""
    visit = own_visit(request.link.participant, number)
    if request.method == "POST":
        try:
            visit_cancel_own(visit=visit, start=_start(request), actor=request.actor)
        except StudylabError as refusal:
            return _changed(request, refusal)
        return redirect("my_visits")
    if not _to_come(visit):
        return _changed(request)
    dosed = was_dosed(visit.series)
    rule = rule_for(plan_of(visit.series.protocol_version), number, dosed=dosed)
    later = [
        one for one in visit.series.visits.all()
        if one.number > number and one.state == Visit.State.BOOKED
    ]  # fmt: skip
    context = own_context(request) | {"visit": visit, "rule": rule, "later": later}
    return render(request, "links/visits/cancel.html", context)


@link_page(VISITS)
@require_http_methods(["GET", "POST"])
def other_times(request: LinkRequest, number: int) -> HttpResponse:
    """Choose when it does not suit, see a handful of times, have one of them held for ten minutes."""
    visit, now = own_visit(request.link.participant, number), clock.now()
    if not _to_come(visit):
        return _changed(request)
    if request.method == "POST":
        return _hold(request, visit)
    held = held_for_visit(visit, now)
    if held is not None and "again" not in request.GET:
        return _page(request, visit, {"held": held, "times": _times(held.option)})
    return _choices(request, visit)


@link_page(VISITS)
@require_POST
def ask_for(request: LinkRequest, number: int) -> HttpResponse:
    """Ask for the time that is held, or take it where the study lets volunteers do so."""
    visit = own_visit(request.link.participant, number)
    held = held_for_visit(visit, clock.now())
    if held is None:  # lapsed; or pressed twice, which the visits' page shows
        if waits_for_answer(visit, clock.now()):
            return redirect("my_visits")
        return _choices(request, visit, lapsed=True, status=409)
    try:
        own_move_ask(visit=visit, hold=held, actor=request.actor)
    except StudylabError as refusal:
        return _choices(request, visit, lapsed=True, status=refusal.status)
    return redirect("my_visits")


def _hold(request: LinkRequest, visit: Visit) -> HttpResponse:
    version = visit.series.protocol_version
    try:
        token = request.POST.get("option", "")
        option = open_option(token, version=version, about=f"own {visit.uid}")
        own_move_hold(visit=visit, option=option, actor=request.actor)
    except StudylabError as refusal:
        return _choices(request, visit, lapsed=True, status=refusal.status)
    return redirect("my_visit_times", visit.number)


def _choices(
    request: LinkRequest, visit: Visit, *, lapsed: bool = False, status: int = 200
) -> HttpResponse:
    if not _to_come(visit):
        return _changed(request)
    asked = any(name in request.GET for name in ("cannot", "not_earlier", "not_later"))
    form = TimesForm(request.GET if asked else None)
    context: dict[str, Any] = {"times_form": form, "lapsed": lapsed, "searched": True}
    if too_often("search", str(request.link.uid), at_most=SEARCHES_AT_MOST):
        return _page(request, visit, context | {"too_many": True, "choices": []}, status=429)
    now, version = clock.now(), visit.series.protocol_version
    wishes = form.wishes(today_in(visit.participant.study.timezone))
    found = own_options(visit, wishes, now)
    context["choices"] = [
        {"token": seal_option(one, version=version, about=f"own {visit.uid}"),
         "visits": [(row.number, row.start, row.end) for row in one.visits]}
        for one in sorted(found, key=lambda one: one.visits[0].start)
    ]  # fmt: skip
    return _page(request, visit, context, status=status)


def _page(
    request: LinkRequest, visit: Visit, more: dict[str, Any], *, status: int = 200
) -> HttpResponse:
    alone = current_protocol(visit.participant.study).plan.texts.moves == ALONE
    context = own_context(request) | {"visit": visit, "alone": alone} | more
    return render(request, "links/visits/times.html", context, status=status)


def _times(option: list[Any]) -> list[tuple[int, datetime]]:
    return [(row[0], datetime.fromtimestamp(row[1], UTC)) for row in option]


def _start(request: LinkRequest) -> datetime:
    """Return the time that the page showed; Refused when it is none."""
    try:
        found = datetime.fromisoformat(request.POST.get("start", ""))
    except ValueError as problem:
        raise Refused("The form is damaged. Open the page again.") from problem
    if found.tzinfo is None:
        raise Refused("The form is damaged. Open the page again.")
    return found


def _to_come(visit: Visit) -> bool:
    person = visit.participant
    return bool(
        person.is_active and visit.state == Visit.State.BOOKED and clock.now() < visit.planned.lower
    )


def _changed(request: LinkRequest, refusal: StudylabError | None = None) -> HttpResponse:
    """Show the visits as they stand now, and say that what was sent no longer fits."""
    context = own_context(request) | {
        "changed": _("Something has changed meanwhile, so nothing was recorded. Please look again.")
    }
    status = refusal.status if refusal else 409
    return render(request, "links/visits/visits.html", context, status=status)
