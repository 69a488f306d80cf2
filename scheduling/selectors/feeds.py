"""What calendar files say. No code, no name of a volunteer, no segment and nothing about health.

A feed leaves the house for calendar programs of others, so it names only the visit's number and the rooms;
whose visit it is shows on our own calendar, after signing in.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import Q, QuerySet
from django.http import Http404
from django.utils import translation
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from scheduling.models import Booking, CalendarFeed, Resource, Series, Visit
from scheduling.rules.ical_out import CANCEL, PUBLISH, Entry, Sender, calendar_bytes
from scheduling.rules.openings import joined
from scheduling.rules.timeline import Interval
from scheduling.selectors.calendar_lanes import is_room
from scheduling.selectors.timelines import span
from studylab.access import Actor, Cap
from studylab.participants.rules.link import token_digest, token_purpose
from studylab.participants.selectors.links import link_keys
from studylab.people.selectors import actor_for, current_memberships, today_in
from studylab.said_times import said_day, said_time
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

PURPOSE = "calendar feed"
BACK, AHEAD = timedelta(days=60), timedelta(days=400)  # cancelled events stay for as long, too


def feed_of_token(text: str) -> CalendarFeed | None:
    """Return the open feed with this secret; None for a wrong, tampered or withdrawn one, without a difference.

    The secret is sealed and only its keyed digest is looked up, so the time taken tells nothing about it.
    """
    ours = [key for key in link_keys() if token_purpose(text, key, (PURPOSE,)) is not None]
    if not ours:
        return None
    feed = _feeds().filter(token_digest=token_digest(text, ours[0])).first()
    return feed if feed is not None and is_open(feed) else None


def is_open(feed: CalendarFeed) -> bool:
    """Whether a feed still opens: not withdrawn, in use, and both who made it and whom it is of still belong."""
    study, user = feed.study, feed.resource.user
    today = today_in(study.timezone)
    return (
        feed.revoked_at is None
        and feed.resource.is_active
        and study.state != Study.State.CLOSED
        and feed.made_by.is_active
        and actor_for(feed.made_by, study).may(Cap.CALENDAR_VIEW)
        and (user is None or (user.is_active and current_memberships(user, study, today).exists()))
    )


def feed_resources(actor: Actor) -> QuerySet[Resource]:
    """Return what somebody may make a feed of: their own, or with the lab's times in hand everything in use."""
    rows = Resource.objects.filter(is_active=True).order_by("kind", "name")
    return rows if actor.may(Cap.LAB_TIMES) else rows.filter(user_id=actor.user_id or 0)


@dataclass(frozen=True, slots=True)
class FeedState:
    """A feed with its state, for the page."""

    feed: CalendarFeed
    kind: str
    word: str
    open: bool


def feed_states(study: Study, actor: Actor) -> list[FeedState]:
    """Return the feeds that somebody may see and withdraw, open ones first."""
    rows = [_state(feed) for feed in _feeds_for(study, actor).order_by("-made_at", "-id")]
    return sorted(rows, key=lambda row: not row.open)


def access_feed(study: Study, actor: Actor, uid: UUID) -> CalendarFeed:
    """Return a feed that somebody may withdraw, or answer "not found"."""
    found = _feeds_for(study, actor).filter(uid=uid).first()
    if found is None:
        raise Http404("There is no such feed.")
    return found


def feed_file(feed: CalendarFeed, now: datetime) -> bytes:
    """Return the feed: every use of the resource, also those given back, around the present."""
    study = feed.study
    return calendar_bytes(
        feed_entries(feed.resource, study, now), zone=study.timezone, stamp=now, method=PUBLISH,
        sender=_sender(study), name=feed.resource.name,
    )  # fmt: skip


def feed_entries(resource: Resource, study: Study, now: datetime) -> list[Entry]:
    """Return one entry per stretch of a visit at this resource; of a visit that left it, a cancelled one."""
    rows = list(
        Booking.objects.filter(
            place__resource=resource, during__overlap=span(now - BACK, now + AHEAD)
        )
        .select_related("visit__participant")
        .order_by("visit_id", "id")
    )
    by_visit: dict[int, list[Booking]] = defaultdict(list)
    for row in rows:
        by_visit[row.visit_id].append(row)
    rooms = _rooms(by_visit)
    entries = []
    for visit_id, bookings in by_visit.items():
        visit = bookings[0].visit
        active = joined(_times(row for row in bookings if row.is_active))
        last = active or _given_back(visit, bookings)
        ours = visit.participant.study_id == study.pk
        for number, (start, end) in enumerate(last, start=1):
            where = [name for name, at in rooms[visit_id] if at[0] < end and start < at[1]]
            entries.append(
                Entry(
                    uid=f"{visit.uid}-{resource.uid}-{number}", start=start, end=end,
                    summary=f"Visit {visit.number}" if ours else "Visit of another study",
                    sequence=visit.revision, cancelled=not active,
                    location=", ".join(dict.fromkeys(where)) if ours else "",
                )
            )  # fmt: skip
    return entries


