"""The validation pack: the checks run on the spot, earlier runs, and each as pages to print and sign by hand."""

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.people.services.signatures import content_hash
from studylab.reports.models import ValidationRun
from studylab.reports.selectors.validation import earlier_runs
from studylab.reports.services.validation import validation_run


def _pack_url(request: StaffRequest, uid: UUID) -> str:
    if request.study is None:
        return reverse("site_validation_pack", kwargs={"uid": uid})
    return reverse("set_up_validation_pack", kwargs={"study": request.study.slug, "uid": uid})


def _list(request: StaffRequest) -> HttpResponse:
    if request.method == "POST":
        return redirect(_pack_url(request, validation_run(actor=request.actor).uid))
    rows = [(one, _pack_url(request, one.uid)) for one in earlier_runs()]
    return render(request, "reports/validation/list.html", {"rows": rows})


def _pack(request: StaffRequest, uid: UUID) -> HttpResponse:
    run = ValidationRun.objects.select_related("ran_by").filter(uid=uid).first()
    if run is None:
        raise Http404("There is no such run.")
    context = {
        "run": run,
        "content": run.content,
        "unchanged": content_hash(run.content) == run.sha256,
    }
    return render(request, "reports/validation/pack.html", context)


@requires(Cap.SITE_CARE)
@require_http_methods(["GET", "POST"])
def study_validation(request: StaffRequest, study: str) -> HttpResponse:
    """List the runs for the lead, and run the checks."""
    return _list(request)


@requires(Cap.SITE_CARE)
@require_GET
def study_pack(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show one run to the lead, to print and sign."""
    return _pack(request, uid)


@requires(Cap.ACCOUNTS_MANAGE)
@require_http_methods(["GET", "POST"])
def site_validation(request: StaffRequest) -> HttpResponse:
    """List the runs for an account administrator, and run the checks."""
    return _list(request)


@requires(Cap.ACCOUNTS_MANAGE)
@require_GET
def site_pack(request: StaffRequest, uid: UUID) -> HttpResponse:
    """Show one run to an account administrator, to print and sign."""
    return _pack(request, uid)
