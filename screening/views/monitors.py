"""The clocks of the pressure devices: comparing them with the server's, and which were wrong by how much."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from screening.forms.monitors import MonitorClockForm, MonitorRetireForm
from screening.models import MonitorClock
from screening.selectors.monitors import (
    access_monitor,
    comparison_doubt,
    comparisons_of,
    monitor_lines,
)
from screening.services.monitors import monitor_compare, monitor_retire
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.rules.devices import clock_words


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def monitor_clocks(request: StaffRequest, study: str) -> HttpResponse:
    """Every device with how wrong its clock was today, the comparison, and the comparisons before."""
    now = clock.now()
    lines = monitor_lines(request.study, now)
    first = next((line.monitor.name for line in lines if not line.today), "")
    form = MonitorClockForm(
        posted(request), initial={"name": first},
        doubt=lambda device, shown: comparison_doubt(request.study, device, shown, now),
    )  # fmt: skip

    def done(made: MonitorClock) -> str:
        words = clock_words(made.offset_seconds * 1000)
        messages.success(request, f"{made.monitor.name}: its clock is {words}.")
        return reverse("monitor_clocks", args=[study])

    return answer_form(
        request,
        form=form,
        template="screening/monitor_clocks.html",
        write=lambda: monitor_compare(
            study=request.study, actor=request.actor, **form.cleaned_data
        ),
        done=done,
        context={
            "lines": lines,
            "comparisons": comparisons_of(request.study),
            "now": now,
            "cancel": reverse("today", args=[study]),
        },
    )


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def monitor_out_of_use(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take a device out of use, with the reason."""
    monitor = access_monitor(request.study, uid)
    form = MonitorRetireForm(posted(request))
    back = reverse("monitor_clocks", args=[study])
    return answer_form(
        request,
        form=form,
        template="screening/monitor_retire.html",
        write=lambda: monitor_retire(monitor=monitor, actor=request.actor, **form.cleaned_data),
        done=lambda _: back,
        message=f"{monitor.name} is out of use.",
        context={"monitor": monitor, "cancel": back},
    )
