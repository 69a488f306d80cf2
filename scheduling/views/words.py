"""States of visits, steps and contacts as pages show them: a kind of shape and a word."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from scheduling.models import Visit
from scheduling.rules.sheet import VisitWord

KINDS: dict[VisitWord, str] = {
    "due": "info",
    "late": "warn",
    "under way": "info",
    "waiting": "wait",
    "check due": "warn",
    "on hold": "stop",
    "done": "ok",
    "missed": "stop",
    "stopped early": "stop",
    "cancelled": "stop",
}
CONTACT_KINDS = {"early": "info", "due": "warn", "overdue": "stop"}
CONTACT_WORDS = {"early": "later", "due": "due now", "overdue": "overdue"}
WAIT_KINDS = {"waiting": "wait", "due": "warn", "late": "stop"}


def sheet_url(visit: Visit, anchor: str = "") -> str:
    """Return the address of a visit's run sheet; its study must be loaded."""
    url = reverse("visit", args=[visit.participant.study.slug, visit.uid])
    return f"{url}#{anchor}" if anchor else url


def beside(name: str, visit: Visit, *more: object, back: bool = True) -> str:
    """Return the address of a page about the visit's volunteer that leads back to the run sheet."""
    slug, code = visit.participant.study.slug, visit.participant.code
    url = reverse(name, args=[slug, code, *more])
    return f"{url}?{urlencode({'next': sheet_url(visit)})}" if back else url


def left_words(value: Mapping[str, Any]) -> str:
    """Say how somebody left, from what is kept at the leave step."""
    if value.get("fit"):
        return "fit to leave"
    if value.get("handed_to"):
        return f"handed over to {value['handed_to']}"
    return "left against advice"


def length_words(start: datetime, end: datetime) -> str:
    """Return elapsed time in hours and minutes, part minutes cut: "1 h 05 min", "12 min"."""
    minutes = max(0, int((end - start).total_seconds() // 60))
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"
