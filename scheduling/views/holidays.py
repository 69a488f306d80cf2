"""Pages of public holidays: which days are closed, opening one with a reason, closing it again."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.forms.resources import HolidaysForm
from scheduling.forms.rota import HolidayOpenForm
from scheduling.selectors.rota import access_holiday, holiday_rows
from scheduling.services import holidays as write
from studylab.access import Cap, requires
from studylab.errors import Refused, StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal
from studylab.people.selectors import today_in
from studylab.studies.selectors import current_protocol


@requires(Cap.SETUP_VIEW)
@require_GET
def resource_holidays(request: StaffRequest, study: str) -> HttpResponse:
    """The public holidays of a year, closed or opened, and the visits they hit."""
    form = HolidaysForm({"year": request.GET.get("year") or today_in(request.study.timezone).year})
    if not form.is_valid():
        raise Refused("Holidays are known for the years 2000 to 2099.", field="year")
    return _page(request, form)


@requires(Cap.LAB_TIMES)
@require_POST
def resource_holidays_add(request: StaffRequest, study: str) -> HttpResponse:
    """Take the public holidays of a year over as closures of the whole lab."""
    form = HolidaysForm(request.POST)
    if not form.is_valid():
        return _page(request, form, 422)
    year = form.cleaned_data["year"]
    try:
        added = write.holidays_import(study=request.study, year=year, actor=request.actor)
    except StudylabError as refusal:
        take_refusal(form, refusal)
        return _page(request, form, refusal.status)
    messages.success(request, f"{added} holidays of {year} added; others stood already.")
    return redirect(f"{reverse('resource_holidays', args=[study])}?year={year}")


@requires(Cap.LAB_TIMES)
@require_http_methods(["GET", "POST"])
def resource_holiday_open(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Open the lab on a public holiday, with a reason."""
    holiday = access_holiday(uid)
    form = HolidayOpenForm(posted(request))
    back = f"{reverse('resource_holidays', args=[study])}?year={holiday.day.year}"
    return answer_form(
        request, form=form, template="parts/confirm_page.html",
        write=lambda: write.holiday_open(
            holiday=holiday, reason=form.cleaned_data["reason"], actor=request.actor
        ),
        done=lambda _: back, message=f"Open on {holiday.name} at the usual hours.",
        context={
            "heading": f"Open the lab on {holiday.name}?",
            "text": "Visits are offered on that day at the usual hours of rooms and people. Who is off that day "
            "needs a closure or other hours of their own.",
            "submit": "Open on this day", "cancel": back,
        },
    )  # fmt: skip


@requires(Cap.LAB_TIMES)
@require_POST
def resource_holiday_close(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Close the lab on a public holiday again."""
    holiday = access_holiday(uid)
    write.holiday_close(holiday=holiday, study=request.study, actor=request.actor)
    messages.success(request, f"Closed on {holiday.name} again. Look below whether a visit is hit.")
    return redirect(f"{reverse('resource_holidays', args=[study])}?year={holiday.day.year}")


def _page(request: StaffRequest, form: HolidaysForm, status: int = 200) -> HttpResponse:
    plan = current_protocol(request.study).plan
    year = form.cleaned_data.get("year") or today_in(request.study.timezone).year
    context = {
        "form": form,
        "year": year,
        "rows": holiday_rows(request.study, year),
        "country": ", ".join(part for part in (plan.country, plan.subdivision) if part),
        "zone": request.study.timezone,
    }
    return render(request, "scheduling/rota/holidays.html", context, status=status)
