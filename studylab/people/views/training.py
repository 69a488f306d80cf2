"""Training of the people of a study."""

from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.selectors import today_in
from studylab.people.selectors.training import access_training, training_of
from studylab.people.services.training import training_record, training_take_back
from studylab.people.training_forms import TakeBackForm, TrainingForm


def _page(study: str) -> str:
    return reverse("people_training", kwargs={"study": study})


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def people_training(request: StaffRequest, study: str) -> HttpResponse:
    """Show who was trained in what, and record one more training."""
    today = today_in(request.study.timezone)
    form = TrainingForm(posted(request), study=request.study, today=today)
    return answer_form(
        request, form=form, template="people/training.html",
        write=lambda: training_record(study=request.study, actor=request.actor, **form.cleaned_data),
        done=lambda _made: _page(study), message="The training is on record.",
        context={
            "people": training_of(request.study, today),
            "cancel": reverse("people", kwargs={"study": study}),
        },
    )  # fmt: skip


@requires(Cap.PEOPLE_MANAGE)
@require_http_methods(["GET", "POST"])
def people_training_back(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take an entry back, with the reason."""
    training = access_training(request.study, uid)
    form = TakeBackForm(posted(request))
    return answer_form(
        request, form=form, template="people/training_back.html",
        write=lambda: training_take_back(
            training=training, reason=form.cleaned_data["reason"], actor=request.actor
        ),
        done=lambda _made: _page(study), message="The entry is taken back; it stays on record.",
        context={"training": training, "cancel": _page(study)},
    )  # fmt: skip
