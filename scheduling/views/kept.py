"""What a tablet keeps for work without network: the run sheets opened on it, the page that shows them, the worker."""

import base64
import hashlib
from datetime import datetime
from typing import Any
from uuid import UUID

from django.http import HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.utils.crypto import salted_hmac
from django.views.decorators.http import require_GET

from scheduling.models import Visit
from scheduling.rules.step_values import DOCUMENTS, ELSEWHERE, IDENTIFIERS
from scheduling.selectors.sheet import Sheet, access_visit, sheet_of
from scheduling.views.sheet_page import Row, may_not_rate, rows_of
from scheduling.views.sheet_panels import leave_after, pinned, wait_panel
from studylab import clock
from studylab.access import Actor, Cap, in_background, requires
from studylab.http import StaffRequest
from studylab.people.models import Device

# The modules of the page, and its look. A changed file has another name, so the worker that keeps it is another one.
SHELL_FILES = (
    "js-lib-bootstrap5/css/bootstrap.min.css", "studylab/theme.css", "studylab/app.css",
    "studylab/parts.css", "studylab/sheet.css", "studylab/tablet/tablet.css",
    "studylab/countdown.js", "studylab/icons/favicon.svg", "studylab/tablet/shell.js",
    "studylab/tablet/sheet_view.js", "studylab/tablet/step_view.js", "studylab/tablet/outbox.js",
    "studylab/tablet/outbox_view.js", "studylab/tablet/sending.js", "studylab/tablet/store.js",
    "studylab/tablet/clock.js", "studylab/tablet/dom.js", "studylab/tablet/key.js",
    "studylab/tablet/ring.js", "studylab/tablet/unsent_file.js",
)  # fmt: skip
# Recorded with the server, since it judges what was given before the next one is.
_WITH_SERVER = {*ELSEWHERE, "work_up"}


@requires(Cap.VISIT_RUN)
@in_background
@require_GET
def tablet_hello(request: StaffRequest, study: str) -> JsonResponse:
    """Say who is signed in and what time it is; the key seals what the tablet keeps for this person."""
    return JsonResponse(_hello(request))


@requires(Cap.VISIT_RUN)
@in_background
@require_GET
def sheet_keep(request: StaffRequest, study: str, uid: UUID) -> JsonResponse:
    """Give a run sheet to a tablet of the lab, by code and without names of volunteers or staff.

    A browser that nobody named gets none: it could be anybody's, and nobody could say what was on it.
    """
    visit = access_visit(request.study, uid)
    met, now = _hello(request), clock.now()
    if not met["named"]:
        return JsonResponse(met | {"sheet": None})
    return JsonResponse(met | {"sheet": _sheet(sheet_of(visit, now), request.actor, now)})


@requires(Cap.TODAY_VIEW)
@in_background
@require_GET
def tablet_shell(request: StaffRequest, study: str) -> HttpResponse:
    """Show the page that a tablet shows without network. It is the same for everybody and holds nobody's data."""
    return render(request, "scheduling/tablet/shell.html", {"base": _base(request)})


@requires(Cap.TODAY_VIEW)
@in_background
@require_GET
def tablet_worker(request: StaffRequest, study: str) -> HttpResponse:
    """Give the worker that answers for run sheets and Today while there is no network."""
    files = [static(name) for name in SHELL_FILES]
    page = render_to_string("scheduling/tablet/shell.html", {"base": _base(request)})
    version = hashlib.sha256(page.encode() + "".join(files).encode()).hexdigest()[:16]
    context = {
        "base": _base(request),
        "files": files,
        "version": version,
        "code": static("studylab/tablet/worker.js"),
    }
    return render(
        request, "scheduling/tablet/worker.js", context, content_type="text/javascript; charset=utf-8"
    )  # fmt: skip


def tablet_key(person: str) -> bytes:
    """Return the key that seals what a tablet keeps for a person, whose number is given as text."""
    return salted_hmac("studylab.tablet/1", person, algorithm="sha256").digest()


def _base(request: StaffRequest) -> str:
    return f"/s/{request.study.slug}/"


def _hello(request: StaffRequest) -> dict[str, Any]:
    person = str(request.actor.user_id)
    device: Device | None = request.device  # type: ignore[attr-defined]
    key = tablet_key(person)
    return {
        "person": person,
        "key": base64.b64encode(key).decode(),
        "csrf": get_token(request),
        "now": clock.now().isoformat(),
        "named": device is not None,
        "lock_minutes": device.lock_minutes if device is not None else None,
    }


def _sheet(sheet: Sheet, actor: Actor, now: datetime) -> dict[str, Any]:
    visit, wait, leave = sheet.visit, wait_panel(sheet), leave_after(sheet, now)
    zone = visit.participant.study.timezone
    return {
        "visit": str(visit.uid),
        "code": visit.participant.code,
        "number": visit.number,
        "title": sheet.plan.title,
        "running": visit.state == Visit.State.RUNNING,
        "held": bool(sheet.holds),
        "zone": zone,
        "pinned": pinned(sheet),
        "wait": None
        if wait is None
        else {
            "dose": wait.dose.given_at.isoformat(),
            "due": wait.due_at.isoformat(),
            "latest": wait.latest_at.isoformat(),
        },
        "leave": leave.isoformat() if leave else None,
        "emergency": sheet.protocol.emergency_number,
        "phone": sheet.protocol.phone_24h,
        "steps": [_step(row, visit, actor) for row in rows_of(sheet)],
    }


def _step(row: Row, visit: Visit, actor: Actor) -> dict[str, Any]:
    """Return what is needed to do a step, and of what was recorded only that it was."""
    one = row.sheet_step
    step = one.step
    return {
        "key": step.key,
        "kind": step.kind,
        "short": row.short,
        "text": step.text,
        "shown": one.shown,
        "unit": step.unit,
        "minimum": step.minimum,
        "maximum": step.maximum,
        "call_below": step.call_below,
        "options": step.options,
        "identifiers": IDENTIFIERS if step.kind == "identity" else (),
        "documents": DOCUMENTS if step.kind == "identity" else (),
        "minutes": step.minutes,
        "required": step.required,
        "settled": one.done or one.skipped,
        "until": one.until.isoformat() if one.until else None,
        "may_skip": row.may_skip,
        "here": step.kind not in _WITH_SERVER,
        "not_yours": may_not_rate(step, visit, actor),
    }
