"""The volunteer's own page on their visits, behind a personal link."""

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import translation
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_safe

from scheduling.selectors.feeds import appointments_file
from scheduling.selectors.my_visits import my_series, my_visits
from scheduling.views.feeds import appointments_answer
from studylab import clock
from studylab.access import Actor, link_page
from studylab.participants.doses import doses_of
from studylab.participants.models import PersonalLink
from studylab.participants.selectors.words import words_of

VISITS = PersonalLink.Purpose.VISITS


class LinkRequest(HttpRequest):
    """A request that the link's middleware let through."""

    link: PersonalLink
    actor: Actor


def own_context(request: LinkRequest) -> dict[str, Any]:
    """Return what every page of the volunteer's own shows: visits, what they wrote, whether a dose was given."""
    participant, now = request.link.participant, clock.now()
    return {
        "shown": my_visits(participant, translation.get_language() or "en"),
        "zone": participant.study.timezone,
        "person": participant,
        "words": words_of(participant, now),
        "dosed_at": doses_of(participant.study).get(participant.pk),
    }


@link_page(VISITS)
@require_GET
def visits(request: LinkRequest) -> HttpResponse:
    """Show when, where and what to bring."""
    return render(request, "links/visits/visits.html", own_context(request))


@link_page(VISITS)
@require_safe
def appointments(request: LinkRequest) -> HttpResponse:
    """The same as a calendar file, which also takes back what was cancelled."""
    series = my_series(request.link.participant)
    file = appointments_file(series, clock.now()) if series else None
    if series is None or file is None:
        raise Http404(_("There is no such page."))
    return appointments_answer(series, file)
