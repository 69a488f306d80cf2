"""Checks of the seals as work: how far, stopped, taken up again after the last link, and what is kept of them."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from studylab import clock
from studylab.access import system_actor
from studylab.audit import seal_checks
from studylab.audit.actions import Action
from studylab.audit.models import Event, Link, SealCheck
from studylab.audit.seal_checks import check_ask, check_stop, due_by_itself, work
from studylab.audit.selectors import verify_chain
from studylab.audit.services import audit
from studylab.audit.tasks import verify
from studylab.audit.walk import Walk
from studylab.errors import Conflict, NotAllowed
from studylab.operation import lease
from tests import cast
from tests.guards import guards_off

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUSE = system_actor("test")


@pytest.fixture
def chain() -> list[Link]:
    """Ten events and their links, as sealing would make them once they had settled."""
    from studylab.audit.chain import CHAIN_START, event_digest

    previous, links = CHAIN_START, []
    for number in range(10):
        event = audit(
            actor=HOUSE, action=Action.KITS_RECEIVED, subject_type="kit", subject_code=number
        )
        event.refresh_from_db()
        previous = event_digest(previous, event)
        links.append(Link(event=event, hash=previous, sealed_at=clock.now()))
    return Link.objects.bulk_create(links)


def test_a_check_finds_what_the_walk_in_one_go_finds(chain: list[Link]) -> None:
    check = check_ask(actor=HOUSE)
    found = work(check.pk, chunk=3)
    check.refresh_from_db()
    assert found == replace(verify_chain(), unsealed=0), "what was found is an entry itself"
    assert (check.state, check.links, check.total, check.attempt) == ("done", 10, 10, 1)
    assert check.head == chain[-1].hash
    event = Event.objects.get(action=Action.RECORD_VERIFIED)
    assert (event.data["intact"], event.data["head"]) == (True, chain[-1].hash)
    assert work(check.pk) is None, "a repeated message finds nothing to do"


def test_after_a_kill_it_goes_on_behind_the_last_link_that_fitted(
    chain: list[Link], monkeypatch: Any
) -> None:
    check, step, begun = check_ask(actor=HOUSE), Walk.step, []

    def killed_in_the_third(walk: Walk, limit: int) -> Any:
        begun.append(walk.after)
        if len(begun) == 3:
            raise KeyboardInterrupt  # as a killed process would: nothing is caught, nothing written
        return step(walk, limit)

    monkeypatch.setattr(Walk, "step", killed_in_the_third)
    with pytest.raises(KeyboardInterrupt):
        work(check.pk, chunk=3)
    check.refresh_from_db()
    assert (check.state, check.links) == ("running", 6)
    lease.take_back(SealCheck, clock.now() + timedelta(minutes=5), then="")
    found = work(check.pk, chunk=3)
    assert begun[3] == chain[5].pk
    assert found == replace(verify_chain(), unsealed=0), "what was found is an entry itself"
    check.refresh_from_db()
    assert (check.state, check.attempt, check.links) == ("done", 2, 10)


def test_a_broken_link_is_named(chain: list[Link]) -> None:
    with guards_off("audit_event") as cursor:
        cursor.execute(
            "UPDATE audit_event SET reason = 'another' WHERE id = %s", [chain[6].event_id]
        )
    check = check_ask(actor=HOUSE)
    work(check.pk, chunk=2)
    check.refresh_from_db()
    assert (check.state, check.links, check.broken_at) == ("done", 6, chain[6].event_id)
    assert str(chain[6].event_id) in check.problem
    assert not Event.objects.get(action=Action.RECORD_VERIFIED).data["intact"]


def test_stopped_in_the_middle_it_says_nothing_about_the_record(
    chain: list[Link], study: Any, lead: Any, monitor: Any, monkeypatch: Any
) -> None:
    actor = cast.actor_of(lead, study)
    check, step = check_ask(actor=actor), Walk.step
    with pytest.raises(NotAllowed):
        check_stop(check=check, actor=cast.actor_of(monitor, study))

    def stopped_meanwhile(walk: Walk, limit: int) -> Any:
        check_stop(check=check, actor=actor)
        return step(walk, limit)

    monkeypatch.setattr(Walk, "step", stopped_meanwhile)
    assert work(check.pk, chunk=3) is None
    check.refresh_from_db()
    assert (check.state, check.links, check.unsealed) == ("stopped", 3, None)
    assert not Event.objects.filter(action=Action.RECORD_VERIFIED).exists()
    with pytest.raises(Conflict, match="stopped already"):
        check_stop(check=check, actor=actor)
    assert not due_by_itself(clock.now()), "whoever stopped it had a reason"
    assert due_by_itself(clock.now() + timedelta(hours=25))


def test_one_check_at_a_time_also_for_the_database() -> None:
    check_ask(actor=HOUSE)
    with pytest.raises(Conflict, match="being checked already"):
        check_ask(actor=HOUSE)
    with pytest.raises(IntegrityError), transaction.atomic():
        SealCheck.objects.create(asked_at=clock.now(), asked_by="somebody")


def test_the_daily_tick_asks_once_and_finds_what_nobody_heard(
    chain: list[Link], monkeypatch: Any
) -> None:
    monkeypatch.setattr(seal_checks, "knock", lambda _id: None)
    verify.run()
    verify.run()
    assert SealCheck.objects.get().state == "waiting"
    with clock.travel(clock.now() + timedelta(minutes=1)):
        verify.run()
    assert SealCheck.objects.get().state == "done"
    verify.run()
    assert SealCheck.objects.count() == 1
