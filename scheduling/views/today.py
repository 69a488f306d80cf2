"""Today: who comes when, how each visit stands, who is on cover, whom to contact."""

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.models import CoverPresence
from scheduling.rules.calendar_days import read_day
from scheduling.selectors.absent import absent_now
from scheduling.selectors.calls import calls_due
from scheduling.selectors.presence import rescue_check_today
from scheduling.selectors.things import things_now
from scheduling.selectors.today import TodayRow, cover_now, today_of
from scheduling.views.contacts import contact_rows
from scheduling.views.paper import code_of_today
from scheduling.views.words import KINDS
from screening.rules.gate_cover import is_fresh
from screening.selectors.monitors import monitor_lines
from studylab import clock
from studylab.access import Cap, in_background, requires
from studylab.errors import Refused
from studylab.http import StaffRequest
from studylab.participants.selectors.words import open_words
from studylab.people.selectors import today_in
from studylab.studies.selectors import current_protocol

# How the numbers above the list read, in this order.
_COUNTED = (
    ("on hold", "on hold"), ("check due", "check due"), ("waiting", "waiting"), ("late", "late"),
    ("under way", "under way"), ("due", "to come"), ("done", "done"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shown:
    """A row with the shape of its state; `absent` when somebody who was dosed has not come."""

    row: TodayRow
    kind: str
    absent: bool = False

    @property
    def over(self) -> bool:
        """Whether nothing more happens at this visit."""
        return self.row.word in ("done", "missed", "stopped early", "cancelled")


@dataclass(frozen=True, slots=True)
class CoverShown:
    """A physician at the site; `stale` when they said so too long ago for a dose."""

    presence: CoverPresence
    stale: bool


@requires(Cap.TODAY_VIEW)
@require_GET
def today(request: StaffRequest, study: str) -> HttpResponse:
    """Show the day of `?day=2026-11-26`, or today."""
    day, now_day = _day(request)
    context = _context(request, day, now_day) | {
        "before": (day - timedelta(days=1)).isoformat(),
        "after": (day + timedelta(days=1)).isoformat(),
        "rings": day == now_day,
    }
    return render(request, "scheduling/today/today.html", context)


@requires(Cap.TODAY_VIEW)
@in_background
@require_GET
def today_rows(request: StaffRequest, study: str) -> HttpResponse:
    """What changes by itself on that page, asked for every half minute."""
    day, now_day = _day(request)
    return render(request, "scheduling/today/_rows.html", _context(request, day, now_day))


def _day(request: StaffRequest) -> tuple[date, date]:
    now_day = today_in(request.study.timezone)
    text = request.GET.get("day")
    if not text:
        return now_day, now_day
    try:
        return read_day(text), now_day
    except ValueError as problem:
        raise Refused(str(problem), field="day") from problem


def _context(request: StaffRequest, day: date, now_day: date) -> dict[str, Any]:
    now = clock.now()
    absent = {visit.pk for visit in absent_now(request.study, now)}
    rows = [
        Shown(row, KINDS[row.word], row.visit.pk in absent)
        for row in today_of(request.study, day, at=now)
    ]
    count: Counter[str] = Counter(shown.row.word for shown in rows)
    is_today = day == now_day
    cover = [
        CoverShown(one, not is_fresh(one.said_at, now))
        for one in (cover_now(request.study, now) if is_today else [])
    ]
    more = _around(request, now) if is_today else {}
    return more | {
        "day": day,
        "is_today": is_today,
        "rows": rows,
        "counts": [(count[word], text) for word, text in _COUNTED if count[word]],
        "cover": cover,
        "on_cover": any(one.presence.user_id == request.actor.user_id for one in cover),
        "now": now,
    }


def _around(request: StaffRequest, now: datetime) -> dict[str, Any]:
    """What stands around the list on the day itself."""
    return {
        "contacts": contact_rows(request.study),
        "words": open_words(request.study, now),
        "day_code": code_of_today(request.study),
        "calls": calls_due(request.study, now),
        "rescue": rescue_check_today(request.study, now),
        "monitors": monitor_lines(request.study, now),
        "things": things_now(request.study, current_protocol(request.study).plan, now),
    }
