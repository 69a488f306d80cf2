"""Set-up: the study and its protocol versions. Limits are confirmed in `screening.views.limits`."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal
from studylab.studies.draft_pages import lines_changed, open_drafts
from studylab.studies.forms import ProtocolForm, StateForm
from studylab.studies.models import ProtocolVersion
from studylab.studies.pages import ready_shown, version_page
from studylab.studies.readiness import ready_lines
from studylab.studies.rules.problems import ProtocolInvalid
from studylab.studies.rules.readiness import stages, summary
from studylab.studies.selectors import (
    access_version,
    newest_version,
    versions_of,
)
from studylab.studies.services import (
    moves_from,
    protocol_add,
    study_state_set,
)


def _version_url(request: StaffRequest, version: ProtocolVersion) -> str:
    slug = request.study.slug
    return reverse("protocol_version", kwargs={"study": slug, "number": version.number})


def _set_up_url(request: StaffRequest) -> str:
    return reverse("set_up", kwargs={"study": request.study.slug})


@requires(Cap.SETUP_VIEW)
@require_GET
def set_up(request: StaffRequest, study: str) -> HttpResponse:
    """What is ready and what is missing before the study can run."""
    context = {
        "rows": ready_shown(
            request.study,
            request.actor,
            ready_lines(request.study, clock.now(), only=("protocol", "people")),
        ),
        "drafts": open_drafts(request.study),
        "versions": versions_of(request.study),
        "moves": moves_from(request.study.state),
    }
    return render(request, "studies/set_up.html", context)


@requires(Cap.SETUP_EDIT)
@require_GET
def readiness(request: StaffRequest, study: str) -> HttpResponse:
    """Everything that must be there before the first volunteer, booking and dose, asked for anew."""
    at = clock.now()
    found = stages(ready_lines(request.study, at))
    context = {
        "at": at,
        "summary": summary(found),
        "stages": [
            (stage, ready_shown(request.study, request.actor, stage.lines)) for stage in found
        ],
    }
    return render(request, "studies/readiness.html", context)


@requires(Cap.SETUP_VIEW)
@require_GET
def protocol_version(request: StaffRequest, study: str, number: int) -> HttpResponse:
    """One version in readable form; block sizes only for whoever handles the list."""
    version = access_version(request.study, number)
    newest = newest_version(request.study)
    context: dict[str, Any] = {
        **version_page(version, blocks=request.actor.may(Cap.LIST_MANAGE)),
        **lines_changed(version),
        "can_confirm": version.confirmed_at is None and newest == version,
    }
    return render(request, "studies/protocol_version.html", context)


@requires(Cap.SETUP_EDIT)
@require_http_methods(["GET", "POST"])
def protocol_new(request: StaffRequest, study: str) -> HttpResponse:
    """Take a new protocol document, or list everything that is wrong with it."""
    form = ProtocolForm(posted(request), request.FILES or None)
    context: dict[str, Any] = {"form": form, "cancel": _set_up_url(request)}
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = {key: value for key, value in form.cleaned_data.items() if key != "file"}
            try:
                version = protocol_add(study=request.study, actor=request.actor, **data)
            except ProtocolInvalid as refusal:
                form.add_error("document", refusal.message)
                context["problems"] = refusal.problems
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                messages.success(
                    request, f"Version {version.number} is added. Its limits must be confirmed."
                )
                return redirect(_version_url(request, version))
    return render(request, "studies/protocol_add.html", context, status=status)


@requires(Cap.SETUP_EDIT)
@require_http_methods(["GET", "POST"])
def study_state(request: StaffRequest, study: str) -> HttpResponse:
    """Open, pause, resume or close the study."""
    form = StateForm(posted(request), study=request.study)
    return answer_form(
        request,
        form=form,
        template="studies/study_state.html",
        write=lambda: study_state_set(
            study=request.study,
            state=form.cleaned_data["state"],
            reason=form.cleaned_data["reason"],
            actor=request.actor,
        ),
        done=lambda _study: _set_up_url(request),
        message="The state of the study is changed.",
        context={"cancel": _set_up_url(request)},
    )