def _given_back(visit: Visit, bookings: list[Booking]) -> tuple[Interval, ...]:
    """Return the stretches of a visit that has left: those of its last time, or else the last one known."""
    whole = joined(_times(bookings))
    planned = visit.planned
    inside = [row for row in whole if planned.lower <= row[0] and row[1] <= planned.upper]
    return tuple(inside) or whole[-1:]


def _times(rows: Iterable[Booking]) -> list[Interval]:
    return [(row.during.lower, row.during.upper) for row in rows]


def _rooms(visits: Iterable[int]) -> dict[int, list[tuple[str, Interval]]]:
    """Return the rooms of visits with their times."""
    found: dict[int, list[tuple[str, Interval]]] = defaultdict(list)
    for visit_id, kind, name, during in (
        Booking.objects.filter(visit_id__in=list(visits), is_active=True)
        .order_by("during", "id")
        .values_list("visit_id", "place__resource__kind", "place__resource__name", "during")
    ):
        if is_room(kind):
            found[visit_id].append((name, (during.lower, during.upper)))
    return found


def appointments_file(series: Series, now: datetime) -> bytes | None:
    """Return a volunteer's appointments as a file of their own, in their language; None when there are none.

    While the series stands its visits are published, a moved one under its old identity with a higher number
    and a cancelled one as cancelled; of a cancelled series, the file takes the appointments back.
    """
    cancelled = series.state == Series.State.CANCELLED
    states = [Visit.State.CANCELLED] if cancelled else _TOLD
    rows = [row for row in series.visits.all() if row.state in states]
    study = series.participant.study
    with translation.override(_language(series)):
        entries = [_appointment(row, study) for row in rows]
        sender, name = _sender(study), _("Appointments")
    if not entries:
        return None
    return calendar_bytes(
        entries, zone=study.timezone, stamp=now, method=CANCEL if cancelled else PUBLISH,
        sender=sender, name=name,
    )  # fmt: skip


def visit_file(visit: Visit, now: datetime) -> bytes:
    """Return one appointment as a file to go with a mail (method PUBLISH), in the active language."""
    study = visit.participant.study
    return calendar_bytes(
        [_appointment(visit, study)], zone=study.timezone, stamp=now, method=PUBLISH, sender=_sender(study)
    )  # fmt: skip


_TOLD = (
    Visit.State.BOOKED, Visit.State.RUNNING, Visit.State.DONE, Visit.State.STOPPED, Visit.State.CANCELLED,
)  # fmt: skip


def _language(series: Series) -> str:
    return series.participant.language or "en"


def _appointment(row: Visit, study: Study) -> Entry:
    start, end = row.planned.lower, row.planned.upper
    local_start, local_end = localtime(start, study.zone), localtime(end, study.zone)
    words = _("%(day)s, %(start)s to %(end)s, local time of %(zone)s.") % {
        "day": said_day(local_start), "start": said_time(local_start), "end": said_time(local_end),
        "zone": study.timezone,
    }  # fmt: skip
    call = _("Questions or changes: call %(phone)s.") % {"phone": _phone(study)}
    return Entry(
        uid=str(row.uid), start=start, end=end,
        summary=_("Appointment %(number)s") % {"number": row.number},
        sequence=row.revision, cancelled=row.state == Visit.State.CANCELLED, description=f"{words}\n{call}",
    )  # fmt: skip


def _phone(study: Study) -> str:
    return current_protocol(study).plan.phone_24h


def _sender(study: Study) -> Sender:
    """Who publishes. The study's title stays out: it may name the substance or what is studied."""
    return Sender(_("Study team"), _phone(study))


def _feeds() -> QuerySet[CalendarFeed]:
    return CalendarFeed.objects.select_related("study", "resource__user", "made_by", "revoked_by")


def _feeds_for(study: Study, actor: Actor) -> QuerySet[CalendarFeed]:
    rows = _feeds().filter(study=study)
    if actor.may(Cap.LAB_TIMES):
        return rows
    return rows.filter(Q(made_by_id=actor.user_id) | Q(resource__user_id=actor.user_id or 0))


def _state(feed: CalendarFeed) -> FeedState:
    if feed.revoked_at is not None:
        return FeedState(feed, "stop", "withdrawn", open=False)
    if not is_open(feed):
        return FeedState(feed, "warn", "closed: out of use, or somebody left", open=False)
    return FeedState(feed, "ok", "open", open=True)
