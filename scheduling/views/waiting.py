"""The waiting list: who waits, what became free, whom it fits, and offers that hold it for ten minutes."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.forms.booking import ChoiceForm
from scheduling.forms.waiting import WaitingEndForm, WaitingForm
from scheduling.rules.waiting import RULE
from scheduling.selectors.sealed import open_option
from scheduling.selectors.series import readiness
from scheduling.selectors.waiting import (
    access_freed,
    access_waiting,
    fits_shown,
    freed_times,
    offers_shown,
    waiting_shown,
)
from scheduling.services.waiting import offer_make
from scheduling.services.waiting import waiting_add as add
from scheduling.services.waiting import waiting_end as end
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict, NotAllowed, StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors import access_participant
from studylab.studies.selectors import current_protocol


@requires(Cap.SERIES_BOOK)
@require_GET
def waiting(request: StaffRequest, study: str) -> HttpResponse:
    """Who waits, the longest first; what became free; what was offered."""
    now = clock.now()
    context = {
        "rows": waiting_shown(request.study, now),
        "freed": list(freed_times(request.study, now)),
        "offers": offers_shown(request.study, now),
        "rule": RULE,
        "zone": request.study.timezone,
    }
    return render(request, "scheduling/waiting/list.html", context)


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def waiting_freed(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Whom one freed time fits, in order; one press holds its series for ten minutes for that person."""
    freed = access_freed(request.study, uid)
    refusal: StudylabError | None = None
    if request.method == "POST":
        try:
            code = _offer(request, uid)
        except NotAllowed:
            raise
        except StudylabError as problem:
            refusal = problem
        else:
            messages.success(
                request, f"Held for {code} for ten minutes. Ask them, then book it here."
            )
            return redirect("series_book", study=study, code=code)  # fmt: skip
    now = clock.now()
    fits = fits_shown(freed, now)
    context = {
        "now": now,
        "freed": freed,
        "fits": [row for row in fits if row.card],
        "others": [row for row in fits if not row.card],
        "refusal": refusal,
        "rule": RULE,
        "zone": request.study.timezone,
    }
    status = refusal.status if refusal else 200
    return render(request, "scheduling/waiting/freed.html", context, status=status)


def _offer(request: StaffRequest, uid: UUID) -> str:
    """Hold what was chosen; return for whom."""
    form = ChoiceForm(request.POST)
    who = access_participant(request.study, request.POST.get("code", ""))
    row = next(iter(who.waits.filter(ended_at=None)), None)
    version = current_protocol(request.study).version
    option = open_option(form.data.get("option", ""), version=version, about=who.code)
    if row is None:
        raise Conflict(f"{who.code} does not wait any more.")
    offer_make(waiting=row, freed=access_freed(request.study, uid), option=option, actor=request.actor)  # fmt: skip
    return who.code


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def waiting_add(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Put a volunteer on the waiting list."""
    participant = access_participant(request.study, code)
    form = WaitingForm(posted(request))

    def write() -> object:
        return add(participant=participant, actor=request.actor, **form.cleaned_data)

    return answer_form(
        request, form=form, template="scheduling/waiting/add.html", write=write,
        done=lambda _: reverse("waiting", args=[study]),
        message=f"{code} waits from now on.",
        context={
            "participant": participant,
            "obstacles": readiness(participant, clock.now()).obstacles,
            "back": reverse("series_book", args=[study, code]),
        },
    )  # fmt: skip


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def waiting_end(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take somebody off the list, with a reason."""
    row = access_waiting(request.study, uid)
    form = WaitingEndForm(posted(request))

    def write() -> object:
        return end(waiting=row, actor=request.actor, **form.cleaned_data)

    back = reverse("waiting", args=[study])
    return answer_form(
        request, form=form, template="parts/confirm_page.html", write=write, done=lambda _: back,
        message=f"{row.participant.code} does not wait any more.",
        context={
            "heading": f"Take {row.participant.code} off the waiting list?",
            "text": "What they waited since then does not count again when they come back to it.",
            "submit": "Take off the list", "cancel": back,
        },
    )  # fmt: skip
