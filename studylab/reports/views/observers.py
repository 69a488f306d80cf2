"""How readings are written down: counts and exact chances per observer, and an item to sign."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from screening.services.observers import observer_looked_at
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.models import Signature
from studylab.reports.forms import LookedAtForm
from studylab.reports.rules.observers import FEWEST_AT_LIMIT, FEWEST_DIGITS
from studylab.reports.selectors.observers import SHOWN, digits_table, observer_checks
from studylab.reports.views.progress import chart_file


@requires(Cap.OBSERVERS_VIEW)
@require_GET
def observers(request: StaffRequest, study: str) -> HttpResponse:
    """Show the checks of everybody who entered readings."""
    context = {
        "checks": observer_checks(request.study),
        "fewest": FEWEST_DIGITS,
        "fewest_at_limit": FEWEST_AT_LIMIT,
        "shown": SHOWN,
        "current_section": "volunteers",
    }
    return render(request, "reports/progress/observers.html", context)


@requires(Cap.OBSERVERS_VIEW)
@require_GET
def observers_file(request: StaffRequest, study: str, chart: str, form: str) -> HttpResponse:
    """Hand out the table of last digits."""
    if chart != "digits":
        raise Http404
    return chart_file(request, digits_table(observer_checks(request.study)), form)


@requires(Cap.OBSERVERS_SIGN)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def observer_sign(request: StaffRequest, study: str, user: int) -> HttpResponse:
    """Sign that the checks of one observer were looked at."""
    found = next((one for one in observer_checks(request.study) if one.user.pk == user), None)
    if found is None:
        raise Http404("Nobody with this number has entered readings.")
    form = LookedAtForm(posted(request))
    back = reverse("progress_observers", args=[request.study.slug])

    def write() -> Signature:
        return observer_looked_at(
            study=request.study, observer=found.user, figures=found.figures,
            because=form.cleaned_data["because"], password=form.cleaned_data["password"],
            actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request, form=form, template="parts/confirm_page.html", write=write, done=lambda _: back,
        message="Signed.",
        context={
            "heading": f"Readings written down by {found.user.name}",
            "text": "You sign that you looked at the counts, and what came of it. It says nothing about anybody's intent.",
            "submit": "Sign", "cancel": back, "current_section": "volunteers",
        },
    )  # fmt: skip
