"""Who has access to the study and what it opens, as of any day; signing that it was looked at."""

from datetime import date

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.access_forms import OnDayForm, ReviewForm
from studylab.people.selectors import today_in
from studylab.people.selectors.access_review import (
    access_lines,
    people_seen,
    review_content,
    review_due_on,
    reviews_of,
)
from studylab.people.services.access_review import access_reviewed
from studylab.people.services.signatures import content_hash


def _asked(request: StaffRequest) -> tuple[OnDayForm, date]:
    today = today_in(request.study.timezone)
    form = OnDayForm(request.GET or None, initial={"on": today})
    return form, (form.cleaned_data["on"] if form.is_bound and form.is_valid() else None) or today


@requires(Cap.ACCESS_VIEW)
@require_safe
def access(request: StaffRequest, study: str) -> HttpResponse:
    """Show everybody's access as of a day, and the reviews."""
    form, on = _asked(request)
    today, due = today_in(request.study.timezone), review_due_on(request.study)
    seen = people_seen(request.study, on)
    context = {
        "form": form, "on": on, "today": today, "due": due, "is_due": due <= today,
        "groups": [
            ("Access on this day", [one for one in seen if one.has_access], "Nobody had access on this day."),
            ("No access on this day", [one for one in seen if not one.has_access], ""),
        ],
        "reviews": reviews_of(request.study),
    }  # fmt: skip
    status = 422 if form.is_bound and form.errors else 200
    return render(request, "people/access/access.html", context, status=status)


@requires(Cap.ACCESS_VIEW)
@require_safe
def access_file(request: StaffRequest, study: str) -> HttpResponse:
    """Hand out the same table as CSV."""
    _form, on = _asked(request)
    lines = access_lines(
        people_seen(request.study, on),
        request.study,
        addresses=request.actor.may(Cap.PEOPLE_MANAGE),
    )
    answer = HttpResponse("".join(lines), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="access-{request.study.slug}-{on}.csv"'
    return answer


@requires(Cap.PEOPLE_MANAGE)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def access_sign(request: StaffRequest, study: str) -> HttpResponse:
    """Sign that everybody's access of today was looked at."""
    today = today_in(request.study.timezone)
    seen = [one for one in people_seen(request.study, today) if one.has_access]
    form, back = ReviewForm(posted(request)), reverse("people_access", args=[study])
    return answer_form(
        request, form=form, template="people/access/sign.html",
        write=lambda: access_reviewed(
            study=request.study, found=form.cleaned_data["found"], months=form.cleaned_data["months"],
            password=form.cleaned_data["password"], actor=request.actor,
        ),
        done=lambda _review: back, message="The review is signed.",
        shown=content_hash(review_content(seen, today)), context={"people": seen, "cancel": back},
    )  # fmt: skip
