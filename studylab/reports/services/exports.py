"""Asking for an export, stopping it, taking it."""

from collections.abc import Iterator

from django.db import transaction

from screening.services.exposure import note_seen
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.celery import ring
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed
from studylab.participants.models import Participant
from studylab.reports.models import ExportPart, ExportRun
from studylab.studies.models import Study


@service
def export_ask(*, study: Study, actor: Actor) -> ExportRun:
    """Queue an export of the study; a worker makes it. Conflict while another one is being made."""
    require(actor, Cap.EXPORT_MAKE)
    _own(study.pk, actor)
    assert actor.user_id is not None
    run = ExportRun.objects.create(study=study, asked_at=clock.now(), asked_by_id=actor.user_id)
    audit(actor=actor, action=Action.EXPORT_ASKED, subject_type="export", subject_code=run.uid)
    transaction.on_commit(lambda: knock(run.pk), robust=True)
    return run


def knock(run_id: int) -> None:
    """Ask a worker to look now. Whether anybody hears does not matter: a sweep finds what waits."""
    from studylab.reports.tasks import make_export

    ring(make_export, run_id)


@service
def export_stop(*, run: ExportRun, actor: Actor) -> ExportRun:
    """Stop the making of an export; nothing of it is kept."""
    require(actor, Cap.EXPORT_MAKE)
    current: ExportRun = lock(ExportRun, pk=run.pk)
    _own(current.study_id, actor)
    if not current.is_open:
        raise Conflict(f"This export is {current.get_state_display()} already.")
    now = clock.now()
    current.stop_at = now
    if current.state == ExportRun.State.WAITING:
        current.state, current.ended_at = ExportRun.State.STOPPED, now
    current.save(update_fields=["stop_at", "state", "ended_at"])
    audit(
        actor=actor, action=Action.EXPORT_STOPPED, subject_type="export", subject_code=current.uid
    )
    return current


@service
def export_take(*, run: ExportRun, actor: Actor) -> None:
    """Note on the trail that somebody takes the file, before a byte of it leaves; Conflict when it is not there."""
    require(actor, Cap.RECORD_VIEW)
    _own(run.study_id, actor)
    if run.state != ExportRun.State.READY or not run.parts.exists():
        raise Conflict(
            "The file of this export is not there. Ask for a new one: its hash stays on record."
        )
    codes = Participant.objects.filter(study=run.study_id).values_list("code", flat=True)
    note_seen(run.study, codes.iterator(), "export", actor)
    audit(
        actor=actor, action=Action.EXPORT_FETCHED, subject_type="export", subject_code=run.uid,
        data={"sha256": run.sha256},
    )  # fmt: skip


def export_bytes(run: ExportRun) -> Iterator[bytes]:
    """Yield the ZIP, a piece at a time."""
    index = 0
    while True:
        part = (
            ExportPart.objects.filter(run=run, index=index)
            .values_list("content", flat=True)
            .first()
        )
        if part is None:
            return
        yield bytes(part)
        index += 1


def _own(study_id: int, actor: Actor) -> None:
    if not actor.is_system and actor.study_id != study_id:
        raise NotAllowed("This export is not in the study you are working in.")
