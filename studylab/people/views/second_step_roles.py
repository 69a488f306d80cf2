"""The study's choice of who signs in with a second step."""

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form
from studylab.people.second_step_forms import RolesForm
from studylab.people.services.second_step_roles import second_step_roles_choose


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def second_step_roles(request: StaffRequest, study: str) -> HttpResponse:
    """Choose which roles need a second step besides pharmacists and clinicians."""
    chosen = {"roles": request.study.second_step_roles}
    form = RolesForm(request.POST if request.method == "POST" else None, initial=chosen)
    back = reverse("people", args=[study])

    def now() -> RolesForm:
        request.study.refresh_from_db(fields=["second_step_roles"])
        return RolesForm(initial={"roles": request.study.second_step_roles})

    return answer_form(
        request, form=form, template="people/second_step/roles.html", edits=now,
        write=lambda: second_step_roles_choose(
            study=request.study, roles=form.cleaned_data["roles"], actor=request.actor
        ),
        done=lambda _study: back, message="This counts from the next page that each of them opens.",
        context={"cancel": back},
    )  # fmt: skip
