"""Reading and verifying the trail."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import Max, QuerySet

from studylab.audit.actions import REFUSALS, Action
from studylab.audit.chain import CHAIN_START, event_digest, settled_below
from studylab.audit.models import Event, Link

_CHUNK = 2000
CHECKED_WITHIN = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Verification:
    """Outcome of a walk along the chain.

    `links` fit, one after the other from the first; `unsealed` events wait for their link. `broken_at` is
    the number of the first event whose link does not fit, is too late or is missing, and `problem` says so
    in a sentence.
    """

    links: int
    unsealed: int
    broken_at: int | None
    problem: str = ""

    @property
    def intact(self) -> bool:
        """Whether every link fits."""
        return self.broken_at is None


class _Walk:
    """State of a walk: the hash so far, and the transaction below which nothing may follow."""

    def __init__(self) -> None:
        self.previous = CHAIN_START
        self.links = 0
        self.batch: int | None = None
        self.floor: int | None = None

    def problem_of(self, link: Link, event: Event | None) -> str:
        """Return why the link does not fit, or "" and take it in."""
        if event is None:
            return f"Event {link.event_id} is gone; its link remains."
        if event_digest(self.previous, event) != link.hash:
            return f"Event {event.pk} or the link before it does not match its seal."
        if link.settled_below != self.batch:
            # Numbers start low again when a backup is loaded into another server: no floor across that.
            risen = self.batch is not None and (link.settled_below or 0) >= self.batch
            self.floor, self.batch = (self.batch if risen else None), link.settled_below
        if self.floor is not None and event.transaction_id < self.floor:
            return f"Event {event.pk} was sealed after the chain had passed it: its own link was removed."
        self.previous = link.hash
        self.links += 1
        return ""


def _links_with_events() -> Iterator[tuple[Link, Event | None]]:
    """Yield links in order, each with its event or None; events are looked up apart, since a join drops
    the links whose event is gone. Memory stays constant."""
    after = 0
    while links := list(Link.objects.filter(pk__gt=after).order_by("pk")[:_CHUNK]):
        events: dict[int, Event] = Event.objects.in_bulk([link.event_id for link in links])
        for link in links:
            yield link, events.get(link.event_id)
        after = links[-1].pk


def verify_chain() -> Verification:
    """Recompute every link in order, and look for events that the chain has passed without a link."""
    walk = _Walk()
    unsealed = Event.objects.filter(link=None)
    for link, event in _links_with_events():
        if problem := walk.problem_of(link, event):
            return Verification(walk.links, unsealed.count(), link.event_id, problem)
    passed = _passed_without_link(unsealed)
    if passed is not None:
        text = f"Event {passed} has no link although later events have theirs."
        return Verification(walk.links, unsealed.count(), passed, text)
    return Verification(walk.links, unsealed.count(), None)


@dataclass(frozen=True, slots=True)
class LastCheck:
    """When the whole chain was last checked, and whether every link fitted."""

    at: datetime
    intact: bool


def last_check() -> LastCheck | None:
    """Return the newest check of the whole chain that is on record, None before the first."""
    found = (
        Event.objects.filter(study_id=None, action=Action.RECORD_VERIFIED)
        .order_by("-at", "-id")
        .first()
    )
    return LastCheck(found.at, bool(found.data["intact"])) if found else None


def check_is_due(at: datetime) -> bool:
    """Whether the last check is a day old, or there was none."""
    last = last_check()
    return last is None or at - last.at >= CHECKED_WITHIN


def _passed_without_link(unsealed: QuerySet[Event]) -> int | None:
    bound = Link.objects.aggregate(bound=Max("settled_below"))["bound"]
    if bound is None or settled_below() < bound:
        return None  # nothing sealed yet, or loaded into another server since
    return (
        unsealed.filter(transaction_id__lt=bound)
        .order_by("id")
        .values_list("id", flat=True)
        .first()
    )


def events_of_study(study_id: int) -> QuerySet[Event]:
    """Events of one study, newest first."""
    return Event.objects.filter(study_id=study_id).order_by("-at", "-id")


def events_of_participant(study_id: int, code: str) -> QuerySet[Event]:
    """Events about one volunteer, oldest first."""
    return Event.objects.filter(study_id=study_id, participant_code=code).order_by("id")


def request_recorded(request_id: UUID) -> bool:
    """Whether a request has written anything but the note of a refusal."""
    return Event.objects.filter(request_id=request_id).exclude(action__in=REFUSALS).exists()
