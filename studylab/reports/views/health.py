"""Addresses for whoever watches the site from outside: two answer one word and nothing about it, one needs a token."""

from django.conf import settings
from django.db import DatabaseError
from django.http import Http404, HttpRequest, HttpResponse
from django.utils.crypto import constant_time_compare
from django.views.decorators.http import require_safe

from studylab import clock
from studylab.access import Cap, in_background, requires, while_locked
from studylab.operation.schema import missing

FORMAT = "text/plain; version=0.0.4; charset=utf-8"


@requires(Cap.ANYONE)
@in_background
@while_locked
@require_safe
def live(request: HttpRequest) -> HttpResponse:
    """Whether this process answers; the database is not asked."""
    return _word("live", 200)


@requires(Cap.ANYONE)
@in_background
@while_locked
@require_safe
def ready(request: HttpRequest) -> HttpResponse:
    """Whether pages can be served: the database answers and has every migration of this program."""
    try:
        lacking = missing()
    except DatabaseError:
        return _word("not ready", 503)
    return _word("not ready", 503) if lacking else _word("ready", 200)


@requires(Cap.ANYONE)
@in_background
@while_locked
@require_safe
def metrics(request: HttpRequest) -> HttpResponse:
    """Hand out the site's figures to whoever brings the token; to everybody else there is no such page."""
    given = request.headers.get("Authorization", "").removeprefix("Bearer ")
    if not settings.METRICS_TOKEN or not constant_time_compare(given, settings.METRICS_TOKEN):
        raise Http404
    from studylab.operation.figures import figures  # loads the library, which a site may not use

    answer = HttpResponse(figures(clock.now()), content_type=FORMAT)
    answer["Cache-Control"] = "no-store"
    return answer


def _word(word: str, status: int) -> HttpResponse:
    answer = HttpResponse(f"{word}\n", status=status, content_type="text/plain; charset=utf-8")
    answer["Cache-Control"] = "no-store"
    return answer
