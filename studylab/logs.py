"""One line of log for each request, each with the number that stands on the trail, on the answer and on the error page.

Lines hold no name, address, code or typed word of anybody: who asked is an account's number, what was asked the name of
the page. As JSON (a site's default) or as plain lines (on this machine); neither can be broken by what somebody sent.
"""

import json
import logging
import re
import time
from collections.abc import Callable
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any
from uuid import UUID, uuid4

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from studylab.request_counts import count_request

log = logging.getLogger("studylab.requests")
_number: ContextVar[str] = ContextVar("request_number", default="")
_UUID = re.compile(
    r"[0-9a-f]{8}-?[0-9a-f]{4}-?[0-9a-f]{4}-?[0-9a-f]{4}-?[0-9a-f]{12}", re.IGNORECASE
)
_QUIET = ("health_live", "health_ready", "metrics")


def set_number(number: str) -> None:
    """Name what this thread works on from now on: a request or a task."""
    _number.set(number)


def logging_settings(style: str, level: str) -> dict[str, Any]:
    """Return what `logging.config.dictConfig` takes: everything from `level` on to the console, as "json" or "line"."""
    line = "%(asctime)s %(levelname)s %(name)s %(number)s: %(message)s"
    console = {"class": "logging.StreamHandler", "formatter": style, "filters": ["number"]}
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "filters": {"number": {"()": "studylab.logs.NumberFilter"}},
        "formatters": {
            "line": {"()": "studylab.logs.LineFormatter", "format": line},
            "json": {"()": "studylab.logs.JsonFormatter"},
        },
        "handlers": {"console": console},
        "root": {"handlers": ["console"], "level": level},
    }


class NumberFilter(logging.Filter):
    """Give every record the number of the request or task in which it was made."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Add `number`; nothing is left out."""
        record.number = _number.get() or "-"
        return True


class LineFormatter(logging.Formatter):
    """Plain lines. What would begin another line or move the cursor is shown as an escape (OWASP ASVS 5.0, 16.4.1)."""

    def format(self, record: logging.LogRecord) -> str:
        """Return one line; only the indented lines of a traceback follow."""
        record = logging.makeLogRecord(
            {**record.__dict__, "msg": escaped(record.getMessage()), "args": None}
        )
        return super().format(record)


class JsonFormatter(logging.Formatter):
    """One JSON object a line, times in UTC."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the object: at, level, from, text, number, what a request carries, and a traceback where there is one."""
        found = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname, "from": record.name, "text": record.getMessage(),
            "number": getattr(record, "number", "-"), **getattr(record, "facts", {}),
        }  # fmt: skip
        if record.exc_info:
            found["trace"] = self.formatException(record.exc_info)
        return json.dumps(found, ensure_ascii=True)


def escaped(text: str) -> str:
    """Return the text with control characters and line ends written as escapes."""
    return "".join(
        c if c.isprintable() or c == " " else c.encode("unicode_escape").decode() for c in text
    )


def request_number(request: HttpRequest) -> UUID:
    """Return the number that a trusted proxy gave the request, or a new one."""
    given = request.headers.get("X-Request-ID", "") if settings.BEHIND_PROXY else ""
    return UUID(given) if _UUID.fullmatch(given) else uuid4()


class RequestLogMiddleware:
    """Number every request and write one line when it is answered. Stands before everything else."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        number, begun = request_number(request), time.perf_counter()
        request.number = number  # type: ignore[attr-defined]
        set_number(str(number))
        try:
            response = self.get_response(request)
            response.headers["X-Request-ID"] = str(number)
            _write(request, response, (time.perf_counter() - begun) * 1000)
            return response
        finally:
            set_number("")


def _write(request: HttpRequest, response: HttpResponse, spent: float) -> None:
    match = request.resolver_match
    page = (match.url_name if match else None) or "none"
    count_request(page, request.method or "", response.status_code, spent / 1000)
    if page in _QUIET and response.status_code < 400:
        return
    user = getattr(request, "user", None)
    facts = {
        "method": request.method, "page": page, "status": response.status_code, "ms": round(spent, 1),
        "account": user.pk if user is not None and user.is_authenticated else None,
    }  # fmt: skip
    said = " ".join(f"{key}={value}" for key, value in facts.items())
    level = logging.ERROR if response.status_code >= 500 else logging.INFO
    log.log(level, "%s", said, extra={"facts": facts})
