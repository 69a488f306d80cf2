"""The door for web servers."""

import os
from collections.abc import Callable, Iterable
from typing import Any

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studylab.settings")

_PASSES = ("/healthz/", "/static/")
RETRY_SECONDS = 30


class WhenWhole:
    """Shut while the database lacks migrations of this program: pages on half of the tables would say what is not so."""

    def __init__(self, inner: Callable[..., Iterable[bytes]]) -> None:
        self._inner = inner

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        """Answer, or ask to come again."""
        if environ["PATH_INFO"].startswith(_PASSES) or _is_whole():
            return self._inner(environ, start_response)
        return _later(start_response)


def _is_whole() -> bool:
    from django.db import DatabaseError

    from studylab.operation.schema import is_whole

    try:
        return is_whole()
    except DatabaseError:
        return True  # no answer at all: the pages themselves say so


def _later(start_response: Any) -> Iterable[bytes]:
    from django.template.loader import render_to_string

    page = render_to_string("errors/updating.html").encode()
    start_response(
        "503 Service Unavailable",
        [
            ("Content-Type", "text/html; charset=utf-8"),
            ("Content-Length", str(len(page))),
            ("Cache-Control", "no-store"),
            ("Retry-After", str(RETRY_SECONDS)),
        ],
    )
    return [page]


application = WhenWhole(get_wsgi_application())
