"""The hash chain: what was changed behind the house's back is found and named."""

import hashlib
import json
import threading
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction

from studylab.access import system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event, Link
from studylab.audit.selectors import unsealed_events, verify_chain
from studylab.audit.services import audit, seal_events
from tests.guards import guards_off

# Sealing waits for transactions to end, so these tests commit.
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.database]
ACTOR = system_actor("test")
TRAIL = ("audit_event", "audit_link")


def write(count: int) -> list[Event]:
    return [
        audit(
            actor=ACTOR, action=Action.STUDY_STATE_CHANGED, subject_type="study",
            subject_code=f"s{n}", data={"n": n, "half": n / 2, "text": "Ünïcode"},
        )
        for n in range(count)
    ]  # fmt: skip


def tamper(sql: str, *values: Any) -> None:
    with guards_off(*TRAIL) as cursor:
        cursor.execute(sql, values)
        assert cursor.rowcount > 0


def run() -> str:
    out = StringIO()
    call_command("verify_audit", stdout=out)
    return out.getvalue()


def broken() -> str:
    with pytest.raises(CommandError) as problem:
        run()
    assert problem.value.returncode == 1
    return str(problem.value)


def test_an_untouched_trail_is_intact() -> None:
    write(7)
    first = run()
    assert "Events sealed now: 7" in first
    assert "Links that fit: 7" in first
    assert "intact" in first
    write(2)
    assert "Events sealed now: 3" in run(), "the two, and that the record was checked"
    assert verify_chain().links == 10


def test_the_chain_is_what_the_documentation_says() -> None:
    """Recomputed here from the rows alone: SHA-256 over the hash before, a line feed and canonical JSON."""
    write(3)
    seal_events()
    previous = "0" * 64
    for link in Link.objects.order_by("id"):
        event = link.event
        content = {
            name: getattr(event, name)
            for name in (
                "id", "actor_id", "actor_label", "role", "action", "study_id", "subject_type",
                "subject_code", "participant_code", "reason", "data",
            )
        }  # fmt: skip
        content |= {"at": event.at.isoformat(), "request_id": str(event.request_id)}
        text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        previous = hashlib.sha256(f"{previous}\n{text}".encode()).hexdigest()
        assert link.hash == previous


@pytest.mark.parametrize(
    "change",
    [
        "actor_label = 'Somebody Else'",
        "at = at + interval '1 microsecond'",
        "data = jsonb_set(data, '{n}', '99')",
        "reason = 'because'",
        "study_id = 1",
        "request_id = gen_random_uuid()",
    ],
)
@pytest.mark.shows("A-03")
def test_a_changed_event_is_named(change: str) -> None:
    events = write(5)
    seal_events()
    tamper(f"UPDATE audit_event SET {change} WHERE id = %s", events[2].pk)
    result = verify_chain()
    assert result.broken_at == events[2].pk
    assert result.links == 2
    assert f"broken at event {events[2].pk}" in broken()


def test_a_removed_event_is_named() -> None:
    events = write(5)
    seal_events()
    tamper("DELETE FROM audit_event WHERE id = %s", events[3].pk)
    assert f"Event {events[3].pk} is gone" in broken()


@pytest.mark.shows("A-03")
def test_a_removed_event_with_its_link_is_found() -> None:
    events = write(5)
    seal_events()
    with guards_off(*TRAIL) as cursor:
        cursor.execute("DELETE FROM audit_link WHERE event_id = %s", [events[1].pk])
        cursor.execute("DELETE FROM audit_event WHERE id = %s", [events[1].pk])
    assert verify_chain().broken_at == events[2].pk


def test_a_removed_link_is_named_before_and_after_the_next_sealing() -> None:
    """Somebody takes a link out and recomputes the rest: the hashes fit, the order does not."""
    events = write(4)
    seal_events()
    write(1)
    seal_events()
    recompute_without(events[1])
    found = verify_chain()
    assert found.broken_at == events[1].pk
    assert "has no link" in found.problem
    text = broken()
    assert f"broken at event {events[1].pk}" in text
    assert "its own link was removed" in text


def recompute_without(left_out: Event) -> None:
    from studylab.audit.chain import CHAIN_START, event_digest

    with guards_off(*TRAIL) as cursor:
        cursor.execute("DELETE FROM audit_link WHERE event_id = %s", [left_out.pk])
        previous = CHAIN_START
        for link in Link.objects.select_related("event").order_by("id"):
            previous = event_digest(previous, link.event)
            cursor.execute("UPDATE audit_link SET hash = %s WHERE id = %s", [previous, link.pk])


def test_a_changed_hash_is_named() -> None:
    events = write(3)
    seal_events()
    tamper("UPDATE audit_link SET hash = %s WHERE event_id = %s", "f" * 64, events[0].pk)
    assert verify_chain().broken_at == events[0].pk


def test_long_trails_are_walked_in_pieces() -> None:
    events = write(11)
    while seal_events(limit=3):
        pass
    assert verify_chain(4).links == 11
    assert verify_chain(4).intact
    tamper("UPDATE audit_event SET reason = 'x' WHERE id = %s", events[9].pk)
    assert verify_chain(4).broken_at == events[9].pk


def test_what_is_not_settled_waits() -> None:
    """An event of a transaction that is still open may appear before one that is written already."""
    opened, finish = threading.Event(), threading.Event()

    def slow() -> None:
        try:
            with transaction.atomic():
                write(1)
                opened.set()
                finish.wait(10)
        finally:
            connection.close()

    thread = threading.Thread(target=slow)
    thread.start()
    assert opened.wait(10)
    later = write(1)[0]
    assert seal_events() == 0
    assert verify_chain().unsealed == 1
    finish.set()
    thread.join()
    assert seal_events() == 2
    assert list(Link.objects.order_by("id").values_list("event_id", flat=True)) == sorted(
        Event.objects.values_list("id", flat=True)
    )
    assert later.pk == Event.objects.order_by("-id").values_list("id", flat=True)[0]
    assert verify_chain().intact


def test_what_waits_is_looked_for_behind_the_chain_only() -> None:
    first = write(3)
    assert list(unsealed_events().order_by("id")) == first, "nothing is sealed yet"
    seal_events(limit=2)
    assert list(unsealed_events()) == first[2:]
    seal_events()
    assert not unsealed_events().exists()
    later = write(2)
    assert list(unsealed_events().order_by("id")) == later
    tamper("UPDATE audit_link SET settled_below = settled_below + 1000000")
    assert list(unsealed_events().order_by("id")) == later, "loaded into another server"
    tamper("DELETE FROM audit_link WHERE event_id = %s", first[0].pk)
    tamper("UPDATE audit_link SET settled_below = settled_below - 1000000")
    assert list(unsealed_events().order_by("id")) == later, "passed_without_link finds the other"
    assert not verify_chain().intact


@pytest.mark.shows("V-2.3.3")
def test_an_event_of_an_undone_act_does_not_stay() -> None:
    with transaction.atomic():
        write(1)
        transaction.set_rollback(True)
    assert not Event.objects.exists()
