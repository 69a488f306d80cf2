"""The calendar: a day or a week, by room, by person, by everything that can be booked, or by volunteer."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from scheduling.forms.calendar import CalendarForm
from scheduling.models import Resource
from scheduling.rules.calendar_days import read_day, read_week, say_week
from scheduling.rules.elapsed import local_day, to_utc
from scheduling.selectors.calendar import calendar_days, codes_on
from scheduling.selectors.calendar_sheet import drawn
from scheduling.selectors.moves import option_at
from scheduling.selectors.resources import active_resources
from scheduling.selectors.sealed import seal_option
from scheduling.selectors.series import access_visit
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Refused
from studylab.http import StaffRequest
from studylab.people.selectors import today_in
from studylab.studies.selectors import current_protocol

FILTERS = ("by", "resource", "code", "visit")


@requires(Cap.CALENDAR_VIEW)
@require_GET
def calendar(request: StaffRequest, study: str) -> HttpResponse:
    """Show the week of `?week=2026-W48`, the day of `?day=2026-11-26`, or this week."""
    today, zone = today_in(request.study.timezone), request.study.timezone
    if "day" in request.GET:
        shown = _asked(read_day, request.GET["day"], "day")
        days, context, by = [shown], _day_context(shown, today), "all"
    else:
        text = request.GET.get("week") or say_week(today)
        monday = _asked(read_week, text, "week")
        days = [monday + timedelta(days=n) for n in range(7)]
        context, by = _week_context(monday, today), "rooms"
    form = _filters(request, days, by)
    content = calendar_days(request.study, days, form.wanted())
    by = form.cleaned_data.get("by") or by
    kept = {name: request.GET[name] for name in FILTERS if request.GET.get(name)}
    context |= {
        "sheet": drawn(content, by, clock.now(), zone),
        "listed": [(day, rows) for day, rows in content.listed.items() if rows],
        "zone": zone,
        "today": today,
        "now": clock.now(),
        "filters": form,
        "filtered": not form.wanted().all,
        "kept": f"&{urlencode(kept)}" if kept else "",
    }
    return render(request, "scheduling/calendar/calendar.html", context)


@requires(Cap.SERIES_BOOK)
@require_GET
def visit_move_to(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Lead from a time pointed at in the calendar to the page that shows before and after, or say why not.

    Nothing is written here: the move itself is asked for and checked on that page.
    """
    visit = access_visit(request.study, code, uid)
    at = _instant(request.GET.get("at", ""))
    here = {"study": study, "code": code, "uid": uid}
    wanted = _resource(request.GET.get("on", ""))
    found = option_at(visit, at, clock.now(), wanted)
    if found.option is not None:
        token = seal_option(
            found.option, version=visit.series.protocol_version, about=str(visit.uid)
        )
        if wanted is not None and found.elsewhere:
            messages.warning(
                request,
                f"{wanted.name} cannot be had at that time. Below it is at another {wanted.kind}.",
            )
        return redirect(
            f"{reverse('visit_move_confirm', kwargs=here)}?{urlencode({'option': token})}"
        )
    local = at.astimezone(request.study.zone)
    messages.warning(
        request,
        f"Visit {visit.number} cannot begin on {_words(local.date())} at {local:%H:%M}. {' '.join(found.why)}",
    )
    day = max(local_day(at, request.study.timezone), today_in(request.study.timezone))
    near = {"first_day": day - timedelta(days=1), "last_day": day + timedelta(days=6)}
    return redirect(f"{reverse('visit_move', kwargs=here)}?{urlencode(near)}")


def _filters(request: StaffRequest, days: list[date], by: str) -> CalendarForm:
    data = {"by": request.GET.get("by") or by} | {
        name: request.GET.get(name, "") for name in FILTERS[1:]
    }
    form = CalendarForm(
        data,
        resources=active_resources(),
        codes=codes_on(request.study, days),
        visits=len(current_protocol(request.study).plan.visits),
    )
    code = data["code"]
    if code and code not in dict(form.fields["code"].choices):  # type: ignore[attr-defined]
        # Kept from another week: somebody who has no visit in this one.
        form.fields["code"].choices.append((code, code))  # type: ignore[attr-defined]
    if not form.is_valid():
        name, problems = next(iter(form.errors.items()))
        raise Refused(f"{form.fields[name].label}: {problems[0]}", field=name)
    return form


def _instant(text: str) -> datetime:
    try:
        return to_utc(datetime.fromisoformat(text), "at")
    except (ValueError, OverflowError) as problem:
        raise Refused(f"“{text[:40]}” is not a time to move to.", field="at") from problem


def _resource(text: str) -> Resource | None:
    """Return the room, person or thing in whose lane a visit was dropped; None when it was no such lane."""
    if not text:
        return None
    found = active_resources().filter(pk=int(text)).first() if text.isdecimal() and len(text) < 10 else None  # fmt: skip
    if found is None:
        raise Refused("What the visit was dropped on is not in use any more.", field="on")
    return found


def _asked(read: Callable[[str], date], text: str, field: str) -> date:
    try:
        return read(text)
    except ValueError as problem:
        raise Refused(str(problem), field=field) from problem


def _week_context(monday: date, today: date) -> dict[str, Any]:
    sunday = monday + timedelta(days=6)
    return {
        "unit": "week",
        "shown": ("week", say_week(monday)),
        "heading": f"Week {monday.isocalendar().week}: {_words(monday)} to {_words(sunday)} {sunday.year}",
        "before": f"week={say_week(monday - timedelta(days=7))}",
        "after": f"week={say_week(monday + timedelta(days=7))}",
        "now_link": f"week={say_week(today)}",
        "other_link": f"day={(today if monday <= today <= sunday else monday).isoformat()}",
        "is_now": monday <= today <= sunday,
    }


def _day_context(day: date, today: date) -> dict[str, Any]:
    return {
        "unit": "day",
        "shown": ("day", day.isoformat()),
        "heading": f"{day:%A} {_words(day)} {day.year}",
        "before": f"day={(day - timedelta(days=1)).isoformat()}",
        "after": f"day={(day + timedelta(days=1)).isoformat()}",
        "now_link": f"day={today.isoformat()}",
        "other_link": f"week={say_week(day)}",
        "is_now": day == today,
    }


def _words(day: date) -> str:
    return f"{day.day} {day:%B}"
