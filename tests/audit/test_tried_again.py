"""What a service does when the database gave it up to let another go on."""

from typing import Any

import pytest
from django.db import connection

from studylab.access import Actor, system_actor
from studylab.db import service
from studylab.errors import Conflict, ReadOnly, StudylabError
from studylab.operation.full_disk import is_full

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.database]
TIRED = "DO $$ BEGIN RAISE EXCEPTION 'given up' USING ERRCODE = '{}'; END $$"


def run(state: str, times: int) -> tuple[Any, int]:
    """Run a service that the database gives up so many times; return what came of it, and how often it was begun."""
    begun = 0

    @service
    def write(*, actor: Actor) -> str:
        nonlocal begun
        begun += 1
        if begun <= times:
            with connection.cursor() as cursor:
                cursor.execute(TIRED.format(state))
        return "written"

    try:
        return write(actor=system_actor("test")), begun
    except StudylabError as refusal:
        return refusal, begun


@pytest.mark.parametrize("state", ["40P01", "40001"])  # deadlock_detected, serialization_failure
def test_is_tried_again_and_told_as_a_conflict_when_it_stays(state: str) -> None:
    assert run(state, 3) == ("written", 4)
    came, begun = run(state, 99)
    assert isinstance(came, Conflict)
    assert (str(came), begun) == ("Somebody else is changing this at the moment. Try again.", 4)


def test_a_lock_not_had_is_told_at_once() -> None:
    came, begun = run("55P03", 99)  # lock_not_available: the wait itself was long
    assert isinstance(came, Conflict)
    assert begun == 1


def test_a_full_disk_is_told_at_once_and_not_as_a_broken_page() -> None:
    came, begun = run("53100", 99)  # disk_full
    assert isinstance(came, ReadOnly)
    assert begun == 1
    assert str(came).startswith("The database's disk is full, so nothing was recorded.")
    assert is_full(came)
    assert not is_full(ReadOnly("The site is upgraded."))
