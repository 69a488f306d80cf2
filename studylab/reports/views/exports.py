"""Exports of the study's data: ask for one, watch it being made, take it."""

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab.access import Cap, requires
from studylab.errors import NotAllowed, StudylabError
from studylab.http import StaffRequest, answer_form
from studylab.reports.models import ExportRun
from studylab.reports.selectors.exports import KINDS, SHOWN, access_run, runs_of, taken_by
from studylab.reports.services.exports import export_ask, export_bytes, export_stop, export_take


@requires(Cap.RECORD_VIEW)
@require_GET
def exports(request: StaffRequest, study: str) -> HttpResponse:
    """List the exports that were made."""
    return render(request, "reports/exports.html", _listed(request))


@requires(Cap.EXPORT_MAKE)
@require_http_methods(["GET", "POST"])
def export_add(request: StaffRequest, study: str) -> HttpResponse:
    """Ask for an export; a worker makes it."""
    return answer_form(
        request, form=forms.Form(request.POST if request.method == "POST" else None), template="reports/exports.html",
        write=lambda: export_ask(study=request.study, actor=request.actor),
        done=lambda run: reverse("record_export", args=[study, run.uid]), context=_listed(request),
    )  # fmt: skip


@requires(Cap.RECORD_VIEW)
@require_GET
def export(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """One export: how far it is, then what is in it and who took it."""
    run = access_run(request.study, uid)
    return render(request, "reports/export.html", _shown(run) | {"taken": taken_by(run)})


@requires(Cap.RECORD_VIEW)
@require_GET
def export_progress(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """The part of the page that renews itself; asks for the whole page once the file is there."""
    run = access_run(request.study, uid)
    response = render(request, "reports/exports/_progress.html", _shown(run))
    if not run.is_open:
        response["HX-Refresh"] = "true"
    return response


@requires(Cap.EXPORT_MAKE)
@require_POST
def export_halt(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Stop the making of an export."""
    run = access_run(request.study, uid)
    try:
        export_stop(run=run, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.warning(request, refusal.message)
    else:
        messages.success(request, "Stopping. Nothing of it is kept.")
    return redirect("record_export", study=study, uid=uid)


@requires(Cap.RECORD_VIEW)
@require_POST
def export_file(
    request: StaffRequest, study: str, uid: UUID
) -> HttpResponse | StreamingHttpResponse:
    """Hand out the ZIP, noted on the trail before the first byte."""
    run = access_run(request.study, uid)
    try:
        export_take(run=run, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.warning(request, refusal.message)
        return redirect("record_export", study=study, uid=uid)
    answer = StreamingHttpResponse(export_bytes(run), content_type="application/zip")
    answer["Content-Length"] = str(run.size)
    name = f"{request.study.slug}-data-{run.asked_at:%Y%m%d-%H%M}.zip"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _listed(request: StaffRequest) -> dict[str, Any]:
    runs = list(runs_of(request.study)[:SHOWN])
    return {
        "runs": [(run, KINDS[ExportRun.State(run.state)]) for run in runs],
        "open_run": next((run for run in runs if run.is_open), None),
    }


def _shown(run: ExportRun) -> dict[str, Any]:
    names = ("name", "sha256", "size", "rows", "people")
    return {
        "run": run,
        "kind": KINDS[ExportRun.State(run.state)],
        "files": [dict(zip(names, one, strict=True)) for one in run.files],
    }
