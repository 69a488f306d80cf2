"""Checking every seal of the record as work that shows how far it is, can be stopped, and outlives its worker."""

import logging
from datetime import datetime, timedelta

from django.db import transaction

from studylab import clock
from studylab.access import Actor, Cap, require, system_actor
from studylab.audit.actions import Action
from studylab.audit.chain import CHAIN_START
from studylab.audit.models import Link, SealCheck
from studylab.audit.selectors import Verification, check_is_due, verification
from studylab.audit.services import audit
from studylab.audit.walk import CHUNK, Walk
from studylab.celery import ring
from studylab.db import lock, service
from studylab.errors import Conflict
from studylab.operation.lease import TakenOver, claim

log = logging.getLogger(__name__)
AFTER_A_STOP = timedelta(days=1)  # so long nothing begins by itself when somebody stopped a check
TOO_MUCH = "Run python3 manage.py verify_audit, which does the same in one go, and tell whoever runs the site."
WRONG = (
    "Something went wrong during the check. Ask again; if it stays so, tell whoever runs the site."
)


class _Stopped(Exception):
    """Somebody asked for the check to be stopped."""


@service
def check_ask(*, actor: Actor) -> SealCheck:
    """Queue a check of every seal; a worker makes it. Conflict while another one is being made."""
    require(actor, Cap.SITE_CARE)
    check = SealCheck.objects.create(asked_at=clock.now(), asked_by=actor.label)
    if not actor.is_system:
        _told(check, Action.RECORD_CHECK_ASKED, actor)
    transaction.on_commit(lambda: knock(check.pk), robust=True)
    return check


def knock(check_id: int) -> None:
    """Ask a worker to look now. Whether anybody hears does not matter: a tick finds what waits."""
    from studylab.audit.tasks import check

    ring(check, check_id)


@service
def check_stop(*, check: SealCheck, actor: Actor) -> SealCheck:
    """Stop a check. It says nothing about the record then; the daily check begins again a day later."""
    require(actor, Cap.SITE_CARE)
    current: SealCheck = lock(SealCheck, pk=check.pk)
    if not current.is_open:
        raise Conflict(f"This check is {current.get_state_display()} already.")
    current.stop_at = clock.now()
    if current.state == SealCheck.State.WAITING:
        current.state, current.ended_at = SealCheck.State.STOPPED, current.stop_at
    current.save(update_fields=["stop_at", "state", "ended_at"])
    _told(current, Action.RECORD_CHECK_STOPPED, actor)
    return current


def _told(check: SealCheck, action: Action, actor: Actor) -> None:
    audit(actor=actor, action=action, subject_type="record", subject_code=check.uid)


def due_by_itself(at: datetime) -> bool:
    """Whether the daily check is to begin: it is due, none is under way, and nobody stopped one within a day."""
    open_or_stopped = SealCheck.objects.filter(state__in=["waiting", "running"]) | (
        SealCheck.objects.filter(state="stopped", ended_at__gt=at - AFTER_A_STOP)
    )
    return check_is_due(at) and not open_or_stopped.exists()


def work(check_id: int, *, chunk: int = CHUNK) -> Verification | None:
    """Make a waiting check, or go on with it; None when there was nothing to do, or it did not come to its end."""
    attempt = claim(SealCheck, check_id, clock.now(), stage="Walking along the chain")
    if not attempt:
        return None
    check = SealCheck.objects.get(pk=check_id)
    try:
        return _walked(check, chunk)
    except _Stopped:
        _write(check, state="stopped", ended_at=clock.now(), stage="")
    except TakenOver:
        log.warning("check %s has passed to another worker", check.uid)
    except Exception:
        log.exception("check %s failed", check.uid)
        mine = SealCheck.objects.filter(pk=check.pk, attempt=check.attempt, state="running")
        mine.update(state="failed", trouble=WRONG, ended_at=clock.now(), stage="")
    return None


def _walked(check: SealCheck, chunk: int) -> Verification:
    walk = Walk(check.after_id, check.head or CHAIN_START, check.links, check.batch, check.floor)
    _write(check, total=Link.objects.count())
    more, broken_at, problem = True, None, ""
    while more:
        more, broken_at, problem = walk.step(chunk)
        _write(
            check, links=walk.links, after_id=walk.after, head=walk.previous, batch=walk.batch,
            floor=walk.floor, beat_at=clock.now(),
        )  # fmt: skip
        if SealCheck.objects.filter(pk=check.pk, stop_at__isnull=False).exists():
            raise _Stopped
    found = verification(walk, broken_at, problem)
    _finish(check=check, found=found, actor=system_actor("check of the seals"))
    return found


@service
def _finish(*, check: SealCheck, found: Verification, actor: Actor) -> None:
    _write(
        check, state="done", ended_at=clock.now(), stage="", unsealed=found.unsealed,
        broken_at=found.broken_at, problem=found.problem,
    )  # fmt: skip
    note_found(found, actor)


def note_found(found: Verification, actor: Actor) -> None:
    """Write on the trail what a walk along the whole chain has found."""
    data = {
        "intact": found.intact,
        "links": found.links,
        "unsealed": found.unsealed,
        "head": found.head,
    }
    if not found.intact:
        data["broken_at"] = found.broken_at or 0
    audit(
        actor=actor, action=Action.RECORD_VERIFIED, subject_type="record", subject_code="",
        data=data,
    )  # fmt: skip


def _write(check: SealCheck, **values: object) -> None:
    """Write to the check as long as it is this worker's."""
    mine = SealCheck.objects.filter(pk=check.pk, attempt=check.attempt, state="running")
    if not mine.update(**values):
        raise TakenOver
