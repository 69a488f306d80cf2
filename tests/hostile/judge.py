"""What is wrong about an answer, and whether what was written may have been."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from urllib.parse import unquote_to_bytes, urlsplit

from django.db import DatabaseError, connection, transaction
from django.http import HttpResponse

from studylab.audit.models import Event
from tests.access.world import Page
from tests.hostile.asks import URLENCODED, Ask
from tests.hostile.forms import Form
from tests.hostile.scene import Visitor
from tests.hostile.watch import Ears, Ledger

SLOW = 5.0  # seconds of one request
# Written by the running of the site: of no study, and no act of a person.
HOUSEKEEPING = {
    "people_signin", "django_session", "audit_submission", "studylab_cache", "people_user", "participants_knock", "notices_seen",
}  # fmt: skip
# What is put on the trail of somebody who is then refused: a wrong password, values seen, readings kept while typing.
THOUGH_REFUSED = {"values.seen", "vitals.draft_begun", "self_report.begun"}
# Rows that say themselves who wrote them, when and what, and are never changed; or when something was last fetched.
# A draft of a study document is kept while it is typed; what is made of it is an act.
OWN_TRAIL = {
    "screening_selfreport", "screening_selfreportentry", "screening_timing", "scheduling_calendarfeed", "studies_protocoldraft",
}  # fmt: skip
ARMS = ("Propranolol 40 mg", "Placebo")


AGAIN, FORGED = ", sent again", "without the token of a page"
A_LOT = 500_000  # of bytes that no record of anything needs
# Takes a whole document or a file.
TAKES_MUCH = {
    "protocol_add",
    "protocol_draft",
    "protocol_draft_check",
    "study_draft",
    "study_draft_check",
}
# Forms that change nothing when they are sent twice, or only show something and write down that they did.
WITHOUT_KEY = re.compile(
    r"/(sign-out|lock|lock/.*|change-user|my|my/language|invitation)/|.*/(volunteers/find|needs/read|contact|contact/change)/"
)
BY_A_SECRET = {
    "link_door",
    "link_language",
    "invitation",
    "invitation_accept",
    "feed",
}  # whoever is signed in


@dataclass(frozen=True)
class Fault:
    """Something that must not be."""

    what: str
    where: str
    visitor: str
    ask: Ask
    more: str = ""


@dataclass
class Judged:
    """An answer as it was judged."""

    status: int
    faults: list[Fault] = field(default_factory=list)
    wrote: bool = False


def judge(
    visitor: Visitor,
    page: Page | None,
    ask: Ask,
    answer: HttpResponse,
    ledger: Ledger,
    ears: Ears,
    seconds: float,
) -> Judged:
    """Look at an answer and at the tables behind it."""
    heard, where = ears.take()
    judged = Judged(answer.status_code)
    name = page.name if page else "no page"

    def fault(what: str, more: str = "", at: str = "") -> None:
        judged.faults.append(Fault(what, at or str(name), visitor.name, ask, more))

    says_not_ready = name == "health_ready" and answer.status_code == 503
    if (answer.status_code >= 500 or heard) and not says_not_ready:
        fault("broken", heard, where)
    if seconds > SLOW:
        fault("slow", f"{seconds:.1f} s")
    for what, more in _said(visitor, ask, answer):
        fault(what, more)
    changed = ledger.changed()
    events = ledger.events() if "audit_event" in changed else []
    judged.wrote = bool(changed - HOUSEKEEPING)
    for what, more in _written(visitor, page, ask, answer, changed, events):
        fault(what, more)
    if (
        judged.wrote
        and len(ask.body) > A_LOT
        and name not in TAKES_MUCH
        and ledger.longest() > A_LOT
    ):
        fault("took a megabyte")
    if judged.wrote and (broken := _left_open()):
        fault("would not be committed", broken)
    return judged


def keyless(visitor: Visitor, place: str, forms: tuple[Form, ...]) -> list[Fault]:
    """Forms that somebody signed in could send twice by a double click."""
    return [
        Fault("has no key", form.action, visitor.name, Ask("GET", place))
        for form in forms
        if form.method == "POST" and form.fields and visitor.user_id is not None
        and "form_key" not in {field.name for field in form.fields}
        and not WITHOUT_KEY.fullmatch(urlsplit(form.action).path)
    ]  # fmt: skip


def _said(visitor: Visitor, ask: Ask, answer: HttpResponse) -> Iterator[tuple[str, str]]:
    content = b"" if answer.streaming else answer.content
    if b"Traceback (most recent call last)" in content or b"django.db.utils" in content:
        yield "tells how it broke", content[:500].decode(errors="replace")
    to = urlsplit(answer.headers.get("Location") or answer.headers.get("HX-Redirect") or "")
    if to.netloc not in ("", "testserver"):
        yield "leads elsewhere", to.geturl()[:300]
    if visitor.blinded and answer.status_code != 200:
        sent = unquote_to_bytes(ask.body.replace(b"+", b" "))  # a study document names its arms
        named = [arm for arm in ARMS if arm.encode() in content and arm.encode() not in sent]
        if len(named) == 1:
            yield "names one arm", named[0]


def _written(
    visitor: Visitor,
    page: Page | None,
    ask: Ask,
    answer: HttpResponse,
    changed: set[str],
    events: list[Event],
) -> Iterator[tuple[str, str]]:
    wrote = changed - HOUSEKEEPING - ({"audit_rowchange"} if not events else set())
    kept = wrote - OWN_TRAIL
    acts = {event.action for event in events}
    status = answer.status_code
    wrong = {
        "wrote what it may not": bool(wrote) and (page is None or not visitor.may(page)),
        "wrote without an event": bool(kept) and not events,
        "wrote by asking": bool(wrote) and ask.verb in ("HEAD", "OPTIONS", "TRACE"),
        "wrote though refused": bool(kept - {"audit_event"})
        and status >= 400
        and not acts <= THOUGH_REFUSED,
        "wrote twice": bool(kept) and ask.how.endswith(AGAIN) and _has_key(ask),
        "wrote for another site": bool(wrote) and ask.how == FORGED,
    }
    for what, is_so in wrong.items():
        if is_so:
            yield what, f"{status} {sorted(wrote)} {sorted(acts)}"
    if page is None or page.name not in BY_A_SECRET:
        yield from _by_another(visitor, events)


def _has_key(ask: Ask) -> bool:
    """Whether the form's key came along readably: a body of no known kind is no form, and a browser sends none."""
    return b"form_key=" in ask.body and ask.kind == URLENCODED


def _by_another(visitor: Visitor, events: Sequence[Event]) -> Iterator[tuple[str, str]]:
    for event in events:
        if event.study_id not in (None, visitor.study_id) and visitor.study_id is not None:
            yield "wrote in another study", event.action
        if visitor.user_id is not None and event.actor_id not in (None, visitor.user_id):
            yield "wrote in another's name", event.action


def _left_open() -> str:
    """What the database would say at the end of the transaction."""
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    except DatabaseError as problem:
        return str(problem)[:300]
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
    return ""
