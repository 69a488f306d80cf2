"""Reading and verifying the trail."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import Q, QuerySet

from studylab.audit.actions import REFUSALS, Action
from studylab.audit.chain import settled_below
from studylab.audit.models import Event, Link
from studylab.audit.walk import CHUNK, Walk, passed_without_link

CHECKED_WITHIN = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Verification:
    """Outcome of a walk along the chain.

    `links` fit, one after the other from the first; `unsealed` events wait for their link. `broken_at` is
    the number of the first event whose link does not fit, is too late or is missing, and `problem` says so
    in a sentence. `head` is the hash of the last link that fits.
    """

    links: int
    unsealed: int
    broken_at: int | None
    problem: str = ""
    head: str = ""

    @property
    def intact(self) -> bool:
        """Whether every link fits."""
        return self.broken_at is None


def verify_chain(chunk: int = CHUNK) -> Verification:
    """Recompute every link in order, `chunk` at a time, and look for events that the chain has passed without a link."""
    walk, more, broken_at, problem = Walk(), True, None, ""
    while more:
        more, broken_at, problem = walk.step(chunk)
    return verification(walk, broken_at, problem)


def verification(walk: Walk, broken_at: int | None, problem: str) -> Verification:
    """Return the outcome of a walk that has come to its end, or to a link that does not fit."""
    unsealed = Event.objects.filter(link=None).count()
    if broken_at is None and (passed := passed_without_link()) is not None:
        broken_at, problem = (
            passed,
            f"Event {passed} has no link although later events have theirs.",
        )
    return Verification(walk.links, unsealed, broken_at, problem, walk.previous)


def unsealed_events() -> QuerySet[Event]:
    """Return the events that wait for their link, without a look at those that the chain has passed.

    An event that it passed without a link is a fault, which `passed_without_link` finds.
    """
    waiting, last = Event.objects.filter(link=None), Link.objects.order_by("-id").first()
    bound = last.settled_below if last else None
    if last is None or bound is None or settled_below() < bound:
        return waiting  # nothing sealed yet, or loaded into another server since
    return waiting.filter(Q(transaction_id__gte=bound) | Q(id__gt=last.event_id))


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


def events_of_study(study_id: int) -> QuerySet[Event]:
    """Events of one study, newest first."""
    return Event.objects.filter(study_id=study_id).order_by("-at", "-id")


def events_of_participant(study_id: int, code: str) -> QuerySet[Event]:
    """Events about one volunteer, oldest first."""
    return Event.objects.filter(study_id=study_id, participant_code=code).order_by("id")


def request_recorded(request_id: UUID) -> bool:
    """Whether a request has written anything but the note of a refusal."""
    return Event.objects.filter(request_id=request_id).exclude(action__in=REFUSALS).exists()
