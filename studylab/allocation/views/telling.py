"""Who wants to know their arm, and telling one person once the list is open."""

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import translation
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab import clock
from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.telling import ArmWishForm, TellingBackForm, TellingForm
from studylab.allocation.selectors.arm_wishes import (
    standing_arm_wish,
    standing_telling,
    wish_rows,
)
from studylab.allocation.selectors.unblinding import opening_state
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors.volunteers import access_participant
from studylab.studies.selectors import current_protocol

PER_PAGE = 50


def _list(request: StaffRequest) -> str:
    return reverse("arm_wishes", args=[request.study.slug])


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def arm_wishes(request: StaffRequest, study: str) -> HttpResponse:
    """Show who wants to know, who was told by whom and when, and who is still to be asked. No arm stands here."""
    rows = wish_rows(request.study)
    page = Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
    context: dict[str, Any] = {
        "rows": page.object_list,
        "page": page,
        "is_open": opening_state(request.study).is_open,
    }
    context["counts"] = {
        "to_tell": sum(row.to_tell for row in rows), "to_ask": sum(row.to_ask for row in rows),
        "told": sum(row.telling is not None for row in rows),
    }  # fmt: skip
    return render(request, "allocation/arm_wishes.html", context)


@requires(Cap.ARM_TELL)
@require_http_methods(["GET", "POST"])
def arm_wish(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record what a volunteer answered."""
    person = access_participant(request.study, code)
    standing = standing_arm_wish(person)
    return answer_form(
        request, form=(form := ArmWishForm(posted(request))), template="allocation/arm_wish.html",
        write=lambda: services.arm_wish_record(participant=person, actor=request.actor, **form.cleaned_data),
        done=lambda _row: _list(request), message="Recorded.",
        shown=str(standing.pk if standing else 0),
        context={
            "participant": person, "wish": standing, "cancel": _list(request),
            "current_section": "volunteers",
        },
    )  # fmt: skip


@requires(Cap.ARM_TELL)
@sensitive_variables()
@require_POST
def arm_letter(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show the letter to one person, in their language, to print or to read out. Asked for by a press only."""
    person = access_participant(request.study, code)
    context = {
        "participant": person, "back": _list(request), "current_section": "volunteers",
        "plan": current_protocol(request.study).plan, "language": person.language,
        "today": clock.now(),
    }  # fmt: skip
    try:
        found = services.arm_letter_made(participant=person, actor=request.actor)
    except StudylabError as refusal:
        refused = {**context, "refusal": refusal.message}
        return render(request, "allocation/arm_letter.html", refused, status=refusal.status)
    context["found"] = found
    with translation.override(person.language):
        letter = render(request, "allocation/_arm_letter.html", context).content.decode()
    return render(request, "allocation/arm_letter.html", {**context, "letter": letter})


@requires(Cap.ARM_TELL)
@require_http_methods(["GET", "POST"])
def arm_told(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record that one person was told."""
    person = access_participant(request.study, code)
    form = TellingForm(
        posted(request), study=request.study, further=standing_telling(person) is not None,
        initial={"by": request.actor.user_id},
    )  # fmt: skip
    return answer_form(
        request, form=form, template="parts/confirm_page.html",
        write=lambda: services.telling_record(participant=person, actor=request.actor, **form.cleaned_data),
        done=lambda _row: _list(request), message=f"It is on record that {code} was told.",
        context={
            "heading": f"{code} was told what the capsule held", "cancel": _list(request),
            "text": "Do not write here which it was.", "submit": "Record it",
            "current_section": "volunteers",
        },
    )  # fmt: skip


@requires(Cap.ARM_TELL)
@require_http_methods(["GET", "POST"])
def arm_told_back(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Take back an entry that was a mistake."""
    person = access_participant(request.study, code)
    form, standing = TellingBackForm(posted(request)), standing_telling(person)

    def write() -> object:
        return services.telling_take_back(participant=person, actor=request.actor, **form.cleaned_data)  # fmt: skip

    return answer_form(
        request, form=form, template="parts/confirm_page.html", write=write,
        done=lambda _row: _list(request), message="Taken back. The earlier entry stays on record.",
        shown=str(standing.pk if standing else 0),
        context={
            "heading": f"Take back that {code} was told?", "cancel": _list(request),
            "text": "Only if it was somebody else, or nobody was told.", "submit": "Take it back",
            "current_section": "volunteers",
        },
    )  # fmt: skip
