"""Progress: the participant flow, accrual and forecast, and what went as planned."""

from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_GET

from scheduling.rules.shares import SOURCE
from studylab import clock
from studylab.access import Cap, requires
from studylab.allocation.selectors.published import about_export
from studylab.http import StaffRequest
from studylab.reports.rules.chart import Chart
from studylab.reports.rules.flow import imbalances
from studylab.reports.rules.svg_file import svg_file
from studylab.reports.selectors.accrual import outlook_of
from studylab.reports.selectors.flow import flow_chart, flow_of_study
from studylab.reports.selectors.kept import kept_charts
from studylab.spreadsheets import csv_line


@requires(Cap.PROGRESS_VIEW)
@sensitive_variables()
@require_GET
def progress(request: StaffRequest, study: str) -> HttpResponse:
    """Show the flow of participants; arms apart only after the list was opened."""
    flow = flow_of_study(request.study, request.actor)
    context: dict[str, Any] = {
        "flow": flow,
        "chart": flow_chart(flow),
        "wrong": imbalances(flow),
        "apart": len(flow.arms) > 1,
        "current_section": "volunteers",
    }
    return render(request, "reports/progress/flow.html", context)


@requires(Cap.PROGRESS_VIEW)
@require_GET
def accrual(request: StaffRequest, study: str) -> HttpResponse:
    """Show recruitment against the target, and when the last visit is expected."""
    outlook = outlook_of(request.study, clock.now())
    context = {
        "outlook": outlook,
        "chart": outlook.chart,
        "source": SOURCE,
        "current_section": "volunteers",
    }
    return render(request, "reports/progress/accrual.html", context)


@requires(Cap.PROGRESS_VIEW)
@require_GET
def kept(request: StaffRequest, study: str) -> HttpResponse:
    """Show waits, spacing and missed visits as they were, and why people were not allocated."""
    charts = kept_charts(request.study, clock.now())
    context = {"charts": charts, "source": SOURCE, "current_section": "volunteers"}
    return render(request, "reports/progress/kept.html", context)


@requires(Cap.PROGRESS_VIEW)
@sensitive_variables()
@require_GET
def progress_file(request: StaffRequest, study: str, chart: str, form: str) -> HttpResponse:
    """Hand out one chart: its table as CSV, or the drawing as SVG."""
    if chart == "flow":
        found = flow_chart(flow_of_study(request.study, request.actor))
    elif chart == "accrual":
        found = outlook_of(request.study, clock.now()).chart
    else:
        charts = {one.key: one for one in kept_charts(request.study, clock.now())}
        if chart not in charts:
            raise Http404
        found = charts[chart]
    return chart_file(request, found, form)


def chart_file(request: StaffRequest, chart: Chart, form: str) -> HttpResponse:
    """Return a chart as a file; Http404 for a form there is not, or a drawing that is not there yet."""
    if form == "csv":
        about = about_export(request.study, row=chart.row, key=chart.by)
        body = about + csv_line(chart.columns) + "".join(csv_line(row) for row in chart.rows)
        media = "text/csv; charset=utf-8"
    elif form == "svg" and chart.drawing is not None:
        body = svg_file(chart.drawing, title=f"{chart.title}, {request.study.short_title}", about=chart.about)  # fmt: skip
        media = "image/svg+xml"
    else:
        raise Http404
    answer = HttpResponse(body, content_type=media)
    name = f"{chart.key}-{request.study.slug}.{form}"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
