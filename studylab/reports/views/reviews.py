"""Planned reviews of data and trail: what is due, what was signed, and signing one."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.reports.forms import ReviewForm
from studylab.reports.selectors.reviews import reviews_of
from studylab.reports.services.reviews import MEANING, review_sign


@requires(Cap.RECORD_VIEW)
@require_GET
def reviews(request: StaffRequest, study: str) -> HttpResponse:
    """Show every planned review with its risk, its next day and its signatures."""
    context = {"lines": reviews_of(request.study, clock.now()), "current_section": "record"}
    return render(request, "reports/reviews.html", context)


@requires(Cap.REVIEW_SIGN)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def review_add(request: StaffRequest, study: str, key: str) -> HttpResponse:
    """Sign for one review."""
    lines = reviews_of(request.study, clock.now())
    line = next((one for one in lines if one.plan.key == key), None)
    if line is None:
        raise Http404("The study document plans no such review.")
    form, back = ReviewForm(posted(request)), reverse("record_reviews", args=[study])
    return answer_form(
        request, form=form, template="parts/confirm_page.html",
        write=lambda: review_sign(study=request.study, key=key, actor=request.actor, **form.cleaned_data),
        done=lambda _signature: back, message="The review is signed.",
        context={
            "heading": line.plan.what, "submit": "Sign the review", "cancel": back,
            "text": f"Against this risk: {line.plan.risk}. The signature means: \u201c{MEANING}\u201d.",
            "current_section": "record",
        },
    )  # fmt: skip
