"""Two addresses for whoever watches the site from outside: they answer one word and nothing about it."""

from django.db import DatabaseError, connection
from django.db.migrations.loader import MigrationLoader
from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from studylab.access import Cap, in_background, requires, while_locked


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
        loader = MigrationLoader(connection)
        missing = set(loader.disk_migrations) - set(loader.applied_migrations)
    except DatabaseError:
        return _word("not ready", 503)
    return _word("not ready", 503) if missing else _word("ready", 200)


def _word(word: str, status: int) -> HttpResponse:
    answer = HttpResponse(f"{word}\n", status=status, content_type="text/plain; charset=utf-8")
    answer["Cache-Control"] = "no-store"
    return answer
