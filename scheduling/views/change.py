"""Moving a visit, and cancelling a series."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import formats
from django.utils.timezone import localtime
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.forms.booking import CancelForm, MoveForm
from scheduling.models import Series, Visit
from scheduling.rules.gaps import part_of
from scheduling.rules.missed import RULES, rule_for
from scheduling.selectors.absent import was_dosed
from scheduling.selectors.cards import option_cards, option_rows, series_shown
from scheduling.selectors.options import move_options, moved_visits
from scheduling.selectors.sealed import open_option
from scheduling.selectors.series import access_visit, current_series, gaps_shown
from scheduling.selectors.timelines import occupancy
from scheduling.services import change
from scheduling.views.booking import wishes_form
from screening.selectors import sign_off_state, washouts_of
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict, NotAllowed, StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors import access_participant
from studylab.studies.selectors import plan_of


@requires(Cap.SERIES_BOOK)
@require_GET
def visit_move(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Other times for a visit: alone, or with the visits after it."""
    visit = access_visit(request.study, code, uid)
    _check_movable(visit)
    return _choices(request, visit)


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def visit_move_confirm(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Before and after of one choice, the reason, and the move itself."""
    visit = access_visit(request.study, code, uid)
    _check_movable(visit)
    version = visit.series.protocol_version
    token = request.POST.get("option") or request.GET.get("option", "")
    form = MoveForm(posted(request), initial={"option": token})
    try:
        option = open_option(token, version=version, about=str(visit.uid))
        if request.method == "POST" and form.is_valid():
            change.visit_move(
                visit=visit,
                option=option,
                reason=form.cleaned_data["reason"],
                actor=request.actor,
            )
            messages.success(request, "Moved.")
            return redirect("series_view", study=study, code=code)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        return _choices(request, visit, refusal)
    context = _before_and_after(visit, option) | {"form": form, "visit": visit}
    status = 422 if request.method == "POST" else 200
    return render(request, "scheduling/booking/move_confirm.html", context, status=status)


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def series_cancel(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Cancel what is left of a series, after saying what that means."""
    participant = access_participant(request.study, code)
    series = current_series(participant)
    if series is None or series.state != Series.State.OPEN:
        raise Conflict("There is no open series to cancel.")
    form = CancelForm(posted(request))
    rows = list(series.visits.all())
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: change.series_cancel(series=series, actor=request.actor, **form.cleaned_data),
        done=lambda _: _series_url(study, code),
        message="The series is cancelled and its places are free again. It can be taken back for 15 minutes.",
        context={
            "heading": f"Cancel the series of {participant.code}?",
            "text": "An allocation number stays with the volunteer. Next to do: book again, or close.",
            "reasons": [*_what_cancelling_means(rows), *_rule(series, rows)],
            "submit": "Cancel the series",
            "danger": True,
            "cancel": _series_url(study, code),
            "cancel_text": "Keep the series",
        },
    )


def _check_movable(visit: Visit) -> None:
    if visit.state not in change.MOVABLE or visit.series.state != Series.State.OPEN:
        raise Conflict(f"Visit {visit.number} is {visit.get_state_display()} and cannot be moved.")


def _choices(
    request: StaffRequest, visit: Visit, refusal: StudylabError | None = None
) -> HttpResponse:
    """The page of other times; with a refusal, fresh ones and what went wrong."""
    form, now = wishes_form(request), clock.now()
    status = refusal.status if refusal else 200
    context: dict[str, Any] = {
        "visit": visit,
        "form": form,
        "refusal": refusal,
        "zone": request.study.timezone,
        "washouts": washouts_of(visit.participant, now),
        "groups": [],
    }
    if form.is_valid():
        state = sign_off_state(visit.participant, now)
        before = state.sign_off.valid_until if state.eligible and state.sign_off else None
        several = len(moved_visits(visit, followers=True)) > 1
        for followers in (False, True) if several else (False,):
            found = move_options(
                visit=visit, followers=followers, wishes=form.wishes(), now=now, dose_before=before
            )
            cards = option_cards(
                found,
                version=visit.series.protocol_version,
                about=str(visit.uid),
                zone=request.study.timezone,
            )
            title = (
                f"Visit {visit.number} and the visits after it" if followers
                else f"Visit {visit.number} alone"
            )  # fmt: skip
            context["groups"].append({"title": title, "cards": cards, "why_none": found.why_none})
    elif status == 200:
        status = 422
    return render(request, "scheduling/booking/move.html", context, status=status)


def _before_and_after(visit: Visit, option: Any) -> dict[str, Any]:
    """Return the moved visits as they are and as they would be."""
    plan, zone = plan_of(visit.series.protocol_version), visit.participant.study.timezone
    numbers = [row.number for row in option.visits]
    series = current_series(visit.participant)
    assert series is not None  # the visit is in it
    before = [
        row.shown for row in series_shown(series, clock.now()).visits if row.shown.number in numbers
    ]
    starts = {row.number: row.planned.lower for row in series.visits.all()}
    gaps = gaps_shown(plan, starts | {row.number: row.start for row in option.visits}, zone)
    places = occupancy(option.visits[0].start, option.visits[-1].end)
    after = option_rows(part_of(plan, numbers), option, places, gaps)
    return {
        "pairs": list(zip(before, after, strict=True)),
        "stays": [
            f"Visit {row.number} stays on {formats.date_format(localtime(row.planned.lower), 'D j M Y, H:i')}"
            f"{''.join(f', {gap.words}' for gap in gaps if gap.visit == row.number)}."
            for row in series.visits.all()
            if row.number not in numbers and row.state != Visit.State.CANCELLED
        ],
        "clock_notes": list(dict.fromkeys(gap.clock_note for gap in gaps if gap.clock_note)),
        "zone": zone,
    }


def _what_cancelling_means(rows: list[Visit]) -> list[str]:
    said = {
        Visit.State.BOOKED: "is cancelled and its room and people are free again",
        Visit.State.RUNNING: "is under way: finish or stop it first",
        Visit.State.DONE: "is done and stays on record",
        Visit.State.MISSED: "was missed and stays on record",
        Visit.State.STOPPED: "was stopped early and stays on record",
    }
    return [
        f"Visit {row.number} {said[Visit.State(row.state)]}."
        for row in rows
        if row.state != Visit.State.CANCELLED
    ]


def _rule(series: Series, rows: list[Visit]) -> list[str]:
    """Say what the study document wants when the next visit does not take place."""
    following = next((row for row in rows if row.state == Visit.State.BOOKED), None)
    if following is None:
        return []
    rule = rule_for(plan_of(series.protocol_version), following.number, dosed=was_dosed(series))
    return [f"The study's rule when visit {following.number} does not take place: {RULES[rule]}."]


def _series_url(study: str, code: str) -> str:
    return reverse("series_view", kwargs={"study": study, "code": code})
