"""The page of a study on a site that was restored: what is not on the record, and how it gets there again."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from studylab import clock
from studylab.access import Cap, requires
from studylab.backups.forms import DoneForm, NumbersForm
from studylab.backups.gaps import ABOUT, filed, known, to_make_good
from studylab.backups.models import MadeGood
from studylab.backups.services.made_good import entered_again, numbers_compared
from studylab.http import StaffRequest, answer_form, posted


@requires(Cap.STUDY_VIEW)
@require_safe
def restored(request: StaffRequest, study: str) -> HttpResponse:
    """Show from when to when nothing is on the record, what the record says of that time, and the next step."""
    now = clock.now()
    may_see = request.actor.may(Cap.VOLUNTEER_VIEW)
    rows = [
        (
            row,
            known(request.study, row.restoration.snapshot_at, now) if may_see else None,
            filed(row),
        )
        for row in to_make_good(request.study)
    ]
    over = MadeGood.objects.filter(study=request.study, done_at__isnull=False)
    over = over.select_related("restoration", "done_by", "numbers_by")
    return render(
        request, "backups/restored.html", {"rows": rows, "over": over, "now": now, "about": ABOUT}
    )


@requires(Cap.MESSAGE_DECIDE)
@require_http_methods(["GET", "POST"])
def restored_numbers(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record what paper tells about allocation numbers."""
    row = _row(request, uid)
    form = NumbersForm(posted(request))
    back = reverse("restored", args=[study])
    return answer_form(
        request, form=form, template="backups/restored_step.html",
        write=lambda: numbers_compared(row=row, actor=request.actor, **form.cleaned_data),
        done=lambda _row: back, message="It is on record. Numbers are issued again: first those that paper has.",
        context={
            "row": row, "back": back, "title": "Compare allocation numbers with paper",
            "known": known(request.study, row.restoration.snapshot_at, clock.now()),
        },
    )  # fmt: skip


@requires(Cap.MESSAGE_DECIDE)
@require_http_methods(["GET", "POST"])
def restored_done(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record that everything is entered again."""
    row = _row(request, uid)
    form = DoneForm(posted(request))
    back = reverse("restored", args=[study])
    return answer_form(
        request, form=form, template="backups/restored_step.html",
        write=lambda: entered_again(row=row, actor=request.actor, **form.cleaned_data),
        done=lambda _count: back,
        message="It is on record. Messages leave again; those that may have gone out before wait for your decision.",
        context={
            "row": row, "back": back, "title": "Everything is entered again", "filed": filed(row), "about": ABOUT,
        },
    )  # fmt: skip


def _row(request: StaffRequest, uid: UUID) -> MadeGood:
    return get_object_or_404(
        MadeGood.objects.select_related("restoration", "study"), study=request.study, uid=uid
    )
