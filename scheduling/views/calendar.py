"""The calendar: a week by room, or a day by everything that can be booked."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.rules.calendar_days import read_day, read_week, say_week
from scheduling.selectors.calendar import calendar_days
from scheduling.selectors.calendar_sheet import day_sheet, week_sheet
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Refused
from studylab.http import StaffRequest
from studylab.people.selectors import today_in


@requires(Cap.CALENDAR_VIEW)
@require_GET
def calendar(request: StaffRequest, study: str) -> HttpResponse:
    """Show the week of `?week=2026-W48`, the day of `?day=2026-11-26`, or this week."""
    today, zone = today_in(request.study.timezone), request.study.timezone
    if "day" in request.GET:
        shown = _asked(read_day, request.GET["day"], "day")
        days, context = [shown], _day_context(shown, today)
        draw = day_sheet
    else:
        text = request.GET.get("week") or say_week(today)
        monday = _asked(read_week, text, "week")
        days = [monday + timedelta(days=n) for n in range(7)]
        context, draw = _week_context(monday, today), week_sheet
    content = calendar_days(request.study, days)
    context |= {
        "sheet": draw(content, clock.now(), zone),
        "listed": [(day, rows) for day, rows in content.listed.items() if rows],
        "zone": zone,
        "today": today,
        "now": clock.now(),
    }
    return render(request, "scheduling/calendar/calendar.html", context)


def _asked(read: Callable[[str], date], text: str, field: str) -> date:
    try:
        return read(text)
    except ValueError as problem:
        raise Refused(str(problem), field=field) from problem


def _week_context(monday: date, today: date) -> dict[str, Any]:
    sunday = monday + timedelta(days=6)
    return {
        "unit": "week",
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
        "heading": f"{day:%A} {_words(day)} {day.year}",
        "before": f"day={(day - timedelta(days=1)).isoformat()}",
        "after": f"day={(day + timedelta(days=1)).isoformat()}",
        "now_link": f"day={today.isoformat()}",
        "other_link": f"week={say_week(day)}",
        "is_now": day == today,
    }


def _words(day: date) -> str:
    return f"{day.day} {day:%B}"
