"""A worker makes an export: claims the row, reads everything in one view of the record, keeps the ZIP in pieces.

The row is the queue. Claiming is one conditional update, so a repeated message finds nothing to do; a row whose worker
died is found by the sweep. How far it is goes through a connection of its own: the view of the record that the tables
are read from would hide it until the end.
"""

import hashlib
import logging
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import IO, Any

from django.db import DEFAULT_DB_ALIAS, connection, connections, transaction
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor
from studylab.allocation.selectors.assays import assay_rows
from studylab.allocation.selectors.unblinding import opening_state, read_opened
from studylab.allocation.services.unblinding import list_read
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.operation.full_disk import is_full
from studylab.operation.lease import TakenOver, claim
from studylab.people.selectors import actor_for
from studylab.reports.models import ExportPart, ExportRun
from studylab.reports.rules.archive import Packed
from studylab.reports.selectors.export_file import Arms, row_count, write_export
from studylab.studies.models import Study
from studylab.studies.selectors import plan_of

log = logging.getLogger(__name__)

PIECE = 1 << 20
KEPT = timedelta(days=7)  # bytes of an export; the row with its hash stays
TOO_MUCH = "Tell whoever runs the site: its log says why, and memory or time may not suffice."
WRONG = "Something went wrong while the export was made. Ask again."
FULL = (
    "The server's disk is full, so no export was made and nothing of it is kept. Tell whoever runs the site; ask again "
    "once there is room."
)
UNEXPLAINED = "A laboratory result contradicts the opened list. Explain it first, then ask again."


class _Stopped(Exception):
    """Somebody asked for the export to be stopped."""


class _Unexplained(Exception):
    """Arms are not handed out while a laboratory result contradicts the list."""


def work(run_id: int) -> bool:
    """Make a waiting export; False when there was nothing to do."""
    run = _claim(run_id)
    if run is None:
        return False
    actor = actor_for(run.asked_by, run.study)
    try:
        with tempfile.TemporaryFile() as file:
            files, opened = _write(run, actor, file)
            _keep(run=run, file=file, files=files, opened=opened, actor=actor)
    except _Stopped:
        _end(run, ExportRun.State.STOPPED, "")
    except _Unexplained:
        _end(run, ExportRun.State.FAILED, UNEXPLAINED)
    except TakenOver:
        log.warning("export %s has passed to another worker", run.uid)
    except Exception as problem:
        log.exception("export %s failed", run.uid)
        _end(run, ExportRun.State.FAILED, FULL if is_full(problem) else WRONG)
    return True


def tidy(at: datetime) -> None:
    """Let the bytes of old exports go."""
    ExportPart.objects.filter(run__ended_at__lt=at - KEPT).delete()


def _claim(run_id: int) -> ExportRun | None:
    if not claim(ExportRun, run_id, clock.now(), stage="Counting", rows=0, done=0):
        return None
    return ExportRun.objects.select_related("study", "asked_by").get(pk=run_id)


def _write(run: ExportRun, actor: Actor, file: IO[bytes]) -> tuple[list[Packed], bool]:
    with _beside() as other, _one_view():
        rows = row_count(run.study)
        arms = _arms(run.study, actor)
        told = _told(run, rows, other)
        told("study.csv", 0)
        files = write_export(run.study, file, made_at=run.asked_at, arms=arms, told=told)
    if arms is not None:
        list_read(study=run.study, what="export", actor=actor)
    return files, arms is not None


@contextmanager
def _one_view() -> Iterator[None]:
    """Read everything as it was at one moment; a caller's own transaction is such a view."""
    if connection.in_atomic_block:
        yield
        return
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


@contextmanager
def _beside() -> Iterator[Any]:
    """Give a connection that stands outside the view."""
    if connection.in_atomic_block:
        yield connection
        return
    other = connections.create_connection(DEFAULT_DB_ALIAS)
    try:
        yield other
    finally:
        other.close()


def _told(run: ExportRun, rows: int, other: Any) -> Callable[[str, int], None]:
    """Return what notes how far the export is, and raises when it is to stop."""
    done = 0

    def note(stage: str, more: int) -> None:
        nonlocal done
        done = min(done + more, rows)
        with other.cursor() as cursor:
            cursor.execute(
                "UPDATE reports_exportrun SET stage = %s, done = %s, rows = %s, beat_at = %s"
                " WHERE id = %s AND attempt = %s AND state = 'running' RETURNING stop_at",
                [stage, done, rows, clock.now(), run.pk, run.attempt],
            )
            found = cursor.fetchone()
        if found is None:
            raise TakenOver
        if found[0] is not None:
            raise _Stopped

    return note


@sensitive_variables()
def _arms(study: Study, actor: Actor) -> Arms | None:
    """Return who was given what, from the opened list; None while it is sealed."""
    state = opening_state(study)
    if not state.is_open or state.opening is None:
        return None
    opened = read_opened(state.opening, actor)
    if any(
        row.open for row in assay_rows(study, opened, plan_of(state.opening.list.protocol_version))
    ):
        raise _Unexplained
    return {row.code: (row.number, row.arm_name) for row in opened.rows if row.code}


@service
def _keep(
    *, run: ExportRun, file: IO[bytes], files: list[Packed], opened: bool, actor: Actor
) -> None:
    """Keep the ZIP in pieces, and note its hash on the row and on the trail."""
    file.seek(0)
    digest, index = hashlib.sha256(), 0
    while piece := file.read(PIECE):
        digest.update(piece)
        ExportPart.objects.create(run=run, index=index, content=piece)
        index += 1
    attempt, run = run.attempt, lock(ExportRun, pk=run.pk)
    if run.attempt != attempt or run.state != ExportRun.State.RUNNING:
        raise TakenOver
    if run.stop_at is not None:
        raise _Stopped
    run.state, run.ended_at, run.stage = ExportRun.State.READY, clock.now(), ""
    run.size, run.sha256, run.opened = file.tell(), digest.hexdigest(), opened
    run.files = [[one.name, one.sha256, one.size, one.rows, one.people] for one in files]
    run.save()
    audit(
        actor=actor, action=Action.EXPORT_MADE, subject_type="export", subject_code=run.uid,
        data={"sha256": run.sha256, "bytes": run.size, "arms_included": opened},
    )  # fmt: skip


def _end(run: ExportRun, state: ExportRun.State, trouble: str) -> None:
    mine = ExportRun.objects.filter(pk=run.pk, attempt=run.attempt, state=ExportRun.State.RUNNING)
    mine.update(state=state, trouble=trouble, ended_at=clock.now(), stage="")
