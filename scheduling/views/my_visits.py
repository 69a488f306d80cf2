"""The volunteer's own page on their visits, behind a personal link. It shows and changes nothing."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import translation
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_safe

from scheduling.selectors.feeds import appointments_file
from scheduling.selectors.my_visits import my_series, my_visits
from scheduling.views.feeds import appointments_answer
from studylab import clock
from studylab.access import link_page
from studylab.participants.models import PersonalLink

VISITS = PersonalLink.Purpose.VISITS


class LinkRequest(HttpRequest):
    """A request that the link's middleware let through."""

    link: PersonalLink


@link_page(VISITS)
@require_GET
def visits(request: LinkRequest) -> HttpResponse:
    """Show when, where and what to bring."""
    shown = my_visits(request.link.participant, translation.get_language() or "en")
    context = {"shown": shown, "zone": request.link.participant.study.timezone}
    return render(request, "links/visits/visits.html", context)


@link_page(VISITS)
@require_safe
def appointments(request: LinkRequest) -> HttpResponse:
    """The same as a calendar file, which also takes back what was cancelled."""
    series = my_series(request.link.participant)
    file = appointments_file(series, clock.now()) if series else None
    if series is None or file is None:
        raise Http404(_("There is no such page."))
    return appointments_answer(series, file)
