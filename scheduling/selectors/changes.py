"""Reading a series as it stands, the newest change of it, and what was booked as an option."""

from datetime import datetime, timedelta
from typing import Any

from scheduling.models import Booking, Series, SeriesChange, Visit
from scheduling.rules.search import PlaceRef, SegmentOption, VisitOption
from studylab.studies.rules.protocol import Protocol

UNDO_FOR = timedelta(minutes=15)


def snapshot(series: Series) -> dict[str, Any]:
    """Return a series with its visits and the bookings that hold, as plain JSON, read afresh."""
    row = Series.objects.get(pk=series.pk)
    held: dict[int, list[int]] = {}
    active = Booking.objects.filter(visit__series=series, is_active=True).order_by("pk")
    for pk, visit in active.values_list("pk", "visit_id"):
        held.setdefault(visit, []).append(pk)
    return {
        "state": row.state,
        "ends_path": row.ends_path,
        "ended_at": row.ended_at.isoformat() if row.ended_at else "",
        "end_reason": row.end_reason,
        "visits": [
            {
                "number": visit.number,
                "state": visit.state,
                "planned": [visit.planned.lower.isoformat(), visit.planned.upper.isoformat()],
                "gap": [_seconds(visit.gap_earliest), _seconds(visit.gap_latest)],
                "bookings": held.get(visit.pk, []),
            }
            for visit in Visit.objects.filter(series=series).order_by("number")
        ],
    }


def _seconds(delta: timedelta | None) -> float | None:
    return None if delta is None else delta.total_seconds()


def newest_change(series: Series, now: datetime) -> SeriesChange | None:
    """Return the last change of a series while it can still be taken back: recent, and nothing happened since."""
    change = series.changes.select_related("by").first()
    if change is None or change.undone_at is not None or now > change.at + UNDO_FOR:
        return None
    return change if snapshot(series) == change.after else None


def booked_option(plan: Protocol, visit: Visit, bookings: list[Booking]) -> VisitOption:
    """Return a booked visit as the option it was booked from; its places from the bookings that hold."""
    segments, at = [], visit.planned.lower
    for segment in plan.visit(visit.number).segments:
        end = at + timedelta(minutes=segment.minutes)
        serving = tuple(
            PlaceRef(row.place.resource.kind, row.place_id)
            for row in bookings
            if segment.key in row.segments
        )
        segments.append(SegmentOption(segment.key, at, end, serving))
        at = end
    return VisitOption(visit.number, visit.planned.lower, at, tuple(segments))
