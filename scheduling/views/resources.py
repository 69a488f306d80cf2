"""Set-up pages for rooms, people, hours and closures."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.forms.outages import OutageForm
from scheduling.forms.resources import (
    HoursForm,
    ResourceChangeForm,
    ResourceForm,
)
from scheduling.selectors.outages import outage_choices, outage_resources
from scheduling.selectors.resources import (
    access_closure,
    access_resource,
    closure_rows,
    hours_of,
    kind_choices,
    member_users,
    resource_groups,
)
from scheduling.services import resources as write
from scheduling.services.outages import outage_add
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted


@requires(Cap.SETUP_VIEW)
@require_GET
def resources(request: StaffRequest, study: str) -> HttpResponse:
    """Everything that can be booked, by kind, and what the protocol needs and the lab lacks."""
    return render(
        request, "scheduling/resources/list.html", {"groups": resource_groups(request.study)}
    )


@requires(Cap.SETUP_EDIT)
@require_http_methods(["GET", "POST"])
def resource_add(request: StaffRequest, study: str) -> HttpResponse:
    """Add something bookable; its hours come next."""
    form = ResourceForm(
        posted(request),
        initial={"kind": request.GET.get("kind", "")},
        kinds=kind_choices(request.study),
        members=member_users(request.study),
    )
    return answer_form(
        request,
        form=form,
        template="scheduling/resources/form.html",
        write=lambda: write.resource_add(
            **form.cleaned_data, timezone=request.study.timezone, actor=request.actor
        ),
        done=lambda made: _to("resource_hours", study, made.uid),
        message="Added. Now say when it is open.",
        context={"heading": "Add a resource", "submit": "Add"},
    )


@requires(Cap.SETUP_EDIT)
@require_http_methods(["GET", "POST"])
def resource_change(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Change name, person and number of places."""
    resource = access_resource(uid)

    def make(data: QueryDict | None = None) -> ResourceChangeForm:
        row = access_resource(uid)
        initial = {"name": row.name, "places": row.places.count(), "user": row.user_id}
        return ResourceChangeForm(data, initial=initial, members=member_users(request.study))

    form = make(posted(request))
    return answer_form(
        request,
        form=form,
        edits=make,
        template="scheduling/resources/form.html",
        write=lambda: write.resource_change(
            resource=resource, **form.cleaned_data, actor=request.actor
        ),
        done=lambda _: _to("resources", study),
        message="Saved.",
        context={"heading": f"Change {resource.name}", "submit": "Save", "resource": resource},
    )


@requires(Cap.SETUP_EDIT)
@require_http_methods(["GET", "POST"])
def resource_hours(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Set the weekly opening hours."""
    resource = access_resource(uid)
    form = HoursForm(posted(request), hours=hours_of(resource))
    return answer_form(
        request,
        form=form,
        edits=lambda: HoursForm(hours=hours_of(access_resource(uid))),
        template="scheduling/resources/form.html",
        write=lambda: write.opening_set(resource=resource, rows=form.rows(), actor=request.actor),
        done=lambda _: _to("resources", study),
        message="Hours saved.",
        context={
            "heading": f"Hours of {resource.name}",
            "submit": "Save hours",
            "zone": resource.timezone,
        },
    )


@requires(Cap.SETUP_EDIT)
@require_POST
def resource_retire(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take a resource out of use."""
    resource = access_resource(uid)
    write.resource_retire(resource=resource, actor=request.actor)
    messages.success(request, f"{resource.name} is out of use.")
    return redirect("resources", study=study)


@requires(Cap.SETUP_EDIT)
@require_POST
def resource_restore(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take a resource into use again."""
    resource = access_resource(uid)
    write.resource_restore(resource=resource, actor=request.actor)
    messages.success(request, f"{resource.name} is in use again.")
    return redirect("resources", study=study)


@requires(Cap.SETUP_VIEW)
@require_GET
def resource_closures(request: StaffRequest, study: str) -> HttpResponse:
    """Closures and holidays to come, and the visits they hit."""
    context = {
        "rows": closure_rows(request.study, clock.now()),
        "zone": request.study.timezone,
    }
    return render(request, "scheduling/resources/closures.html", context)


@requires(Cap.LAB_TIMES)
@require_http_methods(["GET", "POST"])
def resource_outage_add(request: StaffRequest, study: str) -> HttpResponse:
    """Say once who or what is away; whoever books sees next what that hits, anybody else the closures."""
    form = OutageForm(posted(request), choices=outage_choices())
    back = "repair" if request.actor.may(Cap.SERIES_BOOK) else "resource_closures"

    def write_it() -> object:
        data = dict(form.cleaned_data)
        resources, name = outage_resources(data.pop("what"))
        return outage_add(resources=resources, name=name, actor=request.actor, **data)

    return answer_form(
        request, form=form, template="scheduling/repair/outage.html", write=write_it,
        done=lambda _: _to(back, study), message="Noted. Nothing is offered there any more.",
        context={"zone": request.study.timezone, "back": _to(back, study)},
    )  # fmt: skip


@requires(Cap.LAB_TIMES)
@require_POST
def resource_closure_remove(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take a closure back: open again at the usual hours."""
    closure = access_closure(uid)
    write.closure_remove(closure=closure, actor=request.actor)
    messages.success(request, f"Open again: {closure.reason}.")
    return redirect("resource_closures", study=study)


def _to(name: str, study: str, uid: UUID | None = None) -> str:
    return reverse(name, kwargs={"study": study, **({"uid": uid} if uid else {})})
