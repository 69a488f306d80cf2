"""Checks of the seals among the running work, and the line about the seals in the site's status."""

from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Min
from django.http import Http404

from studylab.access import Actor, Cap
from studylab.audit.models import Link, SealCheck
from studylab.audit.seal_checks import check_ask, check_stop
from studylab.audit.selectors import CHECKED_WITHIN, last_check, unsealed_events
from studylab.operation.rules.status import Line, Queue, State
from studylab.operation.work import Stage, Work, WorkKind, queue_of

_LATE = timedelta(hours=2)  # beyond the day, before a missing check is wrong
_SEALED_LATE = timedelta(minutes=10)


def _rows(_study: Any, ended: int) -> list[Work]:
    checks = SealCheck.objects.all()[: ended + 1]
    return [_shown(check) for check in checks]


def _shown(check: SealCheck) -> Work:
    return Work(
        key=str(check.uid), what="Every seal of the record", by=check.asked_by, asked_at=check.asked_at,
        stage=Stage(check.state), word=_word(check), step=check.stage, done=check.links,
        total=max(check.total, check.links) or None, unit="seals", attempt=check.attempt,
        heard_at=check.beat_at, ended_at=check.ended_at, ending=check.stop_at is not None and check.is_open,
        said=_said(check), can_repeat=not check.is_open,
    )  # fmt: skip


def _word(check: SealCheck) -> str:
    if check.state == SealCheck.State.DONE:
        return "broken" if check.broken_at else "intact"
    return str(check.get_state_display())


def _said(check: SealCheck) -> str:
    if check.state == SealCheck.State.DONE and check.claimed_at and check.ended_at:
        took = max(1, round((check.ended_at - check.claimed_at).total_seconds()))
        found = check.problem or f"All {check.links} fit; hash of the last: {check.head[:16]}…"
        return f"{found} {check.unsealed} entries were not sealed yet. Took {took} s."
    return check.trouble


def _waiting() -> Queue:
    rows = SealCheck.objects.filter(state=SealCheck.State.WAITING)
    return queue_of("Checks of the record", rows)


def _check(key: str) -> SealCheck:
    check = SealCheck.objects.filter(uid=key).first()
    if check is None:
        raise Http404
    return check


def _stop(_study: Any, key: str, actor: Actor) -> str:
    check_stop(check=_check(key), actor=actor)
    return "Stopping. A stopped check says nothing about the record."


def _again(_study: Any, key: str, actor: Actor) -> str:
    _check(key)
    check_ask(actor=actor)
    return "A check of every seal was asked for."


KIND = WorkKind(
    key="seals", title="Checks of the record", view=Cap.RECORD_VIEW, act=Cap.SITE_CARE, rows=_rows,
    waiting=_waiting, stop=_stop, again=_again, whole_site=True,
    about="Whether every entry of the record fits its seal, once a day. It covers all studies of this site.",
)  # fmt: skip


def seals_line(at: datetime) -> Line:
    """Judge sealing and the daily check of the seals."""
    newest = Link.objects.order_by("-id").first()
    waits = unsealed_events().aggregate(count=Count("pk"), oldest=Min("at"))
    last = last_check()
    sealed = (
        "Nothing is sealed yet"
        if newest is None
        else f"Last sealed {newest.sealed_at:%a %d %b, %H:%M} UTC"
    )
    checked = "never checked" if last is None else f"last checked {last.at:%a %d %b, %H:%M} UTC"
    said = f"{sealed}, {checked}; {waits['count']} entries not sealed yet."
    title = "Seals of the record"
    if last is not None and not last.intact:
        todo = "Change nothing. Run python3 manage.py verify_audit, keep its output, and tell whoever runs the site."
        return Line("seals", title, State.WRONG, f"A seal does not fit. {said}", todo, last.at)
    if waits["oldest"] is not None and at - waits["oldest"] > _SEALED_LATE:
        todo = "Look at scheduler and workers: sealing is their work."
        return Line("seals", title, State.LOOK, said, todo, waits["oldest"])
    if last is None or at - last.at > CHECKED_WITHIN + _LATE:
        todo = "Ask for a check under Running work."
        return Line("seals", title, State.LOOK, said, todo)
    return Line("seals", title, State.OK, said)
