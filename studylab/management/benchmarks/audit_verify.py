"""How many events a second the walk along the audit chain checks, against hashing the same bytes."""

import hashlib
from datetime import timedelta
from uuid import UUID

from django.db import connection

from studylab import clock
from studylab.audit.chain import CHAIN_START, event_digest
from studylab.audit.models import Event, Link
from studylab.audit.selectors import verify_chain
from studylab.db import insert_many
from studylab.management.benchmarks import Line, Measured, benchmark, rolled_back, seconds

AT_ONCE = 5000


@benchmark(
    "audit.verify",
    unit="events per second",
    reference="hashing the same bytes",
    size=100_000,
    tiny=50,
)
def verify_speed(size: int) -> Measured:
    """Chain `size` events of the usual length, then walk the whole chain."""
    with rolled_back():
        texts = _chained(size)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE audit_event, audit_link")
        walked: list[int] = []
        ours = seconds(lambda: walked.append(verify_chain().links))
        plain = seconds(lambda: [hashlib.sha256(text).hexdigest() for text in texts])
    if walked[0] < size:
        raise AssertionError(f"{walked[0]} of {size} links were walked.")
    more = Line(
        "audit.verify.whole",
        ours,
        "seconds for the whole chain",
        "hashing the same bytes",
        plain / ours,
    )
    return Measured(walked[0] / ours, plain / ours, (more,))


def _chained(size: int) -> list[bytes]:
    """Write events and their links; return bytes as long as what is hashed for each."""
    now, previous = clock.now(), _last_hash()
    lengths: list[bytes] = []
    for begin in range(0, size, AT_ONCE):
        events = [_event(number, now) for number in range(begin, min(begin + AT_ONCE, size))]
        insert_many(events)
        stored = Event.objects.in_bulk([event.pk for event in events])
        links = []
        for event in events:
            kept = stored[event.pk]
            previous = event_digest(previous, kept)
            links.append(Link(event=kept, hash=previous, sealed_at=now, settled_below=None))
            lengths.append(f"{previous}{vars(kept)}".encode()[:400])
        insert_many(links)
    return lengths


def _event(number: int, now: object) -> Event:
    return Event(
        at=clock.now() + timedelta(microseconds=number), actor_id=1, actor_label="Cora Lindqvist", role="Coordinator",
        action="step.recorded", study_id=1, subject_type="visit", subject_code=f"benchmark-{number}",
        participant_code="HB-00001X", reason="", data={"visit": 2, "step": "reminder", "number": number},
        request_id=UUID(int=number + 1),
    )  # fmt: skip


def _last_hash() -> str:
    last = Link.objects.order_by("-id").first()
    return last.hash if last else CHAIN_START
