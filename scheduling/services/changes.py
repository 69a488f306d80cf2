"""Keeping what was changed about a series: to take it back, and to know what became free."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from scheduling.models import Booking, Closure, FreedTime, Place, Series, SeriesChange, Visit
from scheduling.selectors.changes import snapshot
from scheduling.selectors.timelines import span
from scheduling.services.reminders import reminders_follow
from studylab import clock
from studylab.access import Actor
from studylab.studies.models import Study

Spans = list[list[int]]


@contextmanager
def noted(series: Series, kind: SeriesChange.Kind, reason: str, actor: Actor) -> Iterator[None]:
    """Record what a block does to a locked series, and the times that become free by it.

    Part of a service's transaction: when the block refuses, nothing is recorded.
    """
    before, held = snapshot(series), _held(series)
    yield
    reminders_follow(series)
    now = clock.now()
    change = SeriesChange.objects.create(
        series=series, kind=kind, at=now, by_id=actor.user_id, reason=reason.strip()[:300],
        before=before, after=snapshot(series),
    )  # fmt: skip
    still = _held(series)
    spans = [one for one in held if one not in still and one[2] > now.timestamp()]
    code = series.participant.code
    free_noted(series.participant.study, f"{code}: {change.get_kind_display()}", spans, change)


def closure_lifted(closure: Closure, actor: Actor) -> None:
    """Record that a closure is taken back: its places can be used again for what is left of it."""
    if actor.study_id is None:
        return
    study = Study.objects.get(pk=actor.study_id)
    now = clock.now()
    start, end = max(closure.during.lower, now), closure.during.upper
    if end <= start:
        return
    places = Place.objects.filter(resource__is_active=True)
    if closure.resource_id is not None:
        places = places.filter(resource=closure.resource_id)
    spans = [
        [place, int(start.timestamp()), int(end.timestamp())]
        for place in places.order_by("pk").values_list("pk", flat=True)
    ]
    free_noted(study, f"open again: {closure.reason}"[:200], spans, None)


def free_noted(study: Study, why: str, spans: Spans, change: SeriesChange | None) -> None:
    """Write the times that became free, if there are any."""
    if not spans:
        return
    FreedTime.objects.create(
        study=study, change=change, at=clock.now(), why=why, places=spans,
        first=_instant(min(one[1] for one in spans)), last=_instant(max(one[2] for one in spans)),
    )  # fmt: skip


def _held(series: Series) -> Spans:
    rows = Booking.objects.filter(visit__series=series, is_active=True).order_by("during", "pk")
    return [
        [row.place_id, int(row.blocked.lower.timestamp()), int(row.blocked.upper.timestamp())]
        for row in rows
    ]


def restore(series: Series, before: dict[str, Any]) -> None:
    """Put a locked series back as `snapshot` found it. The database judges whether its places are free."""
    series.state, series.ends_path = before["state"], before["ends_path"]
    series.ended_at = datetime.fromisoformat(before["ended_at"]) if before["ended_at"] else None
    series.end_reason = before["end_reason"]
    series.save(update_fields=["state", "ends_path", "ended_at", "end_reason"])
    Booking.objects.filter(visit__series=series, is_active=True).update(is_active=False)
    rows = {row.number: row for row in Visit.objects.filter(series=series)}
    known = [one for one in before["visits"] if rows[one["number"]].started_at is None]
    # Out of each other's way first: no visit meets the old time of its neighbour while they are put back.
    numbers = [one["number"] for one in known]
    Visit.objects.filter(series=series, number__in=numbers).update(state=Visit.State.CANCELLED)
    for one in known:
        row = rows[one["number"]]
        row.state = one["state"]
        row.planned = span(*(datetime.fromisoformat(at) for at in one["planned"]))
        row.gap_earliest, row.gap_latest = (
            None if seconds is None else timedelta(seconds=seconds) for seconds in one["gap"]
        )
        row.save(update_fields=["state", "planned", "gap_earliest", "gap_latest"])
    wanted = [pk for one in before["visits"] for pk in one["bookings"]]
    Booking.objects.filter(pk__in=wanted, visit__series=series).update(is_active=True)


def _instant(seconds: int) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)
