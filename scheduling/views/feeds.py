"""Calendar feeds: the page on which they are made and withdrawn, the feeds, and a volunteer's appointments."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from scheduling.forms.booking import ReasonForm
from scheduling.forms.feeds import FeedForm
from scheduling.models import Series
from scheduling.rules.ical_out import CANCEL, PUBLISH
from scheduling.selectors.feeds import (
    access_feed,
    appointments_file,
    feed_file,
    feed_of_token,
    feed_resources,
    feed_states,
)
from scheduling.selectors.series import all_series
from scheduling.services import feeds as write
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, client_address, posted, take_refusal
from studylab.participants.selectors import access_participant
from studylab.participants.services.knocks import too_often

READS_AT_MOST = 60  # of one feed in ten minutes: calendar programs ask every few minutes at most
MISSES_AT_MOST = 60  # wrong addresses from one place in ten minutes
_HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Robots-Tag": "noindex, nofollow",
}


@requires(Cap.CALENDAR_VIEW)
@require_http_methods(["GET", "POST"])
def calendar_feeds(request: StaffRequest, study: str) -> HttpResponse:
    """List feeds and make a new one, whose address is shown once on the answer to the form."""
    form = FeedForm(posted(request), resources=feed_resources(request.actor))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = write.feed_make(
                    study=request.study, **form.cleaned_data, actor=request.actor
                )
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                address = request.build_absolute_uri(reverse("feed", args=[made.token]))
                context = {"feed": made.feed, "address": address}
                return render(request, "scheduling/feeds/made.html", context)
    context = {"form": form, "states": feed_states(request.study, request.actor)}
    return render(request, "scheduling/feeds/feeds.html", context, status=status)


@requires(Cap.CALENDAR_VIEW)
@require_http_methods(["GET", "POST"])
def calendar_feed_revoke(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Withdraw a feed."""
    feed = access_feed(request.study, request.actor, uid)
    form, back = ReasonForm(posted(request)), reverse("calendar_feeds", args=[study])
    return answer_form(
        request, form=form, template="parts/confirm_page.html",
        write=lambda: write.feed_revoke(
            feed=feed, reason=form.cleaned_data["reason"], actor=request.actor
        ),
        done=lambda _: back, message="The feed does not open any more.",
        context={
            "heading": f"Withdraw the feed of {feed.resource.name}?",
            "text": "Calendars that read it get nothing new from now on. What they fetched before may stay in them.",
            "submit": "Withdraw the feed", "cancel": back, "danger": True,
        },
    )  # fmt: skip


@requires(Cap.ANYONE)
@require_safe
def feed(request: HttpRequest, token: str) -> HttpResponse:
    """The feed itself, for whoever has its address."""
    found = feed_of_token(token)
    if found is None:
        if too_often("feed missed", client_address(request), at_most=MISSES_AT_MOST):
            return _guarded(_slower())
        return _guarded(
            HttpResponse("There is no such calendar.", status=404, content_type="text/plain")
        )
    if too_often("feed", str(found.uid), at_most=READS_AT_MOST):
        return _guarded(_slower())
    write.feed_read(found)
    return _guarded(_calendar(feed_file(found, clock.now()), PUBLISH, "calendar.ics"))


@requires(Cap.CALENDAR_VIEW)
@require_safe
def series_appointments(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """A volunteer's appointments as a calendar file, or the one that takes cancelled ones back."""
    participant = access_participant(request.study, code)
    series = next((row for row in all_series(participant) if row.uid == uid), None)
    file = appointments_file(series, clock.now()) if series else None
    if series is None or file is None:
        raise Http404("There are no such appointments.")
    return appointments_answer(series, file)


def appointments_answer(series: Series, file: bytes) -> HttpResponse:
    """Answer with a volunteer's calendar file."""
    method = CANCEL if series.state == Series.State.CANCELLED else PUBLISH
    return _calendar(file, method, "appointments.ics" if method == PUBLISH else "cancelled.ics")


def _calendar(content: bytes, method: str, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type=f"text/calendar; charset=utf-8; method={method}")
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _slower() -> HttpResponse:
    answer = HttpResponse(
        "Too often. Ask again in ten minutes.", status=429, content_type="text/plain"
    )
    answer.headers["Retry-After"] = "600"
    return answer


def _guarded(answer: HttpResponse) -> HttpResponse:
    for name, value in _HEADERS.items():
        answer.headers[name] = value
    return answer
