"""People of a study and their roles."""

from datetime import date
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import ROLE_NAMES, Cap, Role, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.forms import RoleEndForm, RoleForm
from studylab.people.models import Membership
from studylab.people.selectors import (
    access_membership,
    membership_state,
    memberships_of_study,
    today_in,
)
from studylab.people.services.roles import role_end, role_grant


def _today(request: StaffRequest) -> date:
    return today_in(request.study.timezone)


def _people(request: StaffRequest) -> str:
    return reverse("people", kwargs={"study": request.study.slug})


@requires(Cap.SETUP_VIEW)
@require_GET
def people(request: StaffRequest, study: str) -> HttpResponse:
    """Who has what role, and when: current, future, ended."""
    today = _today(request)
    groups: dict[str, list[Membership]] = {"current": [], "future": [], "ended": []}
    for membership in memberships_of_study(request.study):
        groups[membership_state(membership, today)].append(membership)
    missing = [
        ROLE_NAMES[role]
        for role in Role
        if role is not Role.MONITOR and role.value not in {m.role for m in groups["current"]}
    ]
    invited = request.study.invitations.filter(ended_at=None).count()
    context = {"groups": groups, "missing": missing, "invited": invited}
    return render(request, "people/people.html", context)


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def people_role_add(request: StaffRequest, study: str) -> HttpResponse:
    """Give a further role to somebody known in the study."""
    form = RoleForm(posted(request), study=request.study, today=_today(request))

    def write() -> Membership:
        user = form.person()
        assert user is not None
        data = form.cleaned_data
        return role_grant(
            study=request.study, user=user, role=data["role"], starts_on=data["starts_on"],
            ends_on=data["ends_on"], actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request,
        form=form,
        template="people/role_add.html",
        write=write,
        done=lambda _made: _people(request),
        message="The role is given.",
        context={"cancel": _people(request)},
    )


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def people_role_end(request: StaffRequest, study: str, role: UUID) -> HttpResponse:
    """End a role, after asking."""
    membership = access_membership(request.study, role)
    form = RoleEndForm(posted(request))
    context = {
        "membership": membership,
        "state": membership_state(membership, _today(request)),
        "cancel": _people(request),
    }
    return answer_form(
        request,
        form=form,
        template="people/role_end.html",
        write=lambda: role_end(
            membership=membership,
            reason=form.cleaned_data["reason"],
            ends_on=form.cleaned_data["ends_on"],
            actor=request.actor,
        ),
        done=lambda _ended: _people(request),
        message=f"The role of {membership.user.name} is ended.",
        context=context,
    )
