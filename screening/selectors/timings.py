"""Moments that the server's clock took and that still count."""

from datetime import timedelta
from uuid import UUID

from screening.models import Check, Timing, VitalSet
from screening.selectors.checks import standing_checks
from studylab import clock
from studylab.participants.models import Participant

LONGEST = timedelta(hours=1)  # a rest or a test that began earlier was given up


def newest_timing(
    participant: Participant, kind: str, gate: str, visit_uid: UUID | None
) -> Timing | None:
    """Return the newest press of a button of this kind, at a gate of a visit, that is not too old."""
    return (
        Timing.objects.filter(
            participant=participant, kind=kind, gate=gate, visit_uid=visit_uid,
            at__gte=clock.now() - LONGEST,
        )
        .order_by("-id")
        .first()
    )  # fmt: skip


def open_rest(participant: Participant, gate: str, visit_uid: UUID | None) -> Timing | None:
    """Return the rest that goes on for a set of this check; one that a set came from is over."""
    rest = newest_timing(participant, Timing.Kind.REST, gate, visit_uid)
    if rest is None or VitalSet.objects.filter(rest=rest).exists():
        return None
    return rest


def standing_timings(
    participant: Participant, gate: str, visit_uid: UUID | None
) -> dict[str, Timing | None]:
    """Return the "rest" and the "stood" of a standing test that goes on; those before the last test are over."""
    last = standing_checks(participant, gate, visit_uid)
    ended = last.filter(kind=Check.Kind.STANDING).last()
    found = {}
    for name, kind in (("rest", Timing.Kind.LYING), ("stood", Timing.Kind.STAND)):
        timing = newest_timing(participant, kind, gate, visit_uid)
        over = timing is not None and ended is not None and timing.at <= ended.recorded_at
        found[name] = None if over else timing
    rest, stood = found["rest"], found["stood"]
    if rest is None or (stood is not None and stood.at < rest.at):
        found["stood"] = None  # a rest that was started again begins the test anew
    return found
