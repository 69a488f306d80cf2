"""Booking a series: what is missing, what is on offer, and the choice."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.timezone import localtime
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.forms.booking import ChoiceForm, WishesForm
from scheduling.models import Availability
from scheduling.rules.reasons import say_order
from scheduling.selectors.cards import held_shown, option_cards, series_shown
from scheduling.selectors.options import series_options
from scheduling.selectors.sealed import open_option
from scheduling.selectors.series import all_series, readiness
from scheduling.selectors.wishes import availability_of, current_hold, known_times, times_of
from scheduling.services.booking import series_book as book
from scheduling.services.holding import option_hold, option_release
from scheduling.views.series_notes import series_notes
from screening.selectors import newest_assessment, washouts_of
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict, NotAllowed, StudylabError
from studylab.http import StaffRequest
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.people.selectors import today_in
from studylab.studies.selectors import current_protocol


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def series_book(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Search series for a volunteer and book one. The wishes stay in the address."""
    participant = access_participant(request.study, code)
    if request.method == "GET":
        return _page(request, participant)
    form = ChoiceForm(request.POST)
    try:
        current = current_protocol(request.study)
        option = open_option(
            form.data.get("option", ""), version=current.version, about=participant.code
        )
        if "hold" in request.POST:
            hold = option_hold(participant=participant, option=option, actor=request.actor)
            said = f"Held until {localtime(hold.until):%H:%M}. Nobody else can book these times until then."
            messages.success(request, said)
            return redirect(request.get_full_path())
        book(participant=participant, option=option, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        return _page(request, participant, refusal=refusal)
    messages.success(request, f"Booked. The {len(option.visits)} visits are below.")
    return redirect("series_view", study=study, code=participant.code)


@requires(Cap.SERIES_BOOK)
@require_POST
def option_let_go(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Give back the series that is held for a volunteer."""
    participant = access_participant(request.study, code)
    hold = current_hold(participant, clock.now())
    try:
        if hold is None:
            raise Conflict("Nothing is held for this volunteer any more.")
        option_release(hold=hold, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.warning(request, refusal.message)
    else:
        messages.success(request, "Not held any more: anybody can book these times.")
    return redirect("series_book", study=study, code=participant.code)


@requires(Cap.CALENDAR_VIEW)
@require_GET
def series_view(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """The booked series of a volunteer, and earlier ones that were cancelled."""
    participant = access_participant(request.study, code)
    now = clock.now()
    shown = [series_shown(series, now) for series in all_series(participant)]
    current = next((row for row in shown if row.series.state != "cancelled"), None)
    dosing = next((row for row in current.visits if row.ask_ahead), None) if current else None
    context = {
        "participant": participant,
        "washouts": washouts_of(participant, now),
        "asked_ahead": newest_assessment(participant, "ahead", dosing.uid) if dosing else None,
        "current": current,
        "cancelled": [row for row in shown if row.series.state == "cancelled"],
        "zone": request.study.timezone,
        **series_notes(shown, request.actor, now),
    }
    return render(request, "scheduling/booking/series.html", context)


def _page(
    request: StaffRequest, participant: Participant, refusal: StudylabError | None = None
) -> HttpResponse:
    now = clock.now()
    ready, noted = readiness(participant, now), availability_of(participant)
    form = wishes_form(request, noted)
    status = refusal.status if refusal else 200
    context: dict[str, Any] = {
        "participant": participant,
        "form": form,
        "obstacles": ready.obstacles,
        "refusal": refusal,
        "zone": request.study.timezone,
        "washouts": washouts_of(participant, now),
        "now": now,
        "known_times": known_times(noted),
        "held": held_shown(participant, now),
        "valid_until": ready.sign_off.sign_off.valid_until if ready.sign_off.sign_off else None,
    }
    if not ready.obstacles and ready.sign_off.sign_off is not None:
        if form.is_valid():
            current = current_protocol(request.study)
            found = series_options(
                participant=participant,
                version=current.version,
                wishes=form.wishes(times_of(noted)),
                now=now,
                dose_before=ready.sign_off.sign_off.valid_until,
            )
            context["cards"] = option_cards(
                found,
                version=current.version,
                about=participant.code,
                zone=request.study.timezone,
            )
            context["order"] = say_order(found.asked)
            context["why_none"] = found.why_none
            context["would_help"] = found.would_help
            context["until"] = found.until
        else:
            status = 422 if status == 200 else status
    return render(request, "scheduling/booking/book.html", context, status=status)


def wishes_form(request: StaffRequest, noted: Availability | None = None) -> WishesForm:
    """Return the form of wishes with what the address holds, or with the defaults when it holds none."""
    today = today_in(request.study.timezone)
    asked = any(name in request.GET for name in WishesForm.base_fields)
    data = request.GET if asked else WishesForm.defaults(today)
    if noted is not None and not asked:
        data = {**data, "same_clock": noted.same_clock, "same_person": noted.same_person}
    return WishesForm(data, today=today)
