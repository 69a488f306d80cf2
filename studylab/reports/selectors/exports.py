"""Exports of a study for its page."""

from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet
from django.http import Http404

from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.reports.models import ExportPart, ExportRun
from studylab.studies.models import Study

SHOWN = 20
KINDS = {
    ExportRun.State.WAITING: "wait", ExportRun.State.RUNNING: "wait", ExportRun.State.READY: "ok",
    ExportRun.State.STOPPED: "warn", ExportRun.State.FAILED: "stop",
}  # fmt: skip


def runs_of(study: Study) -> QuerySet[ExportRun]:
    """Return the study's exports, newest first, with whether the bytes are still there (`kept`)."""
    kept = Exists(ExportPart.objects.filter(run=OuterRef("pk")))
    return ExportRun.objects.filter(study=study).select_related("asked_by").annotate(kept=kept)


def access_run(study: Study, uid: UUID) -> ExportRun:
    """Return one export of the study or answer "not found"."""
    run = runs_of(study).filter(uid=uid).first()
    if run is None:
        raise Http404
    return run


def taken_by(run: ExportRun) -> list[Event]:
    """Return who took the file, and when, oldest first."""
    return list(
        Event.objects.filter(
            study_id=run.study_id,
            action=Action.EXPORT_FETCHED,
            subject_type="export",
            subject_code=str(run.uid),
        ).order_by("id")
    )
